"""Orders of the shop's book on the Shelf: where each reel stands, what waits, and what holds it."""

import sys
from pathlib import Path

import pytest
from numbered_reel import AT, NAME
from served import browser, chromium, page_of, serve
from starlette.testclient import TestClient

from smallgauge.workbench.app import make_app
from smallgauge.workbench.hand import Hand
from smallgauge.workbench.shelf import Shelf

sys.path.insert(0, str(Path(__file__).parents[1] / "office"))
from shop import open_shop, parcel, reel


@pytest.fixture
def shop(own_shelf):
    """The shelf with a book: one order of a reel that is held, one that may run, and beside them a reel of no order."""
    with open_shop(own_shelf) as book:
        order = parcel(book)
        held = reel(book, order, box_words="the mouldy one", forbids="mould at the rim", lifter="Ines Vogt")
        free = reel(book, order, box_words="harbour")
    return own_shelf, held.number, free.number


def test_orders_stand_on_the_shelf_with_their_holds_in_words(shop):
    shelf, held, free = shop
    app, _ = make_app(Shelf(shelf), Hand(), lambda: AT)
    told = TestClient(app).get("/api/shelf").json()
    (order,) = told["orders"]
    assert order["words"] == "came 2026-03-02, 2 reels" and "Wim Oster" not in str(told)
    first, second = order["reels"]
    assert first["number"] == held and second["number"] == free
    assert first["holds"] == [
        "The film stays off the machine: mould at the rim. Only Ines Vogt may lift that."
    ]
    assert (second["holds"], second["stands"], second["state"]) == (
        [],
        "came in, not captured yet",
        "waiting",
    )
    assert [each["reel"] for each in told["reels"]] == [NAME]


def test_a_change_of_the_book_is_seen_and_a_broken_book_is_told(shop):
    shelf, _, _ = shop
    app, _ = make_app(Shelf(shelf), Hand(), lambda: AT)
    bench = TestClient(app)
    assert len(bench.get("/api/shelf").json()["orders"]) == 1
    with open_shop(shelf) as book:
        reel(book, parcel(book, client="Ada Brook"), box_words="a wedding")
    orders = bench.get("/api/shelf").json()["orders"]
    assert [order["reels"][0]["box_words"] for order in orders] == ["a wedding", "the mouldy one"]
    for name in ("office.sqlite-wal", "office.sqlite-shm"):
        (shelf / name).unlink(missing_ok=True)
    (shelf / "office.sqlite").write_bytes(b"no book" * 1000)
    told = bench.get("/api/shelf").json()
    assert told["orders"] == [] and "office.sqlite" in told["orders_trouble"] and len(told["reels"]) == 1


@pytest.mark.skipif(chromium() is None, reason="left out: no chromium on this system")
def test_the_page_shows_orders_above_reels_of_none(shop):
    shelf, held, free = shop
    with serve(shelf) as served, browser() as chrome, page_of(chrome, served) as page:
        page.wait_for_selector("section.order")
        words = page.inner_text("main")
        assert (
            words.index("mould at the rim")
            < words.index(free)
            < words.index("Without an order")
            < words.index(NAME)
        )
        assert page.title() == "Shelf shelf: 3 of 3 reels wait for me" and held in words
        assert page.said == []

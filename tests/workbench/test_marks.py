"""Frames marked at the bench to be kept as stills."""

import json
import shutil

import pytest
from numbered_reel import AT, NAME
from served import browser, chromium, page_of, serve
from starlette.testclient import TestClient

from smallgauge.record.marks import MARKS, read_marks
from smallgauge.workbench.app import make_app
from smallgauge.workbench.hand import Hand
from smallgauge.workbench.shelf import Shelf

REEL = f"/api/reel/{NAME}"


@pytest.fixture
def shelf(numbered_shelf, tmp_path):
    shutil.copytree(numbered_shelf.parent / "capture", tmp_path / "capture")
    return shutil.copytree(numbered_shelf, tmp_path / "shelf")


def mark(bench, row, *, by="mk", keep=True, words="", stamp=None):
    drawn = bench.get(f"{REEL}/frame/{row}").json()["stamp"]
    body = {"row": row, "stamp": stamp or drawn, "by": by, "keep": keep, "words": words}
    return bench.post(f"{REEL}/mark", json=body)


def test_marks_lie_in_film_order_and_can_be_taken_off(shelf):
    bench = TestClient(make_app(Shelf(shelf), Hand(), lambda: AT)[0])
    assert bench.get(f"{REEL}/marks").json() == {"marks": []}
    mark(bench, 30, words="the  boat")
    told = mark(bench, 12, by="jt").json()["marks"]
    frame = bench.get(f"{REEL}/frame/12").json()
    assert [each["row"] for each in told] == [12, 30]
    assert (told[0]["file"], told[0]["film_position"]) == (frame["file"], frame["film_position"])
    plain = json.loads((shelf / NAME / MARKS).read_text(encoding="utf-8"))
    assert [set(each) for each in plain] == [{"film_position", "frame", "capture", "by", "at", "words"}] * 2
    assert (plain[1]["frame"], plain[1]["by"], plain[1]["at"], plain[1]["words"]) == (
        30,
        "mk",
        AT,
        "the boat",
    )
    assert [each["words"] for each in mark(bench, 30, words="the sail").json()["marks"]] == ["", "the sail"]
    assert [each["row"] for each in mark(bench, 12, keep=False).json()["marks"]] == [30]


def test_a_mark_on_another_picture_or_by_nobody_is_refused(shelf):
    bench = TestClient(make_app(Shelf(shelf), Hand(), lambda: AT)[0])
    other = bench.get(f"{REEL}/frame/13").json()["stamp"]
    assert mark(bench, 12, stamp=other).status_code == 409
    assert mark(bench, 12, by=" ").status_code == 400
    assert mark(bench, 12, words="x" * 501).status_code == 400
    assert mark(bench, 12, stamp="none").status_code == 409
    assert read_marks(shelf / NAME) == ()


@pytest.mark.skipif(chromium() is None, reason="left out: no chromium on this system")
def test_a_frame_is_marked_in_the_browser_by_keyboard(shelf, tmp_path):
    with browser() as chrome, serve(shelf) as served, page_of(chrome, served) as page:
        page.click(f"text={NAME}")
        page.wait_for_selector("#drawn")
        page.fill("label:has-text('Who decides') input", "jt")
        page.focus("label:has-text('Words beside it') input")
        page.keyboard.type("the boat")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.wait_for_selector("#marked:has-text('Frame 0 is marked.')")
        page.locator("[data-region='stills']").screenshot(path=tmp_path / "stills.png")
        assert page.said == []
        assert [(each.frame, each.by, each.words) for each in read_marks(shelf / NAME)] == [
            (0, "jt", "the boat")
        ]
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.wait_for_selector("#marked:has-text('taken off')")
    assert read_marks(shelf / NAME) == ()

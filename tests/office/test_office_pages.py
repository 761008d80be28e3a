"""Queue, files that may go, and what was agreed with a client, on the workbench's pages: by their twins and in a browser."""

import csv
import io
import sys
import time
from decimal import Decimal
from pathlib import Path

import pytest
from drawn_release import NUMBER, make_bench
from shop import AT, open_shop, parcel, reel
from starlette.testclient import TestClient

sys.path.insert(0, str(Path(__file__).parents[1] / "workbench"))
from axe import findings
from served import browser, chromium, page_of, serve
from test_access import REACH

from smallgauge.office import ledger, queue
from smallgauge.office.book import check_book
from smallgauge.workbench.app import make_app
from smallgauge.workbench.hand import Hand
from smallgauge.workbench.shelf import Shelf

LATER = "2026-12-01T09:00:00Z"
TARIFF = """
currency = "florin"
unit = "0.05"
scan_rate = 12
megabytes_per_frame = "9.5"
[price.super-8]
per_reel = "6.00"
per_foot = "0.22"
[extra.cleaning]
per_foot = "0.04"
words = "wet cleaning"
[extra.rush]
percent = "25"
"""
HOSTILE = "<img src=x onerror=\"document.title='taken'\"><script>document.title='taken'</script>=1+1"
needs_browser = pytest.mark.skipif(chromium() is None, reason="left out: no chromium on this system")


def client_of(shelf, captures=None, at=LATER):
    app, _ = make_app(Shelf(shelf, captures), Hand(), lambda: at)
    return TestClient(app)


def post(client, path, **body):
    answer = client.post(f"/api/{path}", json=body)
    return answer.status_code, answer.json()


def fill(shelf, jobs=3):
    """A book with an order, and reels that wait for the night."""
    with open_shop(shelf) as book:
        order = parcel(book, reels=2)
        for _ in range(2):
            reel(book, order, feet="50")
        for at in range(jobs):
            queue.add_job(
                book, at=AT, by="mk", shelf=str(shelf.resolve()), reel=f"reel {at}", capture="/none"
            )


def ids(told, *states):
    return [job["id"] for job in told["jobs"] if job["state"] in (states or queue.LIVE)]


def test_the_queue_by_its_twins(tmp_path):
    fill(tmp_path, jobs=4)
    bench = client_of(tmp_path)
    told = bench.get("/api/queue").json()
    assert ids(told) == [1, 2, 3, 4] and told["book"]
    assert "4 reels to do" in told["need_words"]
    status, told = post(bench, "queue/order", by="mk", jobs=[3])
    assert (status, ids(told)) == (200, [3, 1, 2, 4])
    assert ids(post(bench, "queue/order", by="mk", jobs=[4, 2])[1]) == [4, 2, 3, 1]
    assert ids(post(bench, "queue/order", by="mk", jobs=[3, 4, 2, 1])[1]) == [3, 4, 2, 1]
    assert post(bench, "queue/order", by="mk", jobs=[])[0] == 400
    assert post(bench, "queue/order", by="mk", jobs=[1, 1])[0] == 400
    assert post(bench, "queue/order", by="mk", jobs=[9])[0] == 400
    assert post(bench, "queue/order", by=" ", jobs=[1])[0] == 400
    assert post(bench, "queue/pause", by="mk", jobs=[3])[1]["jobs"][0]["state"] == "paused"
    with open_shop(tmp_path) as book:
        worker = queue.Worker(host="h", process=1, began="1")
        asked = {"at": AT, "by": "mk", "shelf": str(tmp_path.resolve()), "worker": worker}
        assert queue.take_next(book, **asked, may=lambda job: True).id == 4, "the first that waits"
    assert post(bench, "queue/order", by="mk", jobs=[4])[0] == 400, "it runs already"
    status, told = post(bench, "queue/stop", by="mk", jobs=[])
    assert (ids(told), ids(told, "stopped")) == ([4], [1, 2, 3]) and told["jobs"][0]["state"] == "stopping"
    assert post(bench, "queue/go-on", by="mk", jobs=[2])[0] == 200
    assert post(bench, "queue/add", by="mk", name="nothing")[0] == 400
    with open_shop(tmp_path) as book:
        assert check_book(book).faults == ()


def test_a_shelf_without_a_book_has_an_empty_queue(tmp_path):
    bench = client_of(tmp_path)
    assert bench.get("/api/queue").json() == {"jobs": [], "need_words": "", "names": [], "book": False}
    assert post(bench, "queue/pause", by="mk", jobs=[])[0] == 422
    assert bench.get("/api/release").json()["items"] == [] and not list(tmp_path.iterdir())


def test_what_was_agreed_by_its_twins(tmp_path):
    fill(tmp_path)
    bench = client_of(tmp_path)
    said = {"order": "0000013", "by": "mk"}
    agreed = {"to": "six splices", "given_by": "Wim Oster", "how": "by telephone"}
    assert post(bench, "counter/consent", **said, **agreed)[0] == 400, "nobody read it back"
    status, told = post(bench, "counter/consent", **said, **agreed, read_back_by="mk")
    assert status == 200 and told["consents"][0]["read_back_by"] == "mk"
    assert post(bench, "counter/consent", **said, **(agreed | {"how": "by shouting"}))[0] == 400
    money = bench.get("/api/counter/order/0000013/money").json()
    assert "tariff.toml" in money["quote_trouble"] and money["invoice"] == {}
    (tmp_path / "tariff.toml").write_text(TARIFF)
    assert post(bench, "counter/extra", **said, what="cleaning", number=2, reel=NUMBER, consent=1)[0] == 200
    assert post(bench, "counter/extra", **said, what="rush", number=1)[0] == 200
    assert post(bench, "counter/extra", **said, what="rush", number=1, consent=7)[0] == 422
    money = bench.get("/api/counter/order/0000013/money").json()
    assert money["quote"]["price"] == ["47.50", "47.50"]  # 2 x 17.00, 4.00, and a quarter of 38.00
    assert money["extras"] == [["cleaning", "wet cleaning"], ["rush", "rush"]]
    assert [why for _, why in money["invoice"]["left_out"]][:2] == ["nothing was captured of it"] * 2
    lines = bench.get("/api/counter/order/0000013/invoice.csv")
    assert lines.headers["content-type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(lines.text)))
    assert sum(Decimal(row["price"]) for row in rows) == Decimal(money["invoice"]["price"])
    status, told = post(bench, "counter/extra", **said, what="rush", number=0)
    assert status == 200 and [e["what"] for e in told["extras"]] == ["cleaning"]
    assert money["keeping"][0] == "Files are kept at least until all film has gone back."
    told = post(bench, "counter/client-word", **said, what="notice", how="in writing", on="2026-11-01")
    assert told[0] == 200 and told[1]["client_words"][0]["what"] == "notice"
    assert (
        post(bench, "counter/client-word", **said, what="notice", how="in writing", on="2027-01-01")[0] == 400
    )
    assert post(bench, "counter/client-word", **said, what="told", how="in writing")[0] == 400
    status, told = post(bench, "counter/verdict", reel=NUMBER, by="jo", verdict="good", seen="all of it")
    assert status == 200 and told["verdicts"][0]["by"] == "jo"
    assert post(bench, "counter/verdict", reel=NUMBER, by="jo", verdict="fine", seen="all")[0] == 400
    with open_shop(tmp_path) as book:
        assert check_book(book).faults == ()


def ended(bench):
    """What became of a removal, once it is over."""
    until = time.monotonic() + 60
    while (now := bench.get("/api/release/now").json())["going"]:
        assert time.monotonic() < until
        time.sleep(0.05)
    return now


def test_files_go_on_a_persons_word_and_the_book_tells_it(done_shop, tmp_path, capsys, monkeypatch):
    """Why this is long: one reel, from a copy that the book does not know to the frames gone, with each refusal between."""
    shop = make_bench(done_shop, tmp_path, capsys, monkeypatch)
    captures = tmp_path / "captures"
    captures.mkdir()
    shop.film.rename(captures / "film")
    bench = client_of(shop.shelf, captures)

    def items():
        return {item["what"]: item for item in bench.get("/api/release").json()["items"]}

    assert not items()["frames"]["may_go"] and items()["work"]["may_go"]
    word = {"by": "mk", "reel": NUMBER, "go": ["frames"], "why": "room"}
    assert post(bench, "release/go", **word)[0] == 422, "no second copy yet"
    assert shop.copy()[0] == 0
    with open_shop(shop.shelf) as book, book.read() as session:
        from smallgauge.office.models import Event

        told = [event.words for event in session.query(Event).filter_by(what="copied to a medium")]
    assert len(told) == 1 and told[0].startswith("bag on disk 12 (hard disk), read back equal, by mk at ")
    assert items()["frames"]["may_go"], items()["frames"]["against"]
    assert post(bench, "release/go", **(word | {"by": " "}))[0] == 400
    assert post(bench, "release/go", **(word | {"why": ""}))[0] == 400
    assert post(bench, "release/go", **(word | {"go": []}))[0] == 400
    assert post(bench, "release/go", **(word | {"reel": "../film"}))[0] == 400
    frames = sorted((captures / "film").glob("*.png"))
    assert len(frames) == 3
    assert post(bench, "release/go", **word)[0] == 200
    now = ended(bench)
    assert not now["refused"] and "frames went, 3 files" in now["said"], now
    assert not any(path.exists() for path in frames)
    assert [each["what"] for each in shop.events()] == ["release begun", "released"]
    assert {each["by"] for each in shop.events()} == {"mk"}


def test_a_copy_that_the_book_does_not_know_as_it_is_counts_for_nothing(
    done_shop, tmp_path, capsys, monkeypatch
):
    shop = make_bench(done_shop, tmp_path, capsys, monkeypatch)
    book_file = shop.shelf / "office.sqlite"
    aside = tmp_path / "aside.sqlite"
    book_file.rename(aside)  # copied while the book was away
    assert shop.copy()[0] == 0
    aside.rename(book_file)
    assert any("the book does not know the paper" in why for why in shop.list()["frames"]["against"])
    code, told = shop.run("office", "catch-up", "--shelf", str(shop.shelf), "--by", "mk")
    assert code == 0 and "copied to a medium" in [each["what"] for each in told["entered"]]
    assert shop.list()["frames"]["may_go"]
    paper = shop.folder / "media" / "0001.json"
    paper.write_text(paper.read_text().replace('"by": "mk"', '"by": "jo"'))
    assert any("the book does not know the paper" in why for why in shop.list()["frames"]["against"])


@needs_browser
def test_the_pages_in_a_browser(done_shop, tmp_path, capsys, monkeypatch):
    """Why this is long: one shop through all of the pages, with a client's words that would be markup, each state looked at."""
    shop = make_bench(done_shop, tmp_path, capsys, monkeypatch)
    with open_shop(shop.shelf) as book:
        order = parcel(book, client=HOSTILE, reels=1)
        ledger.take_in(book, at=AT, by="mk", order=order, gauge="Super 8", box_words=HOSTILE, forbids="nothing",
                       decides=HOSTILE, feet="50")  # fmt: skip
        for name in (HOSTILE, "second", "third"):
            queue.add_job(book, at=AT, by="mk", shelf=str(shop.shelf.resolve()), reel=name, capture="/none")
    (shop.shelf / "tariff.toml").write_text(TARIFF)
    seen = {}
    with serve(shop.shelf) as served, browser() as chrome, page_of(chrome, served) as page:
        page.goto(f"{served.origin}/queue")
        page.wait_for_selector("[data-job]")
        seen["queue"] = findings(page)
        page.fill("#by", "mk")
        page.click("button[aria-label='first: job 3']")
        page.wait_for_function("() => document.querySelector('[data-job]').dataset.job === '3'")
        page.click("button[aria-label='earlier: job 2']")
        page.wait_for_function(
            "() => [...document.querySelectorAll('[data-job]')].map((e) => e.dataset.job).join() === '3,2,1'"
        )
        page.click("button[aria-label='pause: job 2']")
        page.wait_for_selector("[data-job='2'][data-state=paused]")
        page.click("text=stop all")
        page.wait_for_selector("[data-job='3'][data-state=stopped]")
        seen["queue, stopped"] = findings(page)
        assert HOSTILE in page.inner_text("main")
        page.click("#add button")
        page.wait_for_selector("[data-job='4']")
        page.click("button[aria-label='stop: job 4']")
        page.wait_for_selector("[data-job='4'][data-state=stopped]")
        page.goto(f"{served.origin}/counter")
        page.click("button:has-text('0000021')")
        page.click("#agreed summary")
        page.wait_for_selector("table.money")
        for name, words in (("to", HOSTILE), ("given_by", HOSTILE)):
            page.fill(f"#consent [name={name}]", words)
        page.select_option("#consent [name=how]", "at the counter")
        page.click("#consent button")
        page.wait_for_selector("#agreed >> text=Consent 1")
        page.select_option("#extra [name=what]", "rush")
        page.select_option("#extra [name=consent]", "1")
        page.click("#extra button")
        page.wait_for_selector("table[aria-label=quote] >> text=rush")
        assert "Together 21.25 florin" in page.inner_text("#agreed")
        page.select_option("#client-word [name=what]", "notice")
        page.click("#client-word button")
        page.wait_for_selector("#agreed >> text=Told that files will be removed on")
        page.click("button.plain")
        page.wait_for_selector("#reel")
        page.fill("#reel [data-what=verdict] [name=seen]", HOSTILE)
        page.click("#reel [data-what=verdict] button")
        page.wait_for_selector("#reel >> text=: good")
        seen["agreed, filled"] = findings(page)
        assert page.inner_text("main").count(HOSTILE) >= 6
        page.goto(f"{served.origin}/release")
        page.wait_for_selector(f"[data-reel='{NUMBER}'] [data-what=work][data-may=true]")
        assert "the film of" not in page.inner_text(f"[data-reel='{NUMBER}']")
        page.click("summary")
        page.check("label:has-text('proxies and segments') input")
        page.fill("[name=who]", "Jo Bell")
        page.fill("[name=why]", HOSTILE)
        seen["release, asked"] = findings(page)
        page.set_viewport_size({"width": 640, "height": 400})
        for path in ("/queue", "/release"):
            assert page.evaluate(REACH) == {"wide": 0, "cut": []}, path
        page.click("text=let them go for good")
        page.wait_for_function("() => document.querySelector('#told').innerText.includes('work went')")
        assert not list((shop.folder / "work").glob("*.mkv"))
        assert [each["by"] for each in shop.events()] == ["Jo Bell", "Jo Bell"]
        assert "taken" not in page.title() and page.query_selector("main img, main script") is None
        assert {state: said for state, said in seen.items() if said} == {} and len(seen) == 4
        assert [said for said in page.said if "40" not in said and "42" not in said] == []

"""The finished film watched at the bench, and the verdict: what really ran counts, and nothing else."""

import shutil
import time

import pytest
from numbered_reel import AT, FRAMES, NAME
from served import browser, chromium, page_of, serve
from starlette.testclient import TestClient

from smallgauge.deliver.papers import read_papers
from smallgauge.deliver.watching import verdict_rows, watching_sentences
from smallgauge.line import Settings, decide_on, finish_reel
from smallgauge.record.decided import decided_value
from smallgauge.record.watching import (
    JUDGED,
    WATCHED,
    WatchedStretch,
    film_digest,
    note_watched,
    read_judged,
    read_watched,
    unwatched,
)
from smallgauge.workbench.app import make_app
from smallgauge.workbench.hand import Hand
from smallgauge.workbench.shelf import Shelf

REEL = f"/api/reel/{NAME}"


@pytest.fixture(scope="module")
def rendered_shelf(numbered_shelf, tmp_path_factory):
    """The numbered reel with its films; not to be changed."""
    base = tmp_path_factory.mktemp("rendered")
    shutil.copytree(numbered_shelf.parent / "capture", base / "capture")
    shelf = shutil.copytree(numbered_shelf, base / "shelf")
    finish_reel(shelf / NAME, Settings(at=AT, workers=1, last_step="render"))
    return shelf


@pytest.fixture
def shelf(rendered_shelf, tmp_path):
    shutil.copytree(rendered_shelf.parent / "capture", tmp_path / "capture")
    return shutil.copytree(rendered_shelf, tmp_path / "shelf")


def client_of(shelf, hand=None) -> TestClient:
    app, _ = make_app(Shelf(shelf), hand or Hand(), lambda: AT)
    return TestClient(app)


def watch(bench, by, first, stop, *, film=None, milliseconds=None):
    told = bench.get(f"{REEL}/watching").json()
    up, _, down = told["rate"].partition("/")
    lasts = round(1000 * (stop - first) * int(down or 1) / int(up))
    body = {"by": by, "film": film or told["film"], "first": first, "stop": stop}
    return bench.post(
        f"{REEL}/watched", json={**body, "milliseconds": lasts if milliseconds is None else milliseconds}
    )


def judge(bench, by, verdict, why="", **other):
    told = bench.get(f"{REEL}/watching").json()
    return bench.post(
        f"{REEL}/judge",
        json={
            "by": by,
            "verdict": verdict,
            "why": why,
            "film": told["film"],
            "revision": told["revision"],
            **other,
        },
    )


def test_what_ran_is_noted_and_what_did_not_is_told(shelf):
    bench = client_of(shelf)
    told = bench.get(f"{REEL}/watching").json()
    assert told["film"] == film_digest(shelf / NAME) and len(told["film"]) == 64
    assert (told["frames"], told["unwatched"], told["judged"]) == (FRAMES, [[0, FRAMES]], None)
    assert watch(bench, "mk", 0, 20).json()["unwatched"] == [[20, FRAMES]]
    told = watch(bench, "mk", 21, 50).json()  # a player's clock leaves a frame out at a seam
    assert told["unwatched"] == [[50, FRAMES]]
    assert told["full_by"] == []
    told = watch(bench, "jt", 0, FRAMES).json()
    assert told["full_by"] == [{"by": "jt", "second": True}] and told["unwatched"] == []


def test_a_film_that_ran_faster_than_itself_was_not_watched(shelf):
    bench = client_of(shelf)
    refused = watch(bench, "mk", 0, FRAMES, milliseconds=900)
    assert refused.status_code == 400 and "faster than the film" in refused.json()["error"]
    assert watch(bench, "mk", 40, FRAMES + 5).status_code == 400
    assert watch(bench, " ", 0, 20).status_code == 400
    assert watch(bench, "mk", 0, 20, film="ab" * 32).status_code == 409
    assert read_watched(shelf / NAME) == ()


def test_a_verdict_is_recorded_with_its_reason_and_goes_out_of_date(shelf):
    bench, folder = client_of(shelf), shelf / NAME
    refused = judge(bench, "mk", "not ready")
    assert refused.status_code == 400 and "needs a reason" in refused.json()["error"]
    assert judge(bench, "mk", "fine").status_code == 400
    told = judge(bench, "mk", "ready with remarks", "the beach is a little blue").json()
    assert (told["judged"]["verdict"], told["judged"]["by"], told["out_of_date"]) == (
        "ready with remarks",
        "mk",
        "",
    )
    decide_on(
        folder,
        subject="camera_speed",
        value=decided_value("camera_speed", "16"),
        by="mk",
        at=AT,
        why="they walk",
    )
    told = bench.get(f"{REEL}/watching").json()
    assert "finish it again before you judge" in told["out_of_date"]
    refused = judge(bench, "mk", "ready")
    assert refused.status_code == 409
    finish_reel(folder, Settings(at=AT, workers=1, last_step="render"))
    told = bench.get(f"{REEL}/watching").json()
    assert told["unwatched"] == [[0, FRAMES]] and "made anew" in told["out_of_date"]
    assert [each.verdict for each in read_judged(folder)] == ["ready with remarks"]


def test_the_report_says_watched_in_full_by_a_second_person_only_where_that_is_so(shelf):
    folder = shelf / NAME
    film = film_digest(folder)

    def said():
        papers = read_papers(folder)
        return " ".join(watching_sentences(papers)), dict(verdict_rows(papers))

    def saw(by, first, stop, of=film):
        note_watched(folder, WatchedStretch(by=by, at=AT, film=of, first=first, stop=stop))

    assert said() == ("", {})
    saw("jt", 0, FRAMES, "ab" * 32)  # another film
    saw("jt", 0, 40)
    assert said() == ("", {"Watched": f"40 of {FRAMES} frames, by jt"})
    decide_on(
        folder,
        subject="framing",
        value=decided_value("framing", "whole capture"),
        by="mk",
        at=AT,
        why="edges",
    )
    saw("mk", 0, FRAMES)
    text, _ = said()
    assert "watched in full before it left us (mk)" in text and "second" not in text
    saw("MK", 0, FRAMES)  # the same hand, written otherwise
    assert "second" not in said()[0]
    saw("jt", 38, FRAMES)
    assert "watched in full by a second person (jt)" in said()[0]


def test_a_torn_line_is_passed_over(shelf):
    folder = shelf / NAME
    note_watched(folder, WatchedStretch(by="mk", at=AT, film="f", first=0, stop=9))
    with (folder / WATCHED).open("ab") as file:
        file.write(b'{"by": "mk", "at": "2026')
    note_watched(folder, WatchedStretch(by="mk", at=AT, film="f", first=9, stop=20))
    assert [(each.first, each.stop) for each in read_watched(folder)] == [(0, 9), (9, 20)]
    assert not (folder / JUDGED).exists()


def test_the_film_is_played_by_parts_and_not_while_its_files_are_held(shelf, rendered_shelf):
    bench = client_of(shelf)
    part = bench.get(f"{REEL}/film", headers={"range": "bytes=0-99"})
    assert (
        part.status_code == 206 and part.headers["content-type"] == "video/mp4" and len(part.content) == 100
    )
    hand = Hand(held=lambda shelf, number, kind: "a private matter" if kind == "files" else "")
    refused = client_of(shelf, hand).get(f"{REEL}/film")
    assert refused.status_code == 422 and "a private matter" in refused.json()["error"]
    (shelf / NAME / "viewing.mp4").unlink()
    assert bench.get(f"{REEL}/film").status_code == 422
    assert bench.get(f"{REEL}/watching").json()["film"] is None


@pytest.mark.skipif(chromium() is None, reason="left out: no chromium on this system")
def test_a_film_that_runs_in_the_browser_is_watched_and_judged_by_keyboard(shelf):
    folder = shelf / NAME
    with browser() as chrome, serve(shelf) as served, page_of(chrome, served) as page:
        page.click(f"text={NAME}")
        page.wait_for_selector("#drawn")
        page.fill("label:has-text('Who decides') input", "jt")
        page.focus("[data-region='verdict'] summary")
        page.keyboard.press("Enter")
        page.wait_for_selector("video.film")
        page.evaluate(
            "() => new Promise((done) => { const f = document.querySelector('video.film');"
            " f.readyState > 0 ? done() : (f.onloadedmetadata = done); })"
        )
        page.evaluate(
            "() => { const f = document.querySelector('video.film'); f.muted = true; f.currentTime = 1.0; return f.play(); }"
        )
        stop = time.monotonic() + 25
        while time.monotonic() < stop and not page.evaluate(
            "() => document.querySelector('video.film').ended"
        ):
            page.wait_for_timeout(200)
        page.wait_for_function(
            "() => document.querySelector('#watched').textContent.includes('frames were watched')"
        )
        page.focus("label:has-text('Verdict') select")
        page.keyboard.type("not")
        page.focus("label:has-text('Reason') input")
        page.keyboard.type("the first second is missing")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=Judged not ready by jt")
        assert page.said == []
    watched = read_watched(folder)
    (gap,) = unwatched(watched, film=film_digest(folder), frames=FRAMES)
    assert gap[0] == 0 and 14 <= gap[1] <= 20  # 1 s at 18 frames a second was jumped over
    assert read_judged(folder)[-1].verdict == "not ready"

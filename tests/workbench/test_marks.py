"""Frames marked at the bench to be kept as stills."""

import hashlib
import json
import shutil
from dataclasses import replace

import imagecodecs
import numpy as np
import pytest
from numbered_reel import AT, NAME
from served import browser, chromium, page_of, serve
from starlette.testclient import TestClient

from smallgauge.line import read_treatment
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json, write_json
from smallgauge.record.finding import FileDigest
from smallgauge.record.keptstills import STILLS_PAPER, FrameShare, KeptStill, KeptStills, still_file_name
from smallgauge.record.marks import MARKS, read_marks
from smallgauge.record.signature import digest_look
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


def with_photograph(folder, position=30, **changes):
    """One photograph in a reel's folder: a light picture, and the one frame alone, a dark one; returns its paper."""
    capture = read_json(folder / "capture.json", Capture)
    (folder / "stills").mkdir(exist_ok=True)
    files = []
    for ending, level in (("-fused.jpg", 200), ("-alone.jpg", 60)):
        data = imagecodecs.jpeg_encode(np.full((48, 64, 3), level, np.uint8))
        name = still_file_name(position) + ending
        (folder / name).write_bytes(data)
        files.append(FileDigest(name=name, bytes=len(data), sha256=hashlib.sha256(data).hexdigest()))
    share = FrameShare(film_position=position, capture=0, frame=position, file="f.png", share=1.0)
    still = KeptStill(
        name=still_file_name(position),
        film_position=position,
        asked_position=position,
        asked="mark",
        scene=2,
        scene_name="",
        words="<b>the boat</b>",
        by="mk",
        at=AT,
        dated="1962~",
        dated_by="mk",
        kept_grain=0.2,
        grain=2.0,
        alone_share=0.07,
        frames=(share,),
        files=tuple(files),
    )
    look = digest_look(capture, read_treatment(folder))
    paper = KeptStills(
        reel=NAME, capture_digest=capture.digest, look=look, width=64, height=48, stills=(still,)
    )
    write_json(folder / STILLS_PAPER, replace(paper, **changes))
    return paper


def test_photographs_are_told_and_only_the_files_that_were_made_are_shown(shelf):
    bench = TestClient(make_app(Shelf(shelf), Hand(), lambda: AT)[0])
    assert bench.get(f"{REEL}/photographs").json() == {"photographs": [], "of_today": True}
    paper = with_photograph(shelf / NAME)
    told = bench.get(f"{REEL}/photographs").json()
    assert told["of_today"] and [each["row"] for each in told["photographs"]] == [30]
    answer = bench.get(f"{REEL}/photograph/30/fused")
    assert answer.headers["content-type"] == "image/jpeg"
    assert answer.content == (shelf / NAME / "stills/frame-000030-fused.jpg").read_bytes()
    assert bench.get(f"{REEL}/photograph/31/fused").status_code == 400
    assert bench.get(f"{REEL}/photograph/30/other").status_code == 400
    (shelf / NAME / "stills/frame-000030-alone.jpg").write_bytes(b"another picture")
    refused = bench.get(f"{REEL}/photograph/30/alone")
    assert refused.status_code == 422 and "is not the file that was made" in refused.json()["error"]
    outside = replace(paper.stills[0], name="../../elsewhere")
    with_photograph(shelf / NAME, look="of another day", stills=(outside,))
    assert not bench.get(f"{REEL}/photographs").json()["of_today"]
    (shelf / NAME / "stills/frame-000030-fused.jpg").unlink()
    assert bench.get(f"{REEL}/photograph/30/fused").status_code == 422
    held = TestClient(make_app(Shelf(shelf), Hand(held=lambda *reel: "a private matter"), lambda: AT)[0])
    with_photograph(shelf / NAME)
    assert "a private matter" in held.get(f"{REEL}/photograph/30/fused").json()["error"]


@pytest.mark.skipif(chromium() is None, reason="left out: no chromium on this system")
def test_a_frame_is_marked_in_the_browser_by_keyboard(shelf, tmp_path):
    with_photograph(shelf / NAME)
    with browser() as chrome, serve(shelf) as served, page_of(chrome, served) as page:
        page.click(f"text={NAME}")
        page.wait_for_selector("#drawn")
        page.locator(".photographs").scroll_into_view_if_needed()
        page.wait_for_function(
            "() => [...document.querySelectorAll('.photographs img')].filter((each) => each.naturalWidth === 64).length === 2"
        )
        assert "<b>the boat</b>" in page.inner_text(".photographs figcaption")
        assert "In 7 % of the picture no other frame agreed" in page.inner_text(".photographs figcaption")
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

"""The picture window in a real browser: four looks, wipe, outlines, pixel for pixel, measures, framing moved by hand."""

import io
import json

import imagecodecs
import numpy as np
import pytest
from numbered_reel import NAME
from PIL import Image
from served import browser, chromium, page_of, serve
from starlette.testclient import TestClient

from smallgauge.errors import CallerError
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.record.decided import decided_value
from smallgauge.record.files import read_decisions
from smallgauge.record.light import table_for
from smallgauge.record.recipe import FINISHED
from smallgauge.workbench.app import make_app
from smallgauge.workbench.hand import Hand
from smallgauge.workbench.opened import OpenReel
from smallgauge.workbench.outlines import crop_png, display_codes, outlines_paper
from smallgauge.workbench.shelf import Shelf

needs_chromium = pytest.mark.skipif(chromium() is None, reason="left out: no chromium on this system")


@pytest.fixture
def reel(numbered_shelf):
    """The reel, open; nothing is decided."""
    made = OpenReel(numbered_shelf / NAME)
    yield made
    made.close()


def test_pixel_for_pixel_is_the_captured_samples_and_nothing_else(numbered_shelf, reel):
    with open_picture(list_capture(numbered_shelf.parent / "capture")) as reader:
        samples = reader.read(33).samples
    part = imagecodecs.png_decode(crop_png(reel, 33, 40, 25, 100, 60))
    table = table_for(reel.capture.light, reel.capture.encoding)
    assert part.dtype == np.uint16 and part.shape == (60, 100, 3)
    assert np.array_equal(part, display_codes(samples, table)[25:85, 40:140])
    codes = display_codes(np.arange(256, dtype=np.uint8), table)
    used = np.unique(samples)
    back = {int(code): value for value, code in enumerate(codes.tolist()) if value in used}
    assert np.array_equal(np.vectorize(back.get)(part), samples[25:85, 40:140]), "a code value was lost"
    at_edge = imagecodecs.png_decode(crop_png(reel, 33, 250, 190, 100, 60))
    assert at_edge.shape == (2, 6, 3)
    for x, y, width in ((-1, 0, 5), (256, 0, 5), (0, 0, 0), (0, 0, 4000)):
        with pytest.raises(CallerError):
            crop_png(reel, 33, x, y, width, 5)


def test_outlines_stand_where_the_film_was_drawn(numbered_shelf, reel):
    truth = json.loads((numbered_shelf.parent / "capture-truth" / "truth.json").read_text(encoding="utf-8"))
    assert outlines_paper(reel, 20)["planned"] is False, "an answer waited for the plan"
    reel.plan()
    told = outlines_paper(reel, 20)
    assert told["size"] == [256, 192]
    assert all(speck["words"] and speck["left"] + speck["width"] <= 256 for speck in told["specks"])
    (hole,) = told["perforations"][:1]
    drawn = truth["frames"][20]["perforations"]
    apart = [np.hypot(hole["x"] - p["x"], hole["y"] - p["y"]) for p in drawn]
    assert min(apart) < 0.5
    corners = np.array(told["shown"])
    low, high = corners.min(axis=0), corners.max(axis=0)
    inside = {
        "left": lambda x: x < low[0],
        "top": lambda y: y < low[1],
        "right": lambda x: x > high[0],
        "bottom": lambda y: y > high[1],
    }
    seen = {side: at for side, at in told["gate"].items() if at is not None}
    assert len(seen) >= 2 and all(inside[side](at) for side, at in seen.items())
    aperture = np.array(truth["frames"][20]["aperture_corners"])  # clockwise from its upper left
    sides = {"left": (0, 3, 0), "top": (0, 1, 1), "right": (1, 2, 0), "bottom": (2, 3, 1)}
    for side, (one, other, axis) in sides.items():
        if side in seen:
            assert abs(seen[side] - aperture[[one, other], axis].mean()) < 2, side
    assert told["framing"]["width"] == round(corners[1, 0] - corners[0, 0])


def test_the_pictures_twins_refuse_what_is_not_there(numbered_shelf):
    hand = Hand()
    app, _ = make_app(Shelf(numbered_shelf), hand, lambda: "2026-01-17T10:00:00Z")
    bench = TestClient(app)
    assert bench.get(f"/api/reel/{NAME}/outlines/72").status_code == 400
    assert bench.get(f"/api/reel/{NAME}/pixels/1?x=900").status_code == 400
    assert bench.get(f"/api/reel/{NAME}/pixels/1?width=32&height=8").headers["content-type"] == "image/png"
    hand.close()


@pytest.mark.parametrize(
    "text",
    [
        "camera image left x top 1 width 2 height 2",
        "all left 1 top 1 width 20 height 20",
        "camera image left 1 top 1 width 21 height 20",
    ],
)
def test_a_framing_by_numbers_that_is_none_is_refused(text):
    with pytest.raises(CallerError):
        decided_value("framing", text)


@pytest.fixture(scope="module")
def chrome():
    with browser() as started:
        yield started


def open_reel(page) -> None:
    page.click(f"text={NAME}")
    page.wait_for_selector("#drawn")
    page.wait_for_selector(".card")
    page.focus(".window")


def pixels(page, selector: str) -> np.ndarray:
    """What a part of the page looks like."""
    picture = Image.open(io.BytesIO(page.locator(selector).first.screenshot()))
    return np.asarray(picture.convert("RGB")).astype(int)


@needs_chromium
def test_looks_outlines_wipe_and_measures(chrome, numbered_shelf):
    with serve(numbered_shelf) as served, page_of(chrome, served) as page:
        open_reel(page)
        page.wait_for_selector("svg.outlines[data-row='0'] .gate", state="attached")
        assert "perforation" in page.inner_text(".outline-words")
        page.keyboard.press("h")
        page.wait_for_selector("svg.outlines", state="detached")
        page.keyboard.press("h")
        page.wait_for_selector("svg.outlines .perforation")
        page.keyboard.press("4")
        page.wait_for_selector("canvas[data-look=pixels]")
        assert "pixel for pixel" in page.inner_text(".label")
        page.focus("#part-across")
        page.keyboard.press("ArrowRight")
        page.select_option("#part-scale", "4")
        page.wait_for_selector("#part:has-text('240 x 120')")
        page.focus(".window")
        page.keyboard.press("w")
        page.wait_for_selector("canvas[data-look=corrected]", timeout=60_000)
        page.wait_for_selector(".wipe-line")
        front, behind = (
            pixels(page, ".surround canvas"),
            page.evaluate("() => document.querySelector('.over').dataset.row"),
        )
        assert behind == "0"
        page.focus("#wipe-at")
        for _ in range(3):
            page.keyboard.press("PageUp")
        assert float(page.input_value("#wipe-at")) > 50
        box = page.locator(".stage").bounding_box()
        page.mouse.move(box["x"] + 0.2 * box["width"], box["y"] + 50)
        page.mouse.down()
        page.mouse.move(box["x"] + 0.25 * box["width"], box["y"] + 50)
        page.mouse.up()
        assert abs(float(page.input_value("#wipe-at")) - 25) < 2
        moved = pixels(page, ".surround canvas")
        assert moved.shape == front.shape and (moved != front).any()
        page.click("summary:has-text('Measures')")
        page.wait_for_selector("#tones tbody tr")
        assert "true look of frame 0" in page.inner_text("#measured-from")
        told = page.evaluate(
            "() => [...document.querySelectorAll('#tones tbody td')].map((e) => parseFloat(e.textContent))"
        )
        assert page.said == []
    reel = OpenReel(numbered_shelf / NAME)
    codes, _ = reel.reduced(0, "corrected")
    reel.close()
    for channel in range(3):
        wanted = 100 * np.quantile(
            codes[:, :, channel] / (2**FINISHED.bits - 1), [0.01, 0.25, 0.5, 0.75, 0.99]
        )
        assert np.abs(np.array(told[7 * channel : 7 * channel + 5]) - wanted).max() < 4.0, channel


@needs_chromium
def test_the_framing_is_moved_by_pointer_and_by_numbers_and_becomes_a_decision(chrome, own_shelf):
    reel = OpenReel(own_shelf / NAME)
    reel.plan()
    before = outlines_paper(reel, 0)["framing"]
    reel.close()
    with serve(own_shelf) as served, page_of(chrome, served) as page:
        open_reel(page)
        page.fill("label:has-text('Who decides') input", "m.b.")
        page.fill("label:has-text('Why') input", "head room")
        page.click("text=move the framing")
        box = page.locator("svg.outlines").bounding_box()
        page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] / 2 + 10 * box["width"] / 256, box["y"] + box["height"] / 2)
        page.mouse.up()
        assert page.input_value("#framing-across") in ("10", "9")
        page.fill("#framing-across", "6")
        page.fill("#framing-along", "-4")
        page.click("text=record the framing")
        page.wait_for_selector("#told:has-text('recorded, revision')")
        page.wait_for_selector("svg.outlines[data-row='0']")
    made = read_decisions(own_shelf / NAME / "decisions.jsonl")[-1]
    assert made.subject == "framing" and made.by == "m.b."
    assert made.value["left_px"] == pytest.approx(before["left_px"] + 6, abs=1e-3)
    assert made.value["top_px"] == pytest.approx(before["top_px"] - 4, abs=1e-3)
    assert (made.value["width"], made.value["height"]) == (before["width"], before["height"])

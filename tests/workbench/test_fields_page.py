"""What an operator decides below the picture, in a real browser; the tests share one bench and one page."""

import shutil

import pytest
from numbered_reel import NAME
from served import browser, chromium, page_of, serve
from test_access import findings

from smallgauge.record.files import read_decisions
from smallgauge.record.framenotes import read_frame_notes

pytestmark = pytest.mark.skipif(chromium() is None, reason="left out: no chromium on this system")


@pytest.fixture(scope="module")
def shelf(numbered_shelf, tmp_path_factory):
    """A copy of the shelf for the tests of this file."""
    base = tmp_path_factory.mktemp("fields")
    shutil.copytree(numbered_shelf.parent / "capture", base / "capture")
    return shutil.copytree(numbered_shelf, base / "shelf")


@pytest.fixture(scope="module")
def page(shelf):
    with browser() as chrome, serve(shelf) as served, page_of(chrome, served) as made:
        made.click(f"text={NAME}")
        made.wait_for_selector("#drawn")
        made.wait_for_selector(".card")
        made.fill("label:has-text('Who decides') input", "mk")
        made.fill("label:has-text('Why') input", "looked")
        yield made
        assert made.said == []


def log_of(shelf):
    return read_decisions(shelf / NAME / "decisions.jsonl")


def test_a_scene_gets_its_name_and_the_name_is_taken_back_and_put_back_by_keys(page, shelf):
    page.fill("[data-subject=scene_name] input", "The garden")
    page.click("[data-subject=scene_name] button:has-text('record')")
    page.wait_for_selector(".scene:has-text('scene 1: The garden')")
    page.wait_for_selector("#undo-words:has-text('“The garden”, then as measured')")
    page.focus(".window")
    page.keyboard.press("z")
    page.wait_for_selector("#told:has-text('Taken back')")
    page.wait_for_selector(".scene:has-text('The garden')", state="detached")
    assert log_of(shelf)[-1].value is None
    page.reload()
    page.wait_for_selector("#redo-words:has-text('as measured, then “The garden”')")
    page.focus(".window")
    page.keyboard.press("Shift+Z")
    page.wait_for_selector(".scene:has-text('scene 1: The garden')")
    assert log_of(shelf)[-1].value == {"name": "The garden"}
    page.click("button:has-text('take back')")
    page.wait_for_selector(".scene:has-text('The garden')", state="detached")


def test_a_value_is_used_for_chosen_scenes_and_taken_back_as_one(page, shelf):
    page.fill("label:has-text('Why') input", "dusk")
    page.focus("[data-channel=red]")
    page.keyboard.press("ArrowLeft")
    page.click("[data-subject=primary] button:has-text('use for scenes')")
    page.wait_for_selector(".chosen-scenes:has-text('scene 2')")
    page.click(".chosen-scenes button:has-text('none')")
    assert page.is_disabled(".chosen-scenes button:has-text('record for')")
    page.click(".chosen-scenes button:has-text('this length of stock')")
    page.locator(".fields").first.screenshot(path=shelf.parent / "fields.png")
    page.click("button:has-text('record for 2 scenes')")
    page.wait_for_selector("#told:has-text('recorded for 2 scenes as one act')")
    made = log_of(shelf)[-2:]
    assert [each.value["points"] for each in made] == [[-0.5, 0.0, 0.0]] * 2
    assert made[0].revision == made[1].revision
    page.focus(".window")
    page.keyboard.press("z")
    page.wait_for_selector("#told:has-text('Taken back: Primary correction for 2 scenes')")
    assert [each.value for each in log_of(shelf)[-2:]] == [None, None]


def test_a_grey_is_pointed_at_tried_and_recorded_and_one_outside_is_refused(page, shelf):
    page.click("button:has-text('point at grey')")
    page.fill("#pick-across", "20")
    page.fill("#pick-along", "100")
    page.click("button:has-text('read it there')")
    page.wait_for_selector("#pick-said.trouble:has-text('outside the finished picture')")
    assert len(page.said) == 1 and "400" in page.said.pop(), (
        "the browser notes each refusal, and nothing else"
    )
    page.focus(".window")
    page.keyboard.press("3")
    page.wait_for_selector("canvas[data-look=corrected]")
    box = page.locator(".surround canvas").bounding_box()
    page.mouse.click(box["x"] + 0.45 * box["width"], box["y"] + 0.6 * box["height"])
    page.wait_for_selector("#picked:has-text('Not recorded yet')")
    page.wait_for_selector(".label:has-text('not recorded yet')")
    page.locator(".window").screenshot(path=shelf.parent / "picks.png")
    assert log_of(shelf)[-1].subject != "fading"
    page.focus(".window")
    page.keyboard.press("4")
    page.wait_for_selector("canvas[data-look=pixels]")
    box = page.locator(".surround canvas").bounding_box()
    page.mouse.click(box["x"] + 130 * box["width"] / 256, box["y"] + 106 * box["height"] / 192)
    page.wait_for_selector("#picked:has-text('2 spots')")
    page.click("text=record what was pointed at")
    page.wait_for_selector("#picked", state="detached")
    made = log_of(shelf)[-1]
    assert made.subject == "fading" and made.by == "mk" and made.value["source"] == ["picks"] * 3


def test_a_note_is_written_by_keyboard_stands_along_the_strip_and_is_taken_away(page, shelf):
    page.focus(".window")
    page.keyboard.press("n")
    page.keyboard.type("the dog looks up")
    page.keyboard.press("Enter")
    page.wait_for_selector(".notes button:has-text('note: the dog looks')")
    page.locator(".strip").screenshot(path=shelf.parent / "strip.png")
    (kept,) = read_frame_notes(shelf / NAME).notes
    assert (kept.words, kept.by, kept.family) == ("the dog looks up", "mk", False)
    page.check("[data-region=notes] li input[type=checkbox]")
    page.wait_for_selector("#noted:has-text('tells it to the family')")
    assert read_frame_notes(shelf / NAME).notes[0].family
    page.click("[data-region=notes] button:has-text('take away')")
    page.wait_for_selector(".notes", state="detached")
    assert read_frame_notes(shelf / NAME).notes == ()


def test_what_a_set_that_cuts_edges_shows_lies_over_the_look_and_axe_finds_nothing(page, shelf):
    page.focus(".window")
    page.keyboard.press("3")
    page.wait_for_selector("canvas[data-look=corrected]")
    page.keyboard.press("c")
    page.wait_for_selector("svg.kept .gate", state="attached")
    assert "viewing.mp4, television.mp4 (4:3, 90 %): 8 to 148 across" in page.inner_text("#kept")
    line = page.evaluate("() => document.querySelector('svg.kept .gate').getBoundingClientRect().toJSON()")
    canvas = page.locator(".surround canvas").bounding_box()
    assert abs(line["x"] - canvas["x"] - 0.05 * canvas["width"]) < 2.5
    assert abs(line["width"] - 0.9 * canvas["width"]) < 5
    page.click("button:has-text('point at grey')")
    page.click("[data-subject=primary] button:has-text('use for scenes')")
    page.wait_for_selector(".chosen-scenes")
    page.locator(".window").screenshot(path=shelf.parent / "kept.png")
    assert findings(page) == []
    page.click(".chosen-scenes button:has-text('leave it')")
    page.focus(".window")
    page.keyboard.press("c")
    page.wait_for_selector("svg.kept", state="detached")

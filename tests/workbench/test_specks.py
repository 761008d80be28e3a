"""Specks at the bench: counted along the strip, outlined, and refused one by one or by sort, in a real browser."""

import numpy as np
import pytest
from numbered_reel import FRAMES, NAME
from served import browser, chromium, page_of, serve

from smallgauge.picture.dirt_kinds import DIRT
from smallgauge.record.dirttable import read_dirt
from smallgauge.record.files import read_decisions
from smallgauge.record.hairtable import HAIR_COLUMNS, HAIR_TABLE
from smallgauge.record.scratchtable import SCRATCH_COLUMNS, SCRATCH_TABLE
from smallgauge.record.table import table_of, write_table
from smallgauge.workbench.opened import OpenReel
from smallgauge.workbench.papers import frame_paper, lane_values, reel_paper
from smallgauge.workbench.specks import specks_of


@pytest.fixture
def reel(own_shelf):
    made = OpenReel(own_shelf / NAME)
    yield made
    made.close()


def speckled(folder) -> int:
    """A frame with two specks at least that are repaired, away from the ends of its scene."""
    dirt = read_dirt(folder)
    frames, counts = np.unique(dirt["frame"][dirt["kind"] == DIRT], return_counts=True)
    return int(frames[counts >= 2][0])


def test_the_strip_counts_the_specks_of_each_frame(reel):
    told = reel_paper(reel)["lanes"]
    place = [lane["name"] for lane in told].index("specks")
    lane = np.frombuffer(lane_values(reel), "<f4").reshape(len(told), FRAMES)[place]
    dirt = read_dirt(reel.folder)
    assert lane.sum() == np.count_nonzero(dirt["kind"] == DIRT) > 0
    row = speckled(reel.folder)
    assert lane[row] == frame_paper(reel, row)["lanes"]["specks"] >= 2


def test_what_is_outlined_as_repaired_is_what_rendering_repairs(reel):
    plan, shown = reel.plan()
    for row in range(FRAMES):
        specks, _ = specks_of(reel, row)
        planned = plan.frames[shown[row]].dirt
        repaired = sum(speck["repaired"] for speck in specks)
        assert repaired == (len(planned.repairs) if planned is not None else 0)


def test_hairs_and_disputed_lines_are_outlined_and_never_repaired(reel):
    hair = {"frame": 3, "left": 40, "top": 9, "width": 20, "height": 6, "side": "left", "track": 2}
    rows = [
        hair | {"kind": "scanner"},
        hair | {"kind": "unsure", "track": 5},
        hair | {"kind": "hair", "frame": 4},
    ]
    write_table(reel.folder / HAIR_TABLE, table_of("hairs", HAIR_COLUMNS, rows))
    line = {
        "frame": 3,
        "track": 7,
        "kind": "disputed",
        "side": "not told",
        "runs": "30:0-60",
        "profile": "1000",
    }
    write_table(reel.folder / SCRATCH_TABLE, table_of("scratches", SCRATCH_COLUMNS, [line]))
    told = {each["name"]: each for each in specks_of(reel, 3)[0]}
    assert told["hair:2"]["kind"] == "hair, scanner"
    assert "hair:5" not in told
    assert told["line:7"]["kind"] == "disputed"
    assert not told["hair:2"]["repaired"] and not told["line:7"]["repaired"]
    assert [each["kind"] for each in specks_of(reel, 4)[0] if each["name"].startswith("hair")] == ["hair"]


@pytest.mark.skipif(chromium() is None, reason="left out: no chromium on this system")
def test_a_speck_is_refused_and_taken_back_and_a_sort_of_them(own_shelf):
    row = speckled(own_shelf / NAME)
    with browser() as started, serve(own_shelf) as served, page_of(started, served) as page:
        page.click(f"text={NAME}")
        page.wait_for_selector(".card")
        page.fill("#go", str(row))
        page.keyboard.press("Enter")
        page.wait_for_selector(f".outlines[data-row='{row}']")
        page.fill("label:has-text('Who decides') input", "m.b.")
        page.fill("label:has-text('Why') input", "it is a bird")
        page.click(".specks summary")
        first = page.locator(".specks li button").first
        assert first.get_attribute("aria-pressed") == "true" and "repaired" in first.inner_text()
        before = page.locator(".outlines path.speck:not(.left)").count()
        first.focus()
        assert page.locator(".outlines path.pointed").count() == 1
        page.keyboard.press("Enter")
        page.wait_for_selector(".specks li button[aria-pressed=false]")
        assert page.locator(".outlines path.speck:not(.left)").count() == before - 1
        said = read_decisions(own_shelf / NAME / "decisions.jsonl")[-1]
        assert said.subject == "dirt" and said.by == "m.b." and said.anchor.startswith("scene@")
        (name,) = said.value["but"]
        assert name.startswith(f"{row}:") and said.value["repair"] is True
        page.locator(".specks li button").first.click()
        page.wait_for_selector(".specks li:first-child button[aria-pressed=true]")
        page.click(".specks label:has-text('dark specks') input")
        for _ in range(200):  # until the decision is in the log, and no longer than ten seconds
            last = read_decisions(own_shelf / NAME / "decisions.jsonl")[-1].value
            if last.get("but"):
                break
            page.wait_for_timeout(50)
        assert last == {"repair": True, "but": ["dark"]}

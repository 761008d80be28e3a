"""Dirt through a whole line: repaired in the finished film, kept in the archive copy, left where somebody decided so."""

import sys
from dataclasses import replace

import numpy as np
import pytest
from card_stand_in import COMPILER, modules

from smallgauge.analyse import dirt as analyse_dirt
from smallgauge.demo import write_specimen
from smallgauge.line import Settings, decide_on, finish
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.picture.device import searcher
from smallgauge.picture.synthetic import SceneTruth, specimen_truth
from smallgauge.record.decided import decided_value
from smallgauge.record.dirttable import DIRT_COLUMNS, read_dirt, runs_at
from smallgauge.record.files import read_json
from smallgauge.record.hairtable import read_hairs
from smallgauge.record.rendertable import RENDER_COLUMNS, RenderSummary
from smallgauge.record.scratchtable import read_scratches
from smallgauge.record.table import read_table

AT = "2026-01-17T10:00:00Z"
TRUTH = specimen_truth(
    "super 8",
    width=512,
    height=384,
    frames=7,
    seed=11,
    bits=10,
    code_values="log",
    dirt_per_frame=5.0,
    start_exposures=(),
    scenes=(SceneTruth(kind="sea", first=0, stop=40),),
)


def settings(step="render"):
    return Settings(at=AT, workers=1, last_step=step)


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """A small reel with dirt, rendered."""
    base = tmp_path_factory.mktemp("dirt")
    truth = replace(TRUTH, frames=4)
    write_specimen(base / "dirty", truth, format="dpx", sound=False, reel="dirty", box_words="", processes=1)
    finish(base / "dirty", base / "shelf", settings())
    return base


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A reel with dirt, and the same reel drawn clean, both finished; the first proved."""
    base = tmp_path_factory.mktemp("dirt")
    for name, truth in (("dirty", TRUTH), ("clean", replace(TRUTH, dirt_per_frame=0.0))):
        write_specimen(base / name, truth, format="dpx", sound=False, reel=name, box_words="", processes=1)
    outcome = finish(base / "dirty", base / "shelf", settings("prove"))
    assert outcome.proved, outcome.findings
    finish(
        base / "clean", base / "shelf", Settings(at=AT, workers=1, last_step="render", stated=("dirt=leave",))
    )
    return base


def frames_of(path):
    with open_picture(list_capture(path)) as reader:
        return [np.array(reader.read(n).samples, np.float64) for n in range(TRUTH.frames)]


@pytest.mark.campaign
def test_the_finished_film_shows_less_dirt_and_the_archive_copy_all_of_it(made):
    dirty, clean = made / "shelf" / "dirty", made / "shelf" / "clean"
    table = read_table(dirty / "render.parquet", RENDER_COLUMNS, "render")
    assert table["retouched_share"].max() > 0.0005
    assert table["retouched_share"][0] == table["retouched_share"][-1] == 0  # a neighbour on one side only
    dirt = read_dirt(dirty)
    assert dirt is not None
    repaired = int(np.count_nonzero(dirt["kind"] == "dirt"))
    assert read_json(dirty / "render.json", RenderSummary).dirt.repaired == repaired >= 8
    captured, truth = frames_of(dirty / "archive.mkv"), frames_of(clean / "archive.mkv")
    finished, bare = frames_of(dirty / "finished.mkv"), frames_of(clean / "finished.mkv")
    assert finished[0].shape == bare[0].shape
    was = sum(float((np.abs(a - b) > 0.12 * 1023).mean()) for a, b in zip(captured, truth, strict=True))
    assert was > 0
    full = float(np.max(bare[0]))
    middle = slice(1, TRUTH.frames - 1)
    left = [
        float((np.abs(a - b) > 0.2 * full).mean())
        for a, b in zip(finished[middle], bare[middle], strict=True)
    ]
    ends = [float((np.abs(finished[n] - bare[n]) > 0.2 * full).mean()) for n in (0, -1)]
    assert np.mean(left) < 0.5 * np.mean(ends)  # the ends of the scene are left as they are


@pytest.mark.campaign
def test_an_order_that_leaves_dirt_searches_nothing(made):
    clean = made / "shelf" / "clean"
    assert read_dirt(clean) is None
    assert read_json(clean / "render.json", RenderSummary).dirt is None


def test_a_decision_renders_again_without_searching_again(small):
    folder = small / "shelf" / "dirty"
    shares = read_table(folder / "render.parquet", RENDER_COLUMNS, "render")["retouched_share"]
    assert shares[1:-1].max() > 0 == shares[0] == shares[-1]  # the ends have a neighbour on one side only
    searched = (folder / "dirt.parquet").stat().st_mtime_ns
    leave = decided_value("dirt", "leave")
    decide_on(folder, subject="dirt", value=leave, by="mk", at=AT, why="the family likes it")
    finish(small / "dirty", small / "shelf", settings())
    assert (folder / "dirt.parquet").stat().st_mtime_ns == searched
    assert read_table(folder / "render.parquet", RENDER_COLUMNS, "render")["retouched_share"].max() == 0
    assert len(read_table(folder / "dirt.parquet", DIRT_COLUMNS, "dirt")) > 0


def test_the_mask_of_every_repair_is_kept(small):
    """Run-length in the table: as many pixels as it says, inside the captured frame, on every frame that was retouched."""
    folder = small / "shelf" / "dirty"
    dirt = read_dirt(folder)
    for row in range(len(dirt)):
        runs = runs_at(dirt, row)
        assert sum(stop - first for _, first, stop in runs) == dirt["area_px"][row] > 0
        assert all(0 <= y < 384 and 0 <= first < stop <= 512 for y, first, stop in runs)
    repaired = dirt["frame"][dirt["kind"] == "dirt"]
    assert set(repaired.tolist()) == {1, 2}  # of four frames, those between the first and the last


def test_lines_are_looked_for_in_the_same_reading(small):
    folder = small / "shelf" / "dirty"
    lines = read_scratches(folder)
    assert lines is not None
    assert set(lines["kind"].tolist()) <= {"unsure"}  # four frames are too few to tell a line
    assert len(read_hairs(folder)) == 0  # and too few for a hair
    tables = [folder / name for name in ("scratches.parquet", "hairs.parquet")]
    written = [path.stat().st_mtime_ns for path in tables]
    finish(small / "dirty", small / "shelf", settings())
    assert [path.stat().st_mtime_ns for path in tables] == written


def test_any_cutting_into_pieces_finds_the_same(small, monkeypatch):
    monkeypatch.setattr(analyse_dirt, "SEGMENT_FRAMES", 2)
    finish(small / "dirty", small / "cut", settings("analyse"))
    for read in (read_dirt, read_scratches):
        whole, cut = (read(small / shelf / "dirty") for shelf in ("shelf", "cut"))
        assert len(whole) == len(cut) > (0 if read is read_dirt else -1)  # four frames tell of no line
        for name in whole.values:
            np.testing.assert_array_equal(whole[name], cut[name], err_msg=name)


@pytest.mark.skipif(COMPILER is None, reason="left out: no g++ to compile a card's kernels with")
def test_a_card_searches_where_it_is_asked_and_the_table_says_so(small, tmp_path, monkeypatch):
    for name, module in modules().items():
        monkeypatch.setitem(sys.modules, name, module)
    searcher.cache_clear()
    try:
        finish(small / "dirty", tmp_path, replace(settings("analyse"), device="card"))
    finally:
        searcher.cache_clear()
    own, other = read_dirt(small / "shelf" / "dirty"), read_dirt(tmp_path / "dirty")
    assert set(own["found_on"]) == {"processor"} and set(other["found_on"]) == {"a processor that stands in"}
    for column in DIRT_COLUMNS:
        if column.name != "found_on" and column.type == "float32":
            assert np.allclose(own[column.name], other[column.name], rtol=1e-3, atol=1e-3, equal_nan=True)
        elif column.name != "found_on":
            assert np.array_equal(own[column.name], other[column.name]), column.name

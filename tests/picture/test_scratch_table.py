"""Lines of a reel: joined, put into captured pixels, named, and told in the report; the same however the reel is cut in pieces."""

from itertools import pairwise
from types import SimpleNamespace

import numpy as np

from smallgauge.analyse.scratches import LineSearch, line_windows, write_reel_lines
from smallgauge.deliver.scratches import scratch_table
from smallgauge.picture.scratch_repair import DEEPEST
from smallgauge.picture.scratches import make_scratch_sheet
from smallgauge.record.scratchtable import SCRATCH_COLUMNS, line_findings, profile_of, read_scratches
from smallgauge.record.table import table_of, write_table

COUNT, LEFT, SIZE = 30, 7, (128, 96)
VIEW = 110 + 40 * np.sin(np.arange(300) / 5)[None, :] * np.cos(np.arange(96) / 7)[:, None]


def reel(folder, *, colours=True, line=True, pieces_at=(0, 25, COUNT)):
    """A reel with a line at 50, written in pieces, the last shorter than what is looked at together."""
    random = np.random.default_rng(4)
    sheets = []
    for n in range(COUNT):
        picture = np.repeat(VIEW[:, 3 * n : 3 * n + 128, None], 3, axis=2) + random.normal(0, 3, (96, 128, 3))
        if line:
            picture[:, 50:52] *= (1.15, 1.15, 1.16)
        sheets.append(make_scratch_sheet(picture.astype(np.float32)))
    pieces = []
    for first, stop in pairwise(pieces_at):
        windows = line_windows(first, stop, COUNT)
        search = LineSearch(0, windows, SIZE)
        for n in range(windows[0].begin, windows[-1].end):
            search.look(n, None if n == 12 else sheets[n], (LEFT, 3))
        pieces.append(folder / f"piece-{first}.parquet")
        search.write(pieces[-1])
    return write_reel_lines(folder, pieces, [(np.tile([LEFT, 3], (COUNT, 1)), SIZE)], [colours])


def test_a_line_is_one_scratch_in_captured_pixels_over_all_pieces(tmp_path):
    count = reel(tmp_path)
    lines = read_scratches(tmp_path)
    assert len(lines) == count
    at = lines["kind"] == "scratch"
    assert np.abs(lines["x"][at] - (50.5 + LEFT)).max() < 0.5
    assert lines["frame"][at].tolist() == [n for n in range(COUNT) if n != 12]  # which can't be read
    assert len(set(lines["track"][at].tolist())) == 1
    row = int(np.flatnonzero(at)[0])
    runs = dict(word.split(":") for word in lines["runs"][row].split())
    assert runs[str(50 + LEFT)] == f"{3}-{99}"
    profile = profile_of(lines["profile"][row])
    assert len(profile) == len(runs)
    assert max(profile) > 0.8
    # The scene moves 3 px to the left a frame; where nothing was before a frame, nothing is told.
    assert lines["agree"][at].min() >= 0 and lines["agree"][at].max() <= 32
    moved = lines["scene_px"][at]
    assert np.isnan(moved[lines["frame"][at] == 13]).all()
    assert np.abs(moved[np.isfinite(moved)] + 3).max() < 0.5
    assert np.isfinite(moved).sum() >= 26
    table = scratch_table(SimpleNamespace(folder=tmp_path))
    assert [each[:3] for each in table.rows if each[0].startswith("scratch")] == [
        ("scratch, base side", "1", "29")
    ]


def test_any_cutting_into_pieces_gives_the_same_rows(tmp_path):
    tables = []
    for pieces_at in ((0, 25, COUNT), (0, 11, 18, 28, COUNT)):
        reel(tmp_path, pieces_at=pieces_at)
        tables.append(read_scratches(tmp_path))
    for column in tables[0].columns:
        one, two = (table[column.name] for table in tables)
        assert one.dtype == object or column.name == "scene_px" or np.isfinite(one).all()
        told = one == two if one.dtype == object else np.isclose(one, two, atol=0, rtol=0, equal_nan=True)
        assert told.all(), column.name


def test_a_black_and_white_film_has_no_side_to_tell(tmp_path):
    reel(tmp_path, colours=False)
    assert set(read_scratches(tmp_path)["side"].tolist()) == {"not told"}


def test_lines_that_are_left_are_said(tmp_path):
    rows = [{"frame": n, "track": 1, "kind": "disputed"} for n in (1, 2, 3)]
    rows += [{"frame": n, "track": 2, "kind": "scratch", "red": -DEEPEST - 1} for n in (3, 4)]
    rows += [
        {"frame": 9, "track": 3, "kind": "scratch", "red": -20.0},
        {"frame": 9, "track": 4, "kind": "chance"},
    ]
    rows = [{"side": "not told", **row} for row in rows]
    write_table(tmp_path / "scratches.parquet", table_of("scratches", SCRATCH_COLUMNS, rows))
    (said,) = line_findings(read_scratches(tmp_path))
    assert said.values == {"lines": 2, "frames": 4, "disputed": 1, "deep": 1}
    table = scratch_table(SimpleNamespace(folder=tmp_path))
    assert [row[0].split(",")[0] for row in table.rows] == ["scratch", "disputed", "chance"]
    assert line_findings(None) == ()
    reel(tmp_path)
    assert line_findings(read_scratches(tmp_path)) == ()


def test_no_line_no_table(tmp_path):
    assert scratch_table(SimpleNamespace(folder=tmp_path)) is None  # not looked for
    reel(tmp_path, line=False)
    assert scratch_table(SimpleNamespace(folder=tmp_path)) is None

"""Lines of a reel: joined, put into captured pixels, named, and told in the report."""

from types import SimpleNamespace

import numpy as np

from smallgauge.analyse.scratches import LineSearch, write_reel_lines
from smallgauge.deliver.scratches import scratch_table
from smallgauge.picture.scratches import make_scratch_sheet
from smallgauge.record.scratchtable import read_scratches

COUNT, LEFT = 12, 7


def reel(folder, *, colours=True, lines=True):
    """A reel of two scenes with a line at 50 that goes through the cut; written in two pieces."""
    random = np.random.default_rng(4)
    pieces = []
    for first in (0, 6):
        search = LineSearch(0)
        for n in range(max(0, first - 1), first + 6):
            picture = random.normal(90 if n < 5 else 130, 4, (96, 128, 3)).astype(np.float32)
            if lines:
                picture[:, 50:52] += (20, 20, 20.5)
            search.look(n, make_scratch_sheet(picture), LEFT, kept=n >= first)
        pieces.append(folder / f"piece-{first}.parquet")
        search.write(pieces[-1])
    place = np.tile([LEFT, 3], (COUNT, 1))
    scenes = {(0, n): int(n >= 5) for n in range(COUNT)}
    return write_reel_lines(folder, pieces, [(place, (128, 96))], scenes, [colours])


def test_a_line_through_a_cut_is_one_scratch_in_captured_pixels(tmp_path):
    rows = reel(tmp_path)
    lines = read_scratches(tmp_path)
    assert len(lines) == rows
    taken = lines["kind"] == "scratch"
    assert np.abs(lines["x"][taken] - (50.5 + LEFT)).max() < 0.5
    assert lines["frame"][taken].tolist() == list(range(COUNT))
    assert len(set(lines["track"][taken].tolist())) == 1
    table = scratch_table(SimpleNamespace(folder=tmp_path))
    assert [row[:3] for row in table.rows if row[0].startswith("scratch")] == [
        ("scratch, base side", "1", "12")
    ]


def test_a_black_and_white_film_has_no_side_to_tell(tmp_path):
    reel(tmp_path, colours=False)
    assert set(read_scratches(tmp_path)["side"].tolist()) == {"not told"}


def test_no_line_no_table(tmp_path):
    assert scratch_table(SimpleNamespace(folder=tmp_path)) is None  # not looked for
    reel(tmp_path, lines=False)
    assert scratch_table(SimpleNamespace(folder=tmp_path)) is None

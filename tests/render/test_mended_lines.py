"""Lines along the film in the plan and in a frame's samples: repaired where dirt is, left where somebody said so."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.picture.dirt_kinds import DirtDecision, solve_lines
from smallgauge.picture.dirt_repair import DirtRepair
from smallgauge.picture.scratch_repair import DEEPEST, ScratchRepair
from smallgauge.record.decided_dirt import dirt_value
from smallgauge.record.scratchtable import SCRATCH_COLUMNS, line_repair_of
from smallgauge.record.table import table_of
from smallgauge.render.mend import mended_samples
from smallgauge.render.plan_dirt import DirtPlan

TABLE = np.linspace(0, 1, 4096, dtype=np.float32)
STILL = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0)
LINE = ScratchRepair(x=30.0, profile=(0.0, 1.0, 0.0), colours=(-22.31,) * 3, runs=((30, 0, 60),))


def lines(**changed):
    row = {"capture": 0, "frame": 4, "track": 7, "kind": "scratch", "x": 30.0, "red": -22.31, "green": -22.31}
    row |= {"blue": -22.31, "profile": "0 1000 0", "runs": "30:0-60"}
    return table_of("scratches", SCRATCH_COLUMNS, [row | changed])


def test_a_row_of_the_table_is_a_repair():
    made = line_repair_of(lines(), 0)
    assert (made.x, made.profile, made.runs) == (LINE.x, LINE.profile, LINE.runs)
    assert np.allclose(made.colours, LINE.colours)


def test_lines_are_left_by_track_by_sort_by_kind_and_where_they_hide_all():
    def wanted(table, **decision):
        return solve_lines(
            table.values, np.array([3]), {3: DirtDecision(**decision)}, DirtDecision()
        ).tolist()

    assert wanted(lines()) == [True]
    assert wanted(lines(), repair=False) == [False]
    for name, left in (("line:7", True), ("line:8", False), ("lines", True), ("dark", False), ("4:0", False)):
        assert wanted(lines(), but=(name,)) == [not left]
    assert wanted(lines(kind="unsure")) == [False]
    assert wanted(lines(red=-DEEPEST - 1)) == [False]
    assert dirt_value("repair but line:7 lines") == {"repair": True, "but": ["line:7", "lines"]}
    with pytest.raises(CallerError, match="line:TRACK"):
        dirt_value("repair but line:x")


def test_a_line_is_given_back_beside_specks_and_counted():
    clean = np.full((60, 60, 3), 2000, np.uint16)
    scratched = clean.copy()
    scratched[:, 30] = 1600  # exp(-0.2231) of the light
    dirty = scratched.copy()
    dirty[20:24, 28:33] = 300
    runs = tuple((y, 28, 33) for y in range(20, 24))
    speck = DirtRepair(runs=runs, before=STILL, after=STILL)
    plan = DirtPlan(repairs=(speck,), hidden=((), ()), lines=(LINE,))
    frame = SimpleNamespace(frame=1, dirt=plan)
    whole, touched = mended_samples(lambda n: dirty if n == 1 else scratched, frame, TABLE)
    assert np.abs(whole.astype(int) - 2000).max() <= 2
    assert touched == (whole != dirty).any(axis=2).sum() >= 60 + 4 * 4
    # Without specks its neighbours are not read; without anything nothing is.
    only = SimpleNamespace(frame=1, dirt=replace(plan, repairs=()))
    whole, touched = mended_samples({1: dirty}.__getitem__, only, TABLE)
    assert touched == 60
    assert (whole[20:24, 28:30] == 300).all()
    same, touched = mended_samples({1: dirty}.__getitem__, SimpleNamespace(frame=1, dirt=None), TABLE)
    assert same is dirty
    assert touched == 0

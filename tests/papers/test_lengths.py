"""Lengths of one stock, from splices, borders and clear film."""

import numpy as np
import pytest

from smallgauge.picture.border import CHANNELS
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.lengths import lengths_of
from smallgauge.record.table import table_of

STOCKS = {
    "one": ((1.8, 2.8, 2.5), 0.16),
    "two": ((2.7, 2.9, 2.8), 0.20),
    "three": ((2.3, 2.6, 2.9), 0.12),
}


def drawn(rolls, *, splices=(), seed=3):
    """A table of rolls (stock, frames), each with its own border, fogged at its ends; splices between them and where told."""
    rng = np.random.default_rng(seed)
    rows, at = [], 0
    for stock, frames in rolls:
        density, clear = STOCKS[stock]
        for n in range(frames):
            fog = max(0.0, 1.5 - 0.5 * min(n, frames - 1 - n))
            view = float(rng.uniform(0.1, 0.3))
            row = {
                "frame": at,
                "film_position": at,
                "duplicate_of": -1,
                "splice": (n == 0 and at > 0) or at in splices,
                "scene": at // 20,
            }
            for c, value in zip(CHANNELS, density, strict=True):
                light = 10.0 ** -(max(value - fog, 0.3) + rng.normal(0.0, 0.01))
                row |= {
                    f"border_{c}": light,
                    f"border_sigma_{c}": light * 0.02,
                    f"border_lowest_{c}": light * 0.7,
                }
                row |= {f"border_floor_share_{c}": 0.01, f"clear_{c}": 10.0**-clear, f"view_{c}": view}
                row |= {f"picture_middle_{c}": 0.9, f"picture_dense_{c}": 1.8}
            rows.append(row)
            at += 1
    return table_of("frames", FRAME_COLUMNS, rows)


def test_each_stock_is_a_length_of_its_own():
    found = lengths_of(drawn([("one", 60), ("two", 80), ("three", 50), ("one", 70), ("two", 40)]))
    assert [(each.first, each.stop) for each in found] == [
        (0, 60),
        (60, 140),
        (140, 190),
        (190, 260),
        (260, 300),
    ]
    assert [each.number for each in found] == [0, 1, 2, 3, 4]
    assert 60 in found[1] and 59 not in found[1] and found[1].anchor == "length@60"


def test_a_mended_roll_is_one_length():
    found = lengths_of(drawn([("one", 60), ("two", 80)], splices=(20, 90, 100)))
    assert [(each.first, each.stop) for each in found] == [(0, 60), (60, 140)]


@pytest.mark.parametrize("splices", [(1,), (58, 59), (2, 4)])
def test_scraps_between_splices_go_with_their_neighbours(splices):
    assert [(each.first, each.stop) for each in lengths_of(drawn([("one", 60)], splices=splices))] == [
        (0, 60)
    ]


def test_film_without_a_readable_border_is_cut_at_its_splices():
    table = drawn([("one", 60), ("one", 60)])
    for c in CHANNELS:
        table[f"border_{c}"][:] = np.nan
    assert [(each.first, each.stop) for each in lengths_of(table)] == [(0, 60), (60, 120)]
    assert lengths_of(table_of("frames", FRAME_COLUMNS, [])) == ()

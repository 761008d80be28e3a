"""Lengths of one stock, from splices, borders and clear film."""

import numpy as np
import pytest
from drawn_rolls import drawn_rolls

from smallgauge.picture.border import CHANNELS
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.lengths import lengths_of
from smallgauge.record.table import table_of


def test_each_stock_is_a_length_of_its_own():
    found = lengths_of(drawn_rolls([("one", 60), ("two", 80), ("three", 50), ("one", 70), ("two", 40)]))
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
    found = lengths_of(drawn_rolls([("one", 60), ("two", 80)], splices=(20, 90, 100)))
    assert [(each.first, each.stop) for each in found] == [(0, 60), (60, 140)]


@pytest.mark.parametrize("splices", [(1,), (58, 59), (2, 4)])
def test_scraps_between_splices_go_with_their_neighbours(splices):
    assert [(each.first, each.stop) for each in lengths_of(drawn_rolls([("one", 60)], splices=splices))] == [
        (0, 60)
    ]


def test_film_without_a_readable_border_is_cut_at_its_splices():
    table = drawn_rolls([("one", 60), ("one", 60)])
    for c in CHANNELS:
        table[f"border_{c}"][:] = np.nan
    assert [(each.first, each.stop) for each in lengths_of(table)] == [(0, 60), (60, 120)]
    assert lengths_of(table_of("frames", FRAME_COLUMNS, [])) == ()


def test_film_that_ran_tail_first_is_counted_from_its_head():
    table = drawn_rolls([("one", 60), ("two", 80)])
    found = lengths_of(table, backwards=True)
    assert [(each.first, each.stop) for each in found] == [(0, 80), (80, 140)]
    assert [(each.first_captured, each.stop_captured) for each in found] == [(60, 140), (0, 60)]

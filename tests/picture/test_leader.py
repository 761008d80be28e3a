"""Leader between rolls is found and sure; dark film, struck film and short blanks are not."""

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.picture.leader import find_leader

RANDOM = np.random.default_rng(1)


def columns(count=120):
    """Film with pictures: two sides of the gate seen, a border of density 2.85 with a little scatter."""
    return np.full(count, 2), RANDOM.normal(2.85, 0.01, count), np.zeros(count, bool)


def leaders(gate, border, splice, sharpness=None):
    if sharpness is None:
        sharpness = np.where((gate > 0) | (border > 1.5), 0.005, 0.00001)
    return find_leader(gate, border, sharpness, splice)


def test_clear_coloured_and_dark_leader_between_rolls():
    gate, border, splice = columns()
    for first, stop, density in ((30, 45, 0.17), (45, 60, 0.52), (80, 90, 2.85)):
        gate[first:stop] = 0
        border[first:stop] = RANDOM.normal(density, 0.005, stop - first)
        splice[first] = True
    found = leaders(gate, border, splice)
    assert [(each.first, each.stop, each.kind, each.sure) for each in found] == [
        (30, 60, "leader", True),
        (80, 90, "dark", False),
    ]


def test_a_stripe_that_looks_like_one_side_of_the_gate_hides_no_leader():
    gate, border, splice = columns()
    gate[30:45], border[30:45] = 1, 1.3
    assert [
        (each.first, each.stop, each.sure)
        for each in leaders(gate, border, splice, np.where(gate > 1, 0.005, 0))
    ] == [(30, 45, True)]


def test_leader_at_the_ends_of_a_spool():
    gate, border, splice = columns()
    gate[:12], border[:12], gate[-20:], border[-20:] = 0, 0.2, 0, 0.2
    assert [(each.first, each.stop, each.sure) for each in leaders(gate, border, splice)] == [
        (0, 12, True),
        (100, 120, True),
    ]


def test_film_that_daylight_struck_is_not_sure():
    gate, border, splice = columns()
    gate[40:60] = 0
    border[35:65] = 2.85 - 2.6 * np.clip(np.minimum(np.arange(30), 29 - np.arange(30)) / 9, 0, 1)
    found = leaders(gate, border, splice)
    assert len(found) == 1 and not found[0].sure and "slowly" in found[0].reason


def test_a_short_blank_and_a_light_scene_are_none():
    gate, border, splice = columns()
    gate[40:45], border[40:45] = 0, 0.2
    border[60:80] = 0.2  # another stock, with pictures: the gate's edge is seen
    assert leaders(gate, border, splice) == ()


def test_pictures_without_a_gate_are_no_leader():
    gate, border, splice = columns()
    gate[40:60], border[40:60] = 0, 0.9  # another, lighter stock, whose gate can't be seen
    assert leaders(gate, border, splice, np.full(120, 0.004)) == ()


def test_where_the_gate_is_never_seen_or_no_border_nothing_is_said():
    gate, border, splice = columns()
    assert leaders(np.zeros(120, int), border, splice) == ()
    assert leaders(gate, np.full(120, np.nan), splice) == ()
    gate[::3], gate[1::3] = 0, 0  # seen in a third of the frames
    assert leaders(gate, border, splice) == ()


def test_columns_of_one_length():
    with pytest.raises(CallerError):
        find_leader(np.zeros(3, int), np.zeros(4), np.zeros(3), np.zeros(3, bool))

"""Even repeats against the published patterns and the bound that follows from them."""

import math
from fractions import Fraction
from itertools import groupby

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from smallgauge.errors import CallerError
from smallgauge.picture.cadence import solve_even_repeat, solve_scene_repeat


def repeats(film: int, copy: Fraction, frames: int) -> list[int]:
    shown = solve_even_repeat(frames, film_rate=Fraction(film), copy_rate=copy)
    return [len(list(group)) for _, group in groupby(shown.tolist())]


# 24 frames a second shown at 60 is 3:2 pull-down, at 30 four frames in five: common practice of television, no source;
# the other rows follow from floor(j p / q).
@pytest.mark.parametrize(
    ("film", "copy", "pattern"),
    [
        (18, 24, [2, 1, 1]),
        (16, 24, [2, 1]),
        (24, 30, [2, 1, 1, 1]),
        (24, 60, [3, 2]),
        (18, 30, [2, 2, 1]),
        (16, 60, [4, 4, 4, 3]),
        (24, 24, [1]),
    ],
)
def test_known_patterns(film, copy, pattern):
    found = repeats(film, Fraction(copy), 12)
    assert found[: len(pattern)] == pattern
    assert found == (pattern * 12)[:12]


@given(
    film=st.fractions(min_value=9, max_value=60, max_denominator=1001),
    copy=st.sampled_from([Fraction(24), Fraction(25), Fraction(30000, 1001), Fraction(50), Fraction(60)]),
    frames=st.integers(min_value=1, max_value=400),
)
def test_repeats_differ_by_one_and_nothing_is_lost_when_the_copy_is_faster(film, copy, frames):
    shown = solve_even_repeat(frames, film_rate=film, copy_rate=copy)
    assert shown[0] == 0 and shown[-1] <= frames - 1
    assert (np.diff(shown) >= 0).all()
    if copy >= film:
        assert shown[-1] == frames - 1
        counts = np.bincount(shown, minlength=frames)
        assert counts.min() >= 1
        assert counts[:-1].max(initial=0) - counts[:-1].min(initial=counts.max()) <= 1
    # Every shown frame begins no earlier than its film frame does, and less than one film frame later.
    late = np.arange(shown.size) / float(copy) - shown / float(film)
    assert late.min() >= -1e-9 and late.max() < 1 / float(film) + 1e-9


def test_rates_must_be_positive():
    with pytest.raises(CallerError, match="positive"):
        solve_even_repeat(3, film_rate=Fraction(0), copy_rate=Fraction(24))


def test_speeds_by_scene_keep_time_exactly():
    runs = [(37, Fraction(12)), (50, Fraction(50, 3)), (90, Fraction(18)), (11, Fraction(24))]
    shown = solve_scene_repeat(runs, copy_rate=Fraction(25))
    starts, first, begin = [], 0, Fraction(0)
    for count, rate in runs:
        starts += [(first + k, begin + k / rate) for k in range(count)]
        first, begin = first + count, begin + count / rate
    assert set(shown.tolist()) == set(range(first))  # no frame is left out
    for frame, at in starts:  # each comes on at the first shown frame at or after its moment
        assert int(np.argmax(shown == frame)) == math.ceil(at * 25)
    assert len(shown) == math.ceil(begin * 25)


@pytest.mark.parametrize("rate", ["12", "50/3", "18", "24"])
def test_one_speed_for_all_scenes_is_the_even_repeat(rate):
    one = solve_scene_repeat([(60, Fraction(rate)), (40, Fraction(rate))], copy_rate=Fraction(25))
    assert one.tolist() == solve_even_repeat(100, film_rate=Fraction(rate), copy_rate=Fraction(25)).tolist()


def test_a_scene_faster_than_the_copy_is_refused():
    with pytest.raises(CallerError, match="can't show every frame"):
        solve_scene_repeat([(4, Fraction(32))], copy_rate=Fraction(25))

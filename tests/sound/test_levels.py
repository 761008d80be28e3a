"""Readings of the captured track against signals whose levels are known."""

from dataclasses import fields

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.sound.levels import COLUMNS, Levels, measure_levels
from smallgauge.sound.speed import read_array

RATE = 8000


def levels(samples, **options):
    return measure_levels(
        read_array(samples),
        in_samples=len(samples),
        sound_rate=RATE,
        first_second=options.pop("first_second", 0),
        stop_second=options.pop("stop_second", 1000),
        **options,
    )


def test_tone_with_offset():
    t = np.arange(2 * RATE) / RATE
    found = levels(0.01 + 0.25 * np.sin(2 * np.pi * 100 * t))
    assert found.second.tolist() == [0, 1]
    np.testing.assert_allclose(found.rms, 0.25 / np.sqrt(2), rtol=1e-9)
    np.testing.assert_allclose(found.dc, 0.01, atol=1e-12)
    np.testing.assert_allclose(found.peak, 0.26, rtol=1e-9)
    assert not found.clipped.any() and not found.silent_share.any()


def test_clipping_counts_runs_across_the_second_and_no_single_peaks():
    x = 0.1 * np.random.default_rng(1).standard_normal(2 * RATE)
    x[[100, 200, 201]] = 1.0  # one and two in a row: a peak, not clipping
    x[RATE - 2 : RATE + 2] = -1.0  # four across the boundary
    found = levels(x)
    assert found.clipped.tolist() == [2, 2]


def test_dead_line_is_told_from_quiet_sound():
    x = 1e-6 * np.random.default_rng(2).standard_normal(3 * RATE)
    x[RATE : RATE + RATE // 2] = 0.003  # a constant offset is a dead line too
    x[2 * RATE : 2 * RATE + 60] = 0.0  # 7.5 ms: too short
    found = levels(x)
    np.testing.assert_allclose(found.silent_share, [0.0, 0.5, 0.0], atol=1e-12)
    assert levels(np.zeros(RATE)).silent_share.tolist() == [1.0]


def test_any_division_gives_the_same_rows_and_a_short_last_second():
    x = np.random.default_rng(3).standard_normal((3 * RATE + 123, 2)) * 0.2
    x[RATE - 40 : RATE + 50] = 0.0
    whole = levels(x)
    assert whole.track.tolist() == [0, 1] * 4
    parts = [levels(x, first_second=i, stop_second=i + 1) for i in range(4)]
    for field in fields(Levels):
        joined = np.concatenate([getattr(part, field.name) for part in parts])
        np.testing.assert_array_equal(getattr(whole, field.name), joined)
    assert whole.peak[-1] == np.max(np.abs(x[3 * RATE :, 1]))


def test_columns_name_the_fields_in_order_and_no_sound_gives_no_rows():
    assert [column.name for column in COLUMNS] == [field.name for field in fields(Levels)]
    assert len(levels(np.zeros((0, 1))).peak) == 0
    with pytest.raises(CallerError, match="rate"):
        measure_levels(read_array([0.0]), in_samples=1, sound_rate=0, first_second=0, stop_second=1)

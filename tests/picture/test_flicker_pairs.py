"""Change of exposure between two frames, against drawn truth."""

import math

import numpy as np
import pytest
from flickered_scenes import readings_of

from smallgauge.errors import CallerError
from smallgauge.picture.flicker_pairs import COLUMNS, NOT_TOLD, make_flicker_sheet, measure_flicker
from smallgauge.picture.synthetic_flicker import PlainScene, draw_flicker, draw_flickered, draw_plain_scene

SIZE = (240, 320)


def drawn_pairs(seed, frames, **flicker):
    """Readings of a drawn scene, and the true terms of each of its frames."""
    random = np.random.default_rng(seed)
    clean = draw_plain_scene(random, PlainScene(frames=frames, size=SIZE))
    terms = draw_flicker(random, frames, **flicker)
    scanned, _ = draw_flickered(random, clean, terms)
    return readings_of(scanned), terms


def true_change(before, after, *, pivot, middle=-2.0):
    """Exact change of two affine maps of the logarithm of light: level at `pivot`, five surface terms, contrast.

    Worked out by hand: L' = S L + O for each frame; between them L2 = s L1 + o, and the reading's form about the mean of
    both gives contrast 2 (s - 1) / (s + 1).
    """
    scale = (1 + after[6]) / (1 + before[6])
    offset = after[:6] - scale * before[:6]
    offset[0] -= middle * (after[6] - scale * before[6])
    contrast = 2 * (scale - 1) / (scale + 1)
    change = offset * (1 - contrast / 2)
    change[0] += contrast * pivot
    return change, contrast


def test_level_surface_and_contrast_of_moving_scenes():
    misses = []
    for seed in range(3):
        readings, terms = drawn_pairs(seed, 7, level=0.1, surface=0.03, contrast=0.04)
        for n in range(1, 7):
            found = readings[n]
            for channel in range(3):
                true, contrast = true_change(terms[n - 1], terms[n], pivot=found.middle[channel])
                misses.append(
                    [
                        found.level[channel] - true[0],
                        found.contrast[channel] - contrast,
                        *(found.surface - true[1:]),
                    ]
                )
    rms = np.sqrt(np.mean(np.square(misses), axis=0))
    assert rms[0] < 0.003  # level, of 0.14 rms; measured 0.0012
    assert rms[1] < 0.004
    assert (rms[2:] < 0.005).all()


def test_a_still_scene_is_told_to_its_grain():
    random = np.random.default_rng(5)
    clean = draw_plain_scene(random, PlainScene(frames=1, size=SIZE)) * 2
    scanned, _ = draw_flickered(
        random, clean, np.array([[0.0] * 7, [0.07, *(0.0,) * 6]]), grain=0.0, most=9.0
    )
    found = readings_of(scanned)[1]
    assert found.level == pytest.approx((0.07,) * 3, abs=1e-4)
    assert found.surface == pytest.approx((0.0,) * 5, abs=1e-4)


def test_an_object_that_comes_does_not_count():
    random = np.random.default_rng(6)
    clean = draw_plain_scene(random, PlainScene(frames=1, size=SIZE, disc=False)) * 2
    scanned, _ = draw_flickered(random, clean, np.array([[0.0] * 7, [0.1, *(0.0,) * 6]]))
    scanned[1][60:180, 40:140] = 0.6  # a sixth of the picture
    found = readings_of(scanned)[1]
    assert found.level == pytest.approx((0.1,) * 3, abs=0.006)
    assert found.share < 0.87


def test_clipped_and_dark_places_do_not_count():
    random = np.random.default_rng(7)
    clean = [frame + 2.0 for frame in draw_plain_scene(random, PlainScene(frames=1, size=SIZE))] * 2
    clean = [np.where(np.arange(SIZE[1])[None, :, None] < 100, -9.0, frame) for frame in clean]
    scanned, _ = draw_flickered(random, clean, np.array([[0.0] * 7, [-0.1, *(0.0,) * 6]]), most=0.8)
    found = readings_of(scanned, full_scale=0.8)[1]
    assert found.level[1] == pytest.approx(-0.1, abs=0.006)
    assert found.share < 0.7
    bright = [np.full((120, 160, 3), value, np.float32) for value in (0.85, 0.9)]
    assert math.isnan(readings_of(bright, lamp=0.92)[1].level[0])  # a hole is no film


def test_nothing_to_compare_is_not_told():
    small = np.full((60, 80, 3), 0.2, np.float32)
    sheet = make_flicker_sheet(small)
    assert measure_flicker(sheet, None) is NOT_TOLD
    assert measure_flicker(None, sheet) is NOT_TOLD
    assert make_flicker_sheet(small * np.float32("nan")) is None
    black = make_flicker_sheet(np.zeros((60, 80, 3), np.float32))
    assert measure_flicker(black, black) is NOT_TOLD


def test_one_channel_reads_as_three():
    random = np.random.default_rng(8)
    clean = draw_plain_scene(random, PlainScene(frames=2, size=SIZE))
    scanned, _ = draw_flickered(random, clean, draw_flicker(random, 2))
    found = readings_of([frame.mean(axis=2) for frame in scanned])[1]
    assert found.level[0] == found.level[1] == found.level[2]
    assert math.isfinite(found.level[0])


def test_a_dark_channel_is_not_told_and_the_others_are():
    random = np.random.default_rng(9)
    clean = draw_plain_scene(random, PlainScene(frames=2, size=SIZE))
    scanned, _ = draw_flickered(random, clean, draw_flicker(random, 2))
    for frame in scanned:
        frame[:, :, 2] = 0.001
    found = readings_of(scanned)[1]
    assert math.isnan(found.level[2]) and math.isnan(found.middle[2])
    assert all(math.isfinite(each) for each in found.level[:2])


def test_columns_are_those_of_a_reading():
    assert {column.name for column in COLUMNS} == set(NOT_TOLD.columns())


def test_sizes_that_differ_are_refused():
    one, two = (make_flicker_sheet(np.full((height, 80, 3), 0.2, np.float32)) for height in (60, 61))
    with pytest.raises(CallerError, match="one shape"):
        measure_flicker(one, two)
    with pytest.raises(CallerError, match="height, width, channels"):
        make_flicker_sheet(np.full((60, 80), 0.2, np.float32))

"""Scene changes on drawn sequences of known cuts, and on the specimens."""

import math

import numpy as np
import pytest
from specimen_frames import read_specimen

from benchmarks import scenes as drawn
from smallgauge.errors import CallerError
from smallgauge.picture.scenes import (
    COLUMNS,
    ChangeReading,
    find_fades,
    find_scenes,
    make_proxy,
    measure_change,
)
from smallgauge.sources import SOURCES


@pytest.mark.parametrize("flicker", [0.1, *(pytest.param(f, marks=pytest.mark.campaign) for f in (0.0, 0.2))])
def test_cuts_of_a_drawn_sequence(flicker):
    """F1 of at least 0.97 at the fixed threshold, far above two plain rules at their best threshold."""
    frames, truth = drawn.draw_shots(drawn.Kind(flicker=flicker, scenes=8), seed=40)
    found = find_scenes(*drawn.measure_columns(frames)).tolist()
    f1, _, _ = drawn.score(found, truth)
    assert f1 >= 0.97
    assert f1 > drawn.best_by_threshold(drawn.mean_difference(frames), truth)
    assert f1 > drawn.best_by_threshold(drawn.histogram_difference(frames), truth)


@pytest.mark.campaign
@pytest.mark.parametrize("flicker", [0.0, 0.1, 0.2])
def test_cuts_of_many_drawn_sequences(flicker):
    right = false = missed = 0
    for seed in range(8):
        frames, truth = drawn.draw_shots(drawn.Kind(flicker=flicker), seed=seed)
        _, wrong, lost = drawn.score(find_scenes(*drawn.measure_columns(frames)).tolist(), truth)
        right, false, missed = right + len(truth) - 1 - lost, false + wrong, missed + lost
    assert 2 * right / (2 * right + false + missed) >= 0.97


def test_cuts_of_moving_pictures_with_a_fade_against_a_plain_detector():
    """Photographs and drawn films that move, at the same threshold; FFmpeg's `scdet` has its best one."""
    frames, truth, dark = drawn.draw_moving(drawn.Kind(flicker=0.1, scenes=6, lengths=(24, 30)), seed=61)
    found = find_scenes(*drawn.measure_columns(frames), picture_light=drawn.measure_light(frames)).tolist()
    assert dark and drawn.score(found, truth, dark)[0] == 1.0
    assert drawn.best_by_threshold(drawn.scdet_scores(frames), truth, dark) < 0.97


def fade(out, back, *, top=-1.5, bottom=-5.9, dark=3):
    around = np.full(20, top)
    return np.concatenate(
        [around, np.linspace(top, bottom, out), np.full(dark, bottom), np.linspace(bottom, top, back), around]
    )


def test_fades_are_one_start_each():
    flicker = np.random.default_rng(5).normal(0, 0.1, 100)
    light = fade(12, 30)
    light = light + flicker[: light.size]
    ((first, darkest, stop),) = find_fades(light)
    assert 20 <= first <= 26 and 28 <= darkest <= 38 and 55 <= stop <= 66
    flat = np.full(light.size, 0.02)
    assert find_scenes(flat, flat, picture_light=light).tolist() == [0, darkest]
    cut = flat.copy()
    cut[darkest + 4] = 1.0  # the new scene was told by its pattern: the fade is that start
    told = cut.copy()
    told[darkest + 5] = 1.0
    assert find_scenes(cut, told, picture_light=light).tolist() == [0, darkest + 4]


@pytest.mark.parametrize(
    "light",
    [
        fade(1, 1),  # a lens covered, or a dark scene: at once
        fade(12, 1),
        fade(12, 12, bottom=-3.0),  # a cloud
        fade(12, 12)[:36],  # the end of the roll: no scene follows
        np.full(50, -2.0),
        np.full(50, math.nan),
        np.zeros(0),
    ],
)
def test_what_is_no_fade(light):
    assert find_fades(light) == ()


@pytest.mark.parametrize("flicker", [0.1, 0.2, 0.4])
def test_flicker_alone_makes_no_cut(flicker):
    kind = drawn.Kind(
        flicker=flicker, flash_share=0.0, run_up=False, objects=False, scenes=1, lengths=(90, 91)
    )
    frames, _ = drawn.draw_shots(kind, seed=7)
    assert find_scenes(*drawn.measure_columns(frames)).tolist() == [0]


def test_single_flashes_make_no_cut():
    kind = drawn.Kind(flicker=0.1, flash_share=0.1, run_up=False, objects=False, scenes=1, lengths=(80, 81))
    frames, _ = drawn.draw_shots(kind, seed=8)
    assert find_scenes(*drawn.measure_columns(frames)).tolist() == [0]


def test_over_exposed_first_frames_cut_once():
    kind = drawn.Kind(flicker=0.05, flash_share=0.0, objects=False, scenes=6, lengths=(14, 20))
    frames, truth = drawn.draw_shots(kind, seed=9)
    assert find_scenes(*drawn.measure_columns(frames)).tolist() == truth


def test_row_depends_on_its_halo_only():
    """Any chunking gives the same columns: each row from a chunk with its two frames before."""
    frames, _ = drawn.draw_shots(drawn.Kind(scenes=3, lengths=(8, 10)), seed=3)
    whole = drawn.measure_columns(frames)
    halo = max(column.halo for column in COLUMNS)
    for length in (1, 4, 7):
        parts = [[], []]
        for first in range(0, len(frames), length):
            before = max(first - halo, 0)
            columns = drawn.measure_columns(frames[before : first + length])
            for part, column in zip(parts, columns):
                part.extend(column[first - before :])
        for part, column in zip(parts, whole):
            assert np.array_equal(np.array(part), column, equal_nan=True)


def test_result_does_not_depend_on_threads():
    import cv2

    frames, _ = drawn.draw_shots(drawn.Kind(scenes=2, lengths=(6, 8)), seed=4)
    kept = cv2.getNumThreads()
    try:
        results = []
        for threads in (1, 2, 5):
            cv2.setNumThreads(threads)
            results.append(drawn.measure_columns(frames))
    finally:
        cv2.setNumThreads(kept)
    for result in results[1:]:
        assert np.array_equal(result, results[0], equal_nan=True)


def test_proxy_moves_with_the_film():
    random = np.random.default_rng(1)
    scene = np.kron(random.random((60, 80)), np.ones((8, 8))).astype(np.float32)
    first = make_proxy(scene, box=(40, 40, 560, 420))
    moved = np.roll(scene, (3, -5), axis=(0, 1))
    assert np.array_equal(make_proxy(moved, box=(35, 43, 555, 423)), first)
    assert first.shape == (117, 160) and first.dtype == np.float32


def test_proxy_out_of_view():
    scene = np.full((200, 300, 3), 0.25, np.float32)
    assert np.isnan(make_proxy(scene, box=(-100, 0, 150, 180))).all()
    assert np.isnan(make_proxy(scene, box=(math.nan, 0, 150, 180))).all()
    little = make_proxy(scene, box=(-10, 0, 240, 205))
    assert np.isfinite(little).all() and little.shape == make_proxy(scene, box=(0, 0, 250, 205)).shape
    with pytest.raises(CallerError):
        make_proxy(scene, box=(10, 10, 10, 20))
    with pytest.raises(CallerError):
        make_proxy(scene, box=(0, 0, 100, 100), width=4)


def test_missing_frames_are_not_numbers_and_no_cut():
    scene = make_proxy(np.random.default_rng(2).random((120, 160)).astype(np.float32), box=(0, 0, 160, 120))
    reading = measure_change(scene, np.full_like(scene, np.nan), None)
    assert math.isnan(reading.change) and math.isnan(reading.change_skip)
    change, skip = np.full(30, 0.02), np.full(30, 0.02)
    change[10:12] = np.nan
    skip[10:13] = np.nan
    assert find_scenes(change, skip).tolist() == [0]
    change[20] = skip[20] = skip[21] = 0.5
    assert find_scenes(change, skip).tolist() == [0, 20]
    assert find_scenes(change[:0], skip[:0]).size == 0
    with pytest.raises(CallerError):
        find_scenes(change, skip[1:])
    with pytest.raises(CallerError):
        measure_change(scene, scene[1:], None)


def test_columns_are_the_reading():
    assert {column.name for column in COLUMNS} == set(ChangeReading.__slots__)
    assert all(column.source in SOURCES for column in COLUMNS)


@pytest.mark.parametrize("name", ["standard8-torn", "super8-faded", "super8-striped-18fps"])
def test_specimen_scenes(name):
    """Picture area from the truth's film reference, 6 % inside the aperture."""
    truth, frames = read_specimen(name)
    facts = truth["frames"]
    corners = np.array([fact["aperture_corners"] for fact in facts])
    reference = np.array([fact["film_reference"] for fact in facts])
    centre = np.mean(corners.mean(axis=1) - reference, axis=0)
    half = 0.47 * np.mean(corners[:, 2] - corners[:, 0], axis=0)
    proxies = [
        make_proxy(light, box=(*(r + centre - half), *(r + centre + half)))
        for r, (light, _, _) in zip(reference, frames)
    ]
    readings = [
        measure_change(p, proxies[t - 1] if t else None, proxies[t - 2] if t > 1 else None)
        for t, p in enumerate(proxies)
    ]
    found = find_scenes(np.array([r.change for r in readings]), np.array([r.change_skip for r in readings]))
    assert found.tolist() == truth["scene_starts"]

"""The path of exposure: flicker taken off, what was meant kept."""

import numpy as np
import pytest

from smallgauge.picture.flicker_path import BEND, _line, find_path_steps, flicker_level, smooth_path

FADE = np.log(np.interp(np.arange(90), [30, 50], [1.0, 0.5]))  # 20 frames to half light


def white(seed, frames=90, level=0.1):
    return np.random.default_rng(seed).normal(0, level, frames)


def test_level_of_white_flicker_whatever_the_slope():
    for level in (0.003, 0.1):
        assert flicker_level(white(1, 4000, level) + 0.2 * np.arange(4000)) == pytest.approx(level, rel=0.06)
    assert flicker_level(np.zeros(2)) == 0.0


@pytest.mark.parametrize("level", [0.0, 0.001, 0.003, 0.01])
def test_a_fade_without_flicker_is_kept(level):
    # the issue allows 0.05; a local-linear kernel of four frames rounds it by 0.07
    worst = max(
        float(np.abs(smooth_path(FADE + white(seed, level=level)) - FADE).max()) for seed in range(20)
    )
    assert worst < max(0.003, 2.5 * level)


def test_a_fade_under_flicker_keeps_its_corners_better_than_a_smoother_of_one_stiffness():
    second = np.diff(np.eye(90), 2, axis=0)
    plain = np.linalg.inv(np.eye(90) + (0.1 / BEND) ** 2 * second.T @ second)
    ours, theirs = (
        np.array([smooth(FADE + white(seed)) - FADE for seed in range(60)])
        for smooth in (smooth_path, lambda path: plain @ path)
    )
    bias = [np.abs(each.mean(axis=0)).max() for each in (ours, theirs)]
    assert bias[0] < 0.07 < bias[1]  # measured 0.058 and 0.13
    near = [np.sqrt((each[:, 25:55] ** 2).mean()) for each in (ours, theirs)]
    assert near[0] < 0.7 * near[1]


def test_white_flicker_is_smoothed_to_its_bound():
    # The bound: rms over a scene of the smoother's own rows, sqrt of the mean of the sum of their squares.
    errors = np.array([smooth_path(white(seed)) for seed in range(60)])
    second = np.diff(np.eye(90), 2, axis=0)
    rows = np.linalg.inv(np.eye(90) + (0.1 / BEND) ** 2 * second.T @ second)
    bound = 0.1 * np.sqrt(np.mean(np.sum(rows**2, axis=1)))
    assert np.sqrt((errors**2).mean()) == pytest.approx(bound, rel=0.15)
    assert bound < 0.025
    assert np.sqrt((np.diff(errors, axis=1) ** 2).mean()) < 0.004
    assert np.abs(np.diff(errors, axis=1)[:, [0, -1]]).max() < 0.02


def test_a_straight_path_has_no_bias_not_even_at_its_ends():
    slope = 0.03 * np.arange(40)
    assert smooth_path(slope) == pytest.approx(slope, abs=1e-6)


@pytest.mark.parametrize("frames", [0, 1, 2, 3])
def test_short_paths(frames):
    assert smooth_path(np.arange(float(frames))).shape == (frames,)
    assert find_path_steps(np.arange(float(frames))) == ()


def test_one_flash_does_not_bend_the_path():
    path = white(3, level=0.02)
    path[45] += 1.0
    assert np.abs(smooth_path(path)[40:51]).max() < 0.03


def test_steps_are_found_and_fades_are_none():
    for level in (0.0, 0.01, 0.03, 0.08):
        for seed in range(10):
            step = np.where(np.arange(90) < 45, 0.0, -0.7)
            assert find_path_steps(step + white(seed, level=level)) == (45,)
            assert find_path_steps(FADE + white(seed, level=level)) == ()
    to_black = np.interp(np.arange(90), [40, 50], [0.0, -3.0])
    assert find_path_steps(to_black) == ()
    assert all(find_path_steps(white(seed, 300)) == () for seed in range(20))


def test_line_against_another_implementation():
    from scipy.stats import theilslopes

    # its slope is the same median of pairs
    values = white(11, 8) + 0.1 * np.arange(8)
    assert _line(values)[0] == pytest.approx(theilslopes(values).slope, abs=1e-12)

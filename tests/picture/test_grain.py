"""Grain of known curve and coarseness, drawn over pictures that move; less of it, and what is refused."""

import math

import cv2
import numpy as np
import pytest

from benchmarks.moved_photographs import BASE, CASES, draw_moved, source_picture
from benchmarks.stills import edge_slope, ghost
from smallgauge.errors import CallerError
from smallgauge.picture.grain import find_grain_curve, measure_grain
from smallgauge.picture.grain_reduction import MOST_LIKENESS, apply_less_grain

HIGH, WIDE = 380, 500


def curve(density):
    """The truth: grain that grows towards the shadows up to density 2."""
    return 0.015 + 0.02 * np.minimum(density, 2.0)


def film(name, *, soft, shift=(1.3, -0.4), seed=3, steps=False):
    """Two frames' light: a picture that moved by parts of a pixel, with grain of the curve and of one softness."""
    random = np.random.default_rng([seed, *name.encode()])
    view = cv2.GaussianBlur(source_picture(name), (0, 0), 1.05)
    frames = []
    for t in range(2):
        matrix = np.float32([[1.5, 0, 30 + 1.5 * shift[0] * t], [0, 1.5, 20 + 1.5 * shift[1] * t]])
        seen = cv2.warpAffine(
            view,
            matrix,
            (WIDE, HIGH),
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REFLECT_101,
        )
        density = -np.log10(np.maximum((np.clip(seen, 1, 255) / 255) ** 2.4, 1e-3))
        grain = random.normal(0, 1, density.shape).astype(np.float32)
        if soft:
            grain = cv2.GaussianBlur(grain, (0, 0), soft)
            grain /= grain.std()
        frames.append((10 ** -(density + curve(density) * grain)).astype(np.float32))
    return frames


@pytest.mark.parametrize(("soft", "coarse"), [(0.0, 0.51), (0.7, 1.4), (1.2, 2.4)])
def test_curve_and_coarseness_of_drawn_grain(soft, coarse):
    """White noise softened by a Gaussian of s is like itself by exp(-(d/2s)^2): 1/e at 2 s (textbook). White: none."""
    points = [
        p for name in ("astronaut", "rocket", "drawn sea") for p in measure_grain(*film(name, soft=soft))
    ]
    assert len(points) > 20 and {p.channel for p in points} == {"red", "green", "blue"}
    weights = [p.places for p in points]
    off = np.array([p.sigma / curve(p.density) - 1 for p in points])
    assert abs(np.average(off, weights=weights)) < 0.08 and np.abs(off).max() < 0.2
    names = ("channel", "density", "sigma", "places", "coarse_px")
    told = find_grain_curve({name: [getattr(p, name) for p in points] for name in names})
    assert told.coarse_px["green"] == pytest.approx(coarse, rel=0.12)
    green = [(density, sigma) for density, sigma, places in told.bands["green"] if places >= 8]
    assert len(green) >= 3 and all(
        sigma == pytest.approx(curve(density), rel=0.12) for density, sigma in green
    )


def test_a_picture_that_is_detail_all_over_tells_nothing():
    assert measure_grain(*film("gravel", soft=0.0)) == ()
    with pytest.raises(CallerError):
        measure_grain(np.ones((60, 90), np.float32), np.ones((60, 90), np.float32))


def light(values):
    return np.asarray((np.clip(values, 0, 255) / 255) ** 2.4, np.float32)


def lightness(samples):
    return np.asarray(255 * np.clip(samples, 0, 1) ** (1 / 2.4), np.float32)


def reduced(moved, share, beside=(BASE - 1, BASE + 1)):
    frames = [light(each) for each in moved.frames]
    high, wide = frames[0].shape[:2]
    return apply_less_grain(
        frames[BASE], tuple(frames[n] for n in beside), table=None, reduce=share, box=(0, 0, wide, high)
    )


@pytest.mark.parametrize("name", ["astronaut", "drawn garden", "motorcycle"])
def test_no_more_is_taken_than_was_asked_for_and_edges_stay(name):
    moved = draw_moved(next(each for each in CASES if each.name == name), height=200)
    less = reduced(moved, 0.5)
    before, after = (np.abs(each - moved.truth) for each in (moved.frames[BASE], lightness(less.samples)))
    assert 0.48 < np.median(after) / np.median(before) < 0.65 and 0.4 < less.taken <= 0.5
    assert less.likeness < MOST_LIKENESS
    true = edge_slope(moved.truth, moved.card)
    assert 0.97 < edge_slope(lightness(less.samples), moved.card) / true < 1.03
    assert ghost(lightness(less.samples), moved) < max(3.0, ghost(moved.frames[BASE], moved) + 0.1)


@pytest.mark.parametrize(("share", "most"), [(0.3, 0.35), (0.6, 0.0)])
def test_where_the_frames_beside_lack_faint_detail_it_is_kept_or_the_frame_stays(share, most):
    """Detail hardly deeper than the grain, which the neighbours don't show: what would be taken is like its edges."""
    random, (high, wide) = np.random.default_rng(5), (240, 320)
    y, x = np.mgrid[0:high, 0:wide]
    faint = np.where((x // 12 + y // 12) % 2 == 0, 5.0, -5.0) * ((x > 60) & (x < 60 + share * wide))
    faint = cv2.GaussianBlur(faint, (0, 0), 0.8)
    own = 120 + faint + random.normal(0, 4, faint.shape)
    beside = tuple(light(120 + random.normal(0, 4, faint.shape)) for _ in range(2))
    less = apply_less_grain(light(own), beside, table=None, reduce=0.5, box=(0, 0, wide, high))
    kept = np.sum((lightness(less.samples) - 120) * faint) / np.sum((own - 120) * faint)
    assert kept > 0.95 and less.taken <= most


def test_nothing_outside_the_box_and_nothing_without_neighbours():
    random = np.random.default_rng(6)
    table = np.linspace(0, 1, 4096).astype(np.float32) ** np.float32(2.0)
    frames = [np.clip(2000 + random.normal(0, 60, (90, 120, 3)), 0, 4095).astype(np.uint16) for _ in range(3)]
    less = apply_less_grain(frames[1], (frames[0], frames[2]), table=table, reduce=0.3, box=(10, 12, 100, 80))
    changed = less.samples != frames[1]
    assert changed[12:80, 10:100].mean() > 0.8 and changed.sum() == changed[12:80, 10:100].sum()
    assert less.samples.dtype == np.uint16
    alone = apply_less_grain(frames[1], (None, None), table=table, reduce=0.3, box=(10, 12, 100, 80))
    assert np.array_equal(alone.samples, frames[1]) and alone.taken == 0 and math.isnan(alone.likeness)
    half = apply_less_grain(frames[1], (frames[0], None), table=table, reduce=0.3, box=(10, 12, 100, 80))
    assert 0.1 < half.taken <= 0.16
    for share, box in ((0.6, (0, 0, 120, 90)), (0.3, (0, 0, 121, 90)), (0.3, (0, 0, 40, 40))):
        with pytest.raises(CallerError):
            apply_less_grain(frames[1], (None, None), table=table, reduce=share, box=box)

"""Contrast of perforation sides by frequency, against transforms known in closed form, and losses of focus on drawn reels."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import ndtr

from smallgauge.errors import CallerError
from smallgauge.picture.edge_response import find_focus_losses, measure_edge_response
from smallgauge.picture.focus import make_edge_rows, measure_edge_blur
from smallgauge.picture.synthetic import draw_frame, specimen_truth

HOLE = (80.5, 110.0, 80.4, 180.0)


def gaussian_mtf(sigma):
    """Fourier transform of a Gaussian (a textbook's), with the pixel's own sinc."""
    return lambda f: math.exp(-2 * (math.pi * sigma * f) ** 2) * np.sinc(f)


def box_mtf(width):
    """Of a box as wide as `width` pixels, with the pixel's own sinc."""
    return lambda f: np.sinc(width * f) * np.sinc(f)


def half_of(mtf):
    return brentq(lambda f: mtf(f) - 0.5, 1e-4, 0.6)


def gaussian_edge(sigma):
    """Mean over a pixel of a blurred step: the integral of ndtr in closed form."""

    def primitive(x):
        z = x / sigma
        return x * ndtr(z) + sigma * np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)

    return lambda x: primitive(x + 0.5) - primitive(x - 0.5)


def box_edge(width):
    """Step through a box and a pixel: a ramp, averaged."""

    def primitive(x):
        inside = np.clip(x, -width / 2, width / 2) + width / 2
        return inside**2 / (2 * width) + np.maximum(x - width / 2, 0)

    return lambda x: primitive(x + 0.5) - primitive(x - 0.5)


def frames_of(edge, *, noise, frames, seed=1, tilt=0.0):
    """Holes at another place between the pixels in each frame, with a light of its own."""
    random = np.random.default_rng(seed)
    y, x = np.indices((220, 160)).astype(float)
    for _ in range(frames):
        shift, light = random.normal(0, 1.0), random.uniform(0.8, 0.95)
        x0 = x - tilt * (y - 110) - shift
        plane = 0.02 + light * (edge(x0 - 40.3) - edge(x0 - 120.7))
        yield np.float32(plane + random.normal(0, noise, plane.shape)), (HOLE[0] + shift, *HOLE[1:])


def mtf50_of(edge, side="left", **changes):
    values = {"noise": 0.03, "frames": 50, **changes}
    rows = [make_edge_rows(p, hole=h, side=side, corner_px=20) for p, h in frames_of(edge, **values)]
    return measure_edge_response(rows).mtf50


def test_the_drawn_edges_are_those_of_the_formulas():
    """The closed forms against numerical integration, so that the truth is not the program's own."""
    for x in (-1.3, 0.2, 2.1):
        assert gaussian_edge(1.2)(x) == pytest.approx(quad(lambda t: ndtr(t / 1.2), x - 0.5, x + 0.5)[0])
        ramp = quad(lambda t: min(max(t / 3 + 0.5, 0), 1), x - 0.5, x + 0.5, points=[-1.5, 1.5])[0]
        assert box_edge(3.0)(x) == pytest.approx(ramp, abs=1e-6)


@pytest.mark.parametrize("sigma", [0.7, 1.0, 1.4, 2.0])
@pytest.mark.parametrize("noise", [0.0, 0.03])
def test_mtf50_of_gaussian_blur_within_three_percent(sigma, noise):
    assert mtf50_of(gaussian_edge(sigma), noise=noise) == pytest.approx(
        half_of(gaussian_mtf(sigma)), rel=0.03
    )


@pytest.mark.parametrize("width", [2.0, 3.5])
def test_mtf50_of_a_box_within_three_percent(width):
    """Movement during the exposure: no Gaussian, and no error function."""
    for side in ("left", "right"):
        assert mtf50_of(box_edge(width), side) == pytest.approx(half_of(box_mtf(width)), rel=0.03)


def test_the_whole_curve_and_a_slanted_film():
    rows = [
        make_edge_rows(p, hole=h, side="right", corner_px=20)
        for p, h in frames_of(gaussian_edge(1.0), noise=0.01, frames=20, tilt=0.02)
    ]
    response = measure_edge_response(rows)
    seen = response.frequency <= 0.4
    truth = [gaussian_mtf(1.0)(f) for f in response.frequency[seen]]
    assert np.abs(response.contrast[seen] - truth).max() < 0.03


def test_too_little_is_not_a_number():
    one = [
        make_edge_rows(p, hole=h, side="left") for p, h in frames_of(gaussian_edge(1.0), noise=0, frames=1)
    ]
    assert math.isnan(measure_edge_response(one).mtf50)  # one place between the pixels, no slant
    assert math.isnan(measure_edge_response([]).mtf50) and measure_edge_response([]).samples == 0
    with pytest.raises(CallerError):
        measure_edge_response([(np.zeros(4), np.zeros(3))])
    with pytest.raises(CallerError):
        measure_edge_response([], reach_px=1.0)
    with pytest.raises(CallerError):
        find_focus_losses(np.zeros(4), np.zeros(3))


def blur_of(truth, first, stop):
    """Blur of both sides on drawn frames, at the drawn places."""
    sides = []
    for number in range(first, stop):
        drawn = draw_frame(truth, number)
        hole = next(each for each in drawn.perforations if each.whole_in_view)
        plane = np.ascontiguousarray(drawn.samples[:, :, 1]).astype(np.float32) / 65535
        reading = measure_edge_blur(plane, hole=(hole.x_px, hole.y_px, *drawn.hole_size_px), corner_px=2)
        sides.append((reading.perforation_blur_left_px, reading.perforation_blur_right_px))
    return np.array(sides).T


@pytest.fixture(scope="module")
def drawn():
    """Thirty frames of a drawn reel in focus, and thirty-five of the same with 15 % of MTF50 lost."""
    sharp = specimen_truth("super-8", width=320, height=240, frames=65, fast_noise=True, lens_blur_px=1.2)
    wanted = 0.85 * half_of(gaussian_mtf(1.2))
    sigma = brentq(lambda s: half_of(gaussian_mtf(s)) - wanted, 1.0, 2.0)
    return blur_of(sharp, 0, 30), blur_of(replace(sharp, lens_blur_px=sigma), 30, 65)


def test_a_loss_of_fifteen_percent_is_found_within_fifty_frames(drawn):
    sharp, soft = drawn
    for frames in (25, 35):
        losses = find_focus_losses(*np.concatenate([sharp, soft[:, :frames]], axis=1))
        assert len(losses) == 1 and abs(losses[0].first - 30) <= 6 and losses[0].stop == 30 + frames
        assert losses[0].lost == pytest.approx(0.15, abs=0.02)


def test_a_reel_in_focus_and_torn_holes_make_no_alarm(drawn):
    sharp, _ = drawn
    assert find_focus_losses(*sharp) == ()
    torn = np.tile(sharp, 6)
    torn[:, ::7] *= 1.8  # single holes with ragged sides
    torn[:, 100:110] = np.nan
    assert find_focus_losses(*torn) == ()
    assert find_focus_losses(*torn[:, :40]) == ()

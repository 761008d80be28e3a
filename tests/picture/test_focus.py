"""Sharpness and blur of the perforation's sides, against drawn pictures of known blur, grain and light."""

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr
from specimen_frames import read_specimen

from smallgauge.errors import CallerError
from smallgauge.picture.focus import (
    CALM_SHARE,
    CALM_TO_MEAN,
    COLUMNS,
    EdgeBlur,
    SharpnessReading,
    measure_edge_blur,
    measure_sharpness,
)
from smallgauge.sources import SOURCES


@pytest.fixture(scope="module")
def view():
    """A view of flat shapes and 1/f texture, mean about 0.3."""
    random = np.random.default_rng(5)
    rows, columns = 432, 576
    frequency = np.hypot(np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(columns)[None, :])
    frequency[0, 0] = np.inf
    noise = random.normal(size=frequency.shape) + 1j * random.normal(size=frequency.shape)
    texture = np.fft.irfft2(noise / frequency**1.6, s=(rows, columns))
    texture /= texture.std() / 0.3
    y, x = np.indices(texture.shape)
    for _ in range(60):
        cx, cy, r = random.uniform(0, columns), random.uniform(0, rows), random.uniform(8, 50)
        texture[np.hypot(x - cx, y - cy) < r] += random.normal(0, 0.4)
    return np.float32(np.clip(0.25 * np.exp(texture), 0, 1))


def with_grain(picture, sigma, width_px, seed=2):
    grain = np.random.default_rng(seed).normal(size=picture.shape)
    grain = gaussian_filter(grain, width_px) if width_px else grain
    return np.float32(picture * np.exp(sigma * grain / grain.std()))


def test_sharpness_falls_with_blur(view):
    readings = [measure_sharpness(gaussian_filter(view, s)).sharpness for s in (0.5, 0.7, 1, 1.4, 2, 2.8, 4)]
    assert all(a > 1.05 * b for a, b in pairwise(readings))


@pytest.mark.parametrize("gain", [2.0, 0.5, 0.25, 0.1])
def test_sharpness_does_not_depend_on_exposure(view, gain):
    picture = 0.5 * gaussian_filter(view, 1.0)
    assert measure_sharpness(np.float32(gain * picture)).sharpness == pytest.approx(
        measure_sharpness(picture).sharpness, rel=1e-3
    )


@pytest.mark.parametrize("blur", [0.7, 1.5, 3.0])
@pytest.mark.parametrize("grain", [(0.06, 0.0), (0.1, 0.0), (0.06, 0.7), (0.06, 1.2)])
def test_grain_is_not_sharpness(view, blur, grain):
    """Within a tenth, where plain gradient energy (Tenengrad) is out by far more."""
    clean = gaussian_filter(view, blur)
    grainy = with_grain(clean, *grain)
    ours = measure_sharpness(grainy).sharpness / measure_sharpness(clean).sharpness

    def plain(picture):
        return np.mean(np.sum(np.square(np.gradient(picture)), axis=0)) / np.mean(picture) ** 2

    assert ours == pytest.approx(1, abs=0.12)
    assert plain(grainy) / plain(clean) > 1.5 and abs(ours - 1) < 0.2 * abs(plain(grainy) / plain(clean) - 1)


def test_calm_blocks_stand_for_the_mean_of_grain():
    """The factor from the calmest tenth to the mean, for grain of several widths."""
    for width in (0.0, 0.7, 1.2):
        flat = with_grain(np.full((480, 640), 0.3, np.float32), 0.06, width)
        smooth = gaussian_filter(flat, 1.2)
        energy = np.sum(np.square(np.gradient(smooth)), axis=0)
        blocks = energy.reshape(30, 16, 40, 16).mean(axis=(1, 3))
        assert blocks.mean() / np.quantile(blocks, CALM_SHARE) == pytest.approx(CALM_TO_MEAN, abs=0.15), width


def test_left_and_right_half(view):
    soft = gaussian_filter(view, 2.5)
    picture = view.copy()
    picture[:, picture.shape[1] // 2 :] = soft[:, picture.shape[1] // 2 :]
    mirrored = np.ascontiguousarray(picture[:, ::-1])
    reading, other = measure_sharpness(picture), measure_sharpness(mirrored)
    assert reading.sharpness_left > 1.5 * measure_sharpness(soft).sharpness_left
    assert reading.sharpness_left == pytest.approx(other.sharpness_right, rel=0.02)


def test_sharpness_of_a_wide_picture_in_scan_pixels(view):
    wide = np.kron(gaussian_filter(view, 2.0), np.ones((2, 2), np.float32))
    narrow = measure_sharpness(gaussian_filter(view, 2.0)).sharpness
    assert measure_sharpness(wide).sharpness == pytest.approx(narrow / 4, rel=0.05)


def test_no_picture_is_not_a_number():
    nothing = measure_sharpness(np.zeros((64, 64), np.float32))
    small = measure_sharpness(np.ones((8, 8, 3), np.float32))
    unknown = measure_sharpness(np.ones((64, 64), np.float32), box=(math.nan, 0, 10, 10))
    outside = measure_sharpness(np.ones((64, 64), np.float32), box=(100, 0, 200, 60))
    assert all(math.isnan(r.sharpness) for r in (nothing, small, unknown, outside))
    with pytest.raises(CallerError):
        measure_sharpness(np.zeros(5, np.float32))


def hole_plane(*, left_px, right_px, tilt=0.0, noise=0.0, base=0.02, seed=3, shape=(220, 160)):
    y, x = np.indices(shape).astype(float)
    x = x - tilt * (y - shape[0] / 2)
    fine = np.mean(  # a pixel sees the mean over its own width
        [
            ndtr((x + o - 40.3) / left_px) - ndtr((x + o - 120.7) / right_px)
            for o in np.linspace(-0.45, 0.45, 10)
        ],
        axis=0,
    )
    plane = base + (0.9 - base) * fine
    return np.float32(plane + np.random.default_rng(seed).normal(0, noise, shape))


@pytest.mark.parametrize("blur", [0.7, 1.0, 1.5, 2.5])
@pytest.mark.parametrize("tilt", [0.0, 0.008])
def test_edge_blur_of_known_sigma(blur, tilt):
    plane = hole_plane(left_px=blur, right_px=1.3 * blur, tilt=tilt, noise=0.01)
    reading = measure_edge_blur(plane, hole=(80.5, 110, 80.4, 180), corner_px=20)
    assert reading.perforation_blur_left_px == pytest.approx(blur, rel=0.06)
    assert reading.perforation_blur_right_px == pytest.approx(1.3 * blur, rel=0.06)


def test_drift_of_fifteen_in_a_hundred_shows_in_one_frame():
    """Reference, section j: the alarm is a change of 15 %; the scatter of one frame is far below."""
    readings = [
        measure_edge_blur(
            hole_plane(left_px=1.4, right_px=1.4, noise=0.02, seed=seed), hole=(80.5, 110, 80.4, 180)
        ).perforation_blur_left_px
        for seed in range(20)
    ]
    assert np.std(readings) < 0.03 * 1.4 and np.mean(readings) == pytest.approx(1.4, rel=0.03)


def test_torn_or_missing_side_is_not_a_number():
    plane = hole_plane(left_px=1.2, right_px=1.2)
    torn = plane.copy()
    torn[40:180, 20:70] = 0.9  # torn far beyond the strip
    assert math.isnan(measure_edge_blur(torn, hole=(80.5, 110, 80.4, 180)).perforation_blur_left_px)
    assert not math.isnan(measure_edge_blur(torn, hole=(80.5, 110, 80.4, 180)).perforation_blur_right_px)
    outside = measure_edge_blur(plane[:, 50:], hole=(30.5, 110, 80.4, 180))
    assert math.isnan(outside.perforation_blur_left_px) and outside.perforation_blur_right_px > 1
    assert math.isnan(measure_edge_blur(plane, hole=(math.nan,) * 4).perforation_blur_left_px)
    with pytest.raises(CallerError):
        measure_edge_blur(np.zeros((9, 9, 3), np.float32), hole=(4, 4, 4, 4))


def test_columns_are_the_readings():
    names = set(SharpnessReading.__slots__) | set(EdgeBlur.__slots__)
    assert {column.name for column in COLUMNS} == names
    assert all(column.source in SOURCES for column in COLUMNS)


def test_specimen_sides_are_measured_where_whole():
    """Standard 8 at full scale: the cut upper half of the edge lets it read small, but evenly."""
    truth, frames = read_specimen("super8-faded")
    width, height = truth["perforation_px"]
    readings = [
        measure_edge_blur(
            np.ascontiguousarray(light[..., 1]),
            hole=(fact["perforations"][0]["x"], fact["perforations"][0]["y"], width, height),
            corner_px=12,
        ).perforation_blur_left_px
        for fact, (light, _, _) in zip(truth["frames"], frames)
    ]
    assert np.isfinite(readings).all() and np.std(readings) < 0.1 * np.mean(readings)

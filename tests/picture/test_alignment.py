"""Displacement of the picture against displacements known exactly, in noise, with moving things, and in vain."""

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.picture.alignment import METHOD_SIGMA_PX, measure_displacement


def pair(
    seed: int, x: float, y: float, *, side: int = 256, noise: float = 0.0, gain: float = 1.0
) -> tuple[np.ndarray, np.ndarray]:
    """Two windows on one random 1/f picture, the second displaced through the Fourier transform: exact."""
    random = np.random.default_rng(seed)
    size = 2 * side
    frequency = np.fft.fftfreq(size)
    fx, fy = np.meshgrid(frequency, frequency)
    radius = np.hypot(fx, fy)
    radius[0, 0] = np.inf
    spectrum = np.fft.fft2(random.standard_normal((size, size))) / radius
    spectrum[(np.abs(fx) == 0.5) | (np.abs(fy) == 0.5)] = 0
    inner = (slice(side // 2, side // 2 + side),) * 2
    first = np.fft.ifft2(spectrum).real[inner]
    second = np.fft.ifft2(spectrum * np.exp(-2j * np.pi * (fx * x + fy * y))).real[inner]
    spread = noise * first.std()
    return (
        first + spread * random.standard_normal(first.shape),
        gain * second + spread * random.standard_normal(first.shape),
    )


@pytest.mark.parametrize(
    ("noise", "rms_px", "most_px"), [(0.0, 0.0006, 0.001), (0.1, 0.0025, 0.006), (0.3, 0.008, 0.02)]
)
@pytest.mark.parametrize("reach", [1.5, 38.0])
def test_displacement_and_its_own_doubt(noise: float, rms_px: float, most_px: float, reach: float) -> None:
    errors, sigmas = [], []
    for seed in range(8):
        x, y = np.random.default_rng(1000 + seed).uniform(-reach, reach, 2)
        found = measure_displacement(*pair(seed, x, y, noise=noise, gain=1.15))
        errors += [found.x_px - x, found.y_px - y]
        sigmas.append(found.sigma_px)
    rms = float(np.sqrt(np.mean(np.square(errors))))
    assert rms < rms_px
    assert np.abs(errors).max() < most_px
    assert 0.6 < np.sqrt(np.mean(np.square(sigmas))) / rms < 2.5
    assert min(sigmas) >= METHOD_SIGMA_PX


def test_beats_the_phase_correlation_of_a_library() -> None:
    import cv2

    ours, theirs = [], []
    window = cv2.createHanningWindow((256, 256), cv2.CV_64F)
    for seed in range(6):
        x, y = np.random.default_rng(seed).uniform(-1.5, 1.5, 2)
        first, second = pair(seed, x, y, noise=0.1)
        found = measure_displacement(first, second)
        (other_x, other_y), _ = cv2.phaseCorrelate(first, second, window)
        ours += [found.x_px - x, found.y_px - y]
        theirs += [other_x - x, other_y - y]
    assert np.abs(ours).max() < np.abs(theirs).max() / 10


def test_a_third_of_the_picture_may_move_by_itself() -> None:
    for seed in range(4):
        first, second = pair(seed, 3.3, -2.2, noise=0.1)
        _, other = pair(seed, 9.1, 4.0, noise=0.1)
        second[60:200, 60:170] = other[60:200, 60:170]
        found = measure_displacement(first, second)
        assert found.x_px == pytest.approx(3.3, abs=0.01)
        assert found.y_px == pytest.approx(-2.2, abs=0.01)


def test_there_and_back_cancel() -> None:
    first, second = pair(3, 7.4, -11.9, noise=0.2)
    there, back = measure_displacement(first, second), measure_displacement(second, first)
    assert there.x_px + back.x_px == pytest.approx(0.0, abs=0.002)
    assert there.y_px + back.y_px == pytest.approx(0.0, abs=0.002)


def test_coarse_grain_and_oblong_planes() -> None:
    from scipy import ndimage

    random = np.random.default_rng(9)
    first, second = pair(4, -5.31, 2.78, side=300)
    grain = [ndimage.gaussian_filter(random.standard_normal(first.shape), 1.2) for _ in range(2)]
    spread = 0.1 * first.std() / grain[0].std()
    found = measure_displacement((first + spread * grain[0])[:130], (second + spread * grain[1])[:130])
    assert found.x_px == pytest.approx(-5.31, abs=0.03)
    assert found.y_px == pytest.approx(2.78, abs=0.03)


def test_what_cannot_be_told_is_nan() -> None:
    random = np.random.default_rng(5)
    flat = np.full((64, 64), 0.3)
    picture = pair(1, 0, 0, side=64)[0]
    stripes = np.tile(np.sin(np.arange(64.0) / 5), (64, 1))  # the same however far the rows move
    grain = 0.05 * random.standard_normal((2, 64, 64))
    holed = picture.copy()
    holed[3, 3] = np.nan
    for first, second in (
        (flat, flat),
        (picture, flat),
        (picture, holed),
        (random.standard_normal((128, 128)), random.standard_normal((128, 128))),
        (stripes, stripes),
        (stripes + grain[0], stripes + grain[1]),
    ):
        found = measure_displacement(first, second)
        assert np.isnan([found.x_px, found.y_px, found.sigma_px]).all()
    unrelated = [measure_displacement(pair(seed, 0, 0)[0], pair(seed + 50, 0, 0)[0]) for seed in range(10)]
    assert all(np.isnan(found.x_px) for found in unrelated)


def test_nothing_is_altered_and_reach_is_kept() -> None:
    first, second = pair(2, 12.0, 0.0)
    before = first.copy(), second.copy()
    assert measure_displacement(first, second).x_px == pytest.approx(12.0, abs=0.002)
    near = measure_displacement(first, second, reach_px=5)
    assert np.isnan(near.x_px)
    assert np.array_equal(first, before[0])
    assert np.array_equal(second, before[1])


def test_nonsense_is_refused() -> None:
    for shapes in (((64, 64), (64, 65)), ((40, 64), (40, 64)), ((64, 64, 3), (64, 64, 3))):
        with pytest.raises(CallerError, match="two planes of one size"):
            measure_displacement(np.zeros(shapes[0]), np.zeros(shapes[1]))

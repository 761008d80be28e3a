"""Alignment: how far the picture itself has moved between two frames, to a hundredth of a pixel.

measure_displacement  two planes -> displacement, its standard error, and how alike they are  (analyse)

For captures with no perforation in view, and for comparing frames. First a phase correlation, low-passed
and looked up only to whole pixels; the best of its peaks are tried on the pictures. Then Gauss-Newton least
squares on a coarse and a fine scale: the second plane is resampled by the program's one interpolator,
gain and offset are fitted with the displacement, and pixels that disagree (something moved on its own)
lose their weight. The slopes are the mean of both planes', so that noise in them cancels, and their
energy is taken as a product between the planes, where noise does not add up.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from smallgauge.columns import Column
from smallgauge.errors import CallerError
from smallgauge.picture.resample import Move, apply_move

REST_PX = 1e-4  # of the last step; common practice, no source
REACH_PX = 40.0  # common practice, no source: film unsteadiness of a few per cent of a frame's height
LEAST_CONFIDENCE = 0.25  # common practice, no source: below it half the picture or more disagrees
COARSE_BLUR_PX, FINE_BLUR_PX = 3.0, 0.7  # chosen here by trial on drawn pictures (tests/picture)
BIWEIGHT = 4.685  # Tukey's constant for 95 % efficiency on normal errors
TILE_PX = 32  # tiles whose residuals count as independent of one another
MOST_SIGMA_PX = 0.25  # common practice, no source: a displacement less sure than this isn't told
LEAST_SIDE_PX = 48
METHOD_SIGMA_PX = 0.0005  # what is left without noise; measured on drawn pictures (tests/picture)
PEAKS = 6
STEPS = 20

COLUMNS: tuple[Column, ...] = (
    Column(
        name="picture_shift_x_px", unit="px", type="float64", source="Lucas and Kanade 1981", tolerance=0.05, halo=1,
        meaning="How far what the picture shows moved in the capture since the frame before, to the right: the film "
        "and the camera's own movement together. Measured only where the place of this frame or of the one before is in doubt.",
    ),
    Column(
        name="picture_shift_y_px", unit="px", type="float64", source="Lucas and Kanade 1981", tolerance=0.05, halo=1,
        meaning="The same, down.",
    ),
    Column(
        name="picture_shift_sigma_px", unit="px", type="float64", source="Lucas and Kanade 1981", tolerance=0.05, halo=1,
        meaning="Standard deviation of either.",
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Displacement:
    """How far the picture moved; NaN where it can't be told.

    What is at (x, y) in the first plane is at (x + x_px, y + y_px) in the second. `sigma_px` is the
    standard error of either coordinate, the larger of the two; `confidence` is the correlation of the
    planes after alignment, 0 to 1.
    """

    x_px: float
    y_px: float
    sigma_px: float
    confidence: float


def measure_displacement(
    first: NDArray[np.floating],
    second: NDArray[np.floating],
    *,
    reach_px: float = REACH_PX,
    rest_px: float = REST_PX,
    coarse_rest_px: float = REST_PX,
) -> Displacement:
    """Displacement of the picture from one plane to another.

    Parameters
    ----------
    first, second : floating array, shape (height, width)
        The same plane of two frames, any scale (light or density); 48 x 48 pixels or more. Not altered.
    reach_px : float
        Greatest displacement looked for, along either axis; at most a third of the shorter side counts.
    rest_px, coarse_rest_px : float
        A step shorter than this is the last one; `coarse_rest_px` the same of the blurred planes before.

    Returns
    -------
    Displacement
        `x_px`, `y_px` and `sigma_px` are NaN where the planes are flat or all stripes, are not alike
        (confidence under 0.25), leave more doubt than 0.25 px, or hold a NaN; the confidence is then
        what was found, 0 where nothing was.

    Raises
    ------
    CallerError
        If the planes are not two of one size, large enough.

    Notes
    -----
    Sources: phase correlation, Kuglin and Hines 1975; least squares, Lucas and Kanade 1981; biweight.

    Examples
    --------
    >>> random = np.random.default_rng(0)
    >>> from scipy import ndimage
    >>> scene = ndimage.gaussian_filter(random.random((96, 96)), 2)
    >>> found = measure_displacement(scene[8:72, 8:72], scene[3:67, 10:74])
    >>> print(round(found.x_px, 2), round(found.y_px, 2))
    -2.0 5.0
    """
    if first.ndim != 2 or first.shape != second.shape or min(first.shape) < LEAST_SIDE_PX:
        raise CallerError(
            "measure_displacement needs two planes of one size, at least "
            f"{LEAST_SIDE_PX} x {LEAST_SIDE_PX} pixels, got shapes {first.shape} and {second.shape}."
        )
    unknown = Displacement(x_px=np.nan, y_px=np.nan, sigma_px=np.nan, confidence=0.0)
    planes = (np.asarray(first, np.float64), np.asarray(second, np.float64))
    spread = float(np.std(planes, axis=(1, 2)).min())
    level = float(np.abs(planes).max())
    if not np.isfinite(level) or not spread > 1e-9 * level:
        return unknown
    reach = int(min(reach_px, min(first.shape) / 3))
    coarse = (_blur(planes[0], COARSE_BLUR_PX), _blur(planes[1], COARSE_BLUR_PX))
    start = find_best_peak((make_spectrum(planes[0]), make_spectrum(planes[1])), coarse, reach=reach)
    near = _refine(coarse, start, margin=int(2 * COARSE_BLUR_PX), rest_px=coarse_rest_px)
    if near is None:
        return unknown
    fine = (_blur(planes[0], FINE_BLUR_PX), _blur(planes[1], FINE_BLUR_PX))
    found = _refine(fine, (near.x_px, near.y_px), margin=int(2 * FINE_BLUR_PX) + 6, rest_px=rest_px)
    if found is None:
        return Displacement(x_px=np.nan, y_px=np.nan, sigma_px=np.nan, confidence=near.confidence)
    beyond = max(abs(found.x_px), abs(found.y_px)) > reach + 1
    if found.confidence < LEAST_CONFIDENCE or beyond or not found.sigma_px < MOST_SIGMA_PX:
        return Displacement(x_px=np.nan, y_px=np.nan, sigma_px=np.nan, confidence=found.confidence)
    return found


def _blur(plane: NDArray[np.float64], sigma: float) -> NDArray[np.float64]:
    """Gaussian low-pass."""
    from scipy import ndimage

    return np.asarray(ndimage.gaussian_filter(plane, sigma, mode="nearest"))


@lru_cache(maxsize=4)
def _window_and_low_pass(
    height: int, width: int, kind: np.dtype[np.floating]
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """What phase correlation multiplies planes of a size by, and their spectra."""
    from scipy import fft

    window = np.hanning(height)[:, None] * np.hanning(width)
    frequency = fft.fftfreq(height)[:, None] ** 2 + fft.rfftfreq(width) ** 2
    low_pass = np.exp(-0.5 * frequency * (2 * np.pi * COARSE_BLUR_PX / 2) ** 2)
    return window.astype(kind), low_pass.astype(kind)


def make_spectrum(plane: NDArray[np.floating]) -> NDArray[np.complexfloating]:
    """Spectrum of a plane about its mean, fading out towards its edges, for phase correlation.

    Parameters
    ----------
    plane : array, shape (height, width), floating
        Not altered. A NaN makes all of the spectrum NaN.

    Returns
    -------
    array, shape (height, width // 2 + 1), complex
        In the plane's own precision.

    Notes
    -----
    Source: phase correlation, Kuglin and Hines 1975.

    Examples
    --------
    >>> make_spectrum(np.ones((8, 7))).shape
    (8, 4)
    """
    from scipy import fft

    window, _ = _window_and_low_pass(*plane.shape, plane.dtype)
    return np.asarray(fft.rfft2((plane - plane.mean()) * window))


def find_best_peak(
    spectra: tuple[NDArray[np.complexfloating], NDArray[np.complexfloating]],
    coarse: tuple[NDArray[np.floating], NDArray[np.floating]],
    *,
    reach: int,
) -> tuple[float, float]:
    """Whole-pixel displacement: the peak of the phase correlation, by two planes' spectra, at which the planes agree best."""
    from scipy import fft

    from smallgauge.picture.kernels_follow import agree_shifted

    height, width = coarse[0].shape
    product = spectra[1] * np.conj(spectra[0])
    strength = np.abs(product)
    _, low_pass = _window_and_low_pass(height, width, strength.dtype)
    surface = fft.irfft2(product / (strength + 1e-6 * strength.max()) * low_pass, s=(height, width))
    surface = np.roll(surface, (reach, reach), (0, 1))[: 2 * reach + 1, : 2 * reach + 1].copy()
    one, other = (np.asarray(plane, np.float32) for plane in coarse)
    best, place = -2.0, (0.0, 0.0)
    for _ in range(PEAKS):
        row, column = divmod(int(surface.argmax()), surface.shape[1])
        surface[max(row - 4, 0) : row + 5, max(column - 4, 0) : column + 5] = -np.inf
        x, y = column - reach, row - reach
        alike = agree_shifted(one, other, x, y)
        if alike > best:
            best, place = alike, (float(x), float(y))
        if not np.isfinite(surface).any():
            break
    return place


def _correlation(
    one: NDArray[np.floating], other: NDArray[np.floating], weight: NDArray[np.float64]
) -> float:
    """Correlation of two planes, -1 to 1; 0 where one is flat."""
    total = float(weight.sum())
    if total <= 0.0:
        return 0.0
    one = one - float((weight * one).sum()) / total
    other = other - float((weight * other).sum()) / total
    power = float((weight * one**2).sum()) * float((weight * other**2).sum())
    return float((weight * one * other).sum() / np.sqrt(power)) if power > 0.0 else 0.0


def _slopes(plane: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Slope in x and in y by five-point differences, two pixels short of every border."""
    inner = slice(2, -2)

    def along(lines: NDArray[np.float64]) -> NDArray[np.float64]:
        slope: NDArray[np.float64] = (
            8 * (lines[:, 3:-1] - lines[:, 1:-3]) - (lines[:, 4:] - lines[:, :-4])
        ) / 12
        return slope[inner]

    return along(plane), along(plane.T).T


def _refine(
    planes: tuple[NDArray[np.float64], NDArray[np.float64]],
    start: tuple[float, float],
    *,
    margin: int,
    rest_px: float,
) -> Displacement | None:
    """Gauss-Newton from a start that is a pixel or two off; None where it finds no rest."""
    x, y = start
    height, width = planes[0].shape
    step = np.array([np.inf, np.inf])
    for _ in range(STEPS):
        # only what both planes show: the shifted second plane lacks |x| columns and |y| rows
        left, top = margin + int(np.ceil(max(-x, 0))), margin + int(np.ceil(max(-y, 0)))
        right, bottom = width - margin - int(np.ceil(max(x, 0))), height - margin - int(np.ceil(max(y, 0)))
        if right - left < 16 or bottom - top < 16:
            return None
        one = planes[0][top:bottom, left:right]
        move = Move(c=x + left, f=y + top)
        other = apply_move(planes[1], move=move, width=right - left, height=bottom - top).astype(np.float64)
        step, sigma, confidence = _solve_step(one, other)
        if not np.isfinite(step).all():
            return None
        step = np.clip(step, -2.0, 2.0)
        x, y = x + float(step[0]), y + float(step[1])
        if np.abs(step).max() < rest_px:
            return Displacement(x_px=x, y_px=y, sigma_px=sigma, confidence=max(confidence, 0.0))
    return None


def _solve_step(
    one: NDArray[np.float64], other: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float, float]:
    """One step of the displacement, its standard error, and the correlation of the planes."""
    slopes_one, slopes_other = _slopes(one), _slopes(other)
    one, other = one[2:-2, 2:-2], other[2:-2, 2:-2]
    weight = np.ones_like(one)
    gain, offset = 1.0, 0.0
    residual = other - one
    for _ in range(3):  # gain, offset and weights hang on one another
        total = weight.sum()
        mean_one, mean_other = (weight * one).sum() / total, (weight * other).sum() / total
        power = (weight * (one - mean_one) ** 2).sum()
        gain = float((weight * (one - mean_one) * (other - mean_other)).sum() / power) if power > 0 else 0.0
        offset = float(mean_other - gain * mean_one)
        residual = other - (gain * one + offset)
        scale = 1.4826 * float(np.median(np.abs(residual)))
        if scale <= 0.0:
            break
        weight = np.clip(1 - (residual / (BIWEIGHT * scale)) ** 2, 0, None) ** 2
    slopes = [(gain * a + b) / 2 for a, b in zip(slopes_one, slopes_other, strict=True)]
    energy = np.array(
        [
            [float((weight * gain * (slopes_one[i] * slopes_other[j] + slopes_one[j] * slopes_other[i])).sum()) / 2
             for j in (0, 1)]
            for i in (0, 1)
        ]
    )  # fmt: skip
    confidence = _correlation(one, other, weight)
    least = float(np.linalg.eigvalsh(energy)[0])
    if not least > 1e-12 * float((weight * other**2).sum()):
        return np.array([np.nan, np.nan]), np.nan, confidence
    scores = [_tile_sums(weight * slope * residual) for slope in slopes]
    # residual = slope * (true - present displacement): what the second plane shows lies further on
    step = -np.linalg.solve(energy, np.array([scores[0].sum(), scores[1].sum()]))
    spread = np.array([[float((a * b).sum()) for b in scores] for a in scores])
    inverse = np.linalg.inv(energy)
    variance = np.diag(inverse @ spread @ inverse)
    return step, float(np.hypot(np.sqrt(variance.max()), METHOD_SIGMA_PX)), confidence


def _tile_sums(plane: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sum of each tile; what is left over at the end belongs to the last tile of its row or column."""
    rows = np.arange(0, max(plane.shape[0] - TILE_PX // 2, 1), TILE_PX)
    columns = np.arange(0, max(plane.shape[1] - TILE_PX // 2, 1), TILE_PX)
    return np.asarray(np.add.reduceat(np.add.reduceat(plane, rows, axis=0), columns, axis=1))

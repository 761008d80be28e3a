"""Does a frame hold anything: a picture, however fogged, or writing? Bare leader and wholly fogged film hold nothing.

measure_blank   a picture -> what stands out of it against its grain
find_blank      that reading -> whether the frame holds nothing
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError

BLOCKS = 80  # across the picture
BORDER_SHARE = 0.04  # kept clear of the picture's edge
_APART = 2  # blocks: grain is not alike over so far
# Structure below this share of full scale is under half a code of 8 bits and can't be seen; a correlation below that
# is what grain alone gives (one in sixty, five standard errors). common practice, no source; tests hold both.
LEAST_STRUCTURE, LEAST_CORRELATION = 0.0015, 0.08
# Strokes: so many blocks further from the ground than so many of its deviations, and so much of full scale.
STROKE_BLOCKS, STROKE_SIGMAS, STROKE_LEVEL = 3, 7.0, 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class BlankReading:
    """What stands out of a smooth ground, in shares of full scale.

    `structure` is what neighbouring places have in common (rms), `correlation` its share of all that varies, -1 to 1;
    `strokes` counts blocks far from the ground. NaN and 0 where every code is the same.
    """

    structure: float
    correlation: float
    strokes: int


def measure_blank(picture: NDArray[np.uint16], *, bits: int) -> BlankReading:
    """What stands out of a smooth ground in a picture.

    Parameters
    ----------
    picture : integer array, shape (height, width, 3)
        R' G' B' codes as displayed. Not altered. At least 64 x 48.
    bits : int
        Of a code, 8 to 16.

    Returns
    -------
    BlankReading

    Raises
    ------
    CallerError
        A smaller picture, or another shape.

    Notes
    -----
    Block means lose a cubic surface (fog and the fall of light to the corners); what is left of grain alone is not alike
    two blocks apart, a picture is. Source: definition (sample autocorrelation); limits common practice, no source.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> bare = np.clip(3600 + 60 * rng.standard_normal((240, 320, 3)), 0, 4095).astype(np.uint16)
    >>> find_blank(measure_blank(bare, bits=12))
    True
    >>> bare[100:140, 80:240] -= 400
    >>> find_blank(measure_blank(bare, bits=12))
    False
    """
    if picture.ndim != 3 or picture.shape[2] != 3 or picture.shape[0] < 48 or picture.shape[1] < 64:
        raise CallerError(
            f"measure_blank needs a picture of at least 64 x 48, (height, width, 3), got {picture.shape}."
        )
    height, width = picture.shape[:2]
    left, top = round(width * BORDER_SHARE), round(height * BORDER_SHARE)
    inner = picture[top : height - top, left : width - left]
    side = max(2, inner.shape[1] // BLOCKS)
    rows, columns = inner.shape[0] // side, inner.shape[1] // side
    whole = inner[: rows * side, : columns * side].reshape(rows, side, columns, side, 3)
    means = whole.mean(axis=(1, 3, 4), dtype=np.float64) / ((1 << bits) - 1)
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    terms = np.stack([x**i * y**j for i in range(4) for j in range(4 - i)], axis=-1).reshape(-1, 10)
    flat = means.ravel() - terms @ np.linalg.lstsq(terms, means.ravel(), rcond=None)[0]
    left_over = flat.reshape(rows, columns)
    variance = float(np.mean(left_over**2))
    if variance < 1e-14:
        return BlankReading(structure=float("nan"), correlation=float("nan"), strokes=0)
    a = _APART
    pairs = (
        left_over[:, a:] * left_over[:, :-a],
        left_over[a:] * left_over[:-a],
        left_over[a:, a:] * left_over[:-a, :-a],
        left_over[a:, :-a] * left_over[:-a, a:],
    )
    alike = max(float(pair.mean()) for pair in pairs)
    spread = 1.4826 * float(np.median(np.abs(flat - np.median(flat))))
    far = np.abs(flat - np.median(flat)) > max(STROKE_SIGMAS * spread, STROKE_LEVEL)
    return BlankReading(
        structure=max(alike, 0.0) ** 0.5, correlation=alike / variance, strokes=int(np.count_nonzero(far))
    )


def find_blank(reading: BlankReading) -> bool:
    """Whether a frame holds nothing; a speck of dirt or a scratch counts as something, so that the frame stays.

    Source: common practice, no source.

    Examples
    --------
    >>> find_blank(BlankReading(structure=0.05, correlation=0.6, strokes=0))
    False
    """
    if reading.strokes >= STROKE_BLOCKS:
        return False
    return not (reading.structure >= LEAST_STRUCTURE and reading.correlation >= LEAST_CORRELATION)

"""Cubic Hermite curves: the form in which time maps are kept, and their inverse."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def hermite(at: ArrayLike, knots: Floats, values: Floats, slopes: Floats) -> tuple[Floats, Floats]:
    """Value and slope of a cubic Hermite curve, straight beyond its first and last knot.

    Parameters
    ----------
    at : array, shape (m,)
        Where; NaN gives NaN.
    knots, values, slopes : array, shape (k,)
        Rising knots, with value and slope at each; k is 2 or more.

    Returns
    -------
    value, slope : array, shape (m,)

    Examples
    --------
    >>> value, slope = hermite([0.5, 3.0], np.array([0.0, 1.0]), np.array([0.0, 1.0]), np.array([1.0, 1.0]))
    >>> value.tolist(), slope.tolist()
    ([0.5, 3.0], [1.0, 1.0])
    """
    a = np.asarray(at, dtype=np.float64)
    i = np.clip(np.searchsorted(knots, a, side="right") - 1, 0, len(knots) - 2)
    width = knots[i + 1] - knots[i]
    rise = values[i + 1] - values[i]
    u = (a - knots[i]) / width
    d0 = slopes[i] * width
    d1 = slopes[i + 1] * width
    c2 = 3.0 * rise - 2.0 * d0 - d1
    c3 = d0 + d1 - 2.0 * rise
    value = values[i] + u * (d0 + u * (c2 + u * c3))
    slope = (d0 + u * (2.0 * c2 + u * (3.0 * c3))) / width
    before, after = a < knots[0], a > knots[-1]
    value = np.where(before, values[0] + (a - knots[0]) * slopes[0], value)
    value = np.where(after, values[-1] + (a - knots[-1]) * slopes[-1], value)
    slope = np.where(before, slopes[0], np.where(after, slopes[-1], slope))
    return value, slope


def hermite_inverse(value: ArrayLike, knots: Floats, values: Floats, slopes: Floats) -> tuple[Floats, Floats]:
    """Where a rising cubic Hermite curve has a value, and its slope there; straight beyond its ends.

    Newton steps kept inside a shrinking bracket, to the last digits of a float64.

    Parameters
    ----------
    value : array, shape (m,)
        Wanted values; NaN gives NaN.
    knots, values, slopes : array, shape (k,)
        As for `hermite`; values rising, slopes above 0.

    Returns
    -------
    at, slope : array, shape (m,)

    Examples
    --------
    >>> curve = np.array([0.0, 1.0]), np.array([0.0, 1.0]), np.array([0.5, 0.5])
    >>> at, slope = hermite_inverse([0.2], *curve)
    >>> bool(np.isclose(hermite(at, *curve)[0][0], 0.2))
    True
    """
    want = np.asarray(value, dtype=np.float64)
    i = np.clip(np.searchsorted(values, want, side="right") - 1, 0, len(values) - 2)
    width, rise = knots[i + 1] - knots[i], values[i + 1] - values[i]
    d0, d1 = slopes[i] * width, slopes[i + 1] * width
    c2, c3 = 3.0 * rise - 2.0 * d0 - d1, d0 + d1 - 2.0 * rise
    goal = want - values[i]
    low, high = np.zeros_like(want), np.ones_like(want)
    u = np.clip(goal / rise, 0.0, 1.0)
    for _ in range(60):
        miss = u * (d0 + u * (c2 + u * c3)) - goal
        low, high = np.where(miss <= 0.0, u, low), np.where(miss >= 0.0, u, high)
        steep = d0 + u * (2.0 * c2 + u * (3.0 * c3))
        step = u - miss / np.where(steep > 0.0, steep, np.inf)
        new = np.where((step >= low) & (step <= high), step, 0.5 * (low + high))
        if np.array_equal(new, u, equal_nan=True):
            break
        u = new
    at = knots[i] + u * width
    slope = (d0 + u * (2.0 * c2 + u * (3.0 * c3))) / width
    before, after = want < values[0], want > values[-1]
    at = np.where(before, knots[0] + (want - values[0]) / slopes[0], at)
    at = np.where(after, knots[-1] + (want - values[-1]) / slopes[-1], at)
    return at, np.where(before, slopes[0], np.where(after, slopes[-1], slope))

"""Mixtures: pictures of a video that were mixed of two film frames, and the film frame that two of them hide.

measure_blend      a picture between two others           -> is it a mixture of both
find_blend_shares  two mixtures that share a film frame   -> the shares of each
apply_unblend      mixtures, neighbours, shares           -> the film frame
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.recovery import INSET, LEAST_CHANGE, reduced_picture

Plane = NDArray[np.float32]

# Common practice, no source; chosen on drawn films.
LEAST_SHARE = 0.12  # of the weaker picture in a mixture
MOST_REST = 0.3  # grain of a picture of its own would leave 0.5 and more
MOST_PAIR_REST = 0.1  # of two mixtures that share a film frame
FINE_PX = 1.5  # sigma of what is taken away
LEAST_RECOVERED = 0.4  # share of a film frame in a mixture from which it is worth taking out: noise grows


@dataclass(frozen=True, slots=True, kw_only=True)
class BlendReading:
    """How far a picture is a mixture of the one before and the one after: share of the one before, 0 to 1.

    `rest` is what the mixture leaves unexplained, as a share of how far the two differ. NaN where they do not.
    """

    share: float
    rest: float

    @property
    def mixed(self) -> bool:
        """Whether it is a mixture and neither of both."""
        return LEAST_SHARE <= self.share <= 1 - LEAST_SHARE and self.rest <= MOST_REST


def _fine(plane: Plane) -> Plane:
    """The finest detail of the inner picture: mostly grain, which no real frame shares with its neighbours."""
    import cv2

    y, x = round(INSET * plane.shape[0]), round(INSET * plane.shape[1])
    inner = np.ascontiguousarray(plane[y : plane.shape[0] - y, x : plane.shape[1] - x])
    return inner - np.asarray(cv2.GaussianBlur(inner, (0, 0), FINE_PX), np.float32)


def measure_blend(before: Plane, picture: Plane, after: Plane) -> BlendReading:
    """How far a picture is a mixture of the one before and the one after it.

    Parameters
    ----------
    before, picture, after : array, shape (height, width), float32
        One plane each, 0 to 1.

    Returns
    -------
    BlendReading
        NaN where the two others hardly differ.

    Notes
    -----
    Least squares of ``b - c`` on ``a - c`` in the finest detail; what is left must be noise (picture science note,
    section g). A picture half way through a movement is near to the mean of its neighbours, its grain is not.
    Source: grain correlation.

    Examples
    --------
    >>> random = np.random.default_rng(1)
    >>> a, b, c = random.uniform(0, 1, (3, 40, 40)).astype(np.float32)
    >>> reading = measure_blend(a, 0.3 * a + 0.7 * c, c)
    >>> round(reading.share, 3), reading.mixed, measure_blend(a, b, c).mixed
    (0.3, True, False)
    """
    fine = [_fine(plane) for plane in (before, picture, after)]
    apart, here = fine[0] - fine[2], fine[1] - fine[2]
    power = float(np.mean(np.square(apart), dtype=np.float64))
    if power < LEAST_CHANGE**2:
        return BlendReading(share=math.nan, rest=math.nan)
    share = float(np.mean(here * apart, dtype=np.float64)) / power
    rest = float(np.mean(np.square(here - np.float32(share) * apart), dtype=np.float64)) / power
    return BlendReading(share=share, rest=rest)


def find_blend_shares(before: Plane, first: Plane, second: Plane, after: Plane) -> tuple[float, float, float]:
    """Shares of the hidden film frame in two mixtures that follow one another, and what is left unexplained.

    `first` is a mixture of `before` and the hidden frame, `second` of the hidden frame and `after`.

    Parameters
    ----------
    before, first, second, after : array, shape (height, width), float32

    Returns
    -------
    (float, float, float)
        Share in `first`, share in `second`, and the rest as a share of how far `before` and `after` differ. Both
        shares are NaN where the two are no such mixtures: too much is left, or one share lies at an end of the
        grid, where the equation holds for any picture.

    Notes
    -----
    With the shares p and q of the hidden frame, ``q (first - (1 - p) before) = p (second - (1 - q) after)``
    holds in every pixel; p and q are found on a grid of hundredths, where noise is weighed in. Source:
    derived.

    Examples
    --------
    >>> random = np.random.default_rng(1)
    >>> a, x, c = random.uniform(0, 1, (3, 40, 40))
    >>> p, q, rest = find_blend_shares(a, 0.4 * a + 0.6 * x, 0.7 * x + 0.3 * c, c)
    >>> p, q, rest < 0.01
    (0.6, 0.7, True)
    """
    planes = np.stack(
        [reduced_picture(plane).ravel().astype(np.float64) for plane in (before, first, second, after)]
    )
    planes -= planes.mean(axis=1, keepdims=True)
    gram = planes @ planes.T / planes.shape[1]
    share = np.arange(10, 96) / 100
    p, q = share[:, None], share[None, :]
    weights = np.stack(np.broadcast_arrays(-q * (1 - p), q, -p, p * (1 - q)), axis=-1)
    power = np.einsum("pqi,ij,pqj->pq", weights, gram, weights)
    power /= np.square(weights).sum(axis=-1)  # what noise of its own in each picture would give
    best = np.unravel_index(int(power.argmin()), power.shape)
    apart = gram[0, 0] + gram[3, 3] - 2 * gram[0, 3]
    rest = float(power[best] / max(apart, 1e-12))
    if rest > MOST_PAIR_REST or {int(best[0]), int(best[1])} & {0, share.size - 1}:
        return math.nan, math.nan, rest
    return float(share[best[0]]), float(share[best[1]]), rest


def apply_unblend(
    before: Plane, first: Plane, second: Plane, after: Plane, *, share_first: float, share_second: float
) -> Plane:
    """The film frame that two mixtures hide, from whichever holds enough of it; both where both do.

    Parameters
    ----------
    before, first, second, after : array, shape (height, width) or (height, width, 3), float32
        Display light, in which the mixing was done.
    share_first, share_second : float
        From `find_blend_shares`.

    Returns
    -------
    array, as `before`
        Not cut off: values may lie a little outside the range.

    Raises
    ------
    CallerError
        If neither mixture holds 0.4 of it: the noise would grow too much.

    Notes
    -----
    ``x = (b - (1 - p) a) / p``, noise gain ``sqrt(1 + (1 - p)^2) / p``; two are weighed by their noise
    (picture science note, section g). Source: derived.

    Examples
    --------
    >>> a, x, c = np.float32([[0.2]]), np.float32([[0.6]]), np.float32([[0.9]])
    >>> found = apply_unblend(a, 0.4 * a + 0.6 * x, 0.7 * x + 0.3 * c, c, share_first=0.6, share_second=0.7)
    >>> round(float(found[0, 0]), 4)
    0.6
    """
    parts = [
        (share, mixture, other)
        for share, mixture, other in ((share_first, first, before), (share_second, second, after))
        if share >= LEAST_RECOVERED
    ]
    if not parts:
        raise CallerError(
            f"A film frame needs a share of at least {LEAST_RECOVERED} in a mixture, found {share_first:.2f} and "
            f"{share_second:.2f}; keep the mixture as it is."
        )
    weights = [share**2 / (1 + (1 - share) ** 2) for share, _, _ in parts]
    found = sum(
        np.float32(weight / sum(weights) / share) * (mixture - np.float32(1 - share) * other)
        for weight, (share, mixture, other) in zip(weights, parts, strict=True)
    )
    recovered: Plane = np.asarray(found, np.float32)
    return recovered

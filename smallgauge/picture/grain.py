"""Grain of the film as it was captured: how deep it is at each density, and how coarse.

measure_grain     light of two frames in a row     ->  GrainPoint of each channel and density       (analyse)
find_grain_curve  points of all pairs of a reel    ->  the curve: one deviation a channel and density

Two frames of one scene show the same picture with different grain. In places where the picture is calm their difference is
nothing but grain, that of both. Frames are laid over one another by whole pixels, so that nothing is smoothed: places with
edges, which whole pixels don't fit, are left out. What the scanner adds is in it: it can't be told apart.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.flow import dense_flow

STEP = 0.2  # of density: the width of a band of the curve; common practice, no source
DENSEST = 3.4  # beyond it light is noise of the scanner; common practice, no source
SIDE = 24  # px of a place
CALM_SHARE = 0.2  # of the places of a band: those with the least detail; common practice, no source
LEAST_CALM = 4  # places of a band; fewer say nothing
# Softened, a calm place shows the grain's own unevenness and nothing else: so many times what its difference shows, at most.
MOST_DETAIL = 4.0  # common practice, no source; measured in the tests
LEAST_LIGHT = 10.0**-DENSEST
LAGS = 8  # px at which grain is compared with itself
LEAST_LIKENESS = 0.02  # of a grain with itself beside: less is chance
LEAST_SIDE_PX = 3 * SIDE
SOFT_PX = 3.0  # over which detail is told from grain; common practice, no source
CHANNELS = ("red", "green", "blue")

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class GrainPoint:
    """Grain of one pair of frames in one channel at one density.

    `density` is the band's middle, `sigma` the deviation of density, `places` how many calm places it is from, `coarse_px` the
    correlation length of that channel in that pair: where grain's likeness with itself has fallen to 1/e, px.
    """

    channel: str
    density: float
    sigma: float
    places: int
    coarse_px: float


def measure_grain(first: Floats, second: Floats) -> tuple[GrainPoint, ...]:
    """Grain of two frames in a row.

    Parameters
    ----------
    first, second : float32 array, shape (height, width) or (height, width, 3)
        Linear light of the picture, 1 the open gate. Not altered.

    Returns
    -------
    tuple of GrainPoint
        By channel and density; empty where no place is calm. A picture of one plane gives "green" alone.

    Raises
    ------
    CallerError
        Pictures of different sizes, or smaller than 72 px.

    Notes
    -----
    Source: grain by differences (picture science, section e). Places of 24 px are moved by the median of dense flow, in whole
    pixels; a plane is taken off their difference, half the variance of which is the grain's. Of each band the fifth of the places
    with the least detail counts, by its median, and none where even they show more than the grain's own unevenness.

    Examples
    --------
    >>> random = np.random.default_rng(1)
    >>> one, two = (10.0 ** -(0.7 + random.normal(0, 0.03, (144, 192))).astype(np.float32) for _ in range(2))
    >>> [(point.channel, round(point.density, 1), round(point.sigma, 2)) for point in measure_grain(one, two)]
    [('green', 0.7, 0.03)]
    """
    if first.shape != second.shape or first.ndim not in (2, 3) or min(first.shape[:2]) < LEAST_SIDE_PX:
        raise CallerError(
            f"Grain needs two pictures of one size, {LEAST_SIDE_PX} px a side or more, got {first.shape} and {second.shape}."
        )
    one, two = (each if each.ndim == 3 else each[:, :, None] for each in (first, second))
    places, move = _places(one, two)
    points: list[GrainPoint] = []
    names = CHANNELS if one.shape[2] == 3 else ("green",)
    for c, name in enumerate(names):
        here, there = (-np.log10(np.maximum(each[:, :, c], LEAST_LIGHT)) for each in (one, two))
        points += _points(name, here, there, places, move)
    return tuple(points)


def _places(one: Floats, two: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Top left corners (y, x) of places, and whole pixels by which each lies elsewhere in the second picture."""
    import cv2

    def soft(light: Floats) -> NDArray[np.uint8]:
        grey = np.clip(light.mean(axis=2), 0, 1) ** np.float32(1 / 2.4)
        half = cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        return np.asarray(255 * cv2.GaussianBlur(half, (0, 0), 1.2), np.uint8)

    flow = dense_flow(soft(one), soft(two), finest=1, patch_px=12, stride_px=4, refined=5)
    high, wide = one.shape[:2]
    y, x = np.meshgrid(
        np.arange(0, high - SIDE + 1, SIDE), np.arange(0, wide - SIDE + 1, SIDE), indexing="ij"
    )
    corners = np.stack([y.ravel(), x.ravel()], axis=1)
    half = SIDE // 2
    parts = np.stack([flow[b : b + half, a : a + half].reshape(-1, 2) for b, a in corners // 2])
    move = np.rint(2 * np.median(parts, axis=1)[:, ::-1]).astype(np.int64)
    inside = ((corners + move >= 0) & (corners + move + SIDE <= (high, wide))).all(axis=1)
    return corners[inside], move[inside]


def _points(
    name: str, here: Floats, there: Floats, places: NDArray[np.int64], move: NDArray[np.int64]
) -> list[GrainPoint]:
    """The points of one channel, from densities."""
    import cv2

    if not len(places):
        return []
    own = _cut(here, places)
    off = _levelled(own - _cut(there, places + move))
    soft = _cut(cv2.GaussianBlur(here, (0, 0), SOFT_PX), places)
    grain_soft = soft - _cut(cv2.GaussianBlur(there, (0, 0), SOFT_PX), places + move)
    free = SIDE * SIDE - 3  # a plane was taken off
    variance = np.square(off).sum(axis=(1, 2)) / free / 2
    detail, uneven = (np.square(_levelled(each)).mean(axis=(1, 2)) for each in (soft, grain_soft))
    level = own.mean(axis=(1, 2))
    band = np.floor(level / STEP).astype(np.int64)
    ends = (own.max(axis=(1, 2)) >= DENSEST) | (own.min(axis=(1, 2)) <= 0)  # nothing, or the highest code
    used: list[NDArray[np.int64]] = []
    told: list[tuple[float, float, int]] = []
    for each in np.unique(band[~ends & (level > 0)]).tolist():
        rows = np.flatnonzero((band == each) & ~ends)
        calm = rows[np.argsort(detail[rows], kind="stable")[: max(LEAST_CALM, round(CALM_SHARE * len(rows)))]]
        is_calm = np.median(detail[calm]) <= MOST_DETAIL * np.median(uneven[calm]) / 2
        if is_calm and len(calm) >= LEAST_CALM:
            used.append(calm)
            told.append(((each + 0.5) * STEP, math.sqrt(float(np.median(variance[calm]))), len(calm)))
    if not told:
        return []
    coarse = _coarse(off[np.concatenate(used)])
    return [
        GrainPoint(channel=name, density=density, sigma=sigma, places=count, coarse_px=coarse)
        for density, sigma, count in told
    ]


def _cut(plane: Floats, places: NDArray[np.int64]) -> Doubles:
    """Places of a plane, shape (places, SIDE, SIDE)."""
    rows = places[:, 0, None, None] + np.arange(SIDE)[None, :, None]
    columns = places[:, 1, None, None] + np.arange(SIDE)[None, None, :]
    return np.asarray(plane[rows, columns], np.float64)


def _levelled(parts: Doubles) -> Doubles:
    """Each place without the plane that fits it."""
    slope = np.arange(SIDE) - (SIDE - 1) / 2
    power = float(np.square(slope).sum()) * SIDE
    down = (parts * slope[None, :, None]).sum(axis=(1, 2)) / power
    across = (parts * slope[None, None, :]).sum(axis=(1, 2)) / power
    plane = down[:, None, None] * slope[None, :, None] + across[:, None, None] * slope[None, None, :]
    return np.asarray(parts - parts.mean(axis=(1, 2), keepdims=True) - plane)


def _coarse(off: Doubles) -> float:
    """Where the likeness of grain with itself has fallen to 1/e, px, as if it fell as a normal curve does."""
    size = np.sqrt(np.square(off).mean(axis=(1, 2), keepdims=True))
    grain = off[(size > 0).ravel()] / size[size > 0][:, None, None]
    if not len(grain):
        return math.nan
    fallen = 0.0  # minus the logarithm of the likeness, at the lag before
    for lag in range(1, LAGS + 1):
        across = float(np.mean(grain[:, :, lag:] * grain[:, :, :-lag]))
        down = float(np.mean(grain[:, lag:] * grain[:, :-lag]))
        now = -math.log(max((across + down) / 2, LEAST_LIKENESS))
        if now >= 1:
            return math.sqrt((lag - 1) ** 2 + (1 - fallen) / (now - fallen) * (2 * lag - 1))
        fallen = max(fallen, now)
    return float(LAGS)


@dataclass(frozen=True, slots=True, kw_only=True)
class GrainCurve:
    """Grain of a reel: (density, deviation, places) of each channel, and the correlation length of each, px."""

    bands: Mapping[str, tuple[tuple[float, float, int], ...]]
    coarse_px: Mapping[str, float]


def find_grain_curve(columns: Mapping[str, Any]) -> GrainCurve:
    """The curve of all points.

    Parameters
    ----------
    columns : mapping
        "channel", "density", "sigma", "places" and "coarse_px", one value a point, of all pairs of frames.

    Returns
    -------
    GrainCurve
        Of each channel and band the median of the pairs' deviations, weighed by their places; empty for no points.

    Examples
    --------
    >>> curve = find_grain_curve({"channel": ["green"] * 3, "density": [0.7, 0.7, 0.9], "sigma": [0.02, 0.03, 0.04],
    ...                           "places": [9, 4, 5], "coarse_px": [1.2, 1.4, 1.2]})
    >>> curve.bands["green"], curve.coarse_px["green"]
    (((0.7, 0.02, 13), (0.9, 0.04, 5)), 1.2)
    """
    channel = np.asarray(columns["channel"], object)
    density, sigma, coarse = (
        np.round(np.asarray(columns[name], np.float64), 6) for name in ("density", "sigma", "coarse_px")
    )
    places = np.asarray(columns["places"], np.int64)
    bands: dict[str, tuple[tuple[float, float, int], ...]] = {}
    lengths: dict[str, float] = {}
    for name in (each for each in CHANNELS if (channel == each).any()):
        own = channel == name
        told = []
        for value in np.unique(density[own]).tolist():
            rows = own & (density == value)
            told.append((value, _median(sigma[rows], places[rows]), int(places[rows].sum())))
        bands[name] = tuple(told)
        known = own & np.isfinite(coarse)
        lengths[name] = _median(coarse[known], places[known]) if known.any() else math.nan
    return GrainCurve(bands=bands, coarse_px=lengths)


def _median(values: Doubles, weights: NDArray[np.int64]) -> float:
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])

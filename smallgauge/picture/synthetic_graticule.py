"""Drawn graticules with known truth: what a scanner sees of a glass with lines or squares of exact period.

draw_graticule   GraticuleTruth -> light, (height, width)
"""

from dataclasses import dataclass
from math import cos, radians, sin
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.synthetic_shapes import cover_of_distance


@dataclass(frozen=True, slots=True, kw_only=True)
class GraticuleTruth:
    """Everything that is so about a drawn graticule; periods in pixels, along its own two directions."""

    width: int = 640
    height: int = 480
    pattern: Literal["grid", "squares", "upright lines", "level lines"] = "grid"
    period_across_px: float = 40.0  # from one upright line to the next, or side of a square
    period_along_px: float = 40.0
    line_share: float = 0.12  # of the period; of a line
    tilt_deg: float = 0.0  # positive: clockwise as seen
    phase: tuple[float, float] = (0.3, 0.7)  # of the period
    blur_px: float = 1.2
    contrast: float = 0.8  # of dark lines against a light of 0.9
    vignette: float = 0.1  # how much darker the corners are
    covered: tuple[float, float, float, float] = (
        0.0,
        0.0,
        1.0,
        1.0,
    )  # left, top, right, bottom; dark outside
    specks: int = 0
    noise: float = 0.004
    every: int = 1  # each so-manieth line is longer: twice as thick
    seed: int = 1


def draw_graticule(truth: GraticuleTruth) -> NDArray[np.float32]:
    """Light of a graticule, 0 to 1.

    Parameters
    ----------
    truth : GraticuleTruth

    Returns
    -------
    array, shape (height, width), float32

    Notes
    -----
    Edges are error functions of signed distance, so periods are exact to the arithmetic. Source: definition.

    Examples
    --------
    >>> light = draw_graticule(GraticuleTruth(width=80, height=60, noise=0.0))
    >>> light.shape, bool(light.max() > 0.8), bool(light.min() < 0.3)
    ((60, 80), True, True)
    """
    random = np.random.default_rng(truth.seed)
    y, x = np.mgrid[: truth.height, : truth.width].astype(np.float64)
    x -= (truth.width - 1) / 2
    y -= (truth.height - 1) / 2
    turn = radians(truth.tilt_deg)
    across = (cos(turn) * x + sin(turn) * y) / truth.period_across_px + truth.phase[0]
    along = (-sin(turn) * x + cos(turn) * y) / truth.period_along_px + truth.phase[1]
    if truth.pattern == "squares":
        one, other = (
            _square_wave(across, truth.period_across_px, truth),
            _square_wave(along, truth.period_along_px, truth),
        )
        dark = (1.0 - one * other) / 2
    else:
        dark = np.zeros(x.shape)
        if truth.pattern in ("grid", "upright lines"):
            dark = np.maximum(dark, _lines(across, truth.period_across_px, truth))
        if truth.pattern in ("grid", "level lines"):
            dark = np.maximum(dark, _lines(along, truth.period_along_px, truth))
    reach = np.hypot(x / truth.width, y / truth.height) * np.sqrt(2.0)
    light = 0.9 * (1.0 - truth.contrast * dark) * (1.0 - truth.vignette * reach**2)
    left, top, right, bottom = truth.covered
    inside = (x / truth.width + 0.5 >= left) & (x / truth.width + 0.5 <= right)
    inside &= (y / truth.height + 0.5 >= top) & (y / truth.height + 0.5 <= bottom)
    light = np.where(inside, light, 0.03)
    for _ in range(truth.specks):
        cx, cy = random.uniform(-0.5, 0.5, 2) * (truth.width, truth.height)
        size = random.uniform(2.0, 9.0)
        speck = cover_of_distance((np.hypot(x - cx, y - cy) - size).astype(np.float32), truth.blur_px)
        light = light * (1.0 - 0.9 * speck)
    light = light + random.normal(0.0, truth.noise, light.shape)
    return np.asarray(np.clip(light, 0.0, 1.0), np.float32)


def _lines(place: NDArray[np.float64], period_px: float, truth: GraticuleTruth) -> NDArray[np.float64]:
    """Share of each pixel that lines cover; lines lie at whole numbers of `place`."""
    number = np.rint(place)
    half = truth.line_share / 2 * np.where(number % truth.every == 0, 1.0 if truth.every == 1 else 2.0, 1.0)
    distance = (np.abs(place - number) - half) * period_px
    return np.asarray(cover_of_distance(distance.astype(np.float32), truth.blur_px), np.float64)


def _square_wave(place: NDArray[np.float64], side_px: float, truth: GraticuleTruth) -> NDArray[np.float64]:
    """1 in even squares, -1 in odd ones, with soft edges at whole numbers of `place`."""
    from scipy.special import erf

    nearest = np.rint(place)
    sign = np.where(nearest % 2 == 0, 1.0, -1.0)
    return np.asarray(sign * erf((place - nearest) * side_px / (np.sqrt(2.0) * truth.blur_px)), np.float64)

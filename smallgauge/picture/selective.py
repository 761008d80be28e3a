"""Selective correction: one range of hues turned, made stronger or weaker, lighter or darker; neutrals stay.

solve_hues   decision -> windows of hue              (render, plan)
apply_hues   light -> light, within windows of hue   (render)

Hue, chroma and lightness are those of Oklab. A window is smooth in hue and goes to nothing as chroma does, so that
neither grey nor an edge of the window shows a step.
"""

from dataclasses import dataclass
from math import cos, isfinite, radians, sin

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError

# Oklab: linear light of BT.709 primaries to cone answers, and their cube roots to lightness and two opponents
CONES = (
    (0.4122214708, 0.5363325363, 0.0514459929),
    (0.2119034982, 0.6806995451, 0.1073969566),
    (0.0883024619, 0.2817188376, 0.6299787005),
)
OPPONENTS = (
    (0.2104542553, 0.7936177850, -0.0040720468),
    (1.9779984951, -2.4285922050, 0.4505937099),
    (0.0259040371, 0.7827717662, -0.8086757660),
)


def _inverse(m: tuple[tuple[float, float, float], ...]) -> tuple[tuple[float, float, float], ...]:
    """Inverse of three rows of three by cofactors: plain arithmetic, the same on every machine."""
    (a, b, c), (d, e, f), (g, h, k) = m
    rows = (
        (e * k - f * h, c * h - b * k, b * f - c * e),
        (f * g - d * k, a * k - c * g, c * d - a * f),
        (d * h - e * g, b * g - a * h, a * e - b * d),
    )
    size = a * rows[0][0] + b * rows[1][0] + c * rows[2][0]
    return tuple((x / size, y / size, z / size) for x, y, z in rows)


CONES_BACK, OPPONENTS_BACK = _inverse(CONES), _inverse(OPPONENTS)
# Chroma at which a window has half its strength: grain of a grey stays far below. common practice, no source
HALF_CHROMA = 0.04
LEAST_CHROMA = 1e-9  # below it a hue is not asked for


@dataclass(frozen=True, slots=True, kw_only=True)
class HueWindow:
    """A range of hues and what becomes of it.

    `centre_deg` is the hue of Oklab (red 29, yellow 110, green 142, blue 264), `width_deg` the whole width, at whose
    ends nothing is left of the correction; `turn_deg` turns the hue, `saturation` and `lightness` multiply.
    """

    centre_deg: float
    width_deg: float = 60.0
    turn_deg: float = 0.0
    saturation: float = 1.0
    lightness: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SelectiveDecision:
    """An operator's correction of ranges of hue."""

    windows: tuple[HueWindow, ...] = ()


def solve_hues(decision: SelectiveDecision) -> tuple[HueWindow, ...]:
    """The windows of a decision, after asking whether they can be.

    Parameters
    ----------
    decision : SelectiveDecision

    Returns
    -------
    tuple of HueWindow

    Raises
    ------
    CallerError
        For a width that is not from 10 to 180 degrees, a turn beyond 60, or a saturation or lightness that is not from
        0 to 4.

    Notes
    -----
    Source: common practice, no source, for the ranges.

    Examples
    --------
    >>> solve_hues(SelectiveDecision(windows=(HueWindow(centre_deg=110.0, saturation=0.8),)))[0].width_deg
    60.0
    """
    for window in decision.windows:
        if not (
            isfinite(window.centre_deg)
            and 10.0 <= window.width_deg <= 180.0
            and abs(window.turn_deg) <= 60.0
            and 0.0 <= window.saturation <= 4.0
            and 0.0 <= window.lightness <= 4.0
        ):
            raise CallerError(
                "A hue window needs a width from 10 to 180 degrees, a turn from -60 to 60, saturation and lightness from "
                f"0 to 4, found {window}."
            )
    return decision.windows


def apply_hues(light: NDArray[np.floating], windows: tuple[HueWindow, ...]) -> NDArray[np.float64]:
    """Correct within windows of hue; each window sees the light as it came, so their order makes no difference.

    Parameters
    ----------
    light : floating array, shape (..., 3)
        Linear light of BT.709 primaries, white 1. Not altered.
    windows : tuple of HueWindow
        None or more.

    Returns
    -------
    float64 array of the same shape
        Light; neutrals as they were. NaN in all three channels where one is NaN.

    Notes
    -----
    Source: Oklab. The window in hue is smooth: s s (3 - 2 s), s running from 0 at its ends to 1 in its middle with the
    cosine of the distance.

    Examples
    --------
    >>> greener = HueWindow(centre_deg=142.0, saturation=1.2)
    >>> print(apply_hues(np.array([[0.1, 0.3, 0.1], [0.2, 0.2, 0.2]]), (greener,)).round(3))
    [[0.078 0.311 0.08 ]
     [0.2   0.2   0.2  ]]
    """
    cones = np.asarray(light, np.float64) @ np.asarray(CONES).T
    lab = np.cbrt(cones) @ np.asarray(OPPONENTS).T
    lightness, a, b = (lab[..., n] for n in range(3))
    chroma2 = a * a + b * b
    chroma = np.sqrt(np.maximum(chroma2, LEAST_CHROMA**2))
    strong = chroma2 / (chroma2 + HALF_CHROMA**2)
    out = lab.copy()
    for window in windows:
        centre, end = radians(window.centre_deg), cos(radians(window.width_deg / 2.0))
        near = (a * cos(centre) + b * sin(centre)) / chroma
        s = np.clip((near - end) / (1.0 - end), 0.0, 1.0)
        weight = s * s * (3.0 - 2.0 * s) * strong
        along = window.saturation * cos(radians(window.turn_deg))
        across = window.saturation * sin(radians(window.turn_deg))
        out[..., 0] += weight * (window.lightness - 1.0) * lightness
        out[..., 1] += weight * (along * a - across * b - a)
        out[..., 2] += weight * (across * a + along * b - b)
    roots = out @ np.asarray(OPPONENTS_BACK).T
    result: NDArray[np.float64] = roots**3 @ np.asarray(CONES_BACK).T
    return result

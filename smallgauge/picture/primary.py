"""Primary correction: printer-light points in density, and slope, offset, power and saturation in light.

propose_lift         light of a dark scene -> points that would lift it, for an operator to take up   (treat)
solve_primary        decision -> points and decision list                                            (render, plan)
apply_points         density -> density                                                              (render)
apply_decision_list  light   -> light                                                                (render)

A *point* is 0.025 of density. More points make a channel denser, so darker: fewer points lift a dark scene.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError

Triple = tuple[float, float, float]

POINT_DENSITY = (
    0.025  # one printer-light point; the unit is always shown, because laboratories' points differ
)
LUMA = (0.2126, 0.7152, 0.0722)  # ASC CDL v1.2: the weights of ITU-R BT.709
MOST_POINTS = 80.0  # 2 of density; common practice, no source
# A scene whose light is below DARK of white is listed; the lift proposed brings it to LIFTED, by MOST_LIFT at most (a
# stop and a third): night stays night. Geometric mean of the picture's light, clear base 1. common practice, no source
DARK, LIFTED, MOST_LIFT = 0.03, 0.06, 16


@dataclass(frozen=True, slots=True, kw_only=True)
class PrinterPoints:
    """Printer-light points of red, green and blue, each 0.025 of density; more make darker."""

    red: float = 0.0
    green: float = 0.0
    blue: float = 0.0

    @property
    def density(self) -> Triple:
        """What is added to the densities."""
        return (self.red * POINT_DENSITY, self.green * POINT_DENSITY, self.blue * POINT_DENSITY)


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourDecisionList:
    """The ten numbers of the ASC CDL v1.2."""

    slope: Triple = (1.0, 1.0, 1.0)
    offset: Triple = (0.0, 0.0, 0.0)
    power: Triple = (1.0, 1.0, 1.0)
    saturation: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PrimaryDecision:
    """An operator's own correction of a scene, a length of one stock, or the reel."""

    points: Triple = (0.0, 0.0, 0.0)
    slope: Triple = (1.0, 1.0, 1.0)
    offset: Triple = (0.0, 0.0, 0.0)
    power: Triple = (1.0, 1.0, 1.0)
    saturation: float = 1.0


def propose_lift(ln_light: NDArray[np.floating], *, white: float) -> int:
    """Printer-light points that would lift a dark scene; 0 where it is not dark.

    Parameters
    ----------
    ln_light : floating array, shape (frames,)
        Mean natural logarithm of each picture's light, open gate 1; NaN where it is not known.
    white : float
        Density of the film's clear base.

    Returns
    -------
    int
        0 or below: fewer points are lighter. 0 where nothing is known.

    Notes
    -----
    Source: common practice, no source. Nothing is done about it unless an operator takes it up.

    Examples
    --------
    >>> propose_lift(np.log(np.full(20, 0.012)), white=0.1), propose_lift(np.log(np.full(20, 0.08)), white=0.1)
    (-16, 0)
    """
    known = ln_light[np.isfinite(ln_light)]
    if not known.size:
        return 0
    light = float(np.exp(np.median(known))) * 10.0**white
    if light >= DARK:
        return 0
    return -min(MOST_LIFT, round(float(np.log10(LIFTED / max(light, 1e-6))) / POINT_DENSITY))


def solve_primary(decision: PrimaryDecision) -> tuple[PrinterPoints | None, ColourDecisionList | None]:
    """Points and decision list of a decision; None for what leaves everything as it is.

    Parameters
    ----------
    decision : PrimaryDecision

    Returns
    -------
    PrinterPoints or None
    ColourDecisionList or None

    Raises
    ------
    CallerError
        For points beyond 80, a slope or saturation below 0, or a power that is not above 0.

    Notes
    -----
    Source: ASC CDL for the ranges.

    Examples
    --------
    >>> solve_primary(PrimaryDecision(points=(-4.0, -4.0, -2.0)))
    (PrinterPoints(red=-4.0, green=-4.0, blue=-2.0), None)
    """
    red, green, blue = decision.points
    if not all(abs(each) <= MOST_POINTS for each in decision.points):
        raise CallerError(f"Printer-light points must lie between -80 and 80, found {decision.points}.")
    if not (
        min(decision.slope) >= 0.0
        and min(decision.power) > 0.0
        and decision.saturation >= 0.0
        and all(math.isfinite(each) for each in (*decision.slope, *decision.offset, *decision.power))
        and math.isfinite(decision.saturation)
    ):
        raise CallerError(
            "A primary correction needs slope and saturation of 0 or more and power above 0, found slope "
            f"{decision.slope}, offset {decision.offset}, power {decision.power}, saturation {decision.saturation}."
        )
    points = PrinterPoints(red=red, green=green, blue=blue)
    decisions = ColourDecisionList(
        slope=decision.slope, offset=decision.offset, power=decision.power, saturation=decision.saturation
    )
    return (
        None if points == PrinterPoints() else points,
        None if decisions == ColourDecisionList() else decisions,
    )


def apply_points(density: NDArray[np.floating], points: PrinterPoints) -> NDArray[np.float64]:
    """Add printer-light points.

    Parameters
    ----------
    density : floating array, shape (..., 3)
        Density, base 10. Not altered.
    points : PrinterPoints
        Points of each channel.

    Returns
    -------
    float64 array of the same shape
        Density; NaN stays NaN.

    Notes
    -----
    Source: printer points.

    Examples
    --------
    >>> print(apply_points(np.array([1.0, 1.0, 1.0]), PrinterPoints(red=-12.0)))
    [0.7 1.  1. ]
    """
    out: NDArray[np.float64] = np.asarray(density, np.float64) + np.asarray(points.density)
    return out


def apply_decision_list(
    light: NDArray[np.floating], decisions: ColourDecisionList, *, clamp: bool = False
) -> NDArray[np.float64]:
    """Slope, offset, power and saturation, as the ASC CDL v1.2 has them.

    Parameters
    ----------
    light : floating array, shape (..., 3)
        Light, white 1. Not altered.
    decisions : ColourDecisionList
        Slope 0 or more, power above 0, saturation 0 or more.
    clamp : bool
        Cut off at 0 and 1 before the power and at the end, as the text says. Without it (as the program works) what
        lies above white is left to the shoulder, and the power leaves what lies below 0 as it is.

    Returns
    -------
    float64 array of the same shape
        Light; NaN in all three channels where one is NaN.

    Notes
    -----
    Source: ASC CDL.

    Examples
    --------
    >>> warmer = ColourDecisionList(slope=(1.1, 1.0, 0.9))
    >>> print(apply_decision_list(np.array([0.5, 0.5, 0.5]), warmer))
    [0.55 0.5  0.45]
    """
    out: NDArray[np.float64] = np.asarray(light, np.float64) * decisions.slope + np.asarray(decisions.offset)
    if clamp:
        out = np.clip(out, 0.0, 1.0)
    power = np.asarray(decisions.power)
    out = np.where(out > 0.0, np.power(np.maximum(out, 1e-300), power), out)
    luma = (out @ np.asarray(LUMA))[..., None]
    out = luma + decisions.saturation * (out - luma)
    return np.clip(out, 0.0, 1.0) if clamp else out

"""Primary correction: printer-light points in density, and slope, offset, power and saturation in light.

apply_points         density -> density             (render)
apply_decision_list  light   -> light               (render)

A *point* is 0.025 of density. More points make a channel denser, so darker: fewer points lift a dark scene.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Triple = tuple[float, float, float]

POINT_DENSITY = (
    0.025  # one printer-light point; the unit is always shown, because laboratories' points differ
)
LUMA = (0.2126, 0.7152, 0.0722)  # ASC CDL v1.2: the weights of ITU-R BT.709
MOST_POINTS = 80.0  # 2 of density; common practice, no source


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

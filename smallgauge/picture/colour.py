"""Colour of one frame: everything between the resampled light and the display encoding, in its fixed order.

FrameColour    what is done to the colour of one frame
apply_colour   light of the capture -> light of the finished picture: the plain composition   (render)

`picture/kernels_colour.py` does the same at speed; a property test holds the two together.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.dyefade import FadeCorrection, apply_dyefade
from smallgauge.picture.flicker import FlickerCorrection, apply_flicker
from smallgauge.picture.mono import MonoCorrection, apply_mono
from smallgauge.picture.negative import NegativeCorrection, apply_negative
from smallgauge.picture.primary import ColourDecisionList, PrinterPoints, apply_decision_list, apply_points
from smallgauge.picture.rendering import OutputRendering, apply_output, apply_primaries, apply_shoulder
from smallgauge.picture.selective import HueWindow, apply_hues

Triple = tuple[float, float, float]
DEEPEST = 4.0  # density; beyond that of any film, so what is denser is the scanner's noise. common practice, no source
BRIGHTEST = (
    16.0  # light, white 1: four stops beyond white nothing is left to roll off. common practice, no source
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameColour:
    """What is done to the colour of one frame; None where a step is not asked for.

    `lamp` is the light of the open gate in that frame, `flare` the light that reaches the sensor where the film lets
    none through, as a share of the open gate's; a density above `deepest` counts as that.
    """

    lamp: Triple | None = None
    flare: Triple | None = None
    deepest: float = DEEPEST
    flicker: FlickerCorrection | None = None
    fade: FadeCorrection | None = None
    negative: NegativeCorrection | None = None
    mono: MonoCorrection | None = None
    points: PrinterPoints | None = None
    output: OutputRendering | None = None
    decision_list: ColourDecisionList | None = None
    hues: tuple[HueWindow, ...] = ()


def apply_colour(light: NDArray[np.floating], colour: FrameColour) -> NDArray[np.float64]:
    """Light of the finished picture out of the resampled light of the capture.

    Parameters
    ----------
    light : floating array, shape (height, width, 3)
        Linear light of the whole finished picture, open gate 1; NaN where it lies outside the capture. Not altered.
    colour : FrameColour
        What is done, in the order of its fields.

    Returns
    -------
    float64 array of the same shape
        Linear light for the display, white 1; not yet cut off at 0. NaN in all channels outside the capture.

    Notes
    -----
    Source: definition (the composition of the `apply_` functions of each step).

    Examples
    --------
    >>> print(apply_colour(np.full((1, 1, 3), 0.5), FrameColour(lamp=(1.0, 1.0, 0.5)))[0, 0])
    [0.5 0.5 1. ]
    """
    density: NDArray[np.floating] = _density(np.asarray(light, np.float64), colour)
    if colour.flicker is not None:
        density = apply_flicker(density, colour.flicker)
    density = apply_density(density, colour)
    if colour.output is None:
        out: NDArray[np.float64] = np.power(10.0, -density)
    else:
        out = apply_output(density, colour.output)
    out = np.minimum(out, BRIGHTEST)
    if colour.decision_list is not None:
        out = apply_decision_list(out, colour.decision_list)
    if colour.hues:
        out = apply_hues(out, colour.hues)
    if colour.output is not None:
        out = apply_shoulder(out, share=colour.output.shoulder)
        out = apply_primaries(out, colour.output.matrix)
    return out


def apply_density(density: NDArray[np.floating], colour: FrameColour) -> NDArray[np.float64]:
    """The steps that are true of every place of the film alike: fade, negative, one density, printer points.

    Parameters
    ----------
    density : floating array, shape (..., 3)
        Density of the film, base 10, flicker taken out. Not altered.
    colour : FrameColour
        What is done.

    Returns
    -------
    float64 array of the same shape
        Density of the finished picture. NaN stays NaN.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> print(apply_density(np.array([1.0, 1.0, 1.0]), FrameColour(points=PrinterPoints(blue=4.0))))
    [1.  1.  1.1]
    """
    out: NDArray[np.floating] = np.asarray(density, np.float64)
    if colour.fade is not None:
        out = apply_dyefade(out, colour.fade)
    if colour.negative is not None:
        out = apply_negative(out, colour.negative)
    if colour.mono is not None:
        out = apply_mono(out, colour.mono)
    if colour.points is not None:
        out = apply_points(out, colour.points)
    return np.asarray(out, np.float64)


def _density(light: NDArray[np.float64], colour: FrameColour) -> NDArray[np.float64]:
    """Density of the film: the lamp of that very frame divided out, flare taken off."""
    if colour.lamp is not None:
        light = light / np.asarray(colour.lamp)
    if colour.flare is not None:
        flare = np.asarray(colour.flare)
        light = (light - flare) / (1.0 - flare)
    density: NDArray[np.float64] = -np.log10(np.maximum(light, 10.0**-colour.deepest))
    return density

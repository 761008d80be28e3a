"""Colour of one frame: everything between the resampled light and the display encoding, in its fixed order.

FrameColour    what is done to the colour of one frame
solve_output   decision, the steps in density -> white and black of the finished picture       (render, plan)
apply_colour   light of the capture -> light of the finished picture: the plain composition   (render)

`picture/kernels_colour.py` does the same at speed; a property test holds the two together.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.dyefade import FadeCorrection, apply_dyefade
from smallgauge.picture.flicker import FlickerCorrection, apply_flicker
from smallgauge.picture.mono import MonoCorrection, apply_mono
from smallgauge.picture.negative import NegativeCorrection, apply_negative
from smallgauge.picture.primary import ColourDecisionList, PrinterPoints, apply_decision_list, apply_points
from smallgauge.picture.rendering import (
    AS_CAPTURED,
    LEAST_RANGE,
    SHOWN,
    OutputRendering,
    RenderingDecision,
    apply_output,
    apply_primaries,
    apply_shoulder,
)
from smallgauge.picture.selective import HueWindow, apply_hues

Triple = tuple[float, float, float]
# Densities that count at most. Beyond that of any film what is denser is the scanner's noise, which polynomials of dyes
# would carry away; where no dye is asked for, as good as no light. common practice, no source
DEEPEST_DYES, DEEPEST = 4.0, 6.0
# Light, white 1: four stops beyond white nothing is left to roll off. common practice, no source
BRIGHTEST = 16.0
TINT = 0.3  # density: a base coloured by more is tinted on purpose, less is stain. common practice, no source


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


def solve_output(decision: RenderingDecision, colour: FrameColour) -> OutputRendering | None:
    """White and black of the finished picture: what becomes of the film's two ends in the steps before.

    Parameters
    ----------
    decision : RenderingDecision
        Clear base and deepest density as scanned.
    colour : FrameColour
        Fade, negative and black-and-white of the length; its printer points do not count, they are there to be seen.

    Returns
    -------
    OutputRendering or None
        None where light is to stay as captured.

    Raises
    ------
    CallerError
        Where white and black come to lie closer than half a density, or a shoulder or way of showing that is none.

    Notes
    -----
    Source: definition. Where the film is one tone of silver, or its base is coloured by more than 0.3, white and black
    are one density for all channels, so that tint and tone stay; otherwise each channel has its own.

    Examples
    --------
    >>> film = RenderingDecision(white=(0.1, 0.1, 0.2), black=(3.0, 3.0, 3.1))
    >>> solve_output(film, FrameColour()).white
    (0.1, 0.1, 0.2)
    """
    if decision.show not in SHOWN or not 0.0 <= decision.shoulder <= 0.5:
        raise CallerError(
            f"A rendering needs to show {' or '.join(SHOWN)} and a shoulder from 0 to 0.5, found {decision}."
        )
    if decision.show == AS_CAPTURED:
        return None
    seen = np.minimum([decision.white, decision.black], colour.deepest)
    ends = apply_density(seen, replace(colour, points=None))
    white, black = ends.min(axis=0), ends.max(axis=0)
    if colour.mono is not None or float(np.ptp(white)) > TINT:
        white, black = np.full(3, white.min()), np.full(3, black.max())
    if not (black - white >= LEAST_RANGE).all():
        raise CallerError(
            f"A rendering needs a black at least {LEAST_RANGE} of density above white, found white {decision.white} and "
            f"black {decision.black}, which become {white.round(2).tolist()} and {black.round(2).tolist()}; "
            "decide rendering anew."
        )
    return OutputRendering(
        white=_triple(white), black=_triple(black), matrix=decision.matrix, shoulder=decision.shoulder
    )


def _triple(values: NDArray[np.float64]) -> Triple:
    red, green, blue = (round(float(each), 6) for each in values)
    return red, green, blue


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
        Linear light for the display, white 1; hue windows and primaries may bring it below 0. NaN in all channels
        outside the capture.

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
    out = np.maximum(out, 0.0)  # denser than black is black
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

"""Rendering: density of the film to the light of the finished picture, one way for a whole length of stock.

propose_rendering  ends of a length of stock -> RenderingDecision                                (treat)
apply_output     density -> light, white from the clear base, black from the deepest density   (render)
apply_shoulder   light   -> light, rolled off near white                                        (render)
apply_primaries  light   -> light of BT.709 primaries                                           (render)

Between black and white light stays light: what the film lets through, relative to its own clear base. Nothing is
levelled, nothing exposed anew, no saturation added.
"""

from dataclasses import dataclass
from math import isfinite

import numpy as np
from numpy.typing import NDArray

Triple = tuple[float, float, float]
Matrix = tuple[Triple, Triple, Triple]
SAME: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
# Share of white over which light rolls off, either way of it: white itself loses a quarter of this. common practice,
# no source
SHOULDER = 0.05
BLACKEST = 6.0  # density where no deepest density is known: black is then no light at all
# Density of a clear base as stocks have it. What the clearest picture shows may hold a little more than base: read denser
# than this, white is laid here, its colour kept, so that no highlight is lost. common practice, no source
USUAL_BASE = 0.17
FILM, AS_CAPTURED = "film", "as captured"
SHOWN = (FILM, AS_CAPTURED)


LEAST_RANGE = 0.5  # density between white and black; less is no film. common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputRendering:
    """White and black of a length of stock in density, the way to BT.709 primaries, and the shoulder's share."""

    white: Triple = (0.0, 0.0, 0.0)
    black: Triple = (BLACKEST, BLACKEST, BLACKEST)
    matrix: Matrix = SAME
    shoulder: float = SHOULDER


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderingDecision:
    """How a length of stock is rendered: its clear base and its deepest density, as scanned.

    `show` "as captured" leaves light as the scanner saw it, relative to the open gate.
    """

    show: str = FILM
    white: Triple = (0.0, 0.0, 0.0)
    black: Triple = (BLACKEST, BLACKEST, BLACKEST)
    shoulder: float = SHOULDER
    matrix: Matrix = SAME


def propose_rendering(
    *, clear: Triple | None, deepest: Triple | None, exact: bool = False
) -> tuple[RenderingDecision, str]:
    """The one rendering of a length of stock, from the two ends of its own density.

    Parameters
    ----------
    clear, deepest : three densities as scanned, or None
        Of the clear base, and of film that holds all the dye that it can; None where the film does not show it.
    exact : bool
        The clear base was seen bare (the border of a negative), not as the clearest of the pictures.

    Returns
    -------
    decision : RenderingDecision
        White at the open gate where the base is not known, black at no light at all where the deepest density is not.
    why : str

    Notes
    -----
    Source: definition. The brightest and darkest picture are never asked.

    Examples
    --------
    >>> decision, why = propose_rendering(clear=(0.12, 0.13, 0.15), deepest=None)
    >>> decision.white, decision.black, why
    ((0.12, 0.13, 0.15), (6.0, 6.0, 6.0), "white from the film's clear base; its deepest density is not known")
    """
    white = _known(clear)
    beyond = min(white) - USUAL_BASE if white is not None and not exact else 0.0
    if white is not None and beyond > 0.0:
        white = _known((white[0] - beyond, white[1] - beyond, white[2] - beyond))
    black = _known(deepest)
    ends = zip(white or (), black or ())
    if any(dark - light < LEAST_RANGE for light, dark in ends):
        black = None
    said = [
        (
            "white from the film's clear base"
            if beyond <= 0.0
            else f"white at a usual base, {beyond:.2f} clearer than any picture"
        )
        if white is not None
        else "white from the open gate, the clear base is not known",
        "black from its deepest density" if black is not None else "its deepest density is not known",
    ]
    decision = RenderingDecision(
        white=white if white is not None else (0.0, 0.0, 0.0),
        black=black if black is not None else (BLACKEST, BLACKEST, BLACKEST),
    )
    return decision, "; ".join(said)


def _known(densities: Triple | None) -> Triple | None:
    """Three densities rounded, or None where one is not known."""
    if densities is None or not all(isfinite(each) for each in densities):
        return None
    red, green, blue = (round(float(each), 4) for each in densities)
    return red, green, blue


def apply_output(density: NDArray[np.floating], rendering: OutputRendering) -> NDArray[np.float64]:
    """Light of the finished picture: 1 where the film is its clear base, 0 at its deepest density, linear between.

    Parameters
    ----------
    density : floating array, shape (..., 3)
        Density, base 10. Not altered.
    rendering : OutputRendering
        White and black; each white below its black.

    Returns
    -------
    float64 array of the same shape
        Light, below 0 where the film is denser than black, above 1 where clearer than white. NaN stays NaN.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> film = OutputRendering(white=(0.1, 0.1, 0.1), black=(3.1, 3.1, 3.1))
    >>> print(apply_output(np.array([0.1, 0.40103, 3.1]), film).round(4))
    [1.     0.4995 0.    ]
    """
    white, black = np.asarray(rendering.white), np.asarray(rendering.black)
    darkest = np.power(10.0, white - black)
    out: NDArray[np.float64] = (np.power(10.0, white - density) - darkest) / (1.0 - darkest)
    return out


def apply_shoulder(light: NDArray[np.floating], *, share: float) -> NDArray[np.float64]:
    """Roll light off smoothly near white: untouched up to `1 - share`, white from `1 + share` on.

    Parameters
    ----------
    light : floating array, any shape
        Light, white 1. Not altered.
    share : float
        0 (cut off at white) to 0.5.

    Returns
    -------
    float64 array of the same shape
        Light, 1 at most. NaN stays NaN.

    Notes
    -----
    Source: derived (the parabola whose slope is 1 at `1 - share` and 0 at `1 + share`).

    Examples
    --------
    >>> print(apply_shoulder(np.array([0.5, 0.95, 1.0, 1.05, 3.0]), share=0.05))
    [0.5    0.95   0.9875 1.     1.    ]
    """
    bounded = np.minimum(np.asarray(light, np.float64), 1.0 + share)
    if share <= 0.0:
        return bounded
    over = np.maximum(bounded - (1.0 - share), 0.0)
    return bounded - over * over / (4.0 * share)


def apply_primaries(light: NDArray[np.floating], matrix: Matrix) -> NDArray[np.float64]:
    """Light of the finished picture's primaries out of the film's.

    Parameters
    ----------
    light : floating array, shape (..., 3)
        Not altered.
    matrix : three rows of three
        Rows give red, green and blue.

    Returns
    -------
    float64 array of the same shape
        NaN in all three channels where one is NaN.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> print(apply_primaries(np.array([0.2, 0.4, 0.6]), SAME))
    [0.2 0.4 0.6]
    """
    out: NDArray[np.float64] = np.asarray(light, np.float64) @ np.asarray(matrix).T
    return out

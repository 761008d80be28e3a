"""Faded dyes: what is left of each layer, and how its loss is undone in density.

apply_dyefade   density of a frame, its correction  ->  density of the film as it was   (render)

A correction goes from the scanner's densities to the amounts of the film's three dyes (cyan, magenta,
yellow), multiplies each amount, and goes back to the scanner's densities. Both ways are polynomials of
the second degree at most, so that one shape serves narrow light (a matrix) and broad light.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError

TERMS = ("1", "r", "g", "b", "rr", "gg", "bb", "rg", "rb", "gb")
LAYERS = ("cyan", "magenta", "yellow")  # the dyes that hold back red, green and blue light

Polynomial = tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class FadeCorrection:
    """How one length of one stock is brought back: amounts = before(density), times gain, density = after(amounts).

    `before` and `after` hold three rows of ten coefficients in the order of `TERMS`: for `before` the rows
    are cyan, magenta, yellow and the terms are of the densities red, green, blue; for `after` the rows are
    red, green, blue and the terms are of the amounts cyan, magenta, yellow in the places of r, g, b.
    """

    before: Polynomial
    gain: tuple[float, float, float]
    after: Polynomial

    @property
    def linear(self) -> bool:
        """Whether both polynomials are matrices with an offset: narrow light."""
        return not any(value for part in (self.before, self.after) for row in part for value in row[4:])


def polynomial_terms(values: NDArray[np.floating]) -> NDArray[np.floating]:
    """The ten terms of `TERMS` of three values each.

    Parameters
    ----------
    values : floating array, shape (..., 3)
        Densities red, green, blue, or amounts cyan, magenta, yellow.

    Returns
    -------
    array, shape (..., 10), same type
        NaN where a value is NaN.

    Raises
    ------
    CallerError
        If the last axis is not 3 long.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> print(polynomial_terms(np.array([2.0, 3.0, 5.0])))
    [ 1.  2.  3.  5.  4.  9. 25.  6. 10. 15.]
    """
    if values.ndim < 1 or values.shape[-1] != 3:
        raise CallerError(
            f"Densities must stand in an array whose last axis holds 3 channels, got shape {values.shape}."
        )
    r, g, b = values[..., 0], values[..., 1], values[..., 2]
    terms = [np.ones_like(r), r, g, b, r * r, g * g, b * b, r * g, r * b, g * b]
    return np.stack(terms, axis=-1)


def apply_dyefade(density: NDArray[np.floating], correction: FadeCorrection) -> NDArray[np.floating]:
    """Density of the film before it faded.

    Parameters
    ----------
    density : floating array, shape (..., 3)
        Densities red, green, blue as scanned, lamp level and flare taken out. Not altered.
    correction : FadeCorrection
        Of the length of one stock that holds the frame.

    Returns
    -------
    array of the same shape and type
        Densities as scanned before the dyes faded. NaN where a channel is NaN.

    Raises
    ------
    CallerError
        If the last axis is not 3 long.

    Notes
    -----
    Source: picture model of Gschwind and Frey 1994 (linear in density); squares and products for broad
    light are ours.

    Examples
    --------
    >>> same = ((0.0, 1.0) + (0.0,) * 8, (0.0, 0.0, 1.0) + (0.0,) * 7, (0.0, 0.0, 0.0, 1.0) + (0.0,) * 6)
    >>> half_cyan = FadeCorrection(before=same, gain=(2.0, 1.0, 1.0), after=same)
    >>> print(apply_dyefade(np.array([[0.5, 1.0, 1.0]]), half_cyan))
    [[1. 1. 1.]]
    """
    kind = density.dtype.type
    before = np.asarray(correction.before, kind)
    after = np.asarray(correction.after, kind)
    amounts = (polynomial_terms(density) @ before.T) * np.asarray(correction.gain, kind)
    restored: NDArray[np.floating] = polynomial_terms(amounts) @ after.T
    return restored

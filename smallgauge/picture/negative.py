"""Negatives: from the density of the negative to the density of a print of it.

propose_inversion  base of one length of one stock  ->  InversionDecision   (treat)
solve_unmixing     decision                         ->  FadeCorrection: densities above the base as a print sees them
solve_inversion    decision                         ->  NegativeCorrection  (render, plan)
apply_negative     density of a frame, unmixed      ->  density of a print  (render)
apply_adx          density above the base           ->  ADX code values: the open way out
print_density      density above the base           ->  density of the print that we draw

A negative has no look of its own: its base is coloured (the orange mask), it holds more than any screen shows,
and how it should print somebody has to say. What is measured is the base, on the border that the camera never
exposed. The rest is a stated print curve, the same for a whole length of one stock, and what a person decides.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.dyefade import FadeCorrection, apply_dyefade

Triple = tuple[float, float, float]
Matrix = tuple[Triple, Triple, Triple]

# ADX, SMPTE ST 2065-3, as OpenColorIO's built-in transforms read it: ADX10 has 500 codes to a density, ADX16 8000, and film
# without an image stands 0.19 of density above code 0.
ADX_CODES_PER_DENSITY = {10: 500.0, 16: 8000.0}
ADX_BASE_DENSITY = 0.19
# 18 % grey at normal exposure: ADX10 code 445 is 445 / 500 - 0.19 above the base.
NORMAL_GREY = 0.70

# The print that we draw: an S-curve of our own, of the kind that print stocks have (from memory, not checked: their steepest
# slope is 2.5 to 3 and they reach densities near 3). No stock is copied.
PRINT_WHITE, PRINT_BLACK = 0.05, 2.85  # densities of the print's two ends
PRINT_CONTRAST = 2.9  # steepest slope: density of the print to density of the negative
PRINT_GREY = 0.85  # density of the print where the negative shows normal grey
CONTRASTS = (1.0, 5.0)  # what may be decided

# Printing density (what the layers of a print film see) of the scanner's density, both above the base; rows R, G, B. Fitted to
# the invented stock "first" of picture/synthetic_negative.py with noise of 0.02, so that broad light is not told apart beyond
# what noise allows, and such that its greys come out exactly. Another stock may differ by a tenth, which greys put right.
UNMIXING: dict[str, Matrix] = {
    "narrow": ((1.80, -0.23, 0.05), (0.14, 1.11, -0.08), (0.00, 0.09, 0.84)),
    "broad": ((2.32, -1.03, 0.19), (-0.14, 1.53, -0.19), (-0.04, -0.13, 1.32)),
}
SAME: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))

# Knots of the curves: printing density above the base. Between knots the curve is a straight line, off by 2.5e-4 at most.
_FIRST, _STEP, _KNOTS = -0.2, 0.02, 171  # to 3.2


@dataclass(frozen=True, slots=True, kw_only=True)
class NegativeCorrection:
    """Curves of one length of one stock: density of the print over printing density of the negative, for R, G, B.

    Knot k of channel c stands at density `first[c] + k * step[c]`; between knots a straight line, beyond the
    ends the end's value.
    """

    first: Triple
    step: Triple
    curves: tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class InversionDecision:
    """How one length of negative is printed.

    `base` is the density of film that saw no light, R, G, B. `unmixing` makes printing density of the scanner's density
    above it. `greys` are densities of the negative, each R, G, B, of things that somebody says were grey: they bring red
    and blue in step with green. `card` is the density of a grey card in the light of the scene: it counts as a grey and
    prints as middle grey; without one the printing density `grey` above the base does. `contrast` is the steepest slope
    of the print.
    """

    base: Triple
    unmixing: Matrix = SAME
    greys: tuple[Triple, ...] = ()
    card: Triple | None = None
    contrast: float = PRINT_CONTRAST
    grey: float = NORMAL_GREY


def propose_inversion(
    base: Sequence[float],
    *,
    light: str | None,
    silver: bool = False,
    sigma: Sequence[float] = (0.0, 0.0, 0.0),
) -> tuple[InversionDecision, str]:
    """The inversion of a length of one stock, from its base alone.

    Parameters
    ----------
    base : three floats
        Density of the unexposed border, R, G, B.
    light : "narrow", "broad" or None
        The scanner's light; where it is not known it is taken as narrow, and said.
    silver : bool
        Black-and-white film: silver is grey in any light, so nothing is unmixed.
    sigma : three floats
        Standard errors of `base`.

    Returns
    -------
    decision : InversionDecision
    why : str

    Raises
    ------
    CallerError
        If a base is not a finite number, or not from -0.2 to 3.

    Notes
    -----
    Source: SMPTE ST 2065-3 (normal grey); print curve and unmixing of our own. Nothing of the picture's content is used: a
    night stays night. The base is the constant part of the mask.

    Examples
    --------
    >>> decision, why = propose_inversion((0.21, 0.52, 0.80), light="narrow")
    >>> decision.base, decision.unmixing == UNMIXING["narrow"]
    ((0.21, 0.52, 0.8), True)
    >>> why
    'the unexposed border has densities 0.21, 0.52 and 0.80 (red, green, blue); the light is narrow'
    """
    measured = _triple(base, "The base")
    _check_base(measured)
    if light is not None and light not in UNMIXING:
        raise CallerError(f"The scanner's light is {' or '.join(UNMIXING)}, found '{light}'.")
    decision = InversionDecision(
        base=(round(measured[0], 4), round(measured[1], 4), round(measured[2], 4)),
        unmixing=SAME if silver else UNMIXING[light or "narrow"],
    )
    worst = max(sigma)
    known = f", known to {worst:.3f}" if worst >= 0.0005 else ""
    told = f"the light is {light}" if light else "the scanner's light is not stated and taken as narrow"
    told = "silver is grey in any light" if silver else told
    why = (
        f"the unexposed border has densities {measured[0]:.2f}, {measured[1]:.2f} and {measured[2]:.2f} "
        f"(red, green, blue){known}; {told}"
    )
    return decision, why


def print_density(
    above_base: NDArray[np.floating], *, contrast: float = PRINT_CONTRAST, grey: float = NORMAL_GREY
) -> NDArray[np.floating]:
    """Density of the print that we draw, over density of the negative above its base.

    Parameters
    ----------
    above_base : floating array, any shape
        Density of the negative less that of its base.
    contrast : float
        Steepest slope, print density to negative density, 1 to 5.
    grey : float
        Density above the base that prints as middle grey.

    Returns
    -------
    array of the same shape and type
        Density from PRINT_WHITE to PRINT_BLACK, falling. NaN where the input is NaN.

    Raises
    ------
    CallerError
        If `contrast` is out of its range or `grey` is not from 0 to 3.

    Notes
    -----
    Source: derived. A logistic over log exposure, the common shape of a characteristic curve:
    white + (black - white) / (1 + 10^(g (x - x_half))), g = 4 contrast / (ln 10 (black - white)), and x_half such
    that `grey` prints at PRINT_GREY.

    Examples
    --------
    >>> print(print_density(np.array([0.0, 0.7, 1.2, 3.0])).round(2))
    [2.51 0.85 0.18 0.05]
    """
    low, high = CONTRASTS
    if not (low <= contrast <= high and 0.0 <= grey <= 3.0):
        raise CallerError(
            f"A print needs a contrast from {low:g} to {high:g} and a grey from 0 to 3 above the base, got "
            f"{contrast} and {grey}."
        )
    span = PRINT_BLACK - PRINT_WHITE
    steep = 4.0 * contrast / (np.log(10.0) * span)
    half = grey - np.log10(span / (PRINT_GREY - PRINT_WHITE) - 1.0) / steep
    exponent = np.clip(steep * (np.asarray(above_base, np.float64) - half), -300.0, 300.0)
    drawn = PRINT_WHITE + span / (1.0 + np.power(10.0, exponent))
    return np.asarray(drawn, np.asarray(above_base).dtype)


def solve_unmixing(decision: InversionDecision) -> FadeCorrection:
    """From the scanner's densities of a negative to printing densities above its base.

    Parameters
    ----------
    decision : InversionDecision

    Returns
    -------
    FadeCorrection
        Takes the place of the fade correction, which a negative has none of: its border holds no dye to tell a fade by.

    Raises
    ------
    CallerError
        If base or unmixing is out of range.

    Notes
    -----
    Source: derived (dyes of a negative reach into neighbouring bands, most where light is broad; linear in density).

    Examples
    --------
    >>> unmixing = solve_unmixing(InversionDecision(base=(0.2, 0.5, 0.8)))
    >>> print(apply_dyefade(np.array([0.2, 1.5, 0.9]), unmixing).round(6))
    [0.  1.  0.1]
    """
    base = _triple(decision.base, "The base")
    _check_base(base)
    matrix = np.array([_triple(row, "A row of the unmixing") for row in decision.unmixing])
    if matrix.shape != (3, 3) or not (matrix.sum(axis=1) > 0.2).all() or np.abs(matrix).max() > 5.0:
        raise CallerError(
            "The unmixing of a negative needs three rows whose sums are above 0.2 and whose numbers are at most 5, got "
            f"{decision.unmixing}."
        )
    shift = -(matrix @ np.asarray(base))
    rows = [(float(s), *row, *(0.0,) * 6) for s, row in zip(shift, matrix.tolist(), strict=True)]
    same = [(0.0, *row, *(0.0,) * 6) for row in SAME]
    return FadeCorrection(
        before=(rows[0], rows[1], rows[2]), gain=(1.0, 1.0, 1.0), after=(same[0], same[1], same[2])
    )


def solve_inversion(decision: InversionDecision) -> NegativeCorrection:
    """The curves of one length of one stock, for densities that `solve_unmixing` unmixed.

    Parameters
    ----------
    decision : InversionDecision

    Returns
    -------
    NegativeCorrection

    Raises
    ------
    CallerError
        If base, unmixing, contrast or grey is out of range, or the greys do not rise together above the base.

    Notes
    -----
    Source: derived. Each grey says that three densities belong together: a monotone curve (Fritsch and Carlson 1980)
    through the base and the greys brings red and blue in step with green; beyond the last grey it goes on straight.

    Examples
    --------
    >>> solved = solve_inversion(InversionDecision(base=(0.2, 0.5, 0.8)))
    >>> solved.first[1], solved.step[1], round(solved.curves[1][45], 3)
    (-0.2, 0.02, 0.85)
    """
    points, grey = _grey_points(decision), _middle_grey(decision)
    printing: NDArray[np.float64] = _FIRST + _STEP * np.arange(_KNOTS, dtype=np.float64)
    curves = []
    for channel in range(3):
        in_step = _in_step(printing, points[:, channel], points[:, 1])
        drawn = print_density(in_step, contrast=decision.contrast, grey=grey)
        curves.append(tuple(np.round(drawn, 6).tolist()))
    return NegativeCorrection(
        first=(_FIRST, _FIRST, _FIRST),
        step=(_STEP, _STEP, _STEP),
        curves=(curves[0], curves[1], curves[2]),
    )


def apply_negative(density: NDArray[np.floating], correction: NegativeCorrection) -> NDArray[np.floating]:
    """Density of a print of the negative.

    Parameters
    ----------
    density : floating array, shape (..., 3)
        Printing densities of the negative above its base, R, G, B. Not altered.
    correction : NegativeCorrection

    Returns
    -------
    array of the same shape and type
        Densities of the print. NaN where the input is NaN.

    Raises
    ------
    CallerError
        If the last axis is not 3 long.

    Notes
    -----
    Source: definition (straight lines between knots, ends held).

    Examples
    --------
    >>> line = NegativeCorrection(first=(0.0, 0.0, 0.0), step=(1.0, 1.0, 1.0), curves=((3.0, 1.0),) * 3)
    >>> print(apply_negative(np.array([[0.0, 0.5, 4.0]]), line))
    [[3. 2. 1.]]
    """
    _check_channels(density)
    out = np.empty_like(density)
    for channel in range(3):
        curve = np.asarray(correction.curves[channel], np.float64)
        knots = correction.first[channel] + correction.step[channel] * np.arange(curve.size)
        out[..., channel] = np.interp(density[..., channel], knots, curve)
    return out


def adx_values(density: NDArray[np.floating], *, base: Sequence[float], bits: int) -> NDArray[np.float64]:
    """ADX code values of a negative before they are rounded.

    Parameters
    ----------
    density : floating array, shape (..., 3)
        Densities of the negative R, G, B as scanned. Not altered.
    base : three floats
        Density of film that saw no light.
    bits : 10 or 16

    Returns
    -------
    float64 array of the same shape
        Not limited to the codes that there are. NaN where the input is NaN.

    Raises
    ------
    CallerError
        If `bits` is neither, the last axis is not 3 long or a base is not finite.

    Notes
    -----
    Source: SMPTE ST 2065-3. The standard was not seen: the numbers are those of OpenColorIO's built-in ADX10 and ADX16
    transforms, which the tests hold them to. The densities are the scanner's own, not the printing densities of
    ST 2065-2 that ADX is defined on.

    Examples
    --------
    >>> print(adx_values(np.array([[0.2, 1.2, 0.8]]), base=(0.2, 0.5, 0.8), bits=16))
    [[1520. 7120. 1520.]]
    """
    _check_channels(density)
    if bits not in ADX_CODES_PER_DENSITY:
        raise CallerError(f"ADX has 10 or 16 bits, got {bits}.")
    above = np.asarray(density, np.float64) - np.asarray(_triple(base, "The base"))
    return np.asarray((above + ADX_BASE_DENSITY) * ADX_CODES_PER_DENSITY[bits], np.float64)


def apply_adx(density: NDArray[np.floating], *, base: Sequence[float], bits: int) -> NDArray[np.uint16]:
    """ADX code values of a negative: its density above the base, as others can read it.

    Parameters
    ----------
    density : floating array, shape (..., 3)
        Densities of the negative R, G, B as scanned. Not altered.
    base : three floats
        Density of film that saw no light.
    bits : 10 or 16

    Returns
    -------
    uint16 array of the same shape
        Code values 0 to 1023 or 65535, rounded; density beyond the last code counts as that.

    Raises
    ------
    CallerError
        As `adx_values`; and if a density is NaN, for which there is no code.

    Notes
    -----
    Source: SMPTE ST 2065-3, see `adx_values`.

    Examples
    --------
    >>> print(apply_adx(np.array([[0.2, 1.2, 0.8]]), base=(0.2, 0.5, 0.8), bits=10))
    [[ 95 445  95]]
    """
    codes = adx_values(density, base=base, bits=bits)
    if np.isnan(codes).any():
        raise CallerError("ADX codes need densities that are known, found some that are not a number.")
    return np.rint(np.clip(codes, 0.0, 2.0**bits - 1.0)).astype(np.uint16)


def _in_step(
    printing: NDArray[np.float64], own: NDArray[np.float64], green: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Printing density of one layer brought in step with green, by base and greys in both."""
    if own.size == 1:
        return printing
    from scipy.interpolate import PchipInterpolator

    slopes = np.diff(green) / np.diff(own)
    held = np.clip(printing, own[0], own[-1])
    inside = PchipInterpolator(own, green)(held) if own.size > 2 else slopes[0] * held
    below, beyond = np.minimum(printing - own[0], 0.0), np.maximum(printing - own[-1], 0.0)
    return np.asarray(inside + slopes[0] * below + slopes[-1] * beyond, np.float64)


def _grey_points(decision: InversionDecision) -> NDArray[np.float64]:
    """Printing densities of base and greys, shape (greys + 1, 3), rising; refused where they don't."""
    greys = (*decision.greys, *((decision.card,) if decision.card is not None else ()))
    picked = np.array([_triple(grey, "A grey") for grey in greys], np.float64).reshape(-1, 3)
    points = np.vstack([np.zeros((1, 3)), apply_dyefade(picked, solve_unmixing(decision))])
    points = points[np.argsort(points[:, 1], kind="stable")]
    if (np.diff(points, axis=0) < 0.05).any():
        raise CallerError(
            "Greys of a negative must be denser than its base and than each other by 0.05 or more in each of the "
            f"three channels, found {[tuple(round(v, 3) for v in row) for row in points.tolist()]} above the base; "
            "pick others, or fewer."
        )
    return points


def _middle_grey(decision: InversionDecision) -> float:
    """Printing density above the base that prints as middle grey."""
    if decision.card is None:
        return decision.grey
    card = np.asarray(_triple(decision.card, "A grey card"))
    return float(apply_dyefade(card, solve_unmixing(decision))[1])


def _triple(values: Sequence[float], what: str) -> Triple:
    numbers = tuple(float(value) for value in values)
    if len(numbers) != 3 or not np.isfinite(numbers).all():
        raise CallerError(f"{what} needs three finite densities, red, green and blue, got {numbers}.")
    return numbers[0], numbers[1], numbers[2]


def _check_base(base: Triple) -> None:
    if not all(-0.2 <= value <= 3.0 for value in base):
        raise CallerError(
            f"The base of a negative has densities from 0 to 3, got {base}; read it on the unexposed border."
        )


def _check_channels(density: NDArray[np.floating]) -> None:
    if density.ndim < 1 or density.shape[-1] != 3:
        raise CallerError(
            f"Densities must stand in an array whose last axis holds 3 channels, got shape {density.shape}."
        )

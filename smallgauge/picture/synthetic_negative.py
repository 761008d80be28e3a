"""Drawn colour negatives with known truth: dyes, couplers that make the mask, a scanner, and a laboratory's print.

draw_negative           exposure of the scene, stock  ->  share of light let through at each wavelength
draw_scan               spectra, light of the scanner ->  the scanner's light of R, G, B, flare and noise in it
draw_printing_density   exposure, stock               ->  density as the layers of a print film see it
draw_laboratory_print   exposure, stock               ->  density of the print that a laboratory would make

The inversion knows nothing of this file: neither dyes nor curves of the layers nor what a printer sees. All is invented,
after the usual build of masked negative film: the magenta layer's couplers are yellow and the cyan layer's are pinkish until
dye is made of them, so that what the dyes hold back where they should not is the same in dark and light. That is the mask.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.negative import NORMAL_GREY, PRINT_CONTRAST, print_density

Array = NDArray[np.float64]
Peaks = tuple[tuple[float, float, float], ...]  # centre nm, sigma nm, height

WAVELENGTHS_NM: Array = np.arange(380.0, 781.0, 2.0)
# Centre and sigma, nm, of what the scanner's red, green and blue see: narrow lamps, or a colour camera in white light.
SCANNERS: dict[str, tuple[tuple[float, float], ...]] = {
    "narrow": ((630.0, 8.5), (530.0, 8.5), (460.0, 8.5)),
    "broad": ((600.0, 38.0), (540.0, 42.0), (460.0, 34.0)),
}
PRINTER = ((682.0, 14.0), (549.0, 13.0), (466.0, 14.0))  # what the print film's three layers see
GREY = 0.18  # exposure of middle grey; 1 is a perfect white in the same light
GREY_SLOPE = 0.55  # printing density to log10 exposure at middle grey, all three layers alike
# The layers' curve is a logistic over log10 exposure: its steepness, and how far above middle grey half of all couplers are
# dye. Middle grey then lies near 0.70 of printing density above the base, where ADX has normal exposure.
STEEP, HALF_ABOVE = 0.5, 0.66


@dataclass(frozen=True, slots=True, kw_only=True)
class NegativeStock:
    """A negative: Gaussians of its dyes and of the couplers that mask, and how unlike its layers are.

    `mask` are the couplers that go as cyan and magenta dye is made (yellow's are colourless), `base` the colour of the rest.
    `speed` shifts each layer's curve in log10 exposure and `contrast` multiplies its slope, against the balanced stock.
    """

    name: str
    dyes: tuple[Peaks, Peaks, Peaks]
    mask: tuple[Peaks, Peaks, Peaks]
    base: Peaks
    speed: tuple[float, float, float] = (0.0, 0.0, 0.0)
    contrast: tuple[float, float, float] = (1.0, 1.0, 1.0)


STOCKS: dict[str, NegativeStock] = {
    "first": NegativeStock(
        name="first",
        dyes=(
            ((692, 48, 1.0), (570, 45, 0.16), (420, 45, 0.10)),
            ((552, 34, 1.0), (440, 38, 0.18), (630, 30, 0.05)),
            ((449, 36, 1.0), (530, 35, 0.05)),
        ),
        mask=(((545, 40, 0.16), (450, 45, 0.09)), ((440, 36, 0.19),), ()),
        base=((380, 60, 0.14), (560, 400, 0.06)),
    ),
    "second": NegativeStock(
        name="second",
        dyes=(
            ((704, 55, 1.0), (585, 40, 0.20), (430, 40, 0.07)),
            ((546, 38, 1.0), (448, 34, 0.14), (625, 35, 0.08)),
            ((443, 40, 1.0), (540, 30, 0.03)),
        ),
        mask=(((540, 45, 0.21), (445, 40, 0.06)), ((445, 40, 0.15),), ()),
        base=((390, 50, 0.20), (560, 400, 0.05)),
        speed=(0.03, 0.0, -0.04),
        contrast=(0.98, 1.0, 1.03),
    ),
}


def draw_negative(exposure: NDArray[np.floating], *, stock: NegativeStock) -> Array:
    """Share of light that a negative lets through.

    Parameters
    ----------
    exposure : floating array, shape (..., 3)
        What the red, green and blue sensitive layers saw; a perfect white at normal exposure is 1, 0 no light.
    stock : NegativeStock

    Returns
    -------
    float64 array, shape (..., wavelengths)

    Raises
    ------
    CallerError
        If the last axis is not 3 long or an exposure is below 0.

    Notes
    -----
    Source: derived (dyes and unused couplers add in density). Curves: a logistic over log exposure, invented.

    Examples
    --------
    >>> through = draw_negative(np.array([[0.0] * 3, [1.0] * 3]), stock=STOCKS["first"])
    >>> through.shape, bool((through[0] > through[1]).all())
    ((2, 201), True)
    """
    seen: Array = np.asarray(exposure, np.float64)
    if seen.ndim < 1 or seen.shape[-1] != 3 or (seen < 0).any():
        raise CallerError(f"A negative needs exposures of three layers, 0 or more, got shape {seen.shape}.")
    return _through(_shares(seen, stock), np.asarray(_balance(stock)), stock)


def draw_scan(
    through: Array,
    *,
    light: str,
    flare: float = 0.0,
    noise: float = 0.0,
    seed: int = 1,
) -> Array:
    """The scanner's light of film, R G B, open gate 1.

    Parameters
    ----------
    through : float64 array, shape (..., wavelengths)
    light : "narrow" or "broad"
    flare : float
        Light that reaches the sensor past the film, share of the open gate's.
    noise : float
        Sigma of light.
    seed : int

    Returns
    -------
    float64 array, shape (..., 3)

    Raises
    ------
    CallerError
        If `light` is neither.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> print(draw_scan(np.full((1, 201), 0.25), light="narrow", flare=0.01).round(4))
    [[0.2575 0.2575 0.2575]]
    """
    if light not in SCANNERS:
        raise CallerError(f"The scanner's light is {' or '.join(SCANNERS)}, found '{light}'.")
    seen = _seen(through, SCANNERS[light])
    random = np.random.default_rng(seed)
    return np.asarray(seen * (1 - flare) + flare + noise * random.standard_normal(seen.shape), np.float64)


def draw_printing_density(exposure: NDArray[np.floating], *, stock: NegativeStock) -> Array:
    """Density R, G, B of a negative as the layers of a print film see it.

    Parameters
    ----------
    exposure : floating array, shape (..., 3)
        As for `draw_negative`.
    stock : NegativeStock

    Returns
    -------
    float64 array, shape (..., 3)

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> grey, dark = (draw_printing_density(np.full(3, e), stock=STOCKS["first"]) for e in (0.18, 0.0))
    >>> print((grey - dark).round(2))
    [0.7  0.7  0.71]
    """
    return np.asarray(-np.log10(_seen(draw_negative(exposure, stock=stock), PRINTER)), np.float64)


def draw_laboratory_print(
    exposure: NDArray[np.floating], *, stock: NegativeStock, contrast: float = PRINT_CONTRAST
) -> Array:
    """Density R G B of a print timed on a grey card: the truth that an inversion is held to.

    Parameters
    ----------
    exposure : floating array, shape (..., 3)
        As for `draw_negative`.
    stock : NegativeStock
    contrast : float
        Of the print.

    Returns
    -------
    float64 array, shape (..., 3)
        Each layer of the print sees the negative through its own sensitivity; the three lamps of the printer are set so
        that middle grey prints as `print_density` of normal grey; the print's dyes are ideal.

    Notes
    -----
    Source: derived (contact printing: density of a layer of the print follows the light that it saw).

    Examples
    --------
    >>> print(draw_laboratory_print(np.full((1, 3), 0.18), stock=STOCKS["second"]).round(2))
    [[0.85 0.85 0.85]]
    """
    grey = draw_printing_density(np.full(3, GREY), stock=stock)
    above = draw_printing_density(exposure, stock=stock) - grey + NORMAL_GREY
    return np.asarray(print_density(above, contrast=contrast), np.float64)


def _seen(through: Array, bands: tuple[tuple[float, float], ...]) -> Array:
    nm = WAVELENGTHS_NM
    weights = np.array([np.exp(-0.5 * ((nm - centre) / sigma) ** 2) for centre, sigma in bands])
    weights /= weights.sum(axis=1, keepdims=True)
    return np.asarray(through @ weights.T, np.float64)


def _curves(curves: tuple[Peaks, ...]) -> Array:
    nm = WAVELENGTHS_NM
    return np.array(
        [sum((h * np.exp(-0.5 * ((nm - c) / s) ** 2) for c, s, h in peaks), 0 * nm) for peaks in curves]
    )


def _shares(exposure: Array, stock: NegativeStock) -> Array:
    """Share of the couplers that became dye: a logistic over log exposure, with the stock's own unlikeness."""
    shifted = np.log10(np.maximum(exposure, 1e-9)) + np.asarray(stock.speed)
    steep = STEEP * np.asarray(stock.contrast)
    return np.asarray(1.0 / (1.0 + 10.0 ** (-steep * (shifted - np.log10(GREY) - HALF_ABOVE))), np.float64)


def _through(shares: Array, largest: Array, stock: NegativeStock) -> Array:
    """Light through film of whose couplers these shares are dye: what is not yet dye masks."""
    dyes, mask = (_curves(each) * largest[:, None] for each in (stock.dyes, stock.mask))
    density = shares @ dyes + (1.0 - shares) @ mask
    return np.asarray(10.0 ** -(density + _curves((stock.base,))[0]), np.float64)


@lru_cache(maxsize=8)
def _balance(stock: NegativeStock) -> tuple[float, float, float]:
    """Largest amount of each dye such that the printing densities of greys rise alike at middle grey.

    The film is balanced for its printer as its maker would balance it; `speed` and `contrast` are what is left.
    """
    made = replace(stock, speed=(0.0, 0.0, 0.0), contrast=(1.0, 1.0, 1.0))
    greys = np.repeat(GREY * 10.0 ** np.array([[-0.05], [0.05]]), 3, axis=1)
    shares = _shares(greys, made)
    largest = np.full(3, 2.0)

    def slopes(amounts: Array) -> Array:
        density = -np.log10(_seen(_through(shares, amounts, made), PRINTER))
        return np.asarray((density[1] - density[0]) / 0.1, np.float64)

    for _ in range(20):
        now = slopes(largest)
        steps = 1e-4 * np.eye(3)
        jacobian = np.stack([(slopes(largest + step) - now) / 1e-4 for step in steps], axis=1)
        largest = largest + np.linalg.solve(jacobian, GREY_SLOPE - now)
    red, green, blue = largest.tolist()
    return red, green, blue

"""Dyes that reversal film may have, and what a scanner reads of them: from amounts of dye to density and back.

neutral_factors   curves of three dyes    ->  how much of each makes a neutral of density 1
band_density      amounts, dyes, light    ->  densities that a scanner reads
dye_amounts       densities, dyes, light  ->  amounts of dye
likely_dyes                               ->  LikelyDyes: sets of dyes that a film may have

Which dyes a film has is hardly ever known, but those of chromogenic stocks are alike: sets of dyes are
scattered about a typical one, and fewer about dyes that are not made in development.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError

Array = NDArray[np.float64]
Peaks = tuple[tuple[float, float, float], ...]  # centre nm, sigma nm, height

WAVELENGTHS_NM: Array = np.arange(380.0, 781.0, 5.0)
# Cyan, magenta, yellow; invented after the usual shape of chromogenic dyes.
TYPICAL_DYES: tuple[Peaks, Peaks, Peaks] = (
    ((655.0, 45.0, 1.0), (560.0, 40.0, 0.12), (430.0, 45.0, 0.10)),
    ((545.0, 32.0, 1.0), (440.0, 40.0, 0.17), (620.0, 30.0, 0.08)),
    ((445.0, 38.0, 1.0), (530.0, 35.0, 0.06)),
)
# Dyes that are put into the layers and not made in development, which hardly fade in the dark; invented.
OTHER_DYES: tuple[Peaks, Peaks, Peaks] = (
    ((645.0, 40.0, 1.0), (570.0, 25.0, 0.03), (420.0, 40.0, 0.04)),
    ((538.0, 30.0, 1.0), (445.0, 38.0, 0.22), (622.0, 24.0, 0.09)),
    ((436.0, 39.0, 1.0), (530.0, 30.0, 0.02)),
)
OTHER_SHARE = 0.2  # of stocks; invented, weak
# Centre and full width at half height of the scanner's red, green and blue, nm: usual ones, no source.
BANDS = {
    "narrow": ((630.0, 20.0), (530.0, 20.0), (460.0, 20.0)),
    "broad": ((600.0, 90.0), (540.0, 100.0), (460.0, 80.0)),
}
# How far the dyes of stocks lie apart, one sigma: main peak nm, its width; side peaks nm, width, height. Invented.
MAIN_NM, MAIN_WIDTH, SIDE_NM, SIDE_WIDTH, SIDE_HEIGHT = 5.0, 0.08, 8.0, 0.10, 0.4
SETS, OTHER_SETS = 600, 400  # of dyes about the typical ones and about the others
MOST_STEP, LEAST_AMOUNT = 0.8, -0.2  # of an amount in Newton's method
USUAL_BORDER = 2.9  # of a dye in unexposed film, where the sets are compared; common practice, no source
SIGMAS_WIDE = float(np.sqrt(8.0 * np.log(2.0)))  # full width at half height of a Gaussian


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LikelyDyes:
    """Sets of dyes that a film may have; amount 1 of each dye of a set together is a neutral of density 1."""

    curves: Array  # (n, 3, wavelengths): density of cyan, magenta, yellow at `WAVELENGTHS_NM`
    share: Array  # (n,): how likely each is before any evidence; they sum to 1


def dye_curves(dyes: tuple[Peaks, Peaks, Peaks]) -> Array:
    """Density of each dye at `WAVELENGTHS_NM`, shape (3, wavelengths), as the peaks are given."""
    nm = WAVELENGTHS_NM
    return np.array([sum(h * np.exp(-0.5 * ((nm - c) / s) ** 2) for c, s, h in peaks) for peaks in dyes])


def neutral_factors(curves: Array) -> Array:
    """How much of each of three dyes makes a visual neutral of density 1.

    Parameters
    ----------
    curves : array, shape (..., 3, wavelengths)
        Density at `WAVELENGTHS_NM`, of one set of dyes or of many.

    Returns
    -------
    float64 array, shape (..., 3)

    Notes
    -----
    Sources: Wyman, Sloan and Shirley 2013 (fit to the CIE 1931 2-degree observer); light as a black body of
    5003 K, close to D50.

    Examples
    --------
    >>> print(neutral_factors(dye_curves(TYPICAL_DYES)).round(2))
    [1.12 0.9  0.86]
    """
    nm = WAVELENGTHS_NM

    def lobe(centre: float, below: float, above: float) -> Array:
        return np.asarray(np.exp(-0.5 * ((nm - centre) / np.where(nm < centre, below, above)) ** 2))

    x = 1.056 * lobe(599.8, 37.9, 31.0) + 0.362 * lobe(442.0, 16.0, 26.7) - 0.065 * lobe(501.1, 20.4, 26.2)
    y = 0.821 * lobe(568.8, 46.9, 40.5) + 0.286 * lobe(530.9, 16.3, 31.1)
    z = 1.217 * lobe(437.0, 11.8, 36.0) + 0.681 * lobe(459.0, 26.0, 13.8)
    weights = np.stack([x, y, z]) * nm**-5.0 / (np.exp(1.4388e7 / (nm * 5003.0)) - 1.0)
    return _amounts_by_newton(
        np.ones(curves.shape[:-1]), curves, weights / weights.sum(axis=1, keepdims=True), steps=8
    )


def _amounts_by_newton(density: Array, curves: Array, weights: Array, *, steps: int) -> Array:
    """Amounts that give densities under three weightings of the wavelengths; the densities are close to linear in them."""
    amounts = np.broadcast_to(density, np.broadcast_shapes(density.shape, curves.shape[:-1])).astype(
        np.float64
    )
    turned = np.swapaxes(curves, -1, -2)
    for _ in range(steps):
        through = np.power(10.0, -(amounts[..., None, :] @ curves)[..., 0, :])
        seen = through @ weights.T
        slope = (weights * through[..., None, :]) @ turned / seen[..., None]
        change = np.linalg.solve(slope, (density + np.log10(seen))[..., None])[..., 0]
        amounts = np.maximum(amounts + np.clip(change, -MOST_STEP, MOST_STEP), LEAST_AMOUNT)
    return amounts


def band_density(amounts: Array, curves: Array, light: str) -> Array:
    """Densities that a scanner reads of amounts of dye, clear film 0.

    Parameters
    ----------
    amounts : array, shape (..., 3)
    curves : array, shape (3, wavelengths)
        Density of amount 1 of each dye at `WAVELENGTHS_NM`.
    light : {"narrow", "broad"}

    Returns
    -------
    float64 array, shape (..., 3)
        Red, green, blue.

    Raises
    ------
    CallerError
        For another light.

    Notes
    -----
    Source: definition (light of a band is the mean over its wavelengths).

    Examples
    --------
    >>> curves = dye_curves(TYPICAL_DYES)
    >>> curves *= neutral_factors(curves)[:, None]
    >>> print(band_density(np.ones(3), curves, "narrow").round(1))
    [1.1 1.1 1. ]
    """
    through = np.power(10.0, -(amounts @ curves))
    return np.asarray(-np.log10(through @ _bands(light).T))


def _bands(light: str) -> Array:
    """Share of each wavelength in the scanner's red, green and blue."""
    if light not in BANDS:
        raise CallerError(f'light must be "narrow" or "broad", got "{light}".')
    bands = np.array(
        [np.exp(-0.5 * ((WAVELENGTHS_NM - c) / (w / SIGMAS_WIDE)) ** 2) for c, w in BANDS[light]]
    )
    return np.asarray(bands / bands.sum(axis=1, keepdims=True))


def dye_amounts(density: Array, curves: Array, light: str) -> Array:
    """Amounts of dye that a scanner reads as these densities above the clear film: `band_density` turned round.

    Parameters
    ----------
    density : array, shape (..., 3)
        Red, green, blue.
    curves : array, shape (..., 3, wavelengths)
        Of one set of dyes, or as many sets as `density` has rows (they broadcast).
    light : {"narrow", "broad"}

    Returns
    -------
    float64 array, shape (..., 3)
        Cyan, magenta, yellow; -0.2 at the least. NaN where a density is NaN.

    Raises
    ------
    CallerError
        For another light.

    Notes
    -----
    Newton's method. Source: ours.

    Examples
    --------
    >>> curves = dye_curves(TYPICAL_DYES)
    >>> print(dye_amounts(band_density(np.array([0.4, 2.8, 1.9]), curves, "broad"), curves, "broad").round(3))
    [0.4 2.8 1.9]
    """
    return _amounts_by_newton(np.asarray(density, np.float64), curves, _bands(light), steps=12)


def _scattered(rng: np.random.Generator, about: tuple[Peaks, Peaks, Peaks]) -> Array:
    """Curves of a set of dyes that a stock might have."""
    dyes = []
    for main, *sides in about:
        peaks = [(main[0] + rng.normal(0.0, MAIN_NM), main[1] * (1.0 + rng.normal(0.0, MAIN_WIDTH)), 1.0)]
        for centre, sigma, height in sides:
            grown = max(0.0, 1.0 + rng.normal(0.0, SIDE_HEIGHT))
            width = sigma * max(0.5, 1.0 + rng.normal(0.0, SIDE_WIDTH))
            peaks.append((centre + rng.normal(0.0, SIDE_NM), width, height * grown))
        dyes.append(tuple(peaks))
    return dye_curves((dyes[0], dyes[1], dyes[2]))


@cache
def likely_dyes() -> LikelyDyes:
    """The sets of dyes that a film may have, the typical one first.

    Notes
    -----
    Source: ours, invented: `TYPICAL_DYES` and `OTHER_DYES`, scattered.

    Examples
    --------
    >>> sets = likely_dyes()
    >>> sets.curves.shape[1:], round(float(sets.share.sum()), 6)
    ((3, 81), 1.0)
    """
    rng = np.random.default_rng(5)
    curves, share = [dye_curves(TYPICAL_DYES)], [1.0]
    for about, count, part in (
        (TYPICAL_DYES, SETS - 1, 1.0),
        (OTHER_DYES, OTHER_SETS, OTHER_SHARE * SETS / OTHER_SETS),
    ):
        curves += [_scattered(rng, about) for _ in range(count)]
        share += [part] * count
    drawn = np.array(curves)
    return LikelyDyes(curves=drawn * neutral_factors(drawn)[..., None], share=np.array(share) / sum(share))

"""Typical dyes of reversal film as a scanner reads them: from amounts of dye to density and back.

neutral_factors      curves of three dyes   ->  how much of each makes a neutral of density 1
band_density         amounts, dyes, light   ->  densities that a scanner reads
typical_dye_model    light of the scanner   ->  DyeModel: both ways as polynomials, and how far dyes differ

Which dyes a film has is hardly ever known, but those of chromogenic stocks are alike. The polynomials are fitted
to many sets of dyes scattered about a typical one: a scanner with narrow light reads near enough a matrix of
the amounts, one with broad light needs squares and products. How much the sets differ in what an unfaded
black reads is the uncertainty that comes of not knowing the dyes.
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
BLACKS = 200  # draws of what an unfaded black may read
SETS, MIXTURES = 60, 200  # of dyes, and mixtures of each
MOST_AMOUNT = 3.2  # of a dye in unexposed film; common practice, no source
USUAL_BORDER = 2.9  # of a dye in unexposed film, where the sets are compared; common practice, no source
SIGMAS_WIDE = float(np.sqrt(8.0 * np.log(2.0)))  # full width at half height of a Gaussian


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DyeModel:
    """Amounts of dye from densities above the clear film and back, rows of ten coefficients each."""

    light: str  # "narrow" or "broad"
    amounts: Array  # (3, 10): cyan, magenta, yellow of the densities red, green, blue
    density: Array  # (3, 10): red, green, blue of the amounts
    samples: Array  # (n, 3): densities of mixtures, that a polynomial back is fitted on
    black: Array  # (n, 3): logarithms of what is read in an unfaded black over its amounts, dyes not known


def dye_curves(dyes: tuple[Peaks, Peaks, Peaks]) -> Array:
    """Density of each dye at `WAVELENGTHS_NM`, shape (3, wavelengths), as the peaks are given."""
    nm = WAVELENGTHS_NM
    return np.array([sum(h * np.exp(-0.5 * ((nm - c) / s) ** 2) for c, s, h in peaks) for peaks in dyes])


def neutral_factors(curves: Array) -> Array:
    """How much of each of three dyes makes a visual neutral of density 1.

    Parameters
    ----------
    curves : array, shape (3, wavelengths)
        Density at `WAVELENGTHS_NM`.

    Returns
    -------
    float64 array, shape (3,)

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
    lamp = nm**-5.0 / (np.exp(1.4388e7 / (nm * 5003.0)) - 1.0)
    weights = np.stack([x, y, z]) * lamp
    weights /= weights.sum(axis=1, keepdims=True)
    factors = np.ones(3)
    for _ in range(30):  # Newton's method; the densities are close to linear in the amounts
        through = np.power(10.0, -(factors @ curves))
        seen = weights @ through
        slope = (weights * through) @ curves.T / seen[:, None]
        factors = factors - np.linalg.solve(slope, -np.log10(seen) - 1.0)
    return factors


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
    if light not in BANDS:
        raise CallerError(f'light must be "narrow" or "broad", got "{light}".')
    bands = np.array(
        [np.exp(-0.5 * ((WAVELENGTHS_NM - c) / (w / SIGMAS_WIDE)) ** 2) for c, w in BANDS[light]]
    )
    through = np.power(10.0, -(amounts @ curves))
    return np.asarray(-np.log10(through @ (bands / bands.sum(axis=1, keepdims=True)).T))


def _scattered(rng: np.random.Generator, about: tuple[Peaks, Peaks, Peaks]) -> Array:
    """Curves of a set of dyes that a stock might have, scaled to a neutral."""
    dyes = []
    for main, *sides in about:
        peaks = [(main[0] + rng.normal(0.0, MAIN_NM), main[1] * (1.0 + rng.normal(0.0, MAIN_WIDTH)), 1.0)]
        for centre, sigma, height in sides:
            grown = max(0.0, 1.0 + rng.normal(0.0, SIDE_HEIGHT))
            width = sigma * max(0.5, 1.0 + rng.normal(0.0, SIDE_WIDTH))
            peaks.append((centre + rng.normal(0.0, SIDE_NM), width, height * grown))
        dyes.append(tuple(peaks))
    curves = dye_curves((dyes[0], dyes[1], dyes[2]))
    return curves * neutral_factors(curves)[:, None]


def fit_back(there: Array, density: Array) -> Array:
    """The polynomial that leads back from the amounts that `there` gives of some densities, least squares.

    Examples
    --------
    >>> same = np.eye(3, 10, k=1)
    >>> back = fit_back(same, np.random.default_rng(1).uniform(0.0, 3.0, (50, 3)))
    >>> bool(np.abs(back - same).max() < 1e-9)
    True
    """
    from smallgauge.picture.dyefade import polynomial_terms

    weight = 1.0 / (0.3 + density.mean(axis=1, keepdims=True))  # an error counts as a share
    found = np.asarray(polynomial_terms(np.asarray(polynomial_terms(density)) @ there.T))[:, 1:]
    back = np.zeros((3, 10))
    back[:, 1:] = np.linalg.lstsq(weight * found, weight * density, rcond=None)[0].T
    return back


@cache
def typical_dye_model(light: str) -> DyeModel:
    """The polynomials for a scanner's light: a matrix for narrow light, the second degree for broad.

    Parameters
    ----------
    light : {"narrow", "broad"}

    Returns
    -------
    DyeModel
        Fitted by least squares to mixtures of scattered dyes, faded and not. Clear film gives 0.

    Raises
    ------
    CallerError
        For another light.

    Notes
    -----
    Source: linear density model of Gschwind and Frey 1994; the second degree for broad light, and the scattered
    dyes, are ours.

    Examples
    --------
    >>> print(typical_dye_model("narrow").density[:, 1:4].round(1).tolist())
    [[0.9, 0.1, -0.0], [0.1, 0.8, 0.1], [0.1, 0.2, 0.8]]
    """
    from smallgauge.picture.dyefade import polynomial_terms

    rng = np.random.default_rng(5)
    sets = [_scattered(rng, TYPICAL_DYES) for _ in range(SETS)]
    amounts, read = [], []
    for curves in sets:
        grey = rng.uniform(0.0, MOST_AMOUNT, (MIXTURES, 1))
        mixed = grey + rng.normal(0.0, 0.35, (MIXTURES, 3)) * np.minimum(1.0, grey)
        mixed = mixed.clip(0.0, MOST_AMOUNT) * rng.choice([0.4, 0.6, 0.8, 1.0, 1.0, 1.0], (MIXTURES, 3))
        amounts.append(mixed)
        read.append(band_density(mixed, curves, light))
    wanted, terms = np.concatenate(amounts), np.asarray(polynomial_terms(np.concatenate(read)))[:, 1:]
    weight = 1.0 / (0.3 + wanted.mean(axis=1, keepdims=True))  # an error counts as a share
    there, back = np.zeros((3, 10)), np.zeros((3, 10))
    if light == "narrow":  # the matrix of the mean dyes, and its inverse
        back[:, 1:4] = np.linalg.lstsq(weight * wanted, weight * terms[:, :3], rcond=None)[0].T
        there[:, 1:4] = np.linalg.inv(back[:, 1:4])
    else:
        there[:, 1:] = np.linalg.lstsq(weight * terms, weight * wanted, rcond=None)[0].T
        back = fit_back(there, terms[:, :3])
    drawn = []
    for about, count in ((TYPICAL_DYES, BLACKS), (OTHER_DYES, round(OTHER_SHARE * BLACKS))):
        kind = sets if about is TYPICAL_DYES else [_scattered(rng, about) for _ in range(SETS)]
        black = np.stack([band_density(np.full(3, USUAL_BORDER), curves, light) for curves in kind])
        read_as = np.log(np.asarray(polynomial_terms(black)) @ there.T / USUAL_BORDER)
        read_as -= read_as.mean(axis=1, keepdims=True)  # how much of all three is the level's, not the dyes'
        middle, spread = read_as.mean(axis=0), np.cov(read_as.T) + 1e-6 * np.eye(3)
        if (
            about is TYPICAL_DYES
        ):  # how far the polynomials err in a black is less in a faded one: scatter, no offset
            middle, spread = np.zeros(3), spread + np.outer(middle, middle)
        drawn.append(rng.multivariate_normal(middle, spread, count, method="cholesky"))
    return DyeModel(
        light=light, amounts=there, density=back, samples=terms[::7, :3], black=np.concatenate(drawn)
    )

"""Faded reversal film with known truth: dyes, fading, a scanner's readings. The corrector does not know these.

draw_amounts    content, number  ->  amounts of the three dyes in unfaded film
draw_spectra    amounts, dyes    ->  share of light let through at each wavelength
draw_readings   spectra, scanner ->  the scanner's light of each channel, flare, floor and noise in it

Dyes are sums of Gaussians. "first" is the set that the corrector takes as typical, so film drawn of it has
matched dyes; "second" and "third" are other dyes. All are invented: the first after the usual shape of
chromogenic dyes, the second so that a scanner with narrow light reads them about as it reads the dyes of one
reversal stock, the third so for one whose dyes are not made in development.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError

Array = NDArray[np.float64]
Peaks = tuple[tuple[float, float, float], ...]  # centre nm, sigma nm, height

WAVELENGTHS_NM: Array = np.arange(380.0, 781.0, 2.0)
FULL_WIDTH = 2.3548200450309493  # full width at half height of a Gaussian, in sigmas
CONTENTS = ("neutral", "foliage", "sky and sea", "tungsten interior")
LIGHTS = {
    # centre and full width at half height of the red, green and blue channel, nm
    "narrow": ((630.0, 20.0), (530.0, 20.0), (460.0, 20.0)),
    "broad": ((600.0, 90.0), (540.0, 100.0), (460.0, 80.0)),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class DyeSet:
    """Three dyes: Gaussians of the layers cyan, magenta, yellow, and how much of each makes a neutral of D 1.

    `neutral` are the factors on the curves for a visual neutral of density 1 under D50 and the 1931
    2-degree observer.
    """

    name: str
    curves: tuple[Peaks, Peaks, Peaks]
    neutral: tuple[float, float, float]

    def densities(self) -> Array:
        """Density of amount 1 of each dye at each wavelength, shape (3, wavelengths)."""
        nm = WAVELENGTHS_NM
        rows = [
            sum((height * np.exp(-0.5 * ((nm - centre) / sigma) ** 2) for centre, sigma, height in peaks))
            for peaks in self.curves
        ]
        return np.asarray(np.array(rows) * np.array(self.neutral)[:, None])


DYE_SETS: dict[str, DyeSet] = {
    "first": DyeSet(
        name="first",
        curves=(
            ((655, 45, 1.0), (560, 40, 0.12), (430, 45, 0.10)),
            ((545, 32, 1.0), (440, 40, 0.17), (620, 30, 0.08)),
            ((445, 38, 1.0), (530, 35, 0.06)),
        ),
        neutral=(1.1293, 0.8934, 0.8627),
    ),
    "second": DyeSet(
        name="second",
        curves=(
            ((660, 44, 1.0), (575, 40, 0.14), (420, 50, 0.05)),
            ((548, 36, 1.0), (445, 38, 0.14), (630, 26, 0.06)),
            ((452, 40, 1.0), (540, 30, 0.03)),
        ),
        neutral=(1.1371, 0.8420, 0.9087),
    ),
    "third": DyeSet(
        name="third",
        curves=(
            ((640, 40, 1.0), (570, 20, 0.02), (420, 40, 0.03)),
            ((540, 30, 1.0), (445, 40, 0.24), (625, 22, 0.10)),
            ((432, 40, 1.0), (530, 30, 0.02)),
        ),
        neutral=(1.1333, 1.0991, 0.9186),
    ),
}

BORDER_AMOUNT = 2.9  # of each dye in unexposed film; invented, as a visual density of 3 with the base
CONTRAST = (
    1.08  # of the layers' curve, by which a grey's density falls by 1.8 for a factor ten of light; invented
)
MIDDLE_LIGHT = -0.354  # log10 of the exposure that gives half the border's amount, a grey card 0; invented
BASE_DENSITY = 0.15  # of the clear film, with a little more of it in blue; invented
# Mean and scatter of log10 exposure of red, green, blue in the coloured part of a content; invented.
_COLOURED = {
    "neutral": ((0.0, 0.0, 0.0), (0.16, 0.10, 0.18)),
    "foliage": ((-0.15, 0.10, -0.30), (0.08, 0.05, 0.12)),
    "sky and sea": ((-0.22, 0.0, 0.20), (0.10, 0.04, 0.08)),
    "tungsten interior": ((0.24, 0.0, -0.36), (0.08, 0.03, 0.12)),
}
_COLOURED_SHARE = 0.6


def draw_amounts(
    content: str, *, count: int, seed: int, border: tuple[float, float, float] = (BORDER_AMOUNT,) * 3
) -> Array:
    """Amounts of the three dyes in the patches of a scene on unfaded reversal film.

    Parameters
    ----------
    content : {"neutral", "foliage", "sky and sea", "tungsten interior"}
        Three fifths of the patches have the content's colours, the others are near grey.
    count, seed : int
        Patches, and what chance starts from.
    border : three floats
        Amounts of cyan, magenta, yellow in unexposed film: unequal ones are a cast of the blacks.

    Returns
    -------
    float64 array, shape (count, 3)
        Amounts, 0 and more; 1 of each is a visual neutral of density 1. The first tenth is a grey scale
        from white to black, every hundredth patch is clear film.

    Raises
    ------
    CallerError
        For another content.

    Notes
    -----
    Source: invented; the curve is a logistic of log exposure, as reversal film's is about.

    Examples
    --------
    >>> amounts = draw_amounts("foliage", count=100, seed=1)
    >>> print(amounts.shape, bool(amounts.min() >= 0), bool(amounts.max() <= BORDER_AMOUNT))
    (100, 3) True True
    """
    if content not in _COLOURED:
        raise CallerError(f'content must be one of {", ".join(CONTENTS)}, got "{content}".')
    rng = np.random.default_rng(seed)
    light = rng.normal(0.0, 0.45, count).clip(-1.5, 1.1)
    mean, scatter = _COLOURED[content]
    colour = rng.normal(0.0, 0.04, (count, 3))
    coloured = rng.random(count) < _COLOURED_SHARE
    colour[coloured] = rng.normal(mean, scatter, (int(coloured.sum()), 3))
    greys = count // 10
    light[:greys], colour[:greys] = np.linspace(1.3, -1.8, greys), 0.0
    log_exposure = light[:, None] + colour
    amounts = np.array(border) / (1.0 + np.power(10.0, CONTRAST * (log_exposure - MIDDLE_LIGHT)))
    amounts[::100] = 0.0
    return np.asarray(amounts)


def draw_spectra(
    amounts: Array, dyes: DyeSet, *, left: tuple[float, float, float] = (1.0, 1.0, 1.0), stain: float = 0.0
) -> Array:
    """Share of light that film lets through at each wavelength.

    Parameters
    ----------
    amounts : array, shape (..., 3)
        Cyan, magenta, yellow, as drawn.
    dyes : DyeSet
    left : three floats
        Share of each dye that is left: its fading.
    stain : float
        Density of the stain at 430 nm.

    Returns
    -------
    float64 array, shape (..., wavelengths)

    Notes
    -----
    Source: definition (densities of layers add up).

    Examples
    --------
    >>> grey = draw_spectra(np.ones(3), DYE_SETS["first"])
    >>> print(grey.shape, bool(0.0 < grey.min() < grey.max() < 1.0))
    (201,) True
    """
    nm = WAVELENGTHS_NM
    base = BASE_DENSITY + 0.02 * np.exp(-0.5 * ((nm - 420.0) / 60.0) ** 2)
    base = base + stain * np.exp(-0.5 * ((nm - 430.0) / 40.0) ** 2)
    return np.asarray(np.power(10.0, -(base + (amounts * np.array(left)) @ dyes.densities())))


def draw_readings(
    spectra: Array,
    light: str,
    *,
    flare_light: tuple[float, float, float] = (0.0, 0.0, 0.0),
    floor_density: float = 6.0,
    noise: float = 0.0,
    seed: int = 0,
) -> Array:
    """What a scanner reads of film: linear light of red, green and blue, open gate 1.

    Parameters
    ----------
    spectra : array, shape (..., wavelengths)
        From `draw_spectra`.
    light : {"narrow", "broad"}
        The scanner's bands, `LIGHTS`.
    flare_light : three floats
        Light that comes from elsewhere in the view, added.
    floor_density : float
        Highest density that the scanner tells: less light than this reads as this.
    noise : float
        Standard deviation of the sensor's noise at open gate; a tenth of it remains in the dark.
    seed : int
        What chance starts from.

    Returns
    -------
    float64 array, shape (..., 3)
        Light.

    Raises
    ------
    CallerError
        For another light.

    Notes
    -----
    Source: definition; noise grows with the root of the light, as that of counted electrons does.

    Examples
    --------
    >>> clear = draw_readings(draw_spectra(np.zeros(3), DYE_SETS["first"]), "narrow")
    >>> print(-np.log10(clear).round(2))
    [0.15 0.15 0.17]
    """
    if light not in LIGHTS:
        raise CallerError(f'light must be one of {", ".join(LIGHTS)}, got "{light}".')
    bands = []
    for centre, width in LIGHTS[light]:
        band = np.exp(-0.5 * ((WAVELENGTHS_NM - centre) / (width / FULL_WIDTH)) ** 2)
        bands.append(band / band.sum())
    read = spectra @ np.array(bands).T + np.array(flare_light)
    if noise > 0.0:
        rng = np.random.default_rng(seed)
        read = read + rng.normal(0.0, 1.0, read.shape) * noise * np.sqrt(read + 0.01)
    return np.asarray(np.maximum(read, np.power(10.0, -floor_density)))

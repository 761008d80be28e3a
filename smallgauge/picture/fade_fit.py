"""The polynomials that undo a fading, fitted to film of all dyes that the border agrees with.

fit_fade   shares left, gains, light, border  ->  from density to amounts, and back

The fit is made for the very shares that were found: drawn mixtures of dyes are faded, read by the scanner, and
what the scanner would have read before is asked for. So the polynomials need to hold only for densities that this
film can have, and they meet in what comes out, not half way.
"""

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.dyes import USUAL_BORDER, band_density, dye_amounts, likely_dyes

Array = NDArray[np.float64]

BLACK_SIGMA = 0.05  # natural logarithm: how far a set of dyes may miss an even black; invented
SETS, MIXTURES = 100, 24  # of dyes, and mixtures of each
NEAR_GREY, WIDE_SHARE = 0.5, 0.3  # scatter of amounts about a grey; share of mixtures that are anything
LEAST_WEIGHT = 0.15  # of the densest film: there differences are seen less
OPAQUE_SHARE, OPAQUE_WEIGHT, MOST_DENSITY = 0.15, 0.05, 3.4  # of mixtures under dust, which must stay dark
STEPS, RIDGE = 40, 1e-4


def fit_fade(left: Array, gain: Array, *, light: str, border: Array | None) -> tuple[Array, Array]:
    """Polynomials before and after the gains, of densities above the clear film.

    Parameters
    ----------
    left, gain : arrays, shape (3,)
        Share left of cyan, magenta, yellow, and what each is multiplied by.
    light : {"narrow", "broad"}
        Of the scanner: narrow light gets matrices, broad light the second degree.
    border : array, shape (3,), or None
        Density of the unexposed border as scanned, above the clear film.

    Returns
    -------
    before, after : arrays, shape (3, 10)
        Rows and terms as in `FadeCorrection`; the clear film stays 0. Without a loss one undoes the other exactly.

    Raises
    ------
    CallerError
        For another light.

    Notes
    -----
    Starts at the matrix of the dyes and its inverse; from there damped least squares (Levenberg and Marquardt's way).
    A difference counts by how it is seen, as the cube root of light. Source: ours.

    Examples
    --------
    >>> before, after = fit_fade(np.ones(3), np.ones(3), light="broad", border=None)
    >>> bool(np.abs(after[:, 1:4] @ before[:, 1:4] - np.eye(3)).max() < 1e-9), bool(np.abs(before[:, 4:]).max() < 1e-9)
    (True, True)
    """
    faded, film, amounts = _film_of_likely_dyes(left, gain, light, border)
    weight = np.maximum(np.power(10.0, -film.mean(axis=1, keepdims=True) / 3.0), LEAST_WEIGHT)
    matrix = np.linalg.lstsq(weight * amounts, weight * faded, rcond=None)[0].T
    before, after = np.zeros((3, 10)), np.zeros((3, 10))
    before[:, 1:4], after[:, 1:4] = np.linalg.inv(matrix), matrix
    if light == "narrow":
        return before, after
    rng = np.random.default_rng(11)
    dusty = rng.random(len(faded)) < OPAQUE_SHARE
    room = np.maximum(MOST_DENSITY - faded.max(axis=1, keepdims=True), 0.0)
    dust = rng.uniform(0.0, 1.0, (len(faded), 1)) * room
    faded, film = np.vstack([faded, (faded + dust)[dusty]]), np.vstack([film, (film + dust)[dusty]])
    weight = np.vstack([weight, np.full((int(dusty.sum()), 1), OPAQUE_WEIGHT)])
    return _refined(before, after, gain, faded, film, weight)


def _film_of_likely_dyes(
    left: Array, gain: Array, light: str, border: Array | None
) -> tuple[Array, Array, Array]:
    """Densities of faded film, of the same brought back, and amounts in the faded; dyes that make the black even."""
    sets = likely_dyes()
    share, curves = sets.share, sets.curves
    black = np.broadcast_to(USUAL_BORDER * left, (len(share), 3))
    if border is not None:
        black = np.maximum(dye_amounts(border, curves, light), 0.02)
        uneven = np.log(black / left)
        uneven = uneven - uneven.mean(axis=1, keepdims=True)
        likely = -0.5 * np.square(uneven / BLACK_SIGMA).sum(axis=1)
        share = share * np.exp(likely - likely.max())
        share = share / share.sum()
    drawn = np.searchsorted(np.cumsum(share), (np.arange(SETS) + 0.5) / SETS)
    rng = np.random.default_rng(7)
    grey = rng.uniform(0.0, 1.1, (SETS, MIXTURES, 1))
    near = grey + rng.normal(0.0, NEAR_GREY, (SETS, MIXTURES, 3)) * np.minimum(grey, 1.0 / 3.0)
    wide = rng.uniform(0.0, 1.05, (SETS, MIXTURES, 3))
    mixed = np.where(rng.random((SETS, MIXTURES, 1)) < WIDE_SHARE, wide, near).clip(0.0, 1.15)
    amounts = mixed * black[drawn][:, None]
    faded = band_density(amounts, curves[drawn], light)
    film = band_density(amounts * gain, curves[drawn], light)
    return faded.reshape(-1, 3), film.reshape(-1, 3), amounts.reshape(-1, 3)


def _refined(
    before: Array, after: Array, gain: Array, faded: Array, film: Array, weight: Array
) -> tuple[Array, Array]:
    """Damped least squares of both polynomials together, without their constants."""
    from smallgauge.picture.dyefade import polynomial_terms

    def through(values: Array) -> tuple[Array, Array, Array]:
        first, second = values[:27].reshape(3, 9), values[27:].reshape(3, 9)
        amounts = (terms @ first.T) * gain
        amount_terms = np.asarray(polynomial_terms(amounts))[:, 1:]
        return amounts, amount_terms, weight * (amount_terms @ second.T - film)

    terms = np.asarray(polynomial_terms(faded))[:, 1:]
    start = np.concatenate([before[:, 1:].ravel(), after[:, 1:].ravel()])
    values, damping, ridge = start.copy(), 1e-2, RIDGE * len(film)
    amounts, amount_terms, rest = through(values)
    cost = float(np.square(rest).sum())
    for _ in range(STEPS):
        jacobian = _slopes(amounts, amount_terms, terms, values[27:].reshape(3, 9), gain) * weight[:, :, None]
        flat = jacobian.reshape(-1, 54)
        normal = flat.T @ flat
        pull = flat.T @ rest.ravel() + ridge * (values - start)
        change = np.linalg.solve(normal + (ridge + damping * len(film)) * np.eye(54), -pull)
        tried = values + change
        found = through(tried)
        now = float(np.square(found[2]).sum()) + ridge * float(np.square(tried - start).sum())
        if now < cost:
            values, cost, damping = tried, now, damping * 0.2
            amounts, amount_terms, rest = found
        else:
            damping *= 5.0
    before, after = before.copy(), after.copy()
    before[:, 1:], after[:, 1:] = values[:27].reshape(3, 9), values[27:].reshape(3, 9)
    return before, after


def _slopes(amounts: Array, amount_terms: Array, terms: Array, second: Array, gain: Array) -> Array:
    """What each coefficient does to each density, shape (n, 3, 54)."""
    c, m, y = amounts.T
    one, none = np.ones_like(c), np.zeros_like(c)
    by_amount = np.stack(
        [
            np.stack([one, none, none, 2.0 * c, none, none, m, y, none], axis=1),
            np.stack([none, one, none, none, 2.0 * m, none, c, none, y], axis=1),
            np.stack([none, none, one, none, none, 2.0 * y, none, c, m], axis=1),
        ],
        axis=1,
    )  # (n, amount, term)
    inner = np.einsum("nat,dt->nda", by_amount, second) * gain
    first = inner[..., None] * terms[:, None, None, :]  # (n, density, amount, term)
    out = np.zeros((len(amounts), 3, 54))
    out[:, :, :27] = first.reshape(len(amounts), 3, 27)
    for density in range(3):
        out[:, density, 27 + 9 * density : 36 + 9 * density] = amount_terms
    return out

"""Faded dyes: what is left of each layer, and how its loss is undone in density.

propose_fading  border, picks, statistics of a length  ->  FadingDecision: share left of each layer, how surely  (treat)
solve_dyefade   FadingDecision                         ->  FadeCorrection                                (plan)
solve_flare     FadingDecision, view of a frame        ->  light that strays over that frame             (plan)
apply_dyefade   density of a frame, its correction     ->  density of the film as it was                 (render)

A correction goes from the scanner's densities to the amounts of the film's three dyes (cyan, magenta,
yellow), multiplies each amount, and goes back to the scanner's densities. Both ways are polynomials of
the second degree at most, so that one shape serves narrow light (a matrix) and broad light; they are
fitted to the fading found (`fade_fit.py`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.border_length import LengthBorder
from smallgauge.picture.dyes import USUAL_BORDER, band_density, dye_amounts, likely_dyes
from smallgauge.picture.fade_fit import fit_fade
from smallgauge.picture.fade_shares import shares_left, stain_of

Array = NDArray[np.float64]
Triple = tuple[float, float, float]

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


CAST = 0.035  # natural logarithm: unequal amounts in a stock's unfaded black, one sigma; 0.1 D of 2.9
MOST_GAIN = 6.0  # of a layer: of one with less than a sixth left noise is too much of what is read; common practice, no source
MOST_LEFT = 1.5  # of a layer, on the operator's word; common practice, no source
GUARD = 1e-4  # (noise of density over its range) squared, for a noise of 0.03 in 3
PICK_SIGMA = 0.06  # natural logarithm: how grey what is picked as grey is; common practice, no source
SKIN_AMOUNTS = (0.75, 1.0, 1.08)  # of cyan, magenta, yellow in skin, about; common practice, no source
SKIN_SIGMA = 0.2  # natural logarithm: how far skins differ; common practice, no source
STATISTICS_SIGMA = (
    0.25  # natural logarithm: what a reel's content does to its averages; common practice, no source
)
FROM_BORDER, FROM_PICKS, FROM_BOTH = "border", "picks", "border and picks"
LOWER_LIMIT, FROM_STATISTICS, FROM_NOTHING = "lower limit", "statistics", "nothing"
_SAID = {  # of what a layer's share rests on
    FROM_BORDER: "read from the border",
    FROM_PICKS: "by what was picked",
    FROM_BOTH: "by the border and what was picked",
    LOWER_LIMIT: "at least so much, since the border is darker than the scanner reads",
    FROM_STATISTICS: "by the averages of the pictures",
    FROM_NOTHING: "not known",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FadingDecision:
    """What is left of each layer of one length of stock: cyan, magenta, yellow.

    `left` are shares of the unfaded amount, `sigma` their standard errors (None: not known), `source` what each rests
    on: "border", "picks", "border and picks", "lower limit" (of a layer that the scanner could not read; the others'
    shares are then upper limits), "statistics", "nothing", or the operator's initials. `clear` is the density of the
    clear film as scanned, `base` that without stain, `border` that of the unexposed border as scanned (None: no
    evidence). `flare` is the share of the view's mean light that strays.
    """

    light: str
    left: Triple
    source: tuple[str, str, str]
    clear: Triple
    base: Triple
    sigma: Triple | None = None
    border: Triple | None = None
    flare: Triple = (0.0, 0.0, 0.0)
    clear_seen: bool = True  # False: no clear film was seen, and a usual base is taken

    @property
    def sure(self) -> bool:
        """Whether every layer rests on the film's own border or the operator's word: else it is a proposal that waits."""
        return not any(each in (LOWER_LIMIT, FROM_STATISTICS, FROM_NOTHING) for each in self.source)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picks:
    """Densities as scanned, red, green, blue, where the operator says that the subject was grey, or skin."""

    grey: tuple[Triple, ...] = ()
    skin: tuple[Triple, ...] = ()


def propose_fading(
    border: LengthBorder,
    *,
    light: str,
    picks: Picks = Picks(),
    statistics: Sequence[tuple[Triple, Triple]] = (),
    stock_amount: float | None = None,
    flare: Triple = (0.0, 0.0, 0.0),
) -> tuple[FadingDecision, str]:
    """What is left of each layer of one length of stock, how surely, and from what.

    Parameters
    ----------
    border : LengthBorder
        From `border_of_length`.
    light : {"narrow", "broad"}
        Of the scanner.
    picks : Picks
        The operator's.
    statistics : sequence of (middle, dense)
        For each scene of the whole reel two densities red, green, blue of its pictures' range. Used only for layers
        that nothing else tells of.
    stock_amount : float, optional
        Density of this stock's unexposed border above its base when it was new. Without it a usual one is taken,
        loosely: a loss that all three layers share is then guessed from how far the layers lie apart.
    flare : three floats
        Share of the view's light that strays, as it was taken out of `border`; goes into the decision.

    Returns
    -------
    FadingDecision
        Shares above 0 and at most 1. Where it is not `sure`, nothing is done until an operator takes it up.
    str
        Why, in words.

    Raises
    ------
    CallerError
        For another light.

    Notes
    -----
    Each layer is either whole or faded. The shares are the mean over the seven ways in which the layers may be one or
    the other, each as likely as the readings make it; so they are drawn towards 1 without a step where the
    readings do not stand out of their uncertainty: the stock's cast, the dyes that are not known, flare, noise.
    Sources: Gschwind and Frey 1994 for the model; the rest is ours.

    Examples
    --------
    >>> read = LengthBorder(state="measured", density=(1.6, 2.9, 2.6), sigma=(0.01,) * 3, limited=(False,) * 3,
    ...                     clear=(0.15, 0.15, 0.17), clear_sigma=0.02, clear_seen=True, frames=90, fogged=4)
    >>> fading, why = propose_fading(read, light="narrow")
    >>> round(fading.left[0], 1), fading.source[0], fading.sure
    (0.4, 'border', True)
    """
    ln_left, ln_sigma, source = np.zeros(3), np.full(3, math.inf), [FROM_NOTHING] * 3
    if border.state == "measured":
        amounts = np.maximum(_amounts(border.density, border, light), 0.02)
        ln_left = np.log(amounts)
        from_reading = np.hypot(np.array(border.sigma), border.clear_sigma) / amounts
        ln_sigma = np.hypot(CAST, from_reading)
        source = [LOWER_LIMIT if limited else FROM_BORDER for limited in border.limited]
    read = np.array([each == FROM_BORDER for each in source])
    others = [_from_picks(picks, border, light), _from_statistics(statistics, border, light)]
    for (offered, offered_sigma), name in zip(others, (FROM_PICKS, FROM_STATISTICS)):
        if offered is None or (name == FROM_STATISTICS and read.all()):
            continue
        ln_left, ln_sigma, read, source = _joined(
            ln_left, ln_sigma, read, source, offered, offered_sigma, name
        )
    if not any(each != FROM_NOTHING for each in source):
        left, sigma, aged = np.ones(3), None, 0.0
    else:
        ln_sigma = np.where(np.isfinite(ln_sigma), ln_sigma, 1.0)
        ln_amounts = _ln_amounts_in_sets(ln_left, light, measured=border.state == "measured")
        yellow = border.clear[2] - 0.5 * (border.clear[0] + border.clear[1]) if border.clear_seen else None
        left, sigma, aged = shares_left(
            ln_amounts, ln_sigma, likely_dyes().share, stock_amount=stock_amount, yellow=yellow
        )
    clear = np.array(border.clear)
    stain = aged * stain_of(clear - clear.min()) if border.clear_seen else np.zeros(3)
    fading = FadingDecision(
        light=light,
        left=_three(left),
        sigma=_three(sigma) if sigma is not None else None,
        source=(source[0], source[1], source[2]),
        clear=_three(clear),
        base=_three(clear - stain),
        border=_three(np.array(border.density)) if border.state == "measured" else None,
        flare=_three(np.array(flare), 6),
        clear_seen=border.clear_seen,
    )
    return fading, _why(border, source, stock_amount)


def _three(values: Array, decimals: int = 4) -> Triple:
    return (
        round(float(values[0]), decimals),
        round(float(values[1]), decimals),
        round(float(values[2]), decimals),
    )


def _amounts(density: Triple, border: LengthBorder, light: str) -> Array:
    """Amounts of the typical dyes in a density as scanned."""
    return dye_amounts(np.array(density) - np.array(border.clear), likely_dyes().curves[0], light)


def _ln_amounts_in_sets(ln_left: Array, light: str, *, measured: bool) -> Array:
    """Logarithms of the amounts that each set of dyes would have, where the typical dyes have these."""
    curves = likely_dyes().curves
    rise = 0.0 if measured else math.log(USUAL_BORDER) - float(ln_left.max())  # picks tell no level
    density = band_density(np.exp(ln_left + rise), curves[0], light)
    return np.asarray(np.log(np.maximum(dye_amounts(density, curves, light), 0.02)) - rise)


def _from_picks(picks: Picks, border: LengthBorder, light: str) -> tuple[Array | None, Array]:
    """Logarithms of the shares, up to one constant, that make the picked greys grey and skins skin."""
    found, weights = [], []
    for kind, wanted, sigma in (
        (picks.grey, (1.0, 1.0, 1.0), PICK_SIGMA),
        (picks.skin, SKIN_AMOUNTS, SKIN_SIGMA),
    ):
        for pick in kind:
            amounts = _amounts(pick, border, light)
            if amounts.min() > 0.05:
                ratio = np.log(amounts / np.array(wanted))
                found.append(ratio - ratio.mean())
                weights.append(sigma**-2 * min(1.0, float(amounts.min())))  # a light grey tells little
    if not found:
        return None, np.zeros(3)
    mean = np.average(found, axis=0, weights=weights)
    return mean, np.full(3, sum(weights) ** -0.5)


def _from_statistics(
    scenes: Sequence[tuple[Triple, Triple]], border: LengthBorder, light: str
) -> tuple[Array | None, Array]:
    """Logarithms of the shares, up to one constant, from the range of many scenes."""
    found = []
    for range_of_scene in scenes:
        for density in range_of_scene:
            amounts = _amounts(density, border, light)
            if np.isfinite(amounts).all() and amounts.min() > 0.1:
                ratio = np.log(amounts)
                found.append(ratio - ratio.mean())
    if not found:
        return None, np.zeros(3)
    middle = np.median(found, axis=0)
    spread = 1.4826 * np.median(np.abs(np.array(found) - middle), axis=0)
    return middle, np.hypot(STATISTICS_SIGMA, spread / math.sqrt(len(found)))


def _joined(
    ln_left: Array,
    ln_sigma: Array,
    read: NDArray[np.bool_],
    source: list[str],
    offered: Array,
    sigma: Array,
    name: str,
) -> tuple[Array, Array, NDArray[np.bool_], list[str]]:
    """One kind of evidence that holds up to a constant, joined to what is known; limits are kept to."""
    out, out_sigma, words = ln_left.copy(), ln_sigma.copy(), list(source)
    limit = [each == LOWER_LIMIT for each in source]
    if read.any():
        weight = 1.0 / (np.square(ln_sigma[read]) + np.square(sigma[read]))
        offered = offered + float(np.average((ln_left - offered)[read], weights=weight))
    elif any(limit):
        offered = offered + float(np.max((ln_left - offered)[limit]))  # the least that keeps to every limit
    for layer in range(3):
        if read[layer]:
            if name == FROM_PICKS:
                mine, theirs = ln_sigma[layer] ** -2, sigma[layer] ** -2
                out[layer] = (mine * ln_left[layer] + theirs * offered[layer]) / (mine + theirs)
                out_sigma[layer] = (mine + theirs) ** -0.5
                words[layer] = FROM_BOTH
            continue
        value = max(offered[layer], ln_left[layer]) if limit[layer] else offered[layer]
        out[layer], out_sigma[layer] = value, sigma[layer]
        words[layer] = LOWER_LIMIT if limit[layer] and name == FROM_STATISTICS else name
    now_read = read if name == FROM_STATISTICS else np.ones(3, np.bool_)
    return out, out_sigma, now_read, words


def _why(border: LengthBorder, source: Sequence[str], stock_amount: float | None) -> str:
    """What the shares rest on, in words."""
    parts = [
        f"{', '.join(layer for layer, its in zip(LAYERS, source) if its == each)}: {_SAID[each]}"
        for each in dict.fromkeys(source)
    ]
    if border.state != "measured":
        parts.append(f"the border is no evidence: {border.state}")
    elif border.fogged:
        parts.append(f"border of {border.frames} frames, {border.fogged} fogged ones left out")
    else:
        parts.append(f"border of {border.frames} frames")
    parts.append("clear film seen" if border.clear_seen else "no clear film seen, a usual base taken")
    if stock_amount is None:
        parts.append("the black that this stock had when new is not stated, a usual one is taken")
    else:
        parts.append("black of the new stock as stated")
    return "; ".join(parts)


def solve_dyefade(fading: FadingDecision) -> FadeCorrection:
    """The correction of a length of stock.

    Parameters
    ----------
    fading : FadingDecision
        As decided.

    Returns
    -------
    FadeCorrection

    Raises
    ------
    CallerError
        If a share left is not above 0 and at most 1.5, or for another light.

    Notes
    -----
    Each layer's gain is k / (k^2 + guard), at most 6, so that noise is not raised without end.
    Source: Gschwind and Frey 1994.

    Examples
    --------
    >>> half = FadingDecision(light="narrow", left=(0.5, 1.0, 1.0), sigma=None, source=("m.k.",) * 3,
    ...                       clear=(0.15,) * 3, base=(0.15,) * 3, border=None)
    >>> print(apply_dyefade(np.array([1.6, 2.9, 2.9]), solve_dyefade(half)).round(1))
    [2.7 3.  3. ]
    """
    left = np.array(fading.left)
    if not ((left > 0.0) & (left <= MOST_LEFT)).all():
        raise CallerError(
            f"What is left of a layer is a share above 0 and at most {MOST_LEFT}, found {fading.left}; correct the "
            "decision on fading."
        )
    gain = np.minimum(left / (np.square(left) + GUARD), MOST_GAIN)
    clear = np.array(fading.clear)
    read = fading.border is not None and LOWER_LIMIT not in fading.source  # else it tells nothing of the dyes
    border = np.array(fading.border) - clear if read else None
    amounts, density = fit_fade(left, gain, light=fading.light, border=border)
    before, after = _moved(amounts, clear), density
    after[:, 0] += np.array(fading.base)
    return FadeCorrection(before=_rows(before), gain=_three(gain, 9), after=_rows(after))


def solve_flare(fading: FadingDecision, view: Triple) -> Triple:
    """Light that strays over one frame, as a share of the open gate's.

    Parameters
    ----------
    fading : FadingDecision
        Of the length that holds the frame.
    view : three floats
        The frame's `view_red`, `view_green`, `view_blue`; NaN gives 0.

    Returns
    -------
    three floats
        0 and more.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> still = FadingDecision(light="narrow", left=(1.0,) * 3, sigma=None, source=("border",) * 3, clear=(0.15,) * 3,
    ...                        base=(0.15,) * 3, border=None, flare=(0.005, 0.005, 0.005))
    >>> solve_flare(still, (0.2, 0.1, float("nan")))
    (0.001, 0.0005, 0.0)
    """
    red, green, blue = (
        round(share * light, 8) if math.isfinite(light) else 0.0
        for share, light in zip(fading.flare, view, strict=True)
    )
    return red, green, blue


def _moved(polynomial: Array, by: Array) -> Array:
    """The polynomial of x - by, in the terms of x."""
    out = polynomial.copy()
    square, product = polynomial[:, 4:7], polynomial[:, 7:]
    out[:, 1:4] -= 2.0 * square * by
    for column, (one, other) in enumerate(((0, 1), (0, 2), (1, 2))):
        out[:, 1 + one] -= product[:, column] * by[other]
        out[:, 1 + other] -= product[:, column] * by[one]
        out[:, 0] += product[:, column] * by[one] * by[other]
    out[:, 0] += square @ np.square(by) - polynomial[:, 1:4] @ by
    return out


def _rows(values: Array) -> Polynomial:
    rows = [tuple(float(value) for value in row) for row in values]
    return rows[0], rows[1], rows[2]

"""Shares of dye left, as the mean over all that is not known: which layers have faded, the level, the dyes.

shares_left   amounts in a border for each set of dyes, errors  ->  shares, standard errors, whether any has faded
stain_of      densities above the least of the base's channels     ->  what of them is stain
"""

import math
from itertools import product

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.dyes import USUAL_BORDER

Array = NDArray[np.float64]

USUAL_LOSS = (
    0.8  # natural logarithm: loss of a layer that has faded; cyan down to 20 % is two sigma; invented, weak
)
STABLE_LOSS = 0.07  # the same of a layer that keeps well while others fade; invented, weak
UNFADED = 0.7  # how likely film is before any evidence not to have faded; invented, weak
# How likely each way of fading is by the number of layers that keep well, none to two; invented, weak.
STABLE_BEFORE = (0.2, 0.07 / 3.0, 0.03 / 3.0)
LEVEL_SIGMA = 0.08  # natural logarithm: how far stocks' blacks lie apart; common practice, no source
WHOLE_LEVEL_SIGMA = 0.2  # the same of a scan whose layers agree: nothing then speaks of fading
STOCK_SIGMA = 0.02  # the same where it is stated
BASE_SIGMA = 0.03  # density by which channels of an unstained base differ; common practice, no source
USUAL_STAIN = 0.1  # density of the stain of aged film; invented, weak


def shares_left(
    ln_amounts: Array,
    sigma: Array,
    share: Array,
    *,
    stock_amount: float | None = None,
    yellow: float | None = None,
) -> tuple[Array, Array, float]:
    """Share left of each layer, its standard error, and how likely any has faded: means over what may be.

    Parameters
    ----------
    ln_amounts : array, shape (n, 3)
        Natural logarithm of the amount of cyan, magenta, yellow in the border, if the film has the first, second ...
        of n sets of dyes.
    sigma : array, shape (3,)
        Its standard error, apart from the dyes'.
    share : array, shape (n,)
        How likely each set of dyes is before any evidence.
    stock_amount : float or None
        Amount in this stock's black when it was new, where that is stated.
    yellow : float or None
        Density of the clear film in blue above its mean in red and green, where clear film was seen: aged film is
        stained, so a clean base speaks against fading.

    Returns
    -------
    left, sigma : arrays, shape (3,)
        Above 0 and at most 1.
    aged : float
        How likely any layer has faded, 0 to 1.

    Notes
    -----
    Gone through are the level of the unfaded black, the dyes, whether the film has faded, and which layers kept well. Source: ours.

    Examples
    --------
    >>> left, _, aged = shares_left(np.log([[1.4, 2.8, 2.8]]), np.full(3, 0.04), np.ones(1))
    >>> bool(left[0] < 0.55), bool(left[1] > 0.9), bool(aged > 0.99)
    (True, True, True)
    """
    sigma_faded, sigma_whole = (
        (STOCK_SIGMA, STOCK_SIGMA) if stock_amount else (LEVEL_SIGMA, WHOLE_LEVEL_SIGMA)
    )
    level = np.linspace(-0.6, 0.4, 51)
    before = {
        whole: -0.5 * np.square(level / s) - math.log(s)
        for whole, s in ((False, sigma_faded), (True, sigma_whole))
    }
    level = level + math.log(stock_amount or USUAL_BORDER)
    apart = level[:, None, None] - ln_amounts[None]  # (levels, dyes, layers): positive, less than the level
    whole = -0.5 * np.square(apart / sigma) - np.log(sigma * math.sqrt(2.0 * math.pi))
    ways = [math.log(UNFADED) + before[True][:, None] + whole.sum(axis=2)]
    losses, squares = [np.zeros_like(apart)], [np.zeros_like(apart)]
    stable, faded = _faded(apart, sigma, STABLE_LOSS), _faded(apart, sigma, USUAL_LOSS)
    stained = 0.0 if yellow is None else _ln_stained(yellow)
    for mask in product((False, True), repeat=3):
        if all(mask):
            continue
        ln_likely, loss, error = (np.where(mask, one, other) for one, other in zip(stable, faded))
        ways.append(
            math.log(STABLE_BEFORE[sum(mask)]) + stained + before[False][:, None] + ln_likely.sum(axis=2)
        )
        losses.append(loss)
        squares.append(np.square(loss) + np.square(error))
    likely = np.array(ways) + np.log(share)
    part = np.exp(likely - likely.max())[..., None]
    part /= part.sum()
    mean = (part * np.array(losses)).sum(axis=(0, 1, 2))
    variance = (part * np.array(squares)).sum(axis=(0, 1, 2)) - np.square(mean)
    left = np.exp(-mean)
    return left, left * np.sqrt(np.maximum(variance, 0.0)), 1.0 - float(part[0].sum())


def _faded(apart: Array, sigma: Array, usual: float) -> tuple[Array, Array, Array]:
    """Log likelihood of a layer that lies `apart` below the level, if its loss is as usual; its loss, and standard error."""
    from scipy.special import log_ndtr

    total = np.hypot(usual, sigma)
    middle = apart * np.square(usual / total)
    width = usual * sigma / total
    z = middle / width
    above = log_ndtr(z)
    hazard = np.exp(-0.5 * np.square(z) - above) / math.sqrt(2.0 * math.pi)
    log_likelihood = np.log(2.0 / (total * math.sqrt(2.0 * math.pi))) + above - 0.5 * np.square(apart / total)
    spread = width * np.sqrt(np.maximum(1.0 - hazard * (hazard + z), 1e-6))
    return log_likelihood, np.maximum(middle + width * hazard, 0.0), spread


def _ln_stained(yellow: float) -> float:
    """How much likelier this base is of aged film than of new, natural logarithm, 0 at the most.

    A clean base speaks against fading. A yellow one may be its stock's own, so it says nothing.
    """
    sigma = np.array([BASE_SIGMA])
    new = -0.5 * (yellow / BASE_SIGMA) ** 2 - math.log(BASE_SIGMA * math.sqrt(2.0 * math.pi))
    aged = float(_faded(np.array([yellow]), sigma, USUAL_STAIN)[0][0])
    return min(0.0, aged - new)


def stain_of(apart: Array) -> Array:
    """Stain of channels, drawn towards none within what unstained bases differ by.

    Parameters
    ----------
    apart : array, shape (3,)
        Density of the clear film above its least dense channel, 0 and more.

    Returns
    -------
    array of the same shape

    Notes
    -----
    Source: ours.

    Examples
    --------
    >>> stain_of(np.array([0.0, 0.02, 0.2])).round(1).tolist()
    [0.0, 0.0, 0.2]
    """
    sigma = np.full(apart.shape, BASE_SIGMA)
    likely, stain, _ = _faded(apart, sigma, USUAL_STAIN)
    none = -0.5 * np.square(apart / sigma) - np.log(sigma * math.sqrt(2.0 * math.pi))
    stain = np.asarray(stain / (1.0 + np.exp(np.minimum(none - likely, 700.0))))
    return np.asarray(stain - stain.min())

"""What the borders of a length of one stock say together: its density, its clear film, and the light that strays.

border_of_length   columns of one length  ->  LengthBorder
stray_share        columns of a reel      ->  share of the view's light that strays

Used where lengths are cut and where fading is decided, so they carry none of the passes' verbs.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.border import CHANNELS

Array = NDArray[np.float64]
Triple = tuple[float, float, float]

USUAL_FLARE = 0.003  # of the view's light that strays in a scanner, one sigma; common practice, no source
LEAST_LIGHT = 1e-5  # density 5: what is denser can't be told from no light; common practice, no source
FOGGED = 0.1  # density that a frame's border is lighter than its length's before it counts as fogged
LEAST_KEPT = 0.3  # of a length's frames must agree on the border; common practice, no source
MOST_SPREAD = 0.06  # robust scatter of the frames that agree; common practice, no source
REACH_OF_FLOOR = 0.2  # density from the scanner's own limit within which a reading is only a lower limit
PILED = 0.25  # of the border's samples at their lowest value are a scanner at its limit; common practice, no source
LEAST_RANGE = 0.15  # density that the border may lie below the picture's dense parts and still be unexposed
CLEAREST_FRAMES = 0.03  # of a length's frames give its clear film; common practice, no source
MOST_CLEAR = 0.45  # density: what is denser is no clear film; common practice, no source
USUAL_CLEAR, USUAL_CLEAR_SIGMA = 0.17, 0.08  # where no clear film is seen; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class LengthBorder:
    """What the border of one length of stock says: densities red, green, blue, lamp and flare taken out.

    `state` is "measured", or why the border is no evidence: "not seen", "disagrees", "not unexposed".
    `limited` marks channels within reach of the scanner's limit: the true density is this or more.
    """

    state: str
    density: Triple
    sigma: Triple
    limited: tuple[bool, bool, bool]
    clear: Triple
    clear_sigma: float
    clear_seen: bool
    frames: int  # whose border agrees
    fogged: int  # frames whose border is lighter


def channels_of(columns: Mapping[str, NDArray[np.floating]], name: str) -> Array:
    """Three columns of one reading as an array, shape (frames, 3).

    Examples
    --------
    >>> channels_of({f"view_{c}": np.array([0.1, 0.2]) for c in CHANNELS}, "view").shape
    (2, 3)
    """
    return np.stack([np.asarray(columns[f"{name}_{channel}"], np.float64) for channel in CHANNELS], axis=1)


def stray_share(
    columns: Mapping[str, NDArray[np.floating]], *, lengths: Sequence[tuple[int, int]]
) -> tuple[Triple, Triple]:
    """Share of the view's mean light that strays over the picture, and its standard error.

    Parameters
    ----------
    columns : mapping
        `border_*` and `view_*` of the frames of a reel.
    lengths : sequence of (first, stop)
        Rows of each length of one stock: inside one the border's own light is constant.

    Returns
    -------
    share : three floats
        0 and more.
    sigma : three floats
        At most `USUAL_FLARE`.

    Notes
    -----
    The border gets lighter by the share of what the view gets lighter. Least squares inside each length, outliers
    (fog) left out; the answer is drawn towards 0 by what scanners usually have. Source: "derived".

    Examples
    --------
    >>> view = np.linspace(0.1, 0.4, 30)
    >>> columns = {f"view_{c}": view for c in CHANNELS} | {f"border_{c}": 0.001 + 0.004 * view for c in CHANNELS}
    >>> stray_share(columns, lengths=[(0, 30)])[0][0].__round__(4)
    0.004
    """
    border, view = channels_of(columns, "border"), channels_of(columns, "view")
    share, sigma = np.zeros(3), np.full(3, USUAL_FLARE)
    for channel in range(3):
        x, y, fitted = [], [], 0
        for first, stop in lengths:
            b, v = border[first:stop, channel], view[first:stop, channel]
            good = np.isfinite(b) & np.isfinite(v)
            if np.count_nonzero(good) < 5:
                continue
            b, v = b[good], v[good]
            dark = b <= np.quantile(b, 0.25) * 10.0**FOGGED + USUAL_FLARE * (v.max() - v.min())
            x.append(v[dark] - v[dark].mean())
            y.append(b[dark] - b[dark].mean())
            fitted += 1
        if not x:
            continue
        across, up = np.concatenate(x), np.concatenate(y)
        power = float(np.square(across).sum())
        if power <= 0.0:
            continue
        slope = float((across * up).sum()) / power
        for _ in range(3):
            rest = up - slope * across
            scale = max(1.4826 * float(np.median(np.abs(rest))), 1e-7)
            weight = np.square(np.clip(1.0 - np.square(rest / (4.685 * scale)), 0.0, 1.0))
            slope = float((weight * across * up).sum() / max((weight * across * across).sum(), 1e-12))
        rest = (up - slope * across) * np.sqrt(weight)
        error = math.sqrt(float(np.square(rest).sum()) / max(len(rest) - fitted - 1, 1) / power)
        prior = USUAL_FLARE**2 / (USUAL_FLARE**2 + error**2)
        share[channel], sigma[channel] = max(slope, 0.0) * prior, error * math.sqrt(prior)
    return _triple(share), _triple(sigma)


def border_of_length(
    columns: Mapping[str, NDArray[np.floating]],
    *,
    flare: Triple = (0.0, 0.0, 0.0),
    flare_sigma: Triple = (0.0, 0.0, 0.0),
    density_limit: float | None = None,
) -> LengthBorder:
    """Border and clear film of one length of stock, from the readings of its frames.

    Parameters
    ----------
    columns : mapping
        `COLUMNS` of the frames of this length.
    flare, flare_sigma : three floats
        From `stray_share`.
    density_limit : float, optional
        The highest density that the scanner tells, as stated; by default told by samples that pile up.

    Returns
    -------
    LengthBorder
        NaN where nothing was measured.

    Notes
    -----
    Frames whose border is more than 0.1 lighter than the densest quarter's are fogged and left out. A border
    that most frames disagree with, or that is lighter than the picture's own dense parts, is no evidence.
    Source: "common practice".

    Examples
    --------
    >>> steady = {f"{n}_{c}": np.full(8, v) for c in CHANNELS for n, v in (
    ...     ("border", 0.001), ("border_sigma", 1e-5), ("border_lowest", 0.0008), ("border_floor_share", 0.01),
    ...     ("clear", 0.7), ("picture_middle", 1.0), ("picture_dense", 2.4), ("view", 0.2))}
    >>> read = border_of_length(steady)
    >>> read.state, round(read.density[0], 2), read.limited, round(read.clear[0], 2)
    ('measured', 3.0, (False, False, False), 0.15)
    """
    light = channels_of(columns, "border")
    stray = np.array(flare) * channels_of(columns, "view")
    clear, clear_sigma, clear_seen = _clear_film(columns, stray)
    nothing = (math.nan,) * 3
    seen = np.isfinite(light).all(axis=1)
    fogged = kept = 0

    def result(
        state: str, density: Triple = nothing, sigma: Triple = nothing, *, limited: Array
    ) -> LengthBorder:
        mine = bool(limited[0]), bool(limited[1]), bool(limited[2])
        return LengthBorder(
            state=state,
            density=density,
            sigma=sigma,
            limited=mine,
            clear=clear,
            clear_sigma=clear_sigma,
            clear_seen=clear_seen,
            frames=kept,
            fogged=fogged,
        )

    if not seen.any():
        return result("not seen", limited=np.zeros(3))
    net = np.maximum(np.maximum(light[seen] - stray[seen], 0.1 * light[seen]), LEAST_LIGHT)
    density = -np.log10(net)
    height = density.mean(axis=1)
    level = float(np.quantile(height, 0.75))
    dark = height > level - FOGGED
    fogged, kept = int(np.count_nonzero(~dark)), int(np.count_nonzero(dark))
    mine = density[dark]
    middle = np.median(mine, axis=0)
    spread = 1.4826 * np.median(np.abs(mine - middle), axis=0)
    read = channels_of(columns, "border_sigma")[seen][dark]
    own = np.median(read, axis=0) / np.log(10.0) / net[dark].mean(axis=0)  # error of one frame's reading
    if kept < LEAST_KEPT * len(height) or (spread > MOST_SPREAD + 2.0 * own).any():
        return result("disagrees", limited=np.zeros(3))
    dense = channels_of(columns, "picture_dense")
    dense = dense[np.isfinite(dense).all(axis=1)]
    if len(dense) and middle.mean() < np.quantile(dense.mean(axis=1), 0.5) - LEAST_RANGE:
        return result("not unexposed", limited=np.zeros(3))
    piled = np.median(channels_of(columns, "border_floor_share")[seen][dark], axis=0) > PILED
    raw = -np.log10(np.maximum(np.median(light[seen][dark], axis=0), LEAST_LIGHT))
    limited = piled if density_limit is None else raw > density_limit - REACH_OF_FLOOR
    noise = np.sqrt(np.square(spread) / kept + np.square(own) / kept)
    view = np.nanmean(channels_of(columns, "view")[seen][dark], axis=0)
    from_flare = np.array(flare_sigma) * view / np.log(10.0) / np.median(net[dark], axis=0)
    return result("measured", _triple(middle), _triple(np.hypot(noise, from_flare)), limited=limited)


def _clear_film(columns: Mapping[str, NDArray[np.floating]], stray: Array) -> tuple[Triple, float, bool]:
    """Density of a length's clear film, its standard error, and whether any was seen."""
    light = channels_of(columns, "clear") - stray
    light = light[np.isfinite(light).all(axis=1) & (light > 0.0).all(axis=1)]
    if len(light):
        order = np.argsort(light.min(axis=1), kind="stable")
        best = -np.log10(light[order[-max(1, round(CLEAREST_FRAMES * len(light))) :]]).mean(axis=0)
        if best.max() <= MOST_CLEAR:
            return _triple(best), 0.02, True
    return (USUAL_CLEAR,) * 3, USUAL_CLEAR_SIGMA, False


def _triple(values: Array) -> Triple:
    return float(values[0]), float(values[1]), float(values[2])

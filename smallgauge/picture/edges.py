"""Straight edges between light and film, to a hundredth of a pixel: the lower half of the perforation finder.

A side of a perforation (or an edge of the film) is guessed to within some pixels; here it is measured.
All sides of a frame are worked on at once, as arrays of shape (sides, rows, samples), because a hundred
small NumPy calls cost more than one large one.

find_profiles       plane, guesses    -> samples across each side, inside to outside, row by row
measure_votes       profiles          -> share of rows that have an edge at each offset
measure_crossings   profiles, starts  -> where each row crosses the edge (erf fit, blur given)
measure_lines       crossings         -> one robust line a side, with sigma

"Across" a side is the direction that crosses it: x for the left and right side, y for top and bottom.
Offsets are counted outward, from the opening towards the film, in pixels.

Why this is long: four steps on the same arrays, each the next one's input, and read in that order.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.ranks import find_percentiles

Array = NDArray[np.float64]

TUKEY_WIDTH = 4.685  # SOURCES["tukey biweight"]: 95 % efficiency on Gaussian noise
CLIP_SHARE = 0.995  # of full scale: from here on a sample is taken to be clipped; common practice, no source
ROW_SIGMA_FLOOR_PX = 0.01  # no row is better than this; common practice, no source
LINE_SIGMA_FLOOR_PX = 0.003  # nor any line: drawn edges are followed to this; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class LineGuess:
    """A side before it is measured: where to look, and which way is out.

    `position_px` is the coordinate across the side at `centre_px`, a coordinate along it. Rows from
    `first_px` to `stop_px` (along the side) are used. `slope` is the change of position along the side.
    `outward` is +1 where the film lies at higher coordinates than the opening, else -1.
    """

    upright: bool  # True for left and right sides and film edges, False for top and bottom
    outward: int
    position_px: float
    centre_px: float
    first_px: float
    stop_px: float
    slope: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profiles:
    """Samples across every side, light turned so that the opening is the higher level.

    `samples` is (sides, rows, 2 reach + 1): offset `k - reach` from `base`, counted outward.
    """

    samples: Array
    valid: NDArray[np.bool_]  # (sides, rows): row exists and lies in the picture
    along: Array  # (sides, rows), px along the side, measured from the guess's centre
    base: Array  # (sides, rows), px across the side, of offset 0
    outward: Array  # (sides,)
    slope: Array  # (sides,) as guessed
    blur: Array  # (sides,) px
    room: Array  # (sides, rows): offset of the last sample outward that the picture holds
    room_inward: Array  # the same inward, counted positive
    reach: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crossings:
    """Where each row crosses its edge: `position` (sides, rows) in px of the picture."""

    position: Array
    valid: NDArray[np.bool_]
    contrast: Array  # (sides,) light, opening less film, median over the rows
    noise: Array  # (sides,) light, standard deviation of one sample around the fitted edge


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lines:
    """One line a side; NaN where the side gives no measurement."""

    position: Array  # (sides,) px, at the guess's centre
    sigma: Array  # px
    slope: Array
    slope_sigma: Array
    share: Array  # 0 to 1, weight of the rows that lie on the line, of all rows asked for
    scatter: Array  # px, robust, of the rows on the line


def masked_median(values: Array, valid: NDArray[np.bool_]) -> Array:
    """Median over the last axis of the valid values; NaN where there are none.

    Examples
    --------
    >>> import numpy as np
    >>> masked_median(np.array([[3.0, 1.0, 9.0]]), np.array([[True, True, False]]))
    array([2.])
    """
    from smallgauge.picture.kernels_edges import row_medians

    length = values.shape[-1]
    out = np.empty(values.shape[:-1])
    flat = np.ascontiguousarray(values, dtype=np.float64).reshape(-1, length)
    row_medians(flat, np.ascontiguousarray(valid).reshape(-1, length), out.reshape(-1))
    return out


def _known(values: Array, instead: float = 0.0) -> Array:
    """The values, with `instead` where one is not known (NaN)."""
    return np.where(np.isnan(values), instead, values)


def _usual_mean(values: Array, valid: NDArray[np.bool_]) -> Array:
    """Mean over the last axis of the valid values within 3 robust deviations of their median."""
    middle = masked_median(values, valid)[..., None]
    spread = 1.4826 * masked_median(np.abs(values - middle), valid)[..., None]
    usual = valid & (np.abs(values - middle) <= 3.0 * spread)
    return np.where(
        usual.any(axis=-1),
        np.where(usual, values, 0.0).sum(axis=-1) / np.maximum(usual.sum(axis=-1), 1),
        np.nan,
    )


def _middle(values: Array) -> Array:
    """Median over the last axis of values that are all known; `values` is put in another order."""
    count = values.shape[-1]
    values.partition(count // 2, axis=-1)
    high = values[..., count // 2]
    return high if count % 2 else 0.5 * (values[..., : count // 2].max(axis=-1) + high)


def find_profiles(
    plane: NDArray[np.float32],
    guesses: Sequence[LineGuess],
    *,
    reach: int,
    blur_x_px: float,
    blur_y_px: float,
    dark_opening: bool = False,
    step: int = 1,
) -> Profiles:
    """Samples across each guessed side, whole pixels only (nothing is interpolated).

    Parameters
    ----------
    plane : array, shape (height, width) or (height, width, channels), float32
        Linear light, 0 to 1; of several channels the mean counts. Not altered.
    guesses : sequence of LineGuess
        At least one.
    reach : int
        Samples to each side of the guess, px.
    blur_x_px, blur_y_px : float
        Standard deviation of the edge's blur across upright and level sides.
    dark_opening : bool
        True for reflected light: the samples come back with their sign turned.
    step : int
        Use every n-th row.

    Returns
    -------
    Profiles
        Rows outside the picture, or nearer to its edge than `reach`, are not valid.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> import numpy as np
    >>> plane = np.zeros((20, 40), np.float32); plane[:, :20] = 1
    >>> side = LineGuess(upright=True, outward=1, position_px=19, centre_px=10, first_px=5, stop_px=8)
    >>> find_profiles(plane, [side], reach=2, blur_x_px=1, blur_y_px=1).samples[0, 0]
    array([1., 1., 1., 0., 0.])
    """
    from smallgauge.picture.kernels_edges import gather_profiles

    height, width = plane.shape[:2]
    starts = [max(int(np.ceil(g.first_px)), 0) for g in guesses]
    stops = [min(int(np.floor(g.stop_px)) + 1, height if g.upright else width) for g in guesses]
    rows = max(1, max((b - a + step - 1) // step for a, b in zip(starts, stops)))
    line: NDArray[np.int64] = (
        np.arange(rows, dtype=np.int64) * step + np.array(starts, dtype=np.int64)[:, None]
    )
    valid = line < np.array(stops)[:, None]
    upright = np.array([g.upright for g in guesses])[:, None]
    limit = np.asarray(np.where(upright, width, height), dtype=np.int64)
    last = np.asarray(np.where(upright, height, width), dtype=np.int64) - 1
    line = np.minimum(np.maximum(line, 0), last)
    along = line - np.array([g.centre_px for g in guesses])[:, None]
    slope = np.array([g.slope for g in guesses])
    outward = np.array([g.outward for g in guesses], dtype=np.float64)
    base = np.rint(np.array([g.position_px for g in guesses])[:, None] + slope[:, None] * along)
    inside = (base >= 3) & (base < limit - 3)
    to_end, to_start = limit - 1 - base, base.copy()
    outwards = outward[:, None] > 0
    samples = np.empty((*line.shape, 2 * reach + 1))
    planes = plane.transpose(2, 0, 1) if plane.ndim == 3 else plane[None]
    sign = -1.0 if dark_opening else 1.0
    gather_profiles(planes, line, base, outward, upright[:, 0], reach, sign, samples)
    if plane.ndim == 3:  # beyond a side's end there is nothing of it
        samples[~valid] = 0.0
    return Profiles(
        samples=samples,
        valid=valid & inside,
        along=along.astype(np.float64),
        base=base,
        outward=outward,
        slope=slope,
        blur=np.where(upright[:, 0], blur_x_px, blur_y_px).astype(np.float64),
        room=np.where(outwards, to_end, to_start),
        room_inward=np.where(outwards, to_start, to_end),
        reach=reach,
    )


def _falls(profiles: Profiles, *, rows_averaged: int) -> tuple[Array, Array]:
    """Fall of light outward, averaged over neighbouring rows, and the least fall that counts (sides,)."""
    from smallgauge.picture.kernels_edges import find_falls

    sides, rows, count = profiles.samples.shape
    fall, tops = np.empty(profiles.samples.shape), np.empty((sides, rows))
    sizes = np.empty((sides, -(-rows // 2) * (count - 2)))
    find_falls(profiles.samples, profiles.valid, rows_averaged, fall, sizes, tops)
    noise = 1.4826 * _middle(sizes)
    usual = np.array([find_percentiles(each, (75,))[0] for each in tops])
    return fall, np.maximum(np.maximum(4.0 * noise, 0.25 * usual), 1e-6)


def measure_votes(profiles: Profiles, *, rows_averaged: int = 5) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Share of each side's rows that have a significant edge at each offset.

    Every significant peak votes, not only the strongest, so a tear or a speck beside the true edge
    does not silence it.

    Parameters
    ----------
    profiles : Profiles
    rows_averaged : int
        Neighbouring rows averaged before edges are looked for (not before they are measured).

    Returns
    -------
    votes : array, shape (sides, samples)
        0 to 1; one pixel to either side counts too.
    fall : array, shape (sides, rows, samples)
        Fall of light outward over two pixels.
    peaks : array of bool, shape (sides, rows, samples)
        Where the fall is significant and a local maximum.

    Notes
    -----
    Significant: above 4 x the noise of the fall (robust) and a quarter of the side's usual fall.
    Source: "hough" with "common practice" for the two limits.
    """
    from smallgauge.picture.kernels_edges import mark_falls

    fall, least = _falls(profiles, rows_averaged=rows_averaged)
    peaks = np.empty(fall.shape, np.bool_)
    votes = np.empty((len(fall), fall.shape[2]))
    mark_falls(fall, least, profiles.valid, peaks, votes)
    return votes, fall, peaks


def _levels(
    profiles: Profiles,
    start: Array,
    valid: NDArray[np.bool_],
    *,
    hole_light: float,
    full_scale: float,
    depth_px: float,
) -> tuple[Array, Array, Array]:
    """Light of the opening beside each crossing (sides, rows), of the film just beyond it, and of the film
    over a wider strip (sides,)."""
    from scipy.ndimage import median_filter

    from smallgauge.picture.kernels_edges import stretch_means

    blur = profiles.blur[:, None]
    near = start - np.maximum(3.0 * blur, 2.0)
    far = start + np.maximum(2.0 * blur, 1.5)
    clear = start + np.maximum(3.0 * blur, 2.0)  # here no light of the opening is left
    ends = np.stack([near - depth_px, near, far, far + np.maximum(1.5 * blur, 1.5), clear, clear + 10.0])
    high, close, wide = stretch_means(profiles.samples, profiles.reach, ends.reshape(3, 2, *start.shape))
    side_high = masked_median(high, valid)[:, None]
    high = np.where(valid, high, _known(side_high))
    high = median_filter(high, size=(1, 9), mode="nearest")
    if full_scale < np.inf:
        high = np.where(high >= CLIP_SHARE * full_scale, max(hole_light, full_scale), high)
    return high, close, _usual_mean(wide, valid)


def measure_crossings(
    profiles: Profiles,
    fall: Array,
    peaks: NDArray[np.bool_],
    *,
    start_px: Array,
    hole_light: float = np.nan,
    full_scale: float = np.inf,
    tolerance_px: float = 2.5,
    iterations: int = 4,
    window_px: float | None = None,
    depth_px: float = 12.0,
) -> Crossings:
    """Where each row crosses its edge: least squares of a blurred step, the blur held fixed.

    The model is ``light = high - (high - low) * Phi((offset - crossing) / blur)`` with Phi the normal
    distribution. `high` is read inside the opening, row by row (tape may cover half of it). `low` is
    fitted with the crossing, drawn towards the side's own median by as much as the side's rows agree:
    a dark border gives one level, a picture that reaches the perforation gives one a row. Samples at
    full scale say only "at least this much".

    Parameters
    ----------
    profiles, fall, peaks
        From `find_profiles` and `measure_votes`.
    start_px : array, shape (sides,)
        Offset outward, relative to the guess, around which crossings are looked for; NaN leaves the
        side out.
    hole_light : float
        Light of the opening where it is above full scale; NaN: full scale itself.
    full_scale : float
        Highest light that can be stored; infinity where nothing is clipped.
    tolerance_px : float
        Rows with no significant edge this near to the start give no crossing.
    iterations : int
        Gauss-Newton steps before the low level's prior is known.
    window_px : float, optional
        Use samples this far to each side; left out, 3 blurs inwards and 2.5 outwards.
    depth_px : float
        How far into the opening its light is read, as far as the profiles reach. Its error is common to
        all rows of a side and is not averaged away with them.

    Returns
    -------
    Crossings
        `valid` is False where a row gave none.

    Notes
    -----
    Source: "cramer-rao edge" for what can be reached; model "definition".
    """
    from smallgauge.picture.kernels_edges import cut_windows, strongest_near

    reach, samples = profiles.reach, profiles.samples
    sides = len(samples)
    best, valid = np.empty(fall.shape[:2], np.int64), np.empty(fall.shape[:2], np.bool_)
    strongest_near(fall, peaks, start_px.astype(np.float64), float(tolerance_px), reach, best, valid)
    strongest = best - float(reach)
    crossing = np.where(valid, strongest, _known(start_px)[:, None])
    light = float(hole_light) if np.isfinite(hole_light) else full_scale
    high, low, wide = _levels(
        profiles, crossing, valid, hole_light=light, full_scale=full_scale, depth_px=depth_px
    )
    # A window that fits every side: 3 blurs inside, 2.5 outside, at least two samples each.
    blur = profiles.blur
    inner = np.maximum(3.0 * blur, 2.0) + 1.0 if window_px is None else np.full_like(blur, window_px)
    outer = np.maximum(2.5 * blur, 2.0) if window_px is None else np.full_like(blur, window_px)
    first = -int(np.ceil(inner.max())) - 1
    shape = (*best.shape, int(np.ceil(outer.max())) + 2 - first)
    at, seen = np.empty((2, *shape))
    used, clipped = np.empty((2, *shape), np.bool_)
    rooms = profiles.room.astype(np.float64), profiles.room_inward.astype(np.float64)
    cut_windows(
        samples, best, valid, crossing, (first, inner, outer), rooms, reach, float(CLIP_SHARE * full_scale),
        (at, seen, used, clipped),
    )  # fmt: skip
    state = (at, seen, used, clipped, high, blur)
    loose = np.full((sides, 1), 1e-9)
    crossing, low, residual, weight, own = _fit_steps(
        state, crossing, low, loose, low, iterations=iterations, full_scale=full_scale
    )
    usual = masked_median(low, valid)[:, None]
    spread = 1.4826 * masked_median(np.abs(low - usual), valid)[:, None]
    per_row = (residual**2).sum(axis=2) / np.maximum(weight.sum(axis=2) - 2.0, 1.0)
    noise = np.sqrt(_known(masked_median(per_row, valid), 1e-6))[:, None]
    # The scatter of fitted levels holds the noise of the fit too: only what is more than that says that the
    # film itself differs from row to row.
    of_fit = noise**2 * _known(masked_median(own, valid), 1.0)[:, None]
    differs = np.sqrt(np.maximum(_known(spread) ** 2 - 1.2 * of_fit, (0.1 * noise) ** 2))
    pull = (np.maximum(noise, 1e-6) / np.maximum(differs, 1e-6)) ** 2
    # A uniform border is known best from the wider strip, but only where that agrees with the fit.
    strip, fitted = _known(wide)[:, None], _known(usual)
    rows_used = np.maximum(valid.sum(axis=1), 1)[:, None]
    agrees = np.abs(strip - fitted) <= 4.0 * noise / np.sqrt(rows_used) + 0.005 * np.abs(high - low)
    target = np.where(agrees, strip, fitted)
    crossing, low, *_ = _fit_steps(state, crossing, low, pull, target, iterations=2, full_scale=full_scale)
    contrast = masked_median(high - low, valid)
    sound = (high - low) > 0.35 * _known(contrast)[:, None]
    sound &= np.abs(crossing - strongest) < 2.0
    # An edge whose film side the picture does not hold is no edge.
    spare = 2.0 * profiles.blur[:, None] + 0.5
    sound &= (crossing + spare <= profiles.room) & (spare - crossing <= profiles.room_inward)
    valid = valid & sound
    return Crossings(
        position=profiles.base + profiles.outward[:, None] * crossing,
        valid=valid,
        contrast=contrast,
        noise=noise[:, 0],
    )


def _fit_steps(
    state: tuple[Array, Array, NDArray[np.bool_], NDArray[np.bool_], Array, Array],
    crossing: Array,
    low: Array,
    pull: Array,
    target: Array,
    *,
    iterations: int,
    full_scale: float,
) -> tuple[Array, Array, Array, Array, Array]:
    """Gauss-Newton on crossing and low level of every row at once.

    Also gives the last residuals, their weights, and the variance of `low` for noise 1.
    """
    from smallgauge.picture.kernels_edges import fit_steps

    at, seen, used, clipped, high, blur = state
    crossing, low = crossing.copy(), low.copy()
    residual, weight, variance = np.zeros_like(seen), np.zeros_like(seen), np.ones_like(low)
    levels = pull.reshape(-1), np.ascontiguousarray(np.broadcast_to(target, low.shape))
    fit_steps(
        (at, seen, used, clipped, high, blur),
        levels,
        crossing,
        low,
        iterations,
        CLIP_SHARE * full_scale,
        residual,
        weight,
        variance,
    )
    return crossing, low, residual, weight, variance


def measure_lines(
    crossings: Crossings,
    profiles: Profiles,
    *,
    slope: Array,
    slope_sigma: float,
    iterations: int = 8,
) -> Lines:
    """One robust line a side: Tukey biweight, slope held near what is known.

    Parameters
    ----------
    crossings, profiles
        From `measure_crossings` and `find_profiles`.
    slope : array, shape (sides,)
        Expected slope of each side.
    slope_sigma : float
        How far the slope may differ (one standard deviation): a short remnant of a side then takes
        its slope from the others.

    Returns
    -------
    Lines
        NaN for a side with fewer than 6 crossings. `sigma` counts rows that are not independent
        (grain and blur reach over several rows) by the correlation of neighbouring residuals.

    Notes
    -----
    Source: "tukey biweight".
    """
    from smallgauge.picture.kernels_edges import follow_lines

    valid, position, along = crossings.valid, crossings.position, profiles.along
    enough = valid.sum(axis=1) >= 6
    intercept, gradient, weight = np.empty(len(slope)), np.empty(len(slope)), np.empty(valid.shape)
    # Spread round the residuals' own median: a line that wild rows have drawn aside must not pass for noise.
    sums = np.empty((len(slope), 4))
    limits = float(slope_sigma), ROW_SIGMA_FLOOR_PX, TUKEY_WIDTH
    follow_lines(
        valid,
        position,
        along,
        slope.astype(np.float64),
        limits,
        iterations,
        intercept,
        gradient,
        weight,
        sums,
    )
    first, second = sums[:, 2], sums[:, 3]
    residual = position - intercept[:, None] - gradient[:, None] * along
    enough &= weight.sum(axis=1) >= 3.0
    total = weight.sum(axis=1) + 1e-12
    scatter = np.sqrt((weight * residual**2).sum(axis=1) / total) * 1.05
    scatter = np.maximum(scatter, ROW_SIGMA_FLOOR_PX)
    pairs = weight[:, 1:] * weight[:, :-1]
    lag = (pairs * residual[:, 1:] * residual[:, :-1]).sum(axis=1) / (pairs.sum(axis=1) + 1e-12)
    correlation = np.clip(lag / scatter**2, 0.0, 0.95)
    inflated = scatter**2 * (1.0 + correlation) / (1.0 - correlation)
    determinant = np.maximum(total * second - first**2, 1e-9)
    sigma = np.sqrt(inflated * second / determinant + LINE_SIGMA_FLOOR_PX**2)
    slope_error = np.sqrt(inflated * total / determinant)
    asked = np.maximum(profiles.valid.sum(axis=1), 1)
    nothing = np.where(enough, 1.0, np.nan)
    return Lines(
        position=intercept * nothing,
        sigma=sigma * nothing,
        slope=gradient * nothing,
        slope_sigma=slope_error * nothing,
        share=np.where(enough, np.minimum(weight.sum(axis=1) / (0.9 * asked), 1.0), 0.0),
        scatter=scatter * nothing,
    )

"""Edge response: how much contrast of fine detail a perforation's side keeps, from many frames at once.

measure_edge_response   rows of one side in many frames    ->  EdgeResponse: contrast by frequency, MTF50  (line-up)
find_focus_losses       blur of the sides, frame by frame  ->  FocusLoss: where contrast fell, and by how much (follow)

The slanted-edge method of ISO 12233 reads the edge between the pixels because its target is turned by a few degrees. A
perforation's side is not turned, but every frame shows it at another place between the pixels: the transport's own
unsteadiness takes the turn's part. MTF50, the frequency at which half of the contrast is left, is that of the punched
wall: it tells a machine's focus from day to day, left from right, and its course along a reel, not the lens's best.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.errors import CallerError

Floats = NDArray[np.float64]

STEP_PX = 0.25  # esfr: four samples a pixel
LEAST_SAMPLES = 8  # in every quarter pixel, or there is no measurement; common practice, no source
FLAT_SHARE = 0.5  # of the window's half width is left as it is; common practice, no source
HALF = 0.5  # of the contrast: MTF50
MOST_FREQUENCY = 1.0  # cycles a pixel, to which the response is given
# Below: common practice, no source; alarm of 15 % for 50 frames after picture note j.
LOST_SHARE = 0.12  # of MTF50 is called lost, so that a loss of 0.15 is found through the scatter of medians
WINDOW_FRAMES = 25  # frames with a measurement whose median counts


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeResponse:
    """Contrast kept by frequency; `mtf50` is NaN where it was not measured.

    `frequency` in cycles a pixel from 0 to 1, `contrast` 1 at frequency 0; `samples` is how many pixels spoke.
    """

    frequency: Floats
    contrast: Floats
    mtf50: float
    samples: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusLoss:
    """Frames [first, stop) whose sides keep less contrast than before: share of MTF50 lost, 0 to 1."""

    first: int
    stop: int
    lost: float


def measure_edge_response(
    rows: Sequence[tuple[ArrayLike, ArrayLike]], *, reach_px: float = 8.0
) -> EdgeResponse:
    """Contrast by frequency of one side of the perforation, from its rows in many frames.

    Parameters
    ----------
    rows : sequence of (distance, value)
        As `focus.make_edge_rows` gives them, one pair a frame; empty ones are passed over. Fifty frames or more; fewer
        where the film lies at a slant. Each frame is brought to the same light first.
    reach_px : float
        Half width of what is used, px; at least six times the blur.

    Returns
    -------
    EdgeResponse
        Of lens, wall and pixel together, as ISO 12233 measures it. NaN where a quarter pixel holds under eight samples.

    Raises
    ------
    CallerError
        If a pair is not of one length, or `reach_px` under 4.

    Notes
    -----
    Source "esfr" (ISO 12233, e-SFR): medians over quarter pixels, derivative [-1/2 0 1/2], window, transform, divided by
    the derivative's own response sin(x)/x with x = 2 pi f/4, and by that of the quarter pixel. Other than there: frames at
    their own places between the pixels instead of a slanted target; samples are laid at the mean place of those in the
    quarter pixel; and the window leaves the middle half as it is and falls as a cosine outside, since a Hamming
    window over so short an edge narrows it (12 % of MTF50 at a blur of 2 px).

    Examples
    --------
    >>> import numpy as np
    >>> from scipy.special import ndtr
    >>> x = np.linspace(-8, 8, 6400)
    >>> response = measure_edge_response([(x, ndtr(x / 1.2))])      # contrast exp(-2 (pi 1.2 f)^2)
    >>> round(response.mtf50, 3), round(float(np.sqrt(np.log(2) / 2) / (np.pi * 1.2)), 3)
    (0.156, 0.156)
    """
    if reach_px < 4:
        raise CallerError(f"measure_edge_response needs a reach of at least 4 px, got {reach_px:g}.")
    distance, value = _laid_together(rows, reach_px)
    frequency = np.linspace(0.0, MOST_FREQUENCY, 201)
    edge = _edge_profile(distance, value, reach_px)
    if edge is None:
        nothing = np.full(frequency.shape, np.nan)
        return EdgeResponse(frequency=frequency, contrast=nothing, mtf50=math.nan, samples=distance.size)
    place, profile = edge
    spread = 0.5 * (profile[2:] - profile[:-2])
    middle = place[1:-1]
    centre = float((middle * np.abs(spread)).sum() / np.abs(spread).sum())
    off = np.abs(middle - centre) / reach_px
    window = np.where(
        off < FLAT_SHARE,
        1.0,
        0.5 + 0.5 * np.cos(np.pi * np.clip((off - FLAT_SHARE) / (1 - FLAT_SHARE), 0, 1)),
    )
    spread = spread * window
    turned = np.exp(-2j * np.pi * frequency[:, None] * middle[None, :]) @ spread
    contrast = np.abs(turned) / abs(float(spread.sum()))
    contrast /= np.sinc(2 * frequency * STEP_PX) * np.sinc(frequency * STEP_PX)
    return EdgeResponse(
        frequency=frequency,
        contrast=contrast,
        mtf50=_falls_to_half(frequency, contrast),
        samples=distance.size,
    )


def _laid_together(rows: Sequence[tuple[ArrayLike, ArrayLike]], reach: float) -> tuple[Floats, Floats]:
    """All frames' samples, each frame with its own dark at 0 and its own light at 1."""
    places, values = [], []
    for one in rows:
        x, y = (np.asarray(each, np.float64) for each in one)
        if x.shape != y.shape or x.ndim != 1:
            raise CallerError(
                f"measure_edge_response needs a distance for every value, got shapes {x.shape} and {y.shape}."
            )
        dark, light = y[x < -0.6 * reach], y[x > 0.6 * reach]
        if dark.size == 0 or light.size == 0:
            continue
        low, high = float(np.median(dark)), float(np.median(light))
        if high > low:
            places.append(x)
            values.append((y - low) / (high - low))
    if not places:
        return np.zeros(0), np.zeros(0)
    return np.concatenate(places), np.concatenate(values)


def _edge_profile(distance: Floats, value: Floats, reach: float) -> tuple[Floats, Floats] | None:
    """Places every quarter pixel, and the light there."""
    last = round((reach - 1.0) / STEP_PX)
    bins = np.round(distance / STEP_PX).astype(np.int64)
    inside = np.abs(bins) <= last
    bins, distance, value = bins[inside] + last, distance[inside], value[inside]
    counts = np.bincount(bins, minlength=2 * last + 1)
    if counts.min() < LEAST_SAMPLES:
        return None
    order = np.lexsort((value, bins))
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]])
    ordered = value[order]
    middle = 0.5 * (ordered[starts + (counts - 1) // 2] + ordered[starts + counts // 2])
    place = np.bincount(bins, weights=distance, minlength=2 * last + 1) / counts
    grid: Floats = np.asarray((np.arange(2 * last + 1) - last) * STEP_PX, np.float64)
    # What the mean place lies off the quarter pixel's middle is taken back along the edge's own slope.
    slope = np.gradient(middle, place)
    profile: Floats = middle + slope * (grid - place)
    return grid, profile


def _falls_to_half(frequency: Floats, contrast: Floats) -> float:
    below = np.flatnonzero(contrast < HALF)
    if below.size == 0 or below[0] == 0:
        return math.nan
    n = int(below[0])
    share = (contrast[n - 1] - HALF) / (contrast[n - 1] - contrast[n])
    return float(frequency[n - 1] + share * (frequency[n] - frequency[n - 1]))


def find_focus_losses(
    blur_left_px: ArrayLike, blur_right_px: ArrayLike, *, lost_share: float = LOST_SHARE
) -> tuple[FocusLoss, ...]:
    """Stretches over which the perforation's sides keep less contrast than where the capture is sharpest.

    Parameters
    ----------
    blur_left_px, blur_right_px : array, shape (frames,)
        Sigma of the sides, px; NaN where not measured. Frames that were not looked at are NaN too.
    lost_share : float
        Of MTF50, from which a stretch is told.

    Returns
    -------
    tuple of FocusLoss
        In order; each rests on medians of 25 measured frames, so that holes punched or torn otherwise say nothing.
        The share is that of the stretch's worst median. Nothing with under 50 measured frames. Only the side whose medians
        are steadier speaks: next to the other there often lies the picture, and its light changes that side's profile.

    Raises
    ------
    CallerError
        If the columns are not of one length.

    Notes
    -----
    MTF50 of a Gaussian is sqrt(ln 2/2)/(pi sigma), so the share lost is 1 - sharp sigma / sigma ("definition"). A pixel of
    its own width is taken out of the columns before; a loss is told a little larger than a loss of lens and pixel together.

    Examples
    --------
    >>> import numpy as np
    >>> blur = np.repeat([1.0, 1.18], [200, 100])
    >>> find_focus_losses(blur, blur)[0].first, round(find_focus_losses(blur, blur)[0].lost, 2)
    (200, 0.15)
    """
    left, right = np.asarray(blur_left_px, np.float64), np.asarray(blur_right_px, np.float64)
    if left.shape != right.shape or left.ndim != 1:
        raise CallerError(
            f"find_focus_losses needs two columns of one length, got shapes {left.shape} and {right.shape}."
        )
    levels = [_levels(blur) for blur in (left, right)]
    told = [each for each in levels if each is not None]
    if not told:
        return ()
    at, level = min(told, key=lambda each: float(np.ptp(each[1]) / np.median(each[1])))
    sharp = float(np.quantile(level, 0.1))
    share = 1.0 - sharp / level
    low = np.concatenate([[False], share > lost_share, [False]])
    turns = np.flatnonzero(np.diff(low.astype(np.int8))).reshape(-1, 2)
    found = []
    for a, b in turns.tolist():
        # A window's median turns when half of it has.
        first, stop = int(at[a + WINDOW_FRAMES // 2]), int(at[b - 1 + WINDOW_FRAMES // 2]) + 1
        if b == level.size:
            stop = left.size
        if a == 0:
            first = 0
        found.append(FocusLoss(first=first, stop=stop, lost=float(share[a:b].max())))
    return tuple(found)


def _levels(blur: Floats) -> tuple[NDArray[np.int64], Floats] | None:
    """Frames of one side that were measured, and the medians of 25 of them in a row; None where there are too few."""
    at = np.flatnonzero(np.isfinite(blur) & (blur > 0))
    if at.size < 2 * WINDOW_FRAMES:
        return None
    return at, np.median(np.lib.stride_tricks.sliding_window_view(blur[at], WINDOW_FRAMES), axis=1)

"""Picture area: the rectangle that the camera's gate exposed, found on the film.

find_gate_sides     one frame, nominal rectangle  ->  GateFix: the four sides            (analyse)
find_picture_area   the fixes of survey frames    ->  PictureArea, side by side measured or nominal

The picture is exposed through an opening that differs from camera to camera by tenths of a millimetre;
the published image is only where to start. A side shows where the subject beside it is light enough,
so each frame gives some sides and many frames give all. Frames are measured one by one and then
the mean of them is taken, not the other way about: the camera moves its gate against the film from scene
to scene, and laid over one another the frames' edges would make a staircase.

All positions are relative to the film reference (a point fixed to the film), so they serve every frame.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.edges import (
    Crossings,
    LineGuess,
    Profiles,
    find_profiles,
    measure_lines,
    measure_votes,
)

Side = Literal["left", "top", "right", "bottom"]
Rectangle = tuple[float, float, float, float]  # left, top, right, bottom
SIDES: tuple[Side, ...] = ("left", "top", "right", "bottom")

# Limits below which a side counts as not seen: common practice, no source.
LEAST_VOTES = 0.25  # share of rows that agree where the edge is
LEAST_SHARE = 0.25  # share of rows on the fitted line
DARK_BEYOND = 0.25  # dark border: light beyond the edge, of the light inside, or twice the border's
BRIGHT_BEYOND = 0.2  # bright border: how far the light beyond may differ from the border's
LEAST_FRAMES = 3  # that must show a side
CORNER_SHARE = 0.14  # of each side left out at either end: camera gates have round corners
SLOPE_SIGMA = 0.003  # how far a side may turn from the film
AROUND_PX = 8  # looked at beyond the search distance, to see what lies there
ROW_STEP = 2
ROWS_AVERAGED = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class GateFix:
    """The gate's sides in one frame, px relative to the film reference; NaN for a side not seen.

    A side is where the light has fallen half way to the border's, at the middle of the side.
    """

    left_px: float
    top_px: float
    right_px: float
    bottom_px: float
    sigma_left_px: float
    sigma_top_px: float
    sigma_right_px: float
    sigma_bottom_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureArea:
    """The camera gate's usual rectangle relative to the film reference, px of the capture.

    Sigma is NaN for a side that was not measured: it then lies the nominal size from its measured
    opposite or, where neither was seen, at the nominal place. `spread_x_px` and `spread_y_px` are how far
    the gate moved against the film between the frames (standard deviation without the outer tenths,
    NaN where not measured): the camera's unsteadiness, and its moves between scenes.
    """

    left_px: float
    top_px: float
    right_px: float
    bottom_px: float
    sigma_left_px: float
    sigma_top_px: float
    sigma_right_px: float
    sigma_bottom_px: float
    spread_x_px: float
    spread_y_px: float
    measured: tuple[Side, ...]
    frames: int  # that were looked at

    @property
    def nominal(self) -> tuple[Side, ...]:
        """The sides that were not measured."""
        return tuple(side for side in SIDES if side not in self.measured)


def find_gate_sides(
    light: NDArray[np.float32],
    *,
    reference: tuple[float, float],
    nominal: Rectangle,
    search_x_px: float,
    search_y_px: float,
    border_light: float,
    blur_px: float,
    tilt: float = 0.0,
    border: Literal["dark", "bright"] = "dark",
) -> GateFix:
    """The sides of the camera's gate in one frame.

    Parameters
    ----------
    light : array, shape (height, width) or (height, width, 3), float32
        Linear light, 0 to 1. Not altered.
    reference : (x, y)
        Film reference in this frame, px; NaN gives a fix of NaN.
    nominal : (left, top, right, bottom)
        Published camera image at the measured scale, px relative to the reference.
    search_x_px, search_y_px : float
        How far from the nominal sides to look. Along the film no further than the gap to the
        neighbouring picture allows.
    border_light : float
        Light of unexposed film, 0 to 1: dark on reversal, bright on negative film.
    blur_px : float
        Blur of edges in the capture (standard deviation), from the survey.
    tilt : float
        Of the film, radians: x grows by this for each pixel down.
    border : "dark" or "bright"

    Returns
    -------
    GateFix

    Notes
    -----
    Rows and lines as in the perforation finder (`picture.edges`). An edge counts only where
    the film beyond is as unexposed as the border: a subject's edge has a subject beyond it. Unlike
    an open perforation the subject is not even: its light at the edge is what a straight line through
    the six pixels inside the blur says ("definition"). Half light is not half exposure: a film's contrast moves the edge
    outward by a part of its blur, the same on all sides.

    Examples
    --------
    >>> import numpy as np
    >>> frame = np.full((160, 200), 0.01, np.float32); frame[43:121, 52:151] = 0.4
    >>> fix = find_gate_sides(
    ...     frame, reference=(100, 80), nominal=(-50, -40, 50, 40), search_x_px=10, search_y_px=10,
    ...     border_light=0.01, blur_px=0.5,
    ... )
    >>> round(fix.left_px, 1), round(fix.top_px, 1), round(fix.right_px, 1), round(fix.bottom_px, 1)
    (-48.5, -37.5, 50.5, 40.5)
    """
    left, top, right, bottom = nominal
    nothing = [math.nan] * 4
    if not (left < right and top < bottom):
        raise CallerError(f"find_gate_sides needs left < right and top < bottom, got {nominal}.")
    if not all(math.isfinite(value) for value in reference):
        return _fix(nothing, nothing)
    plane = light.mean(axis=2, dtype=np.float32) if light.ndim == 3 else light
    middle_x, middle_y = reference[0] + (left + right) / 2, reference[1] + (top + bottom) / 2
    half_w, half_h = (0.5 - CORNER_SHARE) * (right - left), (0.5 - CORNER_SHARE) * (bottom - top)
    guesses = [
        LineGuess(
            upright=side in ("left", "right"),
            outward=-1 if side in ("left", "top") else 1,
            position_px=place + (reference[0] if side in ("left", "right") else reference[1]),
            centre_px=middle_y if side in ("left", "right") else middle_x,
            first_px=middle_y - half_h if side in ("left", "right") else middle_x - half_w,
            stop_px=middle_y + half_h if side in ("left", "right") else middle_x + half_w,
            slope=tilt if side in ("left", "right") else -tilt,
        )
        for side, place in zip(SIDES, nominal)
    ]
    search = np.array([search_x_px, search_y_px, search_x_px, search_y_px])
    profiles = find_profiles(
        plane,
        guesses,
        reach=math.ceil(search.max()) + AROUND_PX,
        blur_x_px=blur_px,
        blur_y_px=blur_px,
        dark_opening=border == "bright",
        step=ROW_STEP,
    )
    _, _, peaks = measure_votes(profiles)
    peaks = peaks & _bare_beyond(profiles, border_light, border)
    start = _starts(peaks, profiles, search)
    lines = measure_lines(
        _half_light(profiles, start), profiles, slope=profiles.slope, slope_sigma=SLOPE_SIGMA
    )
    seen = np.isfinite(start) & (lines.share >= LEAST_SHARE)
    offset = np.array([reference[0], reference[1]] * 2)
    return _fix(
        np.where(seen, lines.position - offset, np.nan).tolist(), np.where(seen, lines.sigma, np.nan).tolist()
    )


def find_picture_area(fixes: Sequence[GateFix], *, nominal: Rectangle) -> PictureArea:
    """The gate's usual rectangle from the fixes of many frames.

    Parameters
    ----------
    fixes : sequence of GateFix
        Of survey frames, at least one.
    nominal : (left, top, right, bottom)
        Published camera image at the measured scale, px relative to the reference.

    Returns
    -------
    PictureArea
        A side is measured when at least 3 frames show it.

    Raises
    ------
    CallerError
        If there is no fix.

    Notes
    -----
    Size: from the frames that show both sides of a pair. Centre: from all that show one. So frames
    that show only one side say where the gate is, and do not pull the sides apart. Both are means with a
    tenth cut off at each end: a camera that shifted its gate between two scenes gives two
    heaps, whose median jumps from one to the other ("common practice").

    Examples
    --------
    >>> fix = GateFix(left_px=-48, top_px=-37, right_px=51, bottom_px=float("nan"), sigma_left_px=0.1,
    ...               sigma_top_px=0.1, sigma_right_px=0.1, sigma_bottom_px=float("nan"))
    >>> area = find_picture_area([fix] * 3, nominal=(-50, -40, 50, 40))
    >>> area.left_px, area.bottom_px, area.measured
    (-48.0, 43.0, ('left', 'top', 'right'))
    """
    if not fixes:
        raise CallerError("find_picture_area needs the fixes of at least one frame; none was given.")
    across = _axis(
        np.array([fix.left_px for fix in fixes]),
        np.array([fix.right_px for fix in fixes]),
        nominal[0],
        nominal[2],
    )
    along = _axis(
        np.array([fix.top_px for fix in fixes]),
        np.array([fix.bottom_px for fix in fixes]),
        nominal[1],
        nominal[3],
    )
    sigma = (across.sigma[0], along.sigma[0], across.sigma[1], along.sigma[1])
    return PictureArea(
        left_px=across.place[0],
        top_px=along.place[0],
        right_px=across.place[1],
        bottom_px=along.place[1],
        sigma_left_px=sigma[0],
        sigma_top_px=sigma[1],
        sigma_right_px=sigma[2],
        sigma_bottom_px=sigma[3],
        spread_x_px=across.spread,
        spread_y_px=along.spread,
        measured=tuple(side for side, value in zip(SIDES, sigma) if math.isfinite(value)),
        frames=len(fixes),
    )


def _fix(place: list[float], sigma: list[float]) -> GateFix:
    return GateFix(
        left_px=place[0],
        top_px=place[1],
        right_px=place[2],
        bottom_px=place[3],
        sigma_left_px=sigma[0],
        sigma_top_px=sigma[1],
        sigma_right_px=sigma[2],
        sigma_bottom_px=sigma[3],
    )


def _bare_beyond(
    profiles: Profiles, border_light: float, border: Literal["dark", "bright"]
) -> NDArray[np.bool_]:
    """Where the three samples from the third outward show unexposed film, and those inward do not."""
    samples = -profiles.samples if border == "bright" else profiles.samples
    beyond = np.full(samples.shape, np.nan)
    inside = np.full(samples.shape, np.nan)
    beyond[..., :-5] = (samples[..., 3:-2] + samples[..., 4:-1] + samples[..., 5:]) / 3
    inside[..., 5:] = (samples[..., 2:-3] + samples[..., 1:-4] + samples[..., :-5]) / 3
    with np.errstate(invalid="ignore"):
        if border == "dark":
            return beyond < np.maximum(DARK_BEYOND * inside, 2.0 * border_light)
        return (np.abs(beyond / border_light - 1.0) < BRIGHT_BEYOND) & (inside < beyond)


def _starts(peaks: NDArray[np.bool_], profiles: Profiles, search: NDArray[np.float64]) -> NDArray[np.float64]:
    """Offset of each side at which most rows have such an edge; NaN where too few have."""
    count = np.maximum(profiles.valid.sum(axis=1), 1)[:, None]
    raw = (peaks & profiles.valid[..., None]).sum(axis=1) / count
    votes = raw.copy()
    votes[:, 1:] += raw[:, :-1]
    votes[:, :-1] += raw[:, 1:]
    offset = np.arange(-profiles.reach, profiles.reach + 1, dtype=np.float64)
    votes[np.abs(offset)[None, :] > search[:, None]] = 0.0
    best = votes.argmax(axis=1)
    enough = votes[np.arange(len(votes)), best] >= LEAST_VOTES
    return np.where(enough, offset[best], np.nan)


def _half_light(profiles: Profiles, start: NDArray[np.float64]) -> Crossings:
    """Where each row has fallen half way from the subject's light at the edge to the border's."""
    from scipy.ndimage import uniform_filter1d

    samples = uniform_filter1d(profiles.samples, ROWS_AVERAGED, axis=1, mode="nearest")
    sides, rows, count = samples.shape
    crossing = np.repeat(np.nan_to_num(start)[:, None], rows, axis=1)
    valid = profiles.valid & np.isfinite(start)[:, None]
    clear = 2.5 * profiles.blur[:, None]
    steps = np.arange(6.0)
    reach = np.arange(-6, 7)

    def at(offset: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        index = np.clip(np.floor(offset + 0.5) + profiles.reach, 0, count - 1).astype(np.int64)
        return np.take_along_axis(samples, index, 2), index - float(profiles.reach)

    for _ in range(2):
        inside, place = at((crossing - clear)[..., None] - steps)
        beyond, _ = at((crossing + clear)[..., None] + steps[:3])
        mean, middle = inside.mean(axis=2), place.mean(axis=2)
        turn = ((place - middle[..., None]) * inside).sum(axis=2) / np.square(place - middle[..., None]).sum(
            axis=2
        )
        dark = beyond.mean(axis=2)
        rise = (mean - dark) + turn * (crossing - middle)
        rise = np.clip(rise, 0.5 * (mean - dark), 1.6 * np.maximum(mean - dark, 0.0))
        half = (dark + rise / 2)[..., None]
        near, offset = at(crossing[..., None] + reach)
        falls = (near[..., :-1] > half) & (near[..., 1:] <= half)
        distance = np.where(falls, np.abs(reach[:-1] + 0.5), np.inf)
        best = distance.argmin(axis=2)[..., None]
        valid &= falls.any(axis=2) & (mean > dark)
        high, low = np.take_along_axis(near, best, 2), np.take_along_axis(near, best + 1, 2)
        share = np.where(high > low, (high - half) / np.where(high > low, high - low, 1.0), 0.5)
        found = (np.take_along_axis(offset, best, 2) + share)[..., 0]
        crossing = np.where(valid, found, crossing)
    return Crossings(
        position=profiles.base + profiles.outward[:, None] * crossing,
        valid=valid,
        contrast=np.full(sides, np.nan),
        noise=np.full(sides, np.nan),
        squares=0.0,
        samples=0,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Axis:
    place: tuple[float, float]
    sigma: tuple[float, float]
    spread: float


def _middle(values: NDArray[np.float64]) -> tuple[float, float, float]:
    """Trimmed mean (a tenth off each end), standard deviation of what is kept, and sigma of the mean."""
    cut = max(values.size // 10, int(values.size >= 5))
    kept = np.sort(values)[cut : values.size - cut]
    spread = float(kept.std())
    return float(kept.mean()), spread, spread / math.sqrt(kept.size)


def _axis(
    low: NDArray[np.float64], high: NDArray[np.float64], low_nominal: float, high_nominal: float
) -> _Axis:
    """One pair of sides."""
    see_low, see_high = np.isfinite(low), np.isfinite(high)
    both = see_low & see_high
    size, size_sigma = high_nominal - low_nominal, 0.0
    if both.sum() >= LEAST_FRAMES:
        size, _, size_sigma = _middle((high - low)[both])
    shown = (int(see_low.sum()) >= LEAST_FRAMES, int(see_high.sum()) >= LEAST_FRAMES)
    if not any(shown):
        return _Axis(place=(low_nominal, high_nominal), sigma=(math.nan, math.nan), spread=math.nan)
    if both.sum() < LEAST_FRAMES and all(shown):
        # Never seen together: each side by itself.
        place_low, spread, sigma_low = _middle(low[see_low])
        place_high, _, sigma_high = _middle(high[see_high])
        return _Axis(place=(place_low, place_high), sigma=(sigma_low, sigma_high), spread=spread)
    centres = np.where(both, (low + high) / 2, np.where(see_low, low + size / 2, high - size / 2))
    centre, spread, centre_sigma = _middle(centres[see_low | see_high])
    sigma = math.hypot(centre_sigma, size_sigma / 2)
    return _Axis(
        place=(centre - size / 2, centre + size / 2),
        sigma=(sigma if shown[0] else math.nan, sigma if shown[1] else math.nan),
        spread=spread,
    )

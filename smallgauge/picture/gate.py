"""Picture area: the rectangle that the camera's gate exposed, found on the film.

find_gate_sides     one frame, nominal rectangle  ->  GateFix: the four sides            (analyse)
find_picture_area   the fixes of survey frames    ->  PictureArea, side by side measured or nominal

The picture is exposed through an opening that differs from camera to camera by tenths of a millimetre;
the published image is only where to start. A side shows where the subject beside it is light enough,
so each frame gives some sides and many frames give all. Frames are measured one by one and then
the mean of them is taken, not the other way about: the camera moves its gate against the film from scene
to scene, and laid over one another the frames' edges would make a staircase.

All positions are relative to the film reference (a point fixed to the film), so they serve every frame; the
columns of the frame table hold places in the capture, which a misread perforation leaves as they are.

Why this is long: what a side is, in one frame and over a reel, is one argument.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.columns import Column
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
# Left and right sides only, since along the film the next picture is too near: behind the gate's shadow, for so much of its
# width, there is nothing but unexposed film, however light the subject. A post before a hedge has the hedge behind it.
# common practice, no source
SHADOW = 3.0  # softnesses of the shadow
FAR_SHARE = 0.006  # of the width
FAR_TIMES, FAR_LIGHT = 3.0, 0.03  # of the border's light, or of the light inside
LEAST_BARE = (
    0.5  # of all rows, whether they have an edge or not: a perforation beside the picture takes 0.4 of them
)
STRIPE_LIGHT = 0.02  # what may lie there too: a magnetic stripe, which light goes round and not through
LIKELY = 0.5  # of the strongest place's rows that another place has, to be likely
TOGETHER_PX = 3
LEAST_FRAMES = 3  # that must show a side
# Of the distance between a pair of sides: how far a camera's gate moves against the film over a reel. What lies further off is an
# edge of some subject's. common practice, no source
HEAP_SHARE = 0.06
LEAST_HEAP = 0.5  # of the frames that show a side, in one heap
CORNER_SHARE = 0.14  # of each side left out at either end: camera gates have round corners
SLOPE_SIGMA = 0.003  # how far a side may turn from the film
AROUND_PX = 8  # looked at beyond the search distance, to see what lies there
ROW_STEP = 2  # px along a side from row to row; more where a side has over MOST_ROWS of them
MOST_ROWS = 220
ROWS_AVERAGED = 5
ROWS_VOTING = 3  # every third row votes, three averaged
CLEAR_FILM_LIGHT = 0.79  # of reversal film, fully exposed: density 0.1; common practice, no source
GATE_SOFT_MM = 0.016  # shadow of a camera's gate on film (standard deviation); common practice, no source
MOST_SHIFT = 1.2  # of that, half light can lie out of half exposure: beyond it the film says too little

_c = Column
_SIDE_COLUMNS = tuple(
    column
    for side, coordinate in (("left", "x"), ("top", "y"), ("right", "x"), ("bottom", "y"))
    for column in (
        _c(
            name=f"gate_{side}_px", unit="px", type="float64", source="camera gate", tolerance=0.02,
            meaning=f"{coordinate} in the capture of the middle of the camera gate's {side} side in this frame; "
            "NaN: not seen.",
        ),
        _c(
            name=f"gate_{side}_sigma_px", unit="px", type="float64", source="camera gate", tolerance=0.02,
            meaning=f"Standard deviation of gate_{side}_px, as far as the rows of this frame tell it.",
        ),
    )
)  # fmt: skip
COLUMNS: tuple[Column, ...] = (
    *_SIDE_COLUMNS,
    _c(
        name="gate_upright_tilt", unit="rad", type="float64", source="camera gate", tolerance=1e-4,
        meaning="Tilt of the gate's left and right sides: growth of x for each pixel down.",
    ),
    _c(
        name="gate_level_tilt", unit="rad", type="float64", source="camera gate", tolerance=1e-4,
        meaning="Tilt of its top and bottom: fall of y for each pixel to the right.",
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class GateFix:
    """The gate's sides in one frame, px relative to the film reference; NaN for a side not seen.

    A side is where the exposure has fallen by half, at the middle of the side, as far as the light tells.
    """

    left_px: float
    top_px: float
    right_px: float
    bottom_px: float
    sigma_left_px: float
    sigma_top_px: float
    sigma_right_px: float
    sigma_bottom_px: float
    upright_tilt: float = math.nan  # of the left and right side: x grows by this for each pixel down
    level_tilt: float = math.nan  # of the top and bottom: y falls by this for each pixel right


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
    gate_soft_px: float = 0.0,
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
    gate_soft_px : float
        Softness (standard deviation) of the gate's shadow on the film, `GATE_SOFT_MM` at the capture's
        scale; 0 leaves half light as it is. Reversal film only.
    border : "dark" or "bright"

    Returns
    -------
    GateFix

    Notes
    -----
    Rows and lines as in the perforation finder (`picture.edges`). An edge counts only where
    the film beyond is as unexposed as the border, at the sides well behind the gate's shadow too: a subject's
    edge has a subject beyond it. Unlike
    an open perforation the subject is not even: its light at the edge is what a straight line through
    the six pixels inside the blur says ("definition"). Half light is not half exposure: over-exposed sky pushes it
    outward by as much as the gate's shadow is soft, shade pulls it in by a third of that. `gate_soft_px`
    takes most of this out, row by row ("camera gate").

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
    guesses = _guesses(reference, nominal, tilt)
    search = np.array([search_x_px, search_y_px, search_x_px, search_y_px])
    near = math.ceil(max(3.0, SHADOW * math.hypot(blur_px, gate_soft_px)))
    far = (near, near + max(3, math.ceil(FAR_SHARE * (right - left))))
    reach = math.ceil(search.max()) + max(AROUND_PX, far[1] + 1)
    profiles = find_profiles(
        light,
        guesses,
        reach=reach,
        blur_x_px=blur_px,
        blur_y_px=blur_px,
        dark_opening=border == "bright",
        step=max(ROW_STEP, math.ceil(max(g.stop_px - g.first_px for g in guesses) / MOST_ROWS)),
    )
    start = _starts(profiles, search, border_light, border, far)
    soft = gate_soft_px if border == "dark" else 0.0
    lines = measure_lines(
        _half_exposure(profiles, start, soft_px=soft, border_light=border_light),
        profiles,
        slope=profiles.slope,
        slope_sigma=SLOPE_SIGMA,
    )
    seen = np.isfinite(start) & (lines.share >= LEAST_SHARE)
    offset = np.array([reference[0], reference[1]] * 2)
    slope = np.where(seen, lines.slope, np.nan)
    weight = np.where(seen, 1.0 / np.square(np.where(seen, lines.slope_sigma, 1.0)), 0.0)
    return replace(
        _fix(
            np.where(seen, lines.position - offset, np.nan).tolist(),
            np.where(seen, lines.sigma, np.nan).tolist(),
        ),
        upright_tilt=_weighted(slope[0::2], weight[0::2]),
        level_tilt=-_weighted(slope[1::2], weight[1::2]),
    )


def _weighted(values: NDArray[np.float64], weight: NDArray[np.float64]) -> float:
    total = float(weight.sum())
    return float((weight * np.nan_to_num(values)).sum()) / total if total > 0 else math.nan


def _guesses(reference: tuple[float, float], nominal: Rectangle, tilt: float) -> list[LineGuess]:
    """Left, top, right, bottom, without their round corners."""
    left, top, right, bottom = nominal
    middle_x, middle_y = reference[0] + (left + right) / 2, reference[1] + (top + bottom) / 2
    half_w, half_h = (0.5 - CORNER_SHARE) * (right - left), (0.5 - CORNER_SHARE) * (bottom - top)
    return [
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
        A side is measured when at least 3 frames, and half of those that show one at all, show it in one place.

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


def _starts(
    profiles: Profiles,
    search: NDArray[np.float64],
    border_light: float,
    border: Literal["dark", "bright"],
    far: tuple[int, int],
) -> NDArray[np.float64]:
    """Offset of each side at which many rows have an edge before unexposed film, the outermost of them; NaN where too few have.

    The three samples from the third outward must show such film, and those inward must not; at upright sides it must lie on
    average from `far[0]` to before `far[1]` samples outward too.
    """
    from smallgauge.picture.kernels_gate import count_bare

    some = slice(None, None, ROWS_VOTING)
    few = replace(
        profiles,
        samples=profiles.samples[:, some],
        valid=profiles.valid[:, some],
        along=profiles.along[:, some],
        base=profiles.base[:, some],
        room=profiles.room[:, some],
        room_inward=profiles.room_inward[:, some],
    )
    _, _, peaks = measure_votes(few, rows_averaged=ROWS_VOTING)
    edges, bare = np.empty((2, len(few.samples), few.samples.shape[2]), np.int64)
    near, behind = 2.0 * border_light, max(FAR_TIMES * border_light, STRIPE_LIGHT)
    limits = float(BRIGHT_BEYOND), DARK_BEYOND, float(near), FAR_LIGHT, float(behind)
    count_bare(
        few.samples, few.valid, peaks, float(border_light), border == "bright", limits, far, edges, bare
    )
    count = np.maximum(few.valid.sum(axis=1), 1)[:, None]
    all_bare = bare >= LEAST_BARE * count
    raw = edges / count
    votes = raw.copy()
    votes[:, 1:] += raw[:, :-1]
    votes[:, :-1] += raw[:, 1:]
    offset = np.arange(-profiles.reach, profiles.reach + 1, dtype=np.float64)
    votes[(np.abs(offset)[None, :] > search[:, None]) | ~all_bare] = 0.0
    # Whatever stands upright in the scene stands inside the gate: the outermost of the likely places is the gate.
    most = votes.max(axis=1)
    likely = votes >= np.maximum(LEAST_VOTES, LIKELY * most)[:, None]
    last = votes.shape[1] - 1 - likely[:, ::-1].argmax(axis=1)
    near = np.abs(np.arange(votes.shape[1])[None, :] - last[:, None]) <= TOGETHER_PX
    best = np.where(likely & near, votes, -1.0).argmax(axis=1)
    return np.where(most >= LEAST_VOTES, offset[best], np.nan)


def _window(
    profiles: Profiles, start: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Samples around each side's start, neighbouring rows averaged, and the offset of the first of them."""
    from smallgauge.picture.kernels_gate import average_rows

    half = math.ceil(2.5 * float(profiles.blur.max())) + 14
    half = min(half, profiles.reach)
    middle = np.clip(np.nan_to_num(start), half - profiles.reach, profiles.reach - half).astype(np.int64)
    out = np.empty((*profiles.samples.shape[:2], 2 * half + 1))
    average_rows(profiles.samples, middle + profiles.reach - half, ROWS_AVERAGED, out)
    return out, (middle - half).astype(np.float64)


def _half_exposure(
    profiles: Profiles, start: NDArray[np.float64], *, soft_px: float, border_light: float
) -> Crossings:
    """Where each row has fallen half way from the subject's light at the edge to the border's, and from
    there to where its exposure has."""
    from smallgauge.picture.kernels_gate import half_exposures

    samples, first = _window(profiles, start)
    sides, rows, _ = samples.shape
    crossing = np.repeat(np.nan_to_num(start)[:, None], rows, axis=1)
    valid = profiles.valid & np.isfinite(start)[:, None]
    edge, dark = np.empty((2, sides, rows))
    half_exposures(samples, first, 2.5 * profiles.blur, valid, crossing, edge, dark)
    if soft_px > 0:
        crossing = crossing - soft_px * _shift_of_half_light(edge, border_light)
    return Crossings(
        position=profiles.base + profiles.outward[:, None] * crossing,
        valid=valid,
        contrast=np.full(sides, np.nan),
        noise=np.full(sides, np.nan),
    )


def _shift_of_half_light(light: NDArray[np.float64], border_light: float) -> NDArray[np.float64]:
    """How far outward half light lies of half exposure, in softnesses of the gate's shadow.

    Reversal film whose density falls as a logistic of log exposure, from the border's to clear film's:
    exposure E, in units of the one that gives half the range, from density D is (range / (D - clear)) - 1.
    Half light is at the exposure E1, which a normal shadow has fallen to at -ndtri(E1 / E).
    """
    from scipy.special import ndtri

    clear = -math.log10(CLEAR_FILM_LIGHT)
    dark = max(border_light, 1e-4)
    span = max(-math.log10(dark) - clear, 0.3)

    def exposure(value: NDArray[np.float64]) -> NDArray[np.float64]:
        density = -np.log10(np.clip(value, dark * 1.001, 0.98 * CLEAR_FILM_LIGHT))
        return np.maximum(span / (density - clear) - 1.0, 1e-6)

    ratio = exposure((light + dark) / 2) / exposure(light)
    return np.asarray(np.clip(-ndtri(np.clip(ratio, 1e-3, 1.0 - 1e-3)), -0.5, MOST_SHIFT))


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


def _heap(values: NDArray[np.float64], nominal: float, width: float) -> NDArray[np.float64]:
    """Of a side's places those that lie together, NaN for the others; all NaN where fewer than half do.

    A gate stays where it is but for a little; edges of subjects lie wherever they do.
    """
    seen = np.sort(values[np.isfinite(values)])
    nothing = np.full_like(values, np.nan)
    if not seen.size:
        return nothing
    count = np.searchsorted(seen, seen + width, side="right") - np.arange(seen.size)
    middle = np.array([seen[n : n + many].mean() for n, many in enumerate(count.tolist())])
    best = int(np.lexsort((np.abs(middle - nominal), -count))[0])
    if count[best] < LEAST_HEAP * seen.size:
        return nothing
    return np.where((values >= seen[best]) & (values <= seen[best] + width), values, np.nan)


def _axis(
    low: NDArray[np.float64], high: NDArray[np.float64], low_nominal: float, high_nominal: float
) -> _Axis:
    """One pair of sides."""
    width = HEAP_SHARE * (high_nominal - low_nominal)
    low, high = _heap(low, low_nominal, width), _heap(high, high_nominal, width)
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

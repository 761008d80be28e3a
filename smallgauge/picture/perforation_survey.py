"""The survey: how the perforations of one capture look, from frames spread over it, before and after a gauge is named.

find_recurring_holes   planes, shapes  -> HolesSeen: size, pitch, rows, film edges in pixels, no gauge assumed
measure_survey         seen, gauge     -> PerforationSurvey, frozen with the capture

Why this is long: one measurement, step by step, in the order in which it is made.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import log
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.gauge.gauges import Gauge
from smallgauge.picture.edges import LineGuess, Profiles, find_profiles, measure_crossings, measure_votes
from smallgauge.picture.perforation_fix import Candidate, PerforationFix, PerforationSurvey, Plane, Polarity
from smallgauge.picture.perforation_votes import (
    Edges,
    find_candidates,
    find_edge_peaks,
    measure_rectangle_votes,
)
from smallgauge.picture.perforations import find_perforations, measure_perforations, measure_reference

WEAR_LIMIT = 0.02  # of width to height: tolerances of both (1.1 and 0.9 %, SMPTE ST 149) and measuring
SCALES_KEPT = 10  # of each shape, after every other frame was looked at; common practice, no source
SEARCH_SIDE_PX = 16  # shorter side of the perforation in the search over scales; common practice, no source
EDGE_ROWS = 300  # that the usual light of a column is read from; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class HoleShape:
    """One perforation's dimensions in millimetres, shared by the gauges in `keys`."""

    width: float
    height: float
    corner: float
    keys: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HolesSeen:
    """What was measured before any gauge is named; px, NaN where not seen."""

    width: float
    height: float
    pitch: float
    rows: tuple[float, ...]
    film_left: float
    film_right: float
    frame_width: int
    wholeness: float  # mean share of the sides, 0 to 1
    second_row: float  # votes for a rectangle elsewhere, as a share of those for the first row
    survey: PerforationSurvey  # provisional
    fixes: tuple[tuple[PerforationFix, ...], ...]


def find_recurring_holes(
    planes: Sequence[Plane],
    shapes: Sequence[HoleShape],
    *,
    scale: tuple[float, float] | None,
    polarity: Polarity,
) -> HolesSeen | None:
    """The perforation whose rectangle recurs at one place across the frames, measured on its own terms."""
    height, width = planes[0].shape
    tries: list[tuple[float, HoleShape, float, float, float]] = []  # votes, shape, px/mm across, along, x
    some = planes[:: max(1, len(planes) // 5)][:5]
    sign = np.float32(-1 if polarity == "dark hole" else 1)
    reduced: dict[int, list[_Reduced]] = {}
    for shape in shapes:
        scales = _scales(shape, height, width, scale)
        for frames, kept in ((slice(0, None, 2), SCALES_KEPT), (slice(None), 2)):  # every other frame first
            ours: list[tuple[float, HoleShape, float, float, float]] = []
            for across, along in scales:
                factor = max(1, int(min(shape.width * across, shape.height * along) // SEARCH_SIDE_PX))
                if factor not in reduced:
                    reduced[factor] = [_Reduced.of(plane, factor, sign) for plane in some]
                votes, x = _recurring(reduced[factor][frames], factor, shape, across, along)
                ours.append((votes, shape, across, along, x))
            ours = sorted(ours, key=lambda each: -each[0])[:kept]
            scales = [(each[2], each[3]) for each in ours]
        tries += ours
    tries.sort(key=lambda each: -each[0])
    best: HolesSeen | None = None
    for votes, shape, across, along, x in tries[:6]:
        if votes < 0.5 * tries[0][0] or votes < 0.9:
            break
        if best is not None and (_same_hole(best, shape, across, along, x) or votes < 0.8 * tries[0][0]):
            continue
        seen = _measure_holes(planes, shape, across, along, x, polarity=polarity)
        if seen is not None and (best is None or seen.wholeness > best.wholeness + 0.02):
            best = seen
    return best


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Reduced:
    """A frame made smaller for the search over scales: its edge peaks, all of them, and its light 0 to 1."""

    edges: tuple[Edges, Edges, Edges, Edges]
    any_edge: Plane
    light: Plane

    @classmethod
    def of(cls, plane: Plane, factor: int, sign: np.float32) -> "_Reduced":
        small = _reduce(plane, factor) * sign
        edges = find_edge_peaks(small)
        low, high = np.percentile(small, (2.0, 99.8))
        light = ((small - low) / max(high - low, 1e-6)).astype(np.float32)
        any_edge = (edges[0] | edges[1] | edges[2] | edges[3]).astype(np.float32)
        return cls(edges=edges, any_edge=any_edge, light=light)


def _reduce(plane: Plane, factor: int) -> Plane:
    import cv2

    if factor == 1:
        return plane
    rows, columns = plane.shape[0] // factor, plane.shape[1] // factor
    part = np.ascontiguousarray(plane[: rows * factor, : columns * factor])
    return np.asarray(cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.float32)


def _scales(
    shape: HoleShape, height: int, width: int, scale: tuple[float, float] | None
) -> list[tuple[float, float]]:
    """Scales to try, px/mm across and along: round the known one, or all that leave room for the film."""
    if scale is not None:
        return [(scale[0] * f, scale[1] * f) for f in (0.97, 0.985, 1.0)]
    # a perforation is at least a twentieth of the frame's height and less than three quarters
    least, most = 0.05 * height / shape.height, 0.7 * height / shape.height
    most = min(most, 0.6 * width / shape.width)
    count = int(np.ceil(log(most / least) / log(1.035))) + 1
    return [(float(s), float(s)) for s in np.geomspace(least, most, count)]


def _recurring(
    reduced: Sequence[_Reduced], factor: int, shape: HoleShape, across: float, along: float
) -> tuple[float, float]:
    """Best votes at one x in all frames (mean over the frames, 0 to 4), and that x in full-size px.

    Edges inside the rectangle count against it (an opening is empty, texture is not), and so does a
    middle that is not nearly as light as the lightest part of the frame.
    """
    import cv2

    w, h = shape.width * across / factor, shape.height * along / factor
    if min(w, h) < 8:
        return 0.0, 0.0
    box = (max(3, int(0.6 * w)), max(3, int(0.6 * h)))
    total: NDArray[np.float64] | None = None
    for each in reduced:
        votes = measure_rectangle_votes(each.edges, width=w, height=h, corner=shape.corner * across / factor)
        py, px = int(np.ceil(h / 2)), int(np.ceil(w / 2))
        inside = votes[py:-py, px:-px] - 6.0 * cv2.blur(each.any_edge, box)
        inside = np.where(cv2.blur(each.light, box) > 0.5, inside, 0.0)
        inside = inside[int(h / 2) : inside.shape[0] - int(h / 2)]
        if inside.shape[0] < 3:
            return 0.0, 0.0
        column = inside.max(axis=0).astype(np.float64)
        wide = np.maximum(column, np.maximum(np.roll(column, 1), np.roll(column, -1)))
        total = wide if total is None else total + wide
    assert total is not None
    k = int(total.argmax())
    return float(total[k] / len(reduced)), (k + 0.5) * factor - 0.5


def _provisional(
    plane: Plane, shape: HoleShape, across: float, along: float, x: float, polarity: Polarity
) -> PerforationSurvey:
    height, width = plane.shape
    anything = -1e3 if polarity == "bright hole" else 1e3  # no level known yet: every middle passes for open
    return PerforationSurvey(
        gauge="", polarity=polarity, channel=0, frame_width_px=width, frame_height_px=height,
        width_px=shape.width * across, height_px=shape.height * along, corner_px=shape.corner * across,
        pitch_px=2.0 * shape.height * along, pitch_measured=False, across_px_per_mm=across,
        along_px_per_mm=along, scale_source="", blur_px=1.3, blur_along_px=1.3, tilt=0.0, rows=(x,),
        usual_y_px=(height - 1) / 2, spread_px=10.0, spread_x_px=3.0, hole_light=anything, base_light=anything,
        noise_light=0.01, full_scale=False, clip_light=float("nan"), holes_at="mid-frame",
        film_left_px=float("nan"), film_right_px=float("nan"), picture_side="both", reference_x="", reference_y="",
    )  # fmt: skip


def _candidates(plane: Plane, survey: PerforationSurvey) -> tuple[Candidate, ...]:
    """Where the rectangle lies, with no pitch known yet: as many as stand clear of one another."""
    return find_candidates(plane, survey=replace(survey, pitch_px=1.2 * survey.height_px))


def _same_hole(seen: HolesSeen, shape: HoleShape, across: float, along: float, x: float) -> bool:
    """Whether this guess is the perforation that was measured already."""
    return (
        abs(shape.width * across / seen.width - 1.0) < 0.08
        and abs(shape.height * along / seen.height - 1.0) < 0.08
        and min(abs(x - row) for row in seen.rows) < 0.2 * seen.width
    )


def _measure_holes(
    planes: Sequence[Plane], shape: HoleShape, across: float, along: float, x: float, *, polarity: Polarity
) -> HolesSeen | None:
    """Size, levels, blur, pitch, rows and film edges, each step with what the step before taught."""
    survey = _provisional(planes[0], shape, across, along, x, polarity)
    few = planes[:: max(1, len(planes) // 8)]  # enough for a first size
    survey = _levels_of(planes, survey)
    for turn, some in enumerate((few, few, planes)):
        found = [_measure_loosely(plane, survey, turn) for plane in some]
        good = [fix for fixes in found for fix in fixes if np.isfinite(fix.left_px + fix.right_px)]
        widths = np.array([f.right_px - f.left_px for f in good])
        heights = np.array([f.bottom_px - f.top_px for f in good])
        needed = max(min(2, len(some)), len(some) // 6)
        if np.isfinite(widths).sum() < needed:
            return None
        if np.isfinite(heights).sum() < needed:  # every lower edge torn: what the width says of the height
            if turn > 0:
                return None
            heights = widths * (shape.height * along) / (shape.width * across)
        survey = replace(
            survey,
            width_px=_mode(widths),
            height_px=_mode(heights),
            rows=(float(np.median([(f.left_px + f.right_px) / 2 for f in good])),),
            tilt=float(np.median([f.tilt for f in good])),
            spread_x_px=_spread([(f.left_px + f.right_px) / 2 for f in good]),
        )
        survey = _levels_of(some, survey)
        if turn == 1:
            survey = _blur_of(some, survey)
    survey, second_row = _rows_of(planes, survey)
    found = [_measure_loosely(plane, survey, 3) for plane in planes]
    pitch = _pitch_of(found, survey)
    shares = [f.confidence for fixes in found for f in fixes]
    per_frame = sum(bool(fixes) for fixes in found) / len(found)
    film_left, film_right = _film_edges(planes, survey)
    return HolesSeen(
        width=survey.width_px, height=survey.height_px, pitch=pitch, rows=survey.rows, film_left=film_left,
        film_right=film_right, frame_width=planes[0].shape[1],
        wholeness=float(np.mean(shares)) * per_frame if shares else 0.0, second_row=second_row, survey=survey,
        fixes=tuple(found),
    )  # fmt: skip


def _measure_loosely(plane: Plane, survey: PerforationSurvey, turn: int) -> tuple[PerforationFix, ...]:
    """Fixes whose four sides may lie some per cent off the expected size."""
    candidates = [each for each in _candidates(plane, survey) if each.votes >= 2.0]
    if not candidates:
        return ()
    part = (0.10, 0.05, 0.03, 0.03)[turn]
    search = max(6, int(part * max(survey.width_px, survey.height_px)) + 3)
    fixes = measure_perforations(plane, candidates, survey=survey, search_px=search)
    return tuple(f for f in fixes if f.state != "cut off")


def _mode(values: NDArray[np.float64]) -> float:
    """The value that most agree with: median of the densest half (a damaged side only ever adds)."""
    ordered = np.sort(values[np.isfinite(values)])
    half = max(2, (len(ordered) + 1) // 2)
    if len(ordered) <= 2:
        return float(np.median(ordered))
    spans = ordered[half - 1 :] - ordered[: len(ordered) - half + 1]
    first = int(spans.argmin())
    return float(np.median(ordered[first : first + half]))


def _spread(values: Sequence[float] | NDArray[np.float64]) -> float:
    each = np.asarray(values, dtype=np.float64)
    each = each[np.isfinite(each)]
    if len(each) < 3:
        return 3.0
    return float(max(1.4826 * np.median(np.abs(each - np.median(each))), 0.3))


def _levels_of(planes: Sequence[Plane], survey: PerforationSurvey) -> PerforationSurvey:
    """Light of the opening and of the film round it, noise, and whether the opening is at full scale."""
    sign = -1.0 if survey.polarity == "dark hole" else 1.0
    holes, bases, noises, tops, at_top = [], [], [], [], []
    for plane in planes[:: max(1, len(planes) // 8)]:
        candidates = sorted(_candidates(plane, survey), key=lambda each: -each.votes)[:2]
        for each in candidates:
            inner = _ring(plane, each, survey, -0.3, -0.3)
            if inner.size < 16:
                continue
            holes.append(float(np.median(inner)))
            part = inner[:, 1:] - inner[:, :-1]
            noises.append(1.4826 * float(np.median(np.abs(part))) / np.sqrt(2))
            bases.append(_base_light(plane, each, survey, sign))
            tops.append(float(plane.max()))
            at_top.append(float((inner >= 0.995 * tops[-1]).mean()))
    if not holes:
        return survey
    hole, top = float(np.median(holes)), float(np.max(tops))
    full = (
        survey.polarity == "bright hole"
        and float(np.median(at_top)) > 0.7
        and float(np.median(noises)) < 1e-4
    )
    if full and survey.full_scale:  # what `_blur_of` found above full scale stands
        hole = top * max(survey.hole_light / survey.clip_light, 1.0)
    return replace(
        survey, hole_light=hole, base_light=float(np.nanmedian(bases)), noise_light=float(np.median(noises)),
        full_scale=full, clip_light=top if full else float("nan"),
    )  # fmt: skip


def _ring(plane: Plane, each: Candidate, survey: PerforationSurvey, dx: float, dy: float) -> Plane:
    """The rectangle grown by these shares of its size on each side (negative: shrunk)."""
    half_w, half_h = survey.width_px * (0.5 + dx), survey.height_px * (0.5 + dy)
    y0, y1 = max(0, int(each.y_px - half_h)), max(0, int(each.y_px + half_h) + 1)
    x0, x1 = max(0, int(each.x_px - half_w)), max(0, int(each.x_px + half_w) + 1)
    return plane[y0:y1, x0:x1]


def _base_light(plane: Plane, each: Candidate, survey: PerforationSurvey, sign: float) -> float:
    """Film just above and below the opening, where the border is: the side that is further from the hole."""
    levels = []
    for way in (-1.0, 1.0):
        y = each.y_px + way * survey.height_px * 0.75
        y0, y1 = int(y - 0.12 * survey.height_px), int(y + 0.12 * survey.height_px) + 1
        x0, x1 = int(each.x_px - 0.3 * survey.width_px), int(each.x_px + 0.3 * survey.width_px) + 1
        if y0 >= 0 and y1 <= plane.shape[0] and x0 >= 0:
            levels.append(float(np.median(plane[y0:y1, x0:x1])))
    if not levels:
        return float("nan")
    return min(levels) if sign > 0 else max(levels)


def _blur_of(planes: Sequence[Plane], survey: PerforationSurvey) -> PerforationSurvey:
    """Blur across upright and level sides, and the opening's light above full scale where it is clipped.

    The values with the least squared residual: the median over the rows of a side and over the sides of some
    whole perforations, since a picture beside one side, or a tear, says nothing of the lens.
    """
    profiles, upright = _some_sides(planes, survey)
    if profiles is None:
        return survey
    _, fall, peaks = measure_votes(profiles)
    # one window for all blurs tried, else a smaller blur is judged on fewer samples
    window = float(np.clip(3.0 * max(survey.blur_px, survey.blur_along_px) + 2.0, 6.0, 16.0))

    def error(across: float, along: float, light: float) -> float:
        crossings = measure_crossings(
            replace(profiles, blur=np.where(upright, across, along)),
            fall,
            peaks,
            start_px=np.zeros(len(upright)),
            hole_light=light if survey.full_scale else float("nan"),
            full_scale=survey.clip_light if survey.full_scale else np.inf,
            iterations=3,
            window_px=window,
        )
        squares = crossings.noise**2
        return float(np.median(squares[upright]) + np.median(squares[~upright]))

    lights = [survey.hole_light]
    if survey.full_scale:
        lights = [survey.clip_light * f for f in (1.0, 1.05, 1.1, 1.18, 1.3, 1.5)]
    _, blur, light = min(
        (error(float(b), float(b), each), float(b), each)
        for b in np.geomspace(0.5, 5.0, 10)
        for each in lights
    )
    across = along = blur
    for step in (0.12, 0.05, 0.02):
        across = _least(lambda b: error(b, along, light), across, step)  # noqa: B023
        along = _least(lambda b: error(across, b, light), along, step)  # noqa: B023
        if survey.full_scale:
            light = max(_least(lambda a: error(across, along, a), light, step / 2), survey.clip_light)  # noqa: B023
    return replace(survey, blur_px=across, blur_along_px=along, hole_light=light)


def _least(error: Callable[[float], float], value: float, step: float) -> float:
    """One parabola step, in proportion, towards the least error."""
    low, middle, high = error(value * (1 - step)), error(value), error(value * (1 + step))
    bend = low - 2 * middle + high
    if bend <= 0:
        return value * (1 - step if low < high else 1 + step)
    return value * (1 + step * float(np.clip(0.5 * (low - high) / bend, -1.5, 1.5)))


def _some_sides(
    planes: Sequence[Plane], survey: PerforationSurvey
) -> tuple[Profiles | None, NDArray[np.bool_]]:
    """Profiles across all sides of some whole perforations of different frames, stacked."""
    stacked: list[Profiles] = []
    for plane in planes[:: max(1, len(planes) // 5)]:
        fixes = [
            f for f in _measure_loosely(plane, survey, 2) if f.confidence > 0.4 and np.isfinite(f.left_px)
        ]
        whole = [f for f in fixes if np.isfinite(f.right_px + f.top_px + f.bottom_px)]
        for fix in sorted(whole, key=lambda f: -f.confidence)[:1]:
            x, y = (fix.left_px + fix.right_px) / 2, (fix.top_px + fix.bottom_px) / 2
            tall = max(survey.height_px / 2 - survey.corner_px - 6, 4.0)
            wide = max(survey.width_px / 2 - survey.corner_px - 6, 4.0)
            guesses = [
                LineGuess(
                    upright=upright,
                    outward=out,
                    position_px=at,
                    centre_px=middle,
                    first_px=middle - half,
                    stop_px=middle + half,
                    slope=fix.tilt if upright else -fix.tilt,
                )
                for at, out, upright, middle, half in (
                    (fix.left_px, -1, True, y, tall),
                    (fix.right_px, 1, True, y, tall),
                    (fix.top_px, -1, False, x, wide),
                    (fix.bottom_px, 1, False, x, wide),
                )
            ]
            dark = survey.polarity == "dark hole"
            stacked.append(
                find_profiles(plane, guesses, reach=24, blur_x_px=1, blur_y_px=1, dark_opening=dark, step=2)
            )
    if not stacked:
        return None, np.zeros(0, dtype=bool)
    rows = min(each.samples.shape[1] for each in stacked)

    def joined(name: str) -> NDArray[np.float64]:
        parts = [getattr(each, name) for each in stacked]
        return np.concatenate([part if part.ndim == 1 else part[:, :rows] for part in parts])

    merged = Profiles(
        samples=joined("samples"),
        valid=joined("valid").astype(bool),
        along=joined("along"),
        base=joined("base"),
        outward=joined("outward"),
        slope=joined("slope"),
        blur=joined("blur"),
        room=joined("room"),
        room_inward=joined("room_inward"),
        reach=24,
    )
    return merged, np.tile([True, True, False, False], len(stacked))


def _rows_of(planes: Sequence[Plane], survey: PerforationSurvey) -> tuple[PerforationSurvey, float]:
    """A second row: the same rectangle recurring at another place across the frames; and how much speaks for one.

    That is the strongest recurring rectangle elsewhere, as a share of the first row's: picture and film edges alone
    give about two thirds.
    """
    factor = max(1, int(min(survey.width_px, survey.height_px) // 16))
    sign = -1 if survey.polarity == "dark hole" else 1
    width, height = survey.width_px / factor, survey.height_px / factor
    total = None
    some = planes[:: max(1, len(planes) // 8)]
    for plane in some:
        edges = find_edge_peaks(_reduce(plane, factor) * sign)
        votes = measure_rectangle_votes(edges, width=width, height=height, corner=survey.corner_px / factor)
        py, px = int(np.ceil(height / 2)), int(np.ceil(width / 2))
        column = votes[py:-py, px:-px].max(axis=0).astype(np.float64)
        total = column if total is None else total + column
    assert total is not None
    mean = total / len(some)
    xs = (np.arange(len(mean)) + 0.5) * factor - 0.5
    far = np.abs(xs - survey.rows[0]) > 2.0 * survey.width_px
    if not far.any():
        return survey, 0.0
    k = int(np.where(far, mean, -1.0).argmax())
    main = mean[np.abs(xs - survey.rows[0]) < 3 * factor].max(initial=0.0)
    share = float(mean[k] / main) if main > 0 else 0.0
    if mean[k] < 0.8 * main or mean[k] < 2.2:
        return survey, share
    second = replace(survey, rows=(float(xs[k]),))
    found = [f for plane in planes for f in _measure_loosely(plane, second, 3) if f.confidence > 0.5]
    sizes = np.array([(f.right_px - f.left_px, f.bottom_px - f.top_px) for f in found])
    enough = len(found) >= len(planes) / 2
    if not enough or abs(np.nanmedian(sizes[:, 0]) / survey.width_px - 1) > 0.02:
        return survey, share
    if abs(np.nanmedian(sizes[:, 1]) / survey.height_px - 1) > 0.02:
        return survey, share
    x = float(np.nanmedian([(f.left_px + f.right_px) / 2 for f in found]))
    return replace(survey, rows=tuple(sorted((survey.rows[0], x)))), share


def _pitch_of(found: Sequence[Sequence[PerforationFix]], survey: PerforationSurvey) -> float:
    """Distance of neighbours in one frame; NaN where never two are in view."""
    steps = []
    for fixes in found:
        for row in range(len(survey.rows)):
            ys = sorted((f.top_px + f.bottom_px) / 2 for f in fixes if f.row == row and f.confidence > 0.3)
            steps += [b - a for a, b in pairwise(ys) if np.isfinite(b - a)]
    each = np.array([s for s in steps if s > 1.3 * survey.height_px])
    if len(each) == 0:
        return float("nan")
    least = np.percentile(each, 10)  # a missing perforation doubles a step
    return float(np.median(each[each < 1.3 * least]))


def _film_edges(planes: Sequence[Plane], survey: PerforationSurvey) -> tuple[float, float]:
    """x of the film's edges where open light (or backing) is in view beside the film, else NaN."""
    if survey.polarity == "dark hole":
        outside = survey.hole_light + 0.3 * (survey.base_light - survey.hole_light)
    else:
        light = min(survey.hole_light, survey.clip_light) if survey.full_scale else survey.hole_light
        outside = light - 0.3 * (light - survey.base_light)
    step = max(1, planes[0].shape[0] // EDGE_ROWS)
    profile = np.median([_middle_of_columns(plane[::step]) for plane in planes], axis=0)
    is_open = profile > outside if survey.polarity == "bright hole" else profile < outside
    columns = np.flatnonzero(~is_open)
    if len(columns) < 8:
        return float("nan"), float("nan")
    first, last = int(columns[0]), int(columns[-1])
    left = first - 0.5 if first >= 3 else float("nan")
    right = last + 0.5 if last < len(profile) - 3 else float("nan")
    return left, right


def _middle_of_columns(rows: Plane) -> Plane:
    """The median of each column; all put in order at once, which takes half of NumPy's own way."""
    ordered = np.sort(rows, axis=0)
    return np.asarray((ordered[(len(rows) - 1) // 2] + ordered[len(rows) // 2]) / 2, np.float32)


def measure_survey(
    seen: HolesSeen,
    gauge: Gauge,
    frames: Sequence[NDArray[np.float32]],
    *,
    polarity: Polarity,
    squareness: float = 1.0,
) -> PerforationSurvey:
    """The survey of a known gauge: channel, levels, blur and usual places, read once more with its pitch.

    `squareness` is the stated scale across over that along, in px/mm; 1 where none is stated.
    """
    hole = gauge.perforation
    height_mm = hole.height_mm.value
    along = seen.height / height_mm
    pitch = seen.pitch if np.isfinite(seen.pitch) else gauge.pitch_long_mm.value * along
    if np.isfinite(seen.pitch):
        along = seen.pitch / gauge.pitch_long_mm.value
    survey = replace(
        seen.survey,
        gauge=gauge.key,
        pitch_px=pitch,
        pitch_measured=bool(np.isfinite(seen.pitch)),
        across_px_per_mm=seen.width / hole.width_mm.value,
        along_px_per_mm=along,
        corner_px=hole.corner_radius_mm.value * seen.width / hole.width_mm.value,
        scale_source="pitch and width of the perforation"
        if np.isfinite(seen.pitch)
        else "size of the perforation",
        holes_at=gauge.holes_at,
        film_left_px=seen.film_left,
        film_right_px=seen.film_right,
        picture_side=_picture_side(seen),
    )
    survey, planes = _channel_of(frames, survey)
    survey = _blur_of(planes, survey)
    survey, spreads = _size_again(planes, survey)
    survey = _without_wear(survey, gauge, squareness, spreads)
    return _usual_places(planes, survey)


def _without_wear(
    survey: PerforationSurvey, gauge: Gauge, squareness: float, spreads: tuple[float, float]
) -> PerforationSurvey:
    """Where the gauge's proportion is missed by more than its tolerance allows, one size made nominal.

    The size that differs more from perforation to perforation (tears, specks) is the wrong one. Where both
    hold still the whole reel is worn alike, and its own size serves best: the centre is then off by one
    constant, which no picture shows, and both sides go on agreeing.
    """
    hole = gauge.perforation
    proportion = hole.width_mm.value / hole.height_mm.value * squareness
    miss = log(survey.width_px / survey.height_px / proportion)
    if abs(miss) > WEAR_LIMIT:
        across, along = spreads
        if across > 3.0 * along:
            survey = replace(survey, width_px=survey.height_px * proportion)
        elif along > 3.0 * across:
            survey = replace(survey, height_px=survey.width_px / proportion)
    return replace(survey, across_px_per_mm=survey.width_px / hole.width_mm.value)


def _picture_side(seen: HolesSeen) -> Literal["left", "right", "both"]:
    if len(seen.rows) == 2:
        return "both"
    x, width = seen.rows[0], seen.frame_width
    left = seen.film_left if np.isfinite(seen.film_left) else -0.5
    right = seen.film_right if np.isfinite(seen.film_right) else width - 0.5
    share = (x - left) / max(right - left, 1.0)
    if share < 0.4:
        return "right"
    return "left" if share > 0.6 else "both"


def _channel_of(
    frames: Sequence[NDArray[np.float32]], survey: PerforationSurvey
) -> tuple[PerforationSurvey, list[Plane]]:
    """The channel with the best contrast of opening and film against its noise, and its planes."""
    if frames[0].ndim == 2:
        planes = [np.ascontiguousarray(each, dtype=np.float32) for each in frames]
        return _levels_of(planes, replace(survey, channel=0)), planes
    best = None
    for channel in (1, 0, 2):  # the middle one first: it stays where others are no better
        planes = [np.ascontiguousarray(each[..., channel], dtype=np.float32) for each in frames]
        here = _levels_of(planes, replace(survey, channel=channel))
        merit = abs(here.hole_light - here.base_light) / (here.noise_light + 0.01)
        if best is None or merit > 1.05 * best[0]:
            best = (merit, here, planes)
    assert best is not None
    return best[1], best[2]


def _size_again(
    planes: Sequence[Plane], survey: PerforationSurvey
) -> tuple[PerforationSurvey, tuple[float, float]]:
    """Width, height and tilt with the final channel, blur and level; how much the two sizes scatter, px."""
    fixes = [fix for plane in planes for fix in _measure_loosely(plane, survey, 3)]
    widths = np.array([f.right_px - f.left_px for f in fixes])
    heights = np.array([f.bottom_px - f.top_px for f in fixes])
    counts = [int(np.isfinite(each).sum()) for each in (widths, heights)]
    many = [count >= min(3, len(planes)) for count in counts]
    # A size that most perforations do not show is not to be relied on, however well the few agree.
    rare = [4.0 if count < 0.6 * max(counts) else 1.0 for count in counts]
    spreads = [
        _spread(each) * factor if enough else np.inf
        for each, factor, enough in zip((widths, heights), rare, many)
    ]
    survey = replace(
        survey,
        width_px=_mode(widths) if many[0] else survey.width_px,
        height_px=_mode(heights) if many[1] else survey.height_px,
        tilt=float(np.median([f.tilt for f in fixes])) if fixes else survey.tilt,
    )
    return survey, (float(spreads[0]), float(spreads[1]))


def _usual_places(planes: Sequence[Plane], survey: PerforationSurvey) -> PerforationSurvey:
    """Usual x of each row and usual y of the frame's reference: the phase nearest to the picture's middle."""
    found = [[f for f in find_perforations(plane, survey=survey) if f.confidence >= 0.2] for plane in planes]
    flat = [f for fixes in found for f in fixes]
    if not flat:
        return survey
    middle = (planes[0].shape[0] - 1) / 2
    half = 0.0 if survey.holes_at == "mid-frame" else 0.5
    phases = np.array([(f.y_px - middle) / survey.pitch_px + half for f in flat])
    mean = float(np.angle(np.exp(2j * np.pi * phases).mean()) / (2 * np.pi))  # in pitches, -0.5 to 0.5
    usual = middle + mean * survey.pitch_px
    rows = []
    for row, x in enumerate(survey.rows):
        xs = [f.x_px - survey.tilt * (f.y_px - usual) for f in flat if f.row == row]
        rows.append(float(np.median(xs)) if xs else x)
    survey = replace(survey, rows=tuple(rows), usual_y_px=usual)
    references = [measure_reference(fixes, survey=survey) for fixes in found]
    ys = [r.y_px for r in references if np.isfinite(r.y_px)]
    xs = [r.x_px for r in references if np.isfinite(r.x_px)]
    survey = replace(survey, usual_y_px=float(np.median(ys)), spread_px=_spread(ys), spread_x_px=_spread(xs))
    pitches = [r.pitch_px for r in references if np.isfinite(r.pitch_px)]
    if len(pitches) >= 3:
        survey = replace(survey, pitch_px=float(np.median(pitches)))
    return replace(
        survey,
        reference_x=("", "left", "right")[_better_side(flat, ("left", "right"), survey.width_px)],
        reference_y=("", "top", "bottom")[_better_side(flat, ("top", "bottom"), survey.height_px)],
    )


def _better_side(fixes: Sequence[PerforationFix], sides: tuple[str, str], size: float) -> int:
    """Of two opposite sides, which one (1 or 2) is found straight and whole more often; 0 where it is a draw."""
    one, two = sides
    fixes = [f for f in fixes if f.state != "cut off"]
    sigma = {side: np.array([getattr(f, f"sigma_{side}_px") for f in fixes]) for side in (one, two)}
    both = np.isfinite(sigma[one]) & np.isfinite(sigma[two])
    place = {side: np.array([getattr(f, f"{side}_px") for f in fixes]) for side in (one, two)}
    apart = np.abs(place[two] - place[one] - size)
    doubtful = both & (apart > 0.6)
    lost = {side: int(np.isnan(sigma[side]).sum()) for side in (one, two)}
    if doubtful.sum() + lost[one] + lost[two] < max(3, 0.1 * len(fixes)):
        return 0
    worse = {
        side: lost[side] + int((sigma[side][doubtful] > 1.5 * sigma[other][doubtful]).sum())
        for side, other in ((one, two), (two, one))
    }
    if worse[one] > 2 * worse[two] + 2:
        return 2
    if worse[two] > 2 * worse[one] + 2:
        return 1
    return 0

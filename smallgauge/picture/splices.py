"""Splices: where two pieces of film were joined, told from places where the camera was stopped and started.

measure_splice_evidence   plane, fixes, reference, survey  -> SpliceReading of a frame        (analyse)
find_splices              columns, scene starts            -> splice before each frame, kind, confidence

A camera that stops changes the picture and nothing else. A splice changes the film: a line straight across
its whole width, through both borders where no picture ever was (the cut, the ends of a tape, the ends of a
cement overlap); film that lies beside the film before it; a pitch that jumps; another base. So every cue
here is read outside the picture, and what the picture does can only support a cue, never replace one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.columns import Column
from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import Gauge, gauge_named
from smallgauge.picture.perforation_fix import FilmReference, PerforationFix, PerforationSurvey, Plane

SpliceKind = Literal["tape", "cement", ""]
Array = NDArray[np.float64]

LINE_SCORE = 7.0  # standard deviations, in both borders at one place; common practice, no source
INSET_MM = 0.06  # kept clear of the film's edge and of the perforations; common practice, no source
PICTURE_INSET_MM = 0.12  # kept clear of where the camera's picture ends: its place is an estimate
LEAST_BORDER_MM = 0.1  # a border narrower than this in view says nothing; common practice, no source
SLANT = 0.005  # a cut may be this far from square; common practice, no source
APART_MM = 0.3  # lines nearer than this are one; common practice, no source
BESIDE_MM = 0.7  # a strong line answers in the filters as far as this; follows from their widths
OVERLAP_DENSITY = 0.03  # two films on each other are darker than one by this at least; common practice
LATERAL_MM = 0.02  # a step of the film's edges from here on; SPLICE1949 allows splices 0.05
PITCH_MM = 0.025  # PH22.5a: jumps well above it are damage, a splice or an error of finding
BASE_DENSITY = 0.03  # a step of the border's density from here on; common practice, no source
NEAR_LINE = 0.1  # of the pitch: a cut this near to a frame line was made on it; common practice, no source
REACH_MM = 8.0  # how far from the cut its tape's ends may lie; common practice, no source
OVERLAP_MM = (1.3, 3.0)  # cement overlap, with room for the 1.8 to 2.5 of picture note f (from memory)
# Weights of the cues, in units of log odds; common practice, no source. One splice in 400 frames is expected.
PRIOR = -6.0
LINE_WEIGHT = 9.0  # a bright line across both borders
EDGE_WEIGHT = 4.0  # a dark line or step; two at most
LATERAL_WEIGHT = 6.0
PITCH_WEIGHT = 2.0
BASE_WEIGHT = 3.0
SCENE_WEIGHT = 1.5  # never without one of the others


@dataclass(frozen=True, slots=True, kw_only=True)
class SpliceReading:
    """What one frame shows of a splice. Places are millimetres of film below the frame's film reference.

    NaN: not seen, or not to be seen. Scores are in standard deviations of the weaker border, 0 and more;
    NaN where not both borders (film edges) are in view.
    """

    splice_cut_mm: float  # brightest line across both borders
    splice_cut_score: float
    splice_cut_step: float  # density of the borders below it less that above
    splice_edge_mm: float  # strongest dark line or step across both borders
    splice_edge_score: float
    splice_second_edge_mm: float
    splice_second_edge_score: float
    splice_lateral_mm: float  # film below lies this far to the right of film above
    splice_lateral_at_mm: float
    splice_lateral_score: float
    splice_pitch_mm: float  # pitch in view, less the usual one
    border_density: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Splices:
    """Per frame: whether a splice lies before it, of what kind ("": can't tell), and how sure, 0 to 1."""

    splice: NDArray[np.bool_]
    kind: tuple[SpliceKind, ...]
    confidence: Array


def measure_splice_evidence(
    plane: Plane,
    fixes: Sequence[PerforationFix],
    *,
    reference: FilmReference,
    survey: PerforationSurvey,
) -> SpliceReading:
    """Lines across the borders, steps of film edge and pitch, density of the borders.

    Parameters
    ----------
    plane : array, shape (height, width), float32
        Linear light of the survey's channel, 0 to 1. Not altered.
    fixes : sequence of PerforationFix
        From `find_perforations`, this frame.
    reference : FilmReference
        From `measure_reference`, this frame.
    survey : PerforationSurvey

    Returns
    -------
    SpliceReading
        All NaN where the frame has no film reference.

    Raises
    ------
    CallerError
        If `plane` is not one plane of the size surveyed.

    Notes
    -----
    Each border is averaged over its width in six parts, of which the median counts (a speck fills one or
    two). A line is a ridge narrower than 0.05 mm, an edge a step against its surroundings; both are measured
    against their own robust scatter along the border, and the weaker border counts.
    Source: "derived"; limits "common practice".

    Examples
    --------
    >>> import numpy as np
    >>> from smallgauge.gauge.gauges import GAUGES
    >>> from smallgauge.picture.gauge_reading import find_gauge
    >>> from smallgauge.picture.perforations import find_perforations, measure_reference
    >>> from smallgauge.picture.synthetic import draw_frame, specimen_truth
    >>> truth = specimen_truth("super 8", width=512, height=384, frames=5, splices=(3,))
    >>> light = [(draw_frame(truth, n).samples / 65535).astype(np.float32) for n in range(5)]
    >>> survey = find_gauge(light, gauges=GAUGES).survey
    >>> plane = np.ascontiguousarray(light[3][:, :, survey.channel])
    >>> fixes = find_perforations(plane, survey=survey)
    >>> reference = measure_reference(fixes, survey=survey)
    >>> reading = measure_splice_evidence(plane, fixes, reference=reference, survey=survey)
    >>> bool(reading.splice_cut_score > 7), round(reading.splice_cut_mm, 1)  # half a pitch above
    (True, -2.1)
    """
    if plane.ndim != 2 or plane.shape != (survey.frame_height_px, survey.frame_width_px):
        raise CallerError(
            f"measure_splice_evidence needs one plane of {survey.frame_height_px} x {survey.frame_width_px} "
            f"pixels as surveyed, got shape {plane.shape}. Pass plane [:, :, survey.channel] of a frame of this "
            "capture."
        )
    if not (np.isfinite(reference.x_px) and np.isfinite(reference.y_px)):
        return SpliceReading(**dict.fromkeys(SpliceReading.__slots__, float("nan")))
    tilt = float(np.median([each.tilt for each in fixes])) if fixes else survey.tilt
    edges, borders = _places(reference.x_px - survey.rows[0], survey)
    profiles = [_border_profile(plane, each, tilt, reference.x_px) for each in borders]
    cut, first, second = _lines(profiles, survey, plane.shape[1])
    lateral = _lateral(plane, edges, tilt, reference, survey)
    mm = 1.0 / survey.along_px_per_mm
    return SpliceReading(
        splice_cut_mm=(cut[0] - reference.y_px) * mm,
        splice_cut_score=cut[1],
        splice_cut_step=_density_step(profiles, cut, survey),
        splice_edge_mm=(first[0] - reference.y_px) * mm,
        splice_edge_score=first[1],
        splice_second_edge_mm=(second[0] - reference.y_px) * mm,
        splice_second_edge_score=second[1],
        splice_lateral_mm=lateral[2] / survey.across_px_per_mm,
        splice_lateral_at_mm=(lateral[0] - reference.y_px) * mm,
        splice_lateral_score=lateral[1],
        splice_pitch_mm=_pitch_step(fixes, survey),
        border_density=_border_density(profiles, reference.y_px, survey),
    )


def _places(
    moved_px: float, survey: PerforationSurvey
) -> tuple[tuple[float, float], tuple[tuple[float, float], ...]]:
    """x of the two film edges at the reference's height, and first and last x of the two borders."""
    gauge = gauge_named(survey.gauge)
    k = survey.across_px_per_mm
    width = gauge.film_width_mm.value * k
    left, right = survey.film_left_px, survey.film_right_px
    outer = gauge.perforation.edge_distance_mm
    if not np.isfinite(left):
        if np.isfinite(right):
            left = right - width
        elif outer is None:
            left = survey.rows[0] - width / 2
        elif survey.picture_side == "left" and len(survey.rows) == 1:
            left = survey.rows[0] + survey.width_px / 2 + outer.value * k - width
        else:
            left = survey.rows[0] - survey.width_px / 2 - outer.value * k
    right = right if np.isfinite(right) else left + width
    inset, hole = INSET_MM * k, survey.width_px / 2 + INSET_MM * k
    half = (gauge.camera_image_width_mm.value / 2 + PICTURE_INSET_MM) * k
    if outer is None:
        middle = survey.rows[0]
        pair = (left + inset, middle - half), (middle + half, right - inset)
    elif len(survey.rows) > 1:
        pair = (left + inset, survey.rows[0] - hole), (survey.rows[-1] + hole, right - inset)
    else:
        centre = gauge.picture_centre_from_edge_mm.value * k
        if survey.picture_side == "left":
            pair = (left + inset, right - centre - half), (survey.rows[0] + hole, right - inset)
        else:
            pair = (left + inset, survey.rows[0] - hole), (left + centre + half, right - inset)
    edges = left + moved_px, right + moved_px
    return edges, tuple((a + moved_px, b + moved_px) for a, b in pair)


def _border_profile(plane: Plane, border: tuple[float, float], tilt: float, x_px: float) -> Array | None:
    """Light of one border for each row, as if the film stood upright; None where too little is in view."""
    import cv2

    height, width = plane.shape
    first, stop = max(0, round(border[0])), min(width, round(border[1]) + 1)
    if stop - first < max(8.0, 0.5 * (border[1] - border[0])):
        return None
    parts = cv2.resize(np.ascontiguousarray(plane[:, first:stop]), (6, height), interpolation=cv2.INTER_AREA)
    parts.sort(axis=1)
    profile = 0.5 * (parts[:, 2] + parts[:, 3]).astype(np.float64)
    # A line square to the film falls by the tilt for each pixel to the right.
    shift = round(tilt * ((first + stop - 1) / 2 - x_px))
    if shift:
        profile = np.roll(profile, shift)
        profile[: max(shift, 0)] = profile[max(shift, 0)]
        if shift < 0:
            profile[shift:] = profile[shift - 1]
    return np.asarray(profile)


def _responses(profile: Array, survey: PerforationSurvey) -> tuple[Array, Array]:
    """Ridge and step along a border, in robust standard deviations; steps are positive where light falls."""
    from scipy.ndimage import gaussian_filter1d, uniform_filter1d

    k = survey.along_px_per_mm
    narrow = max(1.0, 0.010 * k)
    ridge = gaussian_filter1d(profile, narrow) - gaussian_filter1d(profile, max(4.0 * narrow, 0.05 * k))
    reach = max(3, round(0.08 * k))
    mean = uniform_filter1d(profile, reach, mode="nearest")
    gap = reach // 2 + max(1, round(2.0 * survey.blur_along_px))
    step = np.roll(mean, gap) - np.roll(mean, -gap)
    # What the light does over a longer way by itself is no step.
    step = step - 0.5 * (np.roll(step, 2 * gap + reach) + np.roll(step, -2 * gap - reach))
    out = []
    for each, clear in ((ridge, round(4 * narrow)), (step, 4 * gap + 2 * reach)):
        noise = 1.4826 * float(np.median(np.abs(each - np.median(each))))
        score = each / max(noise, 2e-5 * survey.hole_light)
        clear = min(clear, len(score) // 4)
        score[:clear] = score[len(score) - clear :] = 0.0
        out.append(score)
    return out[0], out[1]


def _both(one: Array, other: Array, reach: int) -> Array:
    """The weaker of two scores of one sign, each allowed to lie `reach` pixels off; negative: none."""
    from scipy.ndimage import maximum_filter1d

    size = 2 * reach + 1
    return np.asarray(np.minimum(maximum_filter1d(one, size), maximum_filter1d(other, size)))


def _lines(
    profiles: list[Array | None], survey: PerforationSurvey, width: int
) -> tuple[tuple[float, float], tuple[float, float], tuple[float, float]]:
    """Place (y) and score of the brightest line and of the two strongest dark lines or steps."""
    if any(each is None for each in profiles):
        nothing = (float("nan"), float("nan"))
        return nothing, nothing, nothing
    (ridge_a, step_a), (ridge_b, step_b) = (_responses(each, survey) for each in profiles if each is not None)
    reach = round(1.0 + SLANT * width / 2)
    bright = _both(ridge_a, ridge_b, reach)
    edge = np.maximum(_both(-ridge_a, -ridge_b, reach), 0.7 * _both(step_a, step_b, reach))
    edge = np.maximum(edge, 0.7 * _both(-step_a, -step_b, reach))
    apart = round(BESIDE_MM * survey.along_px_per_mm)
    cut = _peak(bright)
    if cut[1] >= LINE_SCORE:
        edge[max(0, round(cut[0]) - apart) : round(cut[0]) + apart + 1] = 0.0
    first = _peak(edge)
    edge[max(0, round(first[0]) - apart) : round(first[0]) + apart + 1] = 0.0
    return cut, first, _peak(edge)


def _density_step(profiles: list[Array | None], cut: tuple[float, float], survey: PerforationSurvey) -> float:
    """Density below a bright line less that above, where both borders say the same; 0 where they don't."""
    if not cut[1] >= LINE_SCORE:
        return float("nan")
    near, far = (round(mm * survey.along_px_per_mm) + 2 for mm in (0.08, 0.5))
    y, steps = round(cut[0]), []
    for profile in profiles:
        if profile is None:
            continue
        above, below = profile[max(0, y - far) : max(0, y - near)], profile[y + near : y + far]
        if min(len(above), len(below)) < (far - near) // 2 or min(above.min(), below.min()) <= 0.0:
            return float("nan")
        steps.append(float(np.log10(np.median(above) / np.median(below))))
    return min(steps, key=abs) if min(steps) * max(steps) > 0 else 0.0


def _peak(score: Array) -> tuple[float, float]:
    """Middle of the plateau around the highest score, and the score (0 at least)."""
    top = int(score.argmax())
    most = float(score[top])
    if most <= 0.0:
        return float(top), 0.0
    last = top
    while last + 1 < len(score) and score[last + 1] >= 0.999 * most:
        last += 1
    return (top + last) / 2, most


def _lateral(
    plane: Plane,
    edges: tuple[float, float],
    tilt: float,
    reference: FilmReference,
    survey: PerforationSurvey,
) -> tuple[float, float, float]:
    """Where both film edges step sideways together: y, score and step (px, to the right)."""
    from scipy.ndimage import uniform_filter1d

    nothing = (float("nan"), float("nan"), float("nan"))
    if not (np.isfinite(survey.film_left_px) and np.isfinite(survey.film_right_px)):
        return nothing
    k = survey.along_px_per_mm
    reach, height = max(6, round(0.3 * k)), plane.shape[0]
    half = 0.2 * survey.across_px_per_mm
    rows = np.arange(height)
    steps, scores = [], []
    for side, x in ((-1, edges[0]), (1, edges[1])):
        first = round(x - half)
        stop = round(x + half) + 1
        if first < 0 or stop > plane.shape[1]:
            return nothing
        strip = plane[:, first:stop].astype(np.float64)
        low, high = np.percentile(strip[::4], [15, 85])
        if high - low < 0.2 * survey.hole_light:
            return nothing
        open_px = ((strip - low) / (high - low)).clip(0.0, 1.0).sum(axis=1)
        place = (first + open_px if side < 0 else stop - open_px) - tilt * (rows - reference.y_px)
        mean = uniform_filter1d(place, reach, mode="nearest")
        gap = reach // 2 + 2
        step = np.roll(mean, -gap) - np.roll(mean, gap)
        step[: 2 * gap] = step[height - 2 * gap :] = 0.0
        noise = max(1.4826 * float(np.median(np.abs(step - np.median(step)))), 0.05)
        steps.append(step)
        scores.append(step / noise)
    together = np.maximum(np.minimum(scores[0], scores[1]), np.minimum(-scores[0], -scores[1]))
    # Torn edges step too, but not both by the same.
    alike = np.abs(steps[0] - steps[1]) < 0.35 * np.abs(steps[0] + steps[1]) / 2 + 0.3
    y, score = _peak(np.where(alike, together, 0.0))
    at = round(y)
    return y, score, float((steps[0][at] + steps[1][at]) / 2)


def _pitch_step(fixes: Sequence[PerforationFix], survey: PerforationSurvey) -> float:
    """Largest departure from the usual pitch among whole neighbours in view, mm; NaN: none in view."""
    whole = sorted(
        (each for each in fixes if each.state in ("whole", "full scale") and np.isfinite(each.y_px)),
        key=lambda each: (each.row, each.y_px),
    )
    steps = [
        (after.y_px - before.y_px - survey.pitch_px) / survey.along_px_per_mm
        for before, after in pairwise(whole)
        if before.row == after.row and abs((after.y_px - before.y_px) / survey.pitch_px - 1.0) < 0.1
    ]
    return float(max(steps, key=abs)) if steps and survey.pitch_measured else float("nan")


def _border_density(profiles: list[Array | None], y_px: float, survey: PerforationSurvey) -> float:
    """Density of the borders beside this frame's picture, mean of the two."""
    half = 0.4 * survey.pitch_px
    low, stop = max(0, round(y_px - half)), max(1, round(y_px + half))
    light = [
        float(np.median(each[low:stop])) for each in profiles if each is not None and len(each[low:stop])
    ]
    if not light or min(light) <= 0.0:
        return float("nan")
    return float(np.mean(-np.log10(np.array(light) / survey.hole_light)))


@dataclass(frozen=True, slots=True)
class _Line:
    place_mm: float  # on the film, from the reference of frame 0
    score: float
    bright: bool
    step: float = 0.0  # density after it, in running order, less that before


def find_splices(
    film_position: ArrayLike,
    *,
    cut_mm: ArrayLike,
    cut_score: ArrayLike,
    cut_step: ArrayLike,
    edge_mm: ArrayLike,
    edge_score: ArrayLike,
    second_edge_mm: ArrayLike,
    second_edge_score: ArrayLike,
    lateral_mm: ArrayLike,
    lateral_at_mm: ArrayLike,
    lateral_score: ArrayLike,
    pitch_mm: ArrayLike,
    border_density: ArrayLike,
    scene_starts: Sequence[int],
    gauge: Gauge,
    downwards: bool = True,
) -> Splices:
    """Which frames follow a splice, of what kind, and how sure.

    Cues that lie on one place of the film, in whichever frames they were seen, are one splice; the cut is
    put on the frame line nearest to it. Where nothing is seen in the film itself there is no splice,
    whatever the picture does: that is a cut made in camera.

    Parameters
    ----------
    film_position : array of int, shape (frames,)
        Frame of the film that each row shows.
    cut_mm, cut_score, cut_step, edge_mm, edge_score, second_edge_mm, second_edge_score : arrays, shape (frames,)
    lateral_mm, lateral_at_mm, lateral_score, pitch_mm, border_density : arrays, shape (frames,)
        Columns of SpliceReading. NaN: not seen.
    scene_starts : sequence of int
        Rows at which the picture changes (from `find_scenes`); support, never evidence.
    gauge : Gauge
    downwards : bool
        Film position grows downwards in the capture.

    Returns
    -------
    Splices
        Confidence is 0 where there is no cue in the film. A splice is told from confidence 0.5.

    Raises
    ------
    CallerError
        If the columns are not of one length.

    Notes
    -----
    Cues add up as log odds from a prior of one splice in 400 frames. Source: weights "common practice";
    limits as SPLICE1949 and PH22.5a. Kind: a bright line on a frame line, or two ends at equal distances, is
    tape; a bright line between frame lines with darker film on one side is the end of a cement overlap, and
    so are two lines 1.3 to 3 mm apart, one of them on a frame line. One dark line by itself is no splice.

    Examples
    --------
    >>> from smallgauge.gauge.gauges import SUPER_8
    >>> nan = [float("nan")] * 4
    >>> none = dict.fromkeys(
    ...     ("cut_step", "edge_mm", "edge_score", "second_edge_mm", "second_edge_score", "lateral_mm", "lateral_at_mm",
    ...      "lateral_score", "pitch_mm", "border_density"), nan)
    >>> found = find_splices(
    ...     range(4), cut_mm=[0.4, 2.12, -2.11, 1.0], cut_score=[2.0, 60.0, 55.0, 3.0], scene_starts=(0, 1),
    ...     gauge=SUPER_8, **none)
    >>> found.splice.tolist(), found.kind[2]  # frame 1 is a cut made in camera
    ([False, False, True, False], 'tape')
    """
    position = np.asarray(film_position, np.int64)
    columns = {
        "cut_mm": cut_mm, "cut_score": cut_score, "cut_step": cut_step, "edge_mm": edge_mm, "edge_score": edge_score,
        "second_edge_mm": second_edge_mm, "second_edge_score": second_edge_score, "lateral_mm": lateral_mm,
        "lateral_at_mm": lateral_at_mm, "lateral_score": lateral_score, "pitch_mm": pitch_mm,
        "border_density": border_density,
    }  # fmt: skip
    table = {name: np.asarray(values, np.float64) for name, values in columns.items()}
    if any(len(values) != len(position) for values in table.values()):
        lengths = sorted({len(position), *(len(values) for values in table.values())})
        raise CallerError(
            f"find_splices needs columns of one length, got lengths {lengths}. Pass them from one table."
        )
    pitch = gauge.pitch_long_mm.value
    sign = 1.0 if downwards else -1.0
    lines = _film_lines(position, table, pitch, sign)
    odds: dict[int, float] = {}
    kinds: dict[int, SpliceKind] = {}
    for group in _groups(lines, pitch):
        cut, kind = _cut_of(group, pitch)
        frame = _frame_after(cut, pitch)
        bright = max((each.score for each in group if each.bright), default=0.0)
        dark = sorted((each.score for each in group if not each.bright), reverse=True)[:2]
        gain = _gain(bright, LINE_WEIGHT) + sum(_gain(each, EDGE_WEIGHT) for each in dark)
        odds[frame] = odds.get(frame, 0.0) + gain
        kinds[frame] = kind or kinds.get(frame, "")
    for frame, gain in _lateral_cues(position, table, pitch, sign).items():
        near = _nearest(frame, odds)
        odds[near] = odds.get(near, 0.0) + gain
    starts = {int(position[row]) for row in scene_starts if 0 < row < len(position)}
    steps = _base_steps(table["border_density"], position)
    for frame in steps:
        near = _nearest(frame, odds)
        odds[near] = odds.get(near, 0.0) + BASE_WEIGHT
    jumps = _pitch_jumps(table["pitch_mm"], position)
    splice, confidence = np.zeros(len(position), np.bool_), np.zeros(len(position))
    kind_of: list[SpliceKind] = [""] * len(position)
    for frame, gain in odds.items():
        gain += PITCH_WEIGHT if jumps & {frame - 1, frame} else 0.0
        gain += SCENE_WEIGHT if starts & {frame - 1, frame, frame + 1} else 0.0
        rows = np.flatnonzero(position >= frame)
        if len(rows) == 0 or frame <= position[0]:
            continue  # beyond the capture's ends
        row = int(rows[np.argmin(position[rows])])
        sure = float(1.0 / (1.0 + np.exp(-(gain + PRIOR))))
        if sure > confidence[row]:
            confidence[row], splice[row], kind_of[row] = sure, sure >= 0.5, kinds.get(frame, "")
    return Splices(
        splice=splice,
        kind=tuple(kind if found else "" for kind, found in zip(kind_of, splice, strict=True)),
        confidence=confidence,
    )


def _gain(score: float, weight: float) -> float:
    """Log odds of a line: nothing below the limit, half of its weight at it, all from 1.5 times."""
    return weight * float(np.clip(score / LINE_SCORE - 0.5, 0.0, 1.0)) if score >= LINE_SCORE else 0.0


def _film_lines(
    position: NDArray[np.int64], table: dict[str, Array], pitch: float, sign: float
) -> list[_Line]:
    """All lines above the limit on the film, those seen in two frames once."""
    found = []
    for place, score, bright in (
        ("cut_mm", "cut_score", True),
        ("edge_mm", "edge_score", False),
        ("second_edge_mm", "second_edge_score", False),
    ):
        for row in np.flatnonzero(np.nan_to_num(table[score]) >= LINE_SCORE):
            at = position[row] * pitch + sign * float(table[place][row])
            step = sign * float(np.nan_to_num(table["cut_step"][row])) if bright else 0.0
            found.append(_Line(at, float(table[score][row]), bright, step))
    found.sort(key=lambda each: -each.score)
    kept: list[_Line] = []
    for line in found:
        if all(abs(line.place_mm - other.place_mm) > APART_MM for other in kept):
            kept.append(line)
    return sorted(kept, key=lambda each: each.place_mm)


def _groups(lines: list[_Line], pitch: float) -> list[list[_Line]]:
    """Lines that belong to one splice: those nearest to one joint, else all within reach of the first."""
    joints = [
        each for each in lines if each.bright and _off_frame_line(each.place_mm, pitch) < NEAR_LINE * pitch
    ]
    groups = [[each] for each in joints]
    rest: list[list[_Line]] = []
    for line in lines:
        if line in joints:
            continue
        near = min(groups, key=lambda group: abs(group[0].place_mm - line.place_mm), default=None)
        if near is not None and abs(near[0].place_mm - line.place_mm) <= REACH_MM:
            near.append(line)
        elif rest and line.place_mm - rest[-1][0].place_mm <= 2 * REACH_MM:
            rest[-1].append(line)
        else:
            rest.append([line])
    return groups + rest


def _off_frame_line(place_mm: float, pitch: float) -> float:
    return abs((place_mm / pitch + 0.5) - round(place_mm / pitch + 0.5)) * pitch


def _frame_after(cut_mm: float, pitch: float) -> int:
    """The frame that follows the frame line nearest to a cut."""
    return round(cut_mm / pitch + 0.5)


def _cut_of(group: list[_Line], pitch: float) -> tuple[float, SpliceKind]:
    """Place of the cut among the lines of one splice, and the kind."""
    on_line = [each for each in group if _off_frame_line(each.place_mm, pitch) < NEAR_LINE * pitch]
    bright = sorted((each for each in group if each.bright), key=lambda each: -each.score)
    joint = next((each for each in bright if each in on_line), None)
    if joint is not None:
        return joint.place_mm, "tape"
    if bright and abs(bright[0].step) >= OVERLAP_DENSITY:
        # The thread at the end of an overlap: the cut lies on the darker side of it.
        side = 1.0 if bright[0].step > 0 else -1.0
        middle = bright[0].place_mm + side * sum(OVERLAP_MM) / 2
        return (_frame_after(middle, pitch) - 0.5) * pitch, "cement"
    if on_line:
        cut = max(on_line, key=lambda each: each.score).place_mm
        away = [each.place_mm - cut for each in group if each.place_mm != cut]
        near = [each for each in away if OVERLAP_MM[0] <= abs(each) <= OVERLAP_MM[1]]
        if near and all(each * near[0] > 0 for each in away):
            return cut, "cement"
        if any(abs(one + two) < 0.6 for one in away for two in away):
            return cut, "tape"
        return cut, ""
    if len(group) >= 2:
        ends = group[0].place_mm, group[-1].place_mm
        return sum(ends) / 2, "tape" if ends[1] - ends[0] > OVERLAP_MM[1] else ""
    return group[0].place_mm, ""


def _nearest(frame: int, odds: dict[int, float]) -> int:
    """A frame that already has a cue, within one frame, else the frame itself."""
    return next((each for each in (frame, frame + 1, frame - 1) if each in odds), frame)


def _lateral_cues(
    position: NDArray[np.int64], table: dict[str, Array], pitch: float, sign: float
) -> dict[int, float]:
    """Log odds of steps of the film's edges, by the frame that follows."""
    out: dict[int, float] = {}
    score, size = np.nan_to_num(table["lateral_score"]), np.abs(np.nan_to_num(table["lateral_mm"]))
    for row in np.flatnonzero((score >= LINE_SCORE) & (size >= LATERAL_MM)):
        at = position[row] * pitch + sign * float(table["lateral_at_mm"][row])
        frame = _frame_after(at, pitch)
        out[frame] = max(out.get(frame, 0.0), _gain(float(score[row]), LATERAL_WEIGHT))
    return out


def _base_steps(density: Array, position: NDArray[np.int64], half: int = 6) -> set[int]:
    """Frames at which the border's density changes for good."""
    found: list[tuple[float, int]] = []
    # A step for good is one between neighbours too: the others need no closer look.
    jump = np.abs(np.diff(density, prepend=np.nan))
    for row in np.flatnonzero(~(jump < BASE_DENSITY / 2)).tolist():
        before, after = density[max(0, row - half) : row], density[row : row + half]
        before, after = before[np.isfinite(before)], after[np.isfinite(after)]
        if min(len(before), len(after)) < 2:
            continue
        step = abs(float(np.median(after) - np.median(before)))
        # Edge print and fog come and go: each side must be of one density, and the two far apart.
        spread = max(float(np.ptp(before)), float(np.ptp(after)))
        if step >= max(BASE_DENSITY, 2.0 * spread):
            found.append((step / max(spread, 1e-3), row))
    kept: list[int] = []
    for _, row in sorted(found, reverse=True):
        if all(abs(row - other) > half for other in kept):
            kept.append(row)
    return {int(position[row]) for row in kept}


def _pitch_jumps(pitch_mm: Array, position: NDArray[np.int64]) -> set[int]:
    """Frames whose pitch in view departs from the reel's by more than film does."""
    seen = pitch_mm[np.isfinite(pitch_mm)]
    if len(seen) < 3:
        return set()
    usual = float(np.median(seen))
    noise = 1.4826 * float(np.median(np.abs(seen - usual)))
    off = np.abs(np.nan_to_num(pitch_mm, nan=usual) - usual)
    return {int(each) for each in position[off > max(PITCH_MM, 4.0 * noise)]}


COLUMNS: tuple[Column, ...] = (
    Column(
        name="splice_cut_mm", unit="mm", type="float64", source="derived", tolerance=0.01,
        meaning="Place of the brightest line straight across both borders, below the film reference.",
    ),
    Column(
        name="splice_cut_score", unit="1", type="float64", source="common practice", tolerance=0.1,
        meaning="Its strength in the weaker border, standard deviations; from 7 it is a line. NaN: not both "
        "borders are in view.",
    ),
    Column(
        name="splice_cut_step", unit="1", type="float64", source="derived", tolerance=0.005,
        meaning="Density of the borders just below that line less that above; 0 where they disagree.",
    ),
    Column(
        name="splice_edge_mm", unit="mm", type="float64", source="derived", tolerance=0.01,
        meaning="Place of the strongest dark line or step of light across both borders.",
    ),
    Column(
        name="splice_edge_score", unit="1", type="float64", source="common practice", tolerance=0.1,
        meaning="Its strength in the weaker border, standard deviations.",
    ),
    Column(
        name="splice_second_edge_mm", unit="mm", type="float64", source="derived", tolerance=0.01,
        meaning="Place of the next strongest dark line or step.",
    ),
    Column(
        name="splice_second_edge_score", unit="1", type="float64", source="common practice", tolerance=0.1,
        meaning="Its strength in the weaker border, standard deviations.",
    ),
    Column(
        name="splice_lateral_mm", unit="mm", type="float64", source="SPLICE1949", tolerance=0.001,
        meaning="Largest common step of both film edges: film below lies this far to the right.",
    ),
    Column(
        name="splice_lateral_at_mm", unit="mm", type="float64", source="derived", tolerance=0.01,
        meaning="Place of that step, below the film reference.",
    ),
    Column(
        name="splice_lateral_score", unit="1", type="float64", source="common practice", tolerance=0.1,
        meaning="Its strength at the weaker edge, standard deviations. NaN: not both edges are in view.",
    ),
    Column(
        name="splice_pitch_mm", unit="mm", type="float64", source="PH22.5a", tolerance=0.001,
        meaning="Pitch of whole perforations in view, less the usual one; NaN: no two are in view.",
    ),
    Column(
        name="border_density", unit="1", type="float64", source="definition", tolerance=0.002,
        meaning="Density of the film's borders beside the picture, against the open perforation.",
    ),
)  # fmt: skip

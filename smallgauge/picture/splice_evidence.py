"""What one frame shows of a splice, read outside the picture: lines, steps of film edge and pitch, base density.

measure_splice_evidence   plane, fixes, reference, survey  -> SpliceReading of a frame        (analyse)

What it means over the whole reel is found by `splices`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from smallgauge.columns import Column
from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.picture.perforation_fix import FilmReference, PerforationFix, PerforationSurvey, Plane
from smallgauge.picture.ranks import find_median, find_percentiles

Array = NDArray[np.float64]

LINE_SCORE = 7.0  # standard deviations, in both borders at one place; common practice, no source
INSET_MM = 0.06  # kept clear of the film's edge and of the perforations; common practice, no source
PICTURE_INSET_MM = 0.12  # kept clear of where the camera's picture ends: its place is an estimate
LEAST_BORDER_MM = 0.1  # a border narrower than this in view says nothing; common practice, no source
SLANT = 0.005  # a cut may be this far from square; common practice, no source
BESIDE_MM = 0.7  # a strong line answers in the filters as far as this; follows from their widths


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
    tilt = find_median(np.array([each.tilt for each in fixes])) if fixes else survey.tilt
    edges, borders = _places(reference.x_px - survey.rows[0], survey)
    least_px = max(8.0, LEAST_BORDER_MM * survey.across_px_per_mm)
    profiles = [_border_profile(plane, each, tilt, reference.x_px, least_px) for each in borders]
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


def _border_profile(
    plane: Plane, border: tuple[float, float], tilt: float, x_px: float, least_px: float
) -> Array | None:
    """Light of one border for each row, as if the film stood upright; None where too little is in view."""
    import cv2

    height, width = plane.shape
    first, stop = max(0, round(border[0])), min(width, round(border[1]) + 1)
    if stop - first < max(least_px, 0.5 * (border[1] - border[0])):
        return None
    parts = cv2.resize(plane[:, first:stop], (6, height), interpolation=cv2.INTER_AREA)
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
        noise = 1.4826 * find_median(np.abs(each - find_median(each)))
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
        steps.append(math.log10(find_median(above) / find_median(below)))
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

    from smallgauge.picture.kernels_edges import open_widths

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
        low, high = find_percentiles(plane[::4, first:stop].astype(np.float64), (15, 85))
        if high - low < 0.2 * survey.hole_light:
            return nothing
        open_px = np.empty(height)
        open_widths(plane, first, stop, low, high, open_px)
        place = (first + open_px if side < 0 else stop - open_px) - tilt * (rows - reference.y_px)
        mean = uniform_filter1d(place, reach, mode="nearest")
        gap = reach // 2 + 2
        step = np.roll(mean, -gap) - np.roll(mean, gap)
        step[: 2 * gap] = step[height - 2 * gap :] = 0.0
        noise = max(1.4826 * find_median(np.abs(step - find_median(step))), 0.05)
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
    light = [find_median(each[low:stop]) for each in profiles if each is not None and len(each[low:stop])]
    if not light or min(light) <= 0.0:
        return float("nan")
    return float(np.mean(-np.log10(np.array(light) / survey.hole_light)))


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

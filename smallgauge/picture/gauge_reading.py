"""Gauge: which film this is, and how its perforations look in this capture, from frames spread over it.

find_gauge   frames, gauges  -> GaugeReading, with the PerforationSurvey that every frame is then read by

Without a scale, ratios decide (they cancel scale and uniform shrinkage): the perforation's width to its
height, the pitch to its height, a second row, the film's edge, and perforations that a gauge would have
to show and does not. With a scale, the size too. Each is a normal likelihood with the gauge's tolerance
plus 1.5 %; where the best two gauges are within a ratio of 20, the answer is "not sure".
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, log

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.gauge.facts import Fact
from smallgauge.gauge.gauges import Gauge
from smallgauge.picture.perforation_fix import PerforationSurvey, Plane, Polarity
from smallgauge.picture.perforation_survey import HoleShape, HolesSeen, find_recurring_holes, measure_survey

MOST_FRAMES = 24  # of those given, spread evenly; common practice, no source
SIZE_SIGMA = (
    0.015  # what shrinkage and measuring may do to a ratio, beside the tolerance; picture science note a
)
SHRINKAGE_SIGMA = 0.015  # what shrinkage does to a size in millimetres (0 to 2.5 %); film facts 4.1
NO_SECOND_ROW = (
    0.8  # of the first row's votes: from here on a second row may be there; common practice, no source
)
ONE_ROW_ALONE = 0.65  # what film of one row gives: edges of film and picture; common practice, no source
SURE_RATIO = 20.0  # likelihood of the best over the next; picture science note a
POOR_FIT = 4.5  # standard deviations of the worst feature: no gauge fits; common practice, no source
SEEN_SHARE = 0.2  # of the frames in which a perforation would be in view; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeReading:
    """What the perforations say of the gauge.

    `survey` is None where no perforations were found. `scores` are log-likelihoods, best first.
    """

    survey: PerforationSurvey | None
    gauge: str | None
    scores: tuple[tuple[str, float], ...]
    sure: bool
    reason: str


def _log_normal(value: float, expected: float, tolerance: float) -> float:
    """Log-likelihood of a ratio, less its constant, and never below -30 for one feature."""
    z = log(value / expected) / tolerance
    return max(-0.5 * z * z, -30.0)


def _relative(fact: Fact, extra: float = 0.0) -> float:
    return hypot((fact.tolerance or 0.0) / fact.value, extra)


def _one_plane(frame: NDArray[np.float32], polarity: Polarity) -> Plane:
    """The plane in which open gate and film differ most: the darkest channel (the lightest for dark holes)."""
    frame = np.asarray(frame)
    if frame.ndim == 2:
        return np.ascontiguousarray(frame, dtype=np.float32)
    plane = frame.min(axis=2) if polarity == "bright hole" else frame.max(axis=2)
    return np.ascontiguousarray(plane, dtype=np.float32)


def find_gauge(
    frames: Sequence[NDArray[np.float32]],
    *,
    gauges: Sequence[Gauge],
    micrometres_per_pixel: float | None = None,
    micrometres_per_pixel_across: float | None = None,
    stated: str | None = None,
    polarity: Polarity = "bright hole",
) -> GaugeReading:
    """Gauge and the usual look of the perforations, from frames spread over the capture.

    Parameters
    ----------
    frames : sequence of array, shape (height, width) or (height, width, 3), float32
        Linear light, 0 to 1, all of one size; up to 96, of which 24 are used. Not altered.
    gauges : sequence of Gauge
        Those that it may be.
    micrometres_per_pixel : float, optional
        Scale along the film; across too, unless that is given by itself.
    micrometres_per_pixel_across : float, optional
    stated : str, optional
        Key of the gauge that the operator stated. If the perforations contradict it, `sure` is False and
        the reason says what was needed and found.
    polarity : {"bright hole", "dark hole"}
        Back-lit, or reflected light on a dark backing.

    Returns
    -------
    GaugeReading
        `gauge` is None where nothing was found or nothing fits.

    Raises
    ------
    CallerError
        No frames, frames of different sizes, or a stated gauge that is not among `gauges`.

    Notes
    -----
    Source: "gauge by likelihood"; dimensions as each gauge cites them.
    """
    if not frames or any(np.shape(each)[:2] != np.shape(frames[0])[:2] for each in frames):
        raise CallerError(
            f"find_gauge needs at least one frame, all of one size; got {len(frames)} of sizes "
            f"{sorted({np.shape(each)[:2] for each in frames})}."
        )
    known = {gauge.key: gauge for gauge in gauges}
    if stated is not None and stated not in known:
        raise CallerError(f"The stated gauge '{stated}' is not one of {', '.join(known)}.")
    picks = np.unique(np.linspace(0, len(frames) - 1, min(MOST_FRAMES, len(frames))).round().astype(int))
    chosen = [frames[k] for k in picks]
    planes = [_one_plane(each, polarity) for each in chosen]
    scale = None
    if micrometres_per_pixel is not None:
        across = micrometres_per_pixel_across or micrometres_per_pixel
        scale = (1000.0 / across, 1000.0 / micrometres_per_pixel)
    seen = find_recurring_holes(planes, _shapes(gauges), scale=scale, polarity=polarity)
    if seen is None:
        return GaugeReading(
            survey=None,
            gauge=None,
            scores=(),
            sure=False,
            reason="No perforations were found: no rectangle of any gauge's shape recurs at one place across "
            "the frames. Check that the perforations are in view, or state that they are not.",
        )
    scored = {gauge.key: _score(seen, gauge, scale) for gauge in gauges}
    order = sorted(scored, key=lambda key: -scored[key][0])
    scores = tuple((key, scored[key][0]) for key in order)
    gauge_key, sure, reason = _decide(seen, scored, order, known, stated)
    if gauge_key is None:
        return GaugeReading(survey=None, gauge=None, scores=scores, sure=False, reason=reason)
    squareness = 1.0 if scale is None else scale[0] / scale[1]
    survey = measure_survey(seen, known[gauge_key], chosen, polarity=polarity, squareness=squareness)
    return GaugeReading(survey=survey, gauge=gauge_key, scores=scores, sure=sure, reason=reason)


def _shapes(gauges: Sequence[Gauge]) -> tuple[HoleShape, ...]:
    shapes: dict[tuple[float, float, float], list[str]] = {}
    for gauge in gauges:
        hole = gauge.perforation
        key = (hole.width_mm.value, hole.height_mm.value, hole.corner_radius_mm.value)
        shapes.setdefault(key, []).append(gauge.key)
    return tuple(HoleShape(width=w, height=h, corner=r, keys=tuple(k)) for (w, h, r), k in shapes.items())


def _score(
    seen: HolesSeen, gauge: Gauge, scale: tuple[float, float] | None
) -> tuple[float, dict[str, float]]:
    """Log-likelihood of a gauge, and the standard deviations by which each feature misses."""
    hole = gauge.perforation
    w, h = hole.width_mm.value, hole.height_mm.value
    size_tolerance = hypot(_relative(hole.width_mm), _relative(hole.height_mm), SIZE_SIGMA)
    misses: dict[str, float] = {}
    total = 0.0

    def add(name: str, value: float, expected: float, sigma: float) -> None:
        nonlocal total
        if np.isfinite(value) and value > 0 and expected > 0:
            misses[name] = log(value / expected) / sigma
            total += _log_normal(value, expected, sigma)

    ratio = 1.0 if scale is None else scale[1] / scale[0]
    add("width to height of the perforation", seen.width / seen.height * ratio, w / h, size_tolerance)
    pitch = gauge.pitch_long_mm.value
    add("pitch to height", seen.pitch / seen.height, pitch / h, hypot(_relative(hole.height_mm), SIZE_SIGMA))
    if scale is not None:
        sigma = hypot(_relative(hole.height_mm), SHRINKAGE_SIGMA)
        add("height of the perforation", seen.height / scale[1], h * 0.9925, sigma)
        sigma = hypot(_relative(hole.width_mm), SHRINKAGE_SIGMA)
        add("width of the perforation", seen.width / scale[0], w * 0.9925, sigma)
    missing = _missing_neighbours(seen, pitch / h * seen.height)
    if missing is not None:
        total += missing
        misses["perforations that should be in view"] = float(np.sqrt(-2 * missing))
    total += _score_rows(seen, gauge, misses)
    total += _score_edges(seen, gauge, misses)
    return total, misses


def _missing_neighbours(seen: HolesSeen, pitch: float) -> float | None:
    """Log-likelihood of not seeing the perforations at this pitch from those found; None: never in view."""
    height = seen.survey.frame_height_px
    expected = found = 0
    for fixes in seen.fixes:
        ys = [(f.top_px + f.bottom_px) / 2 for f in fixes if f.row == 0 and f.confidence >= 0.3]
        for y in ys:
            for other in (y - pitch, y + pitch):
                if 0.6 * seen.height < other < height - 0.6 * seen.height:
                    expected += 1
                    found += any(abs(each - other) < 0.06 * pitch for each in ys)
    if expected < 2:
        return None
    share = found / expected
    return 0.0 if share >= SEEN_SHARE else -min(12.0, 3.0 * expected * (1 - share / SEEN_SHARE))


def _score_rows(seen: HolesSeen, gauge: Gauge, misses: dict[str, float]) -> float:
    """Log-likelihood of the number and distance of rows of perforations."""
    hole = gauge.perforation
    px_per_mm = seen.width / hole.width_mm.value
    apart = None
    if len(gauge.rows) == 2 and gauge.rows_apart_mm is not None:
        apart = (gauge.rows_apart_mm.value + hole.width_mm.value) * px_per_mm
    if len(seen.rows) == 2:
        if apart is None:
            misses["second row of perforations"] = 5.0
            return -12.0
        miss = log((seen.rows[1] - seen.rows[0]) / apart) / SIZE_SIGMA
        misses["distance of the rows"] = miss
        return max(-0.5 * miss * miss, -30.0)
    if apart is None:
        return 0.0
    x = seen.rows[0]
    room = seen.frame_width - 0.6 * seen.width
    hidden_right, hidden_left = x + apart > room, x - apart < 0.6 * seen.width
    # One row seen: the other must lie outside the picture, on the side where the film goes on.
    if (hidden_right and not np.isfinite(seen.film_right)) or (
        hidden_left and not np.isfinite(seen.film_left)
    ):
        return 0.0
    # Where something recurs there, though damage keeps it from being read, nothing says that it is no second row.
    absent = min(max((NO_SECOND_ROW - seen.second_row) / (NO_SECOND_ROW - ONE_ROW_ALONE), 0.0), 1.0)
    misses["second row of perforations"] = -1.0 - 4.0 * absent
    return -1.0 - 11.0 * absent


def _score_edges(seen: HolesSeen, gauge: Gauge, misses: dict[str, float]) -> float:
    """Log-likelihood of where the film's edges lie; nothing where none is in view."""
    hole = gauge.perforation
    px_per_mm = seen.width / hole.width_mm.value
    total = 0.0
    both = np.isfinite(seen.film_left) and np.isfinite(seen.film_right)
    if both:
        width = (seen.film_right - seen.film_left) / px_per_mm
        sigma = hypot(_relative(gauge.film_width_mm), _relative(hole.width_mm), 2 * SIZE_SIGMA)
        misses["film width"] = log(width / gauge.film_width_mm.value) / sigma
        total += _log_normal(width, gauge.film_width_mm.value, sigma)
    if hole.edge_distance_mm is not None:
        expected = hole.edge_distance_mm.value + hole.width_mm.value / 2
    else:
        expected = gauge.film_width_mm.value / 2
    centred = hole.edge_distance_mm is None
    gaps = []
    if np.isfinite(seen.film_left):
        gaps.append((seen.rows[0] - seen.film_left) / px_per_mm)
    if np.isfinite(seen.film_right):
        gaps.append((seen.film_right - seen.rows[-1]) / px_per_mm)
    if gaps:
        near = min(gaps)
        other_edge_out_of_view = len(gaps) == 1 and not centred
        far = gauge.film_width_mm.value - expected
        options = [expected, far] if other_edge_out_of_view else [expected]
        tolerance = hole.edge_distance_mm.tolerance if hole.edge_distance_mm is not None else None
        sigma_mm = hypot(tolerance or 0.05, 0.1)  # edge wear and tilt; common practice, no source
        miss = min(((near - option) / sigma_mm for option in options), key=abs)
        misses["film edge to perforation"] = miss
        total += max(-0.5 * miss * miss, -30.0)
    return total


def _decide(
    seen: HolesSeen,
    scored: dict[str, tuple[float, dict[str, float]]],
    order: list[str],
    known: dict[str, Gauge],
    stated: str | None,
) -> tuple[str | None, bool, str]:
    """Gauge, whether it is sure, and the reason in plain words."""
    measured = (
        f"the perforations are {seen.width:.1f} x {seen.height:.1f} pixels, {seen.width / seen.height:.3f} times as "
        f"wide as high"
    )
    if np.isfinite(seen.pitch):
        measured += f", {seen.pitch / seen.height:.3f} heights apart"
    measured += ", in two rows" if len(seen.rows) == 2 else ", in one row"
    best = order[0]
    worst = max(scored[best][1].items(), key=lambda each: abs(each[1]), default=("", 0.0))
    fits = abs(worst[1]) < POOR_FIT
    if stated is not None:
        lead = scored[best][0] - scored[stated][0]
        name = known[stated].name
        if lead <= log(SURE_RATIO) and fits:
            return stated, True, f"{name} as stated; {measured}, which agrees."
        needed = max(scored[stated][1].items(), key=lambda each: abs(each[1]), default=("shape", 0.0))
        hole = known[stated].perforation
        instead = f" They fit {known[best].name}." if fits and best != stated else ""
        return (
            best if fits else None,
            False,
            f"{name} was stated, which needs perforations {hole.width_mm.value / hole.height_mm.value:.3f} times as "
            f"wide as high and {known[stated].pitch_long_mm.value / hole.height_mm.value:.3f} heights apart in "
            f"{len(known[stated].rows)} row(s); found: {measured} (the {needed[0]} misses by {abs(needed[1]):.0f} "
            f"standard deviations).{instead} Correct the stated gauge, or take the statement out.",
        )
    if not fits:
        return (
            None,
            False,
            f"No gauge fits: {measured}; the nearest, {known[best].name}, misses by {abs(worst[1]):.0f} standard "
            f"deviations in the {worst[0]}. State the gauge.",
        )
    if len(order) > 1:
        lead = scored[best][0] - scored[order[1]][0]
        if lead < log(SURE_RATIO):
            close = [key for key in order if scored[best][0] - scored[key][0] < log(SURE_RATIO)]
            names = " or ".join(known[key].name for key in close)
            return best, False, f"Not sure: {measured}, which fits {names}. State the gauge."
    return best, True, f"{known[best].name}: {measured}."

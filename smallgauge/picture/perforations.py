"""Perforations: where each one lies in a captured frame, to a few hundredths of a pixel, torn or whole.

find_perforations   plane, survey  -> PerforationFix of each perforation in view   (analyse)
measure_reference   fixes, survey  -> the frame's film-fixed point                 (analyse)
find_film_edges     plane, survey  -> the film's edges, where no perforation is in view

The survey (once a capture, `gauge_reading.find_gauge`) knows how large the perforation is in pixels; so a
single side is enough to say where it lies. Per frame: edges in a reduced strip vote for the centre of a
rectangle of that size, over the whole height of the frame; then each side is measured alone at full size
(`edges`), and opposite sides are brought together only where they agree with the known size. Where they
disagree, the side is believed that other evidence supports: how straight and complete it is, the other
perforation in view, the expected place. Where nothing decides, there is no measurement.

Why this is long: sides, combination and confidence are one argument, and are read together. What the results
are stands in `perforation_fix`, how candidates are found in `perforation_votes`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.edges import (
    LineGuess,
    Lines,
    find_profiles,
    measure_crossings,
    measure_lines,
    measure_votes,
)
from smallgauge.picture.perforation_corners import measure_corners
from smallgauge.picture.perforation_fix import (
    COLUMNS,
    SIDES,
    Candidate,
    FilmEdgeFix,
    FilmReference,
    PerforationFix,
    PerforationSurvey,
    Plane,
    Polarity,
    State,
)
from smallgauge.picture.perforation_votes import find_candidates

__all__ = [
    "COLUMNS",
    "FilmEdgeFix",
    "FilmReference",
    "PerforationFix",
    "PerforationSurvey",
    "Polarity",
    "find_film_edges",
    "find_perforations",
    "measure_perforations",
    "measure_reference",
]

AGREE_PX = 0.6  # opposite sides agree with the known size within this; picture science note a.5, drawn tests
ENOUGH_ROWS = 128  # a side of twice as many rows is read on every second one; common practice, no source
DEPTH_SHARE = (
    0.15  # of the perforation, inwards from a side: there its light is read; common practice, no source
)
CONFIDENCE_LIMIT = 0.2  # below: no measurement; common practice, no source
ALONE = 0.6  # confidence in one side without its opposite, of that in both; common practice, no source
UNCONFIRMED = (
    0.45  # no more where nothing else says that the one side is the punched one; common practice, no source
)
SQUARE = 0.8  # a corner nearer than this to square is no punched one: drawn ones give at most 0.3, covers 0.9 to 1.1
CONFIRMED = (
    4.0  # odds, by other evidence, for "this is the punched side" against "an edge anywhere in the search"
)
OPEN_SHARE = (
    0.5  # of each line opposite to a side that stands alone: it is an opening; common practice, no source
)
DECIDED = (
    20.0  # odds at which one of two sides that disagree is believed for its own sake; picture science note a
)
CERTAIN = 100.0  # and for the sake of where it is expected, which may mislead; common practice, no source
WHOLE_SHARE = 0.7  # a side with less of its length on the line counts as damaged; common practice, no source
SIDE_SIGMA_FLOOR_PX = 0.02  # a punched side is no straighter than this; common practice, no source
TURN_SIGMA = 0.003  # radians: film turns in the gate from frame to frame; common practice, no source
SIDE_TURN_SIGMA = 0.0007  # radians: one side against the others; common practice, no source
PITCH_SIGMA_MM = 0.025  # Z22.5-1947: change of pitch within four consecutive perforations


def find_perforations(
    plane: Plane, *, survey: PerforationSurvey, expected_y_px: float | None = None
) -> tuple[PerforationFix, ...]:
    """All perforations in view, each with its four sides, its centre and how sure it is.

    Parameters
    ----------
    plane : array, shape (height, width), float32
        Linear light of the survey's channel, 0 to 1, of the size surveyed. Not altered.
    survey : PerforationSurvey
        From `gauge_reading.find_gauge`.
    expected_y_px : float, optional
        Where the frame's film reference is expected to lie. It decides only what the frame itself leaves
        open: which of two sides that disagree is the punched one.

    Returns
    -------
    tuple of PerforationFix
        Row by row, top to bottom. Empty where nothing was found. A fix with confidence below 0.2 is no
        measurement: its x or y is NaN, its sides stand.

    Raises
    ------
    CallerError
        If `plane` is not one plane of the size surveyed.

    Notes
    -----
    Source: "hough", "tukey biweight", "cramer-rao edge"; accuracy in docs/guide/perforations.md.
    """
    if plane.ndim != 2 or plane.shape != (survey.frame_height_px, survey.frame_width_px):
        raise CallerError(
            f"find_perforations needs one plane of {survey.frame_height_px} x {survey.frame_width_px} pixels as "
            f"surveyed, got shape {plane.shape}. Pass plane [:, :, survey.channel] of a frame of this capture."
        )
    candidates = find_candidates(plane, survey=survey, expected_y_px=expected_y_px)
    if not candidates:
        return ()
    return measure_perforations(plane, candidates, survey=survey, expected_y_px=expected_y_px)


def measure_perforations(
    plane: Plane,
    candidates: Sequence[Candidate],
    *,
    survey: PerforationSurvey,
    expected_y_px: float | None = None,
    search_px: int | None = None,
) -> tuple[PerforationFix, ...]:
    """The four sides of each candidate at full size, and what they say together.

    Parameters
    ----------
    plane : array, shape (height, width), float32
    candidates : sequence of Candidate
        At least one.
    survey : PerforationSurvey
    expected_y_px : float, optional
        As in `find_perforations`.
    search_px : int, optional
        How far from its place a side is looked for; left out, 2 px and 7 % of the height.

    Returns
    -------
    tuple of PerforationFix
        Same order; a candidate of which no side is found, or none across and none along, is left out.

    Notes
    -----
    Source: "tukey biweight"; combination: module docstring.
    """
    factor = max(1, int(min(survey.width_px, survey.height_px) // 40))
    search = search_px if search_px is not None else max(7, round(0.07 * survey.height_px) + 2)
    search = max(search, factor + 4)
    guesses = [guess for each in candidates for guess in _guess_sides(each, survey)]
    blur = max(survey.blur_px, survey.blur_along_px)
    profiles = find_profiles(
        plane,
        guesses,
        reach=search + int(np.ceil(3.0 * blur)) + 8,
        blur_x_px=survey.blur_px,
        blur_y_px=survey.blur_along_px,
        dark_opening=survey.polarity == "dark hole",
        step=max(1, int(max(guess.stop_px - guess.first_px for guess in guesses)) // ENOUGH_ROWS),
    )
    votes, fall, peaks = measure_votes(profiles)
    start = _start_offsets(votes, reach=profiles.reach, search=search)
    crossings = measure_crossings(
        profiles,
        fall,
        peaks,
        start_px=start,
        hole_light=survey.hole_light if survey.full_scale else np.nan,
        full_scale=survey.clip_light if survey.full_scale else np.inf,
        tolerance_px=max(2.5, 1.5 * blur),
        depth_px=max(12.0, DEPTH_SHARE * min(survey.width_px, survey.height_px)),
    )
    turn = np.array([-1.0 if guess.upright else 1.0 for guess in guesses])  # slope = -turn * tilt
    lines = measure_lines(
        crossings, profiles, slope=-turn * survey.tilt, slope_sigma=TURN_SIGMA, iterations=5
    )
    tilt = _common_tilt(lines, turn, survey.tilt)
    lines = measure_lines(crossings, profiles, slope=-turn * tilt, slope_sigma=SIDE_TURN_SIGMA)
    noise = np.maximum(crossings.noise, 1e-6)
    clear = np.clip(np.nan_to_num(crossings.contrast) / (6.0 * noise), 0.0, 1.0)
    asked = profiles.valid.mean(axis=1) * profiles.valid.shape[1]
    square = _square_ends(plane, candidates, lines, tilt, survey)
    readings = [
        _Reading.of(each, lines, guesses, clear, asked, square[k], 4 * k, tilt)
        for k, each in enumerate(candidates)
    ]
    return _settle(readings, plane, survey=survey, expected_y_px=expected_y_px, search=search)


def _square_ends(
    plane: Plane, candidates: Sequence[Candidate], lines: Lines, tilt: float, survey: PerforationSurvey
) -> NDArray[np.float64]:
    """How square a side's rounder corner is, for each side of each candidate; NaN unless both are seen."""
    light = min(survey.hole_light, survey.clip_light) if survey.full_scale else survey.hole_light
    corners = measure_corners(
        plane,
        lines.position.reshape(-1, 4),
        np.array([(each.x_px, each.y_px) for each in candidates]),
        tilt=tilt,
        radius_px=survey.corner_px,
        blur_px=(survey.blur_px, survey.blur_along_px),
        contrast=abs(light - survey.base_light),
        dark_opening=survey.polarity == "dark hole",
    )
    ends = ((0, 2), (1, 3), (0, 1), (2, 3))  # corners at the ends of the left, right, top, bottom side
    return np.stack([np.minimum(corners[:, a], corners[:, b]) for a, b in ends], axis=1)


def _guess_sides(each: Candidate, survey: PerforationSurvey) -> list[LineGuess]:
    """Left, right, top, bottom of a candidate; corners and what the blur makes of them left out."""
    half_w, half_h = survey.width_px / 2, survey.height_px / 2
    corner = survey.corner_px + max(4.0, 2.0 * max(survey.blur_px, survey.blur_along_px))
    tall, wide = max(half_h - corner, 4.0), max(half_w - corner, 4.0)
    upright = {
        "upright": True,
        "centre_px": each.y_px,
        "first_px": each.y_px - tall,
        "stop_px": each.y_px + tall,
    }
    level = {
        "upright": False,
        "centre_px": each.x_px,
        "first_px": each.x_px - wide,
        "stop_px": each.x_px + wide,
    }
    return [
        LineGuess(outward=-1, position_px=each.x_px - half_w, slope=survey.tilt, **upright),  # type: ignore[arg-type]
        LineGuess(outward=1, position_px=each.x_px + half_w, slope=survey.tilt, **upright),  # type: ignore[arg-type]
        LineGuess(outward=-1, position_px=each.y_px - half_h, slope=-survey.tilt, **level),  # type: ignore[arg-type]
        LineGuess(outward=1, position_px=each.y_px + half_h, slope=-survey.tilt, **level),  # type: ignore[arg-type]
    ]


def _start_offsets(votes: NDArray[np.float64], *, reach: int, search: int) -> NDArray[np.float64]:
    """Where each side is looked for: with its opposite at the known distance, else where it votes alone."""
    inside = votes[:, reach - search : reach + search + 1]
    offset = np.arange(-search, search + 1, dtype=np.float64)
    prior = 0.15 * np.exp(-0.5 * (offset / (0.5 * search)) ** 2)
    start = np.full(len(votes), np.nan)
    for low in range(0, len(votes), 2):
        # A move of the whole rectangle by d is -d outward for the left (top) side and +d for the other.
        joint = inside[low, ::-1] + inside[low + 1]
        best = int((joint + prior).argmax())
        for side, own in ((low, 2 * search - best), (low + 1, best)):
            near = slice(max(0, own - 2), own + 3)
            here, most = float(inside[side, near].max()), float(inside[side].max())
            if here >= 0.3 and here >= 0.5 * most:
                start[side] = offset[near][int(inside[side, near].argmax())]
            elif most >= 0.4:
                start[side] = offset[int((inside[side] + 0.5 * prior).argmax())]
            elif here >= 0.15:
                start[side] = offset[near][int(inside[side, near].argmax())]
    return start


def _common_tilt(lines: Lines, turn: NDArray[np.float64], usual: float) -> float:
    """Tilt of the film in this frame from all sides together, the usual tilt counting as one more."""
    weight = np.where(np.isfinite(lines.slope), lines.share, 0.0) / (
        np.nan_to_num(lines.slope_sigma, nan=1.0) ** 2 + SIDE_TURN_SIGMA**2
    )
    each = np.nan_to_num(-turn * lines.slope)
    prior = 1.0 / TURN_SIGMA**2
    mean = (float((weight * each).sum()) + prior * usual) / (float(weight.sum()) + prior)
    # once more without the sides that lean away from the rest
    weight = np.where(np.abs(each - mean) < 0.004, weight, 0.0)
    return (float((weight * each).sum()) + prior * usual) / (float(weight.sum()) + prior)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Reading:
    """Four sides of one candidate, brought to its centre."""

    candidate: Candidate
    position: NDArray[np.float64]  # (4,) left right top bottom, px
    sigma: NDArray[np.float64]
    quality: NDArray[np.float64]  # 0 to 1, share of the side on its line, less when ragged
    share: NDArray[np.float64]
    in_view: NDArray[np.bool_]
    rounded: NDArray[np.bool_]  # both ends of the side are seen, and rounded as the punch leaves them
    clear: float  # contrast against noise, 0 to 1
    tilt: float

    @classmethod
    def of(
        cls,
        each: Candidate,
        lines: Lines,
        guesses: Sequence[LineGuess],
        clear: NDArray[np.float64],
        asked: NDArray[np.float64],
        square: NDArray[np.float64],
        first: int,
        tilt: float,
    ) -> "_Reading":
        part = slice(first, first + 4)
        full = np.array([g.stop_px - g.first_px for g in guesses[part]])
        seen = asked[part] / np.maximum(full, 1.0)
        share, scatter = lines.share[part], lines.scatter[part]
        usual = float(np.nanmedian(scatter)) if np.isfinite(scatter).any() else 1.0
        ragged = 1.0 / (1.0 + (np.nan_to_num(scatter, nan=9.0) / (3.0 * usual + 0.15)) ** 2)
        found = np.isfinite(lines.position[part])
        strong = np.where(found, clear[part], 0.0)
        quality = share * np.minimum(1.1 * ragged, 1.0) * np.minimum(seen * 1.2, 1.0)
        # A straight edge that ends in two square corners is a cover's, not the punch's.
        return cls(
            candidate=each,
            position=lines.position[part].copy(),
            sigma=lines.sigma[part],
            quality=np.where(found & ~(square > SQUARE), quality, 0.0),
            share=share,
            in_view=seen > 0.25,
            rounded=square < 1.0 - SQUARE,
            clear=float(np.max(strong)),
            tilt=tilt,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Axis:
    """One coordinate of a centre: value, sigma, confidence, and whether its two sides agree."""

    value: float
    sigma: float
    confidence: float
    agree: bool
    options: tuple[float, float]  # what each side alone says
    alone: int = (
        -1
    )  # which of the two the value rests on, where the other is not seen and nothing confirms it


def _odds(miss: float, sigma: float, search: int) -> float:
    """How much likelier this miss is where both mean the same edge than where one is any edge of the search."""
    return float(2.0 * search / (np.sqrt(2.0 * np.pi) * sigma) * np.exp(-0.5 * (miss / sigma) ** 2))


def _combine(
    reading: _Reading,
    *,
    low: int,
    size: float,
    search: int,
    trusted: str,
    evidence: float = np.nan,
    evidence_sigma: float = 1.0,
) -> _Axis:
    """Centre from two opposite sides (`low` is the left or the top one) and the known size.

    A side by itself may be a worn one, or the edge of something that covers the opening: it looks the same.
    It is *confirmed* by evidence that would be a coincidence if the edge lay anywhere in the search; a wide
    guess of the place, within which a worn side lies too, confirms nothing.
    """
    position, quality = reading.position, reading.quality
    one, two = position[low] + size / 2, position[low + 1] - size / 2
    sigma = np.hypot(reading.sigma[low : low + 2], SIDE_SIGMA_FLOOR_PX)
    q = quality[low : low + 2].copy()
    options = (float(one), float(two))
    if q.max() <= 0.0:
        return _Axis(value=np.nan, sigma=np.nan, confidence=0.0, agree=False, options=options)
    apart = abs(one - two)
    doubt = float(np.hypot(*reading.sigma[low : low + 2]))
    if q.min() > 0.0 and apart <= max(AGREE_PX, 3.0 * doubt):
        # A remnant of a side may fall in by chance: it counts by how much of it is on its line. And lines that
        # are known no better than that cannot be said to agree within 0.6 px.
        genuine = float(q.min()) / max(1.0 - float(q.min()), 0.01)
        if doubt <= AGREE_PX and genuine * _odds(apart, max(doubt, AGREE_PX / 2), search) >= CONFIRMED:
            weight = q / sigma**2
            value = float((weight * np.array(options)).sum() / weight.sum())
            error = float(1.0 / np.sqrt((1.0 / sigma**2).sum()))
            return _Axis(value=value, sigma=error, confidence=float(q.mean()), agree=True, options=options)
        q[int(q.argmin())] = 0.0
    miss = (np.array(options) - evidence) / evidence_sigma
    odds = [_odds(option - evidence, evidence_sigma, search) for option in options]  # NaN: no evidence
    most = np.where(np.array(odds) >= CONFIRMED, 1.0, UNCONFIRMED)
    if q.min() <= 0.05 * q.max():
        k = int(q.argmax())
        sure = min(float(most[k]), ALONE * float(q[k]))
        if np.isfinite(evidence) and abs(miss[k]) > 5.0:
            sure = min(sure, 0.15)
        value = options[k] if sure >= CONFIDENCE_LIMIT else np.nan
        return _Axis(
            value=value,
            sigma=float(sigma[k]),
            confidence=sure,
            agree=False,
            options=options,
            alone=k if most[k] < 1.0 else -1,
        )
    worth = q**2
    if trusted:
        worth = worth * np.where(np.array(SIDES[low : low + 2]) == trusted, 6.0, 1.0)
    k = int(worth.argmax())
    by_itself = float(worth[k] / max(worth[1 - k], 1e-12))
    if np.isfinite(evidence):
        worth = worth * np.exp(-0.5 * np.minimum(miss**2, 25.0)) + 1e-9
    k, first = int(worth.argmax()), k
    ratio = float(worth[k] / max(worth[1 - k], 1e-12))
    if ratio >= (DECIDED if k == first and by_itself >= DECIDED else CERTAIN):
        # Straightness alone may favour a worn side that is longer than the punched one's remains.
        sure = min(float(most[k]) if np.isfinite(evidence) else 0.3, ALONE * float(q[k]))
        return _Axis(value=options[k], sigma=float(sigma[k]), confidence=sure, agree=False, options=options)
    if apart < 2.5:
        value = float((worth * np.array(options)).sum() / worth.sum())
        return _Axis(
            value=value,
            sigma=float(apart / 2),
            confidence=0.4 * float(q.mean()),
            agree=False,
            options=options,
        )
    return _Axis(value=np.nan, sigma=np.nan, confidence=0.1, agree=False, options=options)


def _settle(
    readings: Sequence[_Reading],
    plane: Plane,
    *,
    survey: PerforationSurvey,
    expected_y_px: float | None,
    search: int,
) -> tuple[PerforationFix, ...]:
    """Centres of all perforations in view; those whose sides agree are evidence for those whose don't."""
    across_of = partial(_combine, low=0, size=survey.width_px, search=search, trusted=survey.reference_x)
    along_of = partial(_combine, low=2, size=survey.height_px, search=search, trusted=survey.reference_y)
    first = [(across_of(each), along_of(each)) for each in readings]
    fixes = []
    for k, each in enumerate(readings):
        others = [(readings[j], first[j]) for j in range(len(readings)) if j != k]
        across, along = first[k]
        if not across.agree:
            evidence, sigma = _evidence_x(each, others, survey)
            across = across_of(each, evidence=evidence, evidence_sigma=sigma)
        if not along.agree:
            evidence, sigma = _evidence_y(each, others, survey, expected_y_px)
            along = along_of(each, evidence=evidence, evidence_sigma=sigma)
        if across.alone >= 0 and not _opens_beyond(each, across, along, 0, plane, survey):
            across = replace(across, value=np.nan, sigma=np.nan, confidence=0.1)
        if along.alone >= 0 and not _opens_beyond(each, along, across, 2, plane, survey):
            along = replace(along, value=np.nan, sigma=np.nan, confidence=0.1)
        fix = _fix(each, across, along, plane, survey)
        if fix is not None:
            fixes.append(fix)
    return tuple(fixes)


def _opens_beyond(
    each: _Reading, axis: _Axis, other: _Axis, low: int, plane: Plane, survey: PerforationSurvey
) -> bool:
    """Whether light comes through the half of the rectangle that lies opposite to the only side seen.

    Where the missing side is torn away, it does. Where it does not, something covers that half, and the edge
    that was seen may as well be the cover's: only its own rounded corners then tell the two apart.
    """
    if each.rounded[low + axis.alone]:
        return True
    x, y = (axis, other) if low == 0 else (other, axis)
    x_px = x.value if np.isfinite(x.value) else each.candidate.x_px
    y_px = y.value if np.isfinite(y.value) else each.candidate.y_px
    reach = [0.4 * survey.width_px, 0.4 * survey.height_px]
    reach[low // 2] = (survey.width_px, survey.height_px)[low // 2] / 2 - (
        2.0 * max(survey.blur_px, survey.blur_along_px) + 1.0
    )
    box = [x_px - reach[0], x_px + reach[0], y_px - reach[1], y_px + reach[1]]
    box[low + axis.alone] = x_px if low == 0 else y_px  # from the middle to the missing side
    x0, x1, y0, y1 = (max(0, round(place)) for place in box)
    part = plane[y0 : y1 + 1, x0 : x1 + 1]
    light = min(survey.hole_light, survey.clip_light) if survey.full_scale else survey.hole_light
    level = survey.base_light + 0.4 * (light - survey.base_light)
    is_open = part > level if survey.polarity == "bright hole" else part < level
    return part.size == 0 or float(is_open.mean(axis=0 if low == 0 else 1).min()) >= OPEN_SHARE


def _evidence_x(
    each: _Reading, others: list[tuple[_Reading, tuple[_Axis, _Axis]]], survey: PerforationSurvey
) -> tuple[float, float]:
    """Where the centre should lie across, from the other perforations in view, else from habit."""
    best = (np.nan, np.inf)
    for other, (across, _) in others:
        if across.agree and across.confidence >= 0.4:
            down = each.candidate.y_px - other.candidate.y_px
            side = survey.rows[each.candidate.row] - survey.rows[other.candidate.row]
            sigma = 0.3 + PITCH_SIGMA_MM / 2 * survey.across_px_per_mm + 0.001 * abs(side)
            if sigma < best[1]:
                best = (across.value + side + each.tilt * down, sigma)
    if np.isfinite(best[0]):
        return best
    habit = survey.rows[each.candidate.row] + survey.tilt * (each.candidate.y_px - survey.usual_y_px)
    return float(habit), 1.0 + 2.5 * survey.spread_x_px


def _evidence_y(
    each: _Reading,
    others: list[tuple[_Reading, tuple[_Axis, _Axis]]],
    survey: PerforationSurvey,
    expected_y_px: float | None,
) -> tuple[float, float]:
    """Where the centre should lie along: a whole neighbour at the pitch, else the expected place."""
    best = (np.nan, np.inf)
    for other, (_, along) in others:
        if along.agree and along.confidence >= 0.4:
            steps = np.rint((each.candidate.y_px - along.value) / survey.pitch_px)
            sigma = 0.3 + PITCH_SIGMA_MM / 2 * survey.along_px_per_mm * max(abs(steps), 0.5)
            sigma += 0.0 if survey.pitch_measured else 0.005 * survey.pitch_px * abs(steps)
            side = survey.rows[each.candidate.row] - survey.rows[other.candidate.row]
            if sigma < best[1]:
                best = (along.value + steps * survey.pitch_px - each.tilt * side, sigma)
    if np.isfinite(best[0]):
        return float(best[0]), float(best[1])
    if expected_y_px is None or not np.isfinite(expected_y_px):
        return np.nan, 1.0
    phase = 0.0 if survey.holes_at == "mid-frame" else 0.5
    steps = np.rint((each.candidate.y_px - expected_y_px) / survey.pitch_px - phase) + phase
    return float(expected_y_px + steps * survey.pitch_px), 1.5 + 0.5 * min(survey.spread_px, 3.0)


def _fix(
    each: _Reading, across: _Axis, along: _Axis, plane: Plane, survey: PerforationSurvey
) -> PerforationFix | None:
    confidence = min(across.confidence, along.confidence) * each.clear
    if across.confidence <= 0.0 and along.confidence <= 0.0:
        return None
    # Each line was read at the candidate's centre; bring it to the centre found.
    x = across.value if np.isfinite(across.value) else each.candidate.x_px
    y = along.value if np.isfinite(along.value) else each.candidate.y_px
    down, right = y - each.candidate.y_px, x - each.candidate.x_px
    move = np.array([each.tilt * down, each.tilt * down, -each.tilt * right, -each.tilt * right])
    position = each.position + move
    cut = not bool(each.in_view.all()) or _reaches_the_end(plane, x, y, survey)
    low_share = bool((each.share[each.in_view] < WHOLE_SHARE).any())
    state: State = "whole"
    if cut:
        state = "cut off"
    elif not (across.agree and along.agree) or low_share:
        state = "damaged"
    elif survey.full_scale and _at_full_scale(plane, x, y, survey):
        state = "full scale"
    unsure = confidence < CONFIDENCE_LIMIT
    return PerforationFix(
        row=each.candidate.row,
        x_px=np.nan if unsure else float(across.value + move[0]),
        y_px=np.nan if unsure else float(along.value + move[2]),
        sigma_x_px=np.nan if unsure else across.sigma,
        sigma_y_px=np.nan if unsure else along.sigma,
        left_px=float(position[0]),
        right_px=float(position[1]),
        top_px=float(position[2]),
        bottom_px=float(position[3]),
        sigma_left_px=float(each.sigma[0]),
        sigma_right_px=float(each.sigma[1]),
        sigma_top_px=float(each.sigma[2]),
        sigma_bottom_px=float(each.sigma[3]),
        tilt=each.tilt,
        state=state,
        confidence=float(np.clip(confidence, 0.0, 1.0)),
    )


def _reaches_the_end(plane: Plane, x: float, y: float, survey: PerforationSurvey) -> bool:
    """Whether the picture ends so near to a side that the film beyond it cannot be read."""
    across = survey.width_px / 2 + 2.0 * survey.blur_px + 0.5
    along = survey.height_px / 2 + 2.0 * survey.blur_along_px + 0.5
    height, width = plane.shape
    return x - across < 0 or x + across > width - 1 or y - along < 0 or y + along > height - 1


def _at_full_scale(plane: Plane, x: float, y: float, survey: PerforationSurvey) -> bool:
    half_w, half_h = 0.25 * survey.width_px, 0.25 * survey.height_px
    part = plane[max(0, int(y - half_h)) : int(y + half_h) + 1, max(0, int(x - half_w)) : int(x + half_w) + 1]
    return part.size > 0 and float((part >= 0.995 * survey.clip_light).mean()) > 0.5


def measure_reference(fixes: Sequence[PerforationFix], *, survey: PerforationSurvey) -> FilmReference:
    """The frame's film-fixed point: across, the first row's perforation; along, the nominal picture centre.

    Where perforations stand beside the middle of the frame (Super 8) the reference is the perforation
    nearest to the usual place. Where they stand on the frame line it lies midway between two, or half
    a pitch from the one that is seen. Steps along the film follow its tilt.

    Parameters
    ----------
    fixes : sequence of PerforationFix
        From `find_perforations`, one frame.
    survey : PerforationSurvey

    Returns
    -------
    FilmReference
        NaN and source "none" where no fix reaches the confidence limit.

    Notes
    -----
    Source: hole positions along the frame as `Gauge.holes_at` cites them; arithmetic "derived".
    """
    sound = [
        each
        for each in fixes
        if each.confidence >= CONFIDENCE_LIMIT and np.isfinite(each.x_px) and np.isfinite(each.y_px)
    ]
    if not sound:
        return FilmReference(
            x_px=np.nan,
            y_px=np.nan,
            sigma_x_px=np.nan,
            sigma_y_px=np.nan,
            source="none",
            pitch_px=np.nan,
            confidence=0.0,
        )
    by_row = [
        _row_reference([f for f in sound if f.row == row], survey, row) for row in range(len(survey.rows))
    ]
    rows = [each for each in by_row if each is not None]
    weight_x = np.array([1.0 / each.sigma_x_px**2 for each in rows])
    weight_y = np.array([1.0 / each.sigma_y_px**2 for each in rows])
    pitches = [each.pitch_px for each in rows if np.isfinite(each.pitch_px)]
    return FilmReference(
        x_px=float((weight_x * [each.x_px for each in rows]).sum() / weight_x.sum()),
        y_px=float((weight_y * [each.y_px for each in rows]).sum() / weight_y.sum()),
        sigma_x_px=float(1.0 / np.sqrt(weight_x.sum())),
        sigma_y_px=float(1.0 / np.sqrt(weight_y.sum())),
        source="two perforations"
        if len(rows) > 1 or rows[0].source == "two perforations"
        else rows[0].source,
        pitch_px=float(np.mean(pitches)) if pitches else np.nan,
        confidence=max(each.confidence for each in rows),
    )


def _row_reference(fixes: list[PerforationFix], survey: PerforationSurvey, row: int) -> FilmReference | None:
    if not fixes:
        return None
    side = survey.rows[0] - survey.rows[row]
    fixes = sorted(fixes, key=lambda each: each.y_px)
    usual = survey.usual_y_px
    pairs = [(a, b) for a, b in pairwise(fixes) if abs((b.y_px - a.y_px) / survey.pitch_px - 1.0) < 0.02]
    pitch = float(np.mean([b.y_px - a.y_px for a, b in pairs])) if pairs else np.nan
    if survey.holes_at == "frame line" and pairs:
        a, b = min(pairs, key=lambda pair: abs((pair[0].y_px + pair[1].y_px) / 2 - usual))
        if abs((a.y_px + b.y_px) / 2 - usual) < 0.6 * survey.pitch_px:
            # Inverse variance would jump between the two; an even mean halves the punch's own error.
            weight = np.array([min(a.confidence, 0.5), min(b.confidence, 0.5)])
            weight = weight / weight.sum()
            x = float(weight @ [a.x_px + a.tilt * survey.pitch_px / 2, b.x_px - b.tilt * survey.pitch_px / 2])
            return FilmReference(
                x_px=x + side,
                y_px=(a.y_px + b.y_px) / 2 - a.tilt * side,
                sigma_x_px=float(np.hypot(weight[0] * a.sigma_x_px, weight[1] * b.sigma_x_px)),
                sigma_y_px=float(np.hypot(a.sigma_y_px, b.sigma_y_px) / 2),
                source="two perforations",
                pitch_px=pitch,
                confidence=min(a.confidence, b.confidence),
            )
    phases = (0.0,) if survey.holes_at == "mid-frame" else (-0.5, 0.5)
    options = []
    for each in fixes:
        for phase in phases:
            miss = abs(each.y_px + phase * survey.pitch_px - usual)
            options.append((miss > 0.6 * survey.pitch_px, -round(each.confidence, 1), miss, phase, each))
    _, _, miss, phase, each = min(options, key=lambda option: option[:4])
    if miss > 0.6 * survey.pitch_px:  # the frame's own hole is not to be had: step whole pitches
        phase += float(np.rint((usual - each.y_px - phase * survey.pitch_px) / survey.pitch_px))
    step = phase * survey.pitch_px
    extra = PITCH_SIGMA_MM / 2 * survey.along_px_per_mm * abs(phase)
    return FilmReference(
        x_px=each.x_px + each.tilt * step + side,
        y_px=each.y_px + step - each.tilt * side,
        sigma_x_px=each.sigma_x_px,
        sigma_y_px=float(np.hypot(each.sigma_y_px, extra)),
        source="one perforation",
        pitch_px=pitch,
        confidence=each.confidence,
    )


def find_film_edges(plane: Plane, *, survey: PerforationSurvey) -> tuple[FilmEdgeFix, ...]:
    """The film's edges against the open light beside them: the weak stand-in where no perforation is in view.

    They give x and tilt, never y: along the film an edge has no marks. Both together give its width.

    Parameters
    ----------
    plane : array, shape (height, width), float32
        Linear light of the survey's channel. Not altered.
    survey : PerforationSurvey

    Returns
    -------
    tuple of FilmEdgeFix
        The surer one first; empty where the survey saw none or neither is found.

    Notes
    -----
    Source: "tukey biweight"; slitting tolerance is the gauge's film width tolerance.
    """
    middle = (plane.shape[0] - 1) / 2
    drop = survey.tilt * (middle - survey.usual_y_px)
    sides: list[Literal["left", "right"]] = []
    guesses = []
    for side, usual, outward in (("left", survey.film_left_px, 1), ("right", survey.film_right_px, -1)):
        if np.isfinite(usual):
            sides.append(side)  # type: ignore[arg-type]
            guesses.append(
                LineGuess(
                    upright=True,
                    outward=outward,
                    position_px=usual + drop,
                    centre_px=middle,
                    first_px=4.0,
                    stop_px=plane.shape[0] - 5.0,
                    slope=survey.tilt,
                )
            )
    if not guesses:
        return ()
    search = int(10 + 4 * survey.spread_x_px)
    profiles = find_profiles(
        plane, guesses, reach=search + int(np.ceil(3 * survey.blur_px)) + 6, blur_x_px=survey.blur_px,
        blur_y_px=survey.blur_along_px, dark_opening=survey.polarity == "dark hole",
        step=max(1, plane.shape[0] // 300),
    )  # fmt: skip
    votes, fall, peaks = measure_votes(profiles)
    inside = votes[:, profiles.reach - search : profiles.reach + search + 1]
    start = np.where(inside.max(axis=1) >= 0.3, inside.argmax(axis=1) - float(search), np.nan)
    crossings = measure_crossings(
        profiles, fall, peaks, start_px=start,
        hole_light=survey.hole_light if survey.full_scale else np.nan,
        full_scale=survey.clip_light if survey.full_scale else np.inf,
    )  # fmt: skip
    slope = np.full(len(guesses), survey.tilt)
    lines = measure_lines(crossings, profiles, slope=slope, slope_sigma=TURN_SIGMA)
    return tuple(
        FilmEdgeFix(
            side=sides[n],
            x_px=float(lines.position[n]),
            sigma_px=float(np.hypot(lines.sigma[n], lines.scatter[n])),
            tilt=float(lines.slope[n]),
            confidence=float(0.5 * lines.share[n]),
        )
        for n in np.argsort(-lines.share, kind="stable").tolist()
        if lines.share[n] >= 0.3
    )

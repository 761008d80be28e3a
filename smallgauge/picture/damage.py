"""Damage of the perforations: what state each one is in, from the pixels in and around it.

measure_damage              plane, fix, survey      -> DamageReading of one perforation in one frame (analyse)
measure_frame_damage        plane, fixes, survey    -> the same for a frame, missing perforations too

The record of the whole reel, with grades and runs, is made of these by `damage_record`.

Where the perforation was punched is known (`perforations`), and how large (the survey). So light outside the
outline is film that is gone, and shade inside it is something that lies over the hole. The outline's share
that still stands, how deep a gap runs, how thin it is and how far along a side it reaches give the word.

What can't be told from pixels: a crack that runs into the picture from one that is part of the picture (it is
not looked for there); an opaque patch from a perforation that was never punched (both are "missing"); clear
tape over the whole hole, thinner than density 0.1, from a darker lamp. In reflected light, what covers a
hole or opens into the picture is as dark as the backing, or no different from picture: it is not told.

Why this is long: all evidence about one perforation is read in one place, each limit beside its reason.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.columns import Column
from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.picture.perforation_fix import PerforationFix, PerforationSurvey, Plane
from smallgauge.picture.ranks import find_median, find_percentiles

Damage = Literal["whole", "covered", "elongated", "nicked", "cracked", "torn", "missing", ""]
DAMAGE_WORDS: tuple[Damage, ...] = ("whole", "covered", "elongated", "nicked", "cracked", "torn", "missing")

# All limits below are house practice: FIAFMAN D.16 gives words without numbers. Common practice, no source.
NICK_MM = 0.3  # a gap deeper than this, or one that reaches the film's edge, is torn, not nicked
LEAST_DEPTH_MM = 0.03  # a gap or a displaced side is damage from here on
LEAST_AREA_MM2 = 0.003  # of a gap
LEAST_CRACK_MM = 0.08  # length of a crack
CRACK_WIDTH_MM = 0.1  # a gap wider than this is no crack
COVERED_SHARE = 0.006  # of the perforation that must be shaded before it counts as covered
SHADE = 0.07  # of the step from film to open gate that counts as shade (0.03 in density)
OPEN_BORDER = 0.8  # of that step: from here on it is open gate and no film, beside the picture
OPEN_PICTURE = 0.9  # the same where there is picture: clearest film has density 0.1 and more
PICTURE_OVER_MM = 0.2  # how far the picture may reach past the perforation's side towards its middle
AROUND_MM = 0.7  # looked at around the perforation
REDUCED_PX_PER_MM = 70.0  # the pixels are averaged down to about this
OUTLINE_LEFT = 0.25  # with less of its outline left, a perforation is missing
SEEN_SHARE = 0.6  # of a perforation and its rim that must be in view before it can be called whole

Mask = NDArray[np.bool_]
Array32 = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class DamageReading:
    """State of one perforation as one frame shows it.

    `x_px`, `y_px` is where it was punched, as far as known. `damage` is the worst of what was found, "" where
    too little is in view to call it whole. `side` is where: left, right, top, bottom or a corner ("top left").
    `area_mm2` and `depth_mm` are of film that is gone, in nominal millimetres, 0 where none is.
    """

    row: int
    x_px: float
    y_px: float
    damage: Damage
    side: str
    area_mm2: float
    depth_mm: float
    covered_share: float
    into_picture: bool
    seen_share: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Window:
    """Reduced pixels around a perforation, in film directions (px of the capture from the punched centre)."""

    light: Array32
    u: Array32  # across
    v: Array32  # along
    px: float  # side of a reduced pixel, in px of the capture
    px_per_mm: float  # of the capture
    blur: float  # reduced pixels
    half: tuple[float, float]
    corner: float
    on_film: Mask
    picture: Mask
    inside_picture: Mask  # a tear that reaches here runs into the picture
    at_edge: Mask


@dataclass(frozen=True, slots=True, kw_only=True)
class _Gap:
    """One place where film is gone."""

    word: Damage
    side: str
    area_mm2: float
    depth_mm: float
    into_picture: bool


def measure_damage(
    plane: Plane,
    fix: PerforationFix,
    *,
    survey: PerforationSurvey,
    place_px: tuple[float, float] | None = None,
) -> DamageReading:
    """State of one perforation: whole, nicked, cracked, torn, elongated, covered or missing.

    Parameters
    ----------
    plane : array, shape (height, width), float32
        Linear light of the survey's channel, 0 to 1. Not altered.
    fix : PerforationFix
        From `find_perforations`, this frame.
    survey : PerforationSurvey
    place_px : (float, float), optional
        Where it was punched, when known better than the fix says: its x or y is NaN where sides disagree.

    Returns
    -------
    DamageReading
        Lengths and areas are 0 where no film is gone, never NaN; `damage` is "" where nothing is wrong with
        what is in view and too little is in view.

    Raises
    ------
    CallerError
        If `plane` is not one plane of the size surveyed.

    Notes
    -----
    Words: FIAFMAN D.16 (torn, pulled, missing, foil patches) and the house scale's (nicked, cracked). Limits:
    "common practice". Cracks: "top hat".

    Examples
    --------
    >>> import numpy as np
    >>> from smallgauge.gauge.gauges import GAUGES
    >>> from smallgauge.picture.gauge_reading import find_gauge
    >>> from smallgauge.picture.perforations import find_perforations
    >>> from smallgauge.picture.synthetic import PerforationDamage, draw_frame, specimen_truth
    >>> claw = PerforationDamage(film_perforation=2, kind="claw", amount_mm=0.5)
    >>> truth = specimen_truth("super 8", width=512, height=384, damage=(claw,), frames=4)
    >>> light = [(draw_frame(truth, n).samples / 65535).astype(np.float32) for n in range(4)]
    >>> survey = find_gauge(light, gauges=GAUGES).survey
    >>> plane = np.ascontiguousarray(light[2][:, :, survey.channel])
    >>> reading = measure_damage(plane, find_perforations(plane, survey=survey)[0], survey=survey)
    >>> reading.damage, reading.side
    ('torn', 'bottom')
    """
    if plane.ndim != 2 or plane.shape != (survey.frame_height_px, survey.frame_width_px):
        raise CallerError(
            f"measure_damage needs one plane of {survey.frame_height_px} x {survey.frame_width_px} pixels as "
            f"surveyed, got shape {plane.shape}. Pass plane [:, :, survey.channel] of a frame of this capture."
        )
    return _read(plane, fix.row, place_px or punched_place(fix, survey), fix.tilt, survey)


def measure_frame_damage(
    plane: Plane, fixes: Sequence[PerforationFix], *, survey: PerforationSurvey
) -> tuple[DamageReading, ...]:
    """State of each perforation of a frame; then of each that should be in view and was not found.

    Parameters
    ----------
    plane : array, shape (height, width), float32
    fixes : sequence of PerforationFix
        From `find_perforations`, this frame, all of them.
    survey : PerforationSurvey

    Returns
    -------
    tuple of DamageReading
        The first belong to `fixes`, in their order. Those that follow have no fix: their place is a whole
        number of pitches from one that was measured. Where nothing was found the usual places are looked at,
        and only a perforation that is missing there is reported.

    Notes
    -----
    Source: as `measure_damage`; places "derived".

    Examples
    --------
    >>> from smallgauge.gauge.gauges import GAUGES
    >>> from smallgauge.picture.gauge_reading import find_gauge
    >>> from smallgauge.picture.perforations import find_perforations
    >>> from smallgauge.picture.synthetic import draw_frame, specimen_truth
    >>> truth = specimen_truth("super 8", width=512, height=384, frames=2)
    >>> light = [(draw_frame(truth, n).samples / 65535).astype(np.float32) for n in range(2)]
    >>> survey = find_gauge(light, gauges=GAUGES).survey
    >>> plane = np.ascontiguousarray(light[0][:, :, survey.channel])
    >>> [each.damage for each in measure_frame_damage(plane, find_perforations(plane, survey=survey), survey=survey)]
    ['whole']
    """
    readings = [
        measure_damage(plane, each, survey=survey, place_px=_better_place(each, fixes, survey))
        for each in fixes
    ]
    for row, x, y, tilt in _empty_places(fixes, survey):
        reading = _read(plane, row, (x, y), tilt, survey)
        if reading.seen_share >= SEEN_SHARE and (fixes or reading.damage == "missing"):
            readings.append(reading)
    return tuple(readings)


def punched_place(fix: PerforationFix, survey: PerforationSurvey) -> tuple[float, float]:
    """Where a perforation was punched: its fix, or the surer of two sides that disagree.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> nan = float("nan")
    >>> fix = SimpleNamespace(x_px=50.0, y_px=nan, top_px=10.0, bottom_px=80.0, sigma_top_px=0.1, sigma_bottom_px=0.4)
    >>> punched_place(fix, SimpleNamespace(width_px=40.0, height_px=60.0))
    (50.0, 40.0)
    """
    out = []
    for value, size, low, high in (
        ("x_px", survey.width_px, "left", "right"),
        ("y_px", survey.height_px, "top", "bottom"),
    ):
        place = float(getattr(fix, value))
        if not np.isfinite(place):
            sides = [
                (getattr(fix, f"sigma_{name}_px"), getattr(fix, f"{name}_px") + step)
                for name, step in ((low, size / 2), (high, -size / 2))
            ]
            seen = [each for each in sides if np.isfinite(each[1])]
            place = float(min(seen)[1]) if seen else np.nan
        out.append(place)
    return out[0], out[1]


def _sound(fix: PerforationFix) -> bool:
    return bool(fix.confidence >= 0.3 and np.isfinite(fix.x_px) and np.isfinite(fix.y_px))


def _better_place(
    fix: PerforationFix, fixes: Sequence[PerforationFix], survey: PerforationSurvey
) -> tuple[float, float]:
    """The place of a fix whose sides disagree, taken to the nearest whole pitch from one that is measured."""
    x, y = punched_place(fix, survey)
    if np.isfinite(fix.x_px) and np.isfinite(fix.y_px):
        return x, y
    for other in fixes:
        if other is fix or not _sound(other) or not (np.isfinite(x) or np.isfinite(y)):
            continue
        side = survey.rows[fix.row] - survey.rows[other.row]
        near = y if np.isfinite(y) else other.y_px
        steps = float(np.rint((near - other.y_px) / survey.pitch_px))
        if not np.isfinite(fix.y_px) and np.isfinite(y):
            y = other.y_px + steps * survey.pitch_px - other.tilt * side
        if not np.isfinite(fix.x_px):
            x = other.x_px + side + other.tilt * steps * survey.pitch_px
        break
    return x, y


def _empty_places(
    fixes: Sequence[PerforationFix], survey: PerforationSurvey
) -> list[tuple[int, float, float, float]]:
    """Row, place and tilt of each perforation that should be in view and has no fix."""
    sound = [each for each in fixes if _sound(each)]
    if not sound:
        return [] if fixes else _usual_places(survey)
    if not survey.pitch_measured:
        return []
    best = max(sound, key=lambda each: (each.confidence, -abs(each.y_px - survey.usual_y_px)))
    out = []
    reach = int(survey.frame_height_px / survey.pitch_px) + 2
    for row in range(len(survey.rows)):
        side = survey.rows[row] - survey.rows[best.row]
        taken = [punched_place(each, survey)[1] for each in fixes if each.row == row]
        for step in range(-reach, reach + 1):
            x = best.x_px + side + best.tilt * step * survey.pitch_px
            y = best.y_px + step * survey.pitch_px - best.tilt * side
            if not -0.5 <= y <= survey.frame_height_px - 0.5:
                continue
            if all(abs(y - each) > 0.4 * survey.pitch_px for each in taken):
                out.append((row, x, y, best.tilt))
    return out


def _usual_places(survey: PerforationSurvey) -> list[tuple[int, float, float, float]]:
    """Where the perforations of a frame usually lie, if that is known to a tenth of their height."""
    if survey.spread_px > 0.1 * survey.height_px:
        return []
    phases = (0.0,) if survey.holes_at == "mid-frame" else (-0.5, 0.5)
    return [
        (
            row,
            x + survey.tilt * phase * survey.pitch_px,
            survey.usual_y_px + phase * survey.pitch_px,
            survey.tilt,
        )
        for row, x in enumerate(survey.rows)
        for phase in phases
    ]


@lru_cache(maxsize=16)
def _edge_distance_mm(gauge: str) -> float:
    """From the film's edge to the near side of the perforation; infinite for a row in the middle."""
    edge = gauge_named(gauge).perforation.edge_distance_mm
    return edge.value if edge is not None else np.inf


def _picture_lies(row: int, survey: PerforationSurvey) -> int:
    """1: picture to the right of this row, -1: to the left, 0: above and below it."""
    if len(survey.rows) > 1:
        return 1 if row == 0 else -1
    if survey.picture_side == "both":
        return 0
    return 1 if survey.picture_side == "right" else -1


def _window(
    plane: Plane, row: int, place: tuple[float, float], tilt: float, survey: PerforationSurvey
) -> _Window | None:
    """Pixels around a punched place, averaged down; None where none are in view."""
    import cv2

    scale = float(np.sqrt(survey.across_px_per_mm * survey.along_px_per_mm))
    factor = max(1, round(scale / REDUCED_PX_PER_MM))
    half = survey.width_px / 2, survey.height_px / 2
    lows, stops = [], []
    for centre, size, limit in (
        (place[0], half[0], plane.shape[1]),
        (place[1], half[1], plane.shape[0]),
    ):
        low = max(0, int(centre - size - AROUND_MM * scale))
        stop = min(limit, int(centre + size + AROUND_MM * scale) + 1)
        lows.append(low)
        stops.append(low + max(0, stop - low) // factor * factor)
    if min(stops[0] - lows[0], stops[1] - lows[1]) < 8 * factor:
        return None
    part = plane[lows[1] : stops[1], lows[0] : stops[0]]
    shape = part.shape[1] // factor, part.shape[0] // factor
    light = (
        cv2.resize(part, shape, interpolation=cv2.INTER_AREA) if factor > 1 else np.ascontiguousarray(part)
    )
    at = np.arange(shape[0], dtype=np.float32) * factor + np.float32(lows[0] + (factor - 1) / 2 - place[0])
    down = np.arange(shape[1], dtype=np.float32) * factor + np.float32(lows[1] + (factor - 1) / 2 - place[1])
    u = at[None, :] - np.float32(tilt) * down[:, None]
    v = down[:, None] + np.float32(tilt) * at[None, :]
    lies = _picture_lies(row, survey)
    over = np.float32(PICTURE_OVER_MM * scale)
    picture = np.abs(v) > np.float32(half[1]) - over if lies == 0 else lies * u > np.float32(half[0]) - over
    far = np.float32(NICK_MM * scale)
    inside = np.abs(v) > np.float32(half[1]) + far if lies == 0 else lies * u > np.float32(half[0]) + far
    on_film, at_edge = _on_film(u, row, lies, survey)
    return _Window(
        light=light,
        u=u,
        v=v,
        px=float(factor),
        px_per_mm=scale,
        blur=max(survey.blur_px, survey.blur_along_px) / factor,
        half=half,
        corner=survey.corner_px,
        on_film=on_film,
        picture=picture,
        inside_picture=inside,
        at_edge=at_edge,
    )


def _on_film(u: Array32, row: int, lies: int, survey: PerforationSurvey) -> tuple[Mask, Mask]:
    """Where there is film by rights, and the strip of it beside its edge."""
    margin = np.float32(0.04 * survey.across_px_per_mm + 2.0 * survey.blur_px)
    strip = np.float32(0.1 * survey.across_px_per_mm)
    on_film, at_edge = np.ones(u.shape, np.bool_), np.zeros(u.shape, np.bool_)
    for side, seen in ((-1, survey.film_left_px), (1, survey.film_right_px)):
        if np.isfinite(seen):
            edge = abs(seen - survey.rows[row])
        elif side == -lies:
            edge = survey.width_px / 2 + _edge_distance_mm(survey.gauge) * survey.across_px_per_mm
        else:
            continue
        on_film &= side * u < np.float32(edge) - margin
        at_edge |= side * u > np.float32(edge) - margin - strip
    return on_film, at_edge & on_film


def _distance(
    window: _Window, half: tuple[float, float], centre: tuple[float, float] = (0.0, 0.0)
) -> Array32:
    """Signed distance to the perforation's outline, px of the capture, positive on the film."""
    radius = np.float32(window.corner)
    qx = np.abs(window.u - np.float32(centre[0])) - np.float32(half[0] - radius)
    qy = np.abs(window.v - np.float32(centre[1])) - np.float32(half[1] - radius)
    inside = np.minimum(np.maximum(qx, qy), np.float32(0))
    np.maximum(qx, 0, out=qx)
    np.maximum(qy, 0, out=qy)
    return np.asarray(np.sqrt(qx * qx + qy * qy) + inside - radius, np.float32)


def _read(
    plane: Plane, row: int, place: tuple[float, float], tilt: float, survey: PerforationSurvey
) -> DamageReading:
    """Everything that one frame says about one perforation."""
    blank = DamageReading(
        row=row, x_px=place[0], y_px=place[1], damage="", side="", area_mm2=0.0, depth_mm=0.0,
        covered_share=0.0, into_picture=False, seen_share=0.0,
    )  # fmt: skip
    window = _window(plane, row, place, tilt, survey) if np.isfinite(place).all() else None
    if window is None:
        return blank
    distance = _distance(window, window.half)
    step = window.px * (1.0 + window.blur)  # how near to the outline nothing is said
    rim = 0.1 * window.px_per_mm + step
    asked = 4.0 * (window.half[0] + rim) * (window.half[1] + rim)
    seen = min(
        1.0,
        float(((np.abs(window.u) < window.half[0] + rim) & (np.abs(window.v) < window.half[1] + rim)).sum())
        * window.px**2
        / asked,
    )
    inside = distance < -step
    border = (distance > step + window.px) & window.on_film & ~window.picture
    levels = _levels(window, inside, border, survey)
    if levels is None:
        return replace(blank, seen_share=seen)
    open_level, film_level = levels
    share = (window.light - np.float32(film_level)) * np.float32(1.0 / (open_level - film_level))
    covered = inside & (share < np.float32(1.0 - SHADE))
    covered_share = float(covered.sum()) / max(int(inside.sum()), 1)
    found = replace(blank, covered_share=covered_share, seen_share=seen)
    if covered_share > 0.9 and float(share[inside].mean()) < 0.3:
        return replace(found, damage="missing") if seen >= SEEN_SHARE else found
    opened = (share > np.float32(OPEN_BORDER)) & ~window.picture
    opened |= (
        (window.light > np.float32(OPEN_PICTURE * open_level)) & window.picture
        if open_level > film_level
        else False
    )
    rim_film = (distance > step) & (distance < step + 3.0 * window.px) & window.on_film
    left = 1.0 - float((opened & rim_film).sum()) / max(int(rim_film.sum()), 1)
    gaps = _elongations(window, share, opened)
    half, centre = _stretched(window, gaps)
    if gaps:
        distance = _distance(window, half, centre)
    gaps += _gaps(window, distance, opened, half)
    gaps += _cracks(window, distance, share, opened, half)
    if left < OUTLINE_LEFT and seen >= SEEN_SHARE:
        gaps.append(_Gap(word="missing", side="", area_mm2=0.0, depth_mm=0.0, into_picture=False))
    if gaps:
        worst = max(gaps, key=lambda gap: (DAMAGE_WORDS.index(gap.word), gap.area_mm2, gap.side))
        return replace(
            found,
            damage=worst.word,
            side=worst.side,
            area_mm2=sum(gap.area_mm2 for gap in gaps),
            depth_mm=max(gap.depth_mm for gap in gaps),
            into_picture=any(gap.into_picture for gap in gaps),
        )
    if covered_share >= COVERED_SHARE:
        sides = _side_of(float(window.u[covered].mean()), float(window.v[covered].mean()), window.half)
        return replace(found, damage="covered", side=sides)
    return replace(found, damage="whole") if seen >= SEEN_SHARE else found


def _levels(
    window: _Window, inside: Mask, border: Mask, survey: PerforationSurvey
) -> tuple[float, float] | None:
    """Light of the open gate and of the film beside this perforation; None where they can't be told apart."""
    light = survey.clip_light if survey.full_scale else survey.hole_light
    if inside.any():
        own = find_percentiles(window.light[inside][::3], (75 if light > survey.base_light else 25,))[0]
        # A hole that is wholly shaded must not be its own measure, a lamp that wanders must.
        if abs(own - light) <= 0.2 * abs(light - survey.base_light):
            light = own
    film = survey.base_light
    if border.sum() >= 30:
        own = find_median(window.light[border][::3])
        if abs(own - light) > 0.5 * abs(light - survey.base_light):
            film = own
    return (light, film) if abs(light - film) > 0.02 else None


def _side_of(x: float, y: float, half: tuple[float, float]) -> str:
    """Side or corner on which a place lies."""
    across, along = x / half[0], y / half[1]
    names = []
    if abs(along) > 0.75 or abs(along) >= abs(across):
        names.append("bottom" if along > 0 else "top")
    if abs(across) > 0.75 or abs(across) > abs(along):
        names.append("right" if across > 0 else "left")
    return " ".join(names)


def _elongations(window: _Window, share: Array32, opened: Mask) -> list[_Gap]:
    """Sides that are displaced as a whole, in parallel: worn by the claw, or pulled."""
    mask = np.where(window.picture, opened, share > 0.5)
    distance_x = np.abs(window.u) - np.float32(window.half[0])
    distance_y = np.abs(window.v) - np.float32(window.half[1])
    keep = window.corner + 2.0 * window.px * (1.0 + window.blur)
    least = max(LEAST_DEPTH_MM, 1.5 * window.px / window.px_per_mm)
    out = []
    for side, run_axis, sign in (("left", 1, -1), ("right", 1, 1), ("top", 0, -1), ("bottom", 0, 1)):
        away, beside = (distance_x, distance_y) if run_axis == 1 else (distance_y, distance_x)
        place = window.u if run_axis == 1 else window.v
        strip = (away > least * window.px_per_mm) & (away < least * window.px_per_mm + 2.0 * window.px)
        strip &= (beside < -keep) & (sign * place > 0)
        if (mask & strip).sum() < 0.5 * strip.sum() or not strip.any():
            continue  # the film stands along most of it
        depth, known = _depths(mask, away, sign * place, run_axis, sign)
        across_side = np.take(beside, beside.shape[run_axis] // 2, axis=run_axis)
        known &= across_side < -keep
        wanted = int((across_side < -keep).sum())
        if known.sum() < max(8, 0.7 * wanted):
            continue
        mm = depth[known] * window.px / window.px_per_mm
        low, most = find_percentiles(mm, (10, 90))
        middle = find_median(mm)
        if low < least or most - low > max(0.05, 0.4 * middle) or middle > NICK_MM:
            continue
        length = 2.0 * window.half[1 if run_axis == 1 else 0] / window.px_per_mm
        out.append(
            _Gap(word="elongated", side=side, area_mm2=middle * length, depth_mm=middle, into_picture=False)
        )
    return out


def _depths(
    mask: Mask, away: Array32, outward: Array32, run_axis: int, sign: int
) -> tuple[NDArray[np.float64], Mask]:
    """How many pixels the opening runs on beyond a side, for each line across that side; False: not in view."""
    counted = mask & (away > 0) & (outward > 0)
    passed = mask | (away <= 0) | (outward <= 0)
    ordered = passed if sign > 0 else np.flip(passed, run_axis)
    run = np.logical_and.accumulate(ordered, axis=run_axis)
    run = run if sign > 0 else np.flip(run, run_axis)
    depth = (run & counted).sum(axis=run_axis).astype(np.float64)
    ends = np.take(run, -1 if sign > 0 else 0, axis=run_axis)
    in_view = np.asarray(((away > 0) & (outward > 0)).any(axis=run_axis))
    return depth, in_view & ~ends


def _stretched(window: _Window, gaps: list[_Gap]) -> tuple[tuple[float, float], tuple[float, float]]:
    """Half size and centre of the rectangle with displaced sides, px."""
    more = {gap.side: gap.depth_mm * window.px_per_mm for gap in gaps}
    left, right = more.get("left", 0.0), more.get("right", 0.0)
    top, bottom = more.get("top", 0.0), more.get("bottom", 0.0)
    half = window.half[0] + (left + right) / 2, window.half[1] + (top + bottom) / 2
    return half, ((right - left) / 2, (bottom - top) / 2)


def _gaps(window: _Window, distance: Array32, opened: Mask, half: tuple[float, float]) -> list[_Gap]:
    """Places where film is gone: open gate beyond the outline, grown together with the hole or beside it."""
    import cv2

    step = window.px * (1.0 + 0.5 * window.blur)
    beyond = (opened & window.on_film & (distance > step)).astype(np.uint8)
    if beyond.sum() < 6:
        return []
    hole = (distance < 0).astype(np.uint8)
    together = ((opened & window.on_film) | (distance < 0)).astype(np.uint8)
    _, labels = cv2.connectedComponents(together, connectivity=4)
    own = labels == (int(labels[hole > 0][0]) if hole.any() else -1)
    count, labels, stats, middles = cv2.connectedComponentsWithStats(beyond, connectivity=8)
    out = []
    pixel_mm2 = (window.px / window.px_per_mm) ** 2
    for each in range(1, count):
        area = float(stats[each, cv2.CC_STAT_AREA]) * pixel_mm2
        if area < LEAST_AREA_MM2 or stats[each, cv2.CC_STAT_AREA] < 6:
            continue
        mask = labels == each
        grown = bool((own & mask).any())
        if not grown and (area < 0.01 or bool((mask & window.picture).any())):
            continue  # light in the picture beside the hole is the picture's
        depth = float(distance[mask].max()) / window.px_per_mm
        if depth < LEAST_DEPTH_MM + step / window.px_per_mm:
            continue
        runs_in = bool((mask & window.inside_picture).any())
        torn = depth > NICK_MM or not grown or bool((mask & window.at_edge).any())
        column, line = (round(float(middles[each][k])) for k in (0, 1))
        side = _side_of(float(window.u[line, column]), float(window.v[line, column]), half)
        out.append(
            _Gap(
                word="torn" if torn else "nicked",
                side=side,
                area_mm2=area,
                depth_mm=depth,
                into_picture=runs_in,
            )
        )
    return out


def _cracks(
    window: _Window, distance: Array32, share: Array32, opened: Mask, half: tuple[float, float]
) -> list[_Gap]:
    """Thin threads of light in the film's border that begin at the outline."""
    import cv2

    pixel_mm = window.px / window.px_per_mm
    size = max(5, 2 * round(0.5 * CRACK_WIDTH_MM / pixel_mm + window.blur) + 1)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    bounded = np.clip(share, -0.2, 1.2)
    thread = cv2.morphologyEx(bounded, cv2.MORPH_TOPHAT, kernel)
    step = window.px * (1.0 + 2.0 * window.blur)
    where = window.on_film & ~window.picture & (distance > step)
    quiet = thread[where]
    if quiet.size < 30:
        return []
    usual = find_median(quiet[::3])
    least = max(0.12, usual + 4.0 * 1.4826 * find_median(np.abs(quiet[::3] - np.float32(usual))))
    found = (where & (thread > np.float32(least))).astype(np.uint8)
    if found.sum() < 6:
        return []
    # Where a wide piece of film is gone its ragged rim is no crack.
    wide = cv2.morphologyEx(opened.astype(np.uint8), cv2.MORPH_OPEN, kernel)
    wide &= (distance > step).astype(np.uint8)
    wide = cv2.dilate(wide, np.ones((size, size), np.uint8))
    found &= (wide == 0).astype(np.uint8)
    found = cv2.morphologyEx(found, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(found, connectivity=8)
    out = []
    for each in range(1, count):
        wide_px, high_px = (int(stats[each, k]) for k in (cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT))
        length = float(np.hypot(wide_px, high_px)) * pixel_mm
        area = float(stats[each, cv2.CC_STAT_AREA]) * pixel_mm**2
        if length < LEAST_CRACK_MM or area / length > CRACK_WIDTH_MM:
            continue
        if wide_px * pixel_mm < 0.04 and high_px * pixel_mm > 0.5:
            continue  # a scratch runs along the film, straight
        mask = labels == each
        near = float(distance[mask].min())
        if near > step + 2.5 * window.px:
            continue
        first = int(np.argmin(np.where(mask, distance, np.inf)))
        side = _side_of(float(window.u.flat[first]), float(window.v.flat[first]), half)
        depth = float(distance[mask].max()) / window.px_per_mm
        out.append(_Gap(word="cracked", side=side, area_mm2=area, depth_mm=depth, into_picture=False))
    return out


COLUMNS: tuple[Column, ...] = (
    Column(
        name="punched_x_px", unit="px", type="float64", source="derived", tolerance=0.05,
        meaning="Where the perforation was punched, across: measured, or a whole number of pitches from one that was.",
    ),
    Column(
        name="punched_y_px", unit="px", type="float64", source="derived", tolerance=0.05,
        meaning="The same along the film.",
    ),
    Column(
        name="damage", unit="", type="text", source="FIAFMAN",
        meaning="State of the perforation: whole, covered, elongated, nicked, cracked, torn or missing, the "
        "worst of what is seen; empty: too little of it is in view.",
    ),
    Column(
        name="damage_side", unit="", type="text", source="definition",
        meaning="Where: left, right, top, bottom or a corner, as captured; empty: no side.",
    ),
    Column(
        name="damage_area_mm2", unit="mm2", type="float64", source="derived", tolerance=0.002,
        meaning="Film that is gone around the perforation, in nominal millimetres.",
    ),
    Column(
        name="damage_depth_mm", unit="mm", type="float64", source="derived", tolerance=0.01,
        meaning="How far the deepest gap or crack runs from the punched outline.",
    ),
    Column(
        name="covered_share", unit="1", type="float64", source="derived", tolerance=0.002,
        meaning="Share of the perforation that something lies over: tape, a patch, dirt.",
    ),
    Column(
        name="damage_in_picture", unit="1", type="bool", source="definition",
        meaning="A tear runs from the perforation into the picture.",
    ),
)  # fmt: skip

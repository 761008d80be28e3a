"""Completeness: does a capture hold every frame of the film exactly once, and what can't be told?

find_links       columns of grain                -> what each captured frame is to the ones before it
find_repeated    links                           -> frames that were captured again
find_missing     links, times, numbers, motion   -> places where frames of the film were not captured
find_swapped     links, times, motion            -> pairs of frames that stand in the wrong order
measure_ledger   all of these                    -> runs of frames that add up to capture and film
measure_footage  ledger, length stated           -> do both lengths agree

All functions take whole columns, one value a captured frame, which says something of the frame and the one
before it (`_skip`: the one two before); see `repetition`. Nothing is decided by a fixed level of grain
correlation: what "the same film" gives is read off the frames around, and so is what "not the same film"
gives in the same picture. Each piece of evidence has a weight, the logarithm of how much likelier it is
where the fault is there (common practice, no source; chosen on drawn reels); weights add up with that of
how rare the fault is. Above 0 it is found, below it is not. Where no evidence tells, the ledger says so.

Why this is long: evidence, weights and ledger are one argument, and are read together.
"""

import math
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import Gauge
from smallgauge.gauge.rates import frames_from_feet

Series = NDArray[np.float64]
Marks = NDArray[np.bool_]
Fault = Literal["captured twice", "missing", "swapped"]
RunKind = Literal["captured once", "captured twice", "missing", "swapped", "not known"]

# All below: common practice, no source; chosen on drawn reels, see docs/decisions.
WINDOW = 8  # frames on either side that levels are read off
LEAST_IN_WINDOW = 3
LEVEL_SHARE = 0.6  # of a side's sorted values that is its level: four breaks in eight don't pull it down
LEAST_SEPARATION = 0.12  # between "same film" and "other film" before grain tells anything
SCATTER_SEPARATION = 3.0  # the same in standard deviations
JOINED, APART = 0.6, 0.35  # share of the way from "other film" to "same film"
LEAST_STRENGTH = 0.6  # of the strength around: less light or less focus, so a low correlation tells nothing
LEAST_MATCH = 0.3  # grain correlation: picture science note, section g
LEAST_RISE = 0.25
RISE_SHARE = 0.5  # of what is left to 1
RISE_SCATTER = 6.0
STEADY_SHARE = 0.12  # scatter of time steps around a frame, as a share, up to which stamps tell anything
STEP_TOLERANCE = 0.2  # how far a time step may be from a whole number of usual ones
MOST_STEPS = 4.5  # a longer time step is a stop of the transport as likely as lost frames
POSITION_SHARE = 0.25  # of the pitch: further off and time says nothing of whole frames
MOTION_RATIO = 1.7  # a step of the picture that is so many times its neighbours' is a double step
MOTION_STEADY = 0.15
LEAST_STEP = 0.02  # of a picture's standard deviation; less is grain and no motion

WEIGHTS: dict[str, float] = {
    "usual": -4.0,  # a fault in fifty frames, before anything is known
    "film apart": 8.0,
    "film runs on": -8.0,
    "film runs back": 8.0,
    "same grain": 8.0,
    "same neighbours": 8.0,
    "same samples": 12.0,
    "time step": 6.0,
    "long time step": 3.0,
    "even time step": -3.0,
    "numbers skipped": 5.0,
    "motion doubled": 1.5,
    "times out of order": 6.0,
    "motion out of order": 1.5,
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Links:
    """What each captured frame is to the one before it, and to the one two before it.

    `same`: the same film frame by its picture; `between`: by the overlap, which says that it follows the
    frame two before, and that the next frame follows both. `on`, `on_skip`: the film frame that comes
    next, `back`: that comes before, in the capture's usual direction. `apart`: none of these, though the
    film around would show it.
    `joins_told`: whether the overlap of neighbours tells anything there. `repeat_told`: whether a
    repeated frame would be known. `direction` is 1 where the next frame lies below in the picture, -1
    where it lies above, 0 where neither could be seen.
    """

    same: Marks
    between: Marks
    on: Marks
    on_skip: Marks
    back: Marks
    apart: Marks
    joins_told: Marks
    repeat_told: Marks
    direction: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One thing that speaks for or against a fault: its name in WEIGHTS, its weight, and the figure seen."""

    name: str
    weight: float
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameFault:
    """One fault of the capture, before or at captured frame `frame`.

    "captured twice": `frame` repeats the film frame before it. "missing": `count` film frames before
    `frame` were not captured; `count_known` is false where only "one or more" can be said. "swapped":
    `frame` and the next stand in each other's place. Found when `confidence` is above 0.5.
    """

    kind: Fault
    frame: int
    count: int
    count_known: bool
    confidence: float
    evidence: tuple[Evidence, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameRun:
    """Captured frames [first, stop) and the film frames [film_first, film_stop) that they show.

    "missing" has no captured frames; "captured twice" repeats a film frame that an earlier run holds;
    all other runs hold one film frame a captured frame, "swapped" in reverse order. "not known" is
    counted as captured once and nothing missing, but nothing proves it; `reason` says why.
    """

    first: int
    stop: int
    film_first: int
    film_stop: int
    kind: RunKind
    confidence: float
    evidence: tuple[Evidence, ...] = ()
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """A capture's account: the runs in captured order add up to `captured` and to `film_frames`.

    `suspected` are faults that some evidence speaks for, but not enough. `not_told` says what could
    not be told anywhere, and why.
    """

    captured: int
    film_frames: int
    missing: int
    missing_count_known: bool
    repeated: int
    swapped: int
    not_known: int  # captured frames
    runs: tuple[FrameRun, ...]
    suspected: tuple[FrameFault, ...]
    not_told: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FootageCheck:
    """Film frames of a ledger against a stated length of film; frames by the trade's count."""

    stated_frames: Fraction
    film_frames: int
    difference: Fraction  # film frames less stated frames
    allowed: Fraction
    verdict: Literal["agrees", "shorter than stated", "longer than stated"]


def find_links(
    *,
    match: Series,
    match_skip: Series,
    follows: Series,
    follows_skip: Series,
    precedes: Series,
    precedes_skip: Series,
    edge_strength: Series,
) -> Links:
    """What each captured frame is to the ones before it, from the columns of grain.

    Parameters
    ----------
    match, match_skip, follows, follows_skip, precedes, precedes_skip : arrays, shape (frames,)
        Columns `grain_...` of `repetition`, NaN where not measured.
    edge_strength : array, shape (frames,)
        Column `edge_grain_strength`.

    Returns
    -------
    Links

    Raises
    ------
    CallerError
        If the columns differ in length.

    Notes
    -----
    In the usual run of a capture frame t's head shows the same film as frame t-1's foot ("same film", the
    higher level), and the other pairs measured at the same time, head against the foot two before and foot
    against head, show other film in the same picture ("other film"). A break counts only between stretches
    on both sides in which the film runs on, and only where both frames have as much grain as those around.
    Source: grain correlation.

    Examples
    --------
    >>> high, low = np.full(30, 0.9), np.full(30, 0.1)
    >>> follows = high.copy(); follows[14] = 0.12          # a frame is missing before 14
    >>> links = find_links(match=low, match_skip=low, follows=follows, follows_skip=low, precedes=low,
    ...     precedes_skip=low, edge_strength=high)
    >>> np.flatnonzero(links.apart).tolist(), links.direction
    ([14], 1)
    """
    columns = [match, match_skip, follows, follows_skip, precedes, precedes_skip, edge_strength]
    columns = [np.asarray(column, np.float64) for column in columns]
    if any(column.ndim != 1 or column.shape != columns[0].shape for column in columns):
        raise CallerError(
            f"find_links needs columns of one length, got shapes {[column.shape for column in columns]}."
        )
    match, match_skip, follows, follows_skip, precedes, precedes_skip, edge_strength = columns
    direction = _direction(follows, precedes)
    ahead, ahead_skip, behind = follows, follows_skip, precedes
    if direction < 0:
        ahead, ahead_skip, behind = precedes, precedes_skip, follows
    level, other, told = _levels(ahead, ahead_skip, behind)
    height = np.where(told, level - other, np.nan)
    strong = edge_strength >= LEAST_STRENGTH * _around(edge_strength)[0]
    on = (ahead - other) / height >= JOINED
    back = (behind - other) / height >= JOINED
    on_skip = (ahead_skip - other) / height >= JOINED
    unlike = told & ((ahead - other) / height < JOINED)
    same, repeat_told = _same(match, match_skip, level=np.where(told, level, np.nan), unlike=unlike)
    same &= ~on & ~back
    back &= ~on & ~same
    apart = ((ahead - other) / height <= APART) & strong & ~back & ~same
    between = apart & on_skip & np.append(on_skip[1:] & on[1:], False)
    joins_told = told & (on | back | apart | same)
    # a break beside a pair of which nothing is known may be one of a swapped pair's three
    beside = np.append(True, joins_told[:-1]) & np.append(joins_told[1:], True)
    return Links(
        same=same,
        between=between,
        on=on,
        on_skip=on_skip,
        back=back,
        apart=apart & beside & ~between,
        joins_told=joins_told & (beside | ~apart),
        repeat_told=repeat_told,
        direction=direction,
    )


def _direction(follows: Series, precedes: Series) -> int:
    """On which side the next film frame usually lies."""
    both = np.isfinite(follows) & np.isfinite(precedes)
    if np.count_nonzero(both) < LEAST_IN_WINDOW:
        return 0
    lead = float(np.median(follows[both] - precedes[both]))
    return int(np.sign(lead)) if abs(lead) >= LEAST_SEPARATION / 2 else 0


def _windows(values: Series, before: int, after: int) -> Series:
    """Values from `before` places before to `after` places after each place, NaN beyond the ends."""
    if not values.size:
        return np.empty((0, before + after + 1))
    padded = np.concatenate([np.full(before, np.nan), values, np.full(after, np.nan)])
    return np.lib.stride_tricks.sliding_window_view(padded, before + after + 1)


def _level(windows: Series, share: float) -> Series:
    """The value a share of the way up the sorted known values of each window; NaN where under three."""
    ordered = np.sort(windows, axis=1)
    count = np.count_nonzero(np.isfinite(ordered), axis=1)
    place = np.clip((share * (count - 1) + 0.5).astype(int), 0, windows.shape[1] - 1)
    return np.where(count >= LEAST_IN_WINDOW, ordered[np.arange(len(ordered)), place], np.nan)


def _sides(values: Series, share: float) -> tuple[Series, Series, Series, Series]:
    """Level before and after each place, itself left out, and the scatter about it on either side."""
    levels, scatters = [], []
    for windows in (_windows(values, WINDOW, 0)[:, :-1], _windows(values, 0, WINDOW)[:, 1:]):
        level = _level(windows, share)
        levels.append(level)
        scatters.append(1.4826 * _level(np.abs(windows - level[:, None]), 0.5))
    return levels[0], levels[1], scatters[0], scatters[1]


def _around(values: Series) -> tuple[Series, Series]:
    """Median of what lies around each place, both sides counted alike, and the larger scatter of both."""
    before, after, *scatters = _sides(values, 0.5)
    both = np.where(np.isnan(before), after, np.where(np.isnan(after), before, (before + after) / 2))
    return both, np.fmax(*scatters)


def _levels(ahead: Series, ahead_skip: Series, behind: Series) -> tuple[Series, Series, Marks]:
    """Levels of "same film" and "other film" at each place, and whether they can be told apart.

    "Other film" is read off the nearest pairs, since it hangs on the picture: nine of them, of which a
    repeated frame or a swapped pair makes at most three "same film".
    """
    before, after, *scatters = _sides(ahead, LEVEL_SHARE)
    scatter = np.fmin(*scatters)  # one side may hold another scene
    level = np.fmin(before, after)
    other = _level(np.concatenate([_windows(ahead_skip, 1, 2), _windows(behind, 2, 2)], axis=1), 0.5)
    told: Marks = level - other >= np.maximum(LEAST_SEPARATION, SCATTER_SEPARATION * np.nan_to_num(scatter))
    return level, other, told


def _same(match: Series, match_skip: Series, *, level: Series, unlike: Marks) -> tuple[Marks, Marks]:
    """Where a pair shows the same film frame, and where that could be told.

    Where the overlap tells what the same film gives, half the way there is enough; elsewhere the rise
    must be large against the frames around. `unlike`: the overlap says that the film did not run on; then
    the nearest pairs tell what other film gives, as in the first frames of a scene.
    """
    before, after, *scatters = _sides(match, 0.5)
    scatter = np.fmin(*scatters)
    usual = np.fmax(before, after)  # where a scene that stands still begins or ends: the higher side
    pairs = _windows(match, 2, 2)
    pairs = np.concatenate([pairs[:, :2], pairs[:, 3:], _windows(match_skip, 1, 2)], axis=1)
    usual = np.where(unlike, np.fmin(usual, _level(pairs, 0.5)), usual)
    rise = np.where(usual <= LEAST_MATCH, LEAST_RISE, RISE_SHARE * (1 - usual))
    rise = np.where(
        level - usual >= LEAST_SEPARATION, (level - usual) / 2, np.maximum(rise, RISE_SCATTER * scatter)
    )
    needed = np.maximum(usual + rise, LEAST_MATCH)
    told: Marks = np.isfinite(match) & (needed <= 1.0)
    return told & (match >= needed), told


def find_repeated(
    links: Links, *, match: Series, same_samples: Marks | None = None
) -> tuple[FrameFault, ...]:
    """Frames that show the film frame captured just before once more.

    Parameters
    ----------
    links : Links
    match : array, shape (frames,)
        Column `grain_match`, for the evidence.
    same_samples : array of bool, shape (frames,), or None
        Frames equal to the one before bit for bit.

    Returns
    -------
    tuple of FrameFault
        In order of frames.

    Notes
    -----
    The film may have moved and the light changed between the two. Source: grain correlation.

    Examples
    --------
    >>> low = np.full(30, 0.1); match = low.copy(); match[9] = 0.8
    >>> links = find_links(match=match, match_skip=low, follows=low, follows_skip=low, precedes=low,
    ...     precedes_skip=low, edge_strength=low)
    >>> [fault.frame for fault in find_repeated(links, match=match)]
    [9]
    """
    equal = (
        np.zeros(links.same.size, np.bool_) if same_samples is None else np.asarray(same_samples, np.bool_)
    )
    if equal.shape != links.same.shape:
        raise CallerError(
            f"find_repeated needs columns of one length, got {equal.shape} and {links.same.shape}."
        )
    found = []
    for frame in np.flatnonzero(links.same | links.between | equal).tolist():
        evidence = []
        if equal[frame]:
            evidence.append(_evidence("same samples", 1.0))
        if links.same[frame]:
            evidence.append(_evidence("same grain", float(match[frame])))
        if links.between[frame]:
            evidence.append(_evidence("same neighbours", 1.0))
        if links.on[frame]:
            evidence.append(_evidence("film runs on", 1.0))
        found.append(_fault("captured twice", frame, evidence))
    return tuple(found)


def _evidence(name: str, value: float) -> Evidence:
    return Evidence(name=name, weight=WEIGHTS[name], value=round(value, 4))


def _fault(
    kind: Fault, frame: int, evidence: list[Evidence], *, count: int = 1, count_known: bool = True
) -> FrameFault:
    total = WEIGHTS["usual"] + sum(each.weight for each in evidence)
    return FrameFault(
        kind=kind,
        frame=frame,
        count=count,
        count_known=count_known,
        confidence=round(1 / (1 + math.exp(-total)), 6),
        evidence=tuple(evidence),
    )


def frames_advanced(time_s: Series, *, position_px: Series, pitch_px: Series, direction: int = 1) -> Series:
    """How many film frames went by between each captured frame and the one before, by their time stamps.

    Parameters
    ----------
    time_s : array, shape (frames,)
        Time stamps, seconds; NaN where there is none.
    position_px : array, shape (frames,)
        Place of the film reference along the film, px; NaN counts as unchanged.
    pitch_px : array, shape (frames,)
        Pitch, px; NaN counts as the median of the others.
    direction : int
        1 where the next film frame lies below in the picture, -1 where above, 0 where not known.

    Returns
    -------
    array, shape (frames,)
        Real numbers, 1 in an even run; NaN where stamps are missing, run backwards, are too uneven
        (scatter above 12 % of a step), or where the film lay elsewhere in the gate by more than a
        quarter of the pitch.

    Notes
    -----
    A sprocketless transport takes a picture as each perforation passes: a step of the stamps of twice
    those around, with the film in the same place in the gate, is two frames. A frame caught earlier
    in its passage lies nearer to where it came from; its share of a pitch is taken off. Source: derived.

    Examples
    --------
    >>> time_s = np.r_[np.arange(20.0), np.arange(21.0, 40.0)]
    >>> steps = frames_advanced(time_s, position_px=np.full(39, np.nan), pitch_px=np.full(39, np.nan))
    >>> float(steps[20]), float(steps[5])
    (2.0, 1.0)
    """
    time_s, position_px, pitch_px = (np.asarray(c, np.float64) for c in (time_s, position_px, pitch_px))
    if not time_s.shape == position_px.shape == pitch_px.shape or time_s.ndim != 1:
        raise CallerError(
            "frames_advanced needs columns of one length, got shapes "
            f"{time_s.shape}, {position_px.shape} and {pitch_px.shape}."
        )
    if time_s.size < 2:
        return np.full(time_s.shape, np.nan)
    step = np.diff(time_s, prepend=np.nan)
    step[~(step > 0)] = np.nan
    near = _windows(step, 2, 2)[:, [0, 1, 3, 4]]
    usual = (_level(near, 0.34) + _level(near, 0.67)) / 2  # median of the nearest four: speed may change fast
    scatter = _around(step / usual)[1]
    pitches = pitch_px[np.isfinite(pitch_px)]
    pitch = np.where(np.isfinite(pitch_px), pitch_px, np.median(pitches) if pitches.size else np.nan)
    moved = np.nan_to_num(np.diff(position_px, prepend=np.nan) / pitch)
    advanced = step / usual + direction * moved
    advanced[~(scatter <= STEADY_SHARE) | (np.abs(moved) > POSITION_SHARE)] = np.nan
    return advanced


def find_missing(
    links: Links,
    *,
    advanced: Series,
    numbers_skipped: NDArray[np.integer] | None = None,
    step: Series | None = None,
    step_skip: Series | None = None,
) -> tuple[FrameFault, ...]:
    """Places where film frames were not captured, found and suspected.

    Parameters
    ----------
    links : Links
    advanced : array, shape (frames,)
        From `frames_advanced`; all NaN without time stamps.
    numbers_skipped : array of int, shape (frames,), or None
        How many numbers the file names skip before each frame.
    step, step_skip : arrays, shape (frames,), or None
        Columns `picture_step`, `picture_step_skip`.

    Returns
    -------
    tuple of FrameFault
        In order of frames; those of a confidence of 0.5 or less are suspected only. A count is known
        where numbers or stamps give it and do not disagree.

    Notes
    -----
    One captured frame that belongs before its predecessor makes breaks on either side: such are left to
    `find_swapped`, as what `links.on_skip` bridges is not missing. Source: common practice, no source.

    Examples
    --------
    >>> high, low = np.full(30, 0.9), np.full(30, 0.1)
    >>> follows = high.copy(); follows[14] = 0.12
    >>> links = find_links(match=low, match_skip=low, follows=follows, follows_skip=low, precedes=low,
    ...     precedes_skip=low, edge_strength=high)
    >>> advanced = np.ones(30); advanced[14] = 3.02
    >>> fault = find_missing(links, advanced=advanced)[0]
    >>> fault.frame, fault.count, fault.count_known, [each.name for each in fault.evidence]
    (14, 2, True, ['film apart', 'time step'])
    """
    size = links.on.size
    skipped = np.zeros(size, np.int64) if numbers_skipped is None else np.asarray(numbers_skipped, np.int64)
    doubled = np.full(size, np.nan)
    if step is not None and step_skip is not None:
        doubled = _motion_doubled(np.asarray(step, np.float64), np.asarray(step_skip, np.float64))
    if not advanced.shape == skipped.shape == doubled.shape == links.on.shape:
        raise CallerError(
            f"find_missing needs columns of one length, got {size}, {advanced.size}, {skipped.size} and {doubled.size}."
        )
    late = advanced >= 2 - STEP_TOLERANCE
    candidates = (
        (links.apart | late | (skipped > 0) | (doubled >= MOTION_RATIO))
        & ~links.same
        & ~links.between
        & ~links.on_skip
    )
    found = []
    for frame in np.flatnonzero(candidates).tolist():
        if frame == 0:
            continue
        evidence = []
        counts = []
        if links.apart[frame]:
            evidence.append(_evidence("film apart", 1.0))
        elif links.on[frame]:
            evidence.append(_evidence("film runs on", 1.0))
        if skipped[frame] > 0:
            evidence.append(_evidence("numbers skipped", float(skipped[frame])))
            counts.append(int(skipped[frame]))
        if np.isfinite(advanced[frame]):
            kind = _time_evidence(float(advanced[frame]))
            if kind:
                evidence.append(_evidence(kind, float(advanced[frame])))
            if kind == "time step":
                counts.append(round(float(advanced[frame])) - 1)
        if doubled[frame] >= MOTION_RATIO:
            evidence.append(_evidence("motion doubled", float(doubled[frame])))
        known = len(set(counts)) == 1
        found.append(_fault("missing", frame, evidence, count=max(counts, default=1), count_known=known))
    return tuple(found)


def _time_evidence(advanced: float) -> str:
    whole = round(advanced)
    if whole == 1 and abs(advanced - 1) <= 2 * STEP_TOLERANCE:
        return "even time step"
    if advanced > MOST_STEPS:
        return "long time step"
    return "time step" if whole >= 2 and abs(advanced - whole) <= STEP_TOLERANCE else ""


def _motion_doubled(step: Series, step_skip: Series) -> Series:
    """Step of the picture against those around it, where motion is even and a step is no change of scene."""
    usual, scatter = _around(step)
    even = (scatter <= MOTION_STEADY * usual) & (usual >= LEAST_STEP) & (step <= 3 * usual)
    # through a double step motion goes on: two frames on is three steps, not two
    goes_on = step_skip >= step + 0.5 * usual
    return np.where(even & goes_on, step / usual, np.nan)


def find_swapped(
    links: Links, *, time_s: Series, step: Series | None = None, step_skip: Series | None = None
) -> tuple[FrameFault, ...]:
    """Pairs of neighbouring captured frames that stand in each other's place, found and suspected.

    Parameters
    ----------
    links : Links
    time_s : array, shape (frames,)
        Time stamps, seconds; NaN where there is none.
    step, step_skip : arrays, shape (frames,), or None
        Columns `picture_step`, `picture_step_skip`.

    Returns
    -------
    tuple of FrameFault
        `frame` is the first of the pair; no two share a frame.

    Notes
    -----
    Where the overlap tells: the second frame's film lies before the first's, and both fit to the frame on
    the other side. By motion: ``d(t-1, t+1) < d(t-1, t)`` and ``d(t, t+2) < d(t+1, t+2)`` (picture science
    note, section j). Source: common practice, no source.

    Examples
    --------
    >>> low = np.full(30, 0.1)
    >>> links = find_links(match=low, match_skip=low, follows=low, follows_skip=low, precedes=low,
    ...     precedes_skip=low, edge_strength=low)
    >>> time_s = np.arange(30.0); time_s[[11, 12]] = 12.0, 11.0
    >>> fault = find_swapped(links, time_s=time_s)[0]
    >>> fault.frame, [each.name for each in fault.evidence]
    (11, ['times out of order'])
    """
    size = links.on.size
    time_s = np.asarray(time_s, np.float64)
    nothing = np.full(size, np.nan)
    step = nothing if step is None else np.asarray(step, np.float64)
    step_skip = nothing if step_skip is None else np.asarray(step_skip, np.float64)
    if not time_s.shape == step.shape == step_skip.shape == links.on.shape:
        raise CallerError(
            f"find_swapped needs columns of one length, got {size}, {time_s.size}, {step.size} and {step_skip.size}."
        )
    found: list[FrameFault] = []
    for frame in range(1, size - 1):
        evidence = _swap_evidence(links, time_s, step, step_skip, frame)
        if not any(each.weight > 0 for each in evidence):
            continue
        fault = _fault("swapped", frame, evidence)
        if found and found[-1].frame == frame - 1:
            if fault.confidence <= found[-1].confidence:
                continue
            found.pop()
        found.append(fault)
    return tuple(found)


def _swap_evidence(
    links: Links, time_s: Series, step: Series, step_skip: Series, frame: int
) -> list[Evidence]:
    """What speaks for and against frames `frame` and `frame + 1` being in each other's place."""
    last = frame + 2 >= links.on.size
    bridges = int(links.on_skip[frame + 1]) + (0 if last else int(links.on_skip[frame + 2]))
    evidence = []
    if links.on[frame + 1]:
        evidence.append(_evidence("film runs on", 1.0))
    elif links.back[frame + 1] and bridges:
        evidence.append(_evidence("film runs back", float(1 + bridges)))
    around = (time_s[frame - 1], time_s[frame + 1], time_s[frame], math.inf if last else time_s[frame + 2])
    if all(a < b for a, b in pairwise(around)):
        evidence.append(_evidence("times out of order", float(time_s[frame] - time_s[frame + 1])))
    if not last:
        shorter = step_skip[frame + 1] / step[frame], step_skip[frame + 2] / step[frame + 2]
        moving = min(step[frame - 1 : frame + 3]) >= LEAST_STEP
        if moving and max(shorter) <= 1 / MOTION_RATIO:
            evidence.append(_evidence("motion out of order", max(shorter)))
    return evidence


def measure_ledger(
    links: Links,
    *,
    match: Series,
    time_s: Series,
    position_px: Series,
    pitch_px: Series,
    same_samples: Marks | None = None,
    numbers_skipped: NDArray[np.integer] | None = None,
    step: Series | None = None,
    step_skip: Series | None = None,
) -> Ledger:
    """The account of a capture: runs of frames that add up to its frames and to those of the film.

    Parameters
    ----------
    links, match, time_s, position_px, pitch_px, same_samples, numbers_skipped, step, step_skip
        As for the functions above; all columns of one length, NaN where not known.

    Returns
    -------
    Ledger

    Raises
    ------
    CallerError
        If the columns differ in length.

    Notes
    -----
    A frame is "captured once" where the film was seen to run on into it, or where even time stamps say that
    nothing is missing before it and its grain says that it is no repeat. Source: definition.

    Examples
    --------
    >>> high, low = np.full(30, 0.9), np.full(30, 0.1)
    >>> follows, match = high.copy(), low.copy()
    >>> follows[14], follows[20], match[20] = 0.12, 0.1, 0.9
    >>> links = find_links(match=match, match_skip=low, follows=follows, follows_skip=low, precedes=low,
    ...     precedes_skip=low, edge_strength=high)
    >>> unknown = np.full(30, np.nan)
    >>> ledger = measure_ledger(links, match=match, time_s=unknown, position_px=unknown, pitch_px=unknown)
    >>> [(run.kind, run.first, run.stop, run.film_first, run.film_stop) for run in ledger.runs]
    ... # doctest: +NORMALIZE_WHITESPACE
    [('captured once', 0, 14, 0, 14), ('missing', 14, 14, 14, 15), ('captured once', 14, 20, 15, 21),
     ('captured twice', 20, 21, 20, 21), ('captured once', 21, 30, 21, 30)]
    >>> ledger.film_frames, ledger.missing_count_known
    (30, False)
    """
    size = links.on.size
    advanced = frames_advanced(time_s, position_px=position_px, pitch_px=pitch_px, direction=links.direction)
    repeated = {fault.frame: fault for fault in find_repeated(links, match=match, same_samples=same_samples)}
    swaps = find_swapped(links, time_s=time_s, step=step, step_skip=step_skip)
    swapped = {fault.frame: fault for fault in swaps if fault.confidence > 0.5}
    beside = {frame + step_on for frame in swapped for step_on in (0, 1, 2)}  # pairs that a swap explains
    gaps = find_missing(
        links, advanced=advanced, numbers_skipped=numbers_skipped, step=step, step_skip=step_skip
    )
    gaps = tuple(fault for fault in gaps if fault.frame not in beside and fault.frame not in repeated)
    missing = {fault.frame: fault for fault in gaps if fault.confidence > 0.5}
    even = np.abs(advanced - 1) <= 2 * STEP_TOLERANCE
    proven = links.on | (even & links.repeat_told & ~links.apart)
    if size > 1:
        proven[0] = proven[1] or 1 in repeated or 1 in missing or 1 in swapped
    kinds: list[tuple[RunKind, str]] = []
    for frame in range(size):
        if frame in repeated:
            kinds.append(("captured twice", ""))
        elif frame in swapped or frame - 1 in swapped:
            kinds.append(("swapped", ""))
        elif proven[frame] or frame in missing or frame - 2 in swapped:
            kinds.append(("captured once", ""))
        else:
            kinds.append(("not known", _why_not(links, advanced, frame)))
    runs = _runs(kinds, links, advanced, repeated, swapped, missing)
    suspected = [fault for fault in (*gaps, *swaps) if fault.confidence <= 0.5 and not _denied(fault)]
    return Ledger(
        captured=size,
        film_frames=runs[-1].film_stop if runs else 0,
        missing=sum(fault.count for fault in missing.values()),
        missing_count_known=all(fault.count_known for fault in missing.values()),
        repeated=len(repeated),
        swapped=len(swapped),
        not_known=sum(kind == "not known" for kind, _ in kinds),
        runs=runs,
        suspected=tuple(sorted(suspected, key=lambda fault: (fault.frame, fault.kind))),
        not_told=_not_told(links, advanced),
    )


def _denied(fault: FrameFault) -> bool:
    """Whether the film was seen to run on there, or even time stamps say that nothing is missing."""
    return any(each.name in ("film runs on", "even time step") for each in fault.evidence)


def _why_not(links: Links, advanced: Series, frame: int) -> str:
    """Why nothing proves that a frame is there once and that nothing is missing before it."""
    joins = (
        "the capture shows too little of the neighbouring frames"
        if links.direction == 0
        else "too little grain in what neighbouring frames share, or too uneven"
    )
    if not np.isfinite(advanced[frame]):
        return f"{joins}; no even time stamps"
    if not links.repeat_told[frame]:
        return f"{joins}; a repeated frame could not be told from a picture that stands still"
    return f"{joins}; the time step fits no whole number of frames"


def _not_told(links: Links, advanced: Series) -> tuple[str, ...]:
    """What could not be told anywhere in the capture."""
    said = []
    if links.direction == 0:
        said.append(
            "whether the film runs on: the capture shows too little of the neighbouring frames, or no grain"
        )
    if not np.isfinite(advanced).any():
        said.append("whether the transport ran evenly: no even time stamps")
    if not links.repeat_told.any():
        said.append("whether a film frame was captured twice: no grain")
    return tuple(said)


def _runs(
    kinds: list[tuple[RunKind, str]],
    links: Links,
    advanced: Series,
    repeated: dict[int, FrameFault],
    swapped: dict[int, FrameFault],
    missing: dict[int, FrameFault],
) -> tuple[FrameRun, ...]:
    """Runs of frames of one kind; each fault is a run of its own."""
    runs: list[FrameRun] = []
    film = first = 0
    for frame in range(len(kinds)):
        kind, reason = kinds[frame]
        if frame in missing:
            gap = missing[frame]
            runs.append(_fault_run(gap, frame, frame, film, film + gap.count))
            film += gap.count
        if kind == "captured twice":
            runs.append(_fault_run(repeated[frame], frame, frame + 1, max(film - 1, 0), max(film, 1)))
            continue
        if kind == "swapped":
            if frame in swapped:
                runs.append(_fault_run(swapped[frame], frame, frame + 2, film, film + 2))
                film += 2
            continue
        film += 1
        first = runs[-1].first if _goes_on(runs, kind, reason, frame) else frame
        confidence = _confidence(links, advanced, frame) if kind == "captured once" else 0.0
        if first < frame:
            last = runs.pop()
            confidence = min(confidence, last.confidence)
        runs.append(
            FrameRun(
                first=first,
                stop=frame + 1,
                film_first=film - (frame + 1 - first),
                film_stop=film,
                kind=kind,
                confidence=confidence,
                reason=reason,
            )
        )
    return tuple(runs)


def _goes_on(runs: list[FrameRun], kind: RunKind, reason: str, frame: int) -> bool:
    return bool(runs) and runs[-1].kind == kind and runs[-1].reason == reason and runs[-1].stop == frame


def _fault_run(fault: FrameFault, first: int, stop: int, film_first: int, film_stop: int) -> FrameRun:
    return FrameRun(
        first=first,
        stop=stop,
        film_first=film_first,
        film_stop=film_stop,
        kind=fault.kind,
        confidence=fault.confidence,
        evidence=fault.evidence,
        reason="" if fault.count_known else "one or more: nothing tells how many",
    )


def _confidence(links: Links, advanced: Series, frame: int) -> float:
    """How sure it is that nothing is missing before a frame."""
    total = WEIGHTS["usual"]
    if links.on[frame]:
        total += WEIGHTS["film runs on"]
    if abs(advanced[frame] - 1) <= 2 * STEP_TOLERANCE:
        total += WEIGHTS["even time step"]
    return round(1 / (1 + math.exp(total)), 6)


def film_positions(ledger: Ledger) -> NDArray[np.int64]:
    """Film frame that each captured frame shows, counted from 0 with the missing left out.

    Examples
    --------
    >>> run = FrameRun(first=0, stop=2, film_first=5, film_stop=7, kind="swapped", confidence=1.0)
    >>> film_positions(Ledger(captured=2, film_frames=7, missing=0, missing_count_known=True, repeated=0,
    ...     swapped=1, not_known=0, runs=(run,), suspected=(), not_told=())).tolist()
    [6, 5]
    """
    positions = np.zeros(ledger.captured, np.int64)
    for run in ledger.runs:
        if run.kind == "captured twice":
            positions[run.first : run.stop] = run.film_first
        elif run.kind == "swapped":
            positions[run.first : run.stop] = np.arange(run.film_stop - 1, run.film_first - 1, -1)
        elif run.kind != "missing":
            positions[run.first : run.stop] = np.arange(run.film_first, run.film_stop)
    return positions


def measure_footage(
    ledger: Ledger, *, gauge: Gauge, feet: Fraction | int, doubt_feet: Fraction | int = 1
) -> FootageCheck:
    """Film frames of the ledger against a stated length of film.

    Parameters
    ----------
    ledger : Ledger
    gauge : Gauge
    feet : Fraction or int
        Length as stated at intake, feet, leaders included if the capture holds them.
    doubt_feet : Fraction or int
        How far the statement may be off: one foot of a footage counter is common practice, no source.

    Returns
    -------
    FootageCheck

    Raises
    ------
    CallerError
        If a length is floating point or negative.

    Notes
    -----
    Source: ENCFOOT (frames to a foot).

    Examples
    --------
    >>> from smallgauge.gauge.gauges import SUPER_8
    >>> ledger = Ledger(captured=3590, film_frames=3592, missing=2, missing_count_known=True, repeated=0,
    ...     swapped=0, not_known=0, runs=(), suspected=(), not_told=())
    >>> check = measure_footage(ledger, gauge=SUPER_8, feet=50)
    >>> check.stated_frames, check.difference, check.verdict
    (Fraction(3600, 1), Fraction(-8, 1), 'agrees')
    """
    stated, allowed = frames_from_feet(gauge, feet), frames_from_feet(gauge, doubt_feet)
    if stated < 0 or allowed < 0:
        raise CallerError(f"A length of film must not be negative, got {feet} and {doubt_feet} feet.")
    difference = ledger.film_frames - stated
    verdict: Literal["agrees", "shorter than stated", "longer than stated"] = "agrees"
    if abs(difference) > allowed:
        verdict = "shorter than stated" if difference < 0 else "longer than stated"
    return FootageCheck(
        stated_frames=stated,
        film_frames=ledger.film_frames,
        difference=difference,
        allowed=allowed,
        verdict=verdict,
    )

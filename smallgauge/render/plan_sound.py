"""The finished sound's part of the plan: which captured sample is heard where, and how surely.

Part of `plan.py`: calls the `solve_` functions of the sound room, opens no file.
"""

from dataclasses import dataclass, replace
from fractions import Fraction
from math import ceil, isfinite, nan
from typing import cast

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.gauge.tracks import StripeTrack
from smallgauge.record.capture import Capture, CapturedSound
from smallgauge.record.files import structured
from smallgauge.record.loading import Loading
from smallgauge.record.notes import APART, WITH_PICTURE
from smallgauge.record.rendertable import GuideTold
from smallgauge.record.soundfaults import SoundFaults
from smallgauge.record.table import Table
from smallgauge.record.track import TrackPaper
from smallgauge.record.treatment import InForce, Treatment
from smallgauge.render.plan_repairs import NOTHING_REPAIRED, SoundRepairs, plan_repairs
from smallgauge.sound.fixes import FILM_RUN, TAPE_RUN, Fix
from smallgauge.sound.loudness import LoudnessDecision
from smallgauge.sound.separate import LaidRun, run_coverage, solve_sound_run, splice_fixes
from smallgauge.sound.speed import FilmTime, SoundMap, solve_film_time, solve_sound_map
from smallgauge.sound.sync import DISAGREES_FRAMES, Coverage, SyncMark, measured_coverage, solve_sync_shift
from smallgauge.sound.tracks import TracksDecision, Views, solve_second_map

# The guide's microphone and the recorder's stood in two places, and a room answers: what all windows have in common.
GUIDE_SHARED_S = 0.003  # one metre of way. common practice, no source
SOUND_RATE = 48000  # of finished sound: IASA-TC 03's lowest rate, and what players expect
MARK_SIGMA_FRAMES = 0.3  # of an operator's mark: a frame is seen whole, one of even spread. derived


@dataclass(frozen=True, slots=True, kw_only=True)
class FixTold:
    """A fix of sound with its own clock, and how far it lies from where all others put it, seconds (NaN: alone)."""

    by: str  # "mark", "splice"
    film_position: float
    sound_s: float
    left_out_s: float
    left_out_sigma_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundPlan:
    """The finished sound's map. `set` is False while nothing but the film's passing ties it to the picture.

    `error_s` is one standard error at each knot of sound with its own clock, None for sound captured with the
    picture; `band_s` the widest stated band, three of them. `marks_off_frames` is by how much operator's marks
    differ from what else is known, `head_off_frames` how far splices heard are from the stated head distance; NaN
    where there is nothing to compare.
    """

    map: SoundMap
    shift_frames: float  # how far the sound is moved in film position
    set: bool
    coverage: Coverage
    time_base_guessed: bool  # no time stamps and no scan rate: the sound is spread evenly over the frames
    jitter_ms: float
    set_aside: int
    loudness: LoudnessDecision  # of the viewing copies
    view: Views = "both"  # what the viewing copies play of two tracks
    second: SoundMap | None = None  # of the second track, where it has its own
    run: str = WITH_PICTURE
    error_s: NDArray[np.float64] | None = None
    band_s: float = nan
    fixes: tuple[FixTold, ...] = ()
    guide: GuideTold | None = None
    marks_off_frames: float = nan
    head_off_frames: float = nan
    repairs: SoundRepairs = NOTHING_REPAIRED


def sound_samples(frames: int, rate: Fraction) -> int:
    """Samples of finished sound that cover so many frames: the next whole one.

    Examples
    --------
    >>> sound_samples(18, Fraction(18))
    48000
    """
    return ceil(Fraction(frames * SOUND_RATE) / rate)


def plan_sound(
    capture: Capture,
    frames: Table,
    treatment: Treatment,
    rate: Fraction,
    count: int,
    loading: Loading,
    track: TrackPaper | None,
    faults: SoundFaults | None = None,
) -> SoundPlan | None:
    """The sound of `count` finished frames at `rate`; None where the capture has none.

    `frames` are in captured order; `loading` says whether the film ran tail first; `faults` are what was found.
    """
    if capture.sound is None:
        return None
    if (capture.notes.sound_run or WITH_PICTURE) != WITH_PICTURE:
        return _own_clock(capture, capture.sound, frames, treatment, rate, count, loading, track, faults)
    stamps = frames["time_s"] if np.isfinite(frames["time_s"]).any() else None
    guessed = stamps is None and capture.notes.scan_rate is None
    seconds = Fraction(max(capture.sound.samples, 1), capture.sound.rate)
    film_time = solve_film_time(
        stamps,
        frames["film_position"].astype(np.float64),
        scan_rate=len(frames) / seconds if guessed else capture.notes.scan_rate,
    )
    start_s, clock_ppm = capture.notes.sound_start_s or 0.0, capture.notes.sound_clock_ppm or 0.0
    decision = treatment.value("sync")
    shift, off = _shift(capture, frames, treatment, film_time, backwards=loading.backwards)
    sound_map = solve_sound_map(
        film_time,
        camera_rate=rate,
        shift_frames=shift,
        sound_rate=capture.sound.rate,
        out_rate=SOUND_RATE,
        out_samples=sound_samples(count, rate),
        sound_start_s=start_s,
        sound_clock_ppm=clock_ppm,
        last_position=float(frames["film_position"].max()) if loading.backwards else None,
    )
    sound_map, repairs = plan_repairs(
        sound_map,
        faults=faults,
        treatment=treatment,
        sound=capture.sound,
        camera_rate=rate,
        out_rate=SOUND_RATE,
        moved=True,
    )
    return SoundPlan(
        map=sound_map,
        shift_frames=shift,
        set=bool(decision["set"]) and not guessed,
        coverage=measured_coverage(
            sound_map, in_samples=capture.sound.samples, sound_rate=capture.sound.rate, out_rate=SOUND_RATE
        ),
        time_base_guessed=guessed,
        jitter_ms=film_time.jitter_ms,
        set_aside=film_time.set_aside,
        loudness=_loudness(treatment),
        marks_off_frames=off,
        head_off_frames=_head_off(capture, shift, bool(decision["set"]), loading, track),
        repairs=repairs,
    )


def with_tracks(
    plan: SoundPlan | None, capture: Capture, treatment: Treatment, track: TrackPaper | None
) -> SoundPlan | None:
    """The plan with what is decided on two tracks: the second's own map where they are summed, and the view."""
    reading = track.tracks if track is not None else None
    if plan is None or capture.sound is None or reading is None:
        return plan
    decision = structured(treatment.value("tracks"), TracksDecision, where="tracks")
    own = solve_second_map(plan.map, reading, decision, sound_rate=capture.sound.rate)
    return replace(plan, view=decision.view, second=None if own is plan.map else own)


def _marks(frames: Table, decision: dict[str, object]) -> tuple[SyncMark, ...]:
    """The operator's marks, at film positions; refused where one speaks of no frame of the capture."""
    marks = []
    for mark in cast("list[dict[str, float]]", decision.get("marks", [])):
        frame = int(mark["frame"])
        if not 0 <= frame < len(frames):
            raise CallerError(
                f"A sync mark needs a frame of this capture, 0 to {len(frames) - 1}, found {frame}; "
                "correct it with `smallgauge treat --decide sync FRAME@SECOND` or in capture.toml."
            )
        marks.append(SyncMark(film_position=float(frames["film_position"][frame]), sound_s=mark["sound_s"]))
    return tuple(marks)


def _shift(
    capture: Capture, frames: Table, treatment: Treatment, film_time: FilmTime, *, backwards: bool
) -> tuple[float, float]:
    """How far the sound moves in film position, and by how much marks differ from what else is known.

    Several marks are averaged: the scan has one head distance. They are held against one another, and against the
    program's own proposal where it rests on separation and head distance.
    """
    decision = treatment.value("sync")
    marks = _marks(frames, decision)
    if not marks:
        return float(cast(float, decision["shift_frames"])), nan
    shifts = [
        solve_sync_shift(
            mark,
            film_time,
            sound_start_s=capture.notes.sound_start_s or 0.0,
            sound_clock_ppm=capture.notes.sound_clock_ppm or 0.0,
        ).shift_frames
        for mark in marks
    ]
    shifts = [-shift for shift in shifts] if backwards else shifts  # counted from the other end
    shift = float(np.mean(shifts))
    off = [max(abs(each - shift) for each in shifts)] if len(shifts) > 1 else []
    known = _known_shift(treatment.find("sync"))
    return shift, max([*off, *([] if known is None else [abs(shift - known)])], default=nan)


def _known_shift(entry: InForce | None) -> float | None:
    """The shift that the program proposes beside the operator's marks; None where it proposes none."""
    beside = entry.proposal if entry is not None else None
    if beside is None or beside.value is None or not beside.value.get("set"):
        return None
    return float(cast(float, beside.value["shift_frames"]))


def _track(capture: Capture) -> StripeTrack | None:
    tracks = gauge_named(capture.gauge).tracks
    return tracks[0] if tracks else None


def _head_off(
    capture: Capture, shift: float, known: bool, loading: Loading, track: TrackPaper | None
) -> float:
    """By how much splices that are heard differ from how far the sound is moved, frames; NaN: nothing to compare."""
    stripe = _track(capture)
    if not known or stripe is None or track is None or track.head is None or track.head.refusal:
        return nan
    head = -track.head.frames if loading.backwards else track.head.frames
    return abs(stripe.ahead_frames.value - head - shift)


def _own_clock(
    capture: Capture,
    sound: CapturedSound,
    frames: Table,
    treatment: Treatment,
    rate: Fraction,
    count: int,
    loading: Loading,
    track: TrackPaper | None,
    faults: SoundFaults | None,
) -> SoundPlan:
    """Sound of a separate run or of a wild tape: laid by splices heard and by marks; unset where there is neither.

    Splices were looked for in captured order: of a picture that ran tail first they lay nothing.
    Why this is long: everything that may lay such a sound is asked once.
    """
    last = float(frames["film_position"].max()) if loading.backwards else None
    notes = capture.notes
    apart = notes.sound_run == APART
    run = track.run if track is not None else None
    found_at = (
        [heard.rate for heard in (track.guide, track.run) if heard is not None] if track is not None else []
    )
    run_rate = next((found for found in found_at if found is not None), None) or notes.sound_run_rate or rate
    marked = [
        Fix(_running(mark.film_position, last), mark.sound_s, MARK_SIGMA_FRAMES / float(run_rate))
        for mark in _marks(frames, treatment.value("sync"))
    ]
    told = _guide(track, backwards=last is not None)
    on_guide = track.guide if track is not None and told is not None and told.used else None
    heard, shared = [], 0.0
    stripe = _track(capture)
    if on_guide is not None:
        rows = zip(on_guide.film_positions, on_guide.sound_s, strict=True)
        heard = [Fix(place, second, on_guide.sigma_s, shared=True) for place, second in rows]
        shared = GUIDE_SHARED_S * float(run_rate)
    elif apart and run is not None and run.heard and stripe is not None and last is None:
        heard = splice_fixes(run.heard, ahead_frames=stripe.ahead_frames.value, rate=float(run_rate))
        # a tolerance is taken for two standard errors
        shared = (stripe.ahead_frames.tolerance or 0.0) / 2
    fixes = [*marked, *heard]
    places = frames["film_position"]
    breaks = sorted(_running(float(places[n]) - 0.5, last) for n in notes.sound_breaks if 0 < n < len(frames))
    laid = solve_sound_run(
        # with nothing to hold on to both begin together, and that is said
        fixes or [Fix(0.0, 0.0, 1.0)],
        transport=FILM_RUN if apart else TAPE_RUN,
        run_rate=run_rate,
        camera_rate=rate,
        sound_rate=sound.rate,
        out_rate=SOUND_RATE,
        out_samples=sound_samples(count, rate),
        breaks=tuple(breaks),
        shared_sigma_frames=shared,
    )
    _, repairs = plan_repairs(
        laid.map,
        faults=faults,
        treatment=treatment,
        sound=sound,
        camera_rate=rate,
        out_rate=SOUND_RATE,
        moved=False,
    )
    return SoundPlan(
        map=laid.map,
        shift_frames=0.0,
        set=bool(fixes) and not _lost_pieces(fixes, tuple(breaks)) and not (told is not None and told.jumps),
        coverage=run_coverage(laid.map, in_samples=sound.samples, sound_rate=sound.rate, out_rate=SOUND_RATE),
        time_base_guessed=False,
        jitter_ms=nan,
        set_aside=0,
        loudness=_loudness(treatment),
        run=str(notes.sound_run),
        error_s=laid.error_s if fixes else np.full(len(laid.error_s), nan),
        band_s=laid.worst_s if fixes else nan,
        fixes=_told(laid, on_guide is not None) if fixes else (),
        guide=told if on_guide is None or told is None else _left_on_guide(told, laid),
        repairs=repairs,
        head_off_frames=nan,
    )


def _running(film_position: float, last: float | None) -> float:
    """A film position in running order, of one in captured order; `last` is the last one of film that ran tail first."""
    return film_position if last is None else last - film_position


def _loudness(treatment: Treatment) -> LoudnessDecision:
    return structured(treatment.value("loudness"), LoudnessDecision, where="loudness")


def _lost_pieces(fixes: list[Fix], breaks: tuple[float, ...]) -> bool:
    """Whether a stretch between two breaks has no fix: nothing says where its sound begins."""
    there = {int(np.searchsorted(breaks, fix.film_position, side="right")) for fix in fixes}
    return len(there) <= len(breaks)


def _guide(track: TrackPaper | None, *, backwards: bool) -> GuideTold | None:
    """Whether the guide lays the sound; None where there is none."""
    heard = track.guide if track is not None else None
    if heard is None:
        return None
    refusal = "the film ran tail first" if backwards else heard.refusal
    if refusal:
        return GuideTold(used=False, refusal=refusal)
    return GuideTold(
        used=True,
        refusal="",
        windows=len(heard.film_positions),
        kept=heard.kept,
        speed=heard.speed,
        jumps=heard.jumps,
        not_found=heard.not_found,
    )


def _left_on_guide(told: GuideTold, laid: LaidRun) -> GuideTold:
    """With what is left at each window of the guide when it is left out."""
    of_guide = np.array([fix.shared for fix in laid.fixed.fixes])
    left = np.abs(laid.fixed.left_out_s[of_guide])
    left = left[np.isfinite(left)]
    if not left.size:
        return told
    return replace(
        told,
        left_rms_s=round(float(np.sqrt(np.mean(left**2))), 6),
        left_95_s=round(float(np.quantile(left, 0.95)), 6),
        left_max_s=round(float(left.max()), 6),
    )


def _told(laid: LaidRun, on_guide: bool) -> tuple[FixTold, ...]:
    """Marks and splices, one by one; windows of a guide are told all together."""
    fixed = laid.fixed
    return tuple(
        FixTold(
            by="splice" if fix.shared else "mark",
            film_position=fix.film_position,
            sound_s=round(fix.sound_s, 6),
            left_out_s=round(float(off), 6) if isfinite(off) else nan,
            left_out_sigma_s=round(float(sigma), 6) if isfinite(sigma) else nan,
        )
        for fix, off, sigma in zip(fixed.fixes, fixed.left_out_s, fixed.left_out_sigma_s, strict=True)
        if not (on_guide and fix.shared)
    )


def worth_a_look(off_frames: float) -> bool:
    """Whether a difference of marks or splices from what is known is worth a second look.

    Examples
    --------
    >>> worth_a_look(0.3), worth_a_look(0.8), worth_a_look(float("nan"))
    (False, True, False)
    """
    return off_frames > DISAGREES_FRAMES

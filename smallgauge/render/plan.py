"""The plan of a finished film: a pure function of the tables, the decisions and the recipe.

Calls every `solve_`. A frame's plan says which captured frame it comes from and where in it each finished
pixel lies; nothing that is solved here is stored anywhere but in `render.parquet`, as applied.
"""

from dataclasses import dataclass, replace
from fractions import Fraction
from math import ceil, isfinite, nan
from typing import cast

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.cadence import solve_even_repeat
from smallgauge.picture.framing import FramingDecision, solve_framing
from smallgauge.picture.registration import Places, RegistrationDecision, solve_registration
from smallgauge.picture.resample import Move
from smallgauge.picture.steadiness import SteadinessSeries, solve_steadiness
from smallgauge.record.capture import Capture
from smallgauge.record.evidence import evidence_of, film_scale, shape_of
from smallgauge.record.files import structured
from smallgauge.record.flags import FLAG_NAMED
from smallgauge.record.recipe import SEGMENT_FRAMES, CopyRecipe, copies
from smallgauge.record.table import Table
from smallgauge.record.treatment import Treatment
from smallgauge.sound.speed import SoundMap, solve_film_time, solve_sound_map
from smallgauge.sound.sync import Coverage, SyncMark, measured_coverage, solve_sync_shift

SOUND_RATE = 48000  # of finished sound: IASA-TC 03's lowest rate, and what players expect
TELEVISION_RATE = Fraction(25)  # where the shop says nothing: 50 Hz countries; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceTold:
    """How a frame's place came about: the larger standard error of across and along, px, and what told it.

    NaN where nothing was moved.
    """

    sigma_px: float
    x_from: str
    y_from: str
    doubtful: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FramePlan:
    """One finished frame: its film position, the captured frame it comes from, and the move."""

    finished: int
    film_position: int
    source: int
    kind: str  # "captured" or "repeated"
    scene: int
    move: Move
    place: PlaceTold


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyPlan:
    """One copy: its recipe, exact rate, and which finished frame each of its frames shows."""

    recipe: CopyRecipe
    rate: Fraction
    shown: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundPlan:
    """The finished sound's map. `set` is False while nothing but the film's passing ties it to the picture."""

    map: SoundMap
    shift_frames: float  # how far the sound is moved in film position
    set: bool
    coverage: Coverage
    time_base_guessed: bool  # no time stamps and no scan rate: the sound is spread evenly over the frames
    jitter_ms: float
    set_aside: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything that rendering does, decided."""

    frames: tuple[FramePlan, ...]
    width: int
    height: int
    rate: Fraction
    copies: tuple[CopyPlan, ...]
    sound: SoundPlan | None
    filled: int  # frames whose place was filled in from neighbours
    left_out: tuple[int, ...]  # film positions that a silent film leaves out
    repeated: tuple[int, ...]  # film positions kept by a repeat
    steadiness: tuple[SteadinessSeries, SteadinessSeries]  # across and along, one value a captured frame

    def segments(self) -> tuple[tuple[int, int], ...]:
        """Finished frames of each segment: segments start at multiples of 100 film positions."""
        starts = [
            n
            for n, frame in enumerate(self.frames)
            if n == 0
            or frame.film_position // SEGMENT_FRAMES != self.frames[n - 1].film_position // SEGMENT_FRAMES
        ]
        return tuple(zip(starts, [*starts[1:], len(self.frames)], strict=True))


def plan_rendering(capture: Capture, frames: Table, treatment: Treatment) -> Plan:
    """Plan the finished film from the papers alone.

    A film position without a captured picture (missing in the numbering, or let pass) is left out of a
    silent film; where there is sound its slot repeats the frame before, so that sound stays in step.
    """
    registration = structured(treatment.value("registration"), RegistrationDecision, where="registration")
    framing = structured(treatment.value("framing"), FramingDecision, where="framing")
    rate = Fraction(str(treatment.value("camera_speed")["rate"]))
    frames = _with_doubles(frames, treatment)
    readable = (frames["flags"] & FLAG_NAMED["unreadable"].mask) == 0
    evidence = evidence_of(capture, frames)
    places = solve_registration(evidence, decision=registration)
    framed = solve_framing(evidence, places, decision=framing, shape=shape_of(capture, frames))
    order, left_out = _running_order(frames, readable, keep_all=capture.sound is not None)
    plans = tuple(
        FramePlan(
            finished=n,
            film_position=position,
            source=source,
            kind=kind,
            scene=int(frames["scene"][source]),
            move=framed.moves[source],
            place=_place(places, source),
        )
        for n, (position, source, kind) in enumerate(order)
    )
    television = capture.notes.television_rate or TELEVISION_RATE
    copy_plans = tuple(
        CopyPlan(
            recipe=recipe,
            rate=recipe.rate or rate,
            shown=tuple(
                solve_even_repeat(len(plans), film_rate=rate, copy_rate=recipe.rate or rate).tolist()
            ),
        )
        for recipe in copies(television)
    )
    return Plan(
        frames=plans,
        width=framed.width,
        height=framed.height,
        rate=rate,
        copies=copy_plans,
        sound=_sound(capture, frames, treatment, rate, len(plans)),
        filled=int(np.count_nonzero(places.filled & readable)),
        left_out=left_out,
        repeated=tuple(p.film_position for p in plans if p.kind == "repeated"),
        steadiness=solve_steadiness(
            evidence,
            places,
            decision=registration,
            scale=film_scale(capture),
            picture_px=(framed.width * framed.moves[0].a, framed.height * framed.moves[0].e),
        ),
    )


def _with_doubles(frames: Table, treatment: Treatment) -> Table:
    """The frame table; where the operator wants all captured frames shown, each has a film position."""
    entry = treatment.find("doubles")
    if entry is None or entry.decision.value is None or entry.decision.value.get("show") != "all":
        return frames
    doubled = np.cumsum(frames["duplicate_of"] >= 0).astype(np.int32)
    return replace(frames, values={**frames.values, "film_position": frames["film_position"] + doubled})


def _place(places: Places, frame: int) -> PlaceTold:
    sigma = float(max(places.sigma_x_px[frame], places.sigma_y_px[frame]))
    return PlaceTold(
        sigma_px=round(sigma, 4) if isfinite(sigma) else nan,
        x_from=str(places.x_from[frame]),
        y_from=str(places.y_from[frame]),
        doubtful=bool(places.doubtful[frame]),
    )


def _running_order(
    frames: Table, readable: NDArray[np.bool_], *, keep_all: bool
) -> tuple[list[tuple[int, int, str]], tuple[int, ...]]:
    """(film position, captured frame, kind) of each finished frame, and the positions left out."""
    by_position: dict[int, int] = {}
    for n, place in enumerate(frames["film_position"].tolist()):
        if readable[n]:
            by_position.setdefault(place, n)  # of a frame captured twice the first
    first_readable = int(np.flatnonzero(readable)[0])
    last = int(frames["film_position"].max())
    order: list[tuple[int, int, str]] = []
    left_out: list[int] = []
    before = first_readable
    for position in range(last + 1):
        source = by_position.get(position)
        if source is not None:
            order.append((position, source, "captured"))
            before = source
        elif keep_all:
            order.append((position, before, "repeated"))
        else:
            left_out.append(position)
    return order, tuple(left_out)


def _sound(
    capture: Capture, frames: Table, treatment: Treatment, rate: Fraction, count: int
) -> SoundPlan | None:
    if capture.sound is None:
        return None
    decision = treatment.value("sync")
    stamps = frames["time_s"] if np.isfinite(frames["time_s"]).any() else None
    guessed = stamps is None and capture.notes.scan_rate is None
    seconds = Fraction(max(capture.sound.samples, 1), capture.sound.rate)
    film_time = solve_film_time(
        stamps,
        frames["film_position"].astype(np.float64),
        scan_rate=len(frames) / seconds if guessed else capture.notes.scan_rate,
    )
    start_s, clock_ppm = capture.notes.sound_start_s or 0.0, capture.notes.sound_clock_ppm or 0.0
    shift = float(cast(float, decision["shift_frames"]))
    mark = cast("dict[str, float] | None", decision.get("mark"))
    if mark is not None:
        if not 0 <= int(mark["frame"]) < len(frames):
            raise CallerError(
                f"A sync mark needs a frame of this capture, 0 to {len(frames) - 1}, found {int(mark['frame'])}; "
                "correct it with `smallgauge treat --decide sync FRAME@SECOND` or in capture.toml."
            )
        seen_at = float(frames["film_position"][int(mark["frame"])])
        shift = solve_sync_shift(
            SyncMark(film_position=seen_at, sound_s=mark["sound_s"]),
            film_time,
            sound_start_s=start_s,
            sound_clock_ppm=clock_ppm,
        ).shift_frames
    sound_map = solve_sound_map(
        film_time,
        camera_rate=rate,
        shift_frames=shift,
        sound_rate=capture.sound.rate,
        out_rate=SOUND_RATE,
        out_samples=sound_samples(count, rate),
        sound_start_s=start_s,
        sound_clock_ppm=clock_ppm,
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
    )


def sound_samples(frames: int, rate: Fraction) -> int:
    """Samples of finished sound that cover so many frames: the next whole one.

    Examples
    --------
    >>> sound_samples(18, Fraction(18))
    48000
    """
    return ceil(Fraction(frames * SOUND_RATE) / rate)


def still_frames(plan: Plan, sharpness: NDArray[np.float64], *, most: int) -> tuple[int, ...]:
    """The sharpest captured finished frame of each scene; scenes thinned evenly where there are too many."""
    best: dict[int, FramePlan] = {}
    for frame in plan.frames:
        value = float(sharpness[frame.source])
        if frame.kind != "captured" or not isfinite(value):
            continue
        chosen = best.get(frame.scene)
        if chosen is None or value > float(sharpness[chosen.source]):
            best[frame.scene] = frame
    chosen_frames = [best[scene].finished for scene in sorted(best)] or [0]
    step = max(1, ceil(len(chosen_frames) / most))
    return tuple(chosen_frames[::step])

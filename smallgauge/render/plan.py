"""The plan of a finished film: a pure function of the tables, the decisions and the recipe.

Calls every `solve_`. A frame's plan says which captured frame it comes from and where in it each finished
pixel lies; nothing that is solved here is stored anywhere but in `render.parquet`, as applied.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby, pairwise
from math import ceil, isfinite, nan

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.between import solve_between_places
from smallgauge.picture.cadence import solve_even_repeat, solve_scene_repeat
from smallgauge.picture.framing import FramingDecision, solve_framing
from smallgauge.picture.overlap import solve_joint
from smallgauge.picture.registration import Places, RegistrationDecision, solve_registration
from smallgauge.picture.resample import Move, compose_moves
from smallgauge.picture.steadiness import SteadinessSeries, solve_steadiness
from smallgauge.record.by_scene import scenes_by_position
from smallgauge.record.capture import Capture
from smallgauge.record.chapters import scene_titles
from smallgauge.record.dirttable import DirtSummary
from smallgauge.record.evidence import evidence_of, film_scale, pixels_per_mm, shape_of
from smallgauge.record.files import structured
from smallgauge.record.finding import Finding
from smallgauge.record.loading import in_running_order, loading_of
from smallgauge.record.material import Material
from smallgauge.record.ordered import ordered_recipes
from smallgauge.record.recipe import SEGMENT_FRAMES, CopyRecipe
from smallgauge.record.rendertable import SceneFlicker
from smallgauge.record.shop import TELEVISION_RATE
from smallgauge.record.soundfaults import SoundFaults
from smallgauge.record.table import Table
from smallgauge.record.track import TrackPaper
from smallgauge.record.treatment import Treatment
from smallgauge.render.plan_colour import AS_IT_IS, ColourPlan, FrameAt, plan_colours
from smallgauge.render.plan_dirt import DirtPlan, plan_dirt
from smallgauge.render.plan_flicker import plan_flicker
from smallgauge.render.plan_grain import GrainPlan, plan_grain
from smallgauge.render.plan_sound import SoundPlan, plan_sound, with_tracks
from smallgauge.render.running import readable_rows, running_order, with_doubles
from smallgauge.sound.loudness import LoudnessReading, ViewingGain, solve_gain


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
    """One finished frame: its film position, the captured frame that it comes from, and the move."""

    finished: int
    film_position: int
    source: int  # row of the reel's frame table
    capture: int  # the captured frame itself
    frame: int
    other: tuple[
        int, int
    ]  # capture and frame that show the same film frame and are not used; -1, -1 for none
    kind: str  # "captured" or "repeated"
    scene: int
    move: Move
    place: PlaceTold
    colour: ColourPlan = AS_IT_IS
    dirt: DirtPlan | None = None
    grain: GrainPlan | None = None  # only where less of it was decided


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyPlan:
    """One copy: its recipe, exact rate, and which finished frame each of its frames shows."""

    recipe: CopyRecipe
    rate: Fraction
    shown: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SmoothPlan:
    """The smooth copy: its rate and, of each of its frames, the finished frame before it and the share of the way on."""

    rate: Fraction
    shown: tuple[int, ...]
    shares: tuple[Fraction, ...]


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
    smooth: SmoothPlan | None = None  # only where it was decided
    findings: tuple[Finding, ...] = ()  # of colour
    flicker: tuple[SceneFlicker, ...] = ()  # a scene each
    dirt: DirtSummary | None = None  # where it was looked for
    titles: tuple[str, ...] = ()  # of the scenes, from the first on

    def segments(self) -> tuple[tuple[int, int], ...]:
        """Finished frames of each segment: it starts at a multiple of 100 film positions, or with another capture."""
        starts = [
            n
            for n, frame in enumerate(self.frames)
            if n == 0
            or frame.capture != self.frames[n - 1].capture
            or frame.film_position // SEGMENT_FRAMES != self.frames[n - 1].film_position // SEGMENT_FRAMES
        ]
        return tuple(zip(starts, [*starts[1:], len(self.frames)], strict=True))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Held:
    """Size of the finished picture and, for each row of a frame table, its move and how its place was told."""

    width: int
    height: int
    moves: tuple[Move, ...]
    places: tuple[PlaceTold, ...]
    filled: NDArray[np.bool_]
    steadiness: tuple[SteadinessSeries, SteadinessSeries]


def plan_rendering(
    capture: Capture,
    frames: Table,
    treatment: Treatment,
    material: Material | None = None,
    track: TrackPaper | None = None,
    faults: SoundFaults | None = None,
    television_rate: Fraction = TELEVISION_RATE,
    dirt: Table | None = None,
    lines: Table | None = None,
) -> Plan:
    """Plan the finished film from the papers alone.

    `frames` are the reel's rows in film order; `material` names its captures where it has several;
    `track` is what the captured sound says as a whole, `faults` what is to be taken out of it where that is decided;
    `television_rate` is that of the shop's country, used where the order names none; `dirt` and `lines` what was found on the film.

    A film position without a captured picture (missing in the numbering, or let pass) is left out of a
    silent film; where there is sound its slot repeats the frame before, so that sound stays in step.
    How the film was loaded turns order, places and scenes round here, and nowhere before.
    """
    rate = Fraction(str(treatment.value("camera_speed")["rate"]))
    frames = with_doubles(frames, treatment)
    readable = readable_rows(frames)
    if material is not None and len(material.stretches) > 1:
        held = _held_together(material, frames, treatment)
    else:
        held = _held(capture, frames, treatment)
    others = _others(material.overlap) if material is not None and material.overlap is not None else {}
    keys = list(zip(frames["capture"].tolist(), frames["frame"].tolist(), strict=True))
    loading = loading_of(treatment)
    turned = loading.move(held.width, held.height)
    running = in_running_order(frames, loading)
    order, left_out = running_order(running, readable, keep_all=capture.sound is not None)
    captures = [stretch.capture for stretch in material.stretches] if material is not None else [capture]
    moves = tuple(compose_moves(turned, move) for move in held.moves)
    places = [FrameAt(film_position=p, scene=int(running["scene"][s]), source=s) for p, s, _ in order]
    colours, scene_flicker, findings = _colours(
        captures, running, treatment, places, moves, (held.width, held.height)
    )
    repairs, specks, said = plan_dirt(dirt, running, treatment, lines)
    less, told = plan_grain(
        running, treatment, readable=readable, moves=moves, size=(held.width, held.height), captures=captures
    )
    plans = tuple(
        FramePlan(
            finished=n,
            film_position=position,
            source=source,
            capture=keys[source][0],
            frame=keys[source][1],
            other=others.get(keys[source], (-1, -1)),
            kind=kind,
            scene=int(running["scene"][source]),
            move=moves[source],
            place=held.places[source],
            colour=colours[n],
            dirt=repairs.get(keys[source]),
            grain=less.get(keys[source]),
        )
        for n, (position, source, kind) in enumerate(order)
    )
    return Plan(
        frames=plans,
        width=held.width,
        height=held.height,
        rate=rate,
        copies=_copies(capture, plans, treatment, rate, television_rate),
        sound=_sound(capture, frames, treatment, rate, len(plans), track, faults),
        filled=int(np.count_nonzero(held.filled & readable)),
        left_out=left_out,
        repeated=tuple(p.film_position for p in plans if p.kind == "repeated"),
        steadiness=held.steadiness,
        smooth=_smooth(plans, treatment, film_rate=rate),
        findings=(*findings, *said, *told),
        dirt=specks,
        flicker=scene_flicker,
        titles=_titles(treatment, running),
    )


def _sound(
    capture: Capture,
    frames: Table,
    treatment: Treatment,
    rate: Fraction,
    count: int,
    track: TrackPaper | None,
    faults: SoundFaults | None,
) -> SoundPlan | None:
    """The finished sound of so many frames; None for a silent film."""
    loading = loading_of(treatment)
    planned = plan_sound(capture, frames, treatment, rate, count, loading, track, faults)
    return with_tracks(planned, capture, treatment, track)


def _titles(treatment: Treatment, running: Table) -> tuple[str, ...]:
    """What each scene is called, by decisions that film positions anchor."""
    scenes = scenes_by_position(running)
    return scene_titles(treatment, scenes)


def _colours(
    captures: Sequence[Capture],
    running: Table,
    treatment: Treatment,
    places: Sequence[FrameAt],
    moves: Sequence[Move],
    size: tuple[int, int],
) -> tuple[tuple[ColourPlan, ...], tuple[SceneFlicker, ...], tuple[Finding, ...]]:
    """The colour of every finished frame, its own flicker included; the figures of flicker, and what there is to say."""
    told, figures, found = plan_flicker(captures, running, treatment, moves=moves, size=size)
    looks, said = plan_colours(captures, running, treatment, places)
    colours = tuple(
        replace(
            look,
            flicker=told[place.source].correction,
            exposure_ln=(told[place.source].before_ln, told[place.source].after_ln),
        )
        for look, place in zip(looks, places, strict=True)
    )
    return colours, figures, (*said, *found)


def _copies(
    capture: Capture,
    plans: tuple[FramePlan, ...],
    treatment: Treatment,
    rate: Fraction,
    television_rate: Fraction,
) -> tuple[CopyPlan, ...]:
    """The copies, each with its rate and what each of its frames shows: the usual ones, then those by order."""
    television = capture.notes.television_rate or television_rate
    recipes = ordered_recipes(capture.notes.copies, film_rate=rate, television_rate=television)
    return tuple(
        CopyPlan(
            recipe=recipe,
            rate=recipe.rate or rate,
            shown=_shown(plans, treatment, film_rate=rate, copy_rate=recipe.rate),
        )
        for recipe in recipes
    )


def _shown(
    plans: tuple[FramePlan, ...], treatment: Treatment, *, film_rate: Fraction, copy_rate: Fraction | None
) -> tuple[int, ...]:
    """Which finished frame each frame of a copy shows; a copy at the film's own rate shows each once.

    A copy with a rate of its own plays each scene at the speed that was decided for it.
    """
    if copy_rate is None:
        return tuple(range(len(plans)))
    runs = _runs(plans, treatment, film_rate)
    if all(rate == film_rate for _, rate in runs):
        return tuple(solve_even_repeat(len(plans), film_rate=film_rate, copy_rate=copy_rate).tolist())
    return tuple(solve_scene_repeat(runs, copy_rate=copy_rate).tolist())


def _runs(
    plans: tuple[FramePlan, ...], treatment: Treatment, film_rate: Fraction
) -> list[tuple[int, Fraction]]:
    """Frames of each scene in film order, and the frames a second at which they are to be seen."""
    speeds = treatment.scene_values("camera_speed")
    scene_of = {plan.film_position: plan.scene for plan in plans}
    own = {
        scene_of[place]: Fraction(str(value["rate"])) for place, value in speeds.items() if place in scene_of
    }
    return [
        (len(list(frames)), own.get(scene, film_rate))
        for scene, frames in groupby(plans, key=lambda plan: plan.scene)
    ]


def _smooth(plans: tuple[FramePlan, ...], treatment: Treatment, *, film_rate: Fraction) -> SmoothPlan | None:
    """The smooth copy, where it was decided. Nothing lies between two frames of different scenes, nor beside a gap."""
    entry = treatment.find("smooth_copy")
    if entry is None or entry.decision.value is None:
        return None
    rate = Fraction(str(entry.decision.value["rate"]))
    at, shares = solve_between_places(_runs(plans, treatment, film_rate), copy_rate=rate)
    follows = [
        after.film_position - before.film_position == 1 and {before.kind, after.kind} == {"captured"}
        for before, after in pairwise(plans)
    ]
    return SmoothPlan(
        rate=rate,
        shown=tuple(at.tolist()),
        shares=tuple(
            share if share and follows[n] else Fraction(0)
            for n, share in zip(at.tolist(), shares, strict=True)
        ),
    )


def _held(capture: Capture, frames: Table, treatment: Treatment, *, measured: bool = True) -> _Held:
    """Registration and framing of one capture; `measured` False takes the framing's numbers from its own evidence."""
    registration = structured(treatment.value("registration"), RegistrationDecision, where="registration")
    framing = structured(treatment.value("framing"), FramingDecision, where="framing")
    framing = framing if measured else FramingDecision(show=framing.show)
    evidence = evidence_of(capture, frames)
    places = solve_registration(evidence, decision=registration)
    framed = solve_framing(evidence, places, decision=framing, shape=shape_of(capture, frames))
    return _Held(
        width=framed.width,
        height=framed.height,
        moves=framed.moves,
        places=tuple(_place(places, n) for n in range(len(frames))),
        filled=places.filled,
        steadiness=solve_steadiness(
            evidence,
            places,
            decision=registration,
            scale=film_scale(capture),
            picture_px=(framed.width * framed.moves[0].a, framed.height * framed.moves[0].e),
        ),
    )


def _held_together(material: Material, frames: Table, treatment: Treatment) -> _Held:
    """Several captures in one geometry: each is held by its own evidence, all its frames, doubles too.

    The first capture gives size and framing; each later one is brought in line by the film frames that it has in
    common with the one before, or, where there are none, by its scale and the middle of its picture.
    """
    held = [
        _held(stretch.capture, stretch.frames, treatment, measured=number == 0)
        for number, stretch in enumerate(material.stretches)
    ]
    first = held[0]
    for number in range(1, len(held)):
        before, after = held[number - 1], held[number]
        joints, pair = _joints(material, number)
        if joints:
            line = solve_joint(
                joints,
                [before.moves[n] for n in pair[0]],
                [after.moves[n] for n in pair[1]],
                size=(first.width, first.height),
            )
        else:
            line = _by_scale(material.stretches[0].capture, material.stretches[number].capture, first, after)
        held[number] = replace(after, moves=tuple(compose_moves(line, move) for move in after.moves))
    rows = list(zip(frames["capture"].tolist(), frames["frame"].tolist(), strict=True))
    return _Held(
        width=first.width,
        height=first.height,
        moves=tuple(held[capture].moves[frame] for capture, frame in rows),
        places=tuple(held[capture].places[frame] for capture, frame in rows),
        filled=np.array([held[capture].filled[frame] for capture, frame in rows]),
        steadiness=_steadiness_together(held, rows),
    )


def _steadiness_together(
    held: list[_Held], rows: list[tuple[int, int]]
) -> tuple[SteadinessSeries, SteadinessSeries]:
    """Steadiness of the frames that are used, each told by its own capture; the figure is that of the worse capture."""
    out = []
    for axis in (0, 1):
        series = [each.steadiness[axis] for each in held]
        worse = max(
            series,
            key=lambda each: (
                each.figure.after_jump_um == each.figure.after_jump_um,
                each.figure.after_jump_um,
            ),
        )
        out.append(
            SteadinessSeries(
                before_um=np.array([series[capture].before_um[frame] for capture, frame in rows]),
                after_um=np.array([series[capture].after_um[frame] for capture, frame in rows]),
                figure=worse.figure,
            )
        )
    return out[0], out[1]


def _joints(material: Material, later: int) -> tuple[list[Move], tuple[list[int], list[int]]]:
    """Where a capture's pixels lie in the one after it, and the frames of both for which that was measured."""
    table = material.overlap
    if table is None:
        return [], ([], [])
    chosen = (table["later_capture"] == later) & (table["capture"] == later - 1) & np.isfinite(table["c"])
    rows = np.flatnonzero(chosen)
    moves = [Move(**{letter: float(table[letter][n]) for letter in "abcdef"}) for n in rows]
    return moves, (table["frame"][rows].tolist(), table["later_frame"][rows].tolist())


def _by_scale(first: Capture, later: Capture, held: _Held, own: _Held) -> Move:
    """From the first capture's finished pixel to a later one's, by their scales alone, middle on middle."""
    share = pixels_per_mm(later) / pixels_per_mm(first)
    return Move(
        a=share,
        c=(own.width - 1) / 2 - share * (held.width - 1) / 2,
        e=share,
        f=(own.height - 1) / 2 - share * (held.height - 1) / 2,
    )


def _others(overlap: Table) -> dict[tuple[int, int], tuple[int, int]]:
    """For each captured frame that is used: the captured frame that shows the same film frame."""
    found = {}
    names = ("capture", "frame", "later_capture", "later_frame", "kept")
    for capture, frame, later, later_frame, kept in zip(*(overlap[n].tolist() for n in names), strict=True):
        one, two = (capture, frame), (later, later_frame)
        found[one if kept == capture else two] = two if kept == capture else one
    return found


def _place(places: Places, frame: int) -> PlaceTold:
    sigma = float(max(places.sigma_x_px[frame], places.sigma_y_px[frame]))
    return PlaceTold(
        sigma_px=round(sigma, 4) if isfinite(sigma) else nan,
        x_from=str(places.x_from[frame]),
        y_from=str(places.y_from[frame]),
        doubtful=bool(places.doubtful[frame]),
    )


def viewing_gain(sound: SoundPlan, reading: LoudnessReading) -> ViewingGain:
    """The gain of the viewing copies, once the finished sound is there and its loudness is known."""
    return solve_gain(reading, sound.loudness)


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

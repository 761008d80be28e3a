"""What only whole columns can tell: scenes, the account of frames, splices, and the perforations of the film."""

from dataclasses import replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from smallgauge.gauge.gauges import gauge_named
from smallgauge.picture.completeness import Ledger, Links, film_positions, find_links, measure_ledger
from smallgauge.picture.damage_record import (
    DamageRecord,
    find_damage_grades,
    find_perforation_numbers,
    find_perforation_states,
)
from smallgauge.picture.scene_marks import find_bright_ends, find_faded, find_fogged
from smallgauge.picture.scenes import find_scenes
from smallgauge.picture.shrinkage import Shrinkage, measure_shrinkage
from smallgauge.picture.splices import find_splices
from smallgauge.record.capture import Capture
from smallgauge.record.evidence import scale_um
from smallgauge.record.filmstate import FilmState, SpliceTold
from smallgauge.record.flags import FLAG_NAMED
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.table import Table

Marks = NDArray[np.bool_]


def tell_film(
    capture: Capture,
    frames: Table,
    perforations: Table,
    *,
    times_s: NDArray[np.float64],
    skipped: NDArray[np.int32],
) -> tuple[Table, Table, FilmState]:
    """The tables with what only whole columns can tell, and the paper on the film and its capture.

    `times_s` is the time of each frame, NaN where it has none; `skipped` how many numbers the file names skip before it.
    """
    count = len(frames)
    digests = [file.digest for file in capture.files]
    same = np.array([n > 0 and digests[n] != "" and digests[n] == digests[n - 1] for n in range(count)])
    pitch_px = capture.survey.pitch_px if capture.survey is not None else np.nan
    links, ledger = account_of(frames, times_s=times_s, pitch_px=pitch_px, skipped=skipped, same=same)
    direction = links.direction
    # On a negative a black picture is clear film, and so is fog: its fades are not told.
    light = None if capture.notes.is_negative else frames["picture_light"]
    starts = find_scenes(frames["change"], frames["change_skip"], picture_light=light)
    table = _with_account(frames, ledger, skipped, times_s, starts)
    table = replace(table, capture_digest=capture.digest)
    table, splices = _with_splices(capture, table, starts, direction)
    table = _with_marks(capture, table)
    perforations, damage = _with_damage(capture, table, perforations, direction)
    state = FilmState(
        capture_digest=capture.digest,
        ledger=ledger,
        direction=direction,
        damage=damage,
        splices=splices,
        shrinkage=_shrinkage(capture, table),
    )
    return table, replace(perforations, capture_digest=capture.digest), state


def _shrinkage(capture: Capture, frames: Table) -> Shrinkage | None:
    """Shrinkage over the reel and along it; None where no perforation is in view."""
    if capture.survey is None:
        return None
    along_um, across_um = scale_um(capture)
    return measure_shrinkage(
        np.hypot(frames["next_perforation_x_px"], frames["next_perforation_y_px"]),
        frames["film_width_px"],
        gauge=gauge_named(capture.gauge),
        along_um=along_um,
        across_um=across_um,
        along_sigma=capture.scale.along_sigma if capture.scale is not None else np.nan,
    )


class Columns(Protocol):
    """Columns of the frame table by name: the table itself, or what is read of it so far."""

    def __getitem__(self, name: str, /) -> NDArray[Any]: ...


def account_of(
    columns: Columns,
    *,
    times_s: NDArray[np.float64],
    pitch_px: float,
    skipped: NDArray[np.int32],
    same: Marks | None = None,
) -> tuple[Links, Ledger]:
    """The account of frames from the columns of the frame table, of a whole capture or of what is read so far."""
    links = find_links(
        match=columns["grain_match"],
        match_skip=columns["grain_match_skip"],
        follows=columns["grain_follows"],
        follows_skip=columns["grain_follows_skip"],
        precedes=columns["grain_precedes"],
        precedes_skip=columns["grain_precedes_skip"],
        edge_strength=columns["edge_grain_strength"],
    )
    ledger = measure_ledger(
        links,
        match=columns["grain_match"],
        time_s=times_s,
        position_px=columns["perforation_y_px"],
        pitch_px=np.full(times_s.size, pitch_px),
        same_samples=same,
        numbers_skipped=skipped,
        step=columns["picture_step"],
        step_skip=columns["picture_step_skip"],
    )
    return links, ledger


def _with_account(
    frames: Table,
    ledger: Ledger,
    skipped: NDArray[np.int32],
    times_s: NDArray[np.float64],
    starts: NDArray[np.int64],
) -> Table:
    """The frame table with film positions, doubles, losses, scenes and their flags."""
    count = len(frames)
    positions = film_positions(ledger).astype(np.int32)
    kinds = np.full(count, "", object)
    missing, doubles = np.zeros(count, np.int32), np.full(count, -1, np.int32)
    for run in ledger.runs:
        kinds[run.first : run.stop] = run.kind
        if run.kind == "missing" and run.first < count:
            missing[run.first] = run.film_stop - run.film_first
        if run.kind == "captured twice":
            for n in range(run.first, run.stop):
                doubles[n] = n - 1 if doubles[n - 1] < 0 else doubles[n - 1]
    scene = np.zeros(count, np.int32)
    scene[[s for s in starts if s > 0]] = 1
    flags = frames["flags"].copy()
    flags[missing > 0] |= FLAG_NAMED["missing_before"].mask
    flags[doubles >= 0] |= FLAG_NAMED["duplicate"].mask
    flags[kinds == "swapped"] |= FLAG_NAMED["swapped"].mask
    flags[kinds == "not known"] |= FLAG_NAMED["not_accounted_for"].mask
    flags[~np.isfinite(times_s)] |= FLAG_NAMED["time_set_aside"].mask if np.isfinite(times_s).any() else 0
    values = dict(frames.values) | {
        "time_s": times_s,
        "numbers_skipped": skipped,
        "missing_before": missing,
        "account": kinds,
        "film_position": positions,
        "scene": np.cumsum(scene).astype(np.int32),
        "duplicate_of": doubles,
        "flags": flags,
    }
    return Table(name="frames", columns=FRAME_COLUMNS, values=values)


def _with_splices(
    capture: Capture, frames: Table, starts: NDArray[np.int64], direction: int
) -> tuple[Table, tuple[SpliceTold, ...]]:
    found = find_splices(
        frames["film_position"],
        cut_mm=frames["splice_cut_mm"],
        cut_score=frames["splice_cut_score"],
        cut_step=frames["splice_cut_step"],
        edge_mm=frames["splice_edge_mm"],
        edge_score=frames["splice_edge_score"],
        second_edge_mm=frames["splice_second_edge_mm"],
        second_edge_score=frames["splice_second_edge_score"],
        lateral_mm=frames["splice_lateral_mm"],
        lateral_at_mm=frames["splice_lateral_at_mm"],
        lateral_score=frames["splice_lateral_score"],
        pitch_mm=frames["splice_pitch_mm"],
        border_density=frames["border_density"],
        scene_starts=starts.tolist(),
        gauge=gauge_named(capture.gauge),
        downwards=direction >= 0,
    )
    told = tuple(
        SpliceTold(
            frame=n,
            film_position=int(frames["film_position"][n]),
            kind=found.kind[n],
            confidence=round(float(found.confidence[n]), 4),
        )
        for n in np.flatnonzero(found.splice).tolist()
    )
    values = dict(frames.values) | {
        "splice": found.splice,
        "splice_kind": np.array(found.kind, object),
        "splice_confidence": found.confidence,
    }
    return replace(frames, values=values), told


def _with_marks(capture: Capture, frames: Table) -> Table:
    """The table with what lies at the ends of scenes and rolls marked."""
    flags, negative = frames["flags"].copy(), capture.notes.is_negative
    ends = np.flatnonzero(np.asarray(frames["splice"], bool))
    flags[find_fogged(frames["border_density"], ends=ends, negative=negative)] |= FLAG_NAMED["fog"].mask
    if not negative:  # of positive film alone: there more light is a lighter picture, and black is none
        fogged = flags & FLAG_NAMED["fog"].mask != 0
        light, scene = frames["picture_light"], frames["scene"]
        flags[find_bright_ends(light, scene) & ~fogged] |= FLAG_NAMED["bright_start"].mask
        flags[find_faded(light, scene)] |= FLAG_NAMED["fade"].mask
    return replace(frames, values=dict(frames.values) | {"flags": flags})


def _with_damage(
    capture: Capture, frames: Table, perforations: Table, direction: int
) -> tuple[Table, DamageRecord | None]:
    """The perforation table with each perforation's number along the film, and the record of their damage."""
    survey = capture.survey
    if survey is None:
        return perforations, None
    at = perforations["frame"]
    numbers = find_perforation_numbers(
        frames["film_position"][at],
        perforations["punched_y_px"],
        frames["perforation_y_px"][at],
        survey=survey,
        downwards=direction >= 0,
    )
    states = find_perforation_states(
        numbers,
        perforations["row"],
        [str(word) for word in perforations["damage"]],
        side=[str(word) for word in perforations["damage_side"]],
        depth_mm=perforations["damage_depth_mm"],
        into_picture=perforations["damage_in_picture"],
    )
    values = dict(perforations.values) | {"film_perforation": numbers.astype(np.int32)}
    record = find_damage_grades(states, gauge=gauge_named(capture.gauge))
    return replace(perforations, values=values), record

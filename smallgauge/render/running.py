"""Which captured frame each finished frame shows, and the sound that plays with them; the part of the plan that needs no picture.

with_doubles       frames captured twice get film positions of their own where the operator wants all of them shown
running_order      film position and captured frame of each finished frame
plan_sound_alone   the reel's sound as `plan_rendering` lays it, without planning its pictures
"""

from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from smallgauge.record.capture import Capture
from smallgauge.record.flags import FLAG_NAMED
from smallgauge.record.loading import in_running_order, loading_of
from smallgauge.record.soundfaults import SoundFaults
from smallgauge.record.table import Table
from smallgauge.record.track import TrackPaper
from smallgauge.record.treatment import Treatment
from smallgauge.render.plan_sound import SoundPlan, plan_sound, with_tracks


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SoundAlone:
    """How a reel's sound is laid: finished frames a second, the row that each finished frame shows, and the sound's plan."""

    rate: Fraction
    rows: NDArray[np.int64]
    sound: SoundPlan | None


def with_doubles(frames: Table, treatment: Treatment) -> Table:
    """The frame table; where the operator wants all captured frames shown, each has a film position."""
    entry = treatment.find("doubles")
    if entry is None or entry.decision.value is None or entry.decision.value.get("show") != "all":
        return frames
    doubled = np.cumsum(frames["duplicate_of"] >= 0).astype(np.int32)
    return replace(frames, values={**frames.values, "film_position": frames["film_position"] + doubled})


def readable_rows(frames: Table) -> NDArray[np.bool_]:
    """Rows whose picture could be read."""
    return np.asarray((frames["flags"] & FLAG_NAMED["unreadable"].mask) == 0)


def running_order(
    frames: Table, readable: NDArray[np.bool_], *, keep_all: bool
) -> tuple[list[tuple[int, int, str]], tuple[int, ...]]:
    """(film position, captured frame, kind) of each finished frame, and the positions left out.

    `frames` are in running order; with `keep_all` a position without a readable frame repeats the one before.
    """
    by_position: dict[int, int] = {}
    for n, place in enumerate(frames["film_position"].tolist()):
        if readable[n]:
            by_position.setdefault(place, n)  # of a frame captured twice the first
    last = int(frames["film_position"].max())
    order: list[tuple[int, int, str]] = []
    left_out: list[int] = []
    before = by_position[min(by_position)]
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


def plan_sound_alone(
    capture: Capture,
    frames: Table,
    treatment: Treatment,
    track: TrackPaper | None,
    faults: SoundFaults | None,
) -> SoundAlone:
    """The reel's sound as `plan_rendering` lays it; arguments as there."""
    rate = Fraction(str(treatment.value("camera_speed")["rate"]))
    frames, loading = with_doubles(frames, treatment), loading_of(treatment)
    order, _ = running_order(
        in_running_order(frames, loading), readable_rows(frames), keep_all=capture.sound is not None
    )
    sound = plan_sound(capture, frames, treatment, rate, len(order), loading, track, faults)
    return SoundAlone(
        rate=rate,
        rows=np.array([source for _, source, _ in order], np.int64),
        sound=with_tracks(sound, capture, treatment, track),
    )

"""`sound.parquet`: the map that was applied, a row a knot, and where the sound belongs to pictures that are gone."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.record.capture import Capture
from smallgauge.record.rendertable import SOUND_COLUMNS
from smallgauge.record.table import Table
from smallgauge.record.track import TrackPaper
from smallgauge.render.plan import Plan
from smallgauge.render.plan_sound import SOUND_RATE, SoundPlan
from smallgauge.sound.speed import SoundMap, in_sample_at

Floats = NDArray[np.float64]


def sound_table(capture: Capture, plan: Plan, sound: SoundPlan, track: TrackPaper | None) -> Table:
    """The knots of each track's map; the ends of foreign stretches are knots too, and leave the map as it is.

    Foreign stretches were looked for in captured order: of film that ran tail first none is named.
    """
    backwards = bool(sound.map.slope[0] < 0)
    foreign = track.cuts.foreign if track is not None and track.cuts is not None and not backwards else ()
    stretches = [
        tuple(float(position * SOUND_RATE / plan.rate) for position in stretch) for stretch in foreign
    ]
    parts = [_rows(0, sound.map, stretches, sound.error_s)]
    if sound.second is not None:
        parts.append(_rows(1, sound.second, stretches, None))
    values = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    return Table(name="sound", columns=SOUND_COLUMNS, values=values, capture_digest=capture.digest)


def _rows(
    track: int, knots: SoundMap, stretches: list[tuple[float, ...]], error_s: Floats | None
) -> dict[str, NDArray[Any]]:
    """One track's rows. A cubic that is cut at a place, with its value and slope there, is the same cubic."""
    ends = [
        end for stretch in stretches for end in stretch if knots.out_sample[0] <= end <= knots.out_sample[-1]
    ]
    more = np.setdiff1d(ends, knots.out_sample)
    out = np.concatenate([knots.out_sample, more])
    order = np.argsort(out, kind="stable")
    place, slope = in_sample_at(knots, more) if len(more) else (more, more)
    error = np.full(len(knots.out_sample), np.nan) if error_s is None else error_s
    out = out[order]
    return {
        "track": np.full(len(out), track, np.int32),
        "out_sample": out,
        "in_sample": np.concatenate([knots.in_sample, place])[order],
        "slope": np.concatenate([knots.slope, slope])[order],
        "gain": np.concatenate([knots.gain, np.interp(more, knots.out_sample, knots.gain)])[order],
        "error_s": np.concatenate([error, np.interp(more, knots.out_sample, error)])[order],
        "foreign_sound": np.any([(out >= a) & (out < b) for a, b in stretches], axis=0)
        if stretches
        else np.zeros(len(out), bool),
    }

"""What is known of a reel along its strip, as JSON and as numbers: the twins of what the page draws.

reel_paper      scenes, splices, flags, lanes of a reel
lane_values     the lanes as Float32, one lane after the other
frame_paper     one drawn frame: its numbers, its file, what is doubtful about it
rows_paper      a stretch of rows as a table
"""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import groupby
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.deliver.phrases import count_words
from smallgauge.deliver.words import flag_sentence
from smallgauge.gauge.gauges import gauge_named
from smallgauge.gauge.rates import running_time_s
from smallgauge.media.pack import pack_head
from smallgauge.record.flags import FRAME_FLAGS, FRAME_MARKS
from smallgauge.record.loading import loading_of
from smallgauge.record.table import Table
from smallgauge.record.treatment import NOT_SURE, NOT_TOLD, WAITING, Treatment
from smallgauge.workbench.opened import OpenReel
from smallgauge.workbench.specks import speck_counts

MOST_ROWS = 500  # of a table at once


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One lane of measured facts: its name, unit, what it says, and how it comes from the frame table."""

    name: str
    title: str
    unit: str
    meaning: str
    of: Callable[[Table], NDArray[np.float64]]


def _shrinkage(frames: Table) -> NDArray[np.float64]:
    middle: NDArray[np.float64] = 50.0 * (frames["shrinkage_low"] + frames["shrinkage_high"])
    return middle


def _pitch(frames: Table) -> NDArray[np.float64]:
    pitch: NDArray[np.float64] = np.asarray(frames["pitch_px"], np.float64)
    return pitch


def _sureness(frames: Table) -> NDArray[np.float64]:
    sure: NDArray[np.float64] = np.asarray(frames["perforation_confidence"], np.float64)
    return sure


def _light(frames: Table) -> NDArray[np.float64]:
    bright: NDArray[np.float64] = 100.0 * np.exp(np.asarray(frames["picture_light"], np.float64))
    return bright


def _balance(frames: Table) -> NDArray[np.float64]:
    """Red against blue in the middle tones of the picture, density."""
    apart: NDArray[np.float64] = np.asarray(
        frames["picture_middle_blue"] - frames["picture_middle_red"], np.float64
    )
    return apart


LANES: tuple[Lane, ...] = (
    Lane(
        name="shrinkage",
        title="Shrinkage",
        unit="%",
        meaning="Middle of the shrinkage that the pitch allows; only with a stated or calibrated scale.",
        of=_shrinkage,
    ),
    Lane(
        name="pitch",
        title="Pitch",
        unit="px",
        meaning="From one perforation to the next, in pixels of the capture.",
        of=_pitch,
    ),
    Lane(
        name="sureness",
        title="Sureness of steadying",
        unit="1",
        meaning="How far the place of the frame may be trusted, 0 to 1; below 0.2 nothing was measured.",
        of=_sureness,
    ),
    Lane(
        name="light",
        title="Light",
        unit="% of open gate",
        meaning="Geometric mean of the light in the camera's picture.",
        of=_light,
    ),
    Lane(
        name="dyes",
        title="Dye balance",
        unit="density",
        meaning="Density of the middle tones to blue less that to red: above 0 the picture is warm, below it is cold.",
        of=_balance,
    ),
)


@lru_cache(maxsize=8)
def _measured_lanes(frames: Table) -> tuple[tuple[Lane, NDArray[np.float64]], ...]:
    found = ((lane, lane.of(frames)) for lane in LANES)
    return tuple((lane, values) for lane, values in found if np.isfinite(values).any())


def lanes_of(reel: OpenReel) -> tuple[tuple[Lane, NDArray[np.float64]], ...]:
    """The lanes that hold anything; that of specks where dirt was looked for."""
    frames, dirt = reel.frames, reel.dirt()
    if dirt is None:
        return _measured_lanes(frames)
    counts = speck_counts(frames, dirt)
    lane = Lane(
        name="specks",
        title="Specks",
        unit="on the frame",
        meaning="Specks that lie on one frame only: repaired, unless somebody decides otherwise.",
        of=lambda frames: counts,
    )
    return (*_measured_lanes(frames), (lane, counts))


def lane_values(reel: OpenReel) -> bytes:
    """The lanes one after the other, a value a row, little-endian 32-bit; what is not known is NaN."""
    return b"".join(values.astype("<f4").tobytes() for _, values in lanes_of(reel))


def reel_paper(reel: OpenReel) -> dict[str, Any]:
    """The reel along its strip."""
    capture, treatment = reel.capture, reel.treatment()
    running = reel.decided().running
    head = pack_head(capture.width, capture.height)
    lanes = [
        {
            "name": lane.name,
            "title": lane.title,
            "unit": lane.unit,
            "meaning": lane.meaning,
            "low": float(np.nanmin(values)),
            "high": float(np.nanmax(values)),
        }
        for lane, values in lanes_of(reel)
    ]
    return {
        "reel": capture.notes.reel or capture.name,
        "box_words": capture.notes.box_words or "",
        "gauge": gauge_named(capture.gauge).name,
        "frames": reel.count,
        "capture_size": [capture.width, capture.height],
        "look_size": [head.width, head.height],
        "reduced_by": head.factor,
        "pack": reel.pack() is not None,
        "rate": str(rate_of(treatment)),
        "silent": capture.sound is None,
        "runs": "tail first" if loading_of(treatment).backwards else "head first",
        "revision": treatment.revision,
        "scenes": scenes_of(running),
        "splices": _splices(reel.frames),
        "flags": flag_runs(reel.frames),
        "open": open_decisions(treatment),
        "lanes": lanes,
    }


def rate_of(treatment: Treatment) -> Fraction:
    """The reel's camera speed as decided or proposed; 18 where nothing was yet."""
    entry = treatment.find("camera_speed")
    value = entry.decision.value if entry is not None else None
    return Fraction(str(value["rate"])) if value is not None else Fraction(18)


def scenes_of(running: Table) -> list[dict[str, int]]:
    """Scenes as stretches of rows, in the order of the rows."""
    found = []
    for scene, rows in groupby(range(len(running)), key=running["scene"].tolist().__getitem__):
        inside = list(rows)
        found.append(
            {
                "scene": int(scene),
                "first": inside[0],
                "stop": inside[-1] + 1,
                "film_position": int(running["film_position"][inside[0]]),
            }
        )
    return found


def _splices(frames: Table) -> list[dict[str, Any]]:
    return [
        {
            "row": int(row),
            "kind": str(frames["splice_kind"][row]) or "kind not told",
            "sure": _rounded(frames["splice_confidence"][row], 2),
        }
        for row in np.flatnonzero(np.asarray(frames["splice"], bool))
    ]


def flag_runs(frames: Table) -> list[dict[str, Any]]:
    """Places that want a look, and marks: stretches of rows that share a flag, in the order of the rows."""
    flags = np.asarray(frames["flags"], np.int64)
    found = []
    for flag in FRAME_FLAGS:
        edges = np.flatnonzero(np.diff(np.concatenate([[0], (flags & flag.mask) != 0, [0]]).astype(np.int8)))
        for first, stop in zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True):
            found.append(
                {
                    "first": first,
                    "stop": stop,
                    "name": flag.name.replace("_", " "),
                    "words": flag_sentence(flag.name),
                    "doubt": flag.name not in FRAME_MARKS,
                }
            )
    return sorted(found, key=lambda each: (each["first"], each["stop"]))


def open_decisions(treatment: Treatment) -> list[str]:
    """Subjects on which the program is not sure or waits for an operator, and sync that nobody has set."""
    found = []
    for entry in treatment.in_force:
        decision = entry.decision
        unset = (
            decision.subject == "sync" and decision.value is not None and decision.value.get("set") is False
        )
        if decision.by == "program" and (decision.basis in (NOT_SURE, NOT_TOLD, WAITING) or unset):
            found.append(decision.subject)
    return found


def file_of(reel: OpenReel, row: int) -> str:
    """The scanner's own name of a row's frame."""
    number, frame = int(reel.frames["capture"][row]), int(reel.frames["frame"][row])
    stretches = reel.material().stretches
    files = stretches[number].capture.files
    return files[frame].name if frame < len(files) else ""


def frame_paper(reel: OpenReel, row: int) -> dict[str, Any]:
    """Everything that is said about one drawn frame."""
    reel.check_row(row)
    treatment, frames = reel.treatment(), reel.frames
    running = reel.decided().running
    position = int(running["film_position"][row])
    seconds = running_time_s(position, rate_of(treatment))
    flags = [flag for flag in FRAME_FLAGS if int(frames["flags"][row]) & flag.mask]
    return {
        "row": row,
        "stamp": reel.stamp(row),
        "capture": int(frames["capture"][row]),
        "frame": int(frames["frame"][row]),
        "file": file_of(reel, row),
        "film_position": position,
        "scene": int(running["scene"][row]),
        "time": clock_words(seconds),
        "flags": [{"name": f.name.replace("_", " "), "words": flag_sentence(f.name)} for f in flags],
        "place_px": [
            _rounded(frames["perforation_x_px"][row], 3),
            _rounded(frames["perforation_y_px"][row], 3),
        ],
        "lanes": {lane.name: _rounded(values[row], 5) for lane, values in lanes_of(reel)},
    }


def rows_paper(reel: OpenReel, first: int, count: int) -> dict[str, Any]:
    """Rows as a table: what the strip shows, as numbers."""
    stop = min(reel.check_row(first) + max(1, min(count, MOST_ROWS)), reel.count)
    frames = reel.frames
    lanes = lanes_of(reel)
    running = reel.decided().running
    rows = []
    for row in range(first, stop):
        flags = [f.name.replace("_", " ") for f in FRAME_FLAGS if int(frames["flags"][row]) & f.mask]
        values = [_rounded(lane[row], 4) for _, lane in lanes]
        rows.append(
            [
                row,
                file_of(reel, row),
                int(running["scene"][row]) + 1,
                bool(frames["splice"][row]),
                *values,
                flags,
            ]
        )
    titles = [
        "frame",
        "file",
        "scene",
        "splice before",
        *(f"{lane.title}, {lane.unit}" for lane, _ in lanes),
        "flags",
    ]
    return {"first": first, "stop": stop, "of": reel.count, "columns": titles, "rows": rows}


def places_waiting(frames: Table, treatment: Treatment) -> int:
    """How many places of a reel want a look: stretches of flags that are a doubt, and decisions that are open."""
    return sum(bool(each["doubt"]) for each in flag_runs(frames)) + len(open_decisions(treatment))


def places_words(count: int) -> str:
    """The count in words."""
    return (
        f"{count_words(count, 'place')} {'wants' if count == 1 else 'want'} a look"
        if count
        else "nothing waits"
    )


def clock_words(seconds: Fraction) -> str:
    """Minutes, seconds and hundredths, cut off.

    Examples
    --------
    >>> clock_words(Fraction(1505, 12))
    '2:05.41'
    """
    hundredths = int(seconds * 100)
    return f"{hundredths // 6000}:{hundredths // 100 % 60:02d}.{hundredths % 100:02d}"


def _rounded(value: Any, digits: int) -> float | None:
    number = float(value)
    return round(number, digits) if np.isfinite(number) else None

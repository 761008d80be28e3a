"""Grain of a reel: a few pairs of frames, spread over it, are read once more and compared.

Few are enough: grain belongs to the stock and not to the frame, and each pair has hundreds of places.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.picture_in import CaptureListing, UnreadableFrame, open_picture
from smallgauge.picture.grain import LEAST_SIDE_PX, measure_grain
from smallgauge.record.capture import Capture
from smallgauge.record.exposures import picture_boxes
from smallgauge.record.flags import FLAG_NAMED
from smallgauge.record.graintable import GRAIN_COLUMNS, GRAIN_TABLE
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.light import evenness_for, light_of_capture, table_for
from smallgauge.record.material import Material
from smallgauge.record.table import Table, table_of, write_table
from smallgauge.record.work import Progress, Runner

COMPARING = 1  # raised when the same frames would give other rows
MOST_PAIRS = 24  # of a capture; common practice, no source
FRAMES_A_PAIR = 48  # of the film: a short reel has fewer; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class GrainJob:
    """One pair: a frame and the next, and where the picture begins in each (left, top)."""

    number: int  # of the capture in the reel
    listing: CaptureListing
    capture: Capture
    frame: int
    corners: tuple[tuple[int, int], tuple[int, int]]
    size: tuple[int, int]


def find_reel_grain(
    folder: Path, *, material: Material, frames: Table, journal: Journal, runner: Runner, progress: Progress
) -> None:
    """Measure a reel's grain into `grain.parquet`; what stands is kept. A reel without pairs has an empty table."""
    jobs = [job for number in range(len(material.stretches)) for job in _jobs(material, number, frames)]
    told = [
        (job.number, job.frame, job.corners, job.size, job.capture.light, job.capture.encoding)
        for job in jobs
    ]
    digests = [stretch.capture.digest for stretch in material.stretches]
    key = key_of("grain", COMPARING, digests, told)
    if journal.holds(GRAIN_TABLE, key):
        return
    progress("pairs of frames compared for grain", 0, len(jobs))
    made: dict[tuple[int, int], list[dict[str, object]]] = {}
    for job, rows in runner.run(
        compare_pair, jobs, watch=lambda done: progress("pairs of frames compared for grain", done, len(jobs))
    ):
        made[job.number, job.frame] = rows
    rows = [row for place in sorted(made) for row in made[place]]
    write_table(folder / GRAIN_TABLE, table_of("grain", GRAIN_COLUMNS, rows))
    journal.add_file("analyse", GRAIN_TABLE, key=key, rows=len(rows))


def _jobs(material: Material, number: int, frames: Table) -> list[GrainJob]:
    """Pairs of a capture, spread evenly over those of one scene."""
    stretch = material.stretches[number]
    boxes = picture_boxes(
        [stretch.capture],
        replace(
            stretch.frames,
            values={**stretch.frames.values, "capture": np.zeros_like(stretch.frames["capture"])},
        ),
    )
    if not len(boxes):
        return []
    capture = stretch.capture
    size = min(int(boxes[0, 2]), capture.width), min(int(boxes[0, 3]), capture.height)
    if min(size) < LEAST_SIDE_PX:
        return []
    own = frames["capture"] == number
    scene = dict(zip(frames["frame"][own].tolist(), frames["scene"][own].tolist(), strict=True))
    bad = FLAG_NAMED["unreadable"].mask
    readable = {
        frame
        for frame, flags in zip(frames["frame"][own].tolist(), frames["flags"][own].tolist(), strict=True)
        if not flags & bad
    }
    pairs = [
        one for one, two in pairwise(sorted(readable)) if two == one + 1 and scene[one] == scene[two] >= 0
    ]
    most = min(MOST_PAIRS, 1 + len(pairs) // FRAMES_A_PAIR, len(pairs))
    chosen = [pairs[round(n)] for n in np.linspace(0, len(pairs) - 1, most + 2)[1:-1]] if pairs else []

    def corner(frame: int) -> tuple[int, int]:
        left, top = np.round(boxes[frame, :2] + 0.5)
        return (
            int(np.clip(left, 0, capture.width - size[0])),
            int(np.clip(top, 0, capture.height - size[1])),
        )

    return [
        GrainJob(
            number=number,
            listing=stretch.listing,
            capture=replace(capture, files=()),
            frame=frame,
            corners=(corner(frame), corner(frame + 1)),
            size=size,
        )
        for frame in dict.fromkeys(chosen)
    ]


def compare_pair(job: GrainJob, tick: Callable[[int], None]) -> list[dict[str, object]]:
    """Rows of one pair; none where a frame can't be read."""
    table = table_for(job.capture.light, job.capture.encoding)
    evenness = evenness_for(job.capture, job.listing.root, job.listing.region)
    wide, high = job.size
    parts: list[NDArray[np.float32]] = []
    with open_picture(job.listing) as reader:
        for frame, (left, top) in zip((job.frame, job.frame + 1), job.corners, strict=True):
            try:
                light = light_of_capture(reader.read(frame).samples, table, evenness)
            except UnreadableFrame:
                return []
            parts.append(np.nan_to_num(light[top : top + high, left : left + wide]))
    tick(1)
    return [
        {
            "capture": job.number,
            "frame": job.frame,
            "channel": point.channel,
            "density": point.density,
            "sigma": point.sigma,
            "places": point.places,
            "coarse_px": point.coarse_px,
        }
        for point in measure_grain(parts[0], parts[1])
    ]

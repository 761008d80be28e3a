"""Unslit double 8 taken apart: each half of the captured frames to the source of a standard 8 capture.

slit_of       the capture's paper      -> the captured column at which the films were to be slit
open_half     a film's folder          -> its source: the capture's archive copy, read through the film's region
check_halves  frames of both films     -> those that, side by side, are not the captured frame
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from smallgauge.analyse.source import Source
from smallgauge.errors import MaterialError
from smallgauge.gauge.gauges import STANDARD_8, UNSLIT_DOUBLE_8
from smallgauge.media.digest import digest_frame
from smallgauge.media.frame import Region
from smallgauge.media.picture_in import CaptureListing, open_picture
from smallgauge.record.capture import Capture
from smallgauge.record.machines import Machines
from smallgauge.record.material import half_listing
from smallgauge.record.reel import Half
from smallgauge.record.table import Table

# Findings that speak of the whole capture's files and hold for each film.
_KEPT = frozenset(
    ["numbering gap", "pixels not square", "interlaced", "how pictures are read", "negative left as captured"]
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SideBySideJob:
    """Captured frames `first` to `stop` to be compared with both films' frames, by their digests."""

    listing: CaptureListing
    slit_px: int
    first: int
    stop: int
    whole: tuple[str, ...]
    halves: tuple[tuple[str, ...], tuple[str, ...]]


def slit_of(capture: Capture) -> int:
    """The captured column with which the right film begins: half-way between the two rows of perforations."""
    survey = capture.survey
    if capture.gauge != UNSLIT_DOUBLE_8.key or survey is None or len(survey.rows) != 2:
        raise MaterialError(
            "Only unslit double 8 with both rows of perforations in view can be taken apart, found "
            f"{capture.gauge} in '{capture.name}'; look at the gauge, or scan with both edges in view."
        )
    return round(sum(survey.rows) / 2 + 0.5)


def regions_of(capture: Capture) -> tuple[Region, Region]:
    """The left and the right film in each captured frame; side by side they are the whole frame."""
    slit, height = slit_of(capture), capture.height
    left = Region(left=0, top=0, width=slit, height=height, of_width=capture.width, of_height=height)
    return left, replace(left, left=slit, width=capture.width - slit)


def open_half(
    folder: Path, half: Half, whole: Capture, frames: Table, *, number: str, box_words: str
) -> Source:
    """A film's source: its capture's archive copy, which lies in the film's own folder, cut to the film's region.

    What the operator said of the capture holds for both films, but for how the roll was loaded: that is in `half`.
    """
    notes = replace(
        whole.notes,
        reel=number,
        box_words=box_words,
        gauge=STANDARD_8.name,
        perforation_side=STANDARD_8.rows[0],
        emulsion=None,
        emulsion_usual=None,
        loaded=None,
        sync_marks=(),
    )
    return Source(
        path=folder,
        name=number,
        listing=half_listing(folder, half),
        notes=notes,
        findings=tuple(finding for finding in whole.findings if finding.code in _KEPT),
        times_s=np.asarray(frames["time_s"], np.float64),
        sound=None,
        half=half,
        open_gate=whole.open_gate,
        dark=whole.dark,
        machines=Machines(),  # what is kept of the machine is of its whole picture: each film is measured by itself
    )


def check_halves(job: SideBySideJob, tick: Callable[[int], None]) -> tuple[int, ...]:
    """Captured frames that are not what both films' frames are side by side; a frame let pass is in none of them."""
    wrong = []
    bits = job.listing.encoding.bits
    with open_picture(job.listing) as reader:
        for number in range(job.first, job.stop):
            tick(1)
            wanted = (job.whole[number - job.first], *(each[number - job.first] for each in job.halves))
            if not wanted[0]:
                wrong += [number] if any(wanted) else []
                continue
            samples = reader.read(number).samples
            parts = (samples, samples[:, : job.slit_px], samples[:, job.slit_px :])
            if wanted != tuple(digest_frame(np.ascontiguousarray(part), bits) for part in parts):
                wrong.append(number)
    return tuple(wrong)

"""A copy's frames, decoded once: what they show, how they look on a screen, whether they flash.

prove_copy   a job of one worker -> small pictures, screen light, levels, fits
watch_copy   results in their order -> one reading of the whole copy
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.decoder_log import DecoderLog
from smallgauge.media.picture_in import CaptureListing
from smallgauge.media.stored import StoredFrame, read_stored
from smallgauge.picture.delivered import (
    MOST_OUT,
    Delivered,
    ReadingPlan,
    StoredColour,
    find_black,
    find_still,
    measure_delivered,
    plan_reading,
)
from smallgauge.picture.flashing import FlashReading, ScreenLight, measure_flashing
from smallgauge.prove.shown import FitJob, Fitter
from smallgauge.record.finding import Finding

BLACK_S, STILL_S = 1.0, 2.0  # stretches from here on are told; common practice, no source
_PARTS = 100.0  # of a cd/m2: how finely screen light goes from a worker to the one who watches
_MOST_STRETCHES = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyJob:
    """Frames `first` to `stop` of a copy; `box` is (left, top, width, height) of its picture."""

    listing: CaptureListing
    first: int
    stop: int
    box: tuple[int, int, int, int]
    tiles: tuple[int, int]
    fit: FitJob | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CopyResult:
    """What one stretch came to; a frame that could not be decoded is NaN, dark, and a line of the log."""

    decoded: int
    log: tuple[str, ...]
    tiles: NDArray[np.float32]  # (frames, rows, columns, 3)
    luminance: NDArray[np.uint16]  # (frames, rows, columns), hundredths of cd/m2
    redness: NDArray[np.uint16]
    saturated: NDArray[np.uint8]
    outside: NDArray[np.float64]  # (frames, 4): share of pixels whose R, G, B, Y is out of range
    black: tuple[bool, ...]
    still: tuple[bool, ...]  # the frame before once more; of the first frame not known here
    ends: tuple[NDArray[np.float32], NDArray[np.float32]] | None  # cells of the first and the last frame
    fits: NDArray[np.float64] | None


def prove_copy(job: CopyJob, tick: Callable[[int], None]) -> CopyResult:
    """Decode the frames of one job and measure each."""
    listing, log = job.listing, DecoderLog()
    width, height = listing.size_in_file
    plan = plan_reading(width=width, height=height, box=job.box, tiles=job.tiles)
    gathered = _Gathered(job, plan)
    last = _Last(plan)
    number = job.first
    for frame in read_stored(listing, job.first, job.stop, log):
        while number < frame.number:
            gathered.add(number, None)
            number += 1
        gathered.add(number, last.measured(frame))
        number += 1
        tick(1)
    while number < job.stop:
        gathered.add(number, None)
        number += 1
    return gathered.result(log.lines)


class _Last:
    """Measures a frame, or takes the frame before's measures where every code is the same: a repeat of a repeated film."""

    def __init__(self, plan: ReadingPlan) -> None:
        self.plan = plan
        self.planes: tuple[NDArray[Any], ...] = ()
        self.seen: Delivered | None = None

    def measured(self, frame: StoredFrame) -> Delivered:
        """Of one frame more."""
        planes = (frame.luma, frame.blue, frame.red)
        if self.seen is not None and all(map(_same, planes, self.planes)):
            return self.seen
        how = frame.how
        colour = StoredColour(
            bits=frame.bits,
            full_range=how.full_range,
            red_weight=how.red_weight,
            blue_weight=how.blue_weight,
            step_x=how.step_x,
            step_y=how.step_y,
        )
        self.planes = tuple(plane.copy() for plane in planes)
        self.seen = measure_delivered(*self.planes, colour=colour, plan=self.plan)
        return self.seen


def _same(plane: NDArray[Any], other: NDArray[Any]) -> bool:
    """Whether two planes agree in every code; two that do not are mostly told by one line of them."""
    line = len(plane) // 2
    return np.array_equal(plane[line], other[line]) and np.array_equal(plane, other)


class _Gathered:
    """The frames of one job as they come."""

    def __init__(self, job: CopyJob, plan: ReadingPlan) -> None:
        self.job, self.missing = job, 0
        count, shape = job.stop - job.first, plan.cell_pixels.shape[:2]
        self.tiles = np.full((count, *job.tiles, 3), np.nan, np.float32)
        self.luminance = np.zeros((count, *shape), np.uint16)
        self.redness = np.zeros((count, *shape), np.uint16)
        self.saturated = np.zeros((count, *shape), np.uint8)
        self.outside = np.full((count, 4), np.nan)
        self.black, self.still = [False] * count, [False] * count
        self.first: NDArray[np.float32] | None = None
        self.before: NDArray[np.float32] | None = None
        self.green = np.zeros((0, 0), np.float32)
        self.fitter = Fitter(job.fit) if job.fit is not None else None

    def add(self, number: int, seen: Delivered | None) -> None:
        """One frame; None where it could not be decoded."""
        n = number - self.job.first
        if self.fitter is not None:
            self.fitter.fit(n, None if seen is None else self._green(seen.cells))
        if seen is None:
            self.missing += 1
            return
        self.tiles[n] = seen.tiles
        self.luminance[n] = np.rint(seen.screen.luminance * _PARTS)
        self.redness[n] = np.rint(seen.screen.redness * _PARTS)
        self.saturated[n] = seen.screen.saturated
        self.outside[n] = seen.outside
        self.black[n] = find_black(seen.cells)
        self.still[n] = find_still(self.before, seen.cells)
        self.first = seen.cells if self.first is None else self.first
        self.before = seen.cells

    def _green(self, cells: NDArray[np.float32]) -> NDArray[np.float32]:
        """Its small picture: the very same one where the frame before is seen once more."""
        if self.before is not cells:
            self.green = np.ascontiguousarray(cells[:, :, 1])
        return self.green

    def result(self, log: tuple[str, ...]) -> CopyResult:
        """What came of them."""
        if self.missing and not log:
            log = (f"{self.missing} frames can't be decoded",)
        ends = (self.first, self.before) if self.first is not None and self.before is not None else None
        return CopyResult(
            decoded=self.job.stop - self.job.first - self.missing,
            log=log,
            tiles=self.tiles,
            luminance=self.luminance,
            redness=self.redness,
            saturated=self.saturated,
            outside=self.outside,
            black=tuple(self.black),
            still=tuple(self.still),
            ends=ends,
            fits=np.array(self.fitter.fits) if self.fitter is not None else None,
        )


@dataclass(slots=True, kw_only=True, eq=False)
class CopyReading:
    """A whole copy, looked at."""

    decoded: int = 0
    stretches: int = 0
    quiet: int = 0  # stretches of which the decoder said nothing
    log: list[str] = field(default_factory=list)
    fits: list[NDArray[np.float64]] = field(default_factory=list)
    outside: list[NDArray[np.float64]] = field(default_factory=list)
    black: list[bool] = field(default_factory=list)
    still: list[bool] = field(default_factory=list)
    flashing: FlashReading | None = None


def watch_copy(results: Iterable[CopyResult], *, rate: Fraction) -> CopyReading:
    """Gather results that come in the order of their frames; screen light is looked at and let go."""
    reading, last = CopyReading(), None

    def pictures() -> Iterator[ScreenLight]:
        nonlocal last
        for result in results:
            reading.decoded += result.decoded
            reading.stretches += 1
            reading.quiet += not result.log
            reading.log += result.log
            reading.outside.append(result.outside)
            reading.black += result.black
            still = list(result.still)
            if result.ends is not None:
                still[:1] = [find_still(last, result.ends[0])]
                last = result.ends[1]
            reading.still += still
            if result.fits is not None:
                reading.fits.append(result.fits)
            luminance, redness = (
                each.astype(np.float32) / np.float32(_PARTS) for each in (result.luminance, result.redness)
            )
            for n in range(len(luminance)):
                yield ScreenLight(luminance=luminance[n], redness=redness[n], saturated=result.saturated[n])

    reading.flashing = measure_flashing(pictures(), rate=rate)
    return reading


def copy_findings(name: str, reading: CopyReading, rate: Fraction, shown: NDArray[np.int32]) -> list[Finding]:
    """What there is to say of a copy that is as it was meant to be: black, frozen, levels, flashing."""
    found: list[Finding] = []
    for code, marks, least in (
        ("black stretch", np.array(reading.black, bool), BLACK_S),
        ("frozen stretch", np.array(reading.still, bool), STILL_S),
    ):
        places = [s for s in _stretches(marks) if (s[1] - s[0]) / rate >= least]
        if code == "frozen stretch":  # where the map itself shows one frame so long, that is no fault
            places = [s for s in places if len(set(shown[s[0] : s[1]].tolist())) > 1]
        if places:
            values: dict[str, object] = {
                "file": name,
                "places": [
                    [round(float(a / rate), 1), round(float(b / rate), 1)]
                    for a, b in places[:_MOST_STRETCHES]
                ],
            }
            found.append(Finding(code=code, where=name, values=values))
    outside = np.concatenate(reading.outside) if reading.outside else np.zeros((0, 4))
    over = np.flatnonzero((outside > MOST_OUT).any(axis=1))
    if over.size:
        worst = float(np.nanmax(outside))
        values = {
            "file": name,
            "frames": int(over.size),
            "first": int(over[0]),
            "percent": round(100 * worst, 1),
        }
        found.append(Finding(code="levels out of range", where=name, values=values))
    return found + _flash_findings(name, reading.flashing, rate)


def _flash_findings(name: str, flashing: FlashReading | None, rate: Fraction) -> list[Finding]:
    if flashing is None:
        return []
    found: list[Finding] = []
    if flashing.too_much:
        at = [round(float(first / rate), 1) for first, _ in flashing.stretches[:_MOST_STRETCHES]]
        values: dict[str, object] = {
            "file": name,
            "flashes": flashing.flashes,
            "percent": round(100 * flashing.area),
            "kind": flashing.kind,
            "at_s": at,
        }
        found.append(Finding(code="flashing light", where=name, values=values))
    elif flashing.too_much_for_wcag:
        values = {
            "file": name,
            "flashes": flashing.wcag_flashes,
            "at_s": [round(float(flashing.wcag_at_frame / rate), 1)],
        }
        found.append(Finding(code="flashing in a part", where=name, values=values))
    if flashing.lasting:
        places = [[round(float(a / rate), 1), round(float(b / rate), 1)] for a, b in flashing.lasting]
        found.append(
            Finding(
                code="flashing lasts", where=name, values={"file": name, "places": places[:_MOST_STRETCHES]}
            )
        )
    return found


def _stretches(marks: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs of marked frames, [first, stop)."""
    edges = np.flatnonzero(np.diff(np.r_[False, marks, False].astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]

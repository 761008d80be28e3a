"""What a proof gathers: checks that were counted, findings, and the decoding of a file by the workers."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import MaterialError
from smallgauge.media.film_in import FilmReader
from smallgauge.media.picture_in import CaptureListing, list_film
from smallgauge.prove.frames import TILES, FramesJob, FramesResult, join_steps, prove_frames
from smallgauge.prove.shown import FitJob, FitRow, SmallStore, TileFile, judge
from smallgauge.record.finding import Check, Finding, WitnessAnswer
from smallgauge.record.recipe import SEGMENT_FRAMES
from smallgauge.record.work import Progress, Runner

Result = TypeVar("Result")
FIT_BY = "own resampler of small pictures, correlation"


class Ledger:
    """Checks and findings as they come."""

    def __init__(self) -> None:
        self.checks: list[Check] = []
        self.findings: list[Finding] = []
        self.witnesses: list[WitnessAnswer] = []

    def count(self, name: str, of: str, made: int, passed: int, by: str) -> None:
        """Note a check that was made."""
        self.checks.append(Check(name=name, of=of, made=made, passed=passed, by=by))

    def not_made(self, check: str, where: str, why: str) -> None:
        """Say of a check that it was not made, and why."""
        values: dict[str, object] = {"check": check, "why": why}
        self.findings.append(Finding(code="check not made", where=where, values=values))

    def equal(self, name: str, of: str, needed: object, found: object, code: str, by: str) -> None:
        """Note a check of one thing that must be what it is to be."""
        good = needed == found
        self.count(name, of, 1, int(good), by)
        if not good:
            values: dict[str, object] = {"file": of, "needed": needed, "found": found}
            self.findings.append(Finding(code=code, where=of, values=values))


class Stretch(Protocol):
    """A job of some frames."""

    @property
    def first(self) -> int:
        """Its first frame."""

    @property
    def stop(self) -> int:
        """The frame behind its last."""


Job = TypeVar("Job", bound=Stretch)


def in_order(done: Iterator[tuple[Job, Result]]) -> Iterator[Result]:
    """Results in the order of their frames, each as soon as all before it are there."""
    waiting: dict[int, tuple[Job, Result]] = {}
    following = 0
    for job, result in done:
        waiting[job.first] = job, result
        while following in waiting:
            ready, its = waiting.pop(following)
            following = ready.stop
            yield its


class Bench(Ledger):
    """The checks of one reel, and the hands that decode."""

    def __init__(self, *, folder: Path, runner: Runner, progress: Progress) -> None:
        super().__init__()
        self.folder, self.runner, self.progress = folder, runner, progress

    def duration(self, name: str, film: FilmReader) -> None:
        """The last frame is shown when it is to be, by the container's own clock: within 1 ms and half a frame."""
        if film.count and film.rate > 0:
            late = film.span - (film.count - 1) / film.rate
            good = abs(late) <= Fraction(1, 1000) + 1 / (2 * film.rate)
            self.equal(
                "duration", name, True, good, "duration differs", "container, within 1 ms and half a frame"
            )

    def chapters(self, name: str, film: FilmReader, wanted: tuple[tuple[int, int, str], ...]) -> None:
        """Each scene is a chapter of its title, within 1 ms of its first frame and of its end."""
        planned = [(first / film.rate, stop / film.rate, title) for first, stop, title in wanted]
        near = Fraction(1, 1000)
        good = len(planned) == len(film.chapters) and all(
            abs(a[0] - b[0]) <= near and abs(a[1] - b[1]) <= near and a[2] == b[2]
            for a, b in zip(planned, film.chapters)
        )
        self.count("chapters", name, 1, int(good), "container, within 1 ms")
        if not good:
            values: dict[str, object] = {
                "file": name,
                "needed": [title for _, _, title in planned],
                "found": [title for _, _, title in film.chapters],
            }
            self.findings.append(Finding(code="chapters differ", where=name, values=values))

    def sized(self, name: str, film: FilmReader, size: tuple[int, int]) -> bool:
        """The pictures have the size that they are to have; of another file's pictures nothing more is asked."""
        needed, found = (f"{wide} x {high}" for wide, high in (size, (film.width, film.height)))
        self.equal("frame size", name, needed, found, "frame size differs", "container")
        return needed == found

    def guarded(self, name: str, check: Callable[[], Result]) -> Result | None:
        """Make a check; a file of ours that can't even be opened is a failure, not the end of the proof."""
        try:
            return check()
        except MaterialError as error:
            values: dict[str, object] = {"file": name, "line": str(error)}
            self.findings.append(Finding(code="decoder log of our file", where=name, values=values))
            return None

    def listing(self, film: FilmReader) -> CaptureListing:
        """A film of ours that was opened, listed for decoding."""
        return list_film(film.path, film.packets)

    def decode(
        self,
        listing: CaptureListing,
        expected: tuple[str, ...],
        *,
        what: str,
        tiles: TileFile | None = None,
        background: tuple[int, int, int, int] | None = None,
        keep: SmallStore | None = None,
        fit: tuple[FitJob, Callable[[int, int], tuple[FitRow, ...]]] | None = None,
    ) -> list[FramesResult]:
        """Decode every frame that there is to be; results in the order of the frames, without their tiles, which go to `tiles`."""
        total = len(expected)
        jobs = (
            FramesJob(
                listing=listing,
                first=first,
                stop=min(first + SEGMENT_FRAMES, total),
                digests=expected[first : first + SEGMENT_FRAMES],
                box=None,
                small=tiles is not None,
                tiles=tiles.shape if tiles is not None else TILES,
                background=background,
                keep=keep,
                fit=replace(fit[0], rows=fit[1](first, first + SEGMENT_FRAMES)) if fit is not None else None,
            )
            for first in range(0, total, SEGMENT_FRAMES)
        )
        self.progress(what, 0, total)
        done = self.runner.run(prove_frames, jobs, watch=lambda frames: self.progress(what, frames, total))
        results, last = [], None
        for result in in_order(done):
            ends = result.ends
            if tiles is not None and result.small is not None:
                tiles.add(result.small)
                result = replace(result, small=None)
            results.append(
                join_steps(result, last, background=background) if background is not None else result
            )
            last = ends[1] if ends is not None else None
        return results

    def silent(self, name: str, stretches: int, lines: list[str], quiet: int) -> None:
        """The decoder had nothing to say of a file of ours."""
        self.count("decoder silent", name, stretches, quiet, "decoder log")
        self.findings += [
            Finding(code="decoder log of our file", where=name, values={"file": name, "line": line})
            for line in lines[:20]
        ]

    def decoder_silent(self, name: str, results: list[FramesResult]) -> None:
        """The same, of results."""
        lines = [line for result in results for line in result.log]
        self.silent(name, len(results), lines, sum(not result.log for result in results))

    def shows(
        self,
        check: str,
        name: str,
        fits: list[NDArray[np.float64]],
        block: int,
        *,
        which: NDArray[np.intp] | None = None,
    ) -> None:
        """Every frame (of those in `which`) shows what it is to show, by its small picture."""
        rows = np.concatenate(fits) if fits else np.zeros((0, 6))
        seen = judge(name, rows, block, of=check, which=np.arange(len(rows)) if which is None else which)
        if seen.told:
            self.count(check, name, seen.told, seen.right, FIT_BY)
        self.findings += seen.findings

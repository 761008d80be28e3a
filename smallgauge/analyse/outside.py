"""Outside material is read first in a process that may die: a file made to break its reader costs that process and no more.

do_outside       a function and its description -> its result, made in a process that may die
measure_outside  a source and a function of it -> what the function measured, in such a process
look_outside     a capture's path -> its Source, once an expendable process has opened and read the same files and lived
mend_chunk       a chunk whose process died twice -> the same chunk without the frames that end their reader
mend_survey      a piece of the survey whose process did -> the same

What crosses between processes is descriptions and numbers of frames, never pictures. A frame that ends its reader is found by
halving and is then an unreadable frame like any other: refused by name, or let pass and flagged.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NoReturn, TypeVar

from smallgauge.analyse.meter import Meter
from smallgauge.analyse.rows import ChunkJob
from smallgauge.analyse.source import Source, open_source
from smallgauge.errors import MaterialError
from smallgauge.media.picture_in import CaptureListing, UnreadableFrame, open_picture
from smallgauge.media.sound_in import open_sound
from smallgauge.record.capture import Capture
from smallgauge.record.light import evenness_for
from smallgauge.record.machines import Machines
from smallgauge.record.work import Progress, Runner

Job = TypeVar("Job")
Result = TypeVar("Result")

TRIED_AT_ONCE = 24  # frames that one process reads, so that several may
SOUND_BLOCK = 1 << 20  # samples of a sound file that are read at a time
WHY = "reading it ended the process that read it, twice: it asks for too much memory or time, or breaks its decoder"


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """A capture to be opened and its sound read to the end."""

    path: str
    stated: tuple[str, ...]
    machines: Machines


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """Frames to be read, and measured where a capture is given."""

    listing: CaptureListing
    numbers: tuple[int, ...]
    capture: Capture | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SomeFrames:
    """Frames of a source, spread over it, that one piece of the survey reads."""

    source: Source
    numbers: tuple[int, ...]


Some = TypeVar("Some", bound=SomeFrames)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """A function of a source and `progress`, named by its module, with its other words."""

    function: Callable[..., Any]
    source: Source
    words: dict[str, object] = field(default_factory=dict)


def try_look(job: Look, tick: Callable[[int], None]) -> None:
    """Open a capture as the line does, and read its sound; errors of the material are this job's own."""
    source = open_source(Path(job.path), stated=job.stated, machines=job.machines, tick=tick)
    for sound in (source.sound, source.guide):
        if sound is not None:
            with open_sound(sound) as reader:
                for first in range(0, reader.samples, SOUND_BLOCK):
                    reader.read(first, min(first + SOUND_BLOCK, reader.samples))
                    tick(0)


def try_frames(job: Trial, tick: Callable[[int], None]) -> None:
    """Read frames, and measure them; what can't be read in words is none of this job's business."""
    meter = None
    if job.capture is not None:
        meter = Meter(job.capture, evenness_for(job.capture, job.listing.root, job.listing.region))
    with open_picture(job.listing) as reader:
        for number in job.numbers:
            tick(0)
            try:
                frame = reader.read(number)
            except UnreadableFrame:
                continue
            if meter is not None:
                meter.measure(number, frame)


class ReaderDiedError(MaterialError):
    """What was read ended the process that read it, twice."""


def do_outside(
    runner: Runner,
    function: Callable[[Job, Callable[[int], None]], Result],
    job: Job,
    *,
    watch: Callable[[int], None] | None = None,
) -> Result:
    """Carry one job out in an expendable process, twice where that dies, and give its result.

    Raises
    ------
    ReaderDiedError
        When it died twice. Errors of the job's own are raised as they are.
    """

    def give_up(job: Job) -> NoReturn:
        raise ReaderDiedError(
            f"What was read can't be read here: {WHY}; look for a file that differs from its neighbours."
        )

    ((_, result),) = runner.run(function, (job,), outside=True, mend=give_up, watch=watch)
    return result


def _lives(runner: Runner, function: Callable[[Job, Callable[[int], None]], None], job: Job) -> bool:
    """Carry a job out in an expendable process, twice where it dies; whether it lived."""
    try:
        do_outside(runner, function, job)
    except ReaderDiedError:
        return False
    return True


def carry_measurement(job: Measurement, tick: Callable[[int], None]) -> Any:
    """Call the function; each word of its progress is a tick, so that it is seen to go on."""
    told = 0

    def progress(what: str, done: int, of: int) -> None:
        nonlocal told
        tick(max(0, done - told))
        told = done

    return job.function(job.source, **job.words, progress=progress)


def measure_outside(
    runner: Runner, function: Callable[..., Result], source: Source, progress: Progress, **words: object
) -> Result:
    """What a function measures in a source's frames, which nothing but an expendable process reads.

    Raises
    ------
    ReaderDiedError
        When the process died twice, and as the function does.
    """
    job = Measurement(function=function, source=source, words=words)
    count = source.listing.count

    def watch(done: int) -> None:
        progress("frames read", min(done, count), count)

    measured: Result = do_outside(runner, carry_measurement, job, watch=watch)
    return measured


def look_outside(runner: Runner, path: Path, *, stated: tuple[str, ...], machines: Machines) -> Source:
    """A capture at hand, once an expendable process has opened all of it.

    Raises
    ------
    MaterialError
        When the process died twice, and as `open_source` does.
    """
    if not _lives(runner, try_look, Look(path=str(path), stated=stated, machines=machines)):
        raise MaterialError(
            f"A capture must be one that can be opened, but opening {path} ended the process that did, twice: a header or the "
            "sound in it asks for too much memory or time, or breaks its reader; look for a file that differs from its neighbours."
        )
    return open_source(path, stated=stated, machines=machines)


def deadly_frames(runner: Runner, trial: Trial, *, at_once: int = TRIED_AT_ONCE) -> tuple[int, ...]:
    """Frames that end the process that reads them: tried so many in one process, and found by halving where that dies."""
    numbers, dead = trial.numbers, []

    def set_aside(part: Trial) -> Trial:
        dead.append(part.numbers)
        return replace(part, numbers=())

    parts = [replace(trial, numbers=numbers[n : n + at_once]) for n in range(0, len(numbers), at_once)]
    for _ in runner.run(try_frames, parts, outside=True, mend=set_aside):
        pass
    found: list[int] = []
    for part in sorted(dead):
        if len(part) == 1:
            found += part
        else:
            found += deadly_frames(runner, replace(trial, numbers=part), at_once=-(-len(part) // 2))
    return tuple(found)


def _named(listing: CaptureListing, deadly: tuple[int, ...]) -> CaptureListing:
    known = dict(listing.deadly) | dict.fromkeys(deadly, WHY)
    return replace(listing, deadly=tuple(sorted(known.items())))


def mend_chunk(runner: Runner, job: ChunkJob) -> ChunkJob | None:
    """The chunk without the frames that end their reader; None where none of them alone does."""
    numbers = tuple(range(max(0, job.first - 2), job.stop))
    listing = _without_deadly(runner, Trial(listing=job.listing, numbers=numbers, capture=job.capture))
    return replace(job, listing=listing) if listing is not None else None


def mend_survey(runner: Runner, job: Some) -> Some | None:
    """The piece of the survey without the frames that end their reader; None where none of them alone does."""
    listing = _without_deadly(runner, Trial(listing=job.source.listing, numbers=job.numbers))
    return replace(job, source=replace(job.source, listing=listing)) if listing is not None else None


def _without_deadly(runner: Runner, trial: Trial) -> CaptureListing | None:
    """The listing in which frames that end their reader are named; None where none does."""
    deadly = deadly_frames(runner, trial)
    if deadly and trial.listing.kind == "video":
        raise _deadly_video(trial.listing, deadly)
    return _named(trial.listing, deadly) if deadly else None


def _deadly_video(listing: CaptureListing, deadly: tuple[int, ...]) -> MaterialError:
    return MaterialError(
        f"A video must be one that can be decoded, but decoding {listing.path.name} from frame {deadly[0]} on ended the process "
        "that did, twice; capture it again, or bring the frames before that into a file of their own."
    )

"""The films that a rendering makes, what each depends on, and which of them are there already.

The journal's key of a film has two parts: that of its pictures and that of the rest (rate, sound, title).
Where only the rest differs its packets are joined anew; where only a copy's pictures differ they are made
from the finished film, which keeps every code value: nothing is resampled again that stands already. A copy that
shows each frame of another once or more is that copy's packets with repeats between them: nothing is coded for it.
"""

from collections.abc import Container, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from smallgauge import __version__
from smallgauge.media.copy_out import CODERS
from smallgauge.media.picture_out import FilmContainer, join_segments
from smallgauge.picture.colour import FrameColour
from smallgauge.record.capture import Capture
from smallgauge.record.chapters import chapters_of
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.recipe import FINISHED, CopyRecipe
from smallgauge.record.rendertable import RENDER_COLUMNS
from smallgauge.record.table import join_tables, read_table, write_table
from smallgauge.record.work import Progress
from smallgauge.render.plan import CopyPlan, Plan
from smallgauge.render.segments import SegmentJob, segment_files

RENDERING = 11  # raised when the same plan would give other bytes
TABLE = "render.parquet"


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishedTrack:
    """The finished sound's files: that of the finished film, of the viewing copies, and of an editing copy."""

    flac: Path
    aac: Path
    pcm: Path  # of an editing copy; there only where one is made

    def sound_for(self, container: FilmContainer) -> Path:
        """The file whose packets go into such a film."""
        return {"mkv": self.flac, "mp4": self.aac, "mov": self.pcm}[container]


@dataclass(frozen=True, slots=True, kw_only=True)
class Film:
    """One film of the reel: its segments with their keys, and the key of all else that it depends on.

    A film that repeats another's pictures has no segments of its own: `repeats` names the file, `times` says how
    often each of its frames is shown. With segments of its own `times` is of its own coded pictures, each of which
    stands by itself.
    """

    file: str
    container: FilmContainer
    segments: tuple[str, ...]  # files below the reel's folder
    keys: tuple[str, ...]  # of the segments
    counts: tuple[int, ...]  # frames of the segments
    rate: Fraction
    rest: str
    tags: dict[str, str]
    chapters: tuple[tuple[int, int, str], ...] = ()  # first frame, stop and title
    repeats: str = ""
    times: tuple[int, ...] = ()
    time_code: str = ""

    @property
    def frames(self) -> int:
        """Frames that it shows."""
        return sum(self.times or self.counts)

    @property
    def pictures(self) -> str:
        """Key of its pictures: those of its segments in their order."""
        return key_of(self.keys, self.times) if self.times and not self.repeats else key_of(self.keys)

    @property
    def key(self) -> str:
        """Key of the whole file, as the journal has it."""
        return f"{self.pictures}.{self.rest}"


def films_of(capture: Capture, plan: Plan, jobs: list[SegmentJob]) -> tuple[Film, ...]:
    """The finished film and, after it, each copy."""
    files = [segment_files(job.first, tuple(copy.recipe.file for copy in plan.copies)) for job in jobs]
    keys = [segment_key(capture, job) for job in jobs]
    title = capture.notes.reel or capture.name
    sound, viewing_sound = sound_key(capture, plan), viewing_sound_key(capture, plan)
    tags = {
        "TITLE": title,
        "SMALLGAUGE_ENCODING": FINISHED.encoding,
        "SMALLGAUGE_CAPTURE": capture.digest,
        "ENCODER_PROGRAM": f"smallgauge {__version__}",
    }
    scenes = [frame.scene for frame in plan.frames]
    chapters = chapters_of(scenes, plan.titles)
    finished = Film(
        file=FINISHED.file,
        container="mkv",
        segments=tuple(f[0] for f in files),
        keys=tuple(keys),
        counts=tuple(len(job.frames) for job in jobs),
        rate=plan.rate,
        rest=key_of(RENDERING, str(plan.rate), sound, tags, chapters),
        tags=tags,
        chapters=chapters,
    )
    copies: list[Film] = []
    for n, copy in enumerate(plan.copies):
        chapters = chapters_of([scenes[shown] for shown in copy.shown], plan.titles)
        coder, tags = CODERS[copy.recipe.coding], {"title": title}
        heard = sound if coder.container == "mov" else viewing_sound
        coded = Film(
            file=copy.recipe.file,
            container=coder.container,
            segments=tuple(f[2 + n] for f in files),
            keys=tuple(key_of(key, job.copies[n]) for key, job in zip(keys, jobs, strict=True)),
            counts=tuple(len(job.copies[n].shown) for job in jobs),
            rate=copy.rate,
            rest=key_of(RENDERING, str(copy.rate), heard, title, chapters, *_code(copy.recipe)),
            tags=tags,
            chapters=chapters,
            time_code=copy.recipe.time_code,
        )
        copies.append(_repeating(coded, copy, copies, plan))
    return (finished, *copies)


def _code(recipe: CopyRecipe) -> tuple[str, ...]:
    return (recipe.time_code,) if recipe.time_code else ()


def _repeating(coded: Film, copy: CopyPlan, before: list[Film], plan: Plan) -> Film:
    """The copy as repeats of the pictures of a copy before it, or of its own; else as it was to be coded.

    Another copy's can't be taken where the film runs faster than this copy, so that frames are left out, nor where it
    looks otherwise; its own can only be repeated where each stands by itself.
    """
    times = np.bincount(np.asarray(copy.shown, np.int64), minlength=len(plan.frames))
    if CODERS[copy.recipe.coding].every_key:
        return replace(coded, times=tuple(times[times > 0].tolist()))
    first = next(
        (
            film
            for film, other in zip(before, plan.copies)
            if _look(other.recipe) == _look(copy.recipe) and other.recipe.rate is None
        ),
        None,
    )
    if first is None or copy.recipe.coding != "h264" or int(times.min()) < 1:
        return coded
    return replace(
        coded,
        segments=(),
        keys=("repeats", *first.keys),
        counts=(len(copy.shown),),
        repeats=first.file,
        times=tuple(times.tolist()),
        rest=key_of(coded.rest, times.tolist()),
    )


def _look(recipe: CopyRecipe) -> CopyRecipe:
    """All of a recipe that its pictures depend on."""
    return replace(recipe, file="", rate=None, order="")


def segment_key(capture: Capture, job: SegmentJob) -> str:
    """What a segment of the finished film depends on; its rate is no part of it."""
    digests = [capture.files[frame.source].digest for frame in job.frames]
    looks: dict[FrameColour | None, int] = {}  # each is said once, however many frames share it
    frames = [
        (
            looks.setdefault(frame.colour.look, len(looks)),
            replace(frame, colour=replace(frame.colour, look=None)),
        )
        for frame in job.frames
    ]
    read = (job.capture.light, job.capture.encoding, job.capture.open_gate, job.capture.dark)
    return key_of(RENDERING, digests, *read, frames, list(looks), job.width, job.height)


def sound_key(capture: Capture, plan: Plan) -> str:
    """What the finished sound depends on; "" for a silent film."""
    if plan.sound is None or capture.sound is None:
        return ""
    sound_map = plan.sound.map
    parts = [sound_map.out_sample, sound_map.in_sample, sound_map.slope, sound_map.gain]
    if plan.sound.second is not None:
        own = plan.sound.second
        parts += [own.out_sample, own.in_sample, own.slope, own.gain]
    knots = [part.tobytes().hex() for part in parts]
    about = (plan.sound.view, sound_map.out_samples, capture.sound.sha256, plan.sound.repairs.key)
    return key_of("sound", RENDERING, knots, *about)


def viewing_sound_key(capture: Capture, plan: Plan) -> str:
    """What the sound of the viewing copies depends on; "" for a silent film."""
    sound = sound_key(capture, plan)
    return key_of(sound, plan.sound.loudness) if plan.sound is not None and sound else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmShelf:
    """The films of one reel on the disk: what stands, what is missing, and their joining."""

    folder: Path
    jobs: list[SegmentJob]
    films: tuple[Film, ...]  # the finished film first
    journal: Journal

    def standing(self) -> dict[str, bool]:
        """Films that hold their pictures: True where they are all that they are to be, False where the rest differs."""
        found = {}
        for film in self.films:
            line = self.journal.lines.get(film.file)
            if line is None or line.key.partition(".")[0] != film.pictures:
                continue
            if self.journal.holds(film.file, line.key):
                found[film.file] = line.key == film.key
        return found

    def table_stands(self) -> bool:
        """Is the table of the finished frames that of these pictures?"""
        return self.journal.holds(TABLE, self.films[0].pictures)

    def missing_jobs(self, standing: Container[str]) -> list[SegmentJob]:
        """What has to be made: whole segments from the capture, or copies alone from finished frames."""
        finished, *copies = self.films
        film_kept, table_kept = finished.file in standing, self.table_stands()
        wanted = [copy.file not in standing and not copy.repeats for copy in copies]
        missing = []
        for n, job in enumerate(self.jobs):
            lacking = tuple(
                part
                for part, copy, want in zip(job.copies, copies, wanted, strict=True)
                if want and part.shown and not self.journal.holds(copy.segments[n], copy.keys[n])
            )
            in_work = self.journal.holds(finished.segments[n], finished.keys[n])
            rows = table_kept or self.journal.holds(_rows_file(job), finished.keys[n])
            if not (rows and (film_kept or in_work)):
                missing.append(replace(job, copies=lacking))
            elif lacking:
                file, first = (finished.file, 0) if film_kept else (finished.segments[n], job.first)
                missing.append(replace(job, copies=lacking, made_before=file, made_before_first=first))
        return missing

    def note_segment(self, job: SegmentJob, files: tuple[str, ...]) -> None:
        """Note a segment's files, each with the key of what it depends on."""
        own = [film for film in self.films if not film.repeats]
        keys = {file: key for film in own for file, key in zip(film.segments, film.keys, strict=True)}
        finished = self.films[0]
        keys |= {_rows_file(each): key for each, key in zip(self.jobs, finished.keys, strict=True)}
        count = len(job.frames)
        for file in files:
            self.journal.add_file(
                "render", file, key=keys[file], first=job.first, stop=job.first + count, rows=count
            )

    def join_table(self, capture_digest: str) -> None:
        """The table of all finished frames from those of the segments."""
        if self.table_stands():
            return
        tables = [read_table(self.folder / _rows_file(job), RENDER_COLUMNS, "render") for job in self.jobs]
        write_table(self.folder / TABLE, replace(join_tables(tables), capture_digest=capture_digest))
        count = sum(self.films[0].counts)
        self.journal.add_file("render", TABLE, key=self.films[0].pictures, stop=count, rows=count)

    def join_films(
        self, standing: Mapping[str, bool], track: FinishedTrack | None, progress: Progress
    ) -> None:
        """Join each film that is not as it is to be: from its segments, or from itself where they stand in it."""
        for number, film in enumerate(self.films):
            progress("files joined", number, len(self.films))
            if standing.get(film.file):
                continue
            if film.repeats:  # it stands before this one in the list
                pieces = [(film.repeats, len(film.times))]
            elif film.file in standing:
                pieces = [(film.file, film.frames)]
            else:
                pieces = [(s, c) for s, c in zip(film.segments, film.counts, strict=True) if c]
            join_segments(
                [self.folder / file for file, _ in pieces],
                self.folder / film.file,
                rate=film.rate,
                frame_counts=[count for _, count in pieces],
                times=film.times or None if film.repeats or film.file not in standing else None,
                container=film.container,
                tags=film.tags,
                sound=track.sound_for(film.container) if track else None,
                chapters=film.chapters,
                time_code=film.time_code,
            )
            count = film.frames
            self.journal.add_file("render", film.file, key=film.key, stop=count, rows=count)
        progress("files joined", len(self.films), len(self.films))

    def drop_segments(self) -> None:
        """Take the segments away once the films stand."""
        for film in self.films:
            for file in film.segments:
                (self.folder / file).unlink(missing_ok=True)
        for job in self.jobs:
            (self.folder / _rows_file(job)).unlink(missing_ok=True)


def _rows_file(job: SegmentJob) -> str:
    return segment_files(job.first, ())[1]

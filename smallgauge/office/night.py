"""The queue at work: one reel after the other, each in a process of its own at lower priority.

run_night     takes jobs from the book until none is left, or for as long as it is told to watch
need_bytes    how much room a reel will take, foretold before anything starts
Watch         captures below a folder that a scanner has finished

What a stopped process made whole is kept, and the same job goes on from there. A reel that fails says so in the book and the
next one begins.
"""

import contextlib
import json
import multiprocessing
import os
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing import connection
from pathlib import Path
from typing import Any

from smallgauge.analyse.follow import MOST_QUIET_S
from smallgauge.analyse.source import open_source
from smallgauge.crew import work_behind
from smallgauge.deliver.phrases import count_words
from smallgauge.deliver.words import outcome_words, sentence
from smallgauge.errors import CallerError, MaterialError, SmallgaugeError
from smallgauge.line import Held, Settings, finish, finish_reel, machines_beside
from smallgauge.lock import held_by, runs_here
from smallgauge.media.arriving import Arrivals
from smallgauge.media.passing import VIDEO_SUFFIXES
from smallgauge.media.whole import free_bytes, plain_size, safe_file_name, write_whole_bytes
from smallgauge.office import queue
from smallgauge.office.book import Book
from smallgauge.office.models import Job
from smallgauge.office.queue import DONE, FAILED, OPEN, RUNNING, WAITING, Worker
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.finding import Finding

# All below: common practice, no source.
TURN_S = 0.5  # between two looks at a running job
BOOK_TURN_S = 2.0  # between two looks into the book
WATCH_S = 2.0  # between two looks for captures
STOP_S = 20.0  # for a job to clear up
TOLD_S = 1.0  # between two reports of a job
MOST_TRIES = 3  # of a job whose process died by itself
LEAVE_BYTES = 10_000_000_000  # left free on the shelf's disk
# Of what a capture's samples take: an archive copy and a finished film without loss, each smaller than the samples, and half as
# much again for copies, tables and sound. The package holds links. Upper bounds, held to a drawn reel by a test.
ROOM = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """What a run of the queue is given from outside."""

    shelf: Path
    by: str
    now: Callable[[], str]
    clock: Callable[[], float]
    wait: Callable[[float], None]
    say: Callable[[str], None]
    held: Held
    workers: int | None = None
    leave_bytes: int = LEAVE_BYTES
    watch: Path | None = None
    looks: int | None = None  # at the watched folder, before the queue ends; None: for ever


@dataclass(slots=True, kw_only=True)
class Told:
    """What came of a night."""

    ran: list[int] = field(default_factory=list)
    failed: list[int] = field(default_factory=list)
    open: list[int] = field(default_factory=list)
    full: str = ""  # why it ended early: no room

    @property
    def exit_code(self) -> int:
        """0 all done; 1 a reel failed, is open, or there was no room."""
        return 1 if self.failed or self.open or self.full else 0


def name_of(shelf: Path, given: Path) -> tuple[str, str]:
    """Name of the reel's folder, and the capture's place, of what a person put in the queue.

    A reel's folder on the shelf is finished from its own archive copy.
    """
    if (given / "reel.json").is_file():
        if given.resolve().parent != shelf.resolve():
            raise CallerError(
                f"A reel's folder must lie on the shelf {shelf}, found {given}; name that shelf."
            )
        return given.resolve().name, ""
    source = open_source(given, machines=machines_beside(shelf))
    return safe_file_name(source.notes.reel or source.name), str(given.resolve())


def need_bytes(shelf: Path, reel: str, capture: str) -> int:
    """Bytes that finishing a reel may be foretold to take on the shelf's disk: an allowance; what lies there is taken off."""
    if capture:
        listing = open_source(Path(capture), machines=machines_beside(shelf)).listing
        count, width, height, bits = listing.count, listing.width, listing.height, listing.encoding.bits
    else:
        paper = read_json(shelf / reel / "capture.json", Capture)
        count, width, height, bits = paper.count, paper.width, paper.height, paper.encoding.bits
    samples = count * width * height * 3 * (1 if bits <= 8 else 2)
    return max(0, int(samples * ROOM) - taken_bytes(shelf / reel))


def taken_bytes(folder: Path) -> int:
    """Bytes of a folder's files, each file once however many names it has; no link is followed."""
    seen: dict[tuple[int, int], int] = {}
    for place, _, names in os.walk(folder):
        for name in names:
            with contextlib.suppress(OSError):
                stat = os.lstat(Path(place) / name)
                seen[stat.st_dev, stat.st_ino] = stat.st_size
    return sum(seen.values())


def short(words: str) -> str:
    """The first sentence of how a job ended; all of it stands in the book."""
    first, _, rest = words.partition(". ")
    return f"{first}. (More in `smallgauge queue status --json`.)" if rest else words


def progress_path(shelf: Path, job: int) -> Path:
    """Where a job's process says how far it is."""
    return shelf / "queue" / f"job-{job}.json"


class _Teller:
    """Writes how far a job is, about once a second, for whoever asks."""

    def __init__(self, path: Path) -> None:
        self.path, self.what, self.first, self.since, self.last = path, "", 0, 0.0, 0.0
        self.findings: list[str] = []

    def progress(self, what: str, done: int, of: int) -> None:
        now = time.monotonic()
        if what != self.what:
            self.what, self.first, self.since = what, done, now
        elif now - self.last < TOLD_S and done < of:
            return
        self.last = now
        rate = (done - self.first) / (now - self.since) if now > self.since else 0.0
        left = round((of - done) / rate) if rate > 0 else None
        self._write({"what": what, "done": done, "of": of, "rate": round(rate, 2), "left_s": left})

    def finding(self, finding: Finding) -> None:
        if finding.weight != "note":
            self.findings.append(sentence(finding))

    def end(self, code: int, words: str) -> None:
        self._write({"exit_code": code, "words": words})

    def _write(self, document: dict[str, Any]) -> None:
        with contextlib.suppress(OSError, SmallgaugeError):  # a full disk must not end the work itself here
            write_whole_bytes(self.path, json.dumps(document, ensure_ascii=False).encode())


def run_job(
    shelf: Path, reel: str, capture: str, at: str, workers: int | None, held: Held, told: Path
) -> None:
    """One job, in a process of its own; how it ended stands in the file `told`."""
    work_behind()
    signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(0))
    teller = _Teller(told)
    settings = Settings(at=at, workers=workers, progress=teller.progress, say=teller.finding, held=held)
    try:
        outcome = finish(Path(capture), shelf, settings) if capture else finish_reel(shelf / reel, settings)
        words = outcome_words(reel, outcome.steps, proved=outcome.proved, exit_code=outcome.exit_code)
        teller.end(outcome.exit_code, " ".join([words, *teller.findings]))
    except SmallgaugeError as error:
        teller.end(error.exit_code, str(error))
    except OSError as error:
        place = f" at {error.filename}" if error.filename else ""
        teller.end(3, f"The system refused to read or write: {error.strerror or error}{place}; mend that.")
    except Exception as error:
        teller.end(
            70, f"The program itself failed ({type(error).__name__}: {error}); captured files are untouched."
        )


class Watch:
    """Captures below a folder, each finished once nothing in it has changed for a while and every file is whole."""

    def __init__(self, folder: Path) -> None:
        if not folder.is_dir():
            raise MaterialError(
                f"A watched folder must be there, found none at {folder}; make it or name another."
            )
        self.folder = folder
        self._folders: dict[Path, Arrivals] = {}
        self._videos: dict[Path, tuple[int, int, float]] = {}

    def finished(self, now: float) -> list[Path]:
        """Captures that are finished now."""
        found = []
        for place in sorted(self.folder.iterdir()):
            if place.name.startswith(".") or place.is_symlink():
                continue
            with contextlib.suppress(OSError, SmallgaugeError):  # half there: it is looked at again
                if (self._folder if place.is_dir() else self._video)(place, now):
                    found.append(place)
        return found

    def _folder(self, place: Path, now: float) -> bool:
        seen = self._folders.setdefault(place, Arrivals(place))
        seen.look(now)
        frames = seen.frames()
        quiet = now - (seen.last_change if seen.last_change is not None else now) >= MOST_QUIET_S
        whole = bool(frames) and seen.settled(now, ended=True) == len(frames)
        return quiet and whole and not seen.unfinished and not seen.videos

    def _video(self, place: Path, now: float) -> bool:
        if place.suffix.lower() not in VIDEO_SUFFIXES:
            return False
        stat = place.stat()
        size, changed, since = self._videos.get(place, (-1, -1, now))
        if (size, changed) != (stat.st_size, stat.st_mtime_ns):
            self._videos[place] = stat.st_size, stat.st_mtime_ns, now
            return False
        return stat.st_size > 0 and now - since >= MOST_QUIET_S


def foretell(book: Book, shelf: Path) -> list[tuple[Job, int, str]]:
    """Every job that waits, with the room that is foretold for it, or why that can't be told."""
    with book.read() as session:
        waiting = [job for job in queue.jobs_of(session, str(shelf)) if job.state == WAITING]
    told = []
    for job in waiting:
        try:
            told.append((job, need_bytes(shelf, job.reel, job.capture), ""))
        except SmallgaugeError as error:
            told.append((job, 0, str(error)))
    return told


def foretold_words(told: list[tuple[Job, int, str]], free: int, leave: int) -> str:
    """Tonight's need in one sentence."""
    need = sum(size for _, size, _ in told)
    begin = f"{count_words(len(told), 'reel')} to do: up to {plain_size(need)}, and {plain_size(max(0, free - leave))} may be used"
    if need > free - leave:
        return f"{begin}: there is not room for all, those that fit are done."
    return f"{begin}."


def run_night(book: Book, night: Night) -> Told:
    """Run the queue until no job waits that fits; with a folder to watch, until it is stopped."""
    told, shelf = Told(), str(night.shelf)
    watch = Watch(night.watch) if night.watch is not None else None
    (night.shelf / "queue").mkdir(exist_ok=True)
    revive(book, night)
    foretold = foretell(book, night.shelf)
    if foretold:
        night.say(foretold_words(foretold, free_bytes(night.shelf), night.leave_bytes))
    looks = 0
    while True:
        if watch is not None:
            _take_in(book, night, watch)
            looks += 1
        fits = _Fits(night)
        job = queue.take_next(book, at=night.now(), by=night.by, shelf=shelf, worker=_me(), may=fits)
        if job is not None:
            told.ran.append(job.id)
            if not _run(book, night, job, told):
                return told
        elif watch is None or (night.looks is not None and looks >= night.looks):
            told.full = fits.full
            if told.full:
                night.say(told.full)
            return told
        else:
            night.wait(WATCH_S)


def revive(book: Book, night: Night) -> None:
    """Let jobs of this machine wait again whose process is dead."""
    for job in queue.take_up(book, at=night.now(), by=night.by, shelf=str(night.shelf), dead=_is_dead):
        night.say(f"{job.reel} was left by a bench that was stopped; it goes on from there.")


def _me() -> Worker:
    import platform

    import psutil

    return Worker(host=platform.node(), process=os.getpid(), began=repr(psutil.Process().create_time()))


def _is_dead(worker: Worker) -> bool:
    """Whether a process of this machine is gone; another machine's can't be told from here."""
    import platform

    if worker.host != platform.node():
        return False
    try:
        return not runs_here(worker.process, float(worker.began))
    except ValueError:
        return True


class _Fits:
    """Whether a job may begin here now: its capture is there, nobody works on the reel, and there is room."""

    def __init__(self, night: Night) -> None:
        self.night, self.full = night, ""

    def __call__(self, job: Job) -> bool:
        shelf = self.night.shelf
        if job.capture and not Path(job.capture).exists():
            return Path(job.capture).parent.exists()  # if not, it may lie on another bench's disk
        if held_by(shelf / job.reel) is not None:
            return False
        try:
            need = need_bytes(shelf, job.reel, job.capture)
        except SmallgaugeError:
            return True  # it is begun, and says itself what is wrong
        free = free_bytes(shelf) - self.night.leave_bytes
        if need <= free:
            return True
        self.full = (
            f"{job.reel} needs up to {plain_size(need)} and {plain_size(max(0, free))} may be used on the disk of {shelf}; make "
            "room there, then run the queue again: it goes on from there."
        )
        return False


def _take_in(book: Book, night: Night, watch: Watch) -> None:
    for capture in watch.finished(night.clock()):
        with book.read() as session:
            if queue.knows_capture(session, str(night.shelf), str(capture.resolve())):
                continue
        with contextlib.suppress(CallerError):  # another bench was faster, or the reel is in the queue
            reel, place = name_of(night.shelf, capture)
            queue.add_job(book, at=night.now(), by=night.by, shelf=str(night.shelf), reel=reel, capture=place)
            night.say(f"{capture.name} is finished and waits as {reel}.")


def _run(book: Book, night: Night, job: Job, told: Told) -> bool:
    """Run one job to its end; False where the queue must end, because there is no room or it was stopped."""
    path = progress_path(night.shelf, job.id)
    path.unlink(missing_ok=True)
    context = multiprocessing.get_context("spawn")
    process = context.Process(
        target=run_job,
        args=(night.shelf, job.reel, job.capture, night.now(), night.workers, night.held, path),
    )

    def end(state: str, words: str) -> None:
        queue.end_job(book, at=night.now(), by=night.by, job=job.id, worker=_me(), state=state, words=words)

    night.say(f"{job.reel} begins.")
    process.start()
    looked = night.clock()
    try:
        while not connection.wait([process.sentinel], TURN_S):
            free = free_bytes(night.shelf)
            if free < night.leave_bytes:
                _end(process)
                told.full = (
                    f"{plain_size(free)} is free on the disk of {night.shelf}, less than is left free; {job.reel} was stopped and "
                    "goes on when there is room."
                )
                end(WAITING, told.full)
                night.say(told.full)
                return False
            if night.clock() - looked >= BOOK_TURN_S:
                looked = night.clock()
                if queue.state_of(book, job.id) != RUNNING:
                    _end(process)
                    end(WAITING, "stopped; what is whole is kept")
                    night.say(f"{job.reel} was stopped; what is whole is kept.")
                    return True
    except BaseException:
        _end(process)
        end(WAITING, "the queue was stopped; what is whole is kept")
        raise
    process.join()
    ended = _ended(path)
    if ended is None and job.tries < MOST_TRIES:
        end(WAITING, "its process ended without a word; it is tried again")
        night.say(f"{job.reel}: its process ended without a word; it is tried again.")
        return True
    code, words = ended or (
        70,
        f"its process ended without a word, {job.tries} times; look into the reel's folder",
    )
    state = DONE if code == 0 else OPEN if code == 1 else FAILED
    end(state, words)
    if state != DONE:
        (told.open if state == OPEN else told.failed).append(job.id)
    night.say(f"{job.reel}: {state}. {short(words)}")
    return True


def _ended(path: Path) -> tuple[int, str] | None:
    document = progress_of(path)
    return (int(document["exit_code"]), str(document["words"])) if "exit_code" in document else None


def progress_of(path: Path) -> dict[str, Any]:
    """What a job's process said last; empty where it said nothing yet."""
    try:
        document = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return {}
    return document if isinstance(document, dict) else {}


def _end(process: Any) -> None:
    """Ask a job's process to end, and its workers with it; what does not clear up in time is killed."""
    import psutil

    family = []
    with contextlib.suppress(psutil.Error):
        family = psutil.Process(process.pid).children(recursive=True)
    process.terminate()
    if not connection.wait([process.sentinel], STOP_S):
        process.kill()
    process.join()
    for each in family:
        with contextlib.suppress(psutil.Error):
            each.kill()

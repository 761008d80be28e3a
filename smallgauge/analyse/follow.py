"""A capture read while the scanner is still writing it: calls while it runs, and one verdict at its end.

Bench      what a run is given from outside: the clock, the operator's words, whom to tell
Follower   looks, measures and judges

Three things are done at once. Every look counts the files and sees which are whole. About twice a second the newest
whole frame is measured by itself, so that what goes wrong is said at once. And as soon as a survey of the frames so
far is good enough to be frozen, whole chunks are measured by workers as `analyse` would: where that keeps up with
the scanner every frame is measured and compared with its neighbours, and `analyse` afterwards keeps what was made.
Tables come first; archive segments, which cost more, are made in the time that is left.

Why this is long: one loop and the state that its turns share.
"""

from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from smallgauge import __version__
from smallgauge.analyse.frozen import FOLLOWED, FollowedSurvey, followed_key, good_enough, take_followed
from smallgauge.analyse.listening import Listening
from smallgauge.analyse.meter import Meter
from smallgauge.analyse.reel import (
    FOLLOW_STEP,
    MEASURING,
    chunk_key,
    missing_part,
    note_chunk,
)
from smallgauge.analyse.rows import HALO, ChunkJob, ChunkResult, analyse_chunk, chunk_files
from smallgauge.analyse.seen import Seen, look_at_all, look_at_focus, look_at_recent
from smallgauge.analyse.source import Source
from smallgauge.analyse.standing import StandingLooks
from smallgauge.analyse.survey import SurveyFound, survey_frames, surveyed_capture
from smallgauge.analyse.times import growing_times
from smallgauge.analyse.verdict import Counted, judge_count, picture_length_s
from smallgauge.errors import MaterialError, SmallgaugeError
from smallgauge.media.arriving import Arrival, Arrivals
from smallgauge.media.picture_in import UnreadableFrame, open_picture
from smallgauge.record.archive import MATROSKA, form_wanted
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_text_if_there, write_json
from smallgauge.record.finding import Finding
from smallgauge.record.frametable import FRAME_COLUMNS, PERFORATION_COLUMNS
from smallgauge.record.journal import Journal
from smallgauge.record.light import light_of_capture
from smallgauge.record.machines import Machines
from smallgauge.record.notes import CaptureNotes, read_notes
from smallgauge.record.recipe import SEGMENT_FRAMES
from smallgauge.record.table import read_table
from smallgauge.record.verdict import Verdict
from smallgauge.record.work import Helper, died, silent

# All below: common practice, no source.
TURN_S = 0.2  # between two looks
LOOKS_PER_S = 2.0  # frames measured by themselves
LEAST_QUIET_S, MOST_QUIET_S = 5.0, 15.0
QUIET_FRAMES = 25  # without a new frame for the time of so many frames the scanner has stopped
FIRST_FRAME_S = 600.0  # a capture that has not begun by then is not waited for
ANSWER_S = 22.0  # after the last change the verdict is given with what there is: half a minute is promised
ASKED_S = 1.0  # after the operator asked: a file that is being written would grow in that time
BEHIND_FRAMES = 400  # whole frames that wait to be measured before it is said that not every frame is
FIRST_SURVEYS = (24, 96, 192, 384, 768, 1536)  # frames there when a survey is tried
PACE_S = 20.0  # after the first frame it is said whether every frame is measured
WORDS_S = 5.0  # a capture.toml that can't be read for so long is wrong, and not just being written


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What a run is given from outside.

    `clock` gives seconds and only goes forwards, `wait` lets some pass, `asked` says whether the operator wants the
    verdict now. `quiet_s` None is derived from the rate; `frames` and `sound` are the operator's word, None where
    nothing was said. `told` is given the verdict as soon as it stands.
    """

    clock: Callable[[], float]
    wait: Callable[[float], None]
    asked: Callable[[], bool] = lambda: False
    say: Callable[[Finding], None] = lambda finding: None
    told: Callable[[Verdict], None] = lambda verdict: None
    quiet_s: float | None = None
    frames: int | None = None
    sound: bool | None = None
    stated: tuple[str, ...] = ()
    machines: Machines = field(default_factory=Machines)


@dataclass(slots=True, kw_only=True)
class _Running:
    """A job that was given out."""

    future: "Future[Any]"
    job: ChunkJob
    key: str
    names: tuple[str, ...]
    spoiled: bool = False  # a frame of it changed meanwhile


@dataclass(slots=True, kw_only=True)
class _Done:
    """A chunk whose tables stand, of these files."""

    key: str
    names: tuple[str, ...]
    archived: bool = False
    tail: bool = False  # cut short by the end of the capture


@dataclass(slots=True, kw_only=True)
class _Chunks:
    running: dict[int, _Running] = field(default_factory=dict)
    done: dict[int, _Done] = field(default_factory=dict)
    failed: set[int] = field(default_factory=set)
    deaths: dict[int, int] = field(default_factory=dict)


def survey_job(source: Source, tick: Callable[[int], None]) -> SurveyFound:
    """The survey of the frames so far, as a job."""
    return survey_frames(source, progress=silent)


class Follower:
    """One capture followed to its end. `folder` is where chunks go, `keep` whether a reel is made of them there."""

    def __init__(
        self, path: Path, folder: Path, journal: Journal, helper: Helper, bench: Bench, *, keep: bool
    ) -> None:
        self.path, self.folder, self.journal, self.helper, self.bench = path, folder, journal, helper, bench
        self.keep = keep
        self.arrivals = Arrivals(path)
        self.listening = Listening(path / "sound.wav", stated=bench.sound)
        self.seen = Seen()
        self.notes = CaptureNotes()
        self.said: tuple[Finding, ...] = ()
        self.stamps: dict[int, float] = {}
        self.stamps_bytes = -1
        self.words_wrong: float | None = None  # since when capture.toml can't be read
        self.begin = bench.clock()
        self.first_frame: float | None = None
        self.asked_at: float | None = None
        self.surveying: Future[SurveyFound] | None = None
        self.surveyed_of: Source | None = None
        self.tried = 0
        self.refused = ""  # why the frames so far could not be surveyed
        self.capture: Capture | None = None  # of the last survey
        self.frozen = False
        self.meter: Meter | None = None
        self.last_look = -1
        self.every = 0
        self.unreadable: dict[int, str] = {}
        self.chunks = _Chunks()
        self.warnings: dict[str, Finding] = {}
        self.warned: list[Finding] = []
        self.standing = StandingLooks()

    # The loop

    def run(self) -> Verdict:
        """Follow the capture to its end and judge it."""
        while True:
            now = self.bench.clock()
            self._look(now)
            if self._ended(now):
                break
            self._harvest()
            self._survey(now)
            self._give_out(now, ended=False)
            self._glance(now)
            self._call(now)
            self.bench.wait(max(0.0, TURN_S - (self.bench.clock() - now)))
        last = self.arrivals.last_change or now
        self._finish_measuring(max(last + ANSWER_S, now + LEAST_QUIET_S))
        verdict = self._judge(last)
        self.bench.told(verdict)
        self._let_end()
        return replace(verdict, chunks_kept=self._kept())

    def _look(self, now: float) -> None:
        self.arrivals.look(now)
        if self.arrivals.videos and not self.arrivals.files:
            raise MaterialError(
                f"follow reads single frames, found the video file {self.arrivals.videos[0]} in {self.path.name}; a "
                "video can't be counted frame by frame before the scanner closes it: run `smallgauge analyse` then."
            )
        for number in self.arrivals.altered:
            self._forget(number)
        self.arrivals.altered.clear()
        if self.arrivals.files and self.first_frame is None:
            self.first_frame = now
        self.listening.look(now)
        self._read_stamps()
        self._read_words(now)

    def _read_stamps(self) -> None:
        path = self.path / "frames.csv"
        size = path.stat().st_size if path.exists() else -1
        if size != self.stamps_bytes:
            self.stamps_bytes, self.stamps = size, growing_times(read_text_if_there(path))

    def _read_words(self, now: float) -> None:
        """The operator's words; a paper that is just being written is left for the next look."""
        try:
            self.notes, self.said = read_notes(
                read_text_if_there(self.path / "capture.toml"), where="capture.toml", stated=self.bench.stated
            )
        except (MaterialError, UnicodeDecodeError):
            self.words_wrong = self.words_wrong or now
            if now - self.words_wrong >= WORDS_S:
                raise
            return
        self.words_wrong = None

    def _forget(self, number: int) -> None:
        """A frame that was whole changed: nothing that was made of it stands."""
        self.seen.forget(number)
        self.unreadable.pop(number, None)
        names = {file.name for file in self.arrivals.frames() if file.number == number}
        for first in [f for f, done in self.chunks.done.items() if names & set(done.names)]:
            del self.chunks.done[first]
        for running in self.chunks.running.values():
            running.spoiled = running.spoiled or bool(names & set(running.names))

    def _ended(self, now: float) -> bool:
        if self.asked_at is None and self.bench.asked():
            self.asked_at = now
        if self.first_frame is None:
            if self.asked_at is not None:
                raise KeyboardInterrupt
            if now - self.begin >= FIRST_FRAME_S:
                raise MaterialError(
                    f"A capture must begin within {FIRST_FRAME_S / 60:.0f} minutes, but no frame came into {self.path}; "
                    "check that the scanner writes there, and run the command again."
                )
            return False
        if self.asked_at is not None:
            return now - self.asked_at >= ASKED_S
        whole = self.arrivals.settled(now, ended=True)
        if self.bench.frames is not None and whole >= self.bench.frames:
            return True
        return now - (self.arrivals.last_change or now) >= self.quiet_s(now)

    def quiet_s(self, now: float) -> float:
        """How long nothing must come before the capture counts as ended."""
        if self.bench.quiet_s is not None:
            return self.bench.quiet_s
        rate = self.arrivals.rate(now)
        wanted = QUIET_FRAMES / rate if rate else 10.0
        return min(MOST_QUIET_S, max(LEAST_QUIET_S, wanted))

    # What is known of the capture

    def _source(self, count: int) -> Source:
        """The first `count` frames as a capture."""
        return Source(
            path=self.path,
            name=self.path.name,
            listing=self.arrivals.listing(count),
            notes=self.notes,
            findings=self.said,
            times_s=np.full(count, np.nan),
            sound=None,
            machines=self.bench.machines,
        )

    def _survey(self, now: float, *, ended: bool = False) -> None:
        """Survey what is there at certain counts, until a survey may be frozen."""
        if self.surveying is not None:
            if not self.surveying.done():
                return
            self._take_survey(self.surveying)
            self.surveying = None
        count = self.arrivals.settled(now, ended=ended)
        due = [n for n in FIRST_SURVEYS if self.tried < n <= count]
        if self.frozen or not count or not (due or (ended and self.capture is None and count > self.tried)):
            return
        source = self._source(count)
        followed = take_followed(source, folder_journal=self.journal, measuring=MEASURING)
        self.tried, self.surveyed_of = count, source
        if followed is not None:
            self._use(source, followed.found, frozen=True)
            return
        self.surveying = self.helper.submit(survey_job, source, outside=True)
        if self.surveying.done():
            self._survey(now, ended=ended)

    def _take_survey(self, future: "Future[SurveyFound]") -> None:
        source = self.surveyed_of
        assert source is not None
        try:
            found = future.result()
        except Exception as error:
            if not (isinstance(error, SmallgaugeError) or died(error)):
                raise
            self.refused = "a frame of it ended the process that read it" if died(error) else str(error)
            return
        self.refused = ""
        frozen = good_enough(found, source.listing.count)
        self._use(source, found, frozen=frozen)
        if frozen:
            root = source.listing.root
            files = tuple((name, (root / name).stat().st_size) for name in source.listing.files)
            (self.folder / FOLLOWED).parent.mkdir(parents=True, exist_ok=True)
            write_json(self.folder / FOLLOWED, FollowedSurvey(files=files, found=found))
            self.journal.add_file(FOLLOW_STEP, FOLLOWED, key=followed_key(source, MEASURING))

    def _use(self, source: Source, found: SurveyFound, *, frozen: bool) -> None:
        self.capture = surveyed_capture(source, found, program=f"smallgauge {__version__}")
        self.meter, self.frozen = Meter(self.capture), frozen

    # Frames measured by themselves

    def _glance(self, now: float) -> None:
        """Measure the newest whole frame by itself, if one is due."""
        count = self.arrivals.settled(now)
        if self.meter is None or not count:
            return
        rate = self.arrivals.rate(now) or LOOKS_PER_S
        every = max(1, round(rate / LOOKS_PER_S))
        frame = (count - 1) // every * every
        if frame <= self.last_look:
            return
        self.every = max(self.every, every)
        self.last_look = frame
        self._measure_alone(self._source(count), frame)

    def _measure_alone(self, source: Source, frame: int) -> None:
        assert self.meter is not None and self.capture is not None
        number = source.listing.numbers[frame]
        try:
            with open_picture(source.listing) as reader:
                picture = reader.read(frame)
        except UnreadableFrame as error:
            self.unreadable[number] = error.reason
            return
        survey = self.capture.survey
        self.standing.look(
            light_of_capture(picture.samples, self.meter.table, None),
            area=self.capture.picture_area,
            place=(survey.rows[0], survey.usual_y_px) if survey is not None else (0.0, 0.0),
        )
        self.meter.forget()
        row, holes = self.meter.measure(frame, picture)
        margin = _margin_px([(h.get("x_px"), h.get("confidence")) for h in holes], self.capture)
        self.seen.add(number, row, margin_px=margin, compared=False)

    # Chunks

    def _give_out(self, now: float, *, ended: bool) -> None:
        """Give chunks to workers that are free: tables first, archive segments in the time that is left."""
        if not self.frozen or self.capture is None:
            return
        front = self.arrivals.settled(now, ended=ended)
        if front < SEGMENT_FRAMES and not ended:
            return
        frames = self.arrivals.frames()
        self._drop_moved(frames)
        source: Source | None = None
        for first in range(0, front, SEGMENT_FRAMES):
            stop = min(first + SEGMENT_FRAMES, front)
            if stop - first < SEGMENT_FRAMES and not ended:
                break
            if first in self.chunks.done or first in self.chunks.running or first in self.chunks.failed:
                continue
            if len(self.chunks.running) >= self.helper.workers:
                return
            source = source or self._source(front)
            self._start(source, first, stop, rows=True)
        quieting = now - (self.arrivals.last_change or now) > LEAST_QUIET_S / 2
        if not self.keep or ended or quieting or self.surveying is not None:
            return
        for first, done in sorted(self.chunks.done.items()):
            if len(self.chunks.running) >= self.helper.workers:
                return
            if first in self.chunks.running or first in self.chunks.failed:
                continue
            if not done.archived and not done.tail:
                source = source or self._source(front)
                if (
                    form_wanted(source.listing, source.notes.archive) == MATROSKA
                ):  # single frames: by `analyse`
                    self._start(source, first, first + SEGMENT_FRAMES, rows=False)

    def _drop_moved(self, frames: list[Arrival]) -> None:
        """Chunks whose files are no longer those: a frame came late and the ones after it moved on."""
        for first, done in list(self.chunks.done.items()):
            now = tuple(file.name for file in frames[max(0, first - HALO) : first + SEGMENT_FRAMES])
            if done.names != now[: len(done.names)]:
                del self.chunks.done[first]

    def _start(self, source: Source, first: int, stop: int, *, rows: bool) -> None:
        assert self.capture is not None
        job = ChunkJob(
            folder=str(self.folder),
            listing=source.listing,
            capture=replace(self.capture, notes=source.notes),
            first=first,
            stop=stop,
            rate=Fraction(self.capture.rate or 18),
            archive="" if rows else MATROSKA,
            rows=rows,
            pack=rows and self.keep,
        )
        key = chunk_key(source, self.capture, first, stop)
        names = source.listing.files[max(0, first - HALO) : stop]
        if missing_part(self.journal, replace(job, archive=""), key) is None and rows:
            self._rows_stand(job, key, names)  # made by an earlier run
            return
        if not rows and missing_part(self.journal, job, key) is None:
            self.chunks.done[first].archived = True
            return
        future = self.helper.submit(analyse_chunk, job, outside=True)
        self.chunks.running[first] = _Running(future=future, job=job, key=key, names=names)
        if future.done():
            self._harvest()

    def _harvest(self) -> None:
        """Take in what the workers have done."""
        for first, running in list(self.chunks.running.items()):
            if not running.future.done():
                continue
            del self.chunks.running[first]
            error = running.future.exception()
            if error is None and not running.spoiled:
                result: ChunkResult = running.future.result()
                note_chunk(self.journal, running.job, result, running.key, step=FOLLOW_STEP)
                if running.job.rows:
                    self._rows_stand(running.job, running.key, running.names)
                elif first in self.chunks.done:
                    self.chunks.done[first].archived = True
            elif isinstance(error, UnreadableFrame):
                self.unreadable[running.job.listing.numbers[error.number]] = error.reason
                self.chunks.failed.add(first)
            elif isinstance(error, MaterialError):  # a frame changed between two readings
                self.chunks.done.pop(first, None)
            elif died(error):  # given out once more, and then left to be looked at frame by frame
                self.chunks.deaths[first] = self.chunks.deaths.get(first, 0) + 1
                if self.chunks.deaths[first] == 2:
                    self.chunks.failed.add(first)
            elif error is not None:
                raise error

    def _rows_stand(self, job: ChunkJob, key: str, names: tuple[str, ...]) -> None:
        tail = job.stop - job.first < SEGMENT_FRAMES
        self.chunks.done[job.first] = _Done(key=key, names=names, tail=tail)
        files = chunk_files(job.first, archive="")
        rows = read_table(self.folder / files[0], FRAME_COLUMNS, "frames")
        holes = read_table(self.folder / files[1], PERFORATION_COLUMNS, "perforations")
        seen: dict[int, list[tuple[Any, Any]]] = {}
        for frame, x, sure in zip(holes["frame"], holes["x_px"], holes["confidence"], strict=True):
            seen.setdefault(int(frame), []).append((x, sure))
        for place, frame in enumerate(range(job.first, job.stop)):
            row = {name: values[place] for name, values in rows.values.items()}
            margin = _margin_px(seen.get(frame, []), job.capture)
            self.seen.add(job.listing.numbers[frame], row, margin_px=margin, compared=True)

    def _finish_measuring(self, until: float) -> None:
        """Measure what is left, as far as the time goes: single frames first, so that none of the film is unseen."""
        alone = False
        while True:
            now = self.bench.clock()
            self._harvest()
            self._survey(now, ended=True)
            self._give_out(now, ended=True)
            if self.meter is not None and not alone:
                alone = True
                self._measure_spread(until)
                continue
            busy = bool(self.chunks.running) or self.surveying is not None
            if not busy or now >= until:
                return
            self.bench.wait(TURN_S)

    def _measure_spread(self, until: float) -> None:
        """The last frame, and every n-th that nobody has measured yet."""
        count = self.arrivals.settled(self.bench.clock(), ended=True)
        if not count:
            return
        source = self._source(count)
        looked = self.seen.columns(source.listing.numbers).looked
        step = self.every or max(1, count // 50)
        for frame in dict.fromkeys((count - 1, *range(0, count, step))):
            if self.bench.clock() >= until:
                return
            if not looked[frame]:
                self._measure_alone(source, frame)

    def _let_end(self) -> None:
        """Wait for what the workers have in hand, so that it is kept."""
        while self.chunks.running:
            self.bench.wait(TURN_S)
            self._harvest()

    def _kept(self) -> int:
        return sum(not done.tail for done in self.chunks.done.values()) if self.keep else 0

    # Calls and verdict

    def _px_per_mm(self) -> float:
        survey = self.capture.survey if self.capture is not None else None
        return survey.across_px_per_mm if survey is not None else float("nan")

    def _by_perforation(self) -> bool:
        return self.capture is not None and self.capture.survey is not None

    def _call(self, now: float) -> None:
        """Say what is wrong, once for each kind."""
        if self.first_frame is None:
            return
        since = now - self.first_frame
        numbers = [file.number for file in self.arrivals.frames() if file.header is not None]
        found = list(
            look_at_recent(
                self.seen.columns(numbers), px_per_mm=self._px_per_mm(), by_perforation=self._by_perforation()
            )
        )
        found += self.listening.now(
            self.notes, since_first_s=since, last_frame=self.arrivals.last_change or now
        )
        front = self.arrivals.settled(now)
        gaps = Counted(
            numbers=tuple(numbers[:front]),
            waiting=(),
            strange=(),
            unreadable=(),
            stamps={},
            stated=None,
            still_written=False,
        ).gaps
        if gaps:
            values: dict[str, object] = {"frame": gaps[0][0] + 1, "missing": sum(n for _, n in gaps)}
            found.append(Finding(code="now numbers missing", values=values))
        if self.refused and self.capture is None and self.tried >= FIRST_SURVEYS[1]:
            found.append(Finding(code="now not measured", values={"reason": self.refused}))
        found += self.standing.told
        pace = self._pace(now) if since >= PACE_S else None
        if pace is not None:
            found.append(pace)
        for finding in found:
            if finding.code not in self.warnings:
                self.warnings[finding.code] = finding
                self.warned.append(finding)
                self.bench.say(finding)

    def _pace(self, now: float) -> Finding | None:
        """Whether every frame is measured, or every n-th."""
        rate = self.arrivals.rate(now)
        if rate is None or self.meter is None:
            return None
        front = self.arrivals.settled(now)
        measured = SEGMENT_FRAMES * len(self.chunks.done)
        if self.frozen and front - measured <= BEHIND_FRAMES:
            return Finding(code="follow every frame", values={"rate": round(rate, 1)})
        return Finding(
            code="follow every n-th frame", values={"rate": round(rate, 1), "every": max(1, self.every)}
        )

    def _counted(self) -> Counted:
        frames = self.arrivals.frames()
        whole = [file for file in frames if file.header is not None]
        waiting = [(file.name, _missing_words(file.why)) for file in frames if file.header is None]
        waiting += [(name, "its name says that it is unfinished") for name in self.arrivals.unfinished]
        place = {file.number: n for n, file in enumerate(whole)}
        return Counted(
            numbers=tuple(file.number for file in whole),
            waiting=tuple(waiting),
            strange=(*self.arrivals.strangers(), *self.arrivals.of_other_form()),
            unreadable=tuple(
                (place[number], whole[place[number]].name, why)
                for number, why in sorted(self.unreadable.items())
                if number in place
            ),
            stamps=self.stamps,
            stated=self.bench.frames,
            still_written=self.asked_at is not None and (self.arrivals.last_change or 0.0) > self.asked_at,
        )

    def _judge(self, last: float) -> Verdict:
        now = self.bench.clock()
        self.arrivals.look(now)
        self.listening.look(now)
        self._read_stamps()
        counted = self._counted()
        columns = self.seen.columns(counted.numbers)
        survey = self.capture.survey if self.capture is not None else None
        pitch = survey.pitch_px if survey is not None else float("nan")
        reasons, notes = judge_count(counted, columns, pitch_px=pitch)
        looked, compared = int(np.count_nonzero(columns.looked)), int(np.count_nonzero(columns.compared))
        if not looked:
            why = self.refused or "no frame was whole"
            reasons += (Finding(code="reel not measured", values={"reason": why}),)
        else:
            reasons += look_at_all(
                columns, px_per_mm=self._px_per_mm(), by_perforation=self._by_perforation()
            )
            notes += look_at_focus(columns)
        came = [file.first_seen for file in self.arrivals.frames()]
        reasons += self.listening.at_end(
            self.notes,
            picture_s=picture_length_s(counted),
            last_frame=max(came) if came and max(came) > self.begin + TURN_S else None,
        )
        values: dict[str, object] = {"looked": looked, "compared": compared, "of": len(counted.numbers)}
        notes = (Finding(code="follow looked at", values=values | {"every": max(1, self.every)}), *notes)
        return Verdict(
            capture=self.path.name,
            may_come_off=not reasons,
            reasons=reasons,
            notes=notes,
            warnings=tuple(self.warned),
            frames=len(counted.numbers),
            looked=looked,
            compared=compared,
            every=max(1, self.every),
            chunks_kept=self._kept(),
            rate=self.arrivals.rate(now),
            answered_s=round(now - last, 2),
        )


def _missing_words(why: str) -> str:
    """What an unfinished file still lacks: it is no damage before the scanner has ended."""
    if not why:
        return "it was still changing"
    short = "the file ends early: "
    return f"{why.removeprefix(short)} have come" if why.startswith(short) else why


def _margin_px(holes: list[tuple[Any, Any]], capture: Capture) -> float:
    """From the surest perforation's side to the nearer side edge of the capture, px; NaN without one."""
    survey = capture.survey
    known = [(float(sure or 0), float(x)) for x, sure in holes if x is not None and x == x]
    if survey is None or not known:
        return float("nan")
    x = max(known)[1]
    return min(x - survey.width_px / 2 + 0.5, capture.width - 0.5 - (x + survey.width_px / 2))

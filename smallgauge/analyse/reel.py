"""The first pass: survey, chunks, join. Every frame is read once; the archive copy is written from it.

Survey   at most 96 frames spread over the capture give gauge, scale, blur, best channel and usual place.
Chunks   each row depends on the survey, its own frame and two frames before it.
Join     functions of whole columns run once: scenes, the account of frames, splices, perforations. The chunks' parts of the
         archive copy are joined beside the passes that follow; then `capture.json` says that the analysis is complete.
"""

from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge import __version__
from smallgauge.analyse.archive import (
    JoinJob,
    WhenJoined,
    archive_findings,
    copy_beside,
    join_archive,
    keep_files,
)
from smallgauge.analyse.filmstate import tell_film
from smallgauge.analyse.frames_out import (
    check_room,
    drop_other_form,
    frames_stand,
    join_lists,
)
from smallgauge.analyse.frozen import take_followed, why_not_kept
from smallgauge.analyse.guide import ARCHIVE_GUIDE, guide_key, hear_guide
from smallgauge.analyse.lineup import line_up, line_up_findings
from smallgauge.analyse.outside import mend_chunk
from smallgauge.analyse.rows import HALO, ChunkJob, ChunkResult, analyse_chunk, chunk_files, chunk_pack
from smallgauge.analyse.source import Source, look_at_sound
from smallgauge.analyse.survey import survey_frames, surveyed_capture
from smallgauge.analyse.track import analyse_track, hear_track
from smallgauge.errors import MaterialError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.media.decoded import prepare_decoded
from smallgauge.media.frame_files import FRAME_FORMS
from smallgauge.media.sound_inside import write_sound_inside
from smallgauge.media.whole import copy_whole, digest_file
from smallgauge.record.archive import FILM, FRAMES_LIST, form_wanted, main_file
from smallgauge.record.capture import Capture, CapturedFile, CapturedSound, digest_capture
from smallgauge.record.files import read_json, write_json
from smallgauge.record.filmstate import (
    FILM_PAPER,
    LENGTH_CODES,
    FilmState,
    film_findings,
    length_findings,
)
from smallgauge.record.finding import Finding
from smallgauge.record.flags import FLAG_NAMED
from smallgauge.record.frametable import FRAME_COLUMNS, PERFORATION_COLUMNS
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.recipe import SEGMENT_FRAMES
from smallgauge.record.reel import Reel, Run
from smallgauge.record.soundfaults import FAULT_FILES, SoundFaults, write_faults
from smallgauge.record.table import Table, join_tables, read_table, write_table
from smallgauge.record.track import TRACK_PAPER, TrackPaper, track_findings
from smallgauge.record.work import Progress, Runner

MEASURING = 17  # raised when the same frames would give other rows
MOST_LIGHT = 1.05  # of an open perforation before the stated open gate is doubted; common practice, no source
FOLLOW_STEP = "follow"  # journal lines of chunks made while the scanner was still writing


# Frames: their tables, being joined, take some 8 kB a frame (docs/benchmarks.md, growth); from here on idle processes are let go.
LONG = 4000
INSIDE = "work/sound-inside.wav"  # samples of the sound inside a video, until they are the archive's


@dataclass(frozen=True, slots=True, kw_only=True)
class _Work:
    """What the steps of one run share."""

    folder: Path
    source: Source
    journal: Journal
    runner: Runner
    progress: Progress
    keep: bool = False

    @property
    def sound(self) -> Path | None:
        """The captured sound as a file: what lies beside the frames, or the samples of what is inside the video."""
        return self.folder / INSIDE if self.source.inside is not None else self.source.sound

    @property
    def archive(self) -> str:
        """The form of the archive copy that is made; "" where the capture is kept as it came, or is half of one."""
        source = self.source
        return form_wanted(source.listing, source.notes.archive) if source.half is None else ""


def analyse_reel(
    folder: Path,
    *,
    source: Source,
    journal: Journal,
    runner: Runner,
    progress: Progress,
    keep: bool = False,
) -> tuple[Capture, Table]:
    """Analyse a capture into a reel's folder, keeping what is there made from the same; `keep` leaves a film's frames decoded."""
    work = _Work(folder=folder, source=source, journal=journal, runner=runner, progress=progress, keep=keep)
    key = key_of("analyse", MEASURING, source.identity, source.measured_with)
    before = _earlier(work)
    finals = ["capture.json", "frames.parquet", "perforations.parquet", FILM_PAPER, "reel.json"]
    finals += [main_file(work.archive)] if work.archive else []
    finals += ["track.parquet", *FAULT_FILES, "archive.wav"] if work.sound else []
    finals += [ARCHIVE_GUIDE] if source.guide else []
    stands = before is not None and before.stage == "complete" and all(journal.holds(f, key) for f in finals)
    stands = stands and before is not None and _form_stands(work, before)
    if before is not None and stands and (work.sound is None or _track_stands(work, before, key)):
        state = read_json(folder / FILM_PAPER, FilmState)
        capture = _with_length(_with_words(before, source), state)
        if capture != before:
            _write_papers(work, capture, key)
        drop_other_form(folder, journal, form=work.archive, count=capture.count)
        return capture, read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
    surveyed = before if before is not None and journal.holds("capture.json", _survey_key(key)) else None
    if surveyed is None:
        surveyed = _survey(work)
        write_json(folder / "capture.json", surveyed)
        journal.add_file("analyse", "capture.json", key=_survey_key(key))
    return _measure(work, _with_words(surveyed, source), key)


def _form_stands(work: _Work, capture: Capture) -> bool:
    """Whether the archive copy has the form that is wanted and, of single frames, every file is as it was written."""
    if work.archive not in FRAME_FORMS:
        return capture.archive_form not in FRAME_FORMS
    return capture.archive_form == work.archive and frames_stand(work.folder, FRAMES_LIST)


def _track_key(key: str, source: Source) -> str:
    """Key of the track's paper: with a guide, the words that only its hearing depends on come behind."""
    return f"{key}.{guide_key(source.notes)}" if source.guide is not None else key


def _track_stands(work: _Work, capture: Capture, key: str) -> bool:
    """Whether the track's paper stands; where only words on the guide have changed, the guide is heard again."""
    folder, source, journal = work.folder, work.source, work.journal
    own = _track_key(key, source)
    if journal.holds(TRACK_PAPER, own):
        return True
    line = journal.lines.get(TRACK_PAPER)
    if source.guide is None or line is None or line.key.partition(".")[0] != key:
        return False
    if source.sound is None or not journal.holds(TRACK_PAPER, line.key):
        return False
    frames = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
    paper = read_json(folder / TRACK_PAPER, TrackPaper)
    gauge = gauge_named(capture.gauge)
    heard = hear_guide(source.sound, source.guide, frames=frames, notes=source.notes, gauge=gauge)
    write_json(folder / TRACK_PAPER, replace(paper, guide=heard))
    journal.add_file("analyse", TRACK_PAPER, key=own)
    return True


def _survey_key(key: str) -> str:
    return key_of("survey", key)


def _survey(work: _Work) -> Capture:
    """The survey of the whole capture; or that of its beginning, frozen by `follow`, where it serves as well."""
    source, program = work.source, f"smallgauge {__version__}"
    found = survey_frames(source, progress=work.progress, runner=work.runner, place=work.folder / "work")
    followed = take_followed(source, folder_journal=work.journal, measuring=MEASURING)
    if followed is None:
        return surveyed_capture(source, found, program=program)
    values: dict[str, object] = {"frames": len(followed.files)}
    why = why_not_kept(source, followed.found, found, progress=work.progress)
    if why:
        said = Finding(
            code="survey of the beginning set aside", where="capture", values={**values, "reason": why}
        )
    else:
        found = followed.found
        said = Finding(code="survey of the beginning", where="capture", values=values)
    capture = surveyed_capture(source, found, program=program)
    return replace(capture, findings=(*capture.findings, said))


def chunk_key(source: Source, capture: Capture, first: int, stop: int) -> str:
    """What a chunk depends on: survey, operator's words, and its own frames with the halo before them.

    A folder's chunks stand for themselves, so that they may be made before the capture is complete. The frames of a
    video are no files of their own: there it is the whole capture's identity.
    """
    files: object = capture.identity
    if source.listing.kind == "folder":
        names, root = source.listing.files, source.listing.root
        sizes = [(name, (root / name).stat().st_size) for name in names[max(0, first - HALO) : stop]]
        files = sizes, [digest_file(root / names[n]) for n in sorted({first, stop - 1})]
    measured = (source.listing.region, capture.scale, capture.encoding, capture.light, capture.gauge)
    size = (capture.width, capture.height)
    by = (size, capture.survey, capture.position_from, capture.picture_area)
    return key_of("chunk", MEASURING, source.words, measured, by, first, stop, files)


def _earlier(work: _Work) -> Capture | None:
    """The capture that the folder already holds; refused when it is another one."""
    path = work.folder / "capture.json"
    if not path.exists():
        return None
    earlier = read_json(path, Capture)
    if earlier.identity != work.source.identity:
        raise MaterialError(
            f"{work.folder} must hold this capture or nothing, but it belongs to another one ('{earlier.name}', digest "
            f"{(earlier.digest or earlier.identity)[:12]}); give another --out, or another reel number."
        )
    return earlier if earlier.measured_with == work.source.measured_with else None


def _with_words(capture: Capture, source: Source) -> Capture:
    """The capture with the operator's words as they are now (those that need no new measuring)."""
    return replace(capture, notes=source.notes)


def _with_length(capture: Capture, state: FilmState) -> Capture:
    """The capture with the film's length compared with what is stated now."""
    said = tuple(finding for finding in capture.findings if finding.code not in LENGTH_CODES)
    return replace(capture, findings=(*said, *length_findings(state, capture)))


def _sound(work: _Work, key: str) -> CapturedSound | None:
    """The captured sound; what is inside a video is taken out first."""
    inside = work.source.inside
    if inside is not None and not work.journal.holds(INSIDE, key):
        write_sound_inside(work.source.listing.path, work.folder / INSIDE, inside)
        work.journal.add_file("analyse", INSIDE, key=key)
    return look_at_sound(work.sound, work.source) if work.sound else None


def _measure(work: _Work, capture: Capture, key: str) -> tuple[Capture, Table]:
    folder, source, journal = work.folder, work.source, work.journal
    rate, count = Fraction(capture.rate or 18), source.listing.count
    jobs = [
        ChunkJob(
            folder=str(folder),
            listing=source.listing,
            capture=capture,
            first=first,
            stop=min(first + SEGMENT_FRAMES, count),
            rate=rate,
            archive=work.archive,
            pack=True,
            keep=work.keep,
        )
        for first in range(0, count, SEGMENT_FRAMES)
    ]
    keys = {job.first: chunk_key(source, capture, job.first, job.stop) for job in jobs}
    log = _chunks(work, jobs, keys)
    if count >= LONG:
        work.runner.rest()
    names = [chunk_files(job.first, archive=work.archive) for job in jobs]
    files = tuple(file for n in names for file in read_json(folder / n[2], tuple[CapturedFile, ...]))
    if source.listing.kind == "video":
        shared = digest_file(source.listing.path)
        files = tuple(replace(file, file_sha256=shared) for file in files)
    sound = _sound(work, key)
    capture = replace(capture, archive_form=work.archive)
    capture = _whole(capture, files, sound, look_at_sound(source.guide) if source.guide else None)
    joining, last = _joining(work, capture, jobs, names, rate), WhenJoined()
    work.runner.beside(  # one processor reads and writes while the others' findings are told here
        join_archive,
        joining,
        last.joined,
        watch=lambda done: work.progress("archive copy joined", done, 1) if joining.parts else None,
    )
    frames, perforations, state = tell_film(
        capture,
        join_tables([read_table(folder / n[0], FRAME_COLUMNS, "frames") for n in names]),
        join_tables([read_table(folder / n[1], PERFORATION_COLUMNS, "perforations") for n in names]),
        times_s=source.times_s,
        skipped=_skipped(source),
    )
    figures = line_up(capture, frames, perforations)
    heard = _heard(work, capture, frames)
    said = (*capture.findings, *archive_findings(source, work.archive), *frame_findings(capture, frames))
    said = (*said, *film_findings(state), *line_up_findings(figures), *log)
    said = (*said, *(track_findings(heard[0]) if heard else ()))
    capture = _with_length(replace(capture, line_up=figures, findings=said), state)
    write_table(folder / "perforations.parquet", perforations)
    write_table(folder / "frames.parquet", frames)
    write_json(folder / FILM_PAPER, state)
    for file in ("frames.parquet", "perforations.parquet", FILM_PAPER):
        journal.add_file("analyse", file, key=key, stop=count)
    _archive(work, capture, names, key)
    _write_track(work, capture, heard, key)
    _write_reel(work, capture, key)
    passing = [file for n in names for file in n]
    last.written(lambda sha256: _complete(work, capture, key, passing, sha256))
    return capture, frames


def _write_track(
    work: _Work, capture: Capture, heard: tuple[TrackPaper, SoundFaults] | None, key: str
) -> None:
    """What the captured sound says, where there is some."""
    if work.sound is None or heard is None:
        return
    folder, journal = work.folder, work.journal
    write_table(folder / "track.parquet", analyse_track(work.sound, capture_digest=capture.digest))
    write_json(folder / TRACK_PAPER, heard[0])
    write_faults(folder, heard[1], capture_digest=capture.digest)
    for file in ("track.parquet", *FAULT_FILES):
        journal.add_file("analyse", file, key=key)
    journal.add_file("analyse", TRACK_PAPER, key=_track_key(key, work.source))


def _joining(
    work: _Work, capture: Capture, jobs: list[ChunkJob], names: list[tuple[str, ...]], rate: Fraction
) -> JoinJob:
    """What is left to be joined of the chunks' parts."""
    as_film = work.source.half is None and work.archive not in ("", *FRAME_FORMS)
    return JoinJob(
        folder=str(work.folder),
        parts=tuple(n[3] for n in names) if as_film else (),
        counts=tuple(job.stop - job.first for job in jobs),
        packs=tuple(chunk_pack(job.first) for job in jobs),
        rate=rate,
        tags={
            "TITLE": f"{capture.notes.reel or capture.name}, untouched copy of the scan",
            "SMALLGAUGE_CAPTURE": capture.digest,
        },
        capture=capture.digest,
        count=capture.count,
    )


def _archive(work: _Work, capture: Capture, names: list[tuple[str, ...]], key: str) -> None:
    """All of the archive copy but the film that is joined: list of single frames, files as they came, sound, scanner's pictures."""
    folder, source, journal = work.folder, work.source, work.journal
    if source.half is not None:
        return
    if work.archive in FRAME_FORMS:
        join_lists(folder, [n[3] for n in names])
        journal.add_file("analyse", FRAMES_LIST, key=key, stop=source.listing.count)
    elif not work.archive:
        keep_files(folder, source, journal, key, work.progress)
    if work.sound is not None:
        copy_whole(work.sound, folder / "archive.wav")
        journal.add_file("analyse", "archive.wav", key=key)
    copy_beside(folder, source, capture, journal, key)


def _complete(work: _Work, capture: Capture, key: str, passing: list[str], sha256: str) -> None:
    """The film that was joined, if one was, and then the paper that says that the analysis is complete."""
    folder, journal = work.folder, work.journal
    if sha256:
        journal.add_file("analyse", FILM, key=key, stop=capture.count, sha256=sha256)
    _write_capture(work, capture, key)
    drop_other_form(folder, journal, form=work.archive, count=capture.count)
    (folder / INSIDE).unlink(missing_ok=True)
    for file in passing:
        (folder / file).unlink(missing_ok=True)


def _whole(
    capture: Capture,
    files: tuple[CapturedFile, ...],
    sound: CapturedSound | None,
    guide: CapturedSound | None,
) -> Capture:
    digest = digest_capture(files, sound, guide)
    return replace(capture, stage="complete", files=files, sound=sound, guide=guide, digest=digest)


def _heard(work: _Work, capture: Capture, frames: Table) -> tuple[TrackPaper, SoundFaults] | None:
    """What the captured sound says as a whole, where it lies on its guide, and its faults; None without sound."""
    source, sound = work.source, work.sound
    if sound is None:
        return None
    notes, gauge = capture.notes, gauge_named(capture.gauge)
    heard, faults = hear_track(sound, frames=frames, notes=notes, gauge=gauge)
    if source.guide is None:
        return heard, faults
    guide = hear_guide(sound, source.guide, frames=frames, notes=notes, gauge=gauge)
    return replace(heard, guide=guide), faults


def _skipped(source: Source) -> NDArray[np.int32]:
    """How many numbers the file names skip before each frame."""
    skipped = np.zeros(source.listing.count, np.int32)
    for before, how_many in source.listing.gaps:
        skipped[before + 1] = how_many
    return skipped


def _chunks(work: _Work, jobs: list[ChunkJob], keys: dict[int, str]) -> tuple[Finding, ...]:
    listing = work.source.listing
    check_room(work.folder, listing, form=work.archive)
    if work.keep:
        prepare_decoded(work.folder, listing)
    missing = [part for job in jobs if (part := missing_part(work.journal, job, keys[job.first])) is not None]
    total = work.source.listing.count
    kept = total - sum(job.stop - job.first for job in missing)
    log: list[Finding] = []
    work.progress("frames read and measured", kept, total)
    for job, result in work.runner.run(
        analyse_chunk,
        missing,
        watch=lambda done: work.progress("frames read and measured", kept + done, total),
        outside=True,
        mend=lambda job: mend_chunk(work.runner, job),
    ):
        note_chunk(work.journal, job, result, keys[job.first])
        log += [
            Finding(code="decoder log of the capture", where="capture", values={"line": line})
            for line in result.log
        ]
    return tuple(sorted(log, key=str)[:20])


def missing_part(journal: Journal, job: ChunkJob, key: str) -> ChunkJob | None:
    """What of a chunk is still to be made; None where all of it is there."""
    names = chunk_files(job.first, archive=job.archive)
    if not all(journal.holds(name, key) for name in names[:3]) or not _files_as_measured(journal, job, names):
        return job
    stands = all(journal.holds(name, key) for name in names[3:])
    if stands and job.archive in FRAME_FORMS:
        stands = frames_stand(Path(job.folder), names[3])
    return replace(job, rows=False) if not stands else None


def _files_as_measured(journal: Journal, job: ChunkJob, names: tuple[str, ...]) -> bool:
    """Whether captured files that were read while the scanner was writing are still what was read."""
    if journal.lines[names[2]].step != FOLLOW_STEP:
        return True
    known = read_json(Path(job.folder) / names[2], tuple[CapturedFile, ...])
    return all(digest_file(job.listing.root / file.name) == file.file_sha256 for file in known)


def note_chunk(
    journal: Journal, job: ChunkJob, result: ChunkResult, key: str, *, step: str = "analyse"
) -> None:
    """Journal lines of what a chunk made."""
    for file in result.files:
        journal.add_file(step, file, key=key, first=job.first, stop=job.stop, rows=job.stop - job.first)


def frame_findings(capture: Capture, frames: Table) -> tuple[Finding, ...]:
    """What the frame table has to say, counted."""
    found = []
    count = len(frames)
    for number in capture.notes.frames_let_pass:
        if number < count and frames["flags"][number] & FLAG_NAMED["unreadable"].mask:
            values: dict[str, object] = {"frame": number, "file": capture.files[number].name}
            found.append(Finding(code="frame let pass", where="capture", values=values))
    for flag, code in (
        ("perforation_full_scale", "perforation full scale"),
        ("no_perforation", "perforation not measured"),
        ("clipped", "frame clipped"),
    ):
        flagged = int(np.count_nonzero(frames["flags"] & FLAG_NAMED[flag].mask))
        if flagged and (flag != "no_perforation" or capture.survey is not None):
            found.append(Finding(code=code, where="capture", values={"frames": flagged, "of": count}))
    above = int(np.count_nonzero(frames["light"] > MOST_LIGHT))
    if above and capture.notes.code_open_gate is not None:
        values = {"frames": above, "of": count}
        found.append(Finding(code="light above the open gate", where="capture", values=values))
    if capture.survey is not None and capture.survey.pitch_measured is False:
        found.append(Finding(code="pitch not measured", where="capture"))
    return tuple(found)


def _write_papers(work: _Work, capture: Capture, key: str) -> None:
    _write_reel(work, capture, key)
    _write_capture(work, capture, key)


def _write_reel(work: _Work, capture: Capture, key: str) -> None:
    number = capture.notes.reel or capture.name
    run = Run(capture=0, capture_digest=capture.digest, first=0, stop=capture.count)
    words, half = capture.notes.box_words or "", work.source.half
    write_json(work.folder / "reel.json", Reel(number=number, box_words=words, runs=(run,), half=half))
    work.journal.add_file("analyse", "reel.json", key=key)


def _write_capture(work: _Work, capture: Capture, key: str) -> None:
    write_json(work.folder / "capture.json", capture)
    work.journal.add_file("analyse", "capture.json", key=key)

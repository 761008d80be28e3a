"""A stretch of a capture to a reel of its own: its rows gathered, its pictures copied without loss, its sound cut out.

No frame is measured anew. The survey and the picture area are the capture's; what only whole columns can tell is told
again of the reel's own rows. The pictures come from the capture's archive copy, each held to its digest, so that the
reel's folder holds nothing of the other reels: they may be other people's.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.analyse.filmstate import tell_film
from smallgauge.analyse.frames_out import check_room, frames_finding, frames_stand, join_lists, write_frames
from smallgauge.analyse.lineup import line_up, line_up_findings
from smallgauge.analyse.reel import frame_findings
from smallgauge.analyse.source import look_at_sound
from smallgauge.analyse.track import analyse_track, hear_track
from smallgauge.errors import FixityError, MaterialError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.media.digest import digest_frame
from smallgauge.media.frame import black_samples
from smallgauge.media.frame_files import FRAME_FORMS, FrameHead
from smallgauge.media.picture_in import CaptureListing, open_picture
from smallgauge.media.picture_out import create_lossless, join_segments
from smallgauge.media.sound_in import open_sound
from smallgauge.media.sound_out import cut_sound
from smallgauge.media.whole import link_or_copy
from smallgauge.picture.gate import SIDES
from smallgauge.picture.leader import Leader, find_leader
from smallgauge.record.archive import (
    FILM,
    FRAMES,
    FRAMES_LIST,
    MATROSKA,
    archive_listing,
    frame_head,
    main_file,
    segment_file,
)
from smallgauge.record.capture import Capture, CapturedSound, digest_capture
from smallgauge.record.files import read_json, write_json
from smallgauge.record.filmstate import FILM_PAPER, FilmState, film_findings
from smallgauge.record.finding import Finding
from smallgauge.record.flags import FLAG_NAMED
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.light import kept_name
from smallgauge.record.notes import WITH_PICTURE, CaptureNotes, SyncMark
from smallgauge.record.recipe import SEGMENT_FRAMES
from smallgauge.record.reel import Origin, Reel, Run
from smallgauge.record.soundfaults import FAULT_FILES, write_faults
from smallgauge.record.table import Table, write_table
from smallgauge.record.track import TRACK_PAPER, track_findings
from smallgauge.record.work import Progress, Runner

# Findings that speak of the whole capture's frames, film, files or sound; they are told anew of the reel's own.
_RETOLD = frozenset(
    [
        "files passed over", "numbering gap", "frame let pass", "perforation full scale", "perforation not measured",
        "frame clipped", "light above the open gate", "pitch not measured", "frames doubled", "frames missing",
        "frames swapped", "frames suspected", "frames not accounted for", "perforations damaged", "splices found",
        "length agrees", "length differs", "line-up", "stripe without a recording", "sound capture failed",
        "no recording found", "hum of the capture chain", "hum not told apart",
        "sound runs on through splices", "foreign sound behind splices",
        "flutter told by hum", "clicks found", "sound drops out", "archive kept as it came", "archive of single frames",
        "archive sound copied",
    ]
)  # fmt: skip


_ACCOUNT_FLAGS = sum(
    FLAG_NAMED[name].mask
    for name in ("duplicate", "missing_before", "swapped", "not_accounted_for", "time_set_aside")
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Whole:
    """The capture that is divided: its folder and papers; `papers` is a digest of these."""

    folder: Path
    papers: str
    capture: Capture
    frames: Table
    perforations: Table


@dataclass(frozen=True, slots=True, kw_only=True)
class PartOrder:
    """One reel to be made: its frames in the capture, its number and words.

    `before` and `after` are the end of the reel before and the beginning of the next one, in captured frames: sound
    of the leader in between is kept with both, that of another reel with none.
    """

    first: int
    stop: int
    before: int
    after: int
    number: str
    box_words: str
    head_offset_frames: float | None  # of the machine, where nothing was stated


@dataclass(frozen=True, slots=True, kw_only=True)
class StretchJob:
    """Frames of a reel's archive copy to be copied: `first` to `stop` of the reel, `begins` in the capture's."""

    folder: str
    listing: CaptureListing
    begins: int
    first: int
    stop: int
    digests: tuple[str, ...]
    rate: Fraction
    form: str
    head: FrameHead


def leaders_of(frames: Table) -> tuple[Leader, ...]:
    """The leader that a capture's frame table shows."""
    sides = np.sum([np.isfinite(frames[f"gate_{side}_px"]) for side in SIDES], axis=0)
    return find_leader(
        np.asarray(sides, np.int64), frames["border_density"], frames["sharpness"], frames["splice"]
    )


def make_part(
    folder: Path, whole: Whole, order: PartOrder, *, journal: Journal, runner: Runner, progress: Progress
) -> Capture:
    """Make the folder of one reel; what is there and unchanged is kept. The folder is locked by the caller."""
    captured_in = whole.capture.notes.sound_run or WITH_PICTURE
    if whole.capture.sound is not None and captured_in != WITH_PICTURE:
        raise MaterialError(
            f"Sound that is divided with its picture must have been captured with it, found sound_run = '{captured_in}'; "
            "analyse the capture without its sound.wav, and give each reel its own piece of the sound."
        )
    key = key_of("divide", whole.papers, order)
    identity = _identity(whole, order)
    files = ["capture.json", "frames.parquet", "perforations.parquet", FILM_PAPER, "reel.json"]
    there = check_part(folder, whole, order)
    if there is not None:
        lossless = _lossless_files(folder, whole, there)
        sound = ["archive.wav", "track.parquet", TRACK_PAPER, *FAULT_FILES] if there.sound is not None else []
        framed = there.archive_form not in FRAME_FORMS or frames_stand(folder, FRAMES_LIST)
        if framed and all(journal.holds(file, key) for file in [*files, *lossless, *sound]):
            return there
    _copy_pictures(folder, whole, order, key, journal, runner, progress)
    notes, sound_paper = _sound(folder, whole, order, key, journal)
    capture, frames, perforations, state = _retold(whole, order, notes, sound_paper, identity)
    if sound_paper is not None:
        heard, faults = hear_track(
            folder / "archive.wav",
            frames=frames,
            notes=capture.notes,
            gauge=gauge_named(capture.gauge),
        )
        table = analyse_track(folder / "archive.wav", capture_digest=capture.digest)
        write_table(folder / "track.parquet", table)
        write_json(folder / TRACK_PAPER, heard)
        write_faults(folder, faults, capture_digest=capture.digest)
        capture = replace(capture, findings=(*capture.findings, *track_findings(heard)))
        for file in ("track.parquet", TRACK_PAPER, *FAULT_FILES):
            journal.add_file("divide", file, key=key)
    write_table(folder / "frames.parquet", frames)
    write_table(folder / "perforations.parquet", perforations)
    write_json(folder / FILM_PAPER, state)
    run = Run(capture=0, capture_digest=capture.digest, first=0, stop=capture.count)
    origin = Origin(
        capture_digest=whole.capture.digest, first=order.first, stop=order.stop, of=whole.capture.count
    )
    write_json(
        folder / "reel.json",
        Reel(number=order.number, box_words=order.box_words, runs=(run,), origin=origin),
    )
    write_json(folder / "capture.json", capture)
    for file in files:
        journal.add_file("divide", file, key=key)
    return capture


def _form(whole: Whole) -> str:
    """The form of a reel's archive copy: that of the capture's; of a video that was kept as it came, the film; "" for files."""
    if whole.capture.archive_form in FRAME_FORMS:
        return whole.capture.archive_form
    return MATROSKA if (whole.folder / FILM).is_file() or whole.capture.kind != "folder" else ""


def _lossless_files(folder: Path, whole: Whole, there: Capture) -> list[str]:
    """The files that speak for a reel's archive copy."""
    form = _form(whole)
    return [main_file(form)] if form else [f"{FRAMES}/{file.name}" for file in there.files]


def _identity(whole: Whole, order: PartOrder) -> str:
    return key_of("part", whole.capture.digest, order.first, order.stop)


def check_part(folder: Path, whole: Whole, order: PartOrder) -> Capture | None:
    """The reel's paper that the folder holds already, None for none; refused when it is another reel's."""
    if not (folder / "capture.json").exists():
        return None
    there = read_json(folder / "capture.json", Capture)
    if there.identity != _identity(whole, order):
        raise MaterialError(
            f"{folder} must hold frames {order.first} to {order.stop - 1} of {whole.folder.name} or nothing, but it holds another "
            "reel or another division; give other numbers with --reel, or move it away."
        )
    return there


# ---------------------------------------------------------------------------------------------- pictures


def _copy_pictures(
    folder: Path,
    whole: Whole,
    order: PartOrder,
    key: str,
    journal: Journal,
    runner: Runner,
    progress: Progress,
) -> None:
    """The reel's stretch of the archive copy: coded again without loss, or, of single files kept as they came, those."""
    form = _form(whole)
    for picture, what in ((whole.capture.open_gate, "open-gate"), (whole.capture.dark, "dark")):
        if picture is not None:
            name = kept_name(picture, what)
            link_or_copy(whole.folder / name, folder / name)
            if journal.add_file("divide", name, key=key).sha256 != picture.sha256:
                raise _changed(name, whole.folder)
    if not form:
        for captured in whole.capture.files[order.first : order.stop]:
            name = f"archive/{captured.name}"
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            link_or_copy(whole.folder / name, folder / name)
            if journal.add_file("divide", name, key=key).sha256 != captured.file_sha256:
                raise _changed(name, whole.folder)
        return
    listing = archive_listing(whole.folder, whole.capture)
    encoding = whole.capture.encoding
    black = digest_frame(black_samples(whole.capture.width, whole.capture.height, encoding), encoding.bits)
    digests = tuple(file.digest or black for file in whole.capture.files)
    count = order.stop - order.first
    rate = Fraction(whole.capture.rate or 18)
    check_room(folder, replace(listing, count=count), form=form)
    jobs = [
        StretchJob(
            folder=str(folder),
            listing=listing,
            begins=order.first,
            first=first,
            stop=min(first + SEGMENT_FRAMES, count),
            digests=digests[order.first + first : order.first + min(first + SEGMENT_FRAMES, count)],
            rate=rate,
            form=form,
            head=frame_head(whole.capture, document=order.number, rate=rate, count=count),
        )
        for first in range(0, count, SEGMENT_FRAMES)
    ]
    missing = [job for job in jobs if not _stretch_stands(job, key, journal)]
    done_before = count - sum(job.stop - job.first for job in missing)
    what = f"frames of {order.number} copied"
    progress(what, done_before, count)
    for job, file in runner.run(
        copy_stretch, missing, watch=lambda done: progress(what, done_before + done, count)
    ):
        journal.add_file("divide", file, key=key, first=job.first, stop=job.stop, rows=job.stop - job.first)
    if form in FRAME_FORMS:
        join_lists(folder, [stretch_file(job) for job in jobs])
    else:
        join_segments(
            [folder / stretch_file(job) for job in jobs],
            folder / FILM,
            rate=rate,
            frame_counts=[job.stop - job.first for job in jobs],
            container="mkv",
            tags={"TITLE": f"{order.number}, untouched copy of the scan"},
        )
    journal.add_file("divide", main_file(form), key=key, stop=count)
    for job in jobs:
        (folder / stretch_file(job)).unlink(missing_ok=True)


def _changed(name: str, folder: Path) -> FixityError:
    return FixityError(
        f"{name} must be what was captured, and it is not in {folder}; nothing was divided: bring the archive copy back from "
        "another copy, or analyse the capture again."
    )


def stretch_file(job: StretchJob) -> str:
    """Name of a job's file below the reel's folder."""
    return segment_file(job.first, job.form)


def _stretch_stands(job: StretchJob, key: str, journal: Journal) -> bool:
    stands = journal.holds(stretch_file(job), key)
    return stands and (job.form not in FRAME_FORMS or frames_stand(Path(job.folder), stretch_file(job)))


def copy_stretch(job: StretchJob, tick: Callable[[int], None]) -> str:
    """Copy frames of an archive copy without loss, each held to its digest."""
    name = stretch_file(job)
    path = Path(job.folder) / name
    path.parent.mkdir(parents=True, exist_ok=True)
    listing = job.listing
    first = job.begins + job.first
    with open_picture(listing) as reader:

        def pictures() -> Iterator[Any]:
            for frame in reader.frames(first, job.begins + job.stop):
                if digest_frame(frame.samples, listing.encoding.bits) != job.digests[frame.number - first]:
                    raise _changed(f"frame {frame.number} of the archive copy", listing.root)
                yield frame.samples
                tick(1)

        if job.form in FRAME_FORMS:
            write_frames(
                Path(job.folder),
                path,
                pictures(),
                first=job.first,
                encoding=listing.encoding,
                form=job.form,
                head=job.head,
            )
            return name
        writer = create_lossless(
            path,
            width=listing.width,
            height=listing.height,
            bits=listing.encoding.bits,
            layout=listing.encoding.layout,
            rate=job.rate,
        )
        with writer as out:
            for samples in pictures():
                out.write(samples)
    return name


# ------------------------------------------------------------------------------------------------ sound


def _sound(
    folder: Path, whole: Whole, order: PartOrder, key: str, journal: Journal
) -> tuple[CaptureNotes, CapturedSound | None]:
    """The reel's own sound with that of the leader about it, and the notes with their times on it."""
    notes = _own_notes(whole, order)
    captured = whole.capture.sound
    if captured is None:
        return notes, None
    with open_sound(whole.folder / "archive.wav") as reader:
        first, stop = _samples(whole, order, reader.samples, reader.rate)
    cut_sound(whole.folder / "archive.wav", folder / "archive.wav", first=first, stop=stop)
    journal.add_file("divide", "archive.wav", key=key)
    sound = replace(look_at_sound(folder / "archive.wav"), name=captured.name)
    old = whole.capture.notes
    rate = captured.rate * (1.0 + (old.sound_clock_ppm or 0.0) * 1e-6)
    marks = tuple(
        SyncMark(frame=mark.frame, sound_s=mark.sound_s - first / captured.rate) for mark in notes.sync_marks
    )
    return replace(notes, sound_start_s=(old.sound_start_s or 0.0) + first / rate, sync_marks=marks), sound


def _samples(whole: Whole, order: PartOrder, samples: int, rate: int) -> tuple[int, int]:
    """First sample and the one after the last: from the end of the reel before to the beginning of the next one.

    The head reads sound ahead of the picture in the gate by the gauge's separation less the machine's own distance;
    where the film ran tail first it lags by both.
    """
    notes, count = whole.capture.notes, len(whole.frames)
    tracks = gauge_named(whole.capture.gauge).tracks
    head = (
        notes.sound_head_offset_frames
        if notes.sound_head_offset_frames is not None
        else order.head_offset_frames
    )
    ahead = tracks[0].ahead_frames.value if tracks else 0.0
    shift = (-ahead if notes.loaded == "tail" else ahead) - (head or 0.0)
    times = whole.frames["time_s"]
    told = np.flatnonzero(np.isfinite(times))
    if told.size < 2:  # nothing tells the time: spread evenly, as for the whole capture
        return round(order.first / count * samples), round(order.stop / count * samples)
    captured = rate * (1.0 + (notes.sound_clock_ppm or 0.0) * 1e-6)

    def sample_at(frame: float) -> int:
        return round((_time_at(frame, told, times[told]) - (notes.sound_start_s or 0.0)) * captured)

    first = 0 if order.before <= 0 else sample_at(order.before - shift)
    stop = samples if order.after >= count else sample_at(order.after - shift)
    first = min(max(first, 0), samples - 1)
    return first, min(max(stop, first + 1), samples)


def _time_at(frame: float, told: NDArray[np.int64], times: NDArray[np.float64]) -> float:
    """Time at which a place of the film was in the gate; beyond the stamps at the speed of the nearest ones."""
    if frame < told[0] or frame > told[-1]:
        a, b = (0, 1) if frame < told[0] else (-2, -1)
        speed = (times[b] - times[a]) / (told[b] - told[a])
        return float(times[a] + (frame - told[a]) * speed)
    return float(np.interp(frame, told, times))


def _own_notes(whole: Whole, order: PartOrder) -> CaptureNotes:
    """The operator's words as far as they hold for the reel, with its own frame numbers."""
    notes = whole.capture.notes
    marks = tuple(
        replace(mark, frame=mark.frame - order.first)
        for mark in notes.sync_marks
        if order.first <= mark.frame < order.stop
    )
    passed = tuple(n - order.first for n in notes.frames_let_pass if order.first <= n < order.stop)
    return replace(
        notes,
        reel=order.number,
        box_words=order.box_words,
        length_feet=None,
        frames_let_pass=passed,
        sync_marks=marks,
        sound_breaks=(),
    )


# ------------------------------------------------------------------------------------------------ papers


def _retold(
    whole: Whole, order: PartOrder, notes: CaptureNotes, sound: CapturedSound | None, identity: str
) -> tuple[Capture, Table, Table, FilmState]:
    """The reel's paper and tables: its own rows counted from 0, and what their columns tell."""
    files = whole.capture.files[order.first : order.stop]
    capture = replace(
        whole.capture,
        identity=identity,
        name=order.number,
        count=len(files),
        numbers=whole.capture.numbers[order.first : order.stop],
        notes=notes,
        sound=sound,
        files=files,
        digest=digest_capture(files, sound),
        archive_form=_form(whole),
    )
    frames, perforations = _own_rows(whole, order)
    skipped = frames["numbers_skipped"]
    frames, perforations, state = tell_film(
        capture, frames, perforations, times_s=frames["time_s"], skipped=skipped
    )
    figures = line_up(capture, frames, perforations)
    values: dict[str, object] = {
        "first": order.first,
        "last": order.stop - 1,
        "of": whole.capture.count,
    }
    said = [Finding(code="part of a capture", where="capture", values=values)]
    said += [finding for finding in whole.capture.findings if finding.code not in _RETOLD]
    if skipped.any():
        gaps = [[int(n) - 1, int(skipped[n])] for n in np.flatnonzero(skipped)]
        counted: dict[str, object] = {"gaps": gaps, "missing": int(skipped.sum())}
        said.append(Finding(code="numbering gap", where="capture", values=counted))
    if capture.archive_form in FRAME_FORMS:
        said.append(frames_finding(capture, capture.archive_form))
    said += [*frame_findings(capture, frames), *film_findings(state), *line_up_findings(figures)]
    return replace(capture, line_up=figures, findings=tuple(said)), frames, perforations, state


def _own_rows(whole: Whole, order: PartOrder) -> tuple[Table, Table]:
    """Rows of the reel's frames, counted from 0; what rests on frames before the first is not known."""
    rows = slice(order.first, order.stop)
    values = {name: column[rows].copy() for name, column in whole.frames.values.items()}
    for column in FRAME_COLUMNS:
        if column.halo and column.type.startswith("float"):
            values[column.name][: column.halo] = np.nan
    values["frame"] = np.arange(order.stop - order.first, dtype=np.int32)
    values["numbers_skipped"][0] = 0
    # Flags of the account are told anew from the reel's own rows.
    values["flags"] &= ~_ACCOUNT_FLAGS
    at = whole.perforations["frame"]
    chosen = (at >= order.first) & (at < order.stop)
    holes = {name: column[chosen] for name, column in whole.perforations.values.items()}
    holes["frame"] = (holes["frame"] - order.first).astype(np.int32)
    return replace(whole.frames, values=values), replace(whole.perforations, values=holes)

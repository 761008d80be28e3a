"""The third pass: capture, tables and decisions to the finished film, its copies and its stills."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from smallgauge import __version__
from smallgauge.media.picture_in import CaptureListing, open_picture
from smallgauge.media.picture_out import join_segments
from smallgauge.media.stills import write_still
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json, write_json, write_text
from smallgauge.record.finding import Finding
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.light import table_for
from smallgauge.record.recipe import FINISHED, STILLS
from smallgauge.record.rendertable import (
    COPY_COLUMNS,
    RENDER_COLUMNS,
    SOUND_COLUMNS,
    CopySummary,
    RenderSummary,
    SoundSummary,
)
from smallgauge.record.table import Table, join_tables, read_table, write_table
from smallgauge.record.treatment import Treatment
from smallgauge.record.work import Progress, Runner
from smallgauge.render.frame import render_frame
from smallgauge.render.plan import SOUND_RATE, CopyPlan, Plan, plan_rendering, still_frames
from smallgauge.render.segments import CopySegment, SegmentJob, canvas_for, render_segment, segment_files
from smallgauge.render.track import render_track

RENDERING = 1  # raised when the same plan would give other bytes
LEAST_SILENCE_S = 0.25  # sound and picture may differ by this without a word; common practice, no source


def render_reel(
    folder: Path,
    *,
    listing: CaptureListing,
    capture: Capture,
    frames: Table,
    treatment: Treatment,
    journal: Journal,
    runner: Runner,
    progress: Progress,
) -> RenderSummary:
    """Render a reel; segments whose key and file agree with the journal are kept as they are."""
    plan = plan_rendering(capture, frames, treatment)
    jobs = [_job(folder, listing, capture, plan, first, stop) for first, stop in plan.segments()]
    names = tuple(copy.recipe.file for copy in plan.copies)
    keys = {job.first: _segment_key(capture, job) for job in jobs}
    whole = key_of(
        "render", RENDERING, [keys[job.first] for job in jobs], _sound_key(plan), capture.notes.reel
    )
    outputs = ("finished.mkv", "render.parquet", *names)
    if all(journal.holds(file, whole) for file in outputs) and journal.holds("render.json", whole):
        summary = read_json(folder / "render.json", RenderSummary)
    else:
        _segments(folder, jobs, keys, names, journal, runner, progress, total=len(plan.frames))
        tables = [
            read_table(folder / segment_files(job.first, names)[1], RENDER_COLUMNS, "render") for job in jobs
        ]
        track = _sound_files(folder, capture, plan, journal, progress)
        _join(folder, capture, plan, jobs, names, track, progress)
        write_table(folder / "render.parquet", _named(join_tables(tables), capture))
        for file in outputs:
            journal.add_file("render", file, key=whole, stop=len(plan.frames), rows=len(plan.frames))
        stills = tuple(_still_names(plan, frames).values())
        summary = _summary(capture, treatment, plan, stills, track.digest if track else "")
        write_json(folder / "render.json", summary)
        journal.add_file("render", "render.json", key=whole)
        _drop_segments(folder, jobs, names)
    _small_tables(folder, capture, plan, journal, whole)
    _stills(folder, listing, capture, frames, plan, journal, whole, progress)
    return summary


def _summary(
    capture: Capture, treatment: Treatment, plan: Plan, stills: tuple[str, ...], sound_digest: str
) -> RenderSummary:
    copies = []
    for copy in plan.copies:
        canvas = canvas_for(plan.width, plan.height, largest_height=copy.recipe.largest_height)
        copies.append(
            CopySummary(
                file=copy.recipe.file,
                rate=copy.rate,
                frames=len(copy.shown),
                width=canvas.width,
                height=canvas.height,
                picture_width=canvas.picture_width,
                picture_height=canvas.picture_height,
            )
        )
    sound = None
    if plan.sound is not None and capture.sound is not None:
        sound = SoundSummary(
            rate=SOUND_RATE,
            channels=capture.sound.channels,
            samples=plan.sound.map.out_samples,
            digest=sound_digest,
            shift_frames=plan.sound.shift_frames,
            set=plan.sound.set,
            stamp_jitter_ms=plan.sound.jitter_ms,
        )
    return RenderSummary(
        capture_digest=capture.digest,
        revision=treatment.revision,
        rate=plan.rate,
        width=plan.width,
        height=plan.height,
        bits=FINISHED.bits,
        frames=len(plan.frames),
        filled=plan.filled,
        left_out=plan.left_out,
        repeated=plan.repeated,
        copies=tuple(copies),
        stills=stills,
        sound=sound,
        findings=_findings(capture, plan),
    )


def _job(
    folder: Path, listing: CaptureListing, capture: Capture, plan: Plan, first: int, stop: int
) -> SegmentJob:
    return SegmentJob(
        folder=str(folder),
        listing=listing,
        capture=replace(capture, files=()),
        frames=plan.frames[first:stop],
        copies=tuple(_copy_segment(copy, first, stop) for copy in plan.copies),
        width=plan.width,
        height=plan.height,
        rate=plan.rate,
    )


def _copy_segment(copy: CopyPlan, first: int, stop: int) -> CopySegment:
    shown = np.asarray(copy.shown)
    inside = shown[(shown >= first) & (shown < stop)]
    return CopySegment(recipe=copy.recipe, rate=copy.rate, shown=tuple(inside.tolist()))


def _segment_key(capture: Capture, job: SegmentJob) -> str:
    digests = [capture.files[frame.source].digest for frame in job.frames]
    return key_of(
        RENDERING,
        digests,
        capture.light,
        capture.encoding,
        job.frames,
        job.copies,
        job.width,
        job.height,
        str(job.rate),
    )


def _sound_key(plan: Plan) -> str:
    if plan.sound is None:
        return ""
    sound_map = plan.sound.map
    parts = (sound_map.out_sample, sound_map.in_sample, sound_map.slope, sound_map.gain)
    return key_of([part.tobytes().hex() for part in parts], sound_map.out_samples)


def _segments(
    folder: Path,
    jobs: list[SegmentJob],
    keys: dict[int, str],
    names: tuple[str, ...],
    journal: Journal,
    runner: Runner,
    progress: Progress,
    *,
    total: int,
) -> None:
    missing = [
        job
        for job in jobs
        if not all(journal.holds(file, keys[job.first]) for file in segment_files(job.first, names))
    ]
    kept = total - sum(len(job.frames) for job in missing)
    progress("frames rendered", kept, total)
    for job, files in runner.run(
        render_segment, missing, watch=lambda done: progress("frames rendered", kept + done, total)
    ):
        stop = job.first + len(job.frames)
        for file in files:
            journal.add_file(
                "render", file, key=keys[job.first], first=job.first, stop=stop, rows=len(job.frames)
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Track:
    """The finished sound's files and the digest of its samples."""

    flac: Path
    aac: Path
    digest: str


def _sound_files(
    folder: Path, capture: Capture, plan: Plan, journal: Journal, progress: Progress
) -> _Track | None:
    if plan.sound is None or capture.sound is None:
        return None
    key = key_of("sound", RENDERING, _sound_key(plan), capture.sound.sha256)
    flac, aac, digest = "work/segments/sound.mka", "work/segments/sound.m4a", "work/segments/sound.sha256"
    if not all(journal.holds(file, key) for file in (flac, aac, digest)):
        total = plan.sound.map.out_samples
        samples = render_track(
            folder / "archive.wav",
            plan.sound,
            flac=folder / flac,
            aac=folder / aac,
            watch=lambda done: progress("samples of sound", done, total),
        )
        write_text(folder / digest, samples)
        for file in (flac, aac, digest):
            journal.add_file("render", file, key=key, stop=total, rows=total)
    return _Track(flac=folder / flac, aac=folder / aac, digest=(folder / digest).read_text())


def _join(
    folder: Path,
    capture: Capture,
    plan: Plan,
    jobs: list[SegmentJob],
    names: tuple[str, ...],
    track: _Track | None,
    progress: Progress,
) -> None:
    files = [segment_files(job.first, names) for job in jobs]
    title = capture.notes.reel or capture.name
    progress("files joined", 0, 1 + len(names))
    join_segments(
        [folder / f[0] for f in files],
        folder / "finished.mkv",
        rate=plan.rate,
        frame_counts=[len(job.frames) for job in jobs],
        container="mkv",
        tags={
            "TITLE": title,
            "SMALLGAUGE_ENCODING": FINISHED.encoding,
            "SMALLGAUGE_CAPTURE": capture.digest,
            "ENCODER_PROGRAM": f"smallgauge {__version__}",
        },
        sound=track.flac if track else None,
    )
    for number, copy in enumerate(plan.copies):
        progress("files joined", 1 + number, 1 + len(names))
        counts = [len(job.copies[number].shown) for job in jobs]
        join_segments(
            [folder / f[2 + number] for f, count in zip(files, counts, strict=True) if count],
            folder / copy.recipe.file,
            rate=copy.rate,
            frame_counts=[count for count in counts if count],
            container="mp4",
            tags={"title": title},
            sound=track.aac if track else None,
        )
    progress("files joined", 1 + len(names), 1 + len(names))


def _named(table: Table, capture: Capture) -> Table:
    return Table(name=table.name, columns=table.columns, values=table.values, capture_digest=capture.digest)


def _drop_segments(folder: Path, jobs: list[SegmentJob], names: tuple[str, ...]) -> None:
    for job in jobs:
        for file in segment_files(job.first, names):
            (folder / file).unlink(missing_ok=True)


def _small_tables(folder: Path, capture: Capture, plan: Plan, journal: Journal, key: str) -> None:
    copies = {
        "copy": np.array([copy.recipe.file for copy in plan.copies for _ in copy.shown], dtype=object),
        "shown_frame": np.concatenate([np.arange(len(copy.shown), dtype=np.int32) for copy in plan.copies]),
        "finished_frame": np.concatenate([np.asarray(copy.shown, np.int32) for copy in plan.copies]),
    }
    tables = {
        "copies.parquet": Table(
            name="copies", columns=COPY_COLUMNS, values=copies, capture_digest=capture.digest
        )
    }
    if plan.sound is not None:
        knots = plan.sound.map
        values = {
            "track": np.zeros(knots.out_sample.size, np.int32),
            "out_sample": knots.out_sample,
            "in_sample": knots.in_sample,
            "slope": knots.slope,
            "gain": knots.gain,
        }
        tables["sound.parquet"] = Table(
            name="sound", columns=SOUND_COLUMNS, values=values, capture_digest=capture.digest
        )
    for file, table in tables.items():
        if not journal.holds(file, key):
            write_table(folder / file, table)
            journal.add_file("render", file, key=key, rows=len(table))


def _still_names(plan: Plan, frames: Table) -> dict[int, str]:
    chosen = still_frames(plan, frames["sharpness"], most=STILLS.most)
    return {n: f"{STILLS.folder}/scene-{plan.frames[n].scene + 1:03d}-frame-{n:06d}.jpg" for n in chosen}


def _stills(
    folder: Path,
    listing: CaptureListing,
    capture: Capture,
    frames: Table,
    plan: Plan,
    journal: Journal,
    key: str,
    progress: Progress,
) -> None:
    wanted = _still_names(plan, frames)
    for old in [
        f for f in journal.lines if f.startswith(f"{STILLS.folder}/scene-") and f not in wanted.values()
    ]:
        (folder / old).unlink(missing_ok=True)
        journal.forget(old)
    missing = [n for n in wanted if not journal.holds(wanted[n], key)]
    if not missing:
        return
    (folder / STILLS.folder).mkdir(exist_ok=True)
    table = table_for(capture.light, capture.encoding)
    with open_picture(listing) as reader:
        for count, n in enumerate(missing, start=1):
            codes = render_frame(
                reader.read(plan.frames[n].source).samples,
                table=table,
                move=plan.frames[n].move,
                width=plan.width,
                height=plan.height,
                bits=FINISHED.bits,
                frame=n,
            )
            write_still(
                folder / wanted[n], (codes >> (FINISHED.bits - 8)).astype(np.uint8), quality=STILLS.quality
            )
            journal.add_file("render", wanted[n], key=key, first=n, stop=n + 1)
            progress("stills", count, len(missing))


def _findings(capture: Capture, plan: Plan) -> tuple[Finding, ...]:
    found = []
    if plan.filled:
        values: dict[str, object] = {
            "by": capture.position_from,
            "frames": plan.filled,
            "of": len(plan.frames),
        }
        found.append(Finding(code="registration weak", where="finished.mkv", values=values))
    sound = plan.sound
    if sound is None or capture.sound is None:
        return tuple(found)
    if sound.time_base_guessed:
        found.append(Finding(code="time base guessed", where="sound"))
    elif not sound.set:
        found.append(Finding(code="sync not set", where="sound"))
    if sound.set_aside:
        found.append(
            Finding(code="time stamps set aside", where="frames.csv", values={"count": sound.set_aside})
        )
    cover = sound.coverage
    if cover.silent_head_s > LEAST_SILENCE_S or cover.silent_tail_s > LEAST_SILENCE_S:
        values = {"head_s": round(cover.silent_head_s, 2), "tail_s": round(cover.silent_tail_s, 2)}
        found.append(Finding(code="sound shorter", where="sound", values=values))
    unused = cover.unused_head_s + cover.unused_tail_s
    if unused > LEAST_SILENCE_S:
        found.append(Finding(code="sound longer", where="sound", values={"seconds": round(unused, 2)}))
    return tuple(found)

"""The approval copy: a small film of a reel with number, frame and time burnt in, for somebody to decide from.

Its pictures are those of the finished film, through the same `render_frame`; nothing of the finished film is written.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from smallgauge.gauge.rates import running_time_s
from smallgauge.media.picture_out import create_viewing, join_segments
from smallgauge.media.stills import write_still
from smallgauge.picture.burn_in import apply_words, strip_height
from smallgauge.record.capture import Capture
from smallgauge.record.dirttable import read_dirt
from smallgauge.record.files import read_json, write_json
from smallgauge.record.finding import Finding
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.material import Material
from smallgauge.record.recipe import FINISHED
from smallgauge.record.scratchtable import read_scratches
from smallgauge.record.signature import (
    APPROVAL_FILE,
    APPROVAL_PAPER,
    APPROVAL_STILLS,
    NOT_SIGNED,
    ApprovalPaper,
    digest_look,
    needs_signature,
)
from smallgauge.record.table import Table
from smallgauge.record.track import TRACK_PAPER, TrackPaper
from smallgauge.record.treatment import Treatment
from smallgauge.record.work import Progress, Runner
from smallgauge.render.films import segment_key
from smallgauge.render.plan import Plan, plan_rendering, still_frames
from smallgauge.render.reel import sound_files
from smallgauge.render.segments import (
    NATIVE_RATE,
    Canvas,
    SegmentJob,
    canvas_for,
    rendered_frames,
    segment_job,
)
from smallgauge.render.stills import ENCODING, srgb_picture, still_name

LARGEST_HEIGHT = 480  # enough to decide from, small enough to send: common practice, no source
QUALITY = 27  # H.264 constant rate factor of a copy that is looked at once; common practice, no source
MOST_STILLS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class ApprovalJob:
    """One segment of an approval copy: its frames, the words on each, and which of them are stills too."""

    segment: SegmentJob
    file: str  # below the reel's folder
    words: tuple[str, ...]  # below each frame
    mark: str  # across each
    stills: tuple[tuple[int, str], ...]  # finished frame, file


def make_approval(
    folder: Path,
    *,
    material: Material,
    capture: Capture,
    frames: Table,
    treatment: Treatment,
    journal: Journal,
    runner: Runner,
    progress: Progress,
) -> tuple[ApprovalPaper, tuple[Finding, ...]]:
    """Make `approval.mp4`, a few stills and `approval.json`; what stands and is unchanged is kept."""
    track = read_json(folder / TRACK_PAPER, TrackPaper) if capture.sound is not None else None
    dirt, lines = read_dirt(folder), read_scratches(folder)
    plan = plan_rendering(capture, frames, treatment, material, track, dirt=dirt, lines=lines)
    mark = NOT_SIGNED if needs_signature(capture, treatment) else ""
    chosen = still_frames(plan, frames["sharpness"], most=MOST_STILLS)
    stills = {n: f"{APPROVAL_STILLS}/{still_name(plan, n)}" for n in chosen}
    jobs = [
        _job(segment_job(folder, material, plan, first, stop), capture, plan, mark, stills)
        for first, stop in plan.segments()
    ]
    keys = [
        key_of(segment_key(capture, job.segment), job.words, job.mark, job.stills, ENCODING) for job in jobs
    ]
    canvas = _canvas(plan.width, plan.height)
    paper = ApprovalPaper(
        reel=capture.notes.reel or capture.name,
        look=digest_look(capture, treatment),
        mark=mark,
        frames=len(plan.frames),
        rate=str(plan.rate),
        width=canvas.width,
        height=canvas.height + strip_height(canvas.height),
        stills=tuple(stills.values()),
        positions=_stretches([each.film_position for each in plan.frames]),
    )
    whole = key_of(keys, paper.rate)
    _drop_stills(folder, journal, keep=set(stills.values()))
    if not all(journal.holds(file, whole) for file in (APPROVAL_FILE, *stills.values())):
        _segments(jobs, keys, journal, runner, progress, whole=whole)
        sound, _ = sound_files(folder, capture, plan, journal, progress)
        join_segments(
            [folder / job.file for job in jobs],
            folder / APPROVAL_FILE,
            rate=plan.rate,
            frame_counts=[len(job.words) for job in jobs],
            container="mp4",
            tags={"title": f"{paper.reel} {mark or 'approval copy'}"},
            sound=sound.sound_for("mp4") if sound else None,
        )
        journal.add_file("approval", APPROVAL_FILE, key=whole, stop=paper.frames, rows=paper.frames)
        for job in jobs:
            (folder / job.file).unlink(missing_ok=True)
    key = key_of(whole, paper.look, paper.positions)
    if not journal.holds(APPROVAL_PAPER, key):
        write_json(folder / APPROVAL_PAPER, paper)
        journal.add_file("approval", APPROVAL_PAPER, key=key)
    return paper, plan.findings


def _canvas(width: int, height: int) -> Canvas:
    """The small picture: that of a viewing copy, no higher than LARGEST_HEIGHT."""
    return canvas_for(width, height, largest_height=min(LARGEST_HEIGHT, max(height, 2)))


def _job(segment: SegmentJob, capture: Capture, plan: Plan, mark: str, stills: dict[int, str]) -> ApprovalJob:
    reel = capture.notes.reel or capture.name
    words = tuple(
        f"{reel}   frame {each.film_position:06d}   {_clock(running_time_s(each.finished, plan.rate))}"
        for each in segment.frames
    )
    inside = {each.finished for each in segment.frames}
    return ApprovalJob(
        segment=segment,
        file=f"work/segments/approval-{segment.first:06d}.mp4",
        words=words,
        mark=mark,
        stills=tuple((n, file) for n, file in stills.items() if n in inside),
    )


def _stretches(positions: Sequence[int]) -> tuple[tuple[int, int], ...]:
    """Stretches of numbers that follow one another.

    Examples
    --------
    >>> _stretches([0, 1, 2, 5, 5, 6])
    ((0, 3), (5, 6), (5, 7))
    """
    out: list[tuple[int, int]] = []
    for position in positions:
        if out and out[-1][1] == position:
            out[-1] = (out[-1][0], position + 1)
        else:
            out.append((position, position + 1))
    return tuple(out)


def _clock(seconds: Fraction) -> str:
    """Minutes, seconds and hundredths, cut off."""
    hundredths = int(seconds * 100)
    return f"{hundredths // 6000}:{hundredths // 100 % 60:02d}.{hundredths % 100:02d}"


def _drop_stills(folder: Path, journal: Journal, *, keep: set[str]) -> None:
    for old in [f for f in journal.lines if f.startswith(f"{APPROVAL_STILLS}/") and f not in keep]:
        (folder / old).unlink(missing_ok=True)
        journal.forget(old)


def _segments(
    jobs: list[ApprovalJob],
    keys: list[str],
    journal: Journal,
    runner: Runner,
    progress: Progress,
    *,
    whole: str,
) -> None:
    """Make the segments that are missing, and note them and their stills."""
    by_file = dict(zip((job.file for job in jobs), keys, strict=True))
    missing = [
        job
        for job, key in zip(jobs, keys, strict=True)
        if not journal.holds(job.file, key) or not all(journal.holds(file, whole) for _, file in job.stills)
    ]
    total = sum(len(job.words) for job in jobs)
    kept = total - sum(len(job.words) for job in missing)
    progress("frames of the approval copy", kept, total)
    for job, file in runner.run(
        render_approval_segment,
        missing,
        watch=lambda done: progress("frames of the approval copy", kept + done, total),
    ):
        first, count = job.segment.first, len(job.words)
        journal.add_file("approval", file, key=by_file[file], first=first, stop=first + count, rows=count)
        for n, still in job.stills:
            journal.add_file("approval", still, key=whole, first=n, stop=n + 1)


def render_approval_segment(job: ApprovalJob, tick: Callable[[int], None]) -> str:
    """Render a segment of an approval copy: each frame as it looks finished, made small, with its words."""
    from smallgauge.picture.kernels import reduce_frame

    folder, segment = Path(job.segment.folder), job.segment
    (folder / job.file).parent.mkdir(parents=True, exist_ok=True)
    canvas = _canvas(segment.width, segment.height)
    stills = dict(job.stills)
    writer = create_viewing(
        folder / job.file,
        width=canvas.width,
        height=canvas.height + strip_height(canvas.height),
        rate=NATIVE_RATE,
        quality=QUALITY,
    )
    with writer:
        for words, (plan, codes, _) in zip(job.words, rendered_frames(segment), strict=True):
            small = reduce_frame(
                codes,
                bits=FINISHED.bits,
                width=canvas.picture_width,
                height=canvas.picture_height,
                canvas_width=canvas.width,
                canvas_height=canvas.height,
                frame=plan.finished,
            )
            writer.write(apply_words(small, below=words, across=job.mark))
            if plan.finished in stills:
                (folder / stills[plan.finished]).parent.mkdir(exist_ok=True)
                worded = apply_words(srgb_picture(codes), below=words, across=job.mark)
                write_still(folder / stills[plan.finished], worded)
            tick(1)
    return job.file

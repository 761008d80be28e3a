"""The smooth copy, where it was decided: pictures between finished frames, each of them told as synthetic.

It is made from the finished film once that stands, like any copy, and nothing of it goes back there.
"""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from math import nan
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.media.picture_out import create_viewing, join_segments
from smallgauge.picture.between import apply_between
from smallgauge.record.capture import Capture
from smallgauge.record.chapters import chapters_of
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.recipe import FINISHED, SMOOTH
from smallgauge.record.rendertable import COPY_COLUMNS, REAL, SYNTHETIC
from smallgauge.record.table import Table, join_tables, read_table, table_of, write_table
from smallgauge.record.work import Progress, Runner
from smallgauge.render.films import RENDERING, Film
from smallgauge.render.plan import Plan
from smallgauge.render.segments import Canvas, canvas_for

ROWS = "work/rows/smooth.parquet"


@dataclass(frozen=True, slots=True, kw_only=True)
class SmoothJob:
    """Shown frames of one segment, from the finished frames `first` to before `stop` and the one behind them.

    `at` and `shares` are those of each shown frame: the finished frame before it, and the share of the way to the next.
    """

    folder: str
    first: int
    stop: int
    first_shown: int
    at: tuple[int, ...]
    shares: tuple[Fraction, ...]
    rate: Fraction
    canvas: Canvas

    @property
    def files(self) -> tuple[str, str]:
        """Film and rows below the reel's folder."""
        return (
            f"work/segments/smooth-{self.first:06d}.mp4",
            f"work/rows/smooth-{self.first:06d}.parquet",
        )


def make_smooth_copy(
    folder: Path,
    capture: Capture,
    plan: Plan,
    films: tuple[Film, ...],
    *,
    sound: str,
    journal: Journal,
    runner: Runner,
    progress: Progress,
) -> Table | None:
    """The smooth copy, and a row for each of its frames; None where none was decided, and an earlier one is taken away.

    `sound` is the key of the copies' sound, "" for a silent film.
    """
    if plan.smooth is None:
        for file in (SMOOTH.file, ROWS):
            if file in journal.lines:
                (folder / file).unlink(missing_ok=True)
                journal.forget(file)
        return None
    jobs = _jobs(folder, plan)
    pictures = [
        key_of("smooth", RENDERING, films[0].pictures, SMOOTH, job.at, job.shares, job.rate) for job in jobs
    ]
    rows_key = key_of(pictures)
    title = capture.notes.reel or capture.name
    chapters = chapters_of([plan.frames[shown].scene for shown in plan.smooth.shown], plan.titles)
    key = f"{rows_key}.{key_of(RENDERING, sound, title, chapters)}"
    if journal.holds(SMOOTH.file, key) and journal.holds(ROWS, rows_key):
        return read_table(folder / ROWS, COPY_COLUMNS, "copies")
    if not journal.holds(ROWS, rows_key) or not _holds_pictures(journal, rows_key):
        _segments(folder, jobs, pictures, rows_key, capture, journal, runner, progress)
        pieces = [(job.files[0], len(job.at)) for job in jobs]
    else:
        pieces = [(SMOOTH.file, sum(len(job.at) for job in jobs))]
    rows = read_table(folder / ROWS, COPY_COLUMNS, "copies")
    made = int(np.count_nonzero(rows["kind"] == SYNTHETIC))
    join_segments(
        [folder / file for file, _ in pieces],
        folder / SMOOTH.file,
        rate=plan.smooth.rate,
        frame_counts=[count for _, count in pieces],
        container="mp4",
        tags={
            "title": f"{title} (synthetic frames)",
            "comment": f"{made} of {len(rows)} frames are synthetic: made between two frames of the film, not taken by a camera.",
        },
        sound=folder / films[1].file if sound else None,
        chapters=chapters,
    )
    journal.add_file("render", SMOOTH.file, key=key, stop=len(rows), rows=len(rows))
    for job in jobs:
        for file in job.files:
            (folder / file).unlink(missing_ok=True)
    return rows


def _holds_pictures(journal: Journal, rows_key: str) -> bool:
    """Whether the copy that stands holds these pictures, if with another sound or title."""
    line = journal.lines.get(SMOOTH.file)
    return (
        line is not None and line.key.partition(".")[0] == rows_key and journal.holds(SMOOTH.file, line.key)
    )


def _jobs(folder: Path, plan: Plan) -> list[SmoothJob]:
    assert plan.smooth is not None
    at = np.asarray(plan.smooth.shown)
    jobs = []
    for first, stop in plan.segments():
        shown = np.flatnonzero((at >= first) & (at < stop))
        jobs.append(
            SmoothJob(
                folder=str(folder),
                first=first,
                stop=stop,
                first_shown=int(shown[0]),
                at=tuple(at[shown].tolist()),
                shares=tuple(plan.smooth.shares[n] for n in shown),
                rate=plan.smooth.rate,
                canvas=canvas_for(plan.width, plan.height, largest_height=SMOOTH.largest_height),
            )
        )
    return jobs


def _segments(
    folder: Path,
    jobs: list[SmoothJob],
    keys: list[str],
    rows_key: str,
    capture: Capture,
    journal: Journal,
    runner: Runner,
    progress: Progress,
) -> None:
    """Make the segments that are missing, and one table of all rows."""
    missing = [
        job
        for job, key in zip(jobs, keys, strict=True)
        if not all(journal.holds(file, key) for file in job.files)
    ]
    total = sum(job.stop - job.first for job in jobs)
    kept = total - sum(job.stop - job.first for job in missing)
    progress("frames of the smooth copy", kept, total)
    by_first = dict(zip((job.first for job in jobs), keys, strict=True))
    for job, _ in runner.run(
        smooth_segment, missing, watch=lambda done: progress("frames of the smooth copy", kept + done, total)
    ):
        for file in job.files:
            journal.add_file("render", file, key=by_first[job.first], rows=len(job.at))
    tables = [read_table(folder / job.files[1], COPY_COLUMNS, "copies") for job in jobs]
    joined = join_tables(tables)
    write_table(
        folder / ROWS,
        Table(name="copies", columns=COPY_COLUMNS, values=joined.values, capture_digest=capture.digest),
    )
    journal.add_file("render", ROWS, key=rows_key, rows=len(joined))


def smooth_segment(job: SmoothJob, tick: Callable[[int], None]) -> int:
    """Make one segment of the smooth copy from the finished film; gives how many of its frames are synthetic."""
    from smallgauge.picture.kernels import reduce_frame

    folder = Path(job.folder)
    for file in job.files:
        (folder / file).parent.mkdir(parents=True, exist_ok=True)
    rows: list[dict[str, object]] = []
    listing = list_capture(folder / FINISHED.file)
    canvas = job.canvas
    shown_from = np.searchsorted(job.at, np.arange(job.first, job.stop + 1))
    viewing = create_viewing(
        folder / job.files[0], width=canvas.width, height=canvas.height, rate=job.rate, quality=SMOOTH.quality
    )
    with open_picture(listing) as reader, viewing as writer:
        frames = (
            np.asarray(frame.samples, np.uint16)
            for frame in reader.frames(job.first, min(job.stop + 1, listing.count))
        )
        this = next(frames)
        for number in range(job.first, job.stop):
            following = next(frames, None)
            first, stop = shown_from[number - job.first : number - job.first + 2].tolist()
            pictures, told = _shown(this, following, job.shares[first:stop])
            for n, (picture, row) in enumerate(zip(pictures, told, strict=True)):
                shown = {
                    "copy": SMOOTH.file,
                    "shown_frame": job.first_shown + first + n,
                    "finished_frame": number,
                }
                rows.append(shown | row | {"next_frame": number + 1 if row["kind"] == SYNTHETIC else -1})
                writer.write(
                    reduce_frame(
                        picture,
                        bits=FINISHED.bits,
                        width=canvas.picture_width,
                        height=canvas.picture_height,
                        canvas_width=canvas.width,
                        canvas_height=canvas.height,
                        frame=number,
                    )
                )
            tick(1)
            this = following if following is not None else this
    write_table(folder / job.files[1], table_of("copies", COPY_COLUMNS, rows))
    return sum(row["kind"] == SYNTHETIC for row in rows)


def _shown(
    this: NDArray[np.uint16], following: NDArray[np.uint16] | None, shares: tuple[Fraction, ...]
) -> tuple[list[NDArray[np.uint16]], list[dict[str, object]]]:
    """What is shown from one finished frame on: itself, and pictures on the way to the next where they are trusted."""
    wanted = [float(share) for share in shares if share]
    between = None
    if wanted and following is not None:
        between = apply_between(this, following, bits=FINISHED.bits, shares=wanted)
    made = list(between.pictures) if between is not None else []
    unmatched = between.unmatched_share if between is not None else nan
    pictures, rows = [], []
    for share in shares:
        synthetic = bool(share) and bool(made)
        pictures.append(made.pop(0) if synthetic else this)
        row: dict[str, object] = (
            {"kind": SYNTHETIC, "share": float(share)} if synthetic else {"kind": REAL, "share": 0.0}
        )
        rows.append(row | {"unmatched_share": unmatched if share else nan})
    return pictures, rows

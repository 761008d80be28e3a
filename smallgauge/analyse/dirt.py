"""Dirt, lines and hairs of a reel: three frames in a row are compared for dirt, the same frames for lines along the film and for
hairs in a gate, and the whole tables say what each blob, line and hair is.

Frames are read once more than the other measures read them, and from the files that they came in, since each frame needs the one
after it too: docs/decisions/0200. Where the order leaves dirt alone, nothing is read.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.analyse.hairs import HairSearch, write_reel_hairs
from smallgauge.analyse.scratches import LineSearch, LineWindow, line_windows, write_reel_lines
from smallgauge.media.picture_in import CaptureListing, FrameReader, UnreadableFrame, open_picture
from smallgauge.picture.device import PROCESSOR, DirtSearch, searcher
from smallgauge.picture.dirt import DirtMoves, DirtSheet, make_dirt_sheet
from smallgauge.picture.dirt_blobs import Blob
from smallgauge.picture.dirt_kinds import TOLD, find_dirt_kinds
from smallgauge.picture.hairs import HairSheet, make_hair_sheet
from smallgauge.picture.scratches import ScratchSheet, make_scratch_sheet
from smallgauge.record.capture import Capture
from smallgauge.record.dirttable import DIRT_COLUMNS, DIRT_TABLE, runs_text
from smallgauge.record.exposures import picture_boxes
from smallgauge.record.hairtable import HAIR_TABLE
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.light import table_for
from smallgauge.record.material import Material
from smallgauge.record.recipe import SEGMENT_FRAMES
from smallgauge.record.scratchtable import SCRATCH_TABLE
from smallgauge.record.table import Table, join_tables, read_table, table_of, write_table
from smallgauge.record.work import Progress, Runner

SEARCHING = 8  # raised when the same frames would give other rows
HALO = 1  # frames on either side of a piece that its own are compared with
LEAST_SIDE_PX = 64  # of a picture in which dirt is looked for
SIDES = ("before", "after")


@dataclass(frozen=True, slots=True, kw_only=True)
class DirtJob:
    """Frames `first` to `stop` of a capture, and where the picture lies in each frame that is read for them."""

    folder: str
    number: int  # of the capture in the reel
    listing: CaptureListing
    capture: Capture
    first: int
    stop: int
    begin: int  # first frame that is read
    corners: tuple[tuple[int, int], ...]  # left, top of frames from `begin` on
    off_px: tuple[float, ...]  # the same frames' place across the film, less the whole pixel `left`
    windows: tuple[LineWindow, ...]  # of frames whose lines are found together
    size: tuple[int, int]
    device: str = PROCESSOR  # where dirt is searched; changes no key


def _rows_file(number: int, first: int) -> str:
    return f"work/rows/dirt-{number}-{first:06d}.parquet"


def _lines_file(number: int, first: int) -> str:
    return f"work/rows/scratches-{number}-{first:06d}.parquet"


def _hairs_file(number: int, first: int) -> str:
    return f"work/rows/hairs-{number}-{first:06d}.parquet"


FILES = (_rows_file, _lines_file, _hairs_file)


def find_reel_dirt(
    folder: Path,
    *,
    material: Material,
    frames: Table,
    journal: Journal,
    runner: Runner,
    progress: Progress,
    device: str = PROCESSOR,
) -> None:
    """Find a reel's dirt into `dirt.parquet`, its lines into `scratches.parquet`, hairs into `hairs.parquet`; what stands is kept.

    None is written where no picture is large enough. Dirt is searched on `device`; lines and hairs on the processor.
    """
    digests = [
        (stretch.capture.digest, stretch.capture.light, stretch.capture.encoding)
        for stretch in material.stretches
    ]
    corners = [_corners(stretch.capture, stretch.frames) for stretch in material.stretches]
    scenes = {
        (c, f): s
        for c, f, s in zip(
            frames["capture"].tolist(), frames["frame"].tolist(), frames["scene"].tolist(), strict=True
        )
    }
    key = key_of("dirt", SEARCHING, digests, [each[0] for each in corners], sorted(scenes.items()))
    if all(journal.holds(table, key) for table in (DIRT_TABLE, SCRATCH_TABLE, HAIR_TABLE)):
        return
    jobs, keys = _jobs(folder, material, corners)
    missing = [
        replace(job, device=device)
        for job in jobs
        if not all(journal.holds(file(job.number, job.first), keys[job.number, job.first]) for file in FILES)
    ]
    total = sum(job.stop - job.first for job in jobs)
    kept = total - sum(job.stop - job.first for job in missing)
    progress("frames searched for dirt", kept, total)
    for job, files in runner.run(
        search_chunk, missing, watch=lambda done: progress("frames searched for dirt", kept + done, total)
    ):
        for file in files:
            journal.add_file("analyse", file, key=keys[job.number, job.first], first=job.first, stop=job.stop)
    pieces = [folder / _rows_file(job.number, job.first) for job in jobs]
    if not pieces:
        return
    table = join_tables([read_table(piece, DIRT_COLUMNS, "dirt") for piece in pieces])
    table = _with_kinds(table, material, corners, scenes)
    write_table(folder / DIRT_TABLE, table)
    journal.add_file("analyse", DIRT_TABLE, key=key, stop=total, rows=len(table))
    lines = [folder / _lines_file(job.number, job.first) for job in jobs]
    colours = [not stretch.capture.notes.is_black_and_white for stretch in material.stretches]
    count = write_reel_lines(folder, lines, [(place, size) for place, _, size in corners], colours)
    journal.add_file("analyse", SCRATCH_TABLE, key=key, stop=total, rows=count)
    hairs = [folder / _hairs_file(job.number, job.first) for job in jobs]
    count = write_reel_hairs(folder, hairs, [size for _, _, size in corners])
    journal.add_file("analyse", HAIR_TABLE, key=key, stop=total, rows=count)
    for piece in (*pieces, *lines, *hairs):
        piece.unlink(missing_ok=True)


Corners = tuple[NDArray[np.int64], NDArray[np.float64], tuple[int, int]]


def _corners(capture: Capture, frames: Table) -> Corners:
    """Where the picture's first pixel lies in each frame, inside the capture; how far off the film's place; the picture's size."""
    boxes = picture_boxes(
        [capture], replace(frames, values={**frames.values, "capture": np.zeros_like(frames["capture"])})
    )
    wide, high = (int(boxes[0, n]) if len(boxes) else 0 for n in (2, 3))
    wide, high = min(wide, capture.width), min(high, capture.height)
    left = np.clip(np.round(boxes[:, 0] + 0.5), 0, capture.width - wide)
    top = np.clip(np.round(boxes[:, 1] + 0.5), 0, capture.height - high)
    off = np.nan_to_num(left - (frames["perforation_x_px"] + capture.picture_area.left))
    off = np.where(np.abs(off) <= 0.5, off, 0.0).round(3)
    return np.stack([left, top], axis=1).astype(np.int64), off, (wide, high)


def _jobs(
    folder: Path, material: Material, corners: list[Corners]
) -> tuple[list[DirtJob], dict[tuple[int, int], str]]:
    """The work, in pieces, and what each piece depends on."""
    jobs, keys = [], {}
    for number, (stretch, (place, off, size)) in enumerate(zip(material.stretches, corners, strict=True)):
        if min(size) < LEAST_SIDE_PX:
            continue
        capture, count = stretch.capture, len(stretch.frames)
        for first in range(0, count, SEGMENT_FRAMES):
            stop = min(first + SEGMENT_FRAMES, count)
            windows = line_windows(first, stop, count)
            begin, end = min(each.begin for each in windows), max(each.end for each in windows)
            around = range(max(0, min(begin, first - HALO)), min(count, max(end, stop + HALO)))
            job = DirtJob(
                folder=str(folder),
                number=number,
                listing=stretch.listing,
                capture=replace(capture, files=()),
                first=first,
                stop=stop,
                begin=around.start,
                corners=tuple((int(place[n, 0]), int(place[n, 1])) for n in around),
                off_px=tuple(float(off[n]) for n in around),
                windows=tuple(windows),
                size=size,
            )
            jobs.append(job)
            digests = [capture.files[n].digest for n in around]
            keys[number, first] = key_of(
                "dirt",
                SEARCHING,
                digests,
                job.corners,
                job.off_px,
                size,
                capture.light,
                capture.encoding,
                first,
                stop,
            )
    return jobs, keys


def search_chunk(job: DirtJob, tick: Callable[[int], None]) -> tuple[str, str, str]:
    """Search a piece of a capture; the files of its rows: blobs, lines, hairs."""
    file, lines_file, hairs_file = (name(job.number, job.first) for name in FILES)
    (Path(job.folder) / file).parent.mkdir(parents=True, exist_ok=True)
    lightness = _lightness_table(job.capture)
    search = searcher(job.device)
    rows: list[dict[str, object]] = []
    sheets: dict[int, DirtSheet | None] = {}
    moves: dict[int, DirtMoves] = {}  # from the frame before
    lines = LineSearch(job.number, job.windows, job.size)
    hairs = HairSearch(job.number, job.windows)
    with open_picture(job.listing) as reader:
        last = job.begin + len(job.corners)
        for number in range(job.begin, last):
            corner = job.corners[number - job.begin]
            sheets[number], upright, dark = _sheets(reader, job, number, lightness)
            moved = lines.look(number, upright, corner)
            hairs.look(number, dark, moved)
            before, now = sheets.get(number - 1), sheets[number]
            if before is not None and now is not None and job.first <= number <= job.stop:
                moves[number] = search.find_moves(before, now)
            if job.first <= number - 1 < job.stop:
                rows += _rows(job, search, number - 1, sheets, moves)
                tick(1)
            sheets.pop(number - 2, None)
            moves.pop(number - 1, None)
        if last - 1 < job.stop and job.first <= last - 1:  # the capture's last frame has nothing after it
            tick(1)
    write_table(Path(job.folder) / file, table_of("dirt", DIRT_COLUMNS, rows))
    lines.write(Path(job.folder) / lines_file)
    hairs.write(Path(job.folder) / hairs_file)
    return file, lines_file, hairs_file


def _lightness_table(capture: Capture) -> NDArray[np.float32] | None:
    table = table_for(capture.light, capture.encoding)
    return None if table is None else (255 * np.clip(table, 0, 1) ** (1 / 2.4)).astype(np.float32)


def _sheets(
    reader: FrameReader, job: DirtJob, number: int, table: NDArray[np.float32] | None
) -> tuple[DirtSheet | None, ScratchSheet | None, tuple[HairSheet, ...]]:
    """The sheets of a frame's picture, for dirt, lines and hairs; none where the frame can't be read."""
    try:
        samples = reader.read(number).samples
    except UnreadableFrame:
        return None, None, ()
    corner, (wide, high) = job.corners[number - job.begin], job.size
    part = samples[corner[1] : corner[1] + high, corner[0] : corner[0] + wide]
    if table is None:
        values = 255 * np.clip(np.nan_to_num(np.asarray(part, np.float32)), 0, 1) ** np.float32(1 / 2.4)
    else:
        values = table[part]
    values = np.ascontiguousarray(values, np.float32)
    upright = make_scratch_sheet(values, off_px=job.off_px[number - job.begin])
    # A hair in the camera's gate leaves a negative clear; one in the scanner's is dark on any film.
    sorts = (False, True) if job.capture.notes.is_negative else (False,)
    hairs = tuple(make_hair_sheet(values, corner=corner, light=light) for light in sorts)
    if values.ndim == 3:
        values = values @ np.array([0.25, 0.5, 0.25], np.float32)
    return make_dirt_sheet(np.ascontiguousarray(values, np.float32)), upright, hairs


def _rows(
    job: DirtJob,
    search: DirtSearch,
    number: int,
    sheets: dict[int, DirtSheet | None],
    moves: dict[int, DirtMoves],
) -> list[dict[str, object]]:
    """Rows of one frame's blobs, in pixels of the captured frame."""
    before, now, after = (sheets.get(n) for n in (number - 1, number, number + 1))
    if before is None or now is None or after is None:
        return []
    corners = [np.array(job.corners[n - job.begin]) for n in (number - 1, number, number + 1)]
    blobs = search.find(before, now, after, moves=(moves[number], moves[number + 1]))
    rows = [_row(job, number, n, blob, corners) for n, blob in enumerate(blobs)]
    return [row | {"found_on": search.name} for row in rows]


def _row(
    job: DirtJob, number: int, n: int, blob: Blob, corners: list[NDArray[np.int64]]
) -> dict[str, object]:
    left, top = (int(v) for v in corners[1])
    row: dict[str, object] = {name: getattr(blob, name) for name in TOLD}
    row |= {
        "capture": job.number,
        "frame": number,
        "blob": n,
        "left": blob.left + left,
        "top": blob.top + top,
    }
    row["runs"] = runs_text(blob.runs, blob.left, blob.top)
    for side, move, corner in zip(SIDES, (blob.before, blob.after), (corners[0], corners[2]), strict=True):
        a, b, c, d, e, f = move
        moved = (a, b, c - a * left - b * top + corner[0], d, e, f - d * left - e * top + corner[1])
        row |= {f"{side}_{letter}": float(value) for letter, value in zip("abcdef", moved, strict=True)}
    return row


def _with_kinds(
    table: Table,
    material: Material,
    corners: list[Corners],
    scenes: dict[tuple[int, int], int],
) -> Table:
    """The table with what each blob is taken for."""
    kind = np.full(len(table), "", dtype=object)
    for number, (stretch, (place, _, size)) in enumerate(zip(material.stretches, corners, strict=True)):
        rows = np.flatnonzero(table["capture"] == number)
        if not len(rows):
            continue
        blobs: dict[str, Any] = {column.name: table[column.name][rows] for column in DIRT_COLUMNS}
        frame = blobs["frame"]
        blobs["left"] = blobs["left"] - place[frame, 0]
        blobs["top"] = blobs["top"] - place[frame, 1]
        scene = np.array([scenes.get((number, n), -1) for n in range(len(stretch.frames))])
        kind[rows] = find_dirt_kinds(blobs, scene=scene, size=size)
    return replace(table, values={**table.values, "kind": kind})

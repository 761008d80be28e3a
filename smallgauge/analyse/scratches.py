"""Lines along a reel's film: rows of each frame, found while dirt is looked for, and then what each line is, from all of them."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.scratch_lines import ScratchLine, find_scratch_lines
from smallgauge.picture.scratch_repair import line_runs
from smallgauge.picture.scratches import ScratchSheet, ScratchStep, find_scratches, measure_scratch_step
from smallgauge.record.dirttable import runs_text
from smallgauge.record.scratchtable import SCRATCH_COLUMNS, SCRATCH_TABLE, profile_text
from smallgauge.record.table import Table, join_tables, read_table, table_of, write_table

TOGETHER = 25  # frames whose lines are found together; common practice, no source
Corners = tuple[NDArray[np.int64], tuple[int, int]]


def line_windows(first: int, stop: int) -> list[tuple[int, int, int]]:
    """Frames that are looked at together: begin, and which of them count, first to stop. A piece shorter than that begins earlier.

    Examples
    --------
    >>> line_windows(0, 60), line_windows(250, 260)
    ([(0, 0, 30), (30, 30, 60)], [(235, 250, 260)])
    """
    count = stop - first
    if count < TOGETHER:
        return [(max(0, stop - TOGETHER), first, stop)]
    edges = np.linspace(first, stop, round(count / TOGETHER) + 1).round().astype(int).tolist()
    return [(begin, begin, end) for begin, end in pairwise(edges)]


class LineSearch:
    """The lines of the frames `first` to `stop` of a capture, taken some at a time."""

    def __init__(self, capture: int, first: int, stop: int, size: tuple[int, int]) -> None:
        self._capture, self._size = capture, size
        self._windows = line_windows(first, stop)
        self._before: ScratchSheet | None = None
        self._kept: list[tuple[int, int, int, ScratchSheet, ScratchStep | None]] = []
        self.rows: list[dict[str, object]] = []

    def look(self, frame: int, sheet: ScratchSheet | None, corner: tuple[int, int]) -> None:
        """Take a frame's sheet, None where it can't be read; `corner`: its first column and row in the capture."""
        before, self._before = self._before, sheet
        if not self._windows or frame < self._windows[0][0]:
            return
        if sheet is not None:
            step = None if before is None else measure_scratch_step(before, sheet)
            self._kept.append((frame, *corner, sheet, step))
        if frame >= self._windows[0][2] - 1:
            self._tell()

    def _tell(self) -> None:
        """Rows of the frames that have come together."""
        (_, first, stop), kept = self._windows.pop(0), self._kept
        self._kept = []
        if not kept:
            return
        lines = find_scratch_lines([each[3] for each in kept], [each[4] for each in kept])
        for n, (frame, left, top, _, _) in enumerate(kept):
            if first <= frame < stop:
                self.rows += [self._row(frame, left, top, line, n) for line in lines if line.present[n]]

    def _row(self, frame: int, left: int, top: int, line: ScratchLine, n: int) -> dict[str, object]:
        """A line on a frame, in pixels of the captured frame."""
        red, green, blue = line.colours
        row: dict[str, object] = {
            name: getattr(line, name)
            for name in ("kind", "width", "frames_alike", "bands_alike", "misfit", "explained")
        }
        row |= {name: line.lightness * getattr(line, name) for name in ("depth", "doubt", "contrast")}
        runs = line_runs(line.x[n], len(line.profile), line.bands, self._size) if line.profile else ()
        row["runs"] = runs_text(tuple((x + left, y + top, end + top) for x, y, end in runs), 0, 0)
        row["profile"] = profile_text(line.profile)
        row |= {"capture": self._capture, "frame": frame, "x": line.x[n] + left}
        return row | {"red": red, "green": green, "blue": blue}

    def write(self, path: Path) -> None:
        """Write the rows."""
        write_table(path, table_of("scratches", SCRATCH_COLUMNS, self.rows))


def write_reel_lines(
    folder: Path, pieces: Sequence[Path], corners: Sequence[Corners], colours: Sequence[bool]
) -> int:
    """Join the pieces, say what each line is, and write `scratches.parquet`; how many rows it has.

    `colours` says of each capture whether its film has colours to tell the side by.
    """
    table = join_tables([read_table(piece, SCRATCH_COLUMNS, "scratches") for piece in pieces])
    track = np.zeros(len(table), np.int64)
    kind, side = (np.full(len(table), "", dtype=object) for _ in range(2))
    for number, (place, size) in enumerate(corners):
        rows = np.flatnonzero(table["capture"] == number)
        if not len(rows):
            continue
        lines: dict[str, Any] = {column.name: table[column.name][rows] for column in SCRATCH_COLUMNS}
        lines["x"] = lines["x"] - place[lines["frame"], 0]
        track[rows], kind[rows], side[rows] = find_scratches(lines, size=size, colours=colours[number])
    done: Table = replace(
        table, values={**table.values, "track": track.astype(np.int32), "kind": kind, "side": side}
    )
    write_table(folder / SCRATCH_TABLE, done)
    return len(done)

"""Lines along a reel's film: rows of each frame, found while dirt is looked for, and then what each line is, from all of them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
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


@dataclass(frozen=True, slots=True, kw_only=True)
class LineWindow:
    """Frames that are looked at together, `begin` to `end`, and which of them a piece keeps, `first` to `stop`."""

    begin: int
    end: int
    first: int
    stop: int


def line_windows(first: int, stop: int, count: int) -> list[LineWindow]:
    """The windows of the frames `first` to `stop` of a capture of `count` frames, the same however it is cut in pieces.

    Examples
    --------
    >>> [(w.begin, w.end, w.first, w.stop) for w in line_windows(0, 60, 60)]
    [(0, 25, 0, 25), (25, 50, 25, 50), (35, 60, 50, 60)]
    >>> [(w.begin, w.end, w.first, w.stop) for w in line_windows(20, 30, 60)]
    [(0, 25, 20, 25), (25, 50, 25, 30)]
    """
    windows = []
    for begin in range(first // TOGETHER * TOGETHER, stop, TOGETHER):
        end = min(begin + TOGETHER, count)
        kept = max(first, begin), min(stop, end)
        windows.append(
            LineWindow(begin=max(0, min(begin, end - TOGETHER)), end=end, first=kept[0], stop=kept[1])
        )
    return windows


class LineSearch:
    """The lines of a capture's frames, some at a time: those of each window once its last frame is there."""

    def __init__(self, capture: int, windows: Sequence[LineWindow], size: tuple[int, int]) -> None:
        self._capture, self._size = capture, size
        self._windows = list(windows)
        self._before: ScratchSheet | None = None
        self._kept: list[tuple[int, int, int, ScratchSheet, ScratchStep | None]] = []
        self.rows: list[dict[str, object]] = []

    def look(
        self, frame: int, sheet: ScratchSheet | None, corner: tuple[int, int]
    ) -> tuple[float, float] | None:
        """Take a frame's sheet, None where it can't be read; `corner`: its first column and row in the capture.

        How far the scene moved since the frame before, px; None where that was not looked at.
        """
        before, self._before = self._before, sheet
        if not self._windows or frame < self._windows[0].begin:
            return None
        step = None
        if sheet is not None:
            step = None if before is None else measure_scratch_step(before, sheet)
            self._kept.append((frame, *corner, sheet, step))
        while self._windows and frame >= self._windows[0].end - 1:
            self._tell(self._windows.pop(0))
            begin = self._windows[0].begin if self._windows else frame + 1
            self._kept = [each for each in self._kept if each[0] >= begin]
        return None if step is None else step.scene_px

    def _tell(self, window: LineWindow) -> None:
        """Rows of a window's frames."""
        kept = [each for each in self._kept if window.begin <= each[0] < window.end]
        if not kept:
            return
        # Where a window begins, its first frame has none before it, whatever was read before.
        steps = [None if each[0] == window.begin else each[4] for each in kept]
        lines = find_scratch_lines([each[3] for each in kept], steps)
        for n, (frame, left, top, _, _) in enumerate(kept):
            if window.first <= frame < window.stop:
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
        row |= {"agree": line.agree[n], "scene_px": line.scene_px[n]}
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

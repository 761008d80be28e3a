"""Lines along a reel's film: rows of each frame, found while dirt is looked for, and then what each line is, from all of them."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.scratches import MEMORY, ScratchSheet, find_scratch_lines, find_scratches
from smallgauge.record.scratchtable import SCRATCH_COLUMNS, SCRATCH_TABLE
from smallgauge.record.table import Table, join_tables, read_table, table_of, write_table

Corners = tuple[NDArray[np.int64], tuple[int, int]]


class LineSearch:
    """The lines of frames in a row, each against the few before it."""

    def __init__(self, capture: int) -> None:
        self._capture = capture
        self._before: list[ScratchSheet] = []
        self.rows: list[dict[str, object]] = []

    def look(self, frame: int, sheet: ScratchSheet | None, left: int, *, kept: bool) -> None:
        """Take a frame's sheet, None where it can't be read; `left`: its first column in the capture; `kept`: it counts."""
        if sheet is None:
            self._before = []
            return
        for line in find_scratch_lines(self._before, sheet) if kept else ():
            red, green, blue = line.colours
            row: dict[str, object] = {
                name: getattr(line, name) for name in ("width", "agree", "depth", "scene_px")
            }
            row |= {"capture": self._capture, "frame": frame, "x": line.x + left}
            self.rows.append(row | {"red": red, "green": green, "blue": blue})
        self._before = [*self._before, sheet][-MEMORY:]

    def write(self, path: Path) -> None:
        """Write the rows."""
        write_table(path, table_of("scratches", SCRATCH_COLUMNS, self.rows))


def write_reel_lines(
    folder: Path,
    pieces: Sequence[Path],
    corners: Sequence[Corners],
    scenes: dict[tuple[int, int], int],
    colours: Sequence[bool],
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
        scene = np.array([scenes.get((number, n), -1) for n in range(len(place))])
        track[rows], kind[rows], side[rows] = find_scratches(
            lines, scene=scene, size=size, colours=colours[number]
        )
    done: Table = replace(
        table, values={**table.values, "track": track.astype(np.int32), "kind": kind, "side": side}
    )
    write_table(folder / SCRATCH_TABLE, done)
    return len(done)

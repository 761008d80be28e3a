"""Hairs in a gate over a reel: rows of each frame, found while dirt is looked for, and then what each hair is, from all of them."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.analyse.scratches import TOGETHER, LineWindow
from smallgauge.picture.hair_kinds import find_hair_kinds
from smallgauge.picture.hairs import Hair, HairSheet, find_hairs
from smallgauge.record.hairtable import HAIR_COLUMNS, HAIR_TABLE
from smallgauge.record.table import join_tables, read_table, table_of, write_table

Corners = tuple[NDArray[np.int64], tuple[int, int]]


class HairSearch:
    """The hairs of a capture's frames, those of each window once its last frame is there."""

    def __init__(self, capture: int, windows: Sequence[LineWindow]) -> None:
        self._capture = capture
        self._windows = list(windows)
        self._kept: list[tuple[int, tuple[HairSheet, ...], tuple[float, float] | None]] = []
        self.rows: list[dict[str, object]] = []

    def look(self, frame: int, sheets: tuple[HairSheet, ...], move: tuple[float, float] | None) -> None:
        """Take a frame's sheets, none where it can't be read, and how far the scene moved since the frame before."""
        if not self._windows or frame < self._windows[0].begin:
            return
        if sheets:
            self._kept.append((frame, sheets, move))
        while self._windows and frame >= self._windows[0].end - 1:
            self._tell(self._windows.pop(0))
            begin = self._windows[0].begin if self._windows else frame + 1
            self._kept = [each for each in self._kept if each[0] >= begin]

    def _tell(self, window: LineWindow) -> None:
        """Rows of a window's frames."""
        kept = [each for each in self._kept if window.begin <= each[0] < window.end]
        if not kept:
            return
        # Where a window begins, its first frame has none before it, whatever was read before.
        moves = [None if each[0] == window.begin else each[2] for each in kept]
        for which in range(len(kept[0][1])):
            for hair in find_hairs([each[1][which] for each in kept], moves):
                for n, (frame, sheets, _) in enumerate(kept):
                    if hair.present[n] and window.first <= frame < window.stop:
                        self.rows.append(self._row(frame, sheets[which].corner, hair, n))

    def _row(self, frame: int, corner: tuple[int, int], hair: Hair, n: int) -> dict[str, object]:
        """A hair on a frame, in pixels of the captured frame."""
        left, top, width, height = hair.boxes[n]
        row: dict[str, object] = {
            name: getattr(hair, name)
            for name in ("side", "at", "length", "thick", "depth", "with_film", "doubt", "moved", "cuts")
        }
        row |= {"left": left + corner[0], "top": top + corner[1], "width": width, "height": height}
        return row | {"capture": self._capture, "frame": frame}

    def write(self, path: Path) -> None:
        """Write the rows."""
        write_table(path, table_of("hairs", HAIR_COLUMNS, self.rows))


def write_reel_hairs(folder: Path, pieces: Sequence[Path], sizes: Sequence[tuple[int, int]]) -> int:
    """Join the pieces, say what each hair is, and write `hairs.parquet`; how many rows it has.

    `sizes` are those of each capture's picture.
    """
    table = join_tables([read_table(piece, HAIR_COLUMNS, "hairs") for piece in pieces])
    track, kind = np.zeros(len(table), np.int64), np.full(len(table), "", dtype=object)
    for number, size in enumerate(sizes):
        rows = np.flatnonzero(table["capture"] == number)
        if len(rows):
            hairs: dict[str, Any] = {name: table[name][rows] for name in table.values}
            hairs["found"] = _found(hairs)
            track[rows], kind[rows] = find_hair_kinds(hairs, size=size)
    order = np.lexsort((track, table["frame"], table["capture"]))
    told = order[kind[order] != ""]
    values = {**table.values, "track": track.astype(np.int32), "kind": kind}
    done = replace(table, values={name: column[told] for name, column in values.items()})
    write_table(folder / HAIR_TABLE, done)
    return len(done)


def _found(hairs: dict[str, Any]) -> NDArray[np.int64]:
    """One number for all rows that were found together: of one window, with one place and shape."""
    window = (hairs["frame"] // TOGETHER).tolist()
    keys = list(
        zip(window, hairs["side"].tolist(), hairs["at"].tolist(), hairs["length"].tolist(), strict=True)
    )
    numbers = {key: n for n, key in enumerate(sorted(set(keys)))}
    return np.array([numbers[key] for key in keys], np.int64)

"""What was found on the film that may be dirt: a row a blob, in the pixels of the captured frame.

`dirt.parquet` says where each blob lies, how deep it is, what is around it, what it is taken for, and where it lies in the
captured frames beside its own. Nothing is altered by it: the decisions on dirt say what is repaired in the finished film.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.columns import Column, ColumnType
from smallgauge.picture.dirt_kinds import KINDS
from smallgauge.picture.dirt_repair import Affine, DirtRepair, Run
from smallgauge.record.table import Table, read_table

DIRT_TABLE = "dirt.parquet"


def _c(name: str, unit: str, kind: ColumnType, meaning: str, *, source: str = "SROD") -> Column:
    return Column(name=name, unit=unit, type=kind, meaning=meaning, source=source)


@dataclass(frozen=True, slots=True, kw_only=True)
class DirtSummary:
    """Dirt of the reel: blobs found, repaired, left because somebody decided so, left by kind; scenes left whole (from 0).

    Scratches: how many lines were found, and how many of them are repaired on some frame.
    """

    found: int
    repaired: int
    left_by_decision: int
    left: dict[str, int]
    scenes_left: tuple[int, ...]
    lines_found: int = 0
    lines_repaired: int = 0


MOVES = tuple(f"{side}_{letter}" for side in ("before", "after") for letter in "abcdef")
DIRT_COLUMNS: tuple[Column, ...] = (
    _c("capture", "1", "int32", "Which capture of the reel the blob is on.", source="definition"),
    _c("frame", "1", "int32", "Captured frame, from 0.", source="definition"),
    _c(
        "blob",
        "1",
        "int32",
        "Number of the blob on its frame, from 0, the deepest first.",
        source="definition",
    ),
    _c("left", "px", "int32", "First column of the blob in the captured frame."),
    _c("top", "px", "int32", "First row of the blob in the captured frame."),
    _c("width", "px", "int32", "Columns that it covers."),
    _c("height", "px", "int32", "Rows that it covers."),
    _c("area_px", "1", "int32", "Pixels of it."),
    _c(
        "depth",
        "1",
        "float32",
        "Mean difference from what the frames beside it show, lightness 0 to 255; below 0 darker.",
    ),
    _c(
        "peak",
        "1",
        "float32",
        "How far its deepest pixel stands out of eighteen of the frames beside it, deviations of the grain.",
    ),
    _c("lightness", "1", "float32", "Its own mean lightness, 0 to 255."),
    _c("restless", "1", "float32", "Share of its surroundings that fit neither frame beside it."),
    _c("apart", "1", "float32", "How far the frames beside it differ under it, deviations of the grain."),
    _c(
        "torn",
        "1",
        "float32",
        "How far its surroundings, moved as one piece, differ from the worse of the frames beside it: a mean, deviations of the "
        "grain; about 1.1 where all moves together, 6 at most. NaN where the blob is too faint or too large to be asked.",
        source="definition",
    ),
    _c("turn_deg", "degree", "float32", "Direction of its longer side, 0 across the capture, 0 to 180."),
    _c("long", "1", "float32", "How many times longer than wide it is."),
    _c(
        "kind",
        "",
        "text",
        "What it is taken for: " + "; ".join(f"{key}: {words}" for key, words in KINDS.items()) + ".",
    ),
    _c(
        "runs",
        "",
        "text",
        "Its pixels: row:first-stop from its top left, one a line of pixels, stop not in it.",
    ),
    *(
        _c(
            f"{side}_{letter}",
            "px" if letter in "cf" else "1",
            "float32",
            f"Number {letter} of the move of its pixels into the frame {side}: x' = a x + b y + c, y' = d x + e y + f.",
            source="DIS flow",
        )
        for side in ("before", "after")
        for letter in "abcdef"
    ),
    _c(
        "found_on",
        "",
        "text",
        "Where it was found: processor, or the card's name; empty in tables of before.",
        source="definition",
    ),
)


def runs_text(runs: tuple[Run, ...], left: int, top: int) -> str:
    """A blob's runs as the table holds them.

    Examples
    --------
    >>> runs_text(((12, 30, 33), (13, 30, 31)), 30, 12)
    '0:0-3 1:0-1'
    """
    return " ".join(f"{y - top}:{first - left}-{stop - left}" for y, first, stop in runs)


def runs_of(text: str, left: int, top: int) -> tuple[Run, ...]:
    """A blob's runs in the captured frame.

    Examples
    --------
    >>> runs_of("0:0-3 1:0-1", 30, 12)
    ((12, 30, 33), (13, 30, 31))
    """
    runs = []
    for word in text.split():
        row, _, line = word.partition(":")
        first, _, stop = line.partition("-")
        runs.append((top + int(row), left + int(first), left + int(stop)))
    return tuple(runs)


def read_dirt(folder: Path) -> Table | None:
    """A reel's table of dirt; None where it was not looked for."""
    path = folder / DIRT_TABLE
    return read_table(path, DIRT_COLUMNS, "dirt") if path.is_file() else None


def runs_at(table: Table, row: int) -> tuple[Run, ...]:
    """The runs of a row's blob in the captured frame."""
    return runs_of(str(table["runs"][row]), int(table["left"][row]), int(table["top"][row]))


def repair_of(table: Table, row: int) -> DirtRepair:
    """The repair of a row's blob."""
    numbers = [float(table[name][row]) for name in MOVES]
    return DirtRepair(
        runs=runs_at(table, row),
        before=_six(numbers[:6]),
        after=_six(numbers[6:]),
    )


def _six(numbers: list[float]) -> Affine:
    a, b, c, d, e, f = numbers
    return a, b, c, d, e, f


def rows_by_frame(table: Table) -> dict[tuple[int, int], NDArray[np.int64]]:
    """Rows of the table by capture and frame."""
    keys: NDArray[Any] = table["capture"].astype(np.int64) << 32 | table["frame"].astype(np.int64)
    order = np.argsort(keys, kind="stable")
    values, starts = np.unique(keys[order], return_index=True)
    parts = np.split(order, starts[1:])
    return {(int(k) >> 32, int(k) & 0xFFFFFFFF): part for k, part in zip(values, parts) if len(part)}

"""Hairs in a gate: a row for each hair on each frame, in the pixels of the captured frame.

`hairs.parquet` says where each lies, which are one, and in whose gate it is. Nothing is altered by it, and nothing is repaired.
"""

from pathlib import Path

import numpy as np

from smallgauge.columns import Column, ColumnType
from smallgauge.picture.hair_kinds import KINDS
from smallgauge.record.finding import Finding
from smallgauge.record.table import Table, read_table

HAIR_TABLE = "hairs.parquet"


def _c(
    name: str, unit: str, kind: ColumnType, meaning: str, *, source: str = "own measure of hairs"
) -> Column:
    return Column(name=name, unit=unit, type=kind, meaning=meaning, source=source)


HAIR_COLUMNS: tuple[Column, ...] = (
    _c("capture", "1", "int32", "Which capture of the reel the hair is on.", source="definition"),
    _c("frame", "1", "int32", "Captured frame, from 0.", source="definition"),
    _c("track", "1", "int32", "Number of the hair within its capture, the same on all its frames."),
    _c("left", "px", "int32", "First column of what is seen of it in the captured frame."),
    _c("top", "px", "int32", "First row of it in the captured frame."),
    _c("width", "px", "int32", "Columns that it covers."),
    _c("height", "px", "int32", "Rows that it covers."),
    _c("side", "", "text", "Side of the picture that it reaches in from: left, top, right or bottom."),
    _c("at", "px", "float32", "Where on that side, px of the picture from its left or its top."),
    _c("length", "px", "float32", "Length along it, of what is steady."),
    _c("thick", "px", "float32", "How thick it is."),
    _c(
        "depth",
        "1",
        "float32",
        "Share of the lightness around that it takes; of a light hair, of what is left above.",
    ),
    _c(
        "with_film",
        "1",
        "float32",
        "How far it goes with the film from frame to frame: 1 it is on the film, 0 it stands in the scanner; NaN: not told.",
    ),
    _c("doubt", "1", "float32", "Deviation of that; NaN: not told."),
    _c(
        "moved",
        "1",
        "float32",
        "How far the scene moved behind it on the frames looked at together, as a share of the picture's height.",
    ),
    _c(
        "cuts",
        "1",
        "int32",
        "How often the picture changed altogether behind it on the frames looked at together.",
    ),
    _c(
        "kind",
        "",
        "text",
        "What it is taken for: " + "; ".join(f"{key}: {words}" for key, words in KINDS.items()) + ".",
    ),
)


def read_hairs(folder: Path) -> Table | None:
    """A reel's table of hairs; None where none were looked for."""
    path = folder / HAIR_TABLE
    return read_table(path, HAIR_COLUMNS, "hairs") if path.is_file() else None


def hair_findings(hairs: Table | None) -> tuple[Finding, ...]:
    """What there is to say of them: of those in the scanner's gate, and of those on the film.

    Examples
    --------
    >>> from smallgauge.record.table import table_of
    >>> rows = [{"frame": n, "kind": "scanner", "side": "top"} for n in (4, 5)]
    >>> [(found.code, found.values["frames"]) for found in hair_findings(table_of("hairs", HAIR_COLUMNS, rows))]
    [('hairs in the scanner', 2)]
    """
    if hairs is None or not len(hairs):
        return ()
    told = []
    for code, kinds in (
        ("hairs in the scanner", ("scanner",)),
        ("hairs in the camera", ("camera",)),
        ("hairs in a gate", ("hair",)),
    ):
        rows = np.flatnonzero(np.isin(hairs["kind"], kinds))
        if not len(rows):
            continue
        keys = [
            list(zip(hairs["capture"][rows].tolist(), hairs[n][rows].tolist(), strict=True))
            for n in ("track", "frame")
        ]
        values: dict[str, object] = {
            "count": len(set(keys[0])),
            "frames": len(set(keys[1])),
            "first": int(hairs["frame"][rows].min()),
            "sides": sorted(set(hairs["side"][rows].tolist())),
        }
        told.append(Finding(code=code, where="capture", values=values))
    return tuple(told)

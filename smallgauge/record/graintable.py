"""Grain of the film: a row for each pair of frames, channel and density that it was measured at.

`grain.parquet` is the evidence of the noise curve in the report. Nothing is altered by it.
"""

from pathlib import Path

from smallgauge.columns import Column, ColumnType
from smallgauge.record.table import Table, read_table

GRAIN_TABLE = "grain.parquet"


def _c(
    name: str, unit: str, kind: ColumnType, meaning: str, *, source: str = "grain by differences"
) -> Column:
    return Column(name=name, unit=unit, type=kind, meaning=meaning, source=source)


GRAIN_COLUMNS: tuple[Column, ...] = (
    _c("capture", "1", "int32", "Which capture of the reel the pair is of.", source="definition"),
    _c("frame", "1", "int32", "The pair's first captured frame, from 0; the next one is the other.", source="definition"),
    _c("channel", "", "text", "red, green or blue; green alone where the capture has one plane."),
    _c("density", "1", "float32", "Middle of a band of density, 0.2 wide; density 0 is the open gate."),
    _c("sigma", "1", "float32", "Deviation of density in calm places, of grain and scanner together."),
    _c("places", "1", "int32", "Calm places of 24 x 24 captured pixels that it is from."),
    _c(
        "coarse_px",
        "px",
        "float32",
        "Distance at which the likeness of grain with itself has fallen to 1/e, of that channel in that pair.",
    ),
)  # fmt: skip


def read_grain(folder: Path) -> Table | None:
    """A reel's table of grain; None where it was not measured."""
    path = folder / GRAIN_TABLE
    return read_table(path, GRAIN_COLUMNS, "grain") if path.is_file() else None

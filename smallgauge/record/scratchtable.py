"""Lines along the film: a row for each line on each frame, in the pixels of the captured frame.

`scratches.parquet` says where each lies, how deep it is, which lines are one, and what they are taken for. Nothing is
altered by it.
"""

from pathlib import Path

from smallgauge.columns import Column, ColumnType
from smallgauge.picture.scratches import KINDS, SIDES
from smallgauge.record.table import Table, read_table

SCRATCH_TABLE = "scratches.parquet"


def _c(name: str, unit: str, kind: ColumnType, meaning: str, *, source: str = "a contrario lines") -> Column:
    return Column(name=name, unit=unit, type=kind, meaning=meaning, source=source)


SCRATCH_COLUMNS: tuple[Column, ...] = (
    _c("capture", "1", "int32", "Which capture of the reel the line is on.", source="definition"),
    _c("frame", "1", "int32", "Captured frame, from 0.", source="definition"),
    _c("track", "1", "int32", "Number of the line within its capture, the same on all its frames."),
    _c("x", "px", "float32", "Column of its middle in the captured frame."),
    _c("width", "px", "float32", "How wide it is: its profile's area over its height."),
    _c(
        "agree",
        "1",
        "int32",
        "Bands of the picture, of 32, that are lighter, or darker, there than on both sides.",
    ),
    _c(
        "depth", "1", "float32", "How much lighter it is than both sides, lightness 0 to 255; below 0 darker."
    ),
    *(
        _c(
            name,
            "1",
            "float32",
            f"The same in {name}, per cent of the light behind, logarithmic; without colours that of all light.",
        )
        for name in ("red", "green", "blue")
    ),
    _c(
        "scene_px",
        "px",
        "float32",
        "How far the scene moved across the film since the frame before; NaN: not found.",
        source="Kuglin and Hines 1975",
    ),
    _c(
        "kind",
        "",
        "text",
        "What it is taken for: " + "; ".join(f"{key}: {words}" for key, words in KINDS.items()) + ".",
    ),
    _c(
        "side",
        "",
        "text",
        "The side of the film that it lies on: "
        + "; ".join(f"{key}: {words}" for key, words in SIDES.items())
        + ".",
    ),
)


def read_scratches(folder: Path) -> Table | None:
    """A reel's table of lines; None where none were looked for."""
    path = folder / SCRATCH_TABLE
    return read_table(path, SCRATCH_COLUMNS, "scratches") if path.is_file() else None

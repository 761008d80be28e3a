"""Lines along the film: a row for each line on each frame, in the pixels of the captured frame.

`scratches.parquet` says where each lies, how deep it is, which lines are one, what they are taken for, and which pixels a repair
touches. Nothing is altered by it: the decisions on dirt say what is repaired in the finished film.
"""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.columns import Column, ColumnType
from smallgauge.picture.scratch_repair import DEEPEST, ScratchRepair
from smallgauge.picture.scratches import KINDS, SIDES
from smallgauge.record.dirttable import runs_of
from smallgauge.record.finding import Finding
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
        "Bands of the picture, of 32, that are lighter, or darker, there than on both sides; 0 too where a program did not count.",
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
        source="DIS flow",
    ),
    _c("doubt", "1", "float32", "How sure that is, one deviation, lightness; NaN: nothing tells."),
    _c(
        "contrast",
        "1",
        "float32",
        "What the picture itself shows there, lightness, the scene's own included.",
    ),
    _c(
        "frames_alike",
        "1",
        "float32",
        "Share of what the frames looked at together say that is as deep, to one half; NaN: not asked.",
    ),
    _c(
        "bands_alike",
        "1",
        "float32",
        "Share of the parts of the height in which it is seen that say the same.",
    ),
    _c(
        "misfit",
        "1",
        "float32",
        "What is left at the line once it is explained, over what is left elsewhere.",
    ),
    _c("explained", "1", "float32", "Share of the differences at the line that it explains."),
    _c(
        "runs",
        "",
        "text",
        "Its pixels, of a scratch: column:first-stop in the captured frame, rows from the top, stop not in it.",
    ),
    _c(
        "profile",
        "",
        "text",
        "Its depth px by px across, thousandths of the depth, the middle one at x; of a scratch.",
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


def profile_text(profile: tuple[float, ...]) -> str:
    """A profile as the table holds it.

    Examples
    --------
    >>> profile_text((0.0, 0.5, 1.0, 0.5, 0.0)), profile_of("0 500 1000")
    ('0 500 1000 500 0', (0.0, 0.5, 1.0))
    """
    return " ".join(f"{round(1000 * share)}" for share in profile)


def profile_of(text: str) -> tuple[float, ...]:
    """A profile from the table's text."""
    return tuple(int(word) / 1000 for word in text.split())


def line_repair_of(table: Table, row: int) -> ScratchRepair:
    """The repair of a row's line."""
    return ScratchRepair(
        x=float(table["x"][row]),
        profile=profile_of(str(table["profile"][row])),
        colours=(float(table["red"][row]), float(table["green"][row]), float(table["blue"][row])),
        runs=runs_of(str(table["runs"][row]), 0, 0),
    )


def line_findings(lines: Table | None) -> tuple[Finding, ...]:
    """What there is to say of lines that are left: those that disagree from place to place, and those that hide nearly all.

    Examples
    --------
    >>> from smallgauge.record.table import table_of
    >>> rows = [{"frame": n, "kind": "disputed"} for n in (4, 5)]
    >>> [(found.code, found.values["frames"]) for found in line_findings(table_of("scratches", SCRATCH_COLUMNS, rows))]
    [('scratches left', 2)]
    """
    if lines is None:
        return ()
    depth = np.fmax.reduce([np.abs(lines[name]) for name in ("red", "green", "blue")])
    disputed, deep = lines["kind"] == "disputed", (lines["kind"] == "scratch") & (depth > DEEPEST)
    here = disputed | deep
    if not here.any():
        return ()

    def count(rows: NDArray[np.bool_], name: str) -> int:
        return len(set(zip(lines["capture"][rows].tolist(), lines[name][rows].tolist(), strict=True)))

    values: dict[str, object] = {"lines": count(here, "track"), "frames": count(here, "frame")}
    values |= {"disputed": count(disputed, "track"), "deep": count(deep, "track")}
    return (Finding(code="scratches left", where="capture", values=values),)


def read_scratches(folder: Path) -> Table | None:
    """A reel's table of lines; None where none were looked for."""
    path = folder / SCRATCH_TABLE
    return read_table(path, SCRATCH_COLUMNS, "scratches") if path.is_file() else None

"""What was measured in a captured frame, as outlines over its picture; the picture itself, pixel for pixel.

outlines_paper   perforations, gate, the part that is shown, the frame's place, specks: in pixels of the capture
crop_png         a part of a captured frame, not resampled, as PNG of 16 bits
"""

from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.media.pack import DISPLAY_EXPONENT
from smallgauge.picture.framing import FramingDecision, propose_framing
from smallgauge.record.evidence import evidence_of, pixels_per_mm, shape_of
from smallgauge.record.files import structured
from smallgauge.record.frametable import PERFORATION_COLUMNS
from smallgauge.record.light import table_for
from smallgauge.record.material import capture_folders
from smallgauge.record.table import Table, read_table
from smallgauge.workbench.opened import OpenReel
from smallgauge.workbench.specks import specks_of

MOST_CROP = 1024  # px across and along
PEAK = 65535


def outlines_paper(reel: OpenReel, row: int) -> dict[str, Any]:
    """What was measured in a captured frame, by place, in pixels of the capture from centre to centre."""
    frames = reel.frames
    number, frame = int(frames["capture"][reel.check_row(row)]), int(frames["frame"][row])
    stretch = reel.material().stretches[number]
    gate = [_known(frames[f"gate_{side}_px"][row]) for side in ("left", "top", "right", "bottom")]
    moved, planned = _moved(frames, row), reel.is_planned
    across = pixels_per_mm(stretch.capture)
    specks, dirt = specks_of(reel, row)
    return {
        "row": row,
        "stamp": reel.stamp(row),
        "size": [stretch.capture.width, stretch.capture.height],
        "perforations": _perforations(reel, number, frame),
        "gate": dict(zip(("left", "top", "right", "bottom"), gate, strict=True)),
        "place": [_known(frames["perforation_x_px"][row]), _known(frames["perforation_y_px"][row])],
        "moved_px": moved,
        "moved_mm": [None if each is None else _known(each / across, 4) for each in moved],
        "planned": planned,  # what is shown is told once it is, so that an answer never waits for the plan of a long reel
        "shown": _shown(reel, row) if planned else [],
        "framing": _framing(reel, row) if planned else None,
        "specks": specks,
        "dirt": dirt,
    }


def _known(value: Any, digits: int = 2) -> float | None:
    number = float(value)
    return round(number, digits) if np.isfinite(number) else None


def _moved(frames: Table, row: int) -> list[float | None]:
    """How far the frame's place lies from the usual one of its capture."""
    same = frames["capture"] == frames["capture"][row]
    out = []
    for name in ("perforation_x_px", "perforation_y_px"):
        told = frames[name][same]
        told = told[np.isfinite(told)]
        out.append(_known(frames[name][row] - np.median(told)) if told.size else None)
    return out


def _perforations(reel: OpenReel, number: int, frame: int) -> list[dict[str, Any]]:
    path = reel.folder / capture_folders(reel.folder)[number] / "perforations.parquet"
    if not path.is_file():
        return []
    table = read_table(path, PERFORATION_COLUMNS, "perforations")
    sides = ("left", "top", "right", "bottom")
    return [
        {
            **{side: _known(table[f"{side}_px"][at]) for side in sides},
            "x": _known(table["x_px"][at]),
            "y": _known(table["y_px"][at]),
            "state": str(table["state"][at]),
        }
        for at in np.flatnonzero(table["frame"] == frame)
    ]


def _shown(reel: OpenReel, row: int) -> list[list[float]]:
    """Corners of the finished picture, clockwise from its upper left, at the outer edge of its pixels; none where left out."""
    plan, shown = reel.plan()
    if row not in shown:
        return []
    move, right, bottom = plan.frames[shown[row]].move, plan.width - 0.5, plan.height - 0.5
    corners = ((-0.5, -0.5), (right, -0.5), (right, bottom), (-0.5, bottom))
    return [[round(each, 2) for each in move.place(*corner)] for corner in corners]


def _framing(reel: OpenReel, row: int) -> dict[str, Any] | None:
    """The framing in force with nothing left open, and how finished pixels lie in the capture; None for several captures."""
    plan, shown = reel.plan()
    stretches = reel.material().stretches
    if row not in shown or len(stretches) != 1:
        return None
    said = structured(reel.treatment().value("framing"), FramingDecision, where="framing")
    evidence = evidence_of(reel.capture, reel.frames)
    usual, _ = propose_framing(evidence, shape=shape_of(reel.capture, reel.frames), show=said.show)
    whole = asdict(usual) | {key: value for key, value in asdict(said).items() if value is not None}
    move = plan.frames[shown[row]].move
    return {**whole, "matrix": [move.a, move.b, move.d, move.e]}


def display_codes(samples: Any, table: NDArray[np.float32] | None) -> NDArray[np.uint16]:
    """Captured samples by the display's exponent in 16 bits, nothing else done to them.

    Examples
    --------
    >>> display_codes(np.array([[0, 1]], np.uint8), np.array([0.0, 1.0], np.float32)).tolist()
    [[0, 65535]]
    """
    light = np.asarray(samples, np.float64) if table is None else table.astype(np.float64)
    known = np.nan_to_num(np.clip(light, 0.0, 1.0), nan=0.0) ** (1 / DISPLAY_EXPONENT)
    codes = (PEAK * known + 0.5).astype(np.uint16)
    return codes if table is None else codes[np.minimum(samples, len(table) - 1)]


def crop_png(reel: OpenReel, row: int, x: int, y: int, width: int, height: int) -> bytes:
    """The part of a captured frame that begins at `x`, `y`, one pixel of it to one captured pixel.

    Source: PNG specification (ISO/IEC 15948), 16 bits a channel, lossless.
    """
    import imagecodecs

    samples = reel.samples(row)
    if not (0 <= x < samples.shape[1] and 0 <= y < samples.shape[0]):
        raise CallerError(
            f"The capture is {samples.shape[1]} x {samples.shape[0]} pixels, asked for was a part from {x}, {y}."
        )
    if not (1 <= width <= MOST_CROP and 1 <= height <= MOST_CROP):
        raise CallerError(
            f"A part has 1 to {MOST_CROP} pixels across and along, asked for was {width} x {height}."
        )
    stretch = reel.material().stretches[int(reel.frames["capture"][row])]
    part = samples[y : y + height, x : x + width]
    codes = display_codes(part, table_for(stretch.capture.light, stretch.capture.encoding))
    return bytes(imagecodecs.png_encode(np.ascontiguousarray(codes), level=1))

"""From the papers to what is known of each frame's exposure: the scanner's lamp, and the camera's flicker.

lamps_of              captures, frame table  ->  what each frame's light is divided by
flicker_evidence_of   frame table, lamps     ->  what flicker is proposed and solved from
picture_boxes         captures, frame table  ->  where each frame's picture lies in its capture
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.flicker import FlickerEvidence
from smallgauge.picture.flicker_pairs import CHANNELS, SURFACE
from smallgauge.picture.lamp import solve_lamp
from smallgauge.record.capture import Capture
from smallgauge.record.table import Table

Triple = tuple[float, float, float]
LIGHT = ("light_red", "light_green", "light_blue")


def lamps_of(captures: Sequence[Capture], frames: Table) -> tuple[list[Triple | None], int]:
    """What each row's light is divided by, None where a capture's lamp was never seen; and how many rows were filled in."""
    seen: NDArray[np.float64] = np.stack([frames[name] for name in LIGHT], axis=1)
    levels: list[Triple | None] = [None] * len(seen)
    filled = 0
    for number, capture in enumerate(captures):
        rows = np.flatnonzero(frames["capture"] == number)
        if capture.notes.illumination == "reflected":
            continue  # no light comes through the film, so a perforation shows no lamp
        solved = solve_lamp(seen[rows])
        if not np.isfinite(solved.levels).all():
            continue
        filled += int(np.count_nonzero(solved.filled))
        for row, level in zip(rows.tolist(), solved.levels.tolist(), strict=True):
            levels[row] = (level[0], level[1], level[2])
    return levels, filled


def flicker_evidence_of(frames: Table, lamps: Sequence[Triple | None]) -> FlickerEvidence:
    """What the frame table says of flicker; nothing of a row whose row before is not the frame before."""
    follows = np.zeros(len(frames), np.bool_)
    follows[1:] = (np.diff(frames["capture"]) == 0) & (np.diff(frames["frame"]) == 1)

    def columns(names: Sequence[str]) -> NDArray[np.float64]:
        values = np.stack([frames[name] for name in names], axis=1).astype(np.float64)
        return np.where(follows[:, None], values, np.nan)

    levels, contrasts, surfaces = (
        [f"flicker_{name}" for name in names]
        for names in (CHANNELS, [f"contrast_{channel}" for channel in CHANNELS], SURFACE)
    )
    return FlickerEvidence(
        level=columns(levels),
        level_sigma=columns([f"{name}_sigma" for name in levels]),
        contrast=columns(contrasts),
        contrast_sigma=columns([f"{name}_sigma" for name in contrasts]),
        surface=columns(surfaces),
        surface_sigma=columns([f"{name}_sigma" for name in surfaces]),
        middle=columns([f"flicker_middle_{channel}" for channel in CHANNELS]),
        scene=frames["scene"].astype(np.int64),
        lamp=np.log([lamp if lamp is not None else (1.0, 1.0, 1.0) for lamp in lamps]).reshape(-1, 3),
    )


def picture_boxes(captures: Sequence[Capture], frames: Table) -> NDArray[np.float64]:
    """Left, top, width and height of the picture area of each row, px, edges of pixels; as flicker was measured in it."""
    boxes = np.full((len(frames), 4), math.nan)
    for number, capture in enumerate(captures):
        rows = np.flatnonzero(frames["capture"] == number)
        x, y = frames["perforation_x_px"][rows], frames["perforation_y_px"][rows]
        survey, area = capture.survey, capture.picture_area
        usual = (survey.rows[0], survey.usual_y_px) if survey is not None else (0.0, 0.0)
        known = np.isfinite(x) & np.isfinite(y)
        x, y = np.where(known, x, usual[0]), np.where(known, y, usual[1])
        boxes[rows, 0] = np.round(x + area.left) - 0.5
        boxes[rows, 1] = np.round(y + area.top) - 0.5
        boxes[rows, 2] = round(area.right - area.left)
        boxes[rows, 3] = round(area.bottom - area.top)
    return boxes

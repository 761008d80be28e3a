"""Drawn hairs in a gate with known truth: bent threads that reach in from a side of the picture.

draw_hair      a random generator, a shape, a side  ->  cover, 0 to 1
draw_haired    light and a cover                    ->  light behind it

The same generator draws the same hair; where it lies, and how far it sways, is said beside it. Sizes and opacities are common
practice, no source.
"""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Side = Literal["left", "top", "right", "bottom"]
PIECES = 12  # of a thread
OUTSIDE = 0.15  # of its length that lies outside the picture


def draw_hair(
    random: np.random.Generator,
    shape: tuple[int, int],
    side: Side,
    *,
    length_px: float,
    thick_px: float,
    off_px: tuple[float, float] = (0.0, 0.0),
    sway: float = 0.0,
    soft_px: float = 0.8,
) -> Floats:
    """Cover (height, width), 0 to 1, of a hair that reaches in from a side at 0.25 to 0.75 of it.

    `off_px` moves it (right, down); `sway` bends it further, in radians from end to end.

    Examples
    --------
    >>> cover = draw_hair(np.random.default_rng(1), (90, 120), "bottom", length_px=40, thick_px=2)
    >>> cover.shape, bool(cover[89].max() > 0.5), bool(cover[:30].max() > 0.1)
    ((90, 120), True, False)
    """
    import cv2

    high, wide = shape
    at, lean, bend = random.uniform(0.25, 0.75), random.uniform(-0.4, 0.4), random.uniform(-1.2, 1.2)
    inwards = {"left": 0.0, "top": np.pi / 2, "right": np.pi, "bottom": -np.pi / 2}[side]
    begins = {
        "left": (0.0, at * high),
        "top": (at * wide, 0.0),
        "right": (wide - 1.0, at * high),
        "bottom": (at * wide, high - 1.0),
    }
    angle = inwards + lean
    step = length_px / PIECES
    x, y = np.array(begins[side]) + np.array(off_px)
    x, y = x - OUTSIDE * length_px * np.cos(angle), y - OUTSIDE * length_px * np.sin(angle)
    points = [(x, y)]
    for _ in range(round(PIECES * (1 + OUTSIDE))):
        x, y = x + step * np.cos(angle), y + step * np.sin(angle)
        angle += (bend + sway) / PIECES
        points.append((x, y))
    # Four times as fine, so that its thickness need not be a whole number of pixels.
    fine = np.zeros((4 * high, 4 * wide), np.uint8)
    line = np.round((np.array(points) * 4 + 1.5) * 16).astype(np.int32)
    cv2.polylines(fine, [line], isClosed=False, color=255, thickness=max(1, round(4 * thick_px)), shift=4)
    cover = cv2.resize(fine.astype(np.float32) / 255, (wide, high), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(cover, (0, 0), soft_px), np.float32)


def draw_haired(light: Floats, cover: Floats, *, opacity: float = 0.95) -> Floats:
    """Light (height, width) or (height, width, 3) behind a hair, which lets through what its opacity leaves.

    Examples
    --------
    >>> draw_haired(np.full((1, 2), 0.4, np.float32), np.array([[0.0, 1.0]], np.float32), opacity=0.5).tolist()
    [[0.4000000059604645, 0.20000000298023224]]
    """
    share = 1 - np.float32(opacity) * cover
    return np.asarray(light * (share if light.ndim == 2 else share[..., None]), np.float32)

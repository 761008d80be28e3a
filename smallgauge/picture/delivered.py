"""A copy as a viewer's screen gets it: small pictures, screen light and levels, from the codes as stored.

plan_reading       size of a copy and its picture -> how its pixels are gathered
measure_delivered  Y'CbCr planes of one frame     -> cells, tiles, light, share out of range   (prove)
find_black, find_still  cells of a frame         -> is it black; is it the one before again  (prove)

R'G'B' is made from Y'CbCr before it is judged, because Y'CbCr within its range can stand for R'G'B' out of range.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.flashing import ScreenLight, make_screen_light

CELLS = 180  # parts across the screen, about, each followed by itself
# EBU R 103 v3.0: codes 5 to 246 of 8 bits, 20 to 984 of 10, as a share of black (16, 64) to white (235, 940)
LEAST_LEVEL, MOST_LEVEL = (5 - 16) / 219, (246 - 16) / 219
MOST_OUT = 0.01  # share of a picture that may lie outside: "EBU R 103"
BLACK_LEVEL, BLACK_SHARE = (
    0.10,
    0.98,
)  # a cell below this is black; a frame with so many: common practice, no source
STILL_LEVEL = (
    0.0005  # cells differ by less than this, in the mean, from those before: common practice, no source
)
# Light v^2.4 (ITU-R BT.1886, annex 1) as v^2 times a polynomial of v, its coefficients fitted here for the smallest greatest
# error between 0 and 1: 6.2e-5, which is 0.013 cd/m2 on a screen of 200 (tests/picture/test_delivered.py).
LIGHT_CURVE = (0.23527006, 1.9390692, -3.14648842, 3.79798288, -2.49478336, 0.66900978)


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredColour:
    """How stored codes are read: bits, range, red's and blue's share of luminance, pixels to a colour sample."""

    bits: int
    full_range: bool
    red_weight: float
    blue_weight: float
    step_x: int
    step_y: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadingPlan:
    """Which cell and tile each row and each run of columns belongs to."""

    rows: NDArray[np.int64]
    runs: NDArray[np.int64]
    cell_pixels: NDArray[np.float64]  # (rows, columns, 3): the same for each channel, as it is divided by
    tile_pixels: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Delivered:
    """One frame of a copy: mean R'G'B' (0 to 1) of cells and tiles, what the screen shows, share of R G B Y outside."""

    cells: NDArray[np.float32]
    tiles: NDArray[np.float32]
    screen: ScreenLight
    outside: tuple[float, float, float, float]


def plan_reading(
    *, width: int, height: int, box: tuple[int, int, int, int], tiles: tuple[int, int]
) -> ReadingPlan:
    """How the pixels of a copy are gathered into cells of the whole screen and tiles of its picture.

    Parameters
    ----------
    width, height : int
        Of the copy, pixels.
    box : (left, top, width, height)
        Its picture.
    tiles : (rows, columns)
        Of the picture, cut as evenly as whole pixels allow.

    Raises
    ------
    CallerError
        Where the box does not lie in the copy or is smaller than the tiles.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> plan_reading(width=360, height=270, box=(3, 0, 354, 270), tiles=(2, 3)).runs[:4].tolist()
    [[0, 2, 0, -1], [2, 3, 1, -1], [3, 4, 1, 0], [4, 6, 2, 0]]
    """
    left, top, wide, high = box
    if not (0 <= left <= left + wide <= width and 0 <= top <= top + high <= height) or (
        high < tiles[0] or wide < tiles[1]
    ):
        raise CallerError(
            f"plan_reading needs a picture inside {width} x {height} of at least {tiles[1]} x {tiles[0]} pixels, got {box}."
        )
    side = cell_side(width)
    cell = [_cells_of(height, side), _cells_of(width, side)]
    tile = [_tiles_of(height, top, high, tiles[0]), _tiles_of(width, left, wide, tiles[1])]
    begins = np.flatnonzero(np.r_[True, (np.diff(cell[1]) != 0) | (np.diff(tile[1]) != 0)])
    stops = np.r_[begins[1:], width]
    runs = np.stack([begins, stops, cell[1][begins], tile[1][begins]], axis=1).astype(np.int64)
    return ReadingPlan(
        rows=np.stack([cell[0], tile[0]], axis=1).astype(np.int64),
        runs=runs,
        cell_pixels=_pixels_in(np.bincount(cell[0]), np.bincount(cell[1])),
        tile_pixels=_pixels_in(
            np.bincount(tile[0][tile[0] >= 0], minlength=tiles[0]),
            np.bincount(tile[1][tile[1] >= 0], minlength=tiles[1]),
        ),
    )


def _pixels_in(rows: NDArray[np.intp], columns: NDArray[np.intp]) -> NDArray[np.float64]:
    return np.repeat(np.outer(rows, columns)[:, :, None], 3, axis=2).astype(np.float64)


def cell_side(width: int) -> int:
    """Side of a cell, pixels, of a copy of this width.

    Examples
    --------
    >>> cell_side(1440), cell_side(1920), cell_side(150)
    (8, 11, 1)
    """
    return max(1, round(width / CELLS))


def _cells_of(size: int, side: int) -> NDArray[np.int64]:
    """Cell of each pixel: as many as fit whole, what is left over in the last one."""
    return np.minimum(np.arange(size) // side, max(0, size // side - 1))


def _tiles_of(size: int, first: int, length: int, tiles: int) -> NDArray[np.int64]:
    edges = first + np.linspace(0, length, tiles + 1).round().astype(int)
    found = np.searchsorted(edges, np.arange(size), side="right") - 1
    return np.where(found >= tiles, -1, found)


def measure_delivered(
    luma: NDArray[Any], blue: NDArray[Any], red: NDArray[Any], *, colour: StoredColour, plan: ReadingPlan
) -> Delivered:
    """Small pictures, screen light and levels of one frame of a copy, from its codes as stored.

    Parameters
    ----------
    luma, blue, red : arrays, 2-D, uint8 or uint16
        Codes as stored; colour planes may be smaller. Not altered.
    colour : StoredColour
    plan : ReadingPlan
        For a frame of this size.

    Returns
    -------
    Delivered
        `outside` counts pixels whose R, G, B or Y lies outside EBU R 103; a colour sample stands for all its pixels.

    Notes
    -----
    Source: "BT.709" and "ITU-T H.273" (equations), "EBU R 103", "BT.1702" (screen).

    Examples
    --------
    >>> plan = plan_reading(width=16, height=16, box=(0, 0, 16, 16), tiles=(1, 1))
    >>> colour = StoredColour(bits=8, full_range=False, red_weight=0.2126, blue_weight=0.0722, step_x=2, step_y=2)
    >>> grey = np.full((8, 8), 128, np.uint8)
    >>> seen = measure_delivered(np.full((16, 16), 235, np.uint8), grey, grey, colour=colour, plan=plan)
    >>> float(seen.tiles[0, 0, 0].round(3)), seen.screen.luminance.max().round(1), seen.outside
    (1.0, np.float32(200.0), (0.0, 0.0, 0.0, 0.0))
    """
    from smallgauge.picture.kernels_proof import read_delivered

    shape, tiled = plan.cell_pixels.shape[:2], plan.tile_pixels.shape[:2]
    cells, light = np.zeros((*shape, 3)), np.zeros((*shape, 3))
    tiles, outside = np.zeros((*tiled, 3)), np.zeros(4, np.int64)
    steps = np.array([colour.step_x, colour.step_y], np.int64)
    read_delivered(
        np.ascontiguousarray(luma),
        np.ascontiguousarray(blue),
        np.ascontiguousarray(red),
        steps,
        _equation(colour),
        np.array(LIGHT_CURVE, np.float32),
        plan.rows,
        plan.runs,
        cells,
        light,
        tiles,
        outside,
    )
    return Delivered(
        cells=(cells / plan.cell_pixels).astype(np.float32),
        tiles=(tiles / plan.tile_pixels).astype(np.float32),
        screen=make_screen_light(np.divide(light, plan.cell_pixels, out=light)),
        outside=tuple((outside / luma.size).tolist()),
    )


def _equation(colour: StoredColour) -> NDArray[np.float64]:
    top, scale = float(2**colour.bits - 1), float(2 ** (colour.bits - 8))
    low, span, colours = (0.0, top, top) if colour.full_range else (16 * scale, 219 * scale, 224 * scale)
    kr, kb = colour.red_weight, colour.blue_weight
    kg = 1 - kr - kb
    greens = -2 * kb * (1 - kb) / kg, -2 * kr * (1 - kr) / kg
    hair = 1e-6  # a code that stands on the limit is inside; single precision is sure to a tenth of this
    return np.array(
        [
            low,
            1 / span,
            2.0 ** (colour.bits - 1),
            1 / colours,
            2 * (1 - kr),
            *greens,
            2 * (1 - kb),
            LEAST_LEVEL - hair,
            MOST_LEVEL + hair,
        ]
    )


def find_black(cells: NDArray[np.float32]) -> bool:
    """Is a frame black: nearly all of its cells?

    Examples
    --------
    >>> find_black(np.full((4, 4, 3), 0.04, np.float32)), find_black(np.full((4, 4, 3), 0.2, np.float32))
    (True, False)
    """
    import cv2

    darkest, below = (-np.inf,) * 3, (float(np.nextafter(np.float32(BLACK_LEVEL), np.float32(0.0))),) * 3
    dark = cv2.countNonZero(cv2.inRange(cells, darkest, below))
    return bool(dark >= BLACK_SHARE * cells[:, :, 0].size)


def find_still(before: NDArray[np.float32] | None, now: NDArray[np.float32]) -> bool:
    """Does a frame show what the one before it shows, grain and all?

    Examples
    --------
    >>> find_still(np.zeros((4, 4, 3), np.float32), np.full((4, 4, 3), 0.0002, np.float32))
    True
    """
    import cv2

    return before is not None and cv2.norm(now, before, cv2.NORM_L1) < STILL_LEVEL * now.size

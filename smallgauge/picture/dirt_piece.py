"""What is around a blob, moved as one piece: behind a speck the picture moves together, beside a hand it doesn't.

measure_piece   a frame, one beside it, places around a blob, moves to try   ->  Piece: the best of them, and how well it fits

Dense flow fits nearly everything, since it bends: what was behind a fast hand is told to have come from anywhere near. A
stiff move can't. Where the surroundings of a blob fit no stiff move into a frame beside it, the flow there is a guess, and
so is the blob.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

REACH_PX = 2  # whole pixels around each move that is tried; common practice, no source
MOST_PLACES = 120  # that are compared: every so manyth of more; common practice, no source

Floats = NDArray[np.float32]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A move of the surroundings of a blob, px, and how far they differ from the frame beside it then: a mean, deviations of
    the grain of one frame. Two frames that differ by nothing but normal grain give 1.13."""

    across_px: float
    down_px: float
    differ: float


def measure_piece(
    now: Floats, beside: Floats, level: float, around: tuple[Ints, Ints], moves: Ints, sigma: Floats
) -> Piece:
    """The stiff move that carries the surroundings of a blob best into a frame beside it.

    Parameters
    ----------
    now, beside : float32 array, shape (height, width)
        Lightness of both frames, 0 to 255. Finite.
    level : float
        What `beside` needs to be as light as `now` there.
    around : two int arrays
        Rows and columns of the surroundings. One place at least.
    moves : int array, shape (count, 2)
        Moves across and down, px, that are tried, each with its neighbours up to `REACH_PX`.
    sigma : float32 array, shape (256,)
        Deviation of the grain by lightness, above 0.

    Returns
    -------
    Piece
        To a quarter of a pixel. `differ` is infinite where every move leads out of the picture.

    Notes
    -----
    Source: definition; a place counts at most six deviations, so that dirt beside it counts little.

    Examples
    --------
    >>> view = np.random.default_rng(1).normal(100, 20, (60, 80)).astype(np.float32)
    >>> around = tuple(each.ravel() for each in np.mgrid[20:40, 30:50])
    >>> measure_piece(view, np.roll(view, 3, axis=1), 0.0, around, np.array([[2, 0]]), np.ones(256, np.float32))
    Piece(across_px=3.0, down_px=0.0, differ=0.0)
    """
    from smallgauge.picture.kernels_dirt import settle

    step = -(-len(around[0]) // MOST_PLACES)
    y, x = (np.ascontiguousarray(each[::step], np.int64) for each in around)
    across, down, differ = settle(
        now, beside, np.float32(level), y, x, sigma, np.unique(moves, axis=0), REACH_PX
    )
    return Piece(across_px=float(across), down_px=float(down), differ=float(differ))


def carry_piece(beside: Floats, piece: Piece, level: float, part: tuple[slice, slice]) -> Floats:
    """A part of the frame beside, moved as one piece and brought to level.

    Examples
    --------
    >>> view = np.arange(48, dtype=np.float32).reshape(6, 8)
    >>> piece = Piece(across_px=0.5, down_px=1.0, differ=0.0)
    >>> carry_piece(view, piece, 2.0, (slice(1, 2), slice(2, 5))).tolist()
    [[20.5, 21.5, 22.5]]
    """
    import cv2

    y, x = (np.arange(each.start, each.stop, dtype=np.float32) for each in part)
    u, v = np.meshgrid(x + np.float32(piece.across_px), y + np.float32(piece.down_px))
    out = cv2.remap(beside, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out + np.float32(level), np.float32)

"""One plan and one captured frame to one finished frame. A preview is this same function."""

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.display import apply_display
from smallgauge.picture.resample import Move, apply_move


def render_frame(
    samples: NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32],
    *,
    table: NDArray[np.float32] | None,
    move: Move,
    width: int,
    height: int,
    bits: int,
    frame: int,
    out: NDArray[np.uint16] | None = None,
) -> NDArray[np.uint16]:
    """The finished frame: code values to light, one resampling, display encoding with dither.

    Parameters
    ----------
    samples : array, shape (height, width) or (height, width, 3)
        Captured code values as decoded; floating point is light already.
    table : array or None
        Light of each code value; None for floating point.
    move : Move
        Where in the capture each finished pixel lies.
    width, height : int
        Size of the finished picture, px.
    bits : int
        Depth of the finished picture.
    frame : int
        Number that the dither depends on: the finished frame's.
    out : array, optional
        Where to put the result, shape (height, width, 3).

    Returns
    -------
    array of uint16, shape (height, width, 3)

    Notes
    -----
    Whole-number code values go through the fused kernel, floating point through the plain functions: a
    property test holds the two within one code value.
    """
    if table is None:
        light = np.asarray(samples, np.float32)
        if light.ndim == 2:
            light = np.repeat(light[:, :, None], 3, axis=2)
        moved = apply_move(light, move=move, width=width, height=height)
        return apply_display(moved, bits=bits, frame=frame)
    from smallgauge.picture.kernels import finish_frame

    return finish_frame(
        samples, table, move=move, width=width, height=height, bits=bits, frame=frame, out=out
    )

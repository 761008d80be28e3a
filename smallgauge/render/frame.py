"""One plan and one captured frame to one finished frame. A preview is this same function."""

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.colour import FrameColour, apply_colour
from smallgauge.picture.device import PROCESSOR, finisher
from smallgauge.picture.display import apply_display
from smallgauge.picture.evenness import Evenness, apply_evenness
from smallgauge.picture.resample import Move, apply_move, inside_capture


def render_frame(
    samples: NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32],
    *,
    table: NDArray[np.float32] | None,
    move: Move,
    width: int,
    height: int,
    bits: int,
    frame: int,
    colour: FrameColour | None = None,
    evenness: Evenness | None = None,
    out: NDArray[np.uint16] | None = None,
    device: str = PROCESSOR,
) -> NDArray[np.uint16]:
    """The finished frame: code values to light, one resampling, colour, display encoding with dither.

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
    colour : FrameColour, optional
        What is done to the colour; without it light is only encoded.
    evenness : Evenness, optional
        What makes the captured light even, of the samples' shape.
    out : array, optional
        Where to put the result, shape (height, width, 3).
    device : str
        Where the fused kernel runs, as `device.finisher`; the plain functions run on the processor anyway.

    Returns
    -------
    array of uint16, shape (height, width, 3)

    Notes
    -----
    Light that is finite everywhere goes through the fused kernel, floating point that is not through the plain
    functions: a property test holds the two within one code value.
    """
    if table is None and not np.isfinite(samples).all():
        light = np.asarray(samples, np.float32)
        light = light if evenness is None else apply_evenness(light, evenness)
        light = np.repeat(light[:, :, None], 3, axis=2) if light.ndim == 2 else light
        moved = apply_move(light, move=move, width=width, height=height)
        if colour is None:
            return apply_display(moved, bits=bits, frame=frame)
        moved[
            ~inside_capture(
                move, width=width, height=height, capture_width=light.shape[1], capture_height=light.shape[0]
            )
        ] = np.nan
        return apply_display(apply_colour(moved, colour), bits=bits, frame=frame)
    made: NDArray[np.uint16] = finisher(device)(
        samples if table is not None else np.asarray(samples, np.float32),
        table,
        move=move,
        width=width,
        height=height,
        bits=bits,
        frame=frame,
        colour=colour,
        evenness=evenness,
        out=out,
    )
    return made

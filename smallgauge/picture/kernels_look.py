"""A look at the bench in one pass: light of a finished frame -> its colour and encoding -> reduced code values.

split_colour   a frame's colour -> what is done before its light is kept, and what is done afterwards
look_frame     kept light, colour of afterwards -> the finished frame, reduced by a whole factor     (workbench)

Every full-size pixel gets its colour and encoding from the same kernels as in `kernels.finish_frame`, and only then is
averaged with its neighbours. The dither, whose mean is nothing, is left out: the mean of the pixels before it is rounded
instead. Two threads share a frame; each row is its own, so that their number changes nothing.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import cache

import numpy as np
from numba import njit
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.colour import FrameColour
from smallgauge.picture.kernels import _HALF, _ZERO, _is_inside
from smallgauge.picture.kernels_display import encode
from smallgauge.picture.kernels_rows import ROW, copy_line, fill_line
from smallgauge.picture.kernels_single import colour_room, colour_row, finish_program
from smallgauge.picture.resample import Move

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")
_DEEPEST_KEPT = 30.0  # density: kept light was bounded before, so nothing is to be bounded again
THREADS = 2


def split_colour(colour: FrameColour | None) -> tuple[FrameColour | None, FrameColour | None]:
    """A frame's colour in two: lamp, flare, flicker, fade, negative and black-and-white; then all that follows them.

    Parameters
    ----------
    colour : FrameColour or None

    Returns
    -------
    (FrameColour or None, FrameColour or None)
        One after the other they do what `colour` does, but that light is rounded to single precision in between.

    Notes
    -----
    Source: definition; the steps follow each other in this order in `colour.apply_colour`.

    Examples
    --------
    >>> before, after = split_colour(FrameColour(lamp=(0.9, 0.9, 0.9)))
    >>> before.lamp, after.lamp
    ((0.9, 0.9, 0.9), None)
    """
    if colour is None:
        return None, None
    before = replace(colour, points=None, output=None, decision_list=None, hues=())
    after = FrameColour(
        deepest=_DEEPEST_KEPT,
        points=colour.points,
        output=colour.output,
        decision_list=colour.decision_list,
        hues=colour.hues,
    )
    return before, after


@_kernel
def _look_band(light, colour, blank, affine, captured, peak, factor, first, stop, out):  # type: ignore[no-untyped-def]
    """Reduced rows `first` to `stop`."""
    coloured, program = colour
    full = light.shape[1] // 3
    line = np.empty(light.shape[1], np.float32)
    total = np.empty(light.shape[1], np.float32)
    lines, room = np.empty(ROW, np.float32), colour_room()
    share = np.float32(1.0 / (factor * factor))
    for row in range(first, stop):
        fill_line(total, _ZERO)
        for down in range(factor):
            y = row * factor + down
            copy_line(light[y], line)
            if coloured:
                colour_row(line, program, 0.0, full, lines, room)
            if blank:
                for x in range(full):
                    if not _is_inside(x, y, affine, captured):
                        fill_line(line[3 * x : 3 * x + 3], _ZERO)
            for i in range(total.shape[0]):
                total[i] += encode(line[i], peak)
        reduced = out[row]
        for x in range(reduced.shape[0] // 3):
            for channel in range(3):
                whole = _ZERO
                for across in range(factor):
                    whole += total[3 * (x * factor + across) + channel]
                reduced[3 * x + channel] = np.uint16(min(whole * share + _HALF, peak))


@cache
def _threads() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(THREADS)


def look_frame(
    light: NDArray[np.float32],
    *,
    move: Move,
    capture_width: int,
    capture_height: int,
    bits: int,
    factor: int,
    colour: FrameColour | None = None,
) -> NDArray[np.uint16]:
    """Kept light to the finished frame, then reduced by a whole factor.

    Parameters
    ----------
    light : float32 array, shape (height, width, 3)
        As `kernels.light_frame` gives it, finite. Not altered.
    move : Move
        The one that the light came by: pixels outside the capture stay black.
    capture_width, capture_height : int
        Size of the capture, px.
    bits : int
        As `kernels.finish_frame`.
    factor : int
        How many finished pixels, across and along, make one; those left over at the right and below are left out.
    colour : FrameColour, optional
        What is done to the light; of its steps only those behind `split_colour`.

    Returns
    -------
    uint16 array, shape (height // factor, width // factor, 3)
        Mean of the finished code values before dither, rounded, 0 to 2 ** bits - 1.

    Raises
    ------
    CallerError
        For another shape or type, or a factor that leaves nothing.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> light = np.full((4, 6, 3), 1.0, np.float32)
    >>> look_frame(light, move=Move(), capture_width=6, capture_height=4, bits=8, factor=2).shape
    (2, 3, 3)
    """
    if light.ndim != 3 or light.shape[2] != 3 or light.dtype != np.float32:
        raise CallerError(f"Kept light is float32 (height, width, 3), got {light.dtype} {light.shape}.")
    height, width = light.shape[:2]
    if factor < 1 or factor > min(height, width):
        raise CallerError(f"A picture of {width} x {height} can't be reduced by {factor}.")
    corners = [move.place(x, y) for x in (0.0, width - 1.0) for y in (0.0, height - 1.0)]
    inside = all(-0.5 <= x <= capture_width - 0.5 and -0.5 <= y <= capture_height - 0.5 for x, y in corners)
    program = (colour is not None, finish_program(colour or FrameColour(), None))
    out = np.empty((height // factor, width // factor, 3), np.uint16)
    rows = out.shape[0]

    def band(first: int, stop: int) -> None:
        _look_band(
            np.ascontiguousarray(light).reshape(height, -1),
            program,
            not inside,
            (float(move.a), float(move.b), float(move.c), float(move.d), float(move.e), float(move.f)),
            (capture_width, capture_height),
            np.float32(2**bits - 1),
            factor,
            first,
            stop,
            out.reshape(rows, -1),
        )

    cuts = [rows * n // THREADS for n in range(THREADS + 1)]
    list(_threads().map(band, cuts[:-1], cuts[1:]))
    return out

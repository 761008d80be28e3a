"""The pixel program: look-up, resampling, colour, display encoding and dither in one pass over memory.

finish_frame  samples as captured, table, move -> code values of the finished file   (render, frame)
light_frame   the same as far as light         -> light of the finished frame        (workbench, a look)
reduce_frame  finished frame                   -> 8-bit picture of a viewing copy    (render, frame)
warm          compiles all of it once

The references are `resample.apply_move`, `colour.apply_colour` (whose rows stand in `kernels_single.py` and
`kernels_colour.py`), `display.apply_display` and `display.apply_reduction` in plain NumPy; here is the same arithmetic, in the same
order, fused. Resampled light is equal to the reference's bit for bit; colour is off by less than half a code of 16 bits, or of
files of up to 12 bits by a tenth of their code; the display exponent is good to 0.05 of a 16-bit code. Compiled without fastmath,
so that multiplications and additions are never contracted or reordered and every x86-64 machine gives the same bytes. One
thread a frame, no lock held.

Why this is long: all of the pixel program but its colour and the bench's looks lives here; it is in three parts, each to
be read alone: one row, one frame, and what callers call.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.colour import FrameColour
from smallgauge.picture.display import REDUCED_BITS, box_overlaps
from smallgauge.picture.evenness import Evenness
from smallgauge.picture.kernels_display import CHANNEL_SHIFT, dither_row, dithered, store_lines, store_room
from smallgauge.picture.kernels_rows import PITCH, ROW, STRIPE, fill_line, straight_line
from smallgauge.picture.kernels_single import colour_lines, colour_room, finish_program
from smallgauge.picture.kernels_stripes import (
    WINDOW,
    filter_along,
    filter_down,
    join_lines,
    keep_rows,
    lay_lines,
    place_down,
    stripe_room,
    sum_down,
    turn_rows,
)
from smallgauge.picture.resample import REACH, TAPS, Move, invert_move, straight_move, turned_move

# error_model "numpy": no test for division by zero, which would keep loops from being vectorised
_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")

_ZERO, _HALF = np.float32(0.0), np.float32(0.5)
_NO_COLOUR = (False, finish_program(FrameColour(), None))


@_kernel
def _finish_lines(  # type: ignore[no-untyped-def]
    lines, left, count, y, channels, colour, peak, frame, blank, affine, captured, room, out, kept
):
    """Lines of light of a row from column `left` on: colour, then nothing where it lies outside the capture, then codes in `out`.

    `kept`, if it has rows, takes light instead.
    """
    coloured, program = colour
    width = out.shape[1] // 3
    if coloured:
        down = np.float64(2 * y + 1) / out.shape[0] - 1.0
        colour_lines(lines, count, program, down, left, width, room[0])
    if blank:
        _blank_outside(lines, channels, left, count, y, affine, captured)
    if kept.shape[0] > 0:
        join_lines(lines, count, channels, kept[y, left * 3 : (left + count) * 3])
    else:
        store_lines(
            lines, count, channels, frame, y, left, peak, room[1], out[y, left * 3 : (left + count) * 3]
        )


@_kernel
def _finish_straight(  # type: ignore[no-untyped-def]
    samples,
    size,
    table,
    mirrored_x,
    mirrored_y,
    offset_x,
    offset_y,
    weights_x,
    weights_y,
    box,
    colour,
    peak,
    frame,
    out,
    kept,
):
    """A displaced frame, stripe by stripe: each captured row is filtered once into a window. `kept` as above."""
    first_x, stop_x, first_y, stop_y = box
    capture_height, capture_width, channels = size
    none = stop_x <= first_x or stop_y <= first_y
    for y in range(out.shape[0] if kept.shape[0] == 0 else 0):
        if none or y < first_y or y >= stop_y:
            fill_line(out[y], np.uint16(0))
        else:
            fill_line(out[y, : first_x * 3], np.uint16(0))
            fill_line(out[y, stop_x * 3 :], np.uint16(0))
    if none:
        return
    room = stripe_room(0.0, capture_width)
    finishing = colour_room(), store_room(STRIPE)
    affine, captured = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0), (capture_width, capture_height)
    start = first_y + offset_y - REACH
    for left in range(first_x, stop_x, STRIPE):
        count = min(STRIPE, stop_x - left)
        wide = count + TAPS - 1
        rows = 0
        for v in range(start, stop_y + offset_y - REACH + TAPS - 1):
            if rows == WINDOW:
                keep_rows(rows - TAPS + 1, rows, room)
                rows = TAPS - 1
            row = min(max(v, 0), capture_height - 1)
            if mirrored_y:
                row = capture_height - 1 - row
            lay_lines(samples, table, row, left + offset_x - REACH + TAPS, wide, mirrored_x, size, room)
            filter_along(weights_x, wide, channels, count, rows, room)
            rows += 1
            y = first_y + v - start - (TAPS - 1)
            if y >= first_y:
                filter_down(weights_y, rows - TAPS, channels, room)
                _finish_lines(
                    room[6], left, count, y, channels, colour, peak, frame, False, affine, captured, finishing, out, kept
                )  # fmt: skip


@_kernel
def _is_inside(x, y, affine, captured):  # type: ignore[no-untyped-def]
    """Whether a finished pixel lies on the capture."""
    a, b, c, d, e, f = affine
    across = a * np.float64(x) + b * np.float64(y) + c
    down = d * np.float64(x) + e * np.float64(y) + f
    return (across >= -0.5) & (across <= captured[0] - 0.5) & (down >= -0.5) & (down <= captured[1] - 0.5)


@_kernel
def _blank_outside(lines, channels, left, count, y, affine, captured):  # type: ignore[no-untyped-def]
    """No light where a finished pixel of row `y`, from column `left` on, lies outside the capture.

    Along a row a place only grows or only falls, so that what lies on the capture is one stretch.
    """
    first, stop = 0, count
    while first < stop and not _is_inside(left + first, y, affine, captured):
        first += 1
    while stop > first and not _is_inside(left + stop - 1, y, affine, captured):
        stop -= 1
    for channel in range(channels):
        fill_line(lines[channel * PITCH : channel * PITCH + first], _ZERO)
        fill_line(lines[channel * PITCH + stop : channel * PITCH + count], _ZERO)


@_kernel
def _finish_turned(  # type: ignore[no-untyped-def]
    samples,
    size,
    table,
    mirrored,
    affine,
    along_move,
    down_move,
    captured,
    colour,
    peak,
    frame,
    out,
    kept,
):
    """A turned or scaled frame in two passes, stripe by stripe; a window of rows moves down the capture. `kept` as above."""
    down_x, down_y, down_0 = down_move
    captured_height, captured_width, channels = size
    height, width = out.shape[0], out.shape[1] // 3
    room = stripe_room(down_x, captured_width)
    finishing = colour_room(), store_room(STRIPE)
    held = room[0].shape[0] // ROW
    for left in range(0, width, STRIPE):
        count = min(STRIPE, width - left)
        base, made = 0, 0  # of captured rows, counted with margins: the window's first, and behind its last
        for n in range(height):
            y = n if down_y > 0.0 else height - 1 - n
            low, high = place_down(
                down_x, down_y * np.float64(y) + down_0, left, count, captured_height, room
            )
            if low >= made:
                base, made = low, low
            elif high - base > held:
                keep_rows(low - base, made - base, room)
                base = low
            turn_rows(samples, size, table, mirrored, along_move, left, count, (base, made, high), room)
            made = max(made, high)
            sum_down(count, channels, base, room)
            _finish_lines(
                room[6], left, count, y, channels, colour, peak, frame, True, affine, captured, finishing, out, kept
            )  # fmt: skip


@_kernel
def _reduce(codes, rows, row_share, columns, column_share, scale, peak, frame, top, left, canvas):  # type: ignore[no-untyped-def]
    """Average areas of display codes: down the columns, along the row, then to fewer bits with dither."""
    height, width = rows.shape[0], columns.shape[0]
    down = np.empty(codes.shape[1], np.float32)
    hashes = np.empty(width, np.uint32)
    for y in range(height):
        fill_line(down, _ZERO)
        for tap in range(rows.shape[1]):
            share = row_share[y, tap]
            source = codes[rows[y, tap]]
            for i in range(down.shape[0]):
                down[i] += share * np.float32(source[i])
        dither_row(frame, y, 0, hashes)
        for x in range(width):
            for channel in range(3):
                total = _ZERO
                for tap in range(columns.shape[1]):
                    total += column_share[x, tap] * down[3 * columns[x, tap] + channel]
                code = dithered(total * scale, hashes[x], CHANNEL_SHIFT[channel], peak)
                canvas[top + y, 3 * (left + x) + channel] = code


def check_finished(width: int, height: int, bits: int) -> None:
    """CallerError where no finished frame can be of this size or depth."""
    if not 8 <= bits <= 16 or width < 1 or height < 1:
        raise CallerError(
            f"A finished frame has at least one pixel and 8 to 16 bits, got {width} x {height}, {bits} bits."
        )


def finish_frame(
    samples: NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32],
    table: NDArray[np.float32] | None,
    *,
    move: Move,
    width: int,
    height: int,
    bits: int,
    frame: int,
    colour: FrameColour | None = None,
    evenness: Evenness | None = None,
    out: NDArray[np.uint16] | None = None,
) -> NDArray[np.uint16]:
    """A captured frame to a finished one: light, geometry, colour, display encoding and dither at once.

    Parameters
    ----------
    samples : uint8, uint16 or float32 array, shape (height, width) or (height, width, 3)
        Code values as captured; float32 is linear light. Not altered.
    table : float32 array, one-dimensional, or None
        Light of every code value (`density.light_table`); None for float32 samples.
    move : Move
        Where each finished pixel lies in the capture.
    width, height : int
        Finished size, in pixels.
    bits : int
        Bits of the finished file, 8 to 16.
    frame : int
        Number of the finished frame, for the dither.
    colour : FrameColour, optional
        What is done to the colour; without it light is only encoded.
    evenness : Evenness, optional
        What makes the captured light even, of the samples' shape.
    out : uint16 array, shape (height, width, 3), optional
        Where the result goes, every pixel of it written; made anew where absent.

    Returns
    -------
    uint16 array, shape (height, width, 3)
        Display code values, 0 to 2 ** bits - 1; 0 outside the capture. A grey capture gives three equal
        channels. Samples that are NaN are not allowed.

    Raises
    ------
    CallerError
        For another shape or type, a number of bits, or a move that flattens the picture.

    Notes
    -----
    Source: as `resample.apply_move`, `colour.apply_colour` and `display.apply_display`, from which values differ by
    less than half a code of 16 bits, or of a file of up to 12 bits by less than a tenth of its code, before dither and rounding,
    stored values by at most one.

    Examples
    --------
    >>> samples = np.full((8, 8), 255, np.uint8)
    >>> table = np.linspace(0, 1, 256, dtype=np.float32)
    >>> finished = finish_frame(samples, table, move=Move(c=0.5), width=4, height=3, bits=12, frame=0)
    >>> print(finished.shape, finished.min())
    (3, 4, 3) 4095
    """
    check_finished(width, height, bits)
    if out is None:
        out = np.empty((height, width, 3), np.uint16)
    elif out.shape != (height, width, 3) or out.dtype != np.uint16 or not out.flags.c_contiguous:
        raise CallerError(
            f"The finished frame goes into a whole uint16 array of shape {(height, width, 3)}, "
            f"got {out.dtype} of shape {out.shape}."
        )
    _run(
        _planes_of(samples, table),
        _even_planes(evenness, samples),
        table,
        move=move,
        colour=colour,
        bits=bits,
        frame=frame,
        out=out.reshape(height, -1),
        kept=np.empty((0, 0), np.float32),
    )
    return out


def light_frame(
    samples: NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32],
    table: NDArray[np.float32] | None,
    *,
    move: Move,
    width: int,
    height: int,
    colour: FrameColour | None = None,
    evenness: Evenness | None = None,
) -> NDArray[np.float32]:
    """The light of a finished frame, before display encoding: what `finish_frame` has then, kept.

    Parameters
    ----------
    samples, table, move, width, height, colour, evenness
        As `finish_frame`.

    Returns
    -------
    float32 array, shape (height, width, 3)
        Linear light, open gate 1 where no colour says otherwise; 0 outside the capture. A grey capture gives three
        equal channels. Samples that are NaN are not allowed.

    Raises
    ------
    CallerError
        As `finish_frame`.

    Notes
    -----
    Source: as `finish_frame`.

    Examples
    --------
    >>> samples = np.full((8, 8), 51, np.uint8)
    >>> table = np.linspace(0, 1, 256, dtype=np.float32)
    >>> light_frame(samples, table, move=Move(c=0.5), width=4, height=3)[1, 2].round(3).tolist()
    [0.20000000298023224, 0.20000000298023224, 0.20000000298023224]
    """
    if width < 1 or height < 1:
        raise CallerError(f"A finished frame has at least one pixel, got {width} x {height}.")
    planes, even = _planes_of(samples, table), _even_planes(evenness, samples)
    if planes.shape[2] == 1:
        planes, even = np.repeat(planes, 3, axis=2), tuple(np.repeat(each, 3, axis=2) for each in even)
    kept = np.zeros((height, width, 3), np.float32)
    _run(
        planes,
        even,
        table,
        move=move,
        colour=colour,
        bits=None,
        frame=0,
        out=np.empty((height, width * 3), np.uint16),
        kept=kept.reshape(height, -1),
    )
    return kept


def _run(
    planes: NDArray[Any],
    even: Sequence[NDArray[np.float32]],
    table: NDArray[np.float32] | None,
    *,
    move: Move,
    colour: FrameColour | None,
    bits: int | None,
    frame: int,
    out: NDArray[np.uint16],
    kept: NDArray[np.float32],
) -> None:
    """Fill `out` with codes of so many bits, or `kept` if it has rows."""
    height, width = out.shape[0], out.shape[1] // 3
    if colour is not None and planes.shape[2] == 1:
        planes, even = np.repeat(planes, 3, axis=2), tuple(np.repeat(each, 3, axis=2) for each in even)
    program = _NO_COLOUR if colour is None else (True, finish_program(colour, bits))
    invert_move(move)  # refuses a move that flattens the picture
    capture_height, capture_width = planes.shape[:2]
    straight = straight_move(move, width=capture_width, height=capture_height)
    lights = np.zeros(0, np.float32) if table is None else table
    number, most = np.uint32(frame & 0xFFFFFFFF), np.float32(1 if bits is None else 2**bits - 1)
    if straight is not None:
        box = _span(move.a, move.c, width, capture_width) + _span(move.e, move.f, height, capture_height)
        _finish_straight(
            _by_kind(planes, even, lights),
            planes.shape,
            lights,
            straight.mirrored_x,
            straight.mirrored_y,
            straight.offset_x,
            straight.offset_y,
            np.array(straight.weights_x, np.float32),
            np.array(straight.weights_y, np.float32),
            box,
            program,
            most,
            number,
            out,
            kept,
        )
        return
    turned = turned_move(move, width=capture_width, height=capture_height)
    if turned.swapped:
        planes, *even = (np.ascontiguousarray(each.transpose(1, 0, 2)) for each in (planes, *even))
    _finish_turned(
        _by_kind(planes, even, lights),
        planes.shape,
        lights,
        turned.mirrored_x,
        (float(move.a), float(move.b), float(move.c), float(move.d), float(move.e), float(move.f)),
        (float(turned.along_x), float(turned.along_v), float(turned.along_0)),
        (float(turned.down_x), float(turned.down_y), float(turned.down_0)),
        (capture_width, capture_height),
        program,
        most,
        number,
        out,
        kept,
    )


def _planes_of(samples: NDArray[Any], table: NDArray[np.float32] | None) -> NDArray[Any]:
    """Samples as (height, width, channels) in one piece, after asking whether they fit the table."""
    shape = samples.shape
    if samples.ndim not in (2, 3) or (samples.ndim == 3 and shape[2] != 3) or 0 in shape:
        raise CallerError(f"A frame is (height, width) or (height, width, 3), got shape {shape}.")
    whole_numbers = samples.dtype in (np.uint8, np.uint16)
    if whole_numbers != (table is not None) or not (whole_numbers or samples.dtype == np.float32):
        raise CallerError(
            "finish_frame needs uint8 or uint16 samples with a table of light, or float32 samples without, "
            f"got {samples.dtype} {'without' if table is None else 'with'} one."
        )
    if table is not None and (table.ndim != 1 or table.dtype != np.float32 or len(table) == 0):
        raise CallerError(f"The table of light is one row of float32, got {table.dtype} {table.shape}.")
    return np.ascontiguousarray(samples).reshape(shape[0], shape[1], -1)


def _even_planes(evenness: Evenness | None, samples: NDArray[Any]) -> Sequence[NDArray[np.float32]]:
    """Gain and offset as (height, width, channels) in one piece; no rows where there is none."""
    if evenness is None:
        return np.empty((0, 0, 1), np.float32), np.empty((0, 0, 1), np.float32)
    parts = (evenness.gain, evenness.offset)
    if any(part.shape != samples.shape or part.dtype != np.float32 for part in parts):
        raise CallerError(
            f"The evenness of the light is float32 of the frame's shape {samples.shape}, "
            f"got {evenness.gain.dtype} of shape {evenness.gain.shape}."
        )
    return tuple(np.ascontiguousarray(part).reshape(samples.shape[0], samples.shape[1], -1) for part in parts)


def _by_kind(
    planes: NDArray[Any], even: Sequence[NDArray[np.float32]], table: NDArray[np.float32]
) -> tuple[Any, ...]:
    """The capture in its place among bytes, words and light, so that each kernel is compiled once; then evenness, and the
    straight line that the table is, if it is one."""
    rows = planes.reshape(len(planes), -1)
    kinds = (
        rows if rows.dtype == kind else np.empty((0, 0), kind) for kind in (np.uint8, np.uint16, np.float32)
    )
    line = straight_line(table) if len(table) else straight_line(np.zeros(1, np.float32))
    return (*kinds, *(part.reshape(len(part), part.shape[1] * part.shape[2]) for part in even), line)


def _span(scale: float, shift: float, size: int, capture_size: int) -> tuple[int, int]:
    """First and stop of the finished pixels that lie on the capture, along one axis."""
    place = scale * np.arange(size, dtype=np.float64) + shift
    inside = np.flatnonzero((place >= -0.5) & (place <= capture_size - 0.5))
    return (int(inside[0]), int(inside[-1]) + 1) if len(inside) else (0, 0)


def reduce_frame(
    codes: NDArray[np.uint16],
    *,
    bits: int,
    width: int,
    height: int,
    canvas_width: int,
    canvas_height: int,
    frame: int,
    to_bits: int = REDUCED_BITS,
) -> NDArray[Any]:
    """Reduce a finished frame for a viewing copy: what `display.apply_reduction` does, at speed.

    Parameters
    ----------
    codes : uint16 array, shape (height, width, 3)
        Finished frame. Not altered.
    bits, width, height, canvas_width, canvas_height, frame, to_bits : int
        As `display.apply_reduction`.

    Returns
    -------
    uint8 array (uint16 above 8 bits), shape (canvas_height, canvas_width, 3)

    Raises
    ------
    CallerError
        As `display.apply_reduction`.

    Notes
    -----
    Source: definition. Equal to the reference, byte for byte.

    Examples
    --------
    >>> codes = np.full((4, 4, 3), 4095, np.uint16)
    >>> small = reduce_frame(codes, bits=12, width=2, height=2, canvas_width=4, canvas_height=2, frame=0)
    >>> print(small[0, :, 0])
    [  0 255 255   0]
    """
    if codes.ndim != 3 or codes.shape[2] != 3 or codes.dtype != np.uint16:
        raise CallerError(f"A finished frame is uint16 (height, width, 3), got {codes.dtype} {codes.shape}.")
    if not (width <= canvas_width and height <= canvas_height):
        raise CallerError(
            f"A picture of {width} x {height} does not fit a canvas of {canvas_width} x {canvas_height}."
        )
    if not 8 <= to_bits <= 16:
        raise CallerError(f"A copy's codes have 8 to 16 bits, got {to_bits}.")
    rows, row_share = box_overlaps(codes.shape[0], height)
    columns, column_share = box_overlaps(codes.shape[1], width)
    canvas = np.zeros((canvas_height, canvas_width, 3), np.uint8 if to_bits == 8 else np.uint16)
    scale = np.float32((2**to_bits - 1) / (2**bits - 1))
    top, left = (canvas_height - height) // 2, (canvas_width - width) // 2
    _reduce(
        np.ascontiguousarray(codes).reshape(codes.shape[0], -1),
        rows,
        row_share,
        columns,
        column_share,
        scale,
        np.float32(2**to_bits - 1),
        np.uint32(frame & 0xFFFFFFFF),
        top,
        left,
        canvas.reshape(canvas_height, -1),
    )
    return canvas


def warm() -> None:
    """Compile every kernel once, so that the first frame is as fast as the rest.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> warm()
    """
    samples, table = np.zeros((16, 16, 3), np.uint8), np.zeros(256, np.float32)
    for move in (Move(c=0.5), Move(b=0.01)):
        finished = finish_frame(samples, table, move=move, width=16, height=16, bits=12, frame=0)
    for to_bits in (8, 10):
        reduce_frame(
            finished, bits=12, width=8, height=8, canvas_width=8, canvas_height=8, frame=0, to_bits=to_bits
        )

"""The pixel program: look-up, resampling, colour, display encoding and dither in one pass over memory.

finish_frame  samples as captured, table, move -> code values of the finished file   (render, frame)
light_frame   the same as far as light         -> light of the finished frame        (workbench, a look)
reduce_frame  finished frame                   -> 8-bit picture of a viewing copy    (render, frame)
warm          compiles all of it once

The references are `resample.apply_move`, `colour.apply_colour` (whose rows stand in `kernels_colour.py`),
`display.apply_display` and `display.apply_reduction` in plain NumPy; here is the same arithmetic, in the same
order and precision, fused. Resampled light is equal to the reference's bit for bit; the display exponent is a
polynomial good to 0.05 of a 16-bit code. Compiled without fastmath, so that multiplications and additions are
never contracted or reordered and every x86-64 machine gives the same bytes. One thread a frame, no lock held.

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
from smallgauge.picture.display import GOLDEN, REDUCED_BITS, box_overlaps
from smallgauge.picture.evenness import Evenness
from smallgauge.picture.kernels_colour import PIECE, colour_program, colour_row
from smallgauge.picture.kernels_rows import copy_line, fill_line, load_row, straight_line
from smallgauge.picture.kernels_turned import (
    STRIPE,
    join_lines,
    lay_lines,
    place_along,
    repeat_rows,
    stripe_room,
    sum_along,
    sum_down,
)
from smallgauge.picture.resample import REACH, TAPS, Move, invert_move, straight_move, turned_move

# error_model "numpy": no test for division by zero, which would keep loops from being vectorised
_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")

_ZERO, _HALF, _ONE = np.float32(0.0), np.float32(0.5), np.float32(1.0)
_LEAST_LIGHT = np.float32(1e-20)  # encodes to 0.0003 of a 16-bit code, which dither never lifts to 1
_INVERSE_EXPONENT = np.float32(1 / 2.4)  # ITU-R BT.1886, annex 1
_SQRT_HALF_BITS = np.int32(0x3F3504F3)  # square root of 1/2 as single-precision bits
# 2 / ln 2 times the series of atanh, and the series of 2 ** x: derived, by Taylor
_LOG = tuple(np.float32(2.0 / np.log(2.0) / n) for n in (1, 3, 5, 7, 9))
_EXP = tuple(
    np.float32(np.log(2.0) ** n / factorial) for n, factorial in enumerate((1, 1, 2, 6, 24, 120, 720))
)
_L0, _L1, _L2, _L3, _L4 = _LOG
_E0, _E1, _E2, _E3, _E4, _E5, _E6 = _EXP
_U1, _U15, _U16 = np.uint32(1), np.uint32(15), np.uint32(16)
_GOLDEN, _MIX_1, _MIX_2 = np.uint32(GOLDEN), np.uint32(0x7FEB352D), np.uint32(0x846CA68B)
_DITHER_MASK, _DITHER_STEP, _DITHER_FIRST = np.uint32(127), np.float32(1 / 128), np.float32(1 / 256)
_NO_COLOUR = (False, colour_program(FrameColour()).parts())
_CHANNEL_SHIFT = (np.uint32(1), np.uint32(9), np.uint32(17))


@_kernel
def _mix(number):  # type: ignore[no-untyped-def]
    """`display.mix` of one number."""
    h = np.uint32(number ^ (number >> _U16))
    h = np.uint32(h * _MIX_1)
    h = np.uint32(h ^ (h >> _U15))
    h = np.uint32(h * _MIX_2)
    return np.uint32(h ^ (h >> _U16))


@_kernel
def _dither_row(frame, row, left, hashes):  # type: ignore[no-untyped-def]
    """Fill `hashes` with one hash a pixel of this row, from column `left` on, as `display.dither_of`."""
    frame_seed = _mix(np.uint32(frame + 1))
    row_seed = _mix(np.uint32(frame_seed + np.uint32(np.uint32(row) * _GOLDEN)))
    for x in range(hashes.shape[0]):
        hashes[x] = _mix(np.uint32(row_seed + np.uint32(left + x)))


@_kernel
def _encode(light, peak):  # type: ignore[no-untyped-def]
    """Display value of one light, 0 to `peak`: light ** (1 / 2.4) by way of base-2 logarithm."""
    bounded = light if light > _LEAST_LIGHT else _LEAST_LIGHT  # NaN counts as no light
    bounded = bounded if bounded < _ONE else _ONE
    bits = np.float32(bounded).view(np.int32)
    power = np.int32((bits - _SQRT_HALF_BITS) >> 23)
    mantissa = np.int32(bits - np.int32(power << 23)).view(np.float32)
    t = (mantissa - _ONE) / (mantissa + _ONE)
    t2 = t * t
    logarithm = t * (_L0 + t2 * (_L1 + t2 * (_L2 + t2 * (_L3 + t2 * _L4)))) + np.float32(power)
    scaled = logarithm * _INVERSE_EXPONENT
    whole = np.floor(scaled + _HALF)
    x = scaled - whole
    two = _E0 + x * (_E1 + x * (_E2 + x * (_E3 + x * (_E4 + x * (_E5 + x * _E6)))))
    return two * np.int32((np.int32(whole) + np.int32(127)) << 23).view(np.float32) * peak


@_kernel
def _store_row(light, hashes, channels, peak, out):  # type: ignore[no-untyped-def]
    """Encode one row of light, add its dither, cut to whole codes; grey fills all three channels."""
    if channels == 3:
        for i in range(light.shape[0]):
            light[i] = _encode(light[i], peak)
        for x in range(hashes.shape[0]):
            h = hashes[x]
            for channel in range(3):
                step = np.float32((h >> _CHANNEL_SHIFT[channel]) & _DITHER_MASK)
                value = light[3 * x + channel] + (step * _DITHER_STEP + _DITHER_FIRST)
                out[3 * x + channel] = np.uint16(min(value, peak))
    else:
        for x in range(hashes.shape[0]):
            step = np.float32((hashes[x] >> _U1) & _DITHER_MASK)
            value = _encode(light[x], peak) + (step * _DITHER_STEP + _DITHER_FIRST)
            code = np.uint16(min(value, peak))
            out[3 * x] = code
            out[3 * x + 1] = code
            out[3 * x + 2] = code


@_kernel
def _pad_row(light, mirrored, first, channels, padded):  # type: ignore[no-untyped-def]
    """A row from column `first` on, turned end to end if need be, its outermost pixels repeated."""
    width = light.shape[0] // channels
    count = padded.shape[0] // channels
    before = min(max(-first, 0), count)
    stop = max(min(width - first, count), before)
    if mirrored:
        base = (width - 1 - first) * channels
        for j in range(before, stop):
            for channel in range(channels):
                padded[j * channels + channel] = light[base - j * channels + channel]
    else:
        copy_line(light[(first + before) * channels : (first + stop) * channels], padded[before * channels :])
    head = (width - 1) * channels if mirrored else 0
    tail = 0 if mirrored else (width - 1) * channels
    for j in range(before):
        for channel in range(channels):
            padded[j * channels + channel] = light[head + channel]
    for j in range(stop, count):
        for channel in range(channels):
            padded[j * channels + channel] = light[tail + channel]


@_kernel
def _filter_row(padded, weights, channels, out):  # type: ignore[no-untyped-def]
    """Twelve taps along a row, added in order."""
    n = out.shape[0]
    w0, w1, w2, w3, w4, w5 = weights[0], weights[1], weights[2], weights[3], weights[4], weights[5]
    w6, w7, w8, w9, w10, w11 = weights[6], weights[7], weights[8], weights[9], weights[10], weights[11]
    p0, p1, p2, p3 = padded[0:], padded[channels:], padded[2 * channels :], padded[3 * channels :]
    p4, p5, p6 = padded[4 * channels :], padded[5 * channels :], padded[6 * channels :]
    p7, p8, p9 = padded[7 * channels :], padded[8 * channels :], padded[9 * channels :]
    p10, p11 = padded[10 * channels :], padded[11 * channels :]
    for i in range(n):
        out[i] = (
            w0 * p0[i] + w1 * p1[i] + w2 * p2[i] + w3 * p3[i] + w4 * p4[i] + w5 * p5[i]
            + w6 * p6[i] + w7 * p7[i] + w8 * p8[i] + w9 * p9[i] + w10 * p10[i] + w11 * p11[i]
        )  # fmt: skip


@_kernel
def _filter_column(ring, weights, top, out):  # type: ignore[no-untyped-def]
    """Twelve taps down a column, added in order; the row of the first tap stands at `top` in the ring."""
    n = out.shape[0]
    fill_line(out, _ZERO)
    for tap in range(0, TAPS, 4):
        w0, w1, w2, w3 = weights[tap], weights[tap + 1], weights[tap + 2], weights[tap + 3]
        place = top + tap
        r0, r1 = ring[place % TAPS], ring[(place + 1) % TAPS]
        r2, r3 = ring[(place + 2) % TAPS], ring[(place + 3) % TAPS]
        for i in range(n):
            out[i] = out[i] + w0 * r0[i] + w1 * r1[i] + w2 * r2[i] + w3 * r3[i]


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
    """A displaced frame: each captured row is filtered once into a ring of twelve. `kept`, if it has rows, takes light."""
    first_x, stop_x, first_y, stop_y = box
    capture_height, capture_width, channels = size
    span = stop_x - first_x
    keeps = kept.shape[0] > 0
    for y in range(out.shape[0]):
        if not keeps and (span <= 0 or y < first_y or y >= stop_y):
            fill_line(out[y], np.uint16(0))
    if span <= 0 or stop_y <= first_y:
        return
    captured = np.empty(capture_width * channels, np.float32)
    padded = np.empty((span + TAPS - 1) * channels, np.float32)
    ring = np.empty((TAPS, span * channels), np.float32)
    light = np.empty(span * channels, np.float32)
    hashes = np.empty(span, np.uint32)
    coloured, program = colour
    planes = np.empty(6 * PIECE)
    start = first_y + offset_y - REACH
    for v in range(start, stop_y + offset_y - REACH + TAPS - 1):
        row = min(max(v, 0), capture_height - 1)
        if mirrored_y:
            row = capture_height - 1 - row
        load_row(samples, row, 0, table, captured)
        _pad_row(captured, mirrored_x, first_x + offset_x - REACH, channels, padded)
        _filter_row(padded, weights_x, channels, ring[(v - start) % TAPS])
        top = v - start - (TAPS - 1)
        if top >= 0:
            y = first_y + top
            _filter_column(ring, weights_y, top, light)
            if coloured:
                down = np.float64(2 * y + 1) / out.shape[0] - 1.0
                colour_row(light, program, down, first_x, out.shape[1] // 3, planes)
            if keeps:
                copy_line(light, kept[y, first_x * 3 : stop_x * 3])
                continue
            _dither_row(frame, y, first_x, hashes)
            fill_line(out[y, : first_x * 3], np.uint16(0))
            fill_line(out[y, stop_x * 3 :], np.uint16(0))
            _store_row(light, hashes, channels, peak, out[y, first_x * 3 : stop_x * 3])


@_kernel
def _is_inside(x, y, affine, captured):  # type: ignore[no-untyped-def]
    """Whether a finished pixel lies on the capture."""
    a, b, c, d, e, f = affine
    across = a * np.float64(x) + b * np.float64(y) + c
    down = d * np.float64(x) + e * np.float64(y) + f
    return (across >= -0.5) & (across <= captured[0] - 0.5) & (down >= -0.5) & (down <= captured[1] - 0.5)


@_kernel
def _blank_outside(light, channels, left, y, affine, captured):  # type: ignore[no-untyped-def]
    """No light where a finished pixel of row `y`, from column `left` on, lies outside the capture.

    Along a row a place only grows or only falls, so that what lies on the capture is one stretch.
    """
    width = light.shape[0] // channels
    first, stop = 0, width
    while first < stop and not _is_inside(left + first, y, affine, captured):
        first += 1
    while stop > first and not _is_inside(left + stop - 1, y, affine, captured):
        stop -= 1
    fill_line(light[: first * channels], _ZERO)
    fill_line(light[stop * channels :], _ZERO)


@_kernel
def _turn_along(samples, size, table, mirrored, move, left, count, low, high, room):  # type: ignore[no-untyped-def]
    """First pass of a stripe: captured rows `low` to `high`, and the outermost once more where taps reach beyond them."""
    slope, per_row, offset = move
    rows, width, channels = size
    for v in range(low, high):
        offset_v = per_row * np.float64(v) + offset
        begin, wide = place_along(slope, offset_v, left, count, width, room)
        lay_lines(samples, table, v, begin, wide, mirrored, size, room)
        sum_along(wide, channels, count, v + TAPS, room)
    repeat_rows(low, high, rows, room)


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
    """A turned or scaled frame in two passes, stripe by stripe. `kept` as above."""
    down_x, down_y, down_0 = down_move
    coloured, program = colour
    rows, capture_width, channels = size
    height, width = out.shape[0], out.shape[1] // 3
    room = stripe_room(rows, capture_width)
    lines = np.empty(6 * PIECE)
    hashes = np.empty(STRIPE, np.uint32)
    light = np.empty(STRIPE * channels, np.float32)
    for left in range(0, width, STRIPE):
        count = min(STRIPE, width - left)
        ends = (down_x * left, down_x * (left + count - 1))
        ends = (min(ends), max(ends))
        rise = (min(0.0, down_y * (height - 1)), max(0.0, down_y * (height - 1)))
        low = min(max(np.int64(np.floor(ends[0] + rise[0] + down_0)) - TAPS, 0), rows - 1)
        high = max(min(np.int64(np.ceil(ends[1] + rise[1] + down_0)) + TAPS, rows), low + 1)
        _turn_along(samples, size, table, mirrored, along_move, left, count, low, high, room)
        row = light[: count * channels]
        for y in range(height):
            sum_down(down_x, down_y * np.float64(y) + down_0, left, count, rows, channels, room)
            join_lines(room, channels, row)
            if coloured:
                down = np.float64(2 * y + 1) / height - 1.0
                colour_row(row, program, down, left, width, lines)
            _blank_outside(row, channels, left, y, affine, captured)
            if kept.shape[0] > 0:
                copy_line(row, kept[y, left * 3 : (left + count) * 3])
                continue
            _dither_row(frame, y, left, hashes[:count])
            _store_row(row, hashes[:count], channels, peak, out[y, left * 3 : (left + count) * 3])


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
        _dither_row(frame, y, 0, hashes)
        for x in range(width):
            for channel in range(3):
                total = _ZERO
                for tap in range(columns.shape[1]):
                    total += column_share[x, tap] * down[3 * columns[x, tap] + channel]
                step = np.float32((hashes[x] >> _CHANNEL_SHIFT[channel]) & _DITHER_MASK)
                value = total * scale + (step * _DITHER_STEP + _DITHER_FIRST)
                canvas[top + y, 3 * (left + x) + channel] = np.uint16(min(value, peak))


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
    less than half a code of 16 bits before dither and rounding, stored values by at most one.

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
        peak=2**bits - 1,
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
        peak=1,
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
    peak: int,
    frame: int,
    out: NDArray[np.uint16],
    kept: NDArray[np.float32],
) -> None:
    """Fill `out`, or `kept` if it has rows."""
    height, width = out.shape[0], out.shape[1] // 3
    if colour is not None and planes.shape[2] == 1:
        planes, even = np.repeat(planes, 3, axis=2), tuple(np.repeat(each, 3, axis=2) for each in even)
    program = _NO_COLOUR if colour is None else (True, colour_program(colour).parts())
    invert_move(move)  # refuses a move that flattens the picture
    capture_height, capture_width = planes.shape[:2]
    straight = straight_move(move, width=capture_width, height=capture_height)
    lights = np.zeros(0, np.float32) if table is None else table
    number, most = np.uint32(frame & 0xFFFFFFFF), np.float32(peak)
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

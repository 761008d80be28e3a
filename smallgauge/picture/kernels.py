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
from smallgauge.picture.kernels_colour import colour_program, colour_row
from smallgauge.picture.resample import (
    PHASES,
    REACH,
    TAPS,
    Move,
    invert_move,
    phase_table,
    straight_move,
    turned_move,
)

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
def _dither_row(frame, row, hashes):  # type: ignore[no-untyped-def]
    """Fill `hashes` with one hash a pixel of this row, as `display.dither_of`."""
    frame_seed = _mix(np.uint32(frame + 1))
    row_seed = _mix(np.uint32(frame_seed + np.uint32(np.uint32(row) * _GOLDEN)))
    for x in range(hashes.shape[0]):
        hashes[x] = _mix(np.uint32(row_seed + np.uint32(x)))


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
def _look_up(codes, table, light):  # type: ignore[no-untyped-def]
    """Light of one captured row of codes."""
    last = table.shape[0] - 1
    for i in range(light.shape[0]):
        light[i] = table[min(np.int64(codes[i]), last)]


@_kernel
def _load(samples, v, table, light):  # type: ignore[no-untyped-def]
    """Light of captured row `v`, whichever kind of sample the capture has, made even where its evenness is known."""
    bytes_, words, lights, gains, offsets = samples
    if bytes_.shape[0] > 0:
        _look_up(bytes_[v], table, light)
    elif words.shape[0] > 0:
        _look_up(words[v], table, light)
    else:
        _copy(lights[v], light)
    if gains.shape[0] > 0:
        gain, offset = gains[v], offsets[v]
        for i in range(light.shape[0]):
            light[i] = light[i] * gain[i] + offset[i]


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
        _copy(light[(first + before) * channels : (first + stop) * channels], padded[before * channels :])
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
    _fill(out, _ZERO)
    for tap in range(0, TAPS, 4):
        w0, w1, w2, w3 = weights[tap], weights[tap + 1], weights[tap + 2], weights[tap + 3]
        place = top + tap
        r0, r1 = ring[place % TAPS], ring[(place + 1) % TAPS]
        r2, r3 = ring[(place + 2) % TAPS], ring[(place + 3) % TAPS]
        for i in range(n):
            out[i] = out[i] + w0 * r0[i] + w1 * r1[i] + w2 * r2[i] + w3 * r3[i]


@_kernel
def _fill(line, value):  # type: ignore[no-untyped-def]
    """Set a row to one value; compiled far faster than assignment to a slice."""
    for i in range(line.shape[0]):
        line[i] = value


@_kernel
def _copy(line, target):  # type: ignore[no-untyped-def]
    """Copy a row into another."""
    for i in range(line.shape[0]):
        target[i] = line[i]


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
            _fill(out[y], np.uint16(0))
    if span <= 0 or stop_y <= first_y:
        return
    captured = np.empty(capture_width * channels, np.float32)
    padded = np.empty((span + TAPS - 1) * channels, np.float32)
    ring = np.empty((TAPS, span * channels), np.float32)
    light = np.empty(span * channels, np.float32)
    hashes = np.empty(stop_x, np.uint32)
    coloured, program = colour
    planes = np.empty((6, span))
    start = first_y + offset_y - REACH
    for v in range(start, stop_y + offset_y - REACH + TAPS - 1):
        row = min(max(v, 0), capture_height - 1)
        if mirrored_y:
            row = capture_height - 1 - row
        _load(samples, row, table, captured)
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
                _copy(light, kept[y, first_x * 3 : stop_x * 3])
                continue
            _dither_row(frame, y, hashes)
            _fill(out[y, : first_x * 3], np.uint16(0))
            _fill(out[y, stop_x * 3 :], np.uint16(0))
            _store_row(light, hashes[first_x:stop_x], channels, peak, out[y, first_x * 3 : stop_x * 3])


@_kernel
def _place_row(slope, offset, limit, phases, first, weights):  # type: ignore[no-untyped-def]
    """For each finished column: first tap, counted in a line with margins, and the weights of its taps."""
    steps = np.empty(first.shape[0], np.int64)
    for x in range(first.shape[0]):
        place = slope * np.float64(x) + offset
        place = place if place > -1e6 else -1e6
        place = place if place < 1e6 else 1e6
        steps[x] = np.int64(np.floor(place * PHASES + 0.5))
    for x in range(first.shape[0]):
        first[x] = min(max((steps[x] >> 12) - REACH, -TAPS), limit) + TAPS
        steps[x] = steps[x] & (PHASES - 1)
    for tap in range(TAPS):
        line, column = weights[tap], phases[tap]
        for x in range(first.shape[0]):
            line[x] = column[steps[x]]


@_kernel
def _sum_run(weights, x0, lines, tap_row, tap_column, start, out):  # type: ignore[no-untyped-def]
    """Twelve taps, in order, for a run of columns whose taps lie side by side in `lines`."""
    n = out.shape[0]
    _fill(out, _ZERO)
    for tap in range(0, TAPS, 4):
        w0, w1 = weights[tap, x0 : x0 + n], weights[tap + 1, x0 : x0 + n]
        w2, w3 = weights[tap + 2, x0 : x0 + n], weights[tap + 3, x0 : x0 + n]
        r0 = lines[start[0] + tap * tap_row, start[1] + tap * tap_column :]
        r1 = lines[start[0] + (tap + 1) * tap_row, start[1] + (tap + 1) * tap_column :]
        r2 = lines[start[0] + (tap + 2) * tap_row, start[1] + (tap + 2) * tap_column :]
        r3 = lines[start[0] + (tap + 3) * tap_row, start[1] + (tap + 3) * tap_column :]
        for i in range(n):
            out[i] = out[i] + w0[i] * r0[i] + w1[i] * r1[i] + w2[i] * r2[i] + w3[i] * r3[i]


@_kernel
def _turn_along(samples, size, table, phases, mirrored, move, low, high, along):  # type: ignore[no-untyped-def]
    """First pass: captured rows `low` to `high` to finished columns, one plane a channel."""
    slope, per_row, offset = move
    _, capture_width, channels = size
    width = along.shape[1] // channels
    captured = np.empty(capture_width * channels, np.float32)
    padded = np.empty((capture_width + 2 * TAPS) * channels, np.float32)
    lines = np.empty((channels, capture_width + 2 * TAPS), np.float32)
    first = np.empty(width, np.int64)
    weights = np.empty((TAPS, width), np.float32)
    for v in range(low, high):
        _load(samples, v, table, captured)
        _pad_row(captured, mirrored, -TAPS, channels, padded)
        for channel in range(channels):
            line = lines[channel]
            for x in range(line.shape[0]):
                line[x] = padded[x * channels + channel]
        _place_row(slope, per_row * np.float64(v) + offset, capture_width, phases, first, weights)
        x0 = 0
        while x0 < width:  # runs of columns that step along the row together
            x1 = x0 + 1
            while x1 < width and first[x1] - first[x0] == x1 - x0:
                x1 += 1
            for channel in range(channels):
                out = along[v + TAPS, channel * width + x0 : channel * width + x1]
                _sum_run(weights, x0, lines, 0, 1, (channel, first[x0]), out)
            x0 = x1


@_kernel
def _blank_outside(light, channels, y, affine, captured):  # type: ignore[no-untyped-def]
    """No light where a finished pixel of row `y` lies outside the capture."""
    a, b, c, d, e, f = affine
    captured_width, captured_height = captured
    for channel in range(channels):
        for x in range(light.shape[0] // channels):
            across = a * np.float64(x) + b * np.float64(y) + c
            down = d * np.float64(x) + e * np.float64(y) + f
            inside = (
                (across >= -0.5)
                & (across <= captured_width - 0.5)
                & (down >= -0.5)
                & (down <= captured_height - 0.5)
            )
            light[channels * x + channel] = light[channels * x + channel] if inside else _ZERO


@_kernel
def _finish_turned(  # type: ignore[no-untyped-def]
    samples,
    size,
    table,
    phases,
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
    """A turned or scaled frame in two passes; the first is kept whole, in single precision. `kept` as above."""
    down_x, down_y, down_0 = down_move
    coloured, program = colour
    rows, _, channels = size
    height, width = out.shape[0], out.shape[1] // 3
    along = np.empty((rows + 2 * TAPS, width * channels), np.float32)
    corners = (0.0, down_x * (width - 1), down_y * (height - 1), down_x * (width - 1) + down_y * (height - 1))
    low = min(max(np.int64(np.floor(min(corners) + down_0)) - TAPS, 0), rows - 1)
    high = max(min(np.int64(np.ceil(max(corners) + down_0)) + TAPS, rows), low + 1)
    _turn_along(samples, size, table, phases, mirrored, along_move, low, high, along)
    for v in range(low + TAPS):
        _copy(along[low + TAPS], along[v])
    for v in range(high + TAPS, along.shape[0]):
        _copy(along[high + TAPS - 1], along[v])
    light = np.empty(width * channels, np.float32)
    planes = np.empty((channels, width), np.float32)
    lines = np.empty((6, width))
    hashes = np.empty(width, np.uint32)
    first = np.empty(width, np.int64)
    weights = np.empty((TAPS, width), np.float32)
    for y in range(height):
        _place_row(down_x, down_y * np.float64(y) + down_0, rows, phases, first, weights)
        x0 = 0
        while x0 < width:  # runs of columns that read the same rows
            x1 = x0 + 1
            while x1 < width and first[x1] == first[x0]:
                x1 += 1
            for channel in range(channels):
                _sum_run(weights, x0, along, 1, 0, (first[x0], channel * width + x0), planes[channel, x0:x1])
            x0 = x1
        for channel in range(channels):
            plane = planes[channel]
            for x in range(width):
                light[channels * x + channel] = plane[x]
        if coloured:
            colour_row(light, program, np.float64(2 * y + 1) / height - 1.0, 0, width, lines)
        _blank_outside(light, channels, y, affine, captured)
        if kept.shape[0] > 0:
            _copy(light, kept[y])
            continue
        _dither_row(frame, y, hashes)
        _store_row(light, hashes, channels, peak, out[y])


@_kernel
def _reduce(codes, rows, row_share, columns, column_share, scale, peak, frame, top, left, canvas):  # type: ignore[no-untyped-def]
    """Average areas of display codes: down the columns, along the row, then to fewer bits with dither."""
    height, width = rows.shape[0], columns.shape[0]
    down = np.empty(codes.shape[1], np.float32)
    hashes = np.empty(width, np.uint32)
    for y in range(height):
        _fill(down, _ZERO)
        for tap in range(rows.shape[1]):
            share = row_share[y, tap]
            source = codes[rows[y, tap]]
            for i in range(down.shape[0]):
                down[i] += share * np.float32(source[i])
        _dither_row(frame, y, hashes)
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
            _by_kind(planes, even),
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
        _by_kind(planes, even),
        planes.shape,
        lights,
        np.ascontiguousarray(phase_table().T),
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


def _by_kind(planes: NDArray[Any], even: Sequence[NDArray[np.float32]]) -> tuple[NDArray[Any], ...]:
    """The capture in its place among bytes, words and light, so that each kernel is compiled once; then evenness."""
    rows = planes.reshape(len(planes), -1)
    kinds = (
        rows if rows.dtype == kind else np.empty((0, 0), kind) for kind in (np.uint8, np.uint16, np.float32)
    )
    return (*kinds, *(part.reshape(len(part), part.shape[1] * part.shape[2]) for part in even))


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

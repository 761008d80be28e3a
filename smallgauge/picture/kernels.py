"""The pixel program: look-up, resampling, display encoding and dither in one pass over memory.

finish_frame  samples as captured, table, move -> code values of the finished file   (render, frame)
reduce_frame  finished frame                   -> 8-bit picture of a viewing copy    (render, frame)
warm          compiles all of it once

The references are `resample.apply_move`, `display.apply_display` and `display.apply_reduction` in
plain NumPy; here is the same arithmetic, in the same order and precision, fused. Resampled light is
equal to the reference's bit for bit; the display exponent is a polynomial good to 0.05 of a 16-bit
code. Compiled without fastmath, so that multiplications and additions are never contracted or
reordered and every x86-64 machine gives the same bytes. One thread a frame, no lock held.
"""

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.display import GOLDEN, REDUCED_BITS, box_overlaps
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

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False)

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
    bounded = min(max(light, _LEAST_LIGHT), _ONE)
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
def _light_of(sample, table):  # type: ignore[no-untyped-def]
    """Light of one sample: looked up, or as it stands where there is no table."""
    if table is None:
        return np.float32(sample)
    return table[min(np.int64(sample), np.int64(table.shape[0] - 1))]


@_kernel
def _load_row(row, table, mirrored, first, channels, padded):  # type: ignore[no-untyped-def]
    """Light of one captured row from column `first` on, its outermost pixels repeated beyond it."""
    width = row.shape[0] // channels
    count = padded.shape[0] // channels
    before = min(max(-first, 0), count)
    stop = max(min(width - first, count), before)
    for j in range(before):
        _load_pixel(row, table, mirrored, 0, channels, padded, j)
    if mirrored:
        for j in range(before, stop):
            _load_pixel(row, table, mirrored, first + j, channels, padded, j)
    else:
        source = row[(first + before) * channels : (first + stop) * channels]
        target = padded[before * channels : stop * channels]
        for i in range(target.shape[0]):
            target[i] = _light_of(source[i], table)
    for j in range(stop, count):
        _load_pixel(row, table, mirrored, width - 1, channels, padded, j)


@_kernel
def _load_pixel(row, table, mirrored, column, channels, padded, j):  # type: ignore[no-untyped-def]
    """Light of one captured pixel into place `j`."""
    width = row.shape[0] // channels
    column = min(max(column, 0), width - 1)
    if mirrored:
        column = width - 1 - column
    for channel in range(channels):
        padded[j * channels + channel] = _light_of(row[column * channels + channel], table)


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
    """Twelve taps down a column; the row of the first tap stands at `top` in the ring."""
    n = out.shape[0]
    w0, w1, w2, w3, w4, w5 = weights[0], weights[1], weights[2], weights[3], weights[4], weights[5]
    w6, w7, w8, w9, w10, w11 = weights[6], weights[7], weights[8], weights[9], weights[10], weights[11]
    r0, r1, r2, r3 = ring[top % 12], ring[(top + 1) % 12], ring[(top + 2) % 12], ring[(top + 3) % 12]
    r4, r5, r6 = ring[(top + 4) % 12], ring[(top + 5) % 12], ring[(top + 6) % 12]
    r7, r8, r9 = ring[(top + 7) % 12], ring[(top + 8) % 12], ring[(top + 9) % 12]
    r10, r11 = ring[(top + 10) % 12], ring[(top + 11) % 12]
    for i in range(n):
        out[i] = (
            w0 * r0[i] + w1 * r1[i] + w2 * r2[i] + w3 * r3[i] + w4 * r4[i] + w5 * r5[i]
            + w6 * r6[i] + w7 * r7[i] + w8 * r8[i] + w9 * r9[i] + w10 * r10[i] + w11 * r11[i]
        )  # fmt: skip


@_kernel
def _finish_straight(  # type: ignore[no-untyped-def]
    samples, table, mirrored_x, mirrored_y, offset_x, offset_y, weights_x, weights_y, box, peak, frame, out
):
    """A displaced frame: each captured row is filtered once into a ring of twelve."""
    first_x, stop_x, first_y, stop_y = box
    capture_height = samples.shape[0]
    channels = samples.shape[2]
    out[:first_y] = 0
    out[stop_y:] = 0
    span = stop_x - first_x
    if span <= 0 or stop_y <= first_y:
        out[:] = 0
        return
    padded = np.empty((span + TAPS - 1) * channels, np.float32)
    ring = np.empty((TAPS, span * channels), np.float32)
    light = np.empty(span * channels, np.float32)
    hashes = np.empty(out.shape[1], np.uint32)
    start = first_y + offset_y - REACH
    for v in range(start, stop_y + offset_y - REACH + TAPS - 1):
        row = min(max(v, 0), capture_height - 1)
        if mirrored_y:
            row = capture_height - 1 - row
        _load_row(samples[row].reshape(-1), table, mirrored_x, first_x + offset_x - REACH, channels, padded)
        _filter_row(padded, weights_x, channels, ring[(v - start) % TAPS])
        top = v - start - (TAPS - 1)
        if top >= 0:
            y = first_y + top
            _filter_column(ring, weights_y, top, light)
            _dither_row(frame, y, hashes)
            out_row = out[y].reshape(-1)
            out_row[: first_x * 3] = 0
            out_row[stop_x * 3 :] = 0
            _store_row(light, hashes[first_x:stop_x], channels, peak, out_row[first_x * 3 : stop_x * 3])


@_kernel
def _turn_along(samples, table, phases, move, stop_x, low, high, along):  # type: ignore[no-untyped-def]
    """First pass: captured rows `low` to `high` to finished columns, with margins of repeated rows."""
    along_x, along_v, along_0 = move
    capture_width, channels = samples.shape[1], samples.shape[2]
    padded = np.empty((capture_width + 2 * TAPS) * channels, np.float32)
    for v in range(low, high):
        _load_row(samples[v].reshape(-1), table, False, -TAPS, channels, padded)
        row = along[v + TAPS]
        offset = along_v * np.float64(v) + along_0
        for x in range(stop_x):
            place = along_x * np.float64(x) + offset
            step = np.int64(np.floor(min(max(place, -1e6), 1e6) * PHASES + 0.5))
            first = min(max((step >> 12) - REACH, -TAPS), capture_width) + TAPS
            weights = phases[step & (PHASES - 1)]
            if channels == 3:
                pixel = padded[first * 3 : first * 3 + 36]
                red = weights[0] * pixel[0]
                green = weights[0] * pixel[1]
                blue = weights[0] * pixel[2]
                for tap in range(1, TAPS):
                    red += weights[tap] * pixel[3 * tap]
                    green += weights[tap] * pixel[3 * tap + 1]
                    blue += weights[tap] * pixel[3 * tap + 2]
                row[3 * x] = red
                row[3 * x + 1] = green
                row[3 * x + 2] = blue
            else:
                total = weights[0] * padded[first]
                for tap in range(1, TAPS):
                    total += weights[tap] * padded[first + tap]
                row[x] = total


@_kernel
def _finish_turned(  # type: ignore[no-untyped-def]
    samples, table, phases, affine, along_move, down_move, captured, peak, frame, out
):
    """A turned or scaled frame in two passes; the first is kept whole, in single precision."""
    a, b, c, d, e, f = affine
    down_x, down_y, down_0 = down_move
    captured_width, captured_height = captured
    rows, channels = samples.shape[0], samples.shape[2]
    height, width = out.shape[0], out.shape[1]
    along = np.empty((rows + 2 * TAPS, width * channels), np.float32)
    corners = (0.0, down_x * (width - 1), down_y * (height - 1), down_x * (width - 1) + down_y * (height - 1))
    low = min(max(np.int64(np.floor(min(corners) + down_0)) - TAPS, 0), rows)
    high = max(min(np.int64(np.ceil(max(corners) + down_0)) + TAPS + 1, rows), low)
    _turn_along(samples, table, phases, along_move, width, low, high, along)
    for margin in range(TAPS):
        along[margin] = along[TAPS]
        along[rows + TAPS + margin] = along[rows + TAPS - 1]
    light = np.empty(width * channels, np.float32)
    hashes = np.empty(width, np.uint32)
    for y in range(height):
        offset = down_y * np.float64(y) + down_0
        for x in range(width):
            across = a * np.float64(x) + b * np.float64(y) + c
            down = d * np.float64(x) + e * np.float64(y) + f
            if not (-0.5 <= across <= captured_width - 0.5 and -0.5 <= down <= captured_height - 0.5):
                for channel in range(channels):
                    light[channels * x + channel] = _ZERO
                continue
            place = down_x * np.float64(x) + offset
            step = np.int64(np.floor(min(max(place, -1e6), 1e6) * PHASES + 0.5))
            first = min(max((step >> 12) - REACH, -TAPS), rows) + TAPS
            weights = phases[step & (PHASES - 1)]
            for channel in range(channels):
                total = weights[0] * along[first, channels * x + channel]
                for tap in range(1, TAPS):
                    total += weights[tap] * along[first + tap, channels * x + channel]
                light[channels * x + channel] = total
        _dither_row(frame, y, hashes)
        _store_row(light, hashes, channels, peak, out[y].reshape(-1))


@_kernel
def _reduce(codes, rows, row_share, columns, column_share, scale, frame, top, left, canvas):  # type: ignore[no-untyped-def]
    """Average areas of display codes: down the columns, along the row, then to 8 bits with dither."""
    height, width = rows.shape[0], columns.shape[0]
    down = np.empty(codes.shape[1] * 3, np.float32)
    hashes = np.empty(width, np.uint32)
    canvas[:] = 0
    for y in range(height):
        down[:] = _ZERO
        for tap in range(rows.shape[1]):
            share = row_share[y, tap]
            source = codes[rows[y, tap]].reshape(-1)
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
                canvas[top + y, left + x, channel] = np.uint8(min(value, np.float32(255.0)))


def finish_frame(
    samples: NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32],
    table: NDArray[np.float32] | None,
    *,
    move: Move,
    width: int,
    height: int,
    bits: int,
    frame: int,
    out: NDArray[np.uint16] | None = None,
) -> NDArray[np.uint16]:
    """A captured frame to a finished one: light, geometry, display encoding and dither at once.

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
    Source: as `resample.apply_move` and `display.apply_display`, from which stored values differ by at
    most one.

    Examples
    --------
    >>> samples = np.full((8, 8), 255, np.uint8)
    >>> table = np.linspace(0, 1, 256, dtype=np.float32)
    >>> finished = finish_frame(samples, table, move=Move(c=0.5), width=4, height=3, bits=12, frame=0)
    >>> print(finished.shape, finished.min())
    (3, 4, 3) 4095
    """
    planes = _planes_of(samples, table)
    if not 8 <= bits <= 16 or width < 1 or height < 1:
        raise CallerError(
            f"A finished frame has at least one pixel and 8 to 16 bits, got {width} x {height}, {bits} bits."
        )
    if out is None:
        out = np.empty((height, width, 3), np.uint16)
    elif out.shape != (height, width, 3) or out.dtype != np.uint16 or not out.flags.c_contiguous:
        raise CallerError(
            f"The finished frame goes into a whole uint16 array of shape {(height, width, 3)}, "
            f"got {out.dtype} of shape {out.shape}."
        )
    invert_move(move)  # refuses a move that flattens the picture
    capture_height, capture_width = planes.shape[:2]
    straight = straight_move(move, width=capture_width, height=capture_height)
    number, peak = np.uint32(frame & 0xFFFFFFFF), np.float32(2**bits - 1)
    if straight is not None:
        box = _span(move.a, move.c, width, capture_width) + _span(move.e, move.f, height, capture_height)
        _finish_straight(
            planes,
            table,
            straight.mirrored_x,
            straight.mirrored_y,
            straight.offset_x,
            straight.offset_y,
            np.array(straight.weights_x, np.float32),
            np.array(straight.weights_y, np.float32),
            box,
            peak,
            number,
            out,
        )
        return out
    turned = turned_move(move)
    if turned.swapped:
        planes = np.ascontiguousarray(planes.transpose(1, 0, 2))
    _finish_turned(
        planes,
        table,
        phase_table(),
        (float(move.a), float(move.b), float(move.c), float(move.d), float(move.e), float(move.f)),
        (float(turned.along_x), float(turned.along_v), float(turned.along_0)),
        (float(turned.down_x), float(turned.down_y), float(turned.down_0)),
        (capture_width, capture_height),
        peak,
        number,
        out,
    )
    return out


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
) -> NDArray[np.uint8]:
    """Reduce a finished frame for a viewing copy: what `display.apply_reduction` does, at speed.

    Parameters
    ----------
    codes : uint16 array, shape (height, width, 3)
        Finished frame. Not altered.
    bits, width, height, canvas_width, canvas_height, frame : int
        As `display.apply_reduction`.

    Returns
    -------
    uint8 array, shape (canvas_height, canvas_width, 3)

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
    rows, row_share = box_overlaps(codes.shape[0], height)
    columns, column_share = box_overlaps(codes.shape[1], width)
    canvas = np.empty((canvas_height, canvas_width, 3), np.uint8)
    scale = np.float32((2**REDUCED_BITS - 1) / (2**bits - 1))
    top, left = (canvas_height - height) // 2, (canvas_width - width) // 2
    _reduce(
        np.ascontiguousarray(codes),
        rows,
        row_share,
        columns,
        column_share,
        scale,
        np.uint32(frame & 0xFFFFFFFF),
        top,
        left,
        canvas,
    )
    return canvas


def warm() -> None:
    """Compile every kernel for every kind of sample, so that the first frame is as fast as the rest.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> warm()
    """
    table = np.zeros(256, np.float32)
    for kind, light in ((np.uint8, table), (np.uint16, table), (np.float32, None)):
        samples = np.zeros((16, 16, 3), kind)
        for move in (Move(c=0.5), Move(b=0.01)):
            finished = finish_frame(samples, light, move=move, width=16, height=16, bits=12, frame=0)
    reduce_frame(finished, bits=12, width=8, height=8, canvas_width=8, canvas_height=8, frame=0)

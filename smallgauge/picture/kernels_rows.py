"""Rows of the pixel program: what its kernels share.

load_row    a captured row, of whichever kind       -> light          (kernels)
straight_line, on_line   a table                    -> whether it is a straight line, which needs no looking up
fill_line, copy_line   one value, or another row    -> a row          (kernels)

Frames are finished in upright stripes of `STRIPE` columns. What lies on one row of a stripe is three lines, a channel each, `PITCH`
apart; of grey the first line alone.

Compiled without fastmath, as `kernels.py`.
"""

import numpy as np
from numba import njit

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")

STRIPE = 2048  # finished columns
SPARE = 16  # columns behind a stripe that are written and not read
PITCH = STRIPE + SPARE  # from one line of a stripe to the next
ROW = 3 * PITCH  # from one row of a stripe to the next, grey or not


@_kernel
def fill_line(line, value):  # type: ignore[no-untyped-def]
    """Set a row to one value; compiled far faster than assignment to a slice."""
    for i in range(line.shape[0]):
        line[i] = value


@_kernel
def copy_line(line, target):  # type: ignore[no-untyped-def]
    """Copy a row into another."""
    for i in range(line.shape[0]):
        target[i] = line[i]


@_kernel
def straight_line(table):  # type: ignore[no-untyped-def]
    """Light of one step, last code of no light and code from which light grows no more, of a table that is nothing else.

    Every entry is then their product in double precision, rounded once; of any other table the step is 0.
    """
    last = table.shape[0] - 1
    black = 0
    while black < last and table[black + 1] == 0.0:
        black += 1
    gate, end = black, last
    while gate < last and table[gate] < 1.0:
        gate += 1
    while end > gate and table[end - 1] == table[last]:
        end -= 1
    if gate == black or table[gate] != 1.0:
        return 0.0, np.int32(0), np.int32(0)
    step = 1.0 / (gate - black)
    for code in range(last + 1):
        if np.float32(np.float64(max(min(code, end) - black, 0)) * step) != table[code]:
            return 0.0, np.int32(0), np.int32(0)
    return step, np.int32(black), np.int32(end)


@_kernel
def on_line(code, line):  # type: ignore[no-untyped-def]
    """Light of a code whose table is a straight line."""
    step, black, end = line
    bounded = max(min(np.int32(code), end), black)
    return np.float32(np.float64(np.int32(bounded - black)) * step)


@_kernel
def _look_up(codes, table, line, light):  # type: ignore[no-untyped-def]
    """Light of one captured row of codes."""
    last = table.shape[0] - 1
    if line[0] > 0.0:
        for i in range(light.shape[0]):
            light[i] = on_line(codes[i], line)
    else:
        for i in range(light.shape[0]):
            light[i] = table[min(np.int64(codes[i]), last)]


@_kernel
def load_row(samples, v, begin, table, light):  # type: ignore[no-untyped-def]
    """Light of captured row `v` from sample `begin` on, whichever kind the capture has, made even where its evenness is known."""
    bytes_, words, lights, gains, offsets, line = samples
    if bytes_.shape[0] > 0:
        _look_up(bytes_[v, begin:], table, line, light)
    elif words.shape[0] > 0:
        _look_up(words[v, begin:], table, line, light)
    else:
        copy_line(lights[v, begin : begin + light.shape[0]], light)
    if gains.shape[0] > 0:
        gain, offset = gains[v, begin:], offsets[v, begin:]
        for i in range(light.shape[0]):
            light[i] = light[i] * gain[i] + offset[i]

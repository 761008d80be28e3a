"""Rows of the pixel program: what its kernels share.

load_row    a captured row, of whichever kind       -> light          (kernels)
fill_line, copy_line   one value, or another row    -> a row          (kernels)

Compiled without fastmath, as `kernels.py`.
"""

import numpy as np
from numba import njit

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")


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
def _look_up(codes, table, light):  # type: ignore[no-untyped-def]
    """Light of one captured row of codes."""
    last = table.shape[0] - 1
    for i in range(light.shape[0]):
        light[i] = table[min(np.int64(codes[i]), last)]


@_kernel
def load_row(samples, v, begin, table, light):  # type: ignore[no-untyped-def]
    """Light of captured row `v` from sample `begin` on, whichever kind the capture has, made even where its evenness is known."""
    bytes_, words, lights, gains, offsets = samples
    if bytes_.shape[0] > 0:
        _look_up(bytes_[v, begin:], table, light)
    elif words.shape[0] > 0:
        _look_up(words[v, begin:], table, light)
    else:
        copy_line(lights[v, begin : begin + light.shape[0]], light)
    if gains.shape[0] > 0:
        gain, offset = gains[v, begin:], offsets[v, begin:]
        for i in range(light.shape[0]):
            light[i] = light[i] * gain[i] + offset[i]

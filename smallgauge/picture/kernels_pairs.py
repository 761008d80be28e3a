"""Compiled loops of what is compared from frame to frame: change, grain, flicker.

seen_in_both      two small pictures  -> values of both where one was carried from within the other
calm_fit          those               -> gain and offset between them where they differ least
root_mean_square  planes              -> rms of their rows, without some of them
compensated       two small pictures  -> difference and mean of each cell, and whether all of it counts
warm              compiles them once

Imported inside functions only. No fastmath: the same numbers everywhere.
"""

import math

import numpy as np
from numba import njit

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")
_LEAST_INSIDE = 0.25  # of the picture; with less of the other in view all of it is compared


@_kernel
def seen_in_both(here, carried, x, y, a, b):  # type: ignore[no-untyped-def]
    """How many values `a` of `carried` and `b` of `here` there are: every second pixel of every second row.

    Where `x` and `y`, from where each was carried, lie in the picture; all of them where hardly any do.
    """
    height, width = here.shape
    count, every = 0, 0
    for turn in range(2):
        for row in range(0, height, 2):
            for column in range(0, width, 2):
                u, v = x[row, column], y[row, column]
                if turn == 1 or ((u >= 0) & (u <= width - 1) & (v >= 0) & (v <= height - 1)):
                    a[count], b[count] = carried[row, column], here[row, column]
                    count += 1
                every += turn == 0
        if count >= _LEAST_INSIDE * every:
            break
        count = 0
    return count


@_kernel
def calm_fit(a, b, difference, most, kept):  # type: ignore[no-untyped-def]
    """Gain and offset that bring `a` nearest to `b` where they differ by no more than `most`, in `kept` values at most."""
    number, sum_a, sum_b = 0, 0.0, 0.0
    for k in range(a.shape[0]):
        if difference[k] <= most and number < kept:
            number += 1
            sum_a += a[k]
            sum_b += b[k]
    mean_a, mean_b = sum_a / kept, sum_b / kept
    number, power, shared = 0, 0.0, 0.0
    for k in range(a.shape[0]):
        if difference[k] <= most and number < kept:
            number += 1
            power += (a[k] - mean_a) * (a[k] - mean_a)
            shared += (a[k] - mean_a) * (b[k] - mean_b)
    gain = min(max(shared / power, 0.0), 2.0) if power > 0 else 1.0
    return gain, mean_b - gain * mean_a


@_kernel
def root_mean_square(planes, first, stop):  # type: ignore[no-untyped-def]
    """Of planes (planes, rows, columns), rows `first` to `stop` left out; 0 of nothing. Squares in single precision."""
    total, count = 0.0, 0
    for plane in range(planes.shape[0]):
        for y in range(planes.shape[1]):
            if first <= y < stop:
                continue
            line = planes[plane, y]
            count += line.shape[0]
            a, b, c, d = 0.0, 0.0, 0.0, 0.0
            whole = line.shape[0] // 4 * 4
            for x in range(0, whole, 4):  # four sums side by side: none waits for the others
                a += np.float64(line[x] * line[x])
                b += np.float64(line[x + 1] * line[x + 1])
                c += np.float64(line[x + 2] * line[x + 2])
                d += np.float64(line[x + 3] * line[x + 3])
            for x in range(whole, line.shape[0]):
                a += np.float64(line[x] * line[x])
            total += (a + b) + (c + d)
    return math.sqrt(total / count) if count else 0.0


@_kernel
def compensated(here, there, cell, border, least, difference, tone, counts):  # type: ignore[no-untyped-def]
    """Cells of two small pictures (height, width, logarithms and marks): their difference, their mean, and which count.

    A cell counts where nearly all of it is marked in both and lies off the border. All of (rows, columns, channels).
    """
    height, width, double = here.shape
    channels, scale = double // 2, np.float32(1.0) / np.float32(cell * cell)
    half = np.float32(0.5)
    for row in range(difference.shape[0]):
        for column in range(difference.shape[1]):
            for channel in range(channels):
                less, mean, marked = np.float32(0.0), np.float32(0.0), np.float32(0.0)
                for y in range(row * cell, row * cell + cell):
                    part, middle, mark = np.float32(0.0), np.float32(0.0), np.float32(0.0)
                    for x in range(column * cell, column * cell + cell):
                        one, two = here[y, x, channel], there[y, x, channel]
                        part += one - two
                        middle += half * (one + two)
                        off = (y < border) | (y >= height - border) | (x < border) | (x >= width - border)
                        if not off:
                            mark += here[y, x, channels + channel] * there[y, x, channels + channel]
                    less += part
                    mean += middle
                    marked += mark
                difference[row, column, channel] = less * scale
                tone[row, column, channel] = mean * scale
                counts[row, column, channel] = marked * scale > least


def warm() -> None:
    """Compile the loops once, so that the first frame is as fast as the rest.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> warm()
    """
    plane = np.zeros((16, 16), np.float32)
    a = np.zeros(64)
    seen_in_both(plane, plane, plane, plane, a, a.copy())
    calm_fit(a, a, a, 0.0, 1)
    for part in (plane[None], plane[None, 2:-2, 2:-2]):
        root_mean_square(part, 0, 0)
    cells = np.zeros((4, 4, 1), np.float32)
    pair = np.zeros((16, 16, 2), np.float32)
    compensated(pair, pair, 4, 2, 0.99, cells, cells.copy(), np.zeros((4, 4, 1), np.bool_))

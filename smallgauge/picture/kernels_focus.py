"""Compiled loops of `picture.focus`: energy of the picture's blocks, and one side of a perforation from its rows.

mean_plane     light            -> mean of its channels, reduced by a whole factor
block_means    smoothed plane   -> gradient energy and light of each block
follow_line    rows             -> robust line through their edges
bin_medians    rows laid over one another -> median of each quarter pixel
warm           compiles them once

Imported inside functions only. No fastmath: the same numbers everywhere.
"""

import numpy as np
from numba import njit

from smallgauge.picture.kernels_edges import find_middle

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")


@_kernel
def mean_plane(planes, top, left, factor, out):  # type: ignore[no-untyped-def]
    """Mean of the channels of light (channels, height, width), over squares of `factor` pixels from the corner on, in single
    precision."""
    scale, share = np.float32(1.0) / np.float32(factor * factor), np.float32(1.0 / planes.shape[0])
    sums = np.empty(out.shape[1], np.float32)
    for y in range(out.shape[0]):
        line = out[y]
        line[:] = 0.0
        for channel in range(planes.shape[0]):
            sums[:] = 0.0
            for row in range(factor):
                light = planes[channel, top + y * factor + row, left:]
                if factor == 2:
                    for x in range(sums.shape[0]):
                        sums[x] += light[2 * x] + light[2 * x + 1]
                else:
                    for x in range(sums.shape[0]):
                        for k in range(factor):
                            sums[x] += light[x * factor + k]
            for x in range(sums.shape[0]):
                line[x] += sums[x] * scale * share


@_kernel
def block_means(smooth, side, energy, light):  # type: ignore[no-untyped-def]
    """Squared gradient, of central differences over two pixels and 0 at the plane's edge, and light: means of whole blocks.

    In single precision, four pixels at a time, as OpenCV's area rule adds them; `side` is a multiple of four.
    """
    height, width = smooth.shape
    scale = np.float32(1.0) / np.float32(side * side)
    squares = np.empty(width, np.float32)
    nothing = np.zeros(width, np.float32)
    for row in range(energy.shape[0]):
        energy[row] = 0.0
        light[row] = 0.0
        for y in range(row * side, row * side + side):
            line = smooth[y]
            inner = 0 < y < height - 1
            above, below = (smooth[y - 1], smooth[y + 1]) if inner else (nothing, nothing)
            for x in range(1, width - 1):
                across, along = line[x + 1] - line[x - 1], below[x] - above[x]
                squares[x] = across * across + along * along
            for x in (0, width - 1):
                along = below[x] - above[x]
                squares[x] = along * along
            for column in range(energy.shape[1]):
                one, other = energy[row, column], light[row, column]
                for x in range(column * side, column * side + side, 4):
                    one += squares[x] + squares[x + 1] + squares[x + 2] + squares[x + 3]
                    other += line[x] + line[x + 1] + line[x + 2] + line[x + 3]
                energy[row, column], light[row, column] = one, other
        for column in range(energy.shape[1]):
            energy[row, column] *= scale
            light[row, column] *= scale


@_kernel
def follow_line(x, y, wide, least, steepest, fits):  # type: ignore[no-untyped-def]
    """Intercept and slope of a line by Tukey's biweight of this width, scale at least `least`, slope at most `steepest`."""
    residual, size = np.empty(x.shape[0]), np.empty(x.shape[0])
    for k in range(x.shape[0]):
        size[k] = y[k]
    intercept, slope = find_middle(size, x.shape[0]), 0.0
    for _ in range(fits):
        for k in range(x.shape[0]):
            residual[k] = y[k] - intercept - slope * x[k]
            size[k] = abs(residual[k])
        scale = wide * max(1.4826 * find_middle(size, x.shape[0]), least)
        total, sum_x, sum_y = 0.0, 0.0, 0.0
        for k in range(x.shape[0]):
            share = residual[k] / scale
            weight = max(1.0 - share * share, 0.0)
            size[k] = weight * weight
            total += size[k]
            sum_x += size[k] * x[k]
            sum_y += size[k] * y[k]
        mean_x, mean_y = sum_x / total, sum_y / total
        spread, product = 0.0, 0.0
        for k in range(x.shape[0]):
            spread += size[k] * (x[k] - mean_x) * (x[k] - mean_x)
            product += size[k] * (x[k] - mean_x) * (y[k] - mean_y)
        slope = product / spread if spread > 0 else 0.0
        slope = min(max(slope, -steepest), steepest)
        intercept = mean_y - slope * mean_x
    return intercept, slope


@_kernel
def bin_medians(distance, value, first, medians, counts):  # type: ignore[no-untyped-def]
    """Median value of each quarter pixel of distance, from quarter `first` on, and how many values it has; others are left out."""
    bins = medians.shape[0]
    counts[:] = 0
    for k in range(distance.shape[0]):
        place = int(np.rint(distance[k] * 4)) - first
        if 0 <= place < bins:
            counts[place] += 1
    begin = np.zeros(bins + 1, np.int64)
    for place in range(bins):
        begin[place + 1] = begin[place] + counts[place]
    sorted_in = np.empty(begin[bins])
    filled = begin[:bins].copy()
    for k in range(distance.shape[0]):
        place = int(np.rint(distance[k] * 4)) - first
        if 0 <= place < bins:
            sorted_in[filled[place]] = value[k]
            filled[place] += 1
    for place in range(bins):
        medians[place] = find_middle(sorted_in[begin[place] : begin[place + 1]], counts[place])


def warm() -> None:
    """Compile the loops once, so that the first frame is as fast as the rest.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> warm()
    """
    mean_plane(np.zeros((3, 2, 2), np.float32), 0, 0, 2, np.zeros((1, 1), np.float32))
    block_means(np.zeros((16, 16), np.float32), 16, *np.zeros((2, 1, 1), np.float32))
    rows = np.arange(8.0)
    follow_line(rows, rows, 4.685, 0.02, 0.03, 1)
    bin_medians(rows, rows, 0, np.empty(8), np.zeros(8, np.int64))

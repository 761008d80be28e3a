"""Compiled loops that find where light rises and falls in a small picture.

slopes_of_some   small picture           -> how steep some of its places are, across and down
mark_edges       small picture, leasts   -> its steepest places, by direction
warm             compiles them once

Imported inside functions only. Single precision, no fastmath: the same numbers everywhere.
"""

import numpy as np
from numba import njit

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")


@_kernel
def slopes_of_some(light, rows, columns, across, down):  # type: ignore[no-untyped-def]
    """Sizes of the slopes over two pixels at every so manieth row and column, into `across` and `down`; 0 at the picture's edge."""
    high, wide = light.shape
    for v in range(across.shape[0]):
        y = v * rows
        for u in range(across.shape[1]):
            x = u * columns
            across[v, u] = abs(light[y, x + 1] - light[y, x - 1]) if 0 < x < wide - 1 else np.float32(0.0)
            down[v, u] = abs(light[y + 1, x] - light[y - 1, x]) if 0 < y < high - 1 else np.float32(0.0)


@_kernel
def mark_edges(light, least_across, least_down, maps):  # type: ignore[no-untyped-def]
    """Local maxima of slopes above their leasts into `maps` (4, height, width) uint8: light that rises to the right, falls to the
    right, rises downwards and falls downwards. What a map held at the picture's edge is left."""
    high, wide = light.shape
    slope = np.zeros((4, wide), np.float32)  # along a line, and down from three lines
    for y in range(high):
        line, along, rises, falls = light[y], slope[0], maps[0, y], maps[1, y]
        for x in range(1, wide - 1):
            along[x] = line[x + 1] - line[x - 1]
        for x in range(1, wide - 1):
            here, before, after = along[x], along[x - 1], along[x + 1]
            rises[x] = (here > least_across) & (here >= before) & (here > after)
            falls[x] = (here < -least_across) & (here <= before) & (here < after)
    for y in range(high):
        new = slope[1 + y % 3]
        if 0 < y < high - 1:
            below, above = light[y + 1], light[y - 1]
            for x in range(wide):
                new[x] = below[x] - above[x]
        else:
            new[:] = 0.0
        if y < 2:
            continue
        one, two = slope[1 + (y - 2) % 3], slope[1 + (y - 1) % 3]
        rises, falls = maps[2, y - 1], maps[3, y - 1]
        for x in range(wide):
            rises[x] = (two[x] > least_down) & (two[x] >= one[x]) & (two[x] > new[x])
            falls[x] = (two[x] < -least_down) & (two[x] <= one[x]) & (two[x] < new[x])


def warm() -> None:
    """Compile the loops once, so that the first frame is as fast as the rest.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> warm()
    """
    from smallgauge.picture.perforation_votes import find_edge_peaks

    find_edge_peaks(np.zeros((4, 4), np.float32))

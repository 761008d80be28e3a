"""Compiled loops of the analysis: code values to light, each channel in a plane of its own.

look_up_planes   R G B of each pixel -> light of the red, green and blue plane
warm             compiles it once

Imported inside functions only. The numbers are the table's, whichever way they come.
"""

import numpy as np
from numba import njit

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")


@_kernel
def _straight(table):  # type: ignore[no-untyped-def]
    """Light of one code step and the last code of no light, where every entry is their product rounded once; else 0, 0."""
    last = table.shape[0] - 1
    black = 0
    while black < last and table[black + 1] == 0.0:
        black += 1
    gate = black
    while gate < last and table[gate] < 1.0:
        gate += 1
    if gate == black or table[gate] != 1.0:
        return 0.0, 0
    slope = 1.0 / (gate - black)
    for code in range(last + 1):
        if np.float32(max(code - black, 0) * slope) != table[code]:
            return 0.0, 0
    return slope, black


@_kernel
def look_up_planes(samples, table, planes):  # type: ignore[no-untyped-def]
    """Codes (height, 3 width) into `planes` (3, height, width) in one pass; a code beyond the table counts as its last.

    A table that is a straight line is worked out for whole rows at once, which gives the same numbers.
    """
    last = table.shape[0] - 1
    slope, black = _straight(table)
    most, least = np.int32(last), np.int32(black)
    for y in range(planes.shape[1]):
        line, reds, greens, blues = samples[y], planes[0, y], planes[1, y], planes[2, y]
        if slope > 0.0:
            for x in range(planes.shape[2]):
                red, green, blue = np.int32(line[3 * x]), np.int32(line[3 * x + 1]), np.int32(line[3 * x + 2])
                reds[x] = np.float32(np.float64(np.int32(max(min(red, most), least) - least)) * slope)
                greens[x] = np.float32(np.float64(np.int32(max(min(green, most), least) - least)) * slope)
                blues[x] = np.float32(np.float64(np.int32(max(min(blue, most), least) - least)) * slope)
        else:
            for x in range(planes.shape[2]):
                reds[x] = table[min(np.int64(line[3 * x]), last)]
                greens[x] = table[min(np.int64(line[3 * x + 1]), last)]
                blues[x] = table[min(np.int64(line[3 * x + 2]), last)]


def warm() -> None:
    """Compile the loops once, so that the first frame is as fast as the rest.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> warm()
    """
    for kind in (np.uint8, np.uint16):
        look_up_planes(np.zeros((2, 6), kind), np.zeros(256, np.float32), np.zeros((3, 2, 2), np.float32))

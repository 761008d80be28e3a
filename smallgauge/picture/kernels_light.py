"""Compiled loops of the analysis: code values to light, each channel in a plane of its own.

look_up_planes   R G B of each pixel -> light of the red, green and blue plane
warm             compiles it once

Imported inside functions only. The numbers are the table's, whichever way they come.
"""

import numpy as np
from numba import njit

from smallgauge.picture.kernels_rows import on_line, straight_line

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")


@_kernel
def look_up_planes(samples, table, planes):  # type: ignore[no-untyped-def]
    """Codes (height, 3 width) into `planes` (3, height, width) in one pass; a code beyond the table counts as its last.

    A table that is a straight line is worked out for whole rows at once, which gives the same numbers.
    """
    last = table.shape[0] - 1
    straight = straight_line(table)
    for y in range(planes.shape[1]):
        line, reds, greens, blues = samples[y], planes[0, y], planes[1, y], planes[2, y]
        if straight[0] > 0.0:
            for x in range(planes.shape[2]):
                reds[x] = on_line(line[3 * x], straight)
                greens[x] = on_line(line[3 * x + 1], straight)
                blues[x] = on_line(line[3 * x + 2], straight)
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

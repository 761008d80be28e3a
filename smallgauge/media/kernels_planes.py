"""Compiled loop of the readers: three planes laid beside one another, pixel by pixel.

lay_planes   red, green, blue planes -> R G B of each pixel
warm         compiles it once

Imported inside functions only. Nothing is computed: codes are copied.
"""

import numpy as np
from numba import njit


@njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")
def lay_planes(red, green, blue, out):  # type: ignore[no-untyped-def]
    """Three planes (height, at least width) into `out` (height, 3 width), in one pass; all of one kind."""
    for y in range(out.shape[0]):
        reds, greens, blues, line = red[y], green[y], blue[y], out[y]
        for x in range(out.shape[1] // 3):
            line[3 * x] = reds[x]
            line[3 * x + 1] = greens[x]
            line[3 * x + 2] = blues[x]


def warm() -> None:
    """Compile the loop once, so that the first frame is as fast as the rest.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> warm()
    """
    for kind in (np.uint8, np.uint16):
        lay_planes(*np.zeros((3, 2, 2), kind), np.zeros((2, 6), kind))

"""Compiled loops of readers and writers: planes of codes and codes beside one another, pixel by pixel.

lay_planes     red, green, blue planes -> R G B of each pixel
split_planes   R G B of each pixel -> red, green, blue planes
warm           compiles them once

Imported inside functions only. Nothing is computed: codes are copied.
"""

import numpy as np
from numba import njit

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")


@_kernel
def lay_planes(red, green, blue, out):  # type: ignore[no-untyped-def]
    """Three planes (height, at least width) into `out` (height, 3 width), in one pass; all of one kind."""
    for y in range(out.shape[0]):
        reds, greens, blues, line = red[y], green[y], blue[y], out[y]
        for x in range(out.shape[1] // 3):
            line[3 * x] = reds[x]
            line[3 * x + 1] = greens[x]
            line[3 * x + 2] = blues[x]


@_kernel
def split_planes(pixels, red, green, blue):  # type: ignore[no-untyped-def]
    """R G B in `pixels` (height, 3 width) into three planes (height, at least width), in one pass; all of one kind."""
    for y in range(pixels.shape[0]):
        line, reds, greens, blues = pixels[y], red[y], green[y], blue[y]
        for x in range(pixels.shape[1] // 3):
            reds[x] = line[3 * x]
            greens[x] = line[3 * x + 1]
            blues[x] = line[3 * x + 2]


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
        lay_planes(*np.zeros((3, 2, 2), kind), np.zeros((2, 6), kind))
    split_planes(np.zeros((2, 6), np.uint16), *np.zeros((3, 2, 2), np.uint16))

"""Compiled loops for what stands still in the scanner.

green_of       the light that is looked at, NaN as darkness
stand_out      light and light around -> how far each pixel stands out, in steps, and whether there is light enough
warm           compiles them once

Imported inside functions only.
"""

import numpy as np
from numba import njit

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")


@_kernel
def green_of(light, plane):  # type: ignore[no-untyped-def]
    """Light (height, width), of any strides, into `plane`: NaN as 0, what is beyond all numbers as the largest."""
    most = np.finfo(np.float32).max
    for y in range(plane.shape[0]):
        for x in range(plane.shape[1]):
            value = light[y, x]
            plane[y, x] = np.float32(0.0) if value != value else min(max(value, -most), most)


@_kernel
def stand_out(plane, around, darkest, most, steps, fine, seen):  # type: ignore[no-untyped-def]
    """Light over that around it, less 1, within `most`, in whole steps; 0 where the light around is `darkest` or less."""
    for y in range(plane.shape[0]):
        for x in range(plane.shape[1]):
            here = around[y, x]
            out = plane[y, x] / max(here, darkest) - np.float32(1.0)
            step = np.rint(min(max(out, -most), most) * steps)
            seen[y, x] = here > darkest
            fine[y, x] = np.int16(step) if here > darkest else np.int16(0)


def warm() -> None:
    """Compile the loops once, so that the first frame is as fast as the rest.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> warm()
    """
    light, plane = np.zeros((2, 2, 3), np.float32), np.zeros((2, 2), np.float32)
    planes = np.zeros((3, 2, 2), np.float32).transpose(1, 2, 0)
    for each in (plane, light[:, :, 1], planes[:, :, 1]):
        green_of(each, plane)
    one = np.float32(1.0)
    stand_out(plane, plane, one, one, one, np.zeros((2, 2), np.int16), np.zeros((2, 2), np.uint8))

"""Compiled loops of readers and writers: planes of codes and codes beside one another, pixel by pixel.

lay_planes     red, green, blue planes -> R G B of each pixel
split_planes   R G B of each pixel -> red, green, blue planes
reduce_codes   codes -> means over squares of pixels
warm           compiles them once

Imported inside functions only. The first two copy codes and compute nothing.
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


@_kernel
def reduce_codes(lines, channels, factor, out):  # type: ignore[no-untyped-def]
    """Codes (height, at least width x channels) into means over squares of `factor` pixels, rounded as OpenCV's area rule does.

    That is to the nearest code, from half way between two to the even one, but upwards over squares of two. The sum of a
    square's codes must stay below 2^24, which single precision holds: a factor of 16 in 16 bits.
    """
    scale, half = np.float32(1.0) / np.float32(factor * factor), np.float32(0.5)
    sums = np.empty(out.shape[1] * factor, np.uint32)
    for y in range(out.shape[0]):
        line, mine = lines[y * factor], out[y]
        for x in range(sums.shape[0]):
            sums[x] = line[x]
        for row in range(1, factor):
            line = lines[y * factor + row]
            for x in range(sums.shape[0]):
                sums[x] += line[x]
        if channels == 3 and factor == 4:  # of 2048 columns: written out, it takes half the time
            for x in range(mine.shape[0] // 3):
                for channel in range(3):
                    at = 12 * x + channel
                    total = (sums[at] + sums[at + 3]) + (sums[at + 6] + sums[at + 9])
                    mine[3 * x + channel] = np.rint(np.float32(total) * scale)
            continue
        for x in range(mine.shape[0]):
            at = x // channels * factor * channels + x % channels
            total = np.uint32(0)
            for _ in range(factor):
                total += sums[at]
                at += channels
            mean = np.float32(total) * scale
            mine[x] = np.floor(mean + half) if factor == 2 else np.rint(mean)


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
        reduce_codes(np.zeros((2, 6), kind), 3, 2, np.zeros((1, 3), kind))
    split_planes(np.zeros((2, 6), np.uint16), *np.zeros((3, 2, 2), np.uint16))

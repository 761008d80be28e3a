"""Compiled loops of dirt: three pictures through their flows, spikes in time, and what is around them.

spikes      picture, the two beside it, their flows  -> how far each pixel stands out of both, in its grain
predict     picture beside, its flow                 -> that picture carried to this one
warm        compiles all of it once

Imported inside functions only. No fastmath: the same input gives the same numbers on every x86-64 machine.
"""

from typing import Any

import numpy as np
from numba import njit

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")


@_kernel
def _lerp(picture, x, y):  # type: ignore[no-untyped-def]
    """Between four pixels, the edge's own beyond the edge."""
    height, width = picture.shape
    x = min(max(x, np.float32(0.0)), np.float32(width - 1))
    y = min(max(y, np.float32(0.0)), np.float32(height - 1))
    i, j = min(int(x), width - 2), min(int(y), height - 2)
    a, b = x - np.float32(i), y - np.float32(j)
    up = picture[j, i] + a * (picture[j, i + 1] - picture[j, i])
    low = picture[j + 1, i] + a * (picture[j + 1, i + 1] - picture[j + 1, i])
    return up + b * (low - up)


@_kernel
def predict(picture, flow, offset, step, where, out):  # type: ignore[no-untyped-def]
    """`picture` (height, width) carried by `flow` and brought to level by `offset` (both coarse by `step`), into `out`.

    Only where `where`, as coarse, is not 0.
    """
    high, wide = offset.shape
    half, one = np.float32(0.5), np.float32(1.0)
    scale, finer = np.float32(step), np.float32(1.0 / step)
    u, v = np.empty(wide, np.float32), np.empty(wide, np.float32)
    for y in range(out.shape[0]):
        oy = min(y // step, high - 1)
        fy = min(max((np.float32(y) + half) * finer - half, np.float32(0.0)), np.float32(high - 1))
        j = min(int(fy), high - 2)
        b = fy - np.float32(j)
        any_here = False
        for k in range(wide):
            if where[oy, k] != 0:
                any_here = True
                break
        if not any_here:
            continue
        for k in range(wide):  # the row's own flow, as coarse across
            u[k] = (flow[j, k, 0] * (one - b) + flow[j + 1, k, 0] * b) * scale
            v[k] = (flow[j, k, 1] * (one - b) + flow[j + 1, k, 1] * b) * scale
        for ox in range(wide):
            if where[oy, ox] == 0:
                continue
            level = offset[oy, ox]
            first = ox * step
            stop = out.shape[1] if ox == wide - 1 else first + step
            for x in range(first, stop):
                fx = min(max((np.float32(x) + half) * finer - half, np.float32(0.0)), np.float32(wide - 1))
                i = min(int(fx), wide - 2)
                a = fx - np.float32(i)
                moved_x = np.float32(x) + u[i] + a * (u[i + 1] - u[i])
                moved_y = np.float32(y) + v[i] + a * (v[i + 1] - v[i])
                out[y, x] = _lerp(picture, moved_x, moved_y) + level


@_kernel
def spikes(now, before, after, sigma, limits, detail, far, near):  # type: ignore[no-untyped-def]
    """How far each pixel stands out of both predictions, in deviations of its grain, signed; the farther goes into `far`, `near`.

    `now`, and `before` and `after` as predicted for it (height, width). `sigma` is the grain's deviation by level, an array over
    0 to 255. `limits`: deviations from which a pixel counts, strictly and loosely. For `far` the references are nine pixels of
    either prediction (rank-ordered differences, the largest), and `detail` of their own spread is added to the limit: edges are
    never carried exactly; for `near` the pixel's own alone.
    """
    height, width = now.shape
    zero = np.float32(0.0)
    last = sigma.shape[0] - 1
    least, loose = limits
    for y in range(height):
        up, low = max(y - 1, 0), min(y + 1, height - 1)
        for x in range(width):
            p, n, value = before[y, x], after[y, x], now[y, x]
            dp, dn = value - p, value - n
            if (dp > zero) != (dn > zero):
                continue
            level = sigma[min(max(int(np.float32(0.5) * (p + n)), 0), last)]
            smaller = min(abs(dp), abs(dn))
            if smaller < loose * level:
                continue
            share = smaller / level
            if share > abs(near[y, x]):
                near[y, x] = share if dp > zero else -share
            limit = least * level
            if smaller < limit:
                continue
            left, right = max(x - 1, 0), min(x + 1, width - 1)
            high = small = p
            for row in (up, y, low):
                for column in (left, x, right):
                    one, two = before[row, column], after[row, column]
                    high = max(high, max(one, two))
                    small = min(small, min(one, two))
            limit += detail * (high - small)
            out = value - high if dp > zero else small - value
            if out > limit and out / level > abs(far[y, x]):
                far[y, x] = out / level if dp > zero else -out / level


def warm() -> None:
    """Compile every loop of this file for the types that it is called with."""
    small: Any = np.zeros((8, 8), np.float32)
    flow: Any = np.zeros((4, 4, 2), np.float32)
    out: Any = np.zeros((8, 8), np.float32)
    predict(small, flow, np.zeros((4, 4), np.float32), 2, np.ones((4, 4), np.uint8), out)
    limits = np.float32(3.7), np.float32(2.0)
    spikes(
        small,
        small,
        small,
        np.ones(256, np.float32),
        limits,
        np.float32(0.1),
        out,
        np.zeros((8, 8), np.float32),
    )

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
def _flow_at(flow, x, y, step):  # type: ignore[no-untyped-def]
    """Flow at a pixel of the whole picture from a field that is `step` times as coarse; px of the whole picture."""
    high, wide = flow.shape[0], flow.shape[1]
    half = np.float32(0.5)
    fx = (np.float32(x) + half) / np.float32(step) - half
    fy = (np.float32(y) + half) / np.float32(step) - half
    fx = min(max(fx, np.float32(0.0)), np.float32(wide - 1))
    fy = min(max(fy, np.float32(0.0)), np.float32(high - 1))
    i, j = min(int(fx), wide - 2), min(int(fy), high - 2)
    a, b = fx - np.float32(i), fy - np.float32(j)
    u = (flow[j, i, 0] + a * (flow[j, i + 1, 0] - flow[j, i, 0])) * (np.float32(1.0) - b) + b * (
        flow[j + 1, i, 0] + a * (flow[j + 1, i + 1, 0] - flow[j + 1, i, 0])
    )
    v = (flow[j, i, 1] + a * (flow[j, i + 1, 1] - flow[j, i, 1])) * (np.float32(1.0) - b) + b * (
        flow[j + 1, i, 1] + a * (flow[j + 1, i + 1, 1] - flow[j + 1, i, 1])
    )
    return u * np.float32(step), v * np.float32(step)


@_kernel
def predict(picture, flow, offset, step, where, out):  # type: ignore[no-untyped-def]
    """`picture` (height, width) carried by `flow` and brought to level by `offset` (both coarse by `step`), into `out`.

    Only where `where`, as coarse, is not 0.
    """
    high, wide = offset.shape
    for y in range(out.shape[0]):
        oy = min(y // step, high - 1)
        for x in range(out.shape[1]):
            if where[oy, min(x // step, wide - 1)] == 0:
                continue
            u, v = _flow_at(flow, x, y, step)
            out[y, x] = (
                _lerp(picture, np.float32(x) + u, np.float32(y) + v) + offset[oy, min(x // step, wide - 1)]
            )


@_kernel
def spikes(now, before, after, sigma, least, detail, strict, out):  # type: ignore[no-untyped-def]
    """How far each pixel stands out of both predictions, in deviations of its grain, signed, into `out` (float32).

    `now`, and `before` and `after` as predicted for it (height, width). `sigma` is the grain's deviation by level, an array over
    0 to 255. A pixel counts from `least` deviations on (0 below). Where `strict`, the references are nine pixels of either
    prediction (rank-ordered differences, the largest), and `detail` of their own spread is added to the limit, since
    edges are never carried exactly; else the pixel's own alone.
    """
    height, width = now.shape
    zero = np.float32(0.0)
    last = sigma.shape[0] - 1
    for y in range(height):
        up, low = max(y - 1, 0), min(y + 1, height - 1)
        for x in range(width):
            p, n, value = before[y, x], after[y, x], now[y, x]
            out[y, x] = zero
            dp, dn = value - p, value - n
            if (dp > zero) != (dn > zero):
                continue
            middle = np.float32(0.5) * (p + n)
            level = min(max(int(middle), 0), last)
            limit = least * sigma[level]
            if abs(dp) < limit or abs(dn) < limit:
                continue
            if not strict:
                out[y, x] = (dp if abs(dp) < abs(dn) else dn) / sigma[level]
                continue
            left, right = max(x - 1, 0), min(x + 1, width - 1)
            high = small = p
            for row in (up, y, low):
                for column in (left, x, right):
                    one, two = before[row, column], after[row, column]
                    high = max(high, max(one, two))
                    small = min(small, min(one, two))
            limit += detail * (high - small)
            far = value - high if dp > zero else small - value
            if far > limit:
                out[y, x] = (far if dp > zero else -far) / sigma[level]


def warm() -> None:
    """Compile every loop of this file for the types that it is called with."""
    small: Any = np.zeros((8, 8), np.float32)
    flow: Any = np.zeros((4, 4, 2), np.float32)
    out: Any = np.zeros((8, 8), np.float32)
    predict(small, flow, np.zeros((4, 4), np.float32), 2, np.ones((4, 4), np.uint8), out)
    spikes(small, small, small, np.ones(256, np.float32), np.float32(3.7), np.float32(0.1), True, out)

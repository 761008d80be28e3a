"""Compiled loops of dirt: three pictures through their flows, spikes in time, and what is around them.

spikes      picture, the two beside it, carried      -> how far each pixel stands out of both, in its grain
spread      the same of copies of half the size      -> into that of the whole picture
grow        all these                                -> pixels that hang together around what stands out
settle      places around a blob, a picture beside -> the stiff move that carries them best
predict     picture beside, its flow                 -> spots of that picture carried to this one
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
def spikes(now, before, after, sigma, least, detail, far):  # type: ignore[no-untyped-def]
    """How far each pixel stands out of both predictions, in deviations of its grain, signed; the farther goes into `far`.

    `now`, and `before` and `after` as predicted for it (height, width). `sigma` is the grain's deviation by level, an array over
    0 to 255. The references are nine pixels of either prediction (rank-ordered differences, the largest); `least` deviations
    count, and `detail` of the references' own spread is added to that: edges are never carried exactly.
    """
    height, width = now.shape
    last = sigma.shape[0] - 1
    floor = least * sigma.min()
    smaller = np.empty(width, np.float32)
    for y in range(height):
        up, low = max(y - 1, 0), min(y + 1, height - 1)
        for x in range(width):  # without a branch: above 0 where both differ one way
            dp, dn = now[y, x] - before[y, x], now[y, x] - after[y, x]
            smaller[x] = max(min(dp, dn), -max(dp, dn))
        for x in range(width):
            if smaller[x] < floor:
                continue
            p, n, value = before[y, x], after[y, x], now[y, x]
            level = sigma[min(max(int(np.float32(0.5) * (p + n)), 0), last)]
            limit = least * level
            if smaller[x] < limit:
                continue
            left, right = max(x - 1, 0), min(x + 1, width - 1)
            high = small = p
            for row in (up, y, low):
                for column in (left, x, right):
                    one, two = before[row, column], after[row, column]
                    high = max(high, max(one, two))
                    small = min(small, min(one, two))
            limit += detail * (high - small)
            light = value > p
            out = value - high if light else small - value
            if out > limit and out / level > abs(far[y, x]):
                far[y, x] = out / level if light else -out / level


@_kernel
def spread(coarse, far):  # type: ignore[no-untyped-def]
    """What stands out in copies of half the size, into `far` where it stands out farther."""
    height, width = far.shape
    zero = np.float32(0.0)
    for j in range(coarse.shape[0]):
        for i in range(coarse.shape[1]):
            value = coarse[j, i]
            if value == zero:
                continue
            for y in range(2 * j, min(2 * j + 2, height)):
                for x in range(2 * i, min(2 * i + 2, width)):
                    if abs(value) > abs(far[y, x]):
                        far[y, x] = value


@_kernel
def _stands(now, before, after, sigma, y, x, sign):  # type: ignore[no-untyped-def]
    """Deviations of the grain by which a pixel stands out of both predictions one way; 0 or below where it doesn't."""
    p, n = before[y, x], after[y, x]
    level = sigma[min(max(int(np.float32(0.5) * (p + n)), 0), sigma.shape[0] - 1)]
    return min(sign * (now[y, x] - p), sign * (now[y, x] - n)) / level


@_kernel
def grow(sharp, soft, sigmas, far, limits, places, strengths, stops, peaks):  # type: ignore[no-untyped-def]
    """Pixels that hang together, one way, around each that stands out by the first of `limits`; returns how many blobs.

    A pixel belongs where `far` says so, or where it stands out by the second of `limits` in `sharp` or `soft` (each: now, before,
    after), whose grain is `sigmas`. Their places (row times width and column) go into `places`, how far they stand out into
    `strengths`, blob by blob; where a blob's end is into `stops`, its largest of `far` into `peaks`. Ends when `stops` is full.
    """
    height, width = far.shape
    seed, loose = limits
    zero = np.float32(0.0)
    seen = np.zeros((height, width), np.uint8)
    count = filled = 0
    for y0 in range(height):
        for x0 in range(width):
            value = far[y0, x0]
            if abs(value) < seed:
                continue
            sign, bit = (np.float32(1.0), 1) if value > zero else (np.float32(-1.0), 2)
            if seen[y0, x0] & bit or count == stops.shape[0]:
                continue
            first, peak = filled, zero
            seen[y0, x0] |= bit
            places[filled] = y0 * width + x0
            filled += 1
            at = first
            while at < filled:
                y, x = places[at] // width, places[at] % width
                own = sign * far[y, x]
                peak = max(peak, own)
                near = _stands(sharp[0], sharp[1], sharp[2], sigmas[0], y, x, sign)
                near = max(near, _stands(soft[0], soft[1], soft[2], sigmas[1], y, x, sign))
                strengths[at] = max(near, own)
                at += 1
                for row in range(max(y - 1, 0), min(y + 2, height)):
                    for column in range(max(x - 1, 0), min(x + 2, width)):
                        if seen[row, column] & bit:
                            continue
                        belongs = sign * far[row, column] > zero
                        if not belongs:
                            near = _stands(sharp[0], sharp[1], sharp[2], sigmas[0], row, column, sign)
                            belongs = near >= loose
                        if not belongs:
                            near = _stands(soft[0], soft[1], soft[2], sigmas[1], row, column, sign)
                            belongs = near >= loose
                        if belongs:
                            seen[row, column] |= bit
                            places[filled] = row * width + column
                            filled += 1
            stops[count] = filled
            peaks[count] = peak
            count += 1
    return count


@_kernel
def _differ(values, beside, y, x, scale, across, down, best):  # type: ignore[no-untyped-def]
    """Mean difference of places from those of `beside` that a move leads to, each by `scale`; infinite where it exceeds `best`.

    Places that are led out of the picture do not count; half of them must stay in it.
    """
    height, width = beside.shape
    count, total, used = y.shape[0], np.float32(0.0), 0
    limit = best * np.float32(count)
    for k in range(count):
        u, v = np.float32(x[k]) + across, np.float32(y[k]) + down
        if u < 0 or v < 0 or u > width - 1 or v > height - 1:
            continue
        total += min(abs(values[k] - _lerp(beside, u, v)) * scale[k], np.float32(6.0))
        used += 1
        if total > limit:
            return np.float32(np.inf)
    if 2 * used < count:
        return np.float32(np.inf)
    return total / np.float32(used)


@_kernel
def settle(now, beside, level, y, x, sigma, moves, reach):  # type: ignore[no-untyped-def]
    """The move (across, down) that carries places best into `beside`, to a quarter of a pixel, and the mean difference then.

    `moves` (count, 2), whole pixels, are tried with what is up to `reach` around them. Differences are in deviations of the grain,
    `sigma` by level.
    """
    count = y.shape[0]
    values, scale = np.empty(count, np.float32), np.empty(count, np.float32)
    for k in range(count):
        value = now[y[k], x[k]]
        values[k] = value - level
        scale[k] = np.float32(1.0) / sigma[min(max(int(value), 0), sigma.shape[0] - 1)]
    best = np.float32(np.inf)
    across = down = np.float32(0.0)
    for n in range(moves.shape[0]):
        for j in range(-reach, reach + 1):
            for i in range(-reach, reach + 1):
                u, v = np.float32(moves[n, 0] + i), np.float32(moves[n, 1] + j)
                differ = _differ(values, beside, y, x, scale, u, v, best)
                if differ < best:
                    best, across, down = differ, u, v
    for finer in (np.float32(0.5), np.float32(0.25)):
        from_u, from_v = across, down
        for j in range(-1, 2):
            for i in range(-1, 2):
                u, v = from_u + np.float32(i) * finer, from_v + np.float32(j) * finer
                differ = _differ(values, beside, y, x, scale, u, v, best)
                if differ < best:
                    best, across, down = differ, u, v
    return across, down, best


def warm() -> None:
    """Compile every loop of this file for the types that it is called with."""
    small: Any = np.zeros((8, 8), np.float32)
    flow: Any = np.zeros((4, 4, 2), np.float32)
    out: Any = np.zeros((8, 8), np.float32)
    predict(small, flow, np.zeros((4, 4), np.float32), 2, np.ones((4, 4), np.uint8), out)
    sigma: Any = np.ones(256, np.float32)
    spikes(small, small, small, sigma, np.float32(3.7), np.float32(0.1), out)
    spread(np.zeros((4, 4), np.float32), out)
    three = small, small, small
    limits = np.float32(4.5), np.float32(2.0)
    grow(
        three,
        three,
        (sigma, sigma),
        out,
        limits,
        np.zeros(128, np.int32),
        np.zeros(128, np.float32),
        np.zeros(4, np.int64),
        np.zeros(4, np.float32),
    )
    places = np.zeros(4, np.int64)
    settle(small, small, np.float32(0.0), places, places, sigma, np.zeros((1, 2), np.int64), 1)

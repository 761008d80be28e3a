"""Compiled loops that follow what stands still from one small picture to the next.

follow_shift     two reduced planes -> how far the picture moved, by steps of least squares
agree_shifted    two reduced planes -> how well they agree, whole pixels apart
warm             compiles all of it once

Imported inside functions only. No fastmath: the same input gives the same numbers on every x86-64 machine. Sums are made
column by column and then along the line, in loops of few arrays from 0 on: so neighbours are added at once without fastmath.
"""

import numpy as np
from numba import njit

from smallgauge.picture.resample import REACH, TAP_POLYNOMIALS, TAPS

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")


@_kernel
def _tap_weights(fraction, weights):  # type: ignore[no-untyped-def]
    """Weights of the interpolator's taps for a place between two pixels, as `interpolation_weights` has them."""
    centred = fraction - 0.5
    square = centred * centred
    half = TAPS // 2
    for tap in range(half):
        p = TAP_POLYNOMIALS[tap]
        even = ((p[6] * square + p[4]) * square + p[2]) * square + p[0]
        odd = ((p[5] * square + p[3]) * square + p[1]) * centred
        weights[tap] = even + odd
        weights[TAPS - 1 - tap] = even - odd


@_kernel
def _lay_shifted(plane, left, top, weights, along, out, columns):  # type: ignore[no-untyped-def]
    """`plane` at whole places plus a fraction: twelve taps along rows, then down columns, from (left, top) on; all inside.

    Fills so many columns of `out`.
    """
    rows = out.shape[0]
    across, downwards = weights[0], weights[1]
    for v in range(rows + TAPS - 1):
        line, source = along[v], plane[top + v, left:]
        for x in range(columns):
            total = across[0] * source[x]
            for tap in range(1, TAPS):
                total += across[tap] * source[x + tap]
            line[x] = total
    for y in range(rows):
        line = out[y]
        for x in range(columns):
            total = downwards[0] * along[y, x]
            for tap in range(1, TAPS):
                total += downwards[tap] * along[y + tap, x]
            line[x] = total


@_kernel
def _weigh(first, place, other, gain, offset, scale, weight, lines):  # type: ignore[no-untyped-def]
    """Biweights of what is left, and weighted sums: 1, one, other, one one, one other, other other.

    `place` (4,): top, left, rows, columns of the part of `first` that `other` and `weight` begin with; two pixels short of
    every border are looked at. `lines` (7, columns - 4): weights of a line, and sums of each column, in loops of few arrays
    from 0 on, which neighbours go through at once.
    """
    top, left, rows, columns = place
    weights, n, sx, sy = lines[0], lines[1], lines[2], lines[3]
    sxx, sxy, syy = lines[4], lines[5], lines[6]
    lines[:] = 0.0
    narrower = 1.0 / scale if scale > 0.0 else 0.0
    for y in range(2, rows - 2):
        one, two = first[top + y, left + 2 : left + columns - 2], other[y, 2 : columns - 2]
        line = weight[y, 2 : columns - 2]
        for x in range(one.shape[0]):
            part = (np.float64(two[x]) - gain * np.float64(one[x]) - offset) * narrower
            w = 1.0 - part * part
            w = w if w > 0.0 else 0.0
            weights[x] = w * w
        for x in range(one.shape[0]):
            line[x] = weights[x]
            n[x] += weights[x]
        for x in range(one.shape[0]):
            part = weights[x] * np.float64(one[x])
            sx[x] += part
            sxx[x] += part * np.float64(one[x])
        for x in range(one.shape[0]):
            part = weights[x] * np.float64(two[x])
            sy[x] += part
            syy[x] += part * np.float64(two[x])
        for x in range(one.shape[0]):
            sxy[x] += weights[x] * np.float64(one[x]) * np.float64(two[x])
    return n.sum(), sx.sum(), sy.sum(), sxx.sum(), sxy.sum(), syy.sum()


@_kernel
def _median_off(first, place, other, gain, offset, every):  # type: ignore[no-untyped-def]
    """Median size of what is left, of every so many pixels of every other row."""
    top, left, rows, columns = place
    size = np.empty(((rows - 3) // 2) * ((columns - 4 + every - 1) // every), np.float32)
    n = 0
    for y in range(2, rows - 2, 2):
        one, two = first[top + y, left : left + columns], other[y]
        for x in range(2, columns - 2, every):
            size[n] = abs(two[x] - gain * one[x] - offset)
            n += 1
    return np.median(size[:n])


@_kernel
def _slopes(plane, y, left, along, down):  # type: ignore[no-untyped-def]
    """Twelve times the slopes of a line across and down, by five points, from column `left` on."""
    count = along.shape[0]
    after, before = plane[y, left + 1 : left + 1 + count], plane[y, left - 1 : left - 1 + count]
    far_after, far_before = plane[y, left + 2 : left + 2 + count], plane[y, left - 2 : left - 2 + count]
    for x in range(count):
        along[x] = 8.0 * (after[x] - before[x]) - (far_after[x] - far_before[x])
    above, below = plane[y - 1, left : left + count], plane[y + 1, left : left + count]
    far_above, far_below = plane[y - 2, left : left + count], plane[y + 2, left : left + count]
    for x in range(count):
        down[x] = 8.0 * (below[x] - above[x]) - (far_below[x] - far_above[x])


@_kernel
def _add_slopes(first, place, other, y, gain, offset, weight, slopes, sums):  # type: ignore[no-untyped-def]
    """One line's products onto `sums` (6, columns - 4): slopes with what is left, across and down; energy xx, xy, yy; the
    last one is room to work in, as `slopes` (4, columns - 4) is."""
    top, left, _, columns = place
    ax, ay, bx, by = slopes[0], slopes[1], slopes[2], slopes[3]
    along, down, xx, xy, yy, off = sums[0], sums[1], sums[2], sums[3], sums[4], sums[5]
    _slopes(first, top + y, left + 2, ax, ay)
    _slopes(other, y, 2, bx, by)
    one, two = first[top + y, left + 2 : left + columns - 2], other[y, 2 : columns - 2]
    line = weight[y, 2 : columns - 2]
    for x in range(one.shape[0]):
        off[x] = np.float64(line[x]) * (np.float64(two[x]) - gain * np.float64(one[x]) - offset)
    for x in range(one.shape[0]):
        along[x] += (gain * ax[x] + bx[x]) * off[x]
    for x in range(one.shape[0]):
        down[x] += (gain * ay[x] + by[x]) * off[x]
    for x in range(one.shape[0]):
        xx[x] += np.float64(line[x]) * ax[x] * bx[x]
    for x in range(one.shape[0]):
        xy[x] += np.float64(line[x]) * (ax[x] * by[x] + ay[x] * bx[x])
    for x in range(one.shape[0]):
        yy[x] += np.float64(line[x]) * ay[x] * by[x]


@_kernel
def _solve_shift(first, place, other, weight, numbers):  # type: ignore[no-untyped-def]
    """One step of least squares between a part of a plane and another as large: step x, y, its variance, and the
    correlation; NaN where nothing in them tells the step."""
    _, _, rows, columns = place
    rounds, every, tile = int(numbers[2]), int(numbers[3]), int(numbers[6])
    lines, slopes = np.empty((7, columns - 4)), np.empty((4, columns - 4))
    gain, offset = 1.0, 0.0
    n, sx, sy, sxx, sxy, syy = _weigh(first, place, other, gain, offset, 0.0, weight, lines)
    for _ in range(rounds):
        power = sxx - sx * sx / n
        gain = (sxy - sx * sy / n) / power if power > 0.0 else 0.0
        offset = (sy - gain * sx) / n
        scale = 1.4826 * _median_off(first, place, other, gain, offset, every)
        if scale <= 0.0:
            break
        n, sx, sy, sxx, sxy, syy = _weigh(
            first, place, other, gain, offset, numbers[1] * scale, weight, lines
        )
    down = max(1, (rows - 5 + tile - tile // 2) // tile)
    across = max(1, (columns - 5 + tile - tile // 2) // tile)
    sums = lines[:6]
    sums[:] = 0.0
    along = below = along_along = along_below = below_below = 0.0
    for row in range(down):
        sums[:2] = 0.0
        for y in range(2 + row * tile, rows - 2 if row == down - 1 else 2 + (row + 1) * tile):
            _add_slopes(first, place, other, y, gain, offset, weight, slopes, sums)
        for column in range(across):
            begin, stop = column * tile, columns - 4 if column == across - 1 else (column + 1) * tile
            a, b = sums[0, begin:stop].sum() / 24.0, sums[1, begin:stop].sum() / 24.0
            along, below = along + a, below + b
            along_along, along_below = along_along + a * a, along_below + a * b
            below_below += b * b
    xx, xy, yy = gain * sums[2].sum() / 144.0, gain * sums[3].sum() / 288.0, gain * sums[4].sum() / 144.0
    both = (sxx - sx * sx / n) * (syy - sy * sy / n)
    alike = (sxy - sx * sy / n) / np.sqrt(both) if both > 0.0 else 0.0
    # Eigenvalue and inverse of the two by two sums of slopes, written out.
    weaker, area = (xx + yy) / 2 - np.hypot((xx - yy) / 2, xy), xx * yy - xy * xy
    if not (weaker > 1e-12 * syy and area > 0.0):
        return np.nan, np.nan, np.nan, alike
    p, q, r = yy / area, -xy / area, xx / area
    variance = max(
        p * p * along_along + 2.0 * p * q * along_below + q * q * below_below,
        q * q * along_along + 2.0 * q * r * along_below + r * r * below_below,
    )
    # what is left = slope * (true - present displacement): what the second plane shows lies further on
    return -(p * along + q * below), -(q * along + r * below), variance, alike


@_kernel
def follow_shift(first, second, x, y, numbers):  # type: ignore[no-untyped-def]
    """How far a picture moved, by steps of least squares from a start (x, y) that is a pixel or two off.

    `first`, `second` (height, width) float32. `numbers` (7,): the step that is a rest, biweight's constant, rounds of
    weights, pixels between those that their median is taken of, pixels kept clear of the edge (the interpolator's taps
    reach no further), most steps, and the side of the tiles whose residuals count as independent.
    Gives x, y, their variance (the larger one) and the correlation; NaN, 0 where the steps find no rest.
    """
    height, width = first.shape
    margin = int(numbers[4])
    along = np.empty((height + TAPS, width), np.float32)
    other, weight = np.empty((height, width), np.float32), np.empty((height, width), np.float32)
    weights = np.empty((2, TAPS), np.float32)
    for _ in range(int(numbers[5])):
        # only what both planes show: the shifted second plane lacks |x| columns and |y| rows
        left, top = margin + int(np.ceil(max(-x, 0.0))), margin + int(np.ceil(max(-y, 0.0)))
        rows = height - margin - int(np.ceil(max(y, 0.0))) - top
        columns = width - margin - int(np.ceil(max(x, 0.0))) - left
        if rows < 16 or columns < 16:
            break
        whole_x, whole_y = int(np.floor(x)), int(np.floor(y))
        _tap_weights(x - whole_x, weights[0])
        _tap_weights(y - whole_y, weights[1])
        _lay_shifted(
            second, left + whole_x - REACH, top + whole_y - REACH, weights, along, other[:rows], columns
        )
        place = (top, left, rows, columns)
        step_x, step_y, variance, alike = _solve_shift(first, place, other, weight, numbers)
        if not np.isfinite(step_x + step_y):
            break
        step_x, step_y = min(max(step_x, -2.0), 2.0), min(max(step_y, -2.0), 2.0)
        x, y = x + step_x, y + step_y
        if max(abs(step_x), abs(step_y)) < numbers[0]:
            return x, y, variance, alike
    return np.nan, np.nan, np.nan, 0.0


@_kernel
def agree_shifted(first, second, x, y):  # type: ignore[no-untyped-def]
    """Correlation of two planes where the second shows the first further on by whole pixels (x, y); 0 where one is flat."""
    height, width = first.shape
    top, left = max(-y, 0), max(-x, 0)
    rows, columns = height - abs(y), width - abs(x)
    lines = np.zeros((5, max(columns, 0)))
    sa, sb, saa, sab, sbb = lines[0], lines[1], lines[2], lines[3], lines[4]
    for v in range(rows):
        one = first[top + v, left : left + columns]
        other = second[top + y + v, left + x : left + x + columns]
        for k in range(columns):
            sa[k] += np.float64(one[k])
            saa[k] += np.float64(one[k]) * np.float64(one[k])
        for k in range(columns):
            sb[k] += np.float64(other[k])
            sbb[k] += np.float64(other[k]) * np.float64(other[k])
        for k in range(columns):
            sab[k] += np.float64(one[k]) * np.float64(other[k])
    n = rows * columns
    if n <= 0:
        return 0.0
    a, b = sa.sum(), sb.sum()
    power = (saa.sum() - a * a / n) * (sbb.sum() - b * b / n)
    return (sab.sum() - a * b / n) / np.sqrt(power) if power > 0.0 else 0.0


def warm() -> None:
    """Compile every loop once, so that the first frame is as fast as the rest.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> warm()
    """
    plane = np.arange(1024, dtype=np.float32).reshape(32, 32)
    follow_shift(plane, plane, 0.0, 0.0, np.array([0.1, 4.685, 1.0, 1.0, 7.0, 2.0, 32.0]))
    agree_shifted(plane, plane, 0, 0)

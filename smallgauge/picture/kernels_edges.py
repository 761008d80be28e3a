"""Compiled loops of `picture.edges` and of what is counted over a whole frame: no array is made in between.

gather_profiles   planes, rows, offsets  -> samples across each side (mean of the planes)
find_falls        samples                -> fall of light outward, and each row's greatest
mark_falls        falls, their least     -> local maxima, and how many rows have one at each offset
find_middle       values                 -> their median
row_medians       values, which count    -> median of each row
strongest_near    falls, starts          -> each row's strongest peak near its side's start
cut_windows       samples, peaks         -> samples around each peak, and which of them count
fit_steps         samples, levels        -> crossing and low level of each row, Gauss-Newton
follow_lines      crossings              -> intercept and slope of each side, Tukey biweight
stretch_means     samples, offsets       -> mean of each row between two offsets
open_widths       plane, two lights      -> how many columns of each row are open
count_ends        codes                  -> samples at either end of the scale, channel by channel
mean_of_some      light                  -> mean of each channel over some rows and columns
low_order         plane                  -> its least value but so many
highest_near      spectrum, turns        -> the highest of its sums
warm              compiles them once

Imported inside functions only. Double precision, no fastmath: the same numbers everywhere.
"""

import math

import numpy as np
from numba import njit

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")
_ROOT_2, _ROOT_2_PI = math.sqrt(2.0), math.sqrt(2.0 * math.pi)


@_kernel
def gather_profiles(planes, line, base, outward, upright, reach, sign, samples):  # type: ignore[no-untyped-def]
    """Whole pixels across each side, from inside outward; of several planes their mean in single precision."""
    channels, height, width = planes.shape
    share, count, last = np.float32(1.0 / channels), 2 * reach + 1, height - 1
    for side in range(line.shape[0]):
        turn = int(outward[side])
        if upright[side]:
            for row in range(line.shape[1]):
                begin = int(base[side, row]) - turn * reach
                end = begin + turn * (count - 1)
                out = samples[side, row]
                if min(begin, end) < 0 or max(begin, end) >= width:
                    for k in range(count):
                        x = min(max(begin + turn * k, 0), width - 1)
                        value = planes[0, line[side, row], x]
                        if channels > 1:
                            for channel in range(1, channels):
                                value += planes[channel, line[side, row], x]
                            value *= share
                        out[k] = sign * np.float64(value)
                elif channels == 3:
                    one = planes[0, line[side, row], min(begin, end) : max(begin, end) + 1][::turn]
                    two = planes[1, line[side, row], min(begin, end) : max(begin, end) + 1][::turn]
                    three = planes[2, line[side, row], min(begin, end) : max(begin, end) + 1][::turn]
                    for k in range(count):
                        out[k] = sign * np.float64((one[k] + two[k] + three[k]) * share)
                else:
                    one = planes[0, line[side, row], min(begin, end) : max(begin, end) + 1][::turn]
                    for k in range(count):
                        out[k] = sign * np.float64(one[k])
        else:  # one line of the picture after the other, as they lie in memory
            for k in range(count):
                for row in range(line.shape[1]):
                    y = min(max(int(base[side, row]) + turn * (k - reach), 0), last)
                    value = planes[0, y, line[side, row]]
                    if channels > 1:
                        for channel in range(1, channels):
                            value += planes[channel, y, line[side, row]]
                        value *= share
                    samples[side, row, k] = sign * np.float64(value)


@_kernel
def find_falls(samples, valid, averaged, fall, sizes, tops):  # type: ignore[no-untyped-def]
    """Fall of light outward over two samples, so many neighbouring rows averaged (the first and last stand for those beyond).

    `sizes` (sides, every second row x samples less two) gets its size, `tops` (sides, rows) each row's greatest, 0 where it
    does not count. Sums run on from row to row.
    """
    sides, rows, count = samples.shape
    total, mean, before = np.empty(count), np.empty(count), averaged // 2
    for side in range(sides):
        total[:] = 0.0
        for n in range(averaged):
            line = samples[side, min(max(n - before, 0), rows - 1)]
            for k in range(count):
                total[k] += line[k]
        place = 0
        for row in range(rows):
            if row > 0:
                new = samples[side, min(row + averaged - 1 - before, rows - 1)]
                old = samples[side, max(row - 1 - before, 0)]
                for k in range(count):
                    total[k] += new[k] - old[k]
            for k in range(count):
                mean[k] = total[k] / averaged
            out = fall[side, row]
            out[0], out[count - 1] = 0.0, 0.0
            for k in range(1, count - 1):
                out[k] = mean[k - 1] - mean[k + 1]
            if row % 2 == 0:
                for k in range(1, count - 1):
                    sizes[side, place + k - 1] = abs(out[k])
                place += count - 2
            top = 0.0
            if valid[side, row]:
                for k in range(count):
                    if out[k] > top or np.isnan(out[k]):  # one that is not known leaves nothing to say
                        top = out[k]
            tops[side, row] = top


@_kernel
def mark_falls(fall, least, valid, peaks, votes):  # type: ignore[no-untyped-def]
    """Where the fall is above a side's least and a local maximum, and the share of the side's rows at each offset or beside it."""
    sides, rows, count = fall.shape
    raw = np.empty(count)
    for side in range(sides):
        raw[:] = 0.0
        counted = 0
        for row in range(rows):
            line, marks = fall[side, row], peaks[side, row]
            marks[:] = False
            if not valid[side, row]:
                continue
            counted += 1
            for k in range(1, count - 1):
                mark = (line[k] > least[side]) & (line[k] >= line[k - 1]) & (line[k] > line[k + 1])
                marks[k] = mark
                raw[k] += mark
        for k in range(count):
            raw[k] /= max(counted, 1)
        for k in range(count):
            vote = raw[k]
            if k > 0:
                vote += raw[k - 1]
            if k < count - 1:
                vote += raw[k + 1]
            votes[side, k] = min(vote, 1.0)


@_kernel
def find_middle(values, count):  # type: ignore[no-untyped-def]
    """Median of the first values, which are put in another order; what is not a number counts as greater than all others."""
    known = 0
    for k in range(count):
        if not np.isnan(values[k]):
            values[known], values[k] = values[k], values[known]
            known += 1
    middle = count // 2
    if middle >= known:
        return np.nan
    low, high = 0, known - 1
    while low < high:  # what is above the middle one goes behind it, what is below before it
        pivot = values[(low + high) // 2]
        first, last = low, high
        while first <= last:
            while values[first] < pivot:
                first += 1
            while pivot < values[last]:
                last -= 1
            if first <= last:
                values[first], values[last] = values[last], values[first]
                first += 1
                last -= 1
        if last < middle:
            low = first
        if middle < first:
            high = last
    above = values[middle]
    if count % 2:
        return above
    below = values[0]
    for k in range(1, middle):
        below = max(below, values[k])
    return 0.5 * (below + above)


@_kernel
def row_medians(values, valid, out):  # type: ignore[no-untyped-def]
    """Median of each row's values that count; NaN where none does."""
    kept = np.empty(values.shape[1])
    for row in range(values.shape[0]):
        count = 0
        for k in range(values.shape[1]):
            if valid[row, k]:
                kept[count] = values[row, k]
                count += 1
        out[row] = find_middle(kept, count)


@_kernel
def strongest_near(fall, peaks, centre, tolerance, reach, best, valid):  # type: ignore[no-untyped-def]
    """Each row's strongest peak within `tolerance` of its side's centre (NaN: none counts), and whether there is one."""
    for side in range(fall.shape[0]):
        first = max(int(np.ceil(centre[side] - tolerance)) + reach, 0) if not np.isnan(centre[side]) else 0
        stop = (
            min(int(np.floor(centre[side] + tolerance)) + reach + 1, fall.shape[2])
            if not np.isnan(centre[side])
            else 0
        )
        for row in range(fall.shape[1]):
            place, most = 0, 0.0
            for k in range(first, stop):
                if peaks[side, row, k] and fall[side, row, k] > most:
                    place, most = k, fall[side, row, k]
            best[side, row] = place
            valid[side, row] = most > 0.0


@_kernel
def cut_windows(samples, best, valid, crossing, window, rooms, reach, clip_from, out):  # type: ignore[no-untyped-def]
    """Offsets and samples around each row's peak (around the guess where it has none), which of them count and are clipped.

    `window` is the first column, and how far inside and outside each side's crossing samples count; `rooms` what the picture
    holds outward and inward.
    """
    first, inner, outer = window
    room, room_inward = rooms
    at, seen, used, clipped = out
    count = samples.shape[2]
    for side in range(at.shape[0]):
        for row in range(at.shape[1]):
            middle = best[side, row] if valid[side, row] else reach
            low, high = crossing[side, row] - inner[side], crossing[side, row] + outer[side]
            low, high = max(low, -room_inward[side, row]), min(high, room[side, row])
            for n in range(at.shape[2]):
                place = min(max(middle + first + n, 0), count - 1)
                offset = np.float64(place - reach)
                wanted = best[side, row] + first + n
                at[side, row, n] = offset
                seen[side, row, n] = samples[side, row, place]
                used[side, row, n] = (offset >= low) & (offset <= high) & (wanted >= 0) & (wanted < count)
                clipped[side, row, n] = samples[side, row, place] >= clip_from


@_kernel
def fit_steps(state, levels, crossing, low, iterations, clip_from, residual, weight, variance):  # type: ignore[no-untyped-def]
    """Every row's crossing and low level, put where they were; the last residuals, weights and variances of the low level.

    `state` is offsets, samples, which are used and clipped (sides, rows, samples), high levels (sides, rows) and blur (sides);
    `levels` the pull (sides) of the low level and its target (sides, rows). From `clip_from` a model says "at least this".
    """
    at, seen, used, clipped, high, blur = state
    pull, target = levels
    for side in range(at.shape[0]):
        for row in range(at.shape[1]):
            for _ in range(iterations):
                drop = high[side, row] - low[side, row]
                a11, a12, a22, b1, b2 = 0.0, 0.0, 0.0, 0.0, 0.0
                for k in range(at.shape[2]):
                    if not used[side, row, k]:
                        residual[side, row, k] = 0.0
                        weight[side, row, k] = 0.0
                        continue
                    z = (at[side, row, k] - crossing[side, row]) / blur[side]
                    share = 0.5 * math.erfc(-z / _ROOT_2)
                    model = high[side, row] - drop * share
                    if clipped[side, row, k] and model >= clip_from:
                        residual[side, row, k] = 0.0
                        weight[side, row, k] = 0.0
                        continue
                    off = seen[side, row, k] - model
                    residual[side, row, k] = off
                    weight[side, row, k] = 1.0
                    d_x = drop * math.exp(-0.5 * z * z) / (_ROOT_2_PI * blur[side])
                    a11 += d_x * d_x
                    a12 += d_x * share
                    a22 += share * share
                    b1 += d_x * off
                    b2 += share * off
                a22 += pull[side]
                b2 += pull[side] * (target[side, row] - low[side, row])
                determinant = a11 * a22 - a12 * a12
                variance[side, row] = 1.0
                if determinant > 1e-9 * (a11 * a22 + 1e-30):
                    crossing[side, row] += min(max((a22 * b1 - a12 * b2) / determinant, -0.7), 0.7)
                    low[side, row] += (a11 * b2 - a12 * b1) / determinant
                    variance[side, row] = a11 / determinant


@_kernel
def follow_lines(valid, position, along, slope, limits, iterations, intercept, gradient, weight, sums):  # type: ignore[no-untyped-def]
    """Each side's robust line; `sums` gets its scale, and the sums of weight, weight x along and weight x along squared.

    `limits` are the slope's sigma, the least scale and the width of Tukey's weights.
    """
    slope_sigma, least, wide = limits
    rows = valid.shape[1]
    residual, kept = np.empty(rows), np.empty(rows)
    for side in range(valid.shape[0]):
        prior = slope[side]
        count = 0
        for row in range(rows):
            if valid[side, row]:
                kept[count] = position[side, row] - prior * along[side, row]
                count += 1
        begin = find_middle(kept, count)
        line, turn = (0.0 if np.isnan(begin) else begin), prior
        scale, total, first, second = 1.0, 0.0, 0.0, 0.0
        for step in range(iterations):
            count = 0
            for row in range(rows):
                residual[row] = position[side, row] - line - turn * along[side, row]
                if valid[side, row]:
                    kept[count] = residual[row]
                    count += 1
            middle = find_middle(kept, count)
            middle = 0.0 if np.isnan(middle) else middle
            for k in range(count):
                kept[k] = abs(kept[k] - middle)
            spread = find_middle(kept, count)
            spread = 1.4826 * (1.0 if np.isnan(spread) else spread)
            scale = max(max(spread, least), 0.25 * 0.5**step)
            total, first, second, moment, product = 1e-12, 0.0, (scale / slope_sigma) ** 2, 0.0, 0.0
            for row in range(rows):
                reach = residual[row] / (wide * scale)
                each = (1.0 - reach * reach) ** 2 if valid[side, row] and abs(reach) < 1.0 else 0.0
                weight[side, row] = each
                if each > 0.0:
                    total += each
                    first += each * along[side, row]
                    second += each * along[side, row] ** 2
                    moment += each * position[side, row]
                    product += each * along[side, row] * position[side, row]
            product += prior * (scale / slope_sigma) ** 2
            determinant = max(total * second - first * first, 1e-9)
            turn = (total * product - first * moment) / determinant
            line = (second * moment - first * product) / determinant
        intercept[side], gradient[side] = line, turn
        sums[side, 0], sums[side, 1], sums[side, 2], sums[side, 3] = scale, total, first, second


@_kernel
def stretch_means(samples, reach, ends):  # type: ignore[no-untyped-def]
    """Mean of each row's samples (sides, rows, 2 reach + 1) from one offset to another; 0 where there is none between.

    `ends` (stretches, 2, sides, rows) are the offsets, both counted in.
    """
    out = np.zeros((ends.shape[0], samples.shape[0], samples.shape[1]))
    for stretch in range(ends.shape[0]):
        for side in range(samples.shape[0]):
            for row in range(samples.shape[1]):
                first, last = ends[stretch, 0, side, row], ends[stretch, 1, side, row]
                begin = int(max(np.ceil(first) + reach, 0.0))
                stop = int(min(np.floor(last) + reach + 1.0, np.float64(samples.shape[2])))
                total = 0.0
                for k in range(begin, stop):
                    total += samples[side, row, k]
                out[stretch, side, row] = total / max(stop - begin, 1)
    return out


@_kernel
def open_widths(plane, first, stop, low, high, out):  # type: ignore[no-untyped-def]
    """How many of the columns `first` to `stop` of each row are open: 0 each at light `low`, 1 at `high`."""
    scale = 1.0 / (high - low)
    shares = np.zeros((4, max(stop - first, 0)))
    for begin in range(0, plane.shape[0], 4):  # four rows side by side: each sum waits for itself alone
        rows = min(4, plane.shape[0] - begin)
        for row in range(rows):
            line, mine = plane[begin + row, first:stop], shares[row]
            for x in range(mine.shape[0]):
                share = (np.float64(line[x]) - low) * scale
                share = 0.0 if share < 0.0 else share
                mine[x] = 1.0 if share > 1.0 else share
        a, b, c, d = 0.0, 0.0, 0.0, 0.0
        for x in range(shares.shape[1]):
            a += shares[0, x]
            b += shares[1, x]
            c += shares[2, x]
            d += shares[3, x]
        sums = (a, b, c, d)
        for row in range(rows):
            out[begin + row] = sums[row]


@_kernel
def count_ends(lines, channels, part, lowest, highest, counts):  # type: ignore[no-untyped-def]
    """Samples at or below `lowest`, at or above `highest`, by channel, of a part of a frame (height, width x channels).

    `part` is its first row, the row behind it, of how many rows one is counted, and its columns likewise.
    """
    first, stop, step, left, right = part
    for y in range(first, stop, step):
        line = lines[y, left * channels : right * channels]
        if line.shape[0] == 0:
            continue
        least, most = line[0], line[0]
        for value in line:  # hardly a row holds any: its least and greatest are found many at a time
            least, most = min(least, value), max(most, value)
        if least > lowest and most < highest:
            continue
        for channel in range(channels):
            low, high = 0, 0
            for x in range(right - left):
                value = line[x * channels + channel]
                low += value <= lowest
                high += value >= highest
            counts[0, channel] += low
            counts[1, channel] += high


@_kernel
def highest_near(spectrum, along, across):  # type: ignore[no-untyped-def]
    """Highest real part of a spectrum's sum, its rows turned as each line of `along` says and its columns as `across`."""
    real, imaginary = spectrum.real.copy(), spectrum.imag.copy()
    width = spectrum.shape[1]
    sums, others = np.empty(width), np.empty(width)
    highest = -np.inf
    for n in range(along.shape[0]):
        for x in range(width):
            sums[x] = 0.0
            others[x] = 0.0
        for y in range(spectrum.shape[0]):
            c, s = along[n, y].real, along[n, y].imag
            one, other = real[y], imaginary[y]
            for x in range(width):
                sums[x] += c * one[x] - s * other[x]
                others[x] += c * other[x] + s * one[x]
        for m in range(across.shape[0]):
            total = 0.0
            for x in range(width):
                total += sums[x] * across[m, x].real - others[x] * across[m, x].imag
            highest = max(highest, total)
    return highest


@_kernel
def mean_of_some(light, step):  # type: ignore[no-untyped-def]
    """Mean of each channel of light (height, width, channels), of every so manieth row and column, in single precision."""
    out = np.zeros(light.shape[2], np.float32)
    count = 0
    for y in range(0, light.shape[0], step):
        for x in range(0, light.shape[1], step):
            count += 1
            for channel in range(light.shape[2]):
                out[channel] += light[y, x, channel]
    return out / np.float32(count)


@_kernel
def low_order(plane, order):  # type: ignore[no-untyped-def]
    """The value of a plane that `order` others do not exceed, 0 the least of all; NaN where too few are known.

    The least ones are kept in order; hardly any value is less than the greatest of them.
    """
    kept = np.full(order + 1, np.inf)
    for y in range(plane.shape[0]):
        for x in range(plane.shape[1]):
            value = np.float64(plane[y, x])
            if value < kept[order]:
                place = order
                while place > 0 and kept[place - 1] > value:
                    kept[place] = kept[place - 1]
                    place -= 1
                kept[place] = value
    return kept[order] if kept[order] < np.inf else np.nan


def warm() -> None:
    """Compile the loops once, so that the first frame is as fast as the rest.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> warm()
    """
    from smallgauge.picture.edges import (
        LineGuess,
        find_profiles,
        measure_crossings,
        measure_lines,
        measure_votes,
    )

    side = LineGuess(upright=True, outward=1, position_px=19, centre_px=10, first_px=2, stop_px=18)
    light = np.zeros((20, 40, 3), np.float32)
    light[:, :20] = 1
    for plane in (
        light[:, :, 0].copy(),
        light,
        np.ascontiguousarray(light.transpose(2, 0, 1)).transpose(1, 2, 0),
    ):
        profiles = find_profiles(plane, [side], reach=12, blur_x_px=1, blur_y_px=1)
    _, fall, peaks = measure_votes(profiles)
    crossings = measure_crossings(profiles, fall, peaks, start_px=np.zeros(1))
    measure_lines(crossings, profiles, slope=np.zeros(1), slope_sigma=0.01)

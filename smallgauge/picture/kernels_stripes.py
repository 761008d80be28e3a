"""A frame in upright stripes of its finished columns: captured rows along the stripe, and those down to finished rows.

lay_lines, filter_along, filter_down   a displaced frame's rows                      (kernels)
place_down, turn_rows, sum_down        those of a turned or scaled one               (kernels)
join_lines                             lines of a finished row -> its pixels         (kernels)

The reference is `resample.apply_move`: the same weights, taps added in the same order, in the same precision, so that light is
equal to it bit for bit. A stripe is as wide as keeps the rows at hand near the processor: a window of them that moves down the
capture as finished rows need it. Where lines begin in it is known when this is compiled, so that sums go through the processor's
vectors. Weights of a turn are worked out, not looked up: they are the entries of `resample.phase_table`.

Runs of columns whose taps lie side by side are summed in whole vectors: up to `SPARE` columns too many, which the next run
overwrites or nobody reads. Compiled without fastmath, as `kernels.py`.
"""

import numpy as np
from numba import njit

from smallgauge.picture.kernels_rows import PITCH, ROW, SPARE, STRIPE, copy_line, load_row
from smallgauge.picture.resample import PHASES, REACH, TAP_POLYNOMIALS_SINGLE, TAPS

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")

WINDOW = 32  # rows at hand, besides those that one finished row reaches over
_PITCH, _ROW = np.uint64(PITCH), np.uint64(ROW)
_FAR = 1e6  # px: places further out count as this far
_PHASE, _HALF = 1.0 / PHASES, 0.5


@_kernel
def _place_columns(slope, offset, left, limit, first, fraction):  # type: ignore[no-untyped-def]
    """For each column from `left` on: first tap, counted in a line with margins, and its place between two pixels less a half."""
    for i in range(fraction.shape[0]):
        place = slope * np.float64(left + i) + offset
        place = place if place > -_FAR else -_FAR
        place = place if place < _FAR else _FAR
        step = np.floor(place * PHASES + _HALF)
        whole = np.floor(step * _PHASE)
        fraction[i] = np.float32((step - whole * PHASES) * _PHASE - _HALF)  # exact
        tap = whole - REACH
        tap = tap if tap > -TAPS else np.float64(-TAPS)
        tap = tap if tap < limit else np.float64(limit)
        first[i] = np.int32(tap) + np.int32(TAPS)


@_kernel
def _weigh_pair(fraction, terms, before, after):  # type: ignore[no-untyped-def]
    """Weights of a tap and of the one opposite, as `resample.phase_table`."""
    c0, c1, c2, c3, c4, c5, c6 = terms[0], terms[1], terms[2], terms[3], terms[4], terms[5], terms[6]
    for i in range(fraction.shape[0]):
        centred = fraction[i]
        square = centred * centred
        even = ((c6 * square + c4) * square + c2) * square + c0
        odd = ((c5 * square + c3) * square + c1) * centred
        before[i] = even + odd
        after[i] = even - odd


@_kernel
def _weigh(fraction, weights):  # type: ignore[no-untyped-def]
    """Weights of all taps, a line each."""
    count = fraction.shape[0]
    for tap in range(TAPS // 2):
        other = TAPS - 1 - tap
        before = weights[tap * PITCH : tap * PITCH + count]
        _weigh_pair(
            fraction, TAP_POLYNOMIALS_SINGLE[tap], before, weights[other * PITCH : other * PITCH + count]
        )


@_kernel
def _sum_side_by_side(weights, place, lines, start, out, target, count):  # type: ignore[no-untyped-def]
    """Twelve taps, in order, of columns whose taps lie side by side in a line, each a column further than the one before."""
    w, s, t = np.uint64(place), np.uint64(start), np.uint64(target)
    for i in range(count):
        j = np.uint64(i)
        total = weights[w + j] * lines[s + j]
        for tap in range(1, TAPS):
            k = np.uint64(tap)
            total += weights[w + k * _PITCH + j] * lines[s + k + j]
        out[t + j] = total


@_kernel
def _sum_one_below_another(weights, place, lines, start, out, target, count):  # type: ignore[no-untyped-def]
    """Twelve taps, in order, of columns that read the same rows of a stripe."""
    w, s, t = np.uint64(place), np.uint64(start), np.uint64(target)
    for i in range(count):
        j = np.uint64(i)
        total = weights[w + j] * lines[s + j]
        for tap in range(1, TAPS):
            k = np.uint64(tap)
            total += weights[w + k * _PITCH + j] * lines[s + k * _ROW + j]
        out[t + j] = total


@_kernel
def _run_from(first, begin, count, step):  # type: ignore[no-untyped-def]
    """Behind the last of the columns from `begin` on whose first taps are `step` apart."""
    stop = begin
    unlike = 0
    while stop < count and unlike == 0:  # whole vectors first
        end = min(stop + 2 * SPARE, count)
        for i in range(stop, end):
            unlike += first[i] - first[begin] != (i - begin) * step
        stop = end if unlike == 0 else stop
    while stop < count and first[stop] - first[begin] == (stop - begin) * step:
        stop += 1
    return stop


@_kernel
def _vectors(count):  # type: ignore[no-untyped-def]
    """Columns of the whole vectors that hold so many."""
    return (count + SPARE - 1) & -SPARE


@_kernel
def _aligned(count):  # type: ignore[no-untyped-def]
    """Room whose first number begins a line of the processor's cache."""
    room = np.zeros(count + SPARE, np.float32)
    ahead = (-room.ctypes.data % (4 * SPARE)) // 4
    return room[ahead : ahead + count]


@_kernel
def stripe_room(slope, captured_width):  # type: ignore[no-untyped-def]
    """Room: window of rows, lines of a captured row, its light, taps, fractions, weights, a finished row, its taps, fractions.

    `slope` is how many captured rows a finished row climbs or falls from one column to the next.
    """
    rows = np.int64(np.abs(slope) * STRIPE) + 2 * TAPS + WINDOW
    return (
        _aligned(rows * ROW + SPARE),
        np.zeros(3 * (captured_width + 2 * TAPS + SPARE), np.float32),
        np.zeros(3 * captured_width, np.float32),
        np.zeros(PITCH, np.int32),
        np.zeros(PITCH, np.float32),
        _aligned(TAPS * PITCH),
        _aligned(ROW),
        np.zeros(PITCH, np.int32),
        np.zeros(PITCH, np.float32),
    )


@_kernel
def _place_along(slope, offset, left, count, captured_width, room):  # type: ignore[no-untyped-def]
    """Taps and weights along one captured row; first of its columns that the stripe needs, counted with margins, and how many."""
    first, whole = room[3], _vectors(count)
    _place_columns(slope, offset, left, captured_width, first[:whole], room[4][:whole])
    _weigh(room[4][:whole], room[5])
    return np.int64(first[0]), np.int64(first[count - 1]) + TAPS - np.int64(first[0])


@_kernel
def _split_lines(light, mirrored, channels, red, green, blue):  # type: ignore[no-untyped-def]
    """Light of a row to a line each channel, from its other end where it is mirrored; of grey the first line alone."""
    last = red.shape[0] - 1
    if channels == 1:
        for x in range(red.shape[0]):
            red[x] = light[last - x if mirrored else x]
    elif mirrored:
        for x in range(red.shape[0]):
            red[x] = light[3 * (last - x)]
            green[x] = light[3 * (last - x) + 1]
            blue[x] = light[3 * (last - x) + 2]
    else:
        for x in range(red.shape[0]):
            red[x] = light[3 * x]
            green[x] = light[3 * x + 1]
            blue[x] = light[3 * x + 2]


@_kernel
def _repeat_ends(line, ahead, count):  # type: ignore[no-untyped-def]
    """The outermost of `count` numbers from `ahead` on, before them and behind them."""
    for x in range(ahead):
        line[x] = line[ahead]
    for x in range(ahead + count, line.shape[0]):
        line[x] = line[ahead + count - 1]


@_kernel
def lay_lines(samples, table, v, begin, width, mirrored, size, room):  # type: ignore[no-untyped-def]
    """Light of a part of captured row `v`, `width` columns from `begin` on, counted with margins, to lines, a channel each."""
    captured_width, channels = size[1], size[2]
    first = min(
        max(begin - TAPS, 0), captured_width - 1
    )  # captured columns that are looked at, but for the mirror
    count = min(max(begin + width - 1 - TAPS, 0), captured_width - 1) + 1 - first
    ahead = min(max(TAPS - begin, 0), width - 1)
    lines, pitch = room[1], width + SPARE
    red = lines[ahead : ahead + count]
    green, blue = (
        lines[pitch + ahead : pitch + ahead + count],
        lines[2 * pitch + ahead : 2 * pitch + ahead + count],
    )
    place = (captured_width - first - count if mirrored else first) * channels
    light = room[2][: count * channels]
    load_row(samples, v, place, table, light)
    _split_lines(light, mirrored, channels, red, green, blue)
    if count < width:
        for channel in range(channels):
            _repeat_ends(lines[channel * pitch : channel * pitch + width], ahead, count)


@_kernel
def filter_along(weights, width, channels, count, row, room):  # type: ignore[no-untyped-def]
    """The same twelve taps, in order, along a captured row, whose part of `width` columns is in the lines, to one of the window."""
    window, lines = room[0], room[1]
    w0, w1, w2, w3, w4, w5 = weights[0], weights[1], weights[2], weights[3], weights[4], weights[5]
    w6, w7, w8, w9, w10, w11 = weights[6], weights[7], weights[8], weights[9], weights[10], weights[11]
    for channel in range(channels):
        begin = channel * (width + SPARE)
        p = lines[begin : begin + width + SPARE]
        out = window[row * ROW + channel * PITCH : row * ROW + channel * PITCH + _vectors(count)]
        for i in range(out.shape[0]):
            out[i] = (
                w0 * p[i] + w1 * p[i + 1] + w2 * p[i + 2] + w3 * p[i + 3] + w4 * p[i + 4] + w5 * p[i + 5]
                + w6 * p[i + 6] + w7 * p[i + 7] + w8 * p[i + 8] + w9 * p[i + 9] + w10 * p[i + 10] + w11 * p[i + 11]
            )  # fmt: skip


@_kernel
def filter_down(weights, top, channels, room):  # type: ignore[no-untyped-def]
    """The same twelve taps, in order, down the rows of the window from `top` on, to the lines of a finished row."""
    out = room[6][: channels * PITCH]
    p = room[0][top * ROW : (top + TAPS) * ROW]
    w0, w1, w2, w3, w4, w5 = weights[0], weights[1], weights[2], weights[3], weights[4], weights[5]
    w6, w7, w8, w9, w10, w11 = weights[6], weights[7], weights[8], weights[9], weights[10], weights[11]
    for i in range(out.shape[0]):
        out[i] = (
            w0 * p[i] + w1 * p[i + ROW] + w2 * p[i + 2 * ROW] + w3 * p[i + 3 * ROW] + w4 * p[i + 4 * ROW]
            + w5 * p[i + 5 * ROW] + w6 * p[i + 6 * ROW] + w7 * p[i + 7 * ROW] + w8 * p[i + 8 * ROW]
            + w9 * p[i + 9 * ROW] + w10 * p[i + 10 * ROW] + w11 * p[i + 11 * ROW]
        )  # fmt: skip


@_kernel
def keep_rows(first, stop, room):  # type: ignore[no-untyped-def]
    """Rows `first` to `stop` of the window to its top."""
    window = room[0]
    for row in range(first, stop):
        copy_line(window[row * ROW : (row + 1) * ROW], window[(row - first) * ROW : (row - first + 1) * ROW])


@_kernel
def _sum_along(width, channels, count, row, room):  # type: ignore[no-untyped-def]
    """Taps along one captured row, whose part of `width` columns lies in the lines, to a row of the window."""
    window, lines, first, weights = room[0], room[1], room[3], room[5]
    x0 = 0
    while x0 < count:
        x1 = _run_from(first, x0, count, 1)
        for channel in range(channels):
            start = channel * (width + SPARE) + first[x0] - first[0]
            target = row * ROW + channel * PITCH + x0
            _sum_side_by_side(weights, x0, lines, start, window, target, _vectors(x1 - x0))
        x0 = x1


@_kernel
def turn_rows(samples, size, table, mirrored, move, left, count, rows, room):  # type: ignore[no-untyped-def]
    """First pass of a stripe's rows `rows[1]` to `rows[2]`, counted with margins, into a window whose first row is `rows[0]`.

    The capture's outermost rows stand in the margins once more.
    """
    slope, per_row, offset = move
    captured_height, captured_width, channels = size
    base, begin, stop = rows
    for n in range(begin, stop):
        v = min(max(n - TAPS, 0), captured_height - 1)
        if n > base and v == min(max(n - 1 - TAPS, 0), captured_height - 1):
            at = (n - base) * ROW
            copy_line(room[0][at - ROW : at], room[0][at : at + ROW])
            continue
        first, width = _place_along(
            slope, per_row * np.float64(v) + offset, left, count, captured_width, room
        )
        lay_lines(samples, table, v, first, width, mirrored, size, room)
        _sum_along(width, channels, count, n - base, room)


@_kernel
def place_down(slope, offset, left, count, captured_height, room):  # type: ignore[no-untyped-def]
    """Taps of a finished row's columns; the first captured row that they reach, counted with margins, and behind the last."""
    first, whole = room[7], _vectors(count)
    _place_columns(slope, offset, left, captured_height, first[:whole], room[8][:whole])
    ends = np.int64(first[0]), np.int64(first[count - 1])
    return min(ends), max(ends) + TAPS


@_kernel
def sum_down(count, channels, base, room):  # type: ignore[no-untyped-def]
    """Second pass of one finished row, whose taps are known, out of a window whose first row is `base`, to its lines."""
    window, weights, out, first = room[0], room[5], room[6], room[7]
    _weigh(room[8][: _vectors(count)], weights)
    x0 = 0
    while x0 < count:
        x1, x = _run_from(first, x0, count, 0), x0
        while x < x1:  # up to where a line of the cache begins, and from there on
            many = SPARE if x & (SPARE - 1) else _vectors(x1 - x)
            for channel in range(channels):
                start = (first[x0] - base) * ROW + channel * PITCH + x
                _sum_one_below_another(weights, x, window, start, out, channel * PITCH + x, many)
            x = _vectors(x) if x & (SPARE - 1) else x1
        x0 = x1


@_kernel
def join_lines(lines, count, channels, light):  # type: ignore[no-untyped-def]
    """Lines of a finished row to its pixels."""
    red, green, blue = lines, lines[PITCH:], lines[2 * PITCH :]
    if channels == 1:
        for x in range(count):
            light[x] = red[x]
    else:
        for x in range(count):
            light[3 * x] = red[x]
            light[3 * x + 1] = green[x]
            light[3 * x + 2] = blue[x]

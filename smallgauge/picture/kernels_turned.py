"""A turned or scaled frame in two passes, one upright stripe of its finished columns after the other.

turn_along   captured rows -> the stripe's columns, one plane a channel             (kernels)
sum_down     those -> one finished row of the stripe                                (kernels)

The reference is `resample.apply_move`: the same weights, taps added in the same order, in the same precision, so that light is
equal to it bit for bit. A stripe is as wide as keeps its rows near the processor; where lines begin in it is known when this is
compiled, so that sums go through the processor's vectors. Weights are worked out, not looked up: their polynomials in double
precision, rounded once, are the entries of `resample.phase_table`.

Runs of columns whose taps lie side by side are summed in whole vectors: up to `SPARE` columns too many, which the next run
overwrites or nobody reads. Compiled without fastmath, as `kernels.py`.
"""

import numpy as np
from numba import njit

from smallgauge.picture.kernels_rows import load_row, on_line
from smallgauge.picture.resample import _TAP_POLYNOMIALS, PHASES, REACH, TAPS

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")

STRIPE = 256  # finished columns
SPARE = 16  # columns behind a stripe that are written and not read
PITCH = STRIPE + SPARE  # from one line of a stripe to the next
ROW = 3 * PITCH  # from one row of a stripe to the next, grey or not
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
        fraction[i] = (step - whole * PHASES) * _PHASE - _HALF
        tap = whole - REACH
        tap = tap if tap > -TAPS else np.float64(-TAPS)
        tap = tap if tap < limit else np.float64(limit)
        first[i] = np.int32(tap) + np.int32(TAPS)


@_kernel
def _weigh_pair(fraction, terms, before, after):  # type: ignore[no-untyped-def]
    """Weights of a tap and of the one opposite, as `resample.interpolation_weights`."""
    c0, c1, c2, c3, c4, c5, c6 = terms[0], terms[1], terms[2], terms[3], terms[4], terms[5], terms[6]
    for i in range(fraction.shape[0]):
        centred = fraction[i]
        square = centred * centred
        even = ((c6 * square + c4) * square + c2) * square + c0
        odd = ((c5 * square + c3) * square + c1) * centred
        before[i] = np.float32(even + odd)
        after[i] = np.float32(even - odd)


@_kernel
def _weigh(fraction, weights):  # type: ignore[no-untyped-def]
    """Weights of all taps, a line each."""
    count = fraction.shape[0]
    for tap in range(TAPS // 2):
        other = TAPS - 1 - tap
        before = weights[tap * PITCH : tap * PITCH + count]
        _weigh_pair(fraction, _TAP_POLYNOMIALS[tap], before, weights[other * PITCH : other * PITCH + count])


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
def stripe_room(rows, captured_width):  # type: ignore[no-untyped-def]
    """Room to work in: stripe with its margins, lines of a captured row, its light, taps, fractions, weights, a finished row."""
    return (
        _aligned((rows + 2 * TAPS) * ROW + SPARE),
        np.zeros(3 * (captured_width + 2 * TAPS + SPARE), np.float32),
        np.zeros(3 * captured_width, np.float32),
        np.zeros(PITCH, np.int32),
        np.zeros(PITCH),
        _aligned(TAPS * PITCH),
        _aligned(ROW),
    )


@_kernel
def place_along(slope, offset, left, count, captured_width, room):  # type: ignore[no-untyped-def]
    """Taps and weights along one captured row; first of its columns that the stripe needs, counted with margins, and how many."""
    first, whole = room[3], _vectors(count)
    _place_columns(slope, offset, left, captured_width, first[:whole], room[4][:whole])
    _weigh(room[4][:whole], room[5])
    return np.int64(first[0]), np.int64(first[count - 1]) + TAPS - np.int64(first[0])


@_kernel
def _look_up_lines(codes, table, line, red, green, blue):  # type: ignore[no-untyped-def]
    """Light of a row's codes, a line each channel."""
    last = table.shape[0] - 1
    if line[0] > 0.0:
        for x in range(red.shape[0]):
            red[x] = on_line(codes[3 * x], line)
            green[x] = on_line(codes[3 * x + 1], line)
            blue[x] = on_line(codes[3 * x + 2], line)
    else:
        for x in range(red.shape[0]):
            red[x] = table[min(np.int64(codes[3 * x]), last)]
            green[x] = table[min(np.int64(codes[3 * x + 1]), last)]
            blue[x] = table[min(np.int64(codes[3 * x + 2]), last)]


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
    bytes_, words, _, gains, _, line = samples
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
    plain = channels == 3 and not mirrored and gains.shape[0] == 0
    if plain and words.shape[0] > 0:
        _look_up_lines(words[v, place:], table, line, red, green, blue)
    elif plain and bytes_.shape[0] > 0:
        _look_up_lines(bytes_[v, place:], table, line, red, green, blue)
    else:
        light = room[2][: count * channels]
        load_row(samples, v, place, table, light)
        _split_lines(light, mirrored, channels, red, green, blue)
    if count < width:
        for channel in range(channels):
            _repeat_ends(lines[channel * pitch : channel * pitch + width], ahead, count)


@_kernel
def sum_along(width, channels, count, row, room):  # type: ignore[no-untyped-def]
    """First pass of one captured row, whose part of `width` columns lies in the lines, to the stripe's `row`."""
    stripe, lines, first, weights = room[0], room[1], room[3], room[5]
    x0 = 0
    while x0 < count:
        x1 = _run_from(first, x0, count, 1)
        for channel in range(channels):
            start = channel * (width + SPARE) + first[x0] - first[0]
            target = row * ROW + channel * PITCH + x0
            _sum_side_by_side(weights, x0, lines, start, stripe, target, _vectors(x1 - x0))
        x0 = x1


@_kernel
def repeat_rows(low, high, rows, room):  # type: ignore[no-untyped-def]
    """Margins of the stripe: the capture's outermost rows once more, where the first pass came as far."""
    stripe = room[0]
    for n in range(TAPS):
        for i in range(ROW):
            if low == 0:
                stripe[n * ROW + i] = stripe[TAPS * ROW + i]
            if high == rows:
                stripe[(rows + TAPS + n) * ROW + i] = stripe[(rows + TAPS - 1) * ROW + i]


@_kernel
def join_lines(room, channels, light):  # type: ignore[no-untyped-def]
    """Lines of a finished row to its pixels."""
    red, green, blue = room[6], room[6][PITCH:], room[6][2 * PITCH :]
    if channels == 1:
        for x in range(light.shape[0]):
            light[x] = red[x]
    else:
        for x in range(light.shape[0] // 3):
            light[3 * x] = red[x]
            light[3 * x + 1] = green[x]
            light[3 * x + 2] = blue[x]


@_kernel
def sum_down(slope, offset, left, count, rows, channels, room):  # type: ignore[no-untyped-def]
    """Second pass of one finished row of the stripe, into the last of the room, a line each channel."""
    stripe, first, weights, out = room[0], room[3], room[5], room[6]
    whole = _vectors(count)
    _place_columns(slope, offset, left, rows, first[:whole], room[4][:whole])
    _weigh(room[4][:whole], weights)
    x0 = 0
    while x0 < count:
        x1, x = _run_from(first, x0, count, 0), x0
        while x < x1:  # up to where a line of the cache begins, and from there on
            many = SPARE if x & (SPARE - 1) else _vectors(x1 - x)
            for channel in range(channels):
                start = first[x0] * ROW + channel * PITCH + x
                _sum_one_below_another(weights, x, stripe, start, out, channel * PITCH + x, many)
            x = _vectors(x) if x & (SPARE - 1) else x1
        x0 = x1

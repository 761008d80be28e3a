"""Compiled loops of the proof: means over boxes of pixels, a copy's codes in one pass, transitions of light, sampling.

box_means        lines of samples   -> mean code of each box of a grid
read_delivered   Y'CbCr planes      -> means, screen light and codes out of range, all in one pass
screen_light     mean light of parts -> what a screen shows of them
step_flashing    one screen picture -> which parts of the screen rose or fell, and how often within a second
sample_picture   reduced picture    -> the same through an affine move, by straight lines between four pixels
warm             compiles all of it once

Imported inside functions only. Nothing here is used to make a film. No fastmath: the same input gives the same
numbers on every x86-64 machine.
"""

from typing import Any

import numpy as np
from numba import njit

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")

# Bits of a ring's cell: what a part of the screen did in one frame.
LIGHT, RED, WCAG = 1, 2, 4


@_kernel
def box_means(lines, channels, first, row_edges, column_edges, sums, out):  # type: ignore[no-untyped-def]
    """Mean code of each box into `out` (rows, columns, n), float32, for the n channels from `first` on.

    `lines` (height, width x channels), contiguous; edges are pixels of it, ascending. `sums` (width x channels) is room to
    work in: uint32 for whole codes, float64 else. Rows of a box are added first, so that neighbours are added at once.
    """
    begin, stop = column_edges[0] * channels, column_edges[-1] * channels
    for i in range(out.shape[0]):
        part = sums[begin:stop]
        for k in range(part.shape[0]):
            part[k] = 0
        for y in range(row_edges[i], row_edges[i + 1]):
            line = lines[y, begin:stop]
            for k in range(part.shape[0]):
                part[k] += line[k]
        high = row_edges[i + 1] - row_edges[i]
        for j in range(out.shape[1]):
            count = high * (column_edges[j + 1] - column_edges[j])
            for channel in range(out.shape[2]):
                total = 0.0
                for x in range(column_edges[j], column_edges[j + 1]):
                    total += sums[x * channels + first + channel]
                out[i, j, channel] = total / count if count > 0 else 0.0


@_kernel
def _spread_colour(blue, red, shift, equation, few, offsets):  # type: ignore[no-untyped-def]
    """What one line of colour samples adds to R', G' and B' of each pixel; `few` holds it for each sample."""
    middle, scale = equation[2], equation[3]
    red_cr, green_cb, green_cr, blue_cb = equation[4], equation[5], equation[6], equation[7]
    reds, greens, blues = few[0], few[1], few[2]
    for k in range(blue.shape[0]):
        cb = (blue[k] - middle) * scale
        cr = (red[k] - middle) * scale
        reds[k] = red_cr * cr
        greens[k] = green_cb * cb + green_cr * cr
        blues[k] = blue_cb * cb
    for channel in range(3):
        source, out = few[channel], offsets[channel]
        if shift == 1:
            for k in range(out.shape[0] // 2):
                out[2 * k] = source[k]
                out[2 * k + 1] = source[k]
            if out.shape[0] & 1:
                out[out.shape[0] - 1] = source[out.shape[0] // 2]
        else:
            for x in range(out.shape[0]):
                out[x] = source[x >> shift]


@_kernel
def _read_luma(luma, limits, values, outside):  # type: ignore[no-untyped-def]
    """One line of luma as a share of its span; where it lies out of range is counted, column by column."""
    start, gain, low, high = limits[0], limits[1], limits[2], limits[3]
    for x in range(luma.shape[0]):
        value = (np.float32(luma[x]) - start) * gain
        values[x] = value
        outside[x] += (value < low) | (value > high)


@_kernel
def _add_channel(values, offsets, limits, line, sums, outside):  # type: ignore[no-untyped-def]
    """One line of R', G' or B', 0 to 1, into `line` and onto `sums`; where it lies out of range is counted."""
    low, high = limits[2], limits[3]
    zero, one = np.float32(0.0), np.float32(1.0)
    for x in range(values.shape[0]):
        value = values[x] + offsets[x]
        outside[x] += (value < low) | (value > high)
        value = value if value > zero else zero
        value = value if value < one else one
        line[x] = value
        sums[x] += value


@_kernel
def _add_light(line, curve, paired, lights):  # type: ignore[no-untyped-def]
    """The light of a line onto `lights`: of each pixel, or of the mean of the two with one colour sample."""
    half = np.float32(0.5)
    c0, c1, c2, c3, c4, c5 = curve[0], curve[1], curve[2], curve[3], curve[4], curve[5]
    if paired:
        for k in range(lights.shape[0]):
            v = (line[2 * k] + line[2 * k + 1]) * half
            lights[k] += v * v * (c0 + v * (c1 + v * (c2 + v * (c3 + v * (c4 + v * c5)))))
    else:
        for k in range(lights.shape[0]):
            v = line[k]
            lights[k] += v * v * (c0 + v * (c1 + v * (c2 + v * (c3 + v * (c4 + v * c5)))))


@_kernel
def _gather(sums, shift, runs, place, out):  # type: ignore[no-untyped-def]
    """Sums of three lines over runs of columns onto the parts that column `place` of `runs` names."""
    reds, greens, blues = sums[0], sums[1], sums[2]
    for n in range(runs.shape[0]):
        part = runs[n, place]
        if part < 0:
            continue
        r = g = b = 0.0
        for x in range(runs[n, 0], runs[n, 1]):
            r += reds[x >> shift]
            g += greens[x >> shift]
            b += blues[x >> shift]
        out[part, 0] += r
        out[part, 1] += g
        out[part, 2] += b


@_kernel
def read_delivered(luma, blue, red, steps, equation, curve, rows, runs, cells, light, tiles, out_of_range):  # type: ignore[no-untyped-def]
    """One frame of a copy: sums of R'G'B' and light over cells and tiles, and pixels out of range.

    The planes are contiguous. `steps` (2,) pixels to a colour sample across and down. `equation`: luma offset, 1 / luma
    span, colour middle, 1 / colour span, red from Cr, green from Cb, green from Cr, blue from Cb, least and most of the
    range. `curve` (6,) float32: light of v is v v (curve[0] + curve[1] v + ...). `rows` (height, 2): cell and tile row of
    each row; `runs` (n, 4): first and last + 1 column, cell and tile column; -1 is no tile. `cells`, `light`, `tiles` (rows,
    columns, 3) receive sums; `out_of_range` (4,) the pixels whose R, G, B or Y lies outside. Lines of one band are added
    pixel by pixel, and along the line at its end.
    """
    height, width = luma.shape
    shift_x, shift_y = steps[0] >> 1, steps[1] >> 1  # 1, 2 and 4 pixels to a colour sample
    paired = 1 if shift_x else 0
    for n in range(1, runs.shape[0]):
        if runs[n, 0] & 1 and runs[n, 2] != runs[n - 1, 2]:
            paired = 0  # two pixels of a pair would lie in two cells
    lit = (width + 1) // 2 if paired else width
    limits = np.array([equation[0], equation[1], equation[8], equation[9]]).astype(np.float32)
    few, offsets = np.empty((3, blue.shape[1]), np.float32), np.empty((3, width), np.float32)
    values, line = np.empty(width, np.float32), np.empty(width + 1, np.float32)
    sums, lights = np.zeros((3, width), np.float32), np.zeros((3, width), np.float32)
    outside = np.zeros((4, width), np.int32)
    for y in range(height):
        if y == 0 or y >> shift_y != (y - 1) >> shift_y:
            _spread_colour(blue[y >> shift_y], red[y >> shift_y], shift_x, equation, few, offsets)
        _read_luma(luma[y], limits, values, outside[3])
        for channel in range(3):
            _add_channel(values, offsets[channel], limits, line, sums[channel], outside[channel])
            line[width] = line[width - 1]  # the second of a pair that the edge cuts
            _add_light(line, curve, paired, lights[channel, :lit])
        cell_row, tile_row = rows[y, 0], rows[y, 1]
        if y + 1 < height and rows[y + 1, 0] == cell_row and rows[y + 1, 1] == tile_row:
            continue
        _gather(sums, 0, runs, 2, cells[cell_row])
        _gather(lights, paired, runs, 2, light[cell_row])
        if tile_row >= 0:
            _gather(sums, 0, runs, 3, tiles[tile_row])
        sums[:] = 0.0
        lights[:] = 0.0
    for n in range(4):
        out_of_range[n] = outside[n].sum()


@_kernel
def screen_light(light, numbers, luminance, redness, saturated):  # type: ignore[no-untyped-def]
    """What a screen shows of linear R, G, B (rows, columns, 3): cd/m2, redness, and whether it is saturated red.

    `numbers` (6,): white, cd/m2; share of R, G and B in luminance; share of red from which on it is saturated; scale of
    redness.
    """
    white, red, green, blue = numbers[0], numbers[1], numbers[2], numbers[3]
    for i in range(light.shape[0]):
        for j in range(light.shape[1]):
            r, g, b = light[i, j, 0], light[i, j, 1], light[i, j, 2]
            luminance[i, j] = white * (red * r + green * g + blue * b)
            redness[i, j] = numbers[5] * max(0.0, r - g - b)
            saturated[i, j] = 1 if r > 0.0 and r >= numbers[4] * (r + g + b) else 0


@_kernel
def _count_turns(ring, counts, many, j, new):  # type: ignore[no-untyped-def]
    """What part `j` of a row did in this frame takes the place of what it did a second ago."""
    changed = ring[j] ^ new
    for kind in range(3):
        bit = 1 << kind
        if changed & bit:
            many[kind, min(counts[kind, j] // 2, 31)] -= 1
            counts[kind, j] += 1 if new & bit else -1
            many[kind, min(counts[kind, j] // 2, 31)] += 1
    ring[j] = new


@_kernel
def _find_turns(screen, redness, saturated, state, way, ring, counts, least, found, many, turns):  # type: ignore[no-untyped-def]
    """The parts of a row that turn, or whose turn of a second ago ends.

    All parts are first asked whether they could, in loops of few arrays, and few can.
    """
    low, high, lowest, highest = state[0], state[1], state[2], state[3]
    for j in range(screen.shape[0]):
        value = screen[j]
        turns[j] = (value - low[j] >= max(least[0], low[j] * least[1])) | (
            high[j] - value >= max(least[0], value * least[1])
        )
    for j in range(screen.shape[0]):
        value = redness[j]
        turns[j] |= (value - lowest[j] > least[2]) | (highest[j] - value > least[2])
    for j in range(screen.shape[0]):
        turns[j] |= ring[j]
    for j in range(screen.shape[0]):
        if not turns[j]:
            continue
        new, turned, darker, value = 0, 0, 0.0, screen[j]
        if way[0, j] <= 0 and value - low[j] >= max(least[0], low[j] * least[1]):
            turned, darker = 1, low[j]
        elif way[0, j] >= 0 and high[j] - value >= max(least[0], value * least[1]):
            turned, darker = -1, value
        if turned:
            way[0, j] = turned
            low[j] = high[j] = value
            new |= 1
            if darker < least[3]:
                new |= 4
            found[0 if turned > 0 else 1] += 1
        value, full, turned = redness[j], saturated[j] > 0, 0
        if way[1, j] <= 0 and value - lowest[j] > least[2]:
            turned = 1 if (full or state[4, j] > 0.0) else 2
        elif way[1, j] >= 0 and highest[j] - value > least[2]:
            turned = -1 if (full or state[5, j] > 0.0) else 2
        if turned == 1 or turned == -1:
            way[1, j] = turned
            lowest[j] = highest[j] = value
            state[4, j] = state[5, j] = 1.0 if full else 0.0
            new |= 2
            found[2 if turned > 0 else 3] += 1
        _count_turns(ring, counts, many, j, new)


@_kernel
def _widen(screen, redness, saturated, state):  # type: ignore[no-untyped-def]
    """Lowest and highest light and redness of the parts of a row, and whether they were saturated then; of a part that has
    just turned they are what it shows now, and stay."""
    low, high, lowest, highest = state[0], state[1], state[2], state[3]
    for j in range(screen.shape[0]):
        low[j] = min(low[j], screen[j])
        high[j] = max(high[j], screen[j])
    beyond = 0
    for j in range(screen.shape[0]):
        beyond |= (redness[j] < lowest[j]) | (redness[j] > highest[j])
    if not beyond:
        return
    for j in range(screen.shape[0]):
        if redness[j] < lowest[j]:
            lowest[j] = redness[j]
            state[4, j] = saturated[j]
        if redness[j] > highest[j]:
            highest[j] = redness[j]
            state[5, j] = saturated[j]


@_kernel
def step_flashing(screen, redness, saturated, state, way, ring, place, counts, least, found, many):  # type: ignore[no-untyped-def]
    """Follow every part of the screen by one frame.

    `screen` (rows, columns) cd/m2, `redness` the same, `saturated` whether it is saturated red, 0 or 1. `state` (rows, 6,
    columns): lowest and highest light, lowest and highest redness since the last transition, and whether these were saturated;
    `way` (rows, 2, columns): -1 fell last, 1 rose last, 0 neither yet. `ring` (frames, rows, columns) holds what each
    frame of the last second did, `place` the one that is overwritten; `counts` (rows, 3, columns) their sum.
    `least`: change of light that counts, its share of the darker, redness, and the darker light above which WCAG counts
    nothing. `found` (4,) receives parts whose light rose, fell, redness rose, fell. `many` (3, 32): how many parts have had
    so many flashes; it begins with all parts under none, and is kept.
    """
    found[:] = 0
    turns = np.empty(screen.shape[1], np.uint8)
    for i in range(screen.shape[0]):
        _find_turns(
            screen[i],
            redness[i],
            saturated[i],
            state[i],
            way[i],
            ring[place, i],
            counts[i],
            least,
            found,
            many,
            turns,
        )
        _widen(screen[i], redness[i], saturated[i], state[i])


@_kernel
def _sample_straight(source, move, out):  # type: ignore[no-untyped-def]
    """The same for a move that does not turn: each line of `source` is laid across once, and two of them make one of `out`."""
    (rows, columns), width = source.shape, out.shape[1]
    lines, made = np.empty((rows, width)), np.zeros(rows, np.bool_)
    places, parts = np.empty((2, width), np.int64), np.empty(width)
    for j in range(width):
        x = min(max(move[0] * j + move[2], 0.0), columns - 1.0)
        u = min(int(x), max(columns - 2, 0))
        places[0, j], places[1, j], parts[j] = u, min(u + 1, columns - 1), x - u
    for i in range(out.shape[0]):
        y = min(max(move[4] * i + move[5], 0.0), rows - 1.0)
        v = min(int(y), max(rows - 2, 0))
        down, q = min(v + 1, rows - 1), y - v
        for row in (v, down):
            if not made[row]:
                made[row] = True
                for j in range(width):
                    p = parts[j]
                    lines[row, j] = source[row, places[0, j]] * (1.0 - p) + source[row, places[1, j]] * p
        above, below, line = lines[v], lines[down], out[i]
        for j in range(width):
            line[j] = above[j] * (1.0 - q) + below[j] * q


@_kernel
def sample_picture(source, move, out):  # type: ignore[no-untyped-def]
    """`source` (rows, columns) at the places that `move` (a b c d e f) gives each pixel of `out`, by straight lines."""
    if move[1] == 0.0 and move[3] == 0.0:
        _sample_straight(source, move, out)
        return
    rows, columns = source.shape
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            x = move[0] * j + move[1] * i + move[2]
            y = move[3] * j + move[4] * i + move[5]
            x = min(max(x, 0.0), columns - 1.0)
            y = min(max(y, 0.0), rows - 1.0)
            u, v = min(int(x), max(columns - 2, 0)), min(int(y), max(rows - 2, 0))
            right, down = min(u + 1, columns - 1), min(v + 1, rows - 1)
            p, q = x - u, y - v
            above = source[v, u] * (1.0 - p) + source[v, right] * p
            below = source[down, u] * (1.0 - p) + source[down, right] * p
            out[i, j] = above * (1.0 - q) + below * q


def warm() -> None:
    """Compile every loop once, so that the first frame is as fast as the rest.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> warm()
    """
    edges = np.array([0, 2, 4])
    for kind, room in ((np.uint8, np.uint32), (np.uint16, np.uint32), (np.float32, np.float64)):
        box_means(
            np.zeros((4, 12), kind), 3, 0, edges, edges, np.zeros(12, room), np.zeros((2, 2, 3), np.float32)
        )
    sums: tuple[Any, ...] = tuple(np.zeros((2, 2, 3)) for _ in range(3))
    planes = (np.zeros((4, 4), np.uint8), np.zeros((2, 2), np.uint8), np.zeros((2, 2), np.uint8))
    rows, runs = np.zeros((4, 2), np.int64), np.array([[0, 4, 0, -1]])
    read_delivered(
        *planes,
        np.array([2, 2]),
        np.ones(10),
        np.zeros(6, np.float32),
        rows,
        runs,
        *sums,
        np.zeros(4, np.int64),
    )
    screen = np.zeros((2, 2), np.float32)
    screen_light(np.zeros((2, 2, 3)), np.zeros(6), screen, screen, np.zeros((2, 2), np.uint8))
    step_flashing(
        screen,
        screen,
        np.zeros((2, 2), np.uint8),
        np.zeros((2, 6, 2), np.float32),
        np.zeros((2, 2, 2), np.int8),
        np.zeros((3, 2, 2), np.uint8),
        0,
        np.zeros((2, 3, 2), np.int64),
        np.array([20.0, 0.125, 20.0, 160.0]),
        np.zeros(4, np.int64),
        np.zeros((3, 32), np.int64),
    )
    for kind in (np.float32, np.uint16):  # drawn for a test, kept while files are decoded
        sample_picture(np.zeros((2, 2), kind), np.array([1.0, 0, 0, 0, 1, 0]), np.zeros((2, 2), np.float32))

"""Compiled loops of the proof: means over boxes of pixels, a copy's codes in one pass, transitions of light, sampling.

box_means        samples            -> mean code of each box of a grid
read_delivered   Y'CbCr planes      -> means, screen light and codes out of range, all in one pass
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
def box_means(samples, row_edges, column_edges, out):  # type: ignore[no-untyped-def]
    """Mean code of each box of `samples` (height, width, channels) into `out` (rows, columns, channels), float32."""
    channels = samples.shape[2]
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            for channel in range(channels):
                out[i, j, channel] = 0.0
    sums = np.zeros((out.shape[1], channels), np.float64)
    for i in range(out.shape[0]):
        sums[:] = 0.0
        for y in range(row_edges[i], row_edges[i + 1]):
            for j in range(out.shape[1]):
                for channel in range(channels):
                    total = 0.0
                    for x in range(column_edges[j], column_edges[j + 1]):
                        total += samples[y, x, channel]
                    sums[j, channel] += total
        high = row_edges[i + 1] - row_edges[i]
        for j in range(out.shape[1]):
            count = high * (column_edges[j + 1] - column_edges[j])
            if count > 0:
                for channel in range(channels):
                    out[i, j, channel] = sums[j, channel] / count


@_kernel
def read_delivered(luma, blue, red, steps, equation, table, rows, runs, cells, light, tiles, out_of_range):  # type: ignore[no-untyped-def]
    """One frame of a copy: sums of R'G'B' and light over cells and tiles, and pixels out of range.

    `steps` (2,) pixels to a colour sample across and down. `equation`: luma offset, 1 / luma span, colour middle,
    1 / colour span, red from Cr, green from Cb, green from Cr, blue from Cb, least and most of the range. `table`: light
    of 0 to 1 in equal steps. `rows` (height, 2): cell and tile row of each row; `runs` (n, 4): first and last + 1
    column, cell and tile column; -1 is no tile. `cells`, `light`, `tiles` (rows, columns, 3) receive sums;
    `out_of_range` (4,) the pixels whose R, G, B or Y lies outside.
    """
    top = table.shape[0] - 1
    low, high = equation[8], equation[9]
    shift_x, shift_y = steps[0] >> 1, steps[1] >> 1  # 1, 2 and 4 pixels to a colour sample
    outside_r = outside_g = outside_b = outside_y = 0
    for y in range(luma.shape[0]):
        v = y >> shift_y
        cell_row, tile_row = rows[y, 0], rows[y, 1]
        for n in range(runs.shape[0]):
            r_sum = g_sum = b_sum = r_light = g_light = b_light = 0.0
            x, stop = runs[n, 0], runs[n, 1]
            while x < stop:
                # Two pixels beside one another with one colour sample: light of their mean.
                pair = 2 if shift_x and not x & 1 and x + 1 < stop else 1
                u = x >> shift_x
                cb = (blue[v, u] - equation[2]) * equation[3]
                cr = (red[v, u] - equation[2]) * equation[3]
                r_off, g_off, b_off = (
                    equation[4] * cr,
                    equation[5] * cb + equation[6] * cr,
                    equation[7] * cb,
                )
                r_mean = g_mean = b_mean = 0.0
                for k in range(x, x + pair):
                    value = (luma[y, k] - equation[0]) * equation[1]
                    r, g, b = value + r_off, value + g_off, value + b_off
                    outside_r += r < low or r > high
                    outside_g += g < low or g > high
                    outside_b += b < low or b > high
                    outside_y += value < low or value > high
                    r_mean += min(max(r, 0.0), 1.0)
                    g_mean += min(max(g, 0.0), 1.0)
                    b_mean += min(max(b, 0.0), 1.0)
                r_sum += r_mean
                g_sum += g_mean
                b_sum += b_mean
                scale = top / pair
                r_light += pair * table[int(r_mean * scale + 0.5)]
                g_light += pair * table[int(g_mean * scale + 0.5)]
                b_light += pair * table[int(b_mean * scale + 0.5)]
                x += pair
            column = runs[n, 2]
            cells[cell_row, column, 0] += r_sum
            cells[cell_row, column, 1] += g_sum
            cells[cell_row, column, 2] += b_sum
            light[cell_row, column, 0] += r_light
            light[cell_row, column, 1] += g_light
            light[cell_row, column, 2] += b_light
            if tile_row >= 0 and runs[n, 3] >= 0:
                tiles[tile_row, runs[n, 3], 0] += r_sum
                tiles[tile_row, runs[n, 3], 1] += g_sum
                tiles[tile_row, runs[n, 3], 2] += b_sum
    out_of_range[0] = outside_r
    out_of_range[1] = outside_g
    out_of_range[2] = outside_b
    out_of_range[3] = outside_y


@_kernel
def step_flashing(screen, redness, saturated, state, way, ring, place, counts, least, found, many):  # type: ignore[no-untyped-def]
    """Follow every part of the screen by one frame.

    `screen` (rows, columns) cd/m2, `redness` the same, `saturated` whether it is saturated red. `state` (rows, columns,
    6): lowest and highest light, lowest and highest redness since the last transition, and whether these were saturated;
    `way` (rows, columns, 2): -1 fell last, 1 rose last, 0 neither yet. `ring` (frames, rows, columns) holds what each
    frame of the last second did, `place` the one that is overwritten; `counts` (rows, columns, 3) their sum.
    `least`: change of light that counts, its share of the darker, redness, and the darker light above which WCAG counts
    nothing. `found` (4,) receives parts whose light rose, fell, redness rose, fell; `many` (3, 32) how many parts had
    so many flashes.
    """
    found[:] = 0
    many[:] = 0
    for i in range(screen.shape[0]):
        for j in range(screen.shape[1]):
            old = ring[place, i, j]
            if old & 1:
                counts[i, j, 0] -= 1
            if old & 2:
                counts[i, j, 1] -= 1
            if old & 4:
                counts[i, j, 2] -= 1
            new = 0
            value, low, high = screen[i, j], state[i, j, 0], state[i, j, 1]
            turned, darker = 0, 0.0
            if way[i, j, 0] <= 0 and value - low >= max(least[0], low * least[1]):
                turned, darker = 1, low
            elif way[i, j, 0] >= 0 and high - value >= max(least[0], value * least[1]):
                turned, darker = -1, value
            if turned:
                way[i, j, 0] = turned
                state[i, j, 0] = value
                state[i, j, 1] = value
                new |= 1
                if darker < least[3]:
                    new |= 4
                found[0 if turned > 0 else 1] += 1
            else:
                state[i, j, 0] = min(low, value)
                state[i, j, 1] = max(high, value)
            value, low, high = redness[i, j], state[i, j, 2], state[i, j, 3]
            full = saturated[i, j] > 0
            turned = 0
            if way[i, j, 1] <= 0 and value - low > least[2]:
                turned = 1 if (full or state[i, j, 4] > 0.0) else 2
            elif way[i, j, 1] >= 0 and high - value > least[2]:
                turned = -1 if (full or state[i, j, 5] > 0.0) else 2
            if turned == 1 or turned == -1:
                way[i, j, 1] = turned
                state[i, j, 2] = value
                state[i, j, 3] = value
                state[i, j, 4] = 1.0 if full else 0.0
                state[i, j, 5] = state[i, j, 4]
                new |= 2
                found[2 if turned > 0 else 3] += 1
            else:
                if value < low:
                    state[i, j, 2] = value
                    state[i, j, 4] = 1.0 if full else 0.0
                if value > high:
                    state[i, j, 3] = value
                    state[i, j, 5] = 1.0 if full else 0.0
            ring[place, i, j] = new
            if new & 1:
                counts[i, j, 0] += 1
            if new & 2:
                counts[i, j, 1] += 1
            if new & 4:
                counts[i, j, 2] += 1
            for kind in range(3):
                many[kind, min(counts[i, j, kind] // 2, 31)] += 1


@_kernel
def sample_picture(source, move, out):  # type: ignore[no-untyped-def]
    """`source` (rows, columns) at the places that `move` (a b c d e f) gives each pixel of `out`, by straight lines."""
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
    for kind in (np.uint8, np.uint16, np.float32):
        box_means(np.zeros((4, 4, 3), kind), edges, edges, np.zeros((2, 2, 3), np.float32))
    sums: tuple[Any, ...] = tuple(np.zeros((2, 2, 3)) for _ in range(3))
    planes = (np.zeros((4, 4), np.uint8), np.zeros((2, 2), np.uint8), np.zeros((2, 2), np.uint8))
    rows, runs = np.zeros((4, 2), np.int64), np.array([[0, 4, 0, -1]])
    read_delivered(
        *planes,
        np.array([2, 2]),
        np.ones(10),
        np.zeros(4096, np.float32),
        rows,
        runs,
        *sums,
        np.zeros(4, np.int64),
    )
    screen = np.zeros((2, 2), np.float32)
    step_flashing(
        screen,
        screen,
        np.zeros((2, 2), np.uint8),
        np.zeros((2, 2, 6), np.float32),
        np.zeros((2, 2, 2), np.int8),
        np.zeros((3, 2, 2), np.uint8),
        0,
        np.zeros((2, 2, 3), np.int64),
        np.array([20.0, 0.125, 20.0, 160.0]),
        np.zeros(4, np.int64),
        np.zeros((3, 32), np.int64),
    )
    sample_picture(screen, np.array([1.0, 0, 0, 0, 1, 0]), np.zeros((2, 2), np.float32))

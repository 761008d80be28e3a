"""Compiled loops of `picture.gate`: where a side's film is unexposed, and where its light has fallen by half.

count_bare      samples, peaks   -> rows of each side with such an edge at each offset, and with unexposed film behind it
average_rows    samples          -> samples around each side's start, five rows averaged
half_exposures  those            -> where each row has fallen half way, and the light on either side
warm            compiles them once

Imported inside functions only. Double precision, no fastmath: the same numbers everywhere.
"""

import numpy as np
from numba import njit

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")
_INSIDE = 6  # samples inside an edge that say the subject's light there
_BEYOND = 3
_NEAR = 6  # samples to either side of a crossing among which it is looked for again


@_kernel
def count_bare(samples, valid, peaks, border_light, bright, limits, far, edges, bare):  # type: ignore[no-untyped-def]
    """Rows of each side (sides, offsets) with a peak before unexposed film, and with such film well behind, whatever their edge.

    `limits` are, of a bright border, how far light may differ from its own, and of a dark one the shares of the light inside
    and the least lights near the edge and far behind it. `far` is the first sample outward and the one behind the last that
    are averaged there, which upright sides (every other one) are asked for.
    """
    differ, near_share, near_light, far_share, far_light = limits
    count = samples.shape[2]
    sums, sign = np.zeros(count + 1), -1.0 if bright else 1.0
    edges[:] = 0
    bare[:] = 0
    for side in range(samples.shape[0]):
        for row in range(samples.shape[1]):
            if not valid[side, row]:
                continue
            line = samples[side, row]
            for k in range(count):
                sums[k + 1] = sums[k] + sign * line[k]
            for k in range(count):
                inside, beyond = np.nan, np.nan
                if k >= 5:
                    inside = sign * (line[k - 3] + line[k - 4] + line[k - 5]) / 3
                if k < count - 5:
                    beyond = sign * (line[k + 3] + line[k + 4] + line[k + 5]) / 3
                behind = True
                if side % 2 == 0:
                    behind = False
                    if k <= count - far[1]:
                        mean = (sums[k + far[1]] - sums[k + far[0]]) / (far[1] - far[0])
                        if bright:
                            behind = abs(mean / border_light - 1.0) < differ
                        elif k >= 5:
                            behind = mean < max(far_share * inside, far_light)
                if not behind:
                    continue
                bare[side, k] += 1
                if not peaks[side, row, k] or k < 5 or k >= count - 5:
                    continue
                if bright:
                    edges[side, k] += (abs(beyond / border_light - 1.0) < differ) & (inside < beyond)
                else:
                    edges[side, k] += beyond < max(near_share * inside, near_light)


@_kernel
def average_rows(samples, begin, averaged, out):  # type: ignore[no-untyped-def]
    """Samples of each side (sides, rows, offsets) from offset `begin` on, so many neighbouring rows averaged; end rows repeat."""
    rows = samples.shape[1]
    for side in range(out.shape[0]):
        first = begin[side]
        for row in range(rows):
            line = out[side, row]
            for turn in range(averaged):
                other = samples[side, min(max(row + turn - averaged // 2, 0), rows - 1)]
                if turn == 0:
                    for k in range(line.shape[0]):
                        line[k] = other[first + k]
                else:
                    for k in range(line.shape[0]):
                        line[k] += other[first + k]
            for k in range(line.shape[0]):
                line[k] /= averaged


@_kernel
def _place(offset, first, count):  # type: ignore[no-untyped-def]
    """Number of the sample nearest to an offset."""
    return int(min(max(np.floor(offset + 0.5) - first, 0.0), count - 1.0))


@_kernel
def half_exposures(samples, first, clear, valid, crossing, edge, dark):  # type: ignore[no-untyped-def]
    """Where each row (sides, rows) has fallen half way from the light at its edge to that beyond, found twice over.

    `first` is the offset of a side's first sample, `clear` how far from a crossing its blur reaches. `crossing` begins where
    the edge is looked for; `valid` is taken from rows that have none. `edge` and `dark` get the light at the edge and beyond.
    """
    count = samples.shape[2]
    inside, places = np.empty(_INSIDE), np.empty(_INSIDE)
    near = np.empty(2 * _NEAR + 1)
    for side in range(samples.shape[0]):
        for row in range(samples.shape[1]):
            line, begin = samples[side, row], first[side]
            for _ in range(2):
                at = crossing[side, row]
                mean, middle, beyond = 0.0, 0.0, 0.0
                for k in range(_INSIDE):
                    n = _place(at - clear[side] - k, begin, count)
                    inside[k], places[k] = line[n], n + begin
                    mean += inside[k]
                    middle += places[k]
                mean /= _INSIDE
                middle /= _INSIDE
                for k in range(_BEYOND):
                    beyond += line[_place(at + clear[side] + k, begin, count)]
                beyond /= _BEYOND
                product, power = 0.0, 0.0
                for k in range(_INSIDE):
                    product += (places[k] - middle) * inside[k]
                    power += (places[k] - middle) * (places[k] - middle)
                rise = (mean - beyond) + product / power * (at - middle)
                if rise < 0.5 * (mean - beyond):
                    rise = 0.5 * (mean - beyond)
                if rise > 1.6 * max(mean - beyond, 0.0):
                    rise = 1.6 * max(mean - beyond, 0.0)
                edge[side, row], dark[side, row] = beyond + rise, beyond
                half = beyond + rise / 2
                for k in range(2 * _NEAR + 1):
                    near[k] = line[_place(at + (k - _NEAR), begin, count)]
                best, nearest = -1, np.inf
                for k in range(2 * _NEAR):
                    if near[k] > half and near[k + 1] <= half and abs(k - _NEAR + 0.5) < nearest:
                        best, nearest = k, abs(k - _NEAR + 0.5)
                if best < 0 or not mean > beyond:
                    valid[side, row] = False
                if valid[side, row]:
                    high, low = near[best], near[best + 1]
                    share = (high - half) / (high - low) if high > low else 0.5
                    crossing[side, row] = _place(at + (best - _NEAR), begin, count) + begin + share


def warm() -> None:
    """Compile the loops once, so that the first frame is as fast as the rest.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> warm()
    """
    from smallgauge.picture.gate import find_gate_sides

    frame = np.full((160, 200), 0.01, np.float32)
    frame[43:121, 52:151] = 0.4
    find_gate_sides(
        frame,
        reference=(100, 80),
        nominal=(-50, -40, 50, 40),
        search_x_px=10,
        search_y_px=10,
        border_light=0.01,
        blur_px=0.5,
    )

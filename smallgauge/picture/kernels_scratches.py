"""Compiled loops of scratches: what many frames say of a light that lies still on the film.

gather      differences of frames in a row, what each is worth  ->  normal equations of the film's own profile
smoothed    normal equations                                    ->  the same for lines of one width
looks       differences, what is left of them, a line's profile ->  its depth band by band and frame by frame
warm        compiles all of it once

Imported inside functions only. No fastmath: the same input gives the same numbers on every x86-64 machine.
"""

from typing import Any

import numpy as np
from numba import njit

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")


@_kernel
def _taps(place, columns, share):  # type: ignore[no-untyped-def]
    """First of four columns around a place, and the share of each (cubic, through the columns' own values), into `share`."""
    i = min(max(int(np.floor(place)), 1), columns - 3)
    f = min(max(place - i, 0.0), 1.0)
    share[0] = f * (-0.5 + f * (1.0 - 0.5 * f))
    share[1] = 1.0 + f * f * (-2.5 + 1.5 * f)
    share[2] = f * (0.5 + f * (2.0 - 1.5 * f))
    share[3] = f * f * (-0.5 + 0.5 * f)
    return i - 1


@_kernel
def _between(profile, place, share):  # type: ignore[no-untyped-def]
    """A profile between its columns."""
    i = _taps(place, profile.shape[0], share)
    return (
        profile[i] * share[0]
        + profile[i + 1] * share[1]
        + profile[i + 2] * share[2]
        + profile[i + 3] * share[3]
    )


@_kernel
def gather(difference, worth, moved, off, off_before, matrix, right):  # type: ignore[no-untyped-def]
    """Add one pair of frames to the normal equations of a profile s in film columns.

    `difference`, `worth`, `moved` (bands, columns): a column of the frame less its own place in the frame before, what that is
    worth (1 over its variance), and where it lay, px. `off`, `off_before`: film column less the frame's own. The model
    is difference = s(column + off) - s(column + moved + off_before).
    """
    bands, columns = difference.shape
    where = np.zeros(8, np.int64)
    share, taps = np.zeros(8), np.zeros(4)
    for b in range(bands):
        for x in range(columns):
            w = worth[b, x]
            if w <= 0.0:
                continue
            for side in range(2):
                place = x + off if side == 0 else x + moved[b, x] + off_before
                i = _taps(place, columns, taps)
                for k in range(4):
                    where[4 * side + k] = i + k
                    share[4 * side + k] = taps[k] if side == 0 else -taps[k]
            for m in range(8):
                if share[m] == 0.0:
                    continue
                right[where[m]] += w * difference[b, x] * share[m]
                for n in range(8):
                    matrix[where[m], where[n]] += w * share[m] * share[n]


@_kernel
def smoothed(matrix, profile, out):  # type: ignore[no-untyped-def]
    """`matrix` (columns, columns) times lines of one width at every column, `profile` (odd) their shape, into `out`."""
    columns = matrix.shape[0]
    reach = profile.shape[0] // 2
    for i in range(columns):
        for x in range(columns):
            total = 0.0
            for k in range(max(0, x - reach), min(columns, x + reach + 1)):
                total += matrix[i, k] * profile[k - x + reach]
            out[i, x] = total


@_kernel
def looks(left, worth, moved, off, tint, profile, told):  # type: ignore[no-untyped-def]
    """What every band of every frame says of one line, into `told` (frames, bands, 6).

    `left` (frames, bands, columns): differences less what all lines explain, the line's own put back. `off` (frames, 2): film
    column less the frame's own, now and before. `tint` (frames, 2, bands, columns): the same differences, of the first and the
    last colour, less that of all light. `profile` (columns): the line, 1 at its middle. Told are sums over the columns:
    product with the line's own difference, its square, product of either tint, and, where the line counts, the square of what is
    left and how many columns those are.
    """
    frames, bands, columns = left.shape
    share = np.zeros(4)
    for t in range(frames):
        for b in range(bands):
            for x in range(columns):
                w = worth[t, b, x]
                if w <= 0.0:
                    continue
                d = _between(profile, x + off[t, 0], share)
                d -= _between(profile, x + moved[t, b, x] + off[t, 1], share)
                if abs(d) < 0.1:
                    continue
                told[t, b, 0] += w * left[t, b, x] * d
                told[t, b, 1] += w * d * d
                told[t, b, 2] += w * tint[t, 0, b, x] * d
                told[t, b, 3] += w * tint[t, 1, b, x] * d
                told[t, b, 4] += w * left[t, b, x] ** 2
                told[t, b, 5] += 1.0


@_kernel
def explained(worth, moved, off, profile, out):  # type: ignore[no-untyped-def]
    """The differences that a profile in film columns makes, into `out` (frames, bands, columns)."""
    frames, bands, columns = worth.shape
    share = np.zeros(4)
    for t in range(frames):
        for b in range(bands):
            for x in range(columns):
                d = _between(profile, x + off[t, 0], share)
                out[t, b, x] = d - _between(profile, x + moved[t, b, x] + off[t, 1], share)


def warm() -> None:
    """Compile every loop of this file for the types that it is called with."""
    pair: Any = np.zeros((2, 8), np.float32)
    many: Any = np.zeros((2, 2, 8), np.float32)
    matrix: Any = np.zeros((8, 8))
    gather(pair, pair, pair, 0.0, 0.0, matrix, np.zeros(8))
    smoothed(matrix, np.ones(3), np.zeros((8, 8)))
    off: Any = np.zeros((2, 2))
    tint: Any = np.zeros((2, 2, 2, 8), np.float32)
    looks(many, many, many, off, tint, np.zeros(8), np.zeros((2, 2, 6)))
    explained(many, many, off, np.zeros(8), np.zeros((2, 2, 8), np.float32))

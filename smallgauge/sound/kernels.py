"""Compiled loops of the sound room: the smoother of time stamps and the position-driven sinc.

Imported inside functions only. No fastmath: the same input gives the same bytes on every machine.
Each kernel has its plain NumPy twin in the tests or beside it in `speed.py`.
"""

from typing import Any

import numpy as np
from numba import njit

Array = np.ndarray[Any, np.dtype[np.float64]]


@njit(nogil=True, parallel=False, cache=True)
def filter_stamps(t: Array, y: Array, r: Array, rho: float, states: Array) -> tuple[float, float]:
    """Kalman filter of an integrated Wiener process; fills `states`, returns the two likelihood sums.

    `t` (n,) times, `y` (n,) positions, `r` (n,) relative variances of `y`, `rho` the relative power
    of the acceleration. `states` (n, 5) receives position, speed and the variances P11, P12, P22
    after each observation, from the second on (the first two start the filter exactly, with nothing
    assumed of place and speed). Returns the sum of squared normalised innovations and the sum of the
    logarithms of their relative variances.
    """
    n = t.shape[0]
    d = t[1] - t[0]
    x = y[1]
    v = (y[1] - y[0]) / d
    p11 = r[1]
    p12 = r[1] / d
    p22 = (r[0] + r[1]) / (d * d) + rho * d / 3.0
    states[1, 0], states[1, 1], states[1, 2], states[1, 3], states[1, 4] = x, v, p11, p12, p22
    squares = 0.0
    logs = 0.0
    for i in range(2, n):
        d = t[i] - t[i - 1]
        x = x + d * v
        a11 = p11 + d * (2.0 * p12 + d * p22) + rho * d * d * d / 3.0
        a12 = p12 + d * p22 + rho * d * d / 2.0
        a22 = p22 + rho * d
        f = a11 + r[i]
        k1 = a11 / f
        k2 = a12 / f
        e = y[i] - x
        x = x + k1 * e
        v = v + k2 * e
        p11 = k1 * r[i]
        p12 = k2 * r[i]
        p22 = a22 - k2 * a12
        squares += e * e / f
        logs += np.log(f)
        states[i, 0], states[i, 1], states[i, 2], states[i, 3], states[i, 4] = x, v, p11, p12, p22
    return squares, logs


@njit(nogil=True, parallel=False, cache=True)
def smooth_stamps(t: Array, y: Array, r: Array, rho: float, states: Array) -> None:
    """Rauch-Tung-Striebel pass backwards over `states` of `filter_stamps`, in place, to the first stamp."""
    n = t.shape[0]
    for i in range(n - 2, 0, -1):
        d = t[i + 1] - t[i]
        x, v = states[i, 0], states[i, 1]
        p11, p12, p22 = states[i, 2], states[i, 3], states[i, 4]
        a11 = p11 + d * (2.0 * p12 + d * p22) + rho * d * d * d / 3.0
        a12 = p12 + d * p22 + rho * d * d / 2.0
        a22 = p22 + rho * d
        det = a11 * a22 - a12 * a12
        c11 = p11 + d * p12  # P F', row by row
        c21 = p12 + d * p22
        g11 = (c11 * a22 - p12 * a12) / det
        g12 = (p12 * a11 - c11 * a12) / det
        g21 = (c21 * a22 - p22 * a12) / det
        g22 = (p22 * a11 - c21 * a12) / det
        ex = states[i + 1, 0] - (x + d * v)
        ev = states[i + 1, 1] - v
        b11 = states[i + 1, 2] - a11
        b12 = states[i + 1, 3] - a12
        b22 = states[i + 1, 4] - a22
        states[i, 0] = x + g11 * ex + g12 * ev
        states[i, 1] = v + g21 * ex + g22 * ev
        h11 = g11 * b11 + g12 * b12
        h12 = g11 * b12 + g12 * b22
        h21 = g21 * b11 + g22 * b12
        h22 = g21 * b12 + g22 * b22
        states[i, 2] = p11 + h11 * g11 + h12 * g12
        states[i, 3] = p12 + h11 * g21 + h12 * g22
        states[i, 4] = p22 + h21 * g21 + h22 * g22
    # The first stamp, given the second state: a natural end (no acceleration) of the same process.
    d = t[1] - t[0]
    w = 3.0 / (rho * d * d * d)
    total = 1.0 / r[0] + w
    back = states[1, 0] - d * states[1, 1]
    states[0, 0] = (y[0] / r[0] + w * back) / total
    states[0, 1] = 0.5 * (3.0 * (states[1, 0] - states[0, 0]) / d - states[1, 1])
    spread = states[1, 2] - 2.0 * d * states[1, 3] + d * d * states[1, 4]
    states[0, 2] = 1.0 / total + (w / total) * (w / total) * spread
    states[0, 3] = 0.0
    states[0, 4] = 0.0


@njit(nogil=True, parallel=False, cache=True)
def sinc_at(
    samples: Array,
    offset: int,
    position: Array,
    scale: Array,
    table: Array,
    half_width: int,
    steps: int,
    out: Array,
) -> None:
    """Fill `out` (m, channels) with `samples` (n, channels) read at `position` (m,).

    `offset` is the number of the first sample in `samples`; `scale` (m,) is 1 or less and narrows the
    band, widening the kernel; `table` holds the kernel's right half, `steps` values a sample, with one
    value to spare. The caller sees to it that every needed sample is there.
    """
    channels = samples.shape[1]
    for m in range(position.shape[0]):
        q = position[m]
        s = scale[m]
        reach = half_width / s
        first = int(np.ceil(q - reach))
        stop = int(np.floor(q + reach)) + 1
        per = s * steps
        for c in range(channels):
            out[m, c] = 0.0
        for k in range(first, stop):
            u = abs(q - k) * per
            j = int(u)
            a = u - j
            h = table[j] + a * (table[j + 1] - table[j])
            for c in range(channels):
                out[m, c] += h * samples[k - offset, c]
        for c in range(channels):
            out[m, c] *= s

"""Compiled loops of the sound room: the smoother of time stamps and the position-driven sinc.

Imported inside functions only. No fastmath: the same input gives the same bytes on every machine.
Each kernel has its plain NumPy twin in the tests or beside it in `speed.py`.
"""

from typing import Any

import numpy as np
from numba import njit

Array = np.ndarray[Any, np.dtype[np.float64]]


@njit(nogil=True, parallel=False, cache=True)
def smooth_stamps(t: Array, y: Array, r: Array, rho: Array, out: Array, driven: Array) -> None:
    """Smooth positions `y` (n,) at rising times `t` (n,), with a penalty on the third derivative.

    Least sum of (y - x)^2 / r plus h (D x)^2 / rho, where D x (n - 3,) is the third derivative by divided
    differences and h the time that each stands for; `r` (n,) is the relative variance of the positions,
    `rho` (n - 3,) the relative power of the third derivative. Solved for what is taken off, not for what is
    left [Reinsch1967], (D R D' + rho / h) g = D y, x = y - R D' g, so nothing large is subtracted; the
    diagonal of the influence matrix comes from the band of the inverse [HutchinsonDeHoog1985].

    `out` (n, 2) receives x and each stamp's pull on its own place, 0 to 1. `driven` (n - 3, 2) receives the
    square of the third derivative over its expectation, for a scatter of 1, and the share of its variance
    that is left unknown.
    """
    n = t.shape[0]
    k = n - 3
    c = np.empty((k, 4))
    share = np.empty(k)
    for i in range(k):
        for j in range(4):
            product = 1.0
            for w in range(4):
                if w != j:
                    product *= t[i + j] - t[i + w]
            c[i, j] = 6.0 / product
        share[i] = 3.0 * rho[i] / (t[i + 3] - t[i])
    # M = D R D' + share = L diag(d) L', band of 3 below the diagonal.
    low = np.zeros((k, 4))  # low[i, w]: L[i, i - w]
    d = np.empty(k)
    g = np.empty(k)
    for i in range(k):
        for w in range(min(i, 3), -1, -1):
            j = i - w
            total = share[i] if w == 0 else 0.0
            for a in range(4 - w):
                total += c[i, a] * r[i + a] * c[j, a + w]
            for e in range(max(0, i - 3), j):
                total -= low[i, i - e] * d[e] * low[j, j - e]
            if w:
                low[i, w] = total / d[j]
            else:
                d[i] = total
        value = 0.0
        for a in range(4):
            value += c[i, a] * y[i + a]
        for w in range(1, min(i, 3) + 1):
            value -= low[i, w] * g[i - w]
        g[i] = value
    inverse = np.zeros((k, 4))  # inverse[i, w]: the inverse of M at (i, i + w)
    for i in range(k - 1, -1, -1):
        g[i] /= d[i]
        reach = min(3, k - 1 - i)
        for w in range(1, reach + 1):
            g[i] -= low[i + w, w] * g[i + w]
        for w in range(reach, -1, -1):
            total = 1.0 / d[i] if w == 0 else 0.0
            for e in range(1, reach + 1):
                first, second = min(i + w, i + e), abs(w - e)
                total -= low[i + e, e] * inverse[first, second]
            inverse[i, w] = total
    for m in range(n):
        off = 0.0
        free = 0.0
        for i in range(max(0, m - 3), min(k, m + 1)):
            off += c[i, m - i] * g[i]
            for j in range(max(0, m - 3), min(k, m + 1)):
                free += c[i, m - i] * inverse[min(i, j), abs(i - j)] * c[j, m - j]
        out[m, 0] = y[m] - r[m] * off
        out[m, 1] = 1.0 - r[m] * free
    for i in range(k):
        driven[i, 0] = g[i] * g[i] * share[i]
        driven[i, 1] = 1.0 - share[i] * inverse[i, 0]


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
        if channels == 1:  # the sum need not go through memory: half the time
            total = 0.0
            for k in range(first, stop):
                u = abs(q - k) * per
                j = int(u)
                a = u - j
                total += (table[j] + a * (table[j + 1] - table[j])) * samples[k - offset, 0]
            out[m, 0] = total * s
            continue
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

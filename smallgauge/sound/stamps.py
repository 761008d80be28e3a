"""Time stamps of frames: which can be believed, and the smooth curve of film position that they stand for."""

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from smallgauge.sound.curves import Floats, hermite

# A stamp is set aside when it stands further than this many of its own standard deviations from the place
# that all other stamps give it. common practice, no source.
ASIDE_LIMIT = 6.0
# Scatter below this share of the time between frames is never called straying. common practice, no source.
STRAY_SHARE = 0.01
# Between two knots the speed stays within these multiples of their mean speed; 3 is the limit for a
# monotone cubic [FritschCarlson1980], the margin keeps the film from standing still between frames.
SPEED_SHARE = (0.1, 2.5)
# A smoothing is chosen as if each stamp's pull on its own place cost this many times its share: 1 is plain
# cross-validation [CravenWahba1979], a little more guards against following scatter [KimGu2004].
GCV_FACTOR = 1.4
# Degrees of freedom of the t distribution from which a change of acceleration is taken where that explains
# the stamps better: a hand on the speed knob is not the wander of a motor. common practice, no source.
TAIL = 4.0
STAMP_FLOOR_S = 1e-7  # no clock of a scanner is trusted further. common practice, no source


class _Smoothed(NamedTuple):
    """What the smoother gives for a list of stamps."""

    x: Floats
    speed: Floats
    pull: Floats  # of each stamp on its own place, 0 to 1
    weight: Floats  # relative variance of the observations: speed squared
    sigma_s: float
    bandwidth_hz: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """Film position over time as the stamps show it: knots of a cubic Hermite curve that rises everywhere."""

    t_s: Floats
    x: Floats  # frames
    speed: Floats  # frames a second
    kept: NDArray[np.intp]  # places of the stamps that it rests on
    scatter_s: float  # of these stamps about the curve, rms, for its degrees of freedom
    bandwidth_hz: float  # changes of speed are followed up to here; 0 for a straight line


def find_curve(times: Floats, x: Floats) -> Curve | None:
    """The curve that time stamps stand for, and which of them can be believed; see `solve_film_time`.

    Parameters
    ----------
    times : array, shape (n,)
        Stamp of each captured frame, seconds; NaN where there is none.
    x : array, shape (n,)
        Its film position, frames; NaN where there is none.

    Returns
    -------
    Curve or None
        None where fewer than two stamps can be believed.

    Examples
    --------
    >>> curve = find_curve(np.array([0.0, 0.1, 0.2, 0.9, 0.4]), np.arange(5.0))
    >>> curve.kept.tolist(), curve.speed.round(3).tolist()
    ([0, 1, 2, 4], [10.0, 10.0, 10.0, 10.0])
    """
    times = np.round(times / STAMP_FLOOR_S) * STAMP_FLOOR_S  # what is finer is no time that a clock told
    kept = _running_forwards(times, x)
    if len(kept) < 2:
        return None
    smoothed = _smooth(times[kept], x[kept])
    while len(far := _strays(x[kept], smoothed)):
        kept = np.delete(kept, far)
        smoothed = _smooth(times[kept], x[kept])
    more = _taken_back(times, x, kept, smoothed)
    if len(more) > len(kept):
        kept = more
        smoothed = _smooth(times[kept], x[kept])
    t, position, speed = _rising(times[kept], smoothed.x, smoothed.speed)
    return Curve(
        t_s=t,
        x=position,
        speed=speed,
        kept=kept,
        scatter_s=smoothed.sigma_s,
        bandwidth_hz=smoothed.bandwidth_hz,
    )


def _running_forwards(times: Floats, x: Floats) -> NDArray[np.intp]:
    """Places of the stamps that surely run forwards, in time and in film position.

    A frame whose position does not rise above that of the usable frame before it (a frame captured twice)
    is left out. Of the rest, those stay that belong to every longest rising list of times: where two stamps
    run against one another and either could be the false one, neither stays.
    """
    usable: list[int] = []
    for i in np.flatnonzero(np.isfinite(times) & np.isfinite(x)):
        if not usable or x[i] > x[usable[-1]]:
            usable.append(int(i))
    t = times[usable]
    to, since = _rising_lengths(t), _rising_lengths(-t[::-1])[::-1]
    longest = int(to.max(initial=0))
    on_path = to + since - 1 == longest
    alone = np.bincount(to[on_path], minlength=longest + 1) == 1
    surely: NDArray[np.intp] = np.array(usable, dtype=np.intp)[on_path & alone[to]]
    return surely


def _rising_lengths(values: Floats) -> NDArray[np.intp]:
    """Length of the longest rising list that ends at each value (patience sorting)."""
    ends: list[float] = []  # smallest last value of a rising list of each length
    lengths = np.zeros(len(values), dtype=np.intp)
    for i, value in enumerate(values.tolist()):
        place = bisect_left(ends, value)
        ends[place : place + 1] = [value]
        lengths[i] = place + 1
    return lengths


def _smooth(t: Floats, x: Floats) -> _Smoothed:
    """Smoothing spline of position over time, as strong as cross-validation of the stamps asks for.

    Why this is long: the score of a smoothing closes over the arrays that it fills.
    """
    from smallgauge.sound.kernels import smooth_stamps

    n = len(t)
    if n < 7:  # too few to tell scatter from change of speed: a straight line
        slope, start = np.polyfit(t - t[0], x, 1)
        line = start + slope * (t - t[0])
        sigma = float(np.sqrt(np.mean((x - line) ** 2))) / float(slope)
        return _Smoothed(line, np.full(n, slope), np.zeros(n), np.full(n, slope**2), sigma, 0.0)
    step = float(np.median(np.diff(t)))  # unit of time inside, so that all numbers are near 1
    u = (t - t[0]) / step
    reach = np.arange(n)
    left, right = np.maximum(reach - 5, 0), np.minimum(reach + 5, n - 1)
    pace = (x[right] - x[left]) / (u[right] - u[left])  # frames a step
    floor = (STAMP_FLOOR_S / step) ** 2
    out, driven = np.zeros((n, 2)), np.zeros((n - 3, 2))
    tail = np.ones(n - 3)
    best, least = None, np.inf
    for round_ in range(6):  # weights and tails need the curve, the curve needs both
        weight = pace**2

        def score(log_edge: float, weight: Floats = weight, tail: Floats = tail) -> float:
            smooth_stamps(u, x, weight, tail * np.exp(6.0 * log_edge), out, driven)
            left = 1.0 - GCV_FACTOR * float(np.mean(out[:, 1]))
            miss = float(np.mean((x - out[:, 0]) ** 2 / weight)) + floor
            return float(np.log(miss) - 2.0 * np.log(left)) if left > 0.0 else float("inf")

        # The spline passes 1 / (1 + (w / edge)^6) of a change at w radians a step, with edge^6 = rho /
        # (variance of a stamp times their spacing), which is rho here [derived].
        log_edge = _least(score, float(np.log(1e-2)), float(np.log(4.0 * np.pi)))
        found = score(log_edge)
        free = n - float(np.sum(out[:, 1]))
        sigma2 = (float(np.sum((x - out[:, 0]) ** 2 / weight)) + n * floor) / free
        slope = _slopes(u, out[:, 0])
        if round_ and found < least:  # round 0 has only a first guess of the weights
            least = found
            best = _Smoothed(
                x=out[:, 0].copy(),
                speed=slope / step,
                pull=out[:, 1].copy(),
                weight=weight / step**2,
                sigma_s=step * float(np.sqrt(sigma2)),
                bandwidth_hz=float(np.exp(log_edge)) / (2.0 * np.pi * step),
            )
        pace = np.maximum(slope, 0.05 * float(np.median(pace)))
        if round_:
            tail = tail * (TAIL + driven[:, 0] / sigma2 + driven[:, 1]) / (TAIL + 1.0)
            tail = tail / np.exp(np.mean(np.log(tail)))
    assert best is not None
    return best


def _slopes(t: Floats, x: Floats) -> Floats:
    """Slope at each knot of the quartic through it and its four nearest in the list (n >= 5)."""
    n = len(t)
    first = np.clip(np.arange(n) - 2, 0, n - 5)
    near = first[:, None] + np.arange(5)
    own = t[:, None]
    slope = np.zeros(n)
    for j in range(5):  # derivative of Lagrange's polynomials at the knot
        others = [w for w in range(5) if w != j]
        bottom = np.prod([t[near[:, j]] - t[near[:, w]] for w in others], axis=0)
        top = np.zeros(n)
        for gone in others:
            top = top + np.prod([own[:, 0] - t[near[:, w]] for w in others if w != gone], axis=0)
        slope = slope + x[near[:, j]] * (top / bottom)
    return slope


def _least(function: Callable[[float], float], low: float, high: float) -> float:
    """Place of the least value: a grid of 33, then golden sections around the best of them."""
    grid = np.linspace(low, high, 33)
    best = int(np.argmin([function(float(g)) for g in grid]))
    a, b = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, 32)])
    share = (5.0**0.5 - 1.0) / 2.0
    c, d = b - share * (b - a), a + share * (b - a)
    at_c, at_d = function(c), function(d)
    for _ in range(20):
        if at_c < at_d:
            b, d, at_d = d, c, at_c
            c = b - share * (b - a)
            at_c = function(c)
        else:
            a, c, at_c = c, d, at_d
            d = a + share * (b - a)
            at_d = function(d)
    return 0.5 * (a + b)


def _strays(x: Floats, smoothed: _Smoothed) -> NDArray[np.intp]:
    """Stamps far from where all the others put them: the furthest of each neighbourhood."""
    free = np.maximum(1.0 - smoothed.pull, 1e-3)
    apart = np.abs(x - smoothed.x) / np.sqrt(smoothed.weight * free)  # seconds, of equal spread
    padded = np.concatenate([np.zeros(3), apart, np.zeros(3)])
    peak = apart >= np.lib.stride_tricks.sliding_window_view(padded, 7).max(axis=1)
    return np.flatnonzero(peak & (apart > ASIDE_LIMIT * _spread_s(apart, smoothed.weight)))


def _spread_s(apart: Floats, weight: Floats) -> Floats:
    """Standard deviation that a stamp is held against, from the median of all."""
    return np.maximum(1.4826 * float(np.median(apart)), STRAY_SHARE / np.sqrt(weight))


def _taken_back(times: Floats, x: Floats, kept: NDArray[np.intp], smoothed: _Smoothed) -> NDArray[np.intp]:
    """`kept` with those of the others that the curve confirms after all."""
    t, position, speed = _rising(times[kept], smoothed.x, smoothed.speed)
    there, pace = hermite(times, t, position, speed)
    apart = np.abs(x - there) / pace
    others = np.setdiff1d(np.flatnonzero(np.isfinite(apart)), kept)
    scatter = np.abs(x[kept] - smoothed.x) / np.sqrt(smoothed.weight)
    near = others[apart[others] <= 0.5 * ASIDE_LIMIT * _spread_s(scatter, pace[others] ** 2)]
    both = np.sort(np.concatenate([kept, near]))
    return both[_running_forwards(times[both], x[both])]


def _rising(t: Floats, x: Floats, speed: Floats) -> tuple[Floats, Floats, Floats]:
    """Knots of a curve that rises everywhere: what does not rise is left out, speeds are kept in bounds."""
    highest = np.concatenate([[-np.inf], np.maximum.accumulate(x)[:-1]])
    keep = x > highest
    t, x, speed = t[keep], x[keep], speed[keep]
    mean = np.diff(x) / np.diff(t)
    least = np.minimum(np.concatenate([mean[:1], mean]), np.concatenate([mean, mean[-1:]]))
    return t, x, np.clip(speed, SPEED_SHARE[0] * least, SPEED_SHARE[1] * least)

"""Where recorded hum jumps: at the splices of film that was cut after its sound had been recorded.

find_hum_jumps   captured track, knocks -> how much the hum's step at each speaks for a splice   (analyse)

At a clap or a consonant the hum of the mains runs on through; where film was cut away it begins anew in some other phase.
How large a step of phase must be depends on the hum, the talk over it and the run's flutter, so no step is judged by
itself: the knocks are ranked by their steps, as they are by their strength.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.gauge.mains import MAINS_HZ
from smallgauge.sound.curves import Floats
from smallgauge.sound.cuts import BLOCKS, GAP_S, HARMONICS
from smallgauge.sound.knocks import Knock
from smallgauge.sound.speed import ReadSound, SoundMap, apply_sound_map

HUM_RATE = 2000  # samples a second at which hum is looked at
LONGEST_S = 300.0  # of the track, to find its frequency
SPEED_SHARE, STEP_HZ = 0.025, 0.005  # about each mains frequency
SIDE_S = 0.72  # of hum to either side of a knock
OFF_HZ = np.arange(-0.12, 0.121, 0.01)  # what the run may differ from its mean there
LEAST_LINE = 8.0  # power of a harmonic over its scatter
MOST_ASKED = 120  # knocks, the strongest

Complexes = NDArray[np.complex128]


def find_hum_jumps(
    read: ReadSound, *, in_samples: int, sound_rate: int, knocks: Sequence[Knock]
) -> tuple[float, ...]:
    """How much the hum's step at each knock speaks for a splice of film that was cut after recording.

    Parameters
    ----------
    read : callable
        `read(first, stop)` gives samples as float64 (stop - first, channels), zero outside the file.
    in_samples, sound_rate : int
        Length and samples a second.
    knocks : sequence of Knock
        By time.

    Returns
    -------
    tuple of float
        One a knock, natural logarithm: a bet on its rank whose mean is 1 where all is chance. Empty where no hum
        stands out at any of them.

    Raises
    ------
    CallerError
        A rate that is not above 0.

    Notes
    -----
    Source: derived. Measured: the track's hum, one frequency within 2.5 % of 50 or 60 Hz, its first three harmonics.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> t = np.arange(160000) / 8000
    >>> hum = np.sin(2 * np.pi * 50 * (t + np.where(t > 8, 0.004, 0.0)))
    >>> hum += 0.01 * np.random.Generator(np.random.SFC64(1)).standard_normal(len(t))
    >>> asked = [Knock(at, 0.001, 20.0) for at in (3.0, 8.0, 12.0, 16.0)]
    >>> int(np.argmax(find_hum_jumps(read_array(hum), in_samples=160000, sound_rate=8000, knocks=asked)))
    1
    """
    if sound_rate <= 0:
        raise CallerError(f"A rate above 0 is needed to look for hum; found {sound_rate}.")
    x = _slow(read, in_samples, sound_rate / HUM_RATE)
    if not knocks or len(x) < 10 * HUM_RATE:
        return ()
    hz = _hum_hz(x)
    strongest = sorted(range(len(knocks)), key=lambda k: -knocks[k].strength_db)[:MOST_ASKED]
    step = np.array([_step(x, knocks[k].sound_s, hz) for k in strongest])
    if not np.isfinite(step).any():
        return ()
    step = np.where(np.isfinite(step), step, -np.inf)
    rank = np.array([np.count_nonzero(step >= own) for own in step], dtype=np.float64)
    share = float(np.log(len(step)) + 0.58)
    bets = np.full(len(knocks), -np.log(share))
    bets[strongest] = np.log(len(step) / rank) - np.log(share)
    return tuple(bets.round(4).tolist())


def _slow(read: ReadSound, samples: int, ratio: float) -> Floats:
    """All channels summed, at the hum's rate."""
    count = int(samples / ratio)
    if count < 1:
        return np.zeros(0)
    ends = np.array([0.0, float(count)])
    even = SoundMap(
        out_sample=ends, in_sample=ends * ratio, slope=np.full(2, ratio), gain=np.ones(2), out_samples=count
    )
    step = 60 * HUM_RATE
    parts = [
        apply_sound_map(read, even, first=first, stop=min(first + step, count)).sum(axis=1)
        for first in range(0, count, step)
    ]
    return np.concatenate(parts)


def _hum_hz(x: Floats) -> float:
    """The frequency about 50 or 60 Hz whose harmonics stand out most."""
    part = x[: round(LONGEST_S * HUM_RATE)]
    spectrum = np.abs(np.fft.rfft((part - part.mean()) * np.hanning(len(part)), 4 * len(part)))
    step = HUM_RATE / (4 * len(part))
    best = (-np.inf, 0.0)
    for mains in MAINS_HZ:
        grid = np.arange(mains * (1 - SPEED_SHARE), mains * (1 + SPEED_SHARE), STEP_HZ)
        score = np.zeros(len(grid))
        for k in HARMONICS:
            at = np.rint(grid * k / step).astype(int)
            usual = float(np.median(spectrum[at.min() : at.max() + 1]))
            score += np.minimum(np.log(spectrum[at] / max(usual, 1e-300) + 1e-12), 4.0)
        best = max(best, (float(score.max()), float(grid[int(np.argmax(score))])))
    return best[1]


def _step(x: Floats, at_s: float, hz: float) -> float:
    """How much better the hum about a knock is two hums than one, in logarithms; NaN where none stands out."""
    rows, times = [], []
    for side in (-1, 1):
        edge = at_s + side * GAP_S[0 if side < 0 else 1]
        first = round((edge - SIDE_S if side < 0 else edge) * HUM_RATE)
        edges = first + np.linspace(0, round(SIDE_S * HUM_RATE), BLOCKS + 1).round().astype(int)
        if edges[0] < 0 or edges[-1] > len(x):
            return float("nan")
        for a, b in pairwise(edges.tolist()):
            window, t = np.hanning(b - a), np.arange(a, b) / HUM_RATE - at_s
            part = (x[a:b] - x[a:b].mean()) * window / window.sum()
            rows.append([np.sum(part * np.exp(-2j * np.pi * k * hz * t)) for k in HARMONICS])
            times.append(float(t.mean()))
    hum: Complexes = np.array(rows)
    # the run's own speed there: one frequency for both sides and all harmonics
    turn = np.exp(-2j * np.pi * OFF_HZ[:, None, None] * np.array(times)[:, None] * np.array(HARMONICS))
    hum = hum * turn
    one = _scatter(hum)
    two = _scatter(hum[:, :BLOCKS]) + _scatter(hum[:, BLOCKS:])
    count = 2 * BLOCKS
    best = int(np.argmin(np.sum(np.log(two), axis=1)))
    power = np.mean(np.abs(np.stack([hum[best, :BLOCKS].mean(0), hum[best, BLOCKS:].mean(0)])) ** 2, axis=0)
    line = power * BLOCKS * (count - 3) / two[best]
    clear = line > LEAST_LINE
    if not clear.any():
        return float("nan")
    gain = count * (
        np.min(np.sum(np.log(one[:, clear]), axis=1)) - np.min(np.sum(np.log(two[:, clear]), axis=1))
    )
    return float(gain - np.sum(np.log1p(line[clear])))


def _scatter(hum: Complexes) -> Floats:
    """Summed squares about the mean over blocks, (offs, harmonics)."""
    mean = hum.mean(axis=1, keepdims=True)
    return np.asarray(np.sum(np.abs(hum - mean) ** 2, axis=1) + 1e-30)

"""Whether a captured track holds a recording; and if not, whether the stripe is bare or the capture failed.

find_recording   captured track, frame times, film positions -> RecordingReading   (analyse)

A recording rises and falls; noise alone stands at one level. A bare stripe hisses, and its hiss is on the
film: how strong it is at a given frequency depends on how fast the film runs. Noise of the capture chain
knows nothing of the film. So where the scan changed its speed, noise that moves with the speed is the
stripe's, and noise that stands still is the chain's: then the head heard no film. Where the scan ran evenly
the two can't be told apart, and that is what is said.
"""

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.errors import MaterialError
from smallgauge.sound.curves import Floats
from smallgauge.sound.speed import ReadSound, solve_film_time, time_at

Integers = NDArray[np.int64]

WINDOW_S = 0.1
BANDS_HZ = ((500.0, 1000.0), (1000.0, 2000.0), (2000.0, 4000.0), (4000.0, 8000.0), (8000.0, 16000.0))
MOST_WINDOWS = 6000  # spread evenly over a longer track
LEAST_WINDOWS = 20
# Level between the 10th and the 90th window of a hundred: plain noise gives about 1.5 dB in the lowest band,
# speech and music 10 dB and more. common practice, no source
RISES_DB = 5.0
LEAST_SURE = 5.0  # slope of level over speed, in standard errors of itself, that counts as there
LEAST_SLOPE = 0.25  # and as a power of the speed; below it there is none
DEAD_SHARE = 0.9  # of the windows in which one value stands all through

State = Literal[
    "recorded", "stripe without a recording", "failed capture", "no recording, cause not told", "not told"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingReading:
    """What a captured track holds.

    `rises_db` is the largest spread of level in any band, its part that goes with the speed taken off.
    `slope` is the power of the scan speed with which the noise of the band goes that does so most surely,
    `slope_sigma` its standard error; NaN where the scan ran evenly or nothing could be measured.
    """

    state: State
    rises_db: float
    slope: float
    slope_sigma: float


def find_recording(
    read: ReadSound,
    *,
    in_samples: int,
    sound_rate: int,
    frame_times_s: ArrayLike | None,
    film_positions: ArrayLike,
    scan_rate: Fraction | None = None,
    sound_start_s: float = 0.0,
    sound_clock_ppm: float = 0.0,
) -> RecordingReading:
    """Tell a recording from a bare stripe and from a capture that failed.

    Parameters
    ----------
    read, in_samples, sound_rate, frame_times_s, film_positions, scan_rate, sound_start_s, sound_clock_ppm
        As for `smallgauge.sound.hum.find_hum`. Only windows while the film runs are looked at; the track in
        which the level rises and falls most speaks for all.

    Returns
    -------
    RecordingReading
        State "not told" where there is less than 2 s of sound beside the film.

    Notes
    -----
    Source: derived. Noise that is even in film position has, at a fixed frequency, power as 1 / speed before
    the losses of the head; with them another power, so every band is looked at.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> dead = read_array(np.zeros(48000 * 5))
    >>> find_recording(
    ...     dead, in_samples=240000, sound_rate=48000, frame_times_s=None, film_positions=range(60),
    ...     scan_rate=Fraction(12),
    ... ).state
    'failed capture'
    """
    nan = float("nan")
    nothing = RecordingReading(state="not told", rises_db=nan, slope=nan, slope_sigma=nan)
    at, speed = _windows(
        in_samples,
        sound_rate,
        frame_times_s,
        np.asarray(film_positions, np.float64),
        scan_rate,
        sound_start_s,
        sound_clock_ppm,
    )
    if len(at) < LEAST_WINDOWS or 0.45 * sound_rate < BANDS_HZ[0][1]:
        return nothing
    level, dead = _levels(read, at, sound_rate)
    if np.mean(dead) > DEAD_SHARE:
        return RecordingReading(state="failed capture", rises_db=0.0, slope=nan, slope_sigma=nan)
    even = float(np.std(np.log(speed))) < 1e-3
    rises, slopes, sigmas = [], [], []
    for band in range(level.shape[1]):
        for track in range(level.shape[2]):
            rise, slope, sigma = _fit(level[~dead, band, track], np.log(speed[~dead]), even=even)
            rises.append(rise)
            slopes.append(slope)
            sigmas.append(sigma)
    best = int(np.argmax(np.abs(slopes) / np.array(sigmas)))
    moves = abs(slopes[best]) > max(LEAST_SURE * sigmas[best], LEAST_SLOPE)
    weight = 1.0 / np.square(sigmas)
    total = max(float(weight.sum()), 1e-300)
    mean, sure = float(np.sum(weight * slopes)) / total, 2.0 / total**0.5
    state: State
    if max(rises) > RISES_DB:
        state = "recorded"
    elif even:
        state = "no recording, cause not told"
    elif moves:
        state = "stripe without a recording"
    elif abs(mean) + sure < LEAST_SLOPE:
        state = "failed capture"
    else:
        state = "no recording, cause not told"
    return RecordingReading(
        state=state,
        rises_db=float(max(rises)),
        slope=nan if even else float(slopes[best]),
        slope_sigma=nan if even else float(sigmas[best]),
    )


def _windows(
    in_samples: int,
    sound_rate: int,
    times: ArrayLike | None,
    positions: Floats,
    scan_rate: Fraction | None,
    start_s: float,
    clock_ppm: float,
) -> tuple[Integers, Floats]:
    """First sample of each window while the film runs, and the scan speed in it (1 where it is not known)."""
    width = round(WINDOW_S * sound_rate)
    starts = np.arange(0, max(0, in_samples - width), width, dtype=np.int64)
    stamps = None if times is None else np.asarray(times, dtype=np.float64)
    if stamps is not None and np.count_nonzero(np.isfinite(stamps)) < 2:
        stamps = None
    try:
        film_time = solve_film_time(stamps, positions, scan_rate=scan_rate)
    except MaterialError:  # neither usable stamps nor a rate: all of the sound is taken for beside the film
        speed = np.ones(len(starts))
    else:
        middle = start_s + (starts + width / 2) / sound_rate / (1.0 + clock_ppm * 1e-6)
        runs = (middle >= film_time.t_s[0]) & (middle <= film_time.t_s[-1])
        starts = starts[runs]
        x = np.linspace(film_time.x[0], film_time.x[-1], 4 * len(film_time.x))
        t_s, v = time_at(film_time, x)
        speed = np.interp(middle[runs], t_s, v)
    if len(starts) > MOST_WINDOWS:
        chosen = np.linspace(0, len(starts) - 1, MOST_WINDOWS).round().astype(int)
        starts, speed = starts[chosen], speed[chosen]
    return starts, np.maximum(speed, 1e-6)


def _levels(read: ReadSound, starts: Integers, sound_rate: int) -> tuple[Floats, NDArray[np.bool_]]:
    """Natural logarithm of power, (windows, bands, tracks), and which windows are a dead line."""
    width = round(WINDOW_S * sound_rate)
    hz = np.fft.rfftfreq(width, 1.0 / sound_rate)
    bands = [(hz >= low) & (hz < high) for low, high in BANDS_HZ if high <= 0.45 * sound_rate]
    window = np.hanning(width)[:, None]
    rows, dead = [], []
    for start in starts.tolist():
        x = read(start, start + width)
        dead.append(bool(np.all(x == x[:1])))
        power = np.abs(np.fft.rfft((x - x.mean(axis=0)) * window, axis=0)) ** 2
        rows.append(np.log(np.array([power[band].mean(axis=0) for band in bands]) + 1e-300))
    return np.array(rows), np.array(dead)


def _fit(level: Floats, log_speed: Floats, *, even: bool) -> tuple[float, float, float]:
    """Spread of level in decibels about its line over the speed, the line's slope and its standard error."""
    slope, sigma = 0.0, float("inf")
    left = level - np.median(level)
    if not even:
        u = log_speed - log_speed.mean()
        slope = float(np.sum(u * (level - level.mean())) / np.sum(u**2))
        left = level - level.mean() - slope * u
        sigma = float(np.std(left) / np.sqrt(np.sum(u**2)))
    low, high = np.percentile(left, [10, 90])
    return float(high - low) * 10.0 / np.log(10.0), slope, max(sigma, 1e-12)

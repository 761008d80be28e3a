"""Where on the film each captured sample lies, and the one resampling that lays it to the picture.

Three clocks meet here. Capture time t, in seconds on the clock of the frames' time stamps. Film position
x, in frames from the head, a real number: `x = n` at the moment at which film frame n is in the scanner's
gate. Playing time, in seconds from the start of the finished film.

One convention, everywhere: **film position n plays at n / camera rate, the start of the slot in which frame
n is shown.** Frame n is shown from n / rate to (n + 1) / rate, and sound that belongs to film position
n + 0.25 is heard a quarter of the way through. It is what a camera does whose shutter opens when the frame
has arrived.

The sound head stands D frames after the gate and the sound lies A frames ahead of its picture, so that at
capture time t the head reads sound that belongs to picture position x(t) - D + A (`sound/sync.py`). The move
is made in film position, not in seconds, so it stays right while the scan speed changes.
"""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from smallgauge.errors import CallerError, MaterialError
from smallgauge.sound.curves import Floats, hermite, hermite_inverse
from smallgauge.sound.stamps import find_curve

ReadSound = Callable[[int, int], Floats]  # (first, stop) -> (stop - first, channels), zero outside the file

# The kernel: reach in samples, Kaiser's beta, place of the band edge (1 is half the sampling rate), table
# values a sample. Measured in benchmarks/sound.py; see docs/decisions/0040.
HALF_WIDTH = 32
BETA = 12.5
BAND_EDGE = 0.88
TABLE_STEPS = 4096


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FilmTime:
    """Film position in the gate against capture time: a rising cubic Hermite curve, straight beyond its ends.

    `t_s` (k,) seconds, rising; `x` (k,) frames, rising; `speed` (k,) frames a second, above 0; k is 2 or
    more. `jitter_ms` is the scatter of the time stamps that the smoother took for error, rms in
    milliseconds, NaN without time stamps; `bandwidth_hz` is the frequency up to which changes of speed were
    followed, 0 for a straight line. `stamps` counts the usable stamps, `set_aside` those that were missing,
    ran backwards or stood far from all others (`aside` holds their places in the list that was given).
    """

    t_s: Floats
    x: Floats
    speed: Floats
    jitter_ms: float
    bandwidth_hz: float
    stamps: int
    set_aside: int
    aside: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SoundMap:
    """The map that lays one captured track to the finished picture: a row a knot of `sound.parquet`.

    `out_sample`, `in_sample`, `slope`, `gain` are (k,) float64. `out_sample` rises; `in_sample` rises too, or
    falls from end to end (slope below 0) where the film ran tail first. `out_samples` is the length of the
    finished sound. Cubic Hermite between knots.
    """

    out_sample: Floats
    in_sample: Floats
    slope: Floats
    gain: Floats
    out_samples: int


def position_at(film_time: FilmTime, t_s: ArrayLike) -> Floats:
    """Film position in the gate at capture times `t_s`, in frames.

    Examples
    --------
    >>> film_time = solve_film_time(None, [0, 1, 2], scan_rate=Fraction(9))
    >>> position_at(film_time, [0.0, 1.0]).tolist()
    [0.0, 9.0]
    """
    return hermite(t_s, film_time.t_s, film_time.x, film_time.speed)[0]


def time_at(film_time: FilmTime, x: ArrayLike) -> tuple[Floats, Floats]:
    """Capture time at which film position `x` is in the gate, in seconds, and the scan speed there.

    Examples
    --------
    >>> film_time = solve_film_time(None, [0, 1, 2], scan_rate=Fraction(9))
    >>> t_s, speed = time_at(film_time, [9.0])
    >>> float(t_s[0]), float(speed[0])
    (1.0, 9.0)
    """
    return hermite_inverse(x, film_time.t_s, film_time.x, film_time.speed)


def solve_film_time(
    frame_times_s: ArrayLike | None, film_positions: ArrayLike, *, scan_rate: Fraction | None = None
) -> FilmTime:
    """Film position in the gate against capture time, from the time stamps of the captured frames.

    The speed of a transport has inertia and the stamps have scatter. The curve is a smoothing spline with the
    penalty on the third derivative of the position [Reinsch1967]; how strongly it smooths is found by
    generalised cross-validation [CravenWahba1979], so a steady run with poor stamps is smoothed hard and a
    run that moves from 3 to 25 frames a second is followed. Errors of the stamps weigh as seconds, whatever
    the speed. A second curve lets the acceleration change by jumps (t distribution in place of the normal)
    and is taken where it does better by the same score. Gaps in `film_positions` cost nothing.

    Set aside and counted: stamps that are NaN; the fewest that must go so that the rest run forwards; those
    that stand more than `ASIDE_LIMIT` standard deviations from where all other stamps put them.

    Parameters
    ----------
    frame_times_s : array, shape (n,), or None
        Moment at which each captured frame is in the gate, seconds; NaN where it has no stamp. None: the
        scan ran at `scan_rate`, first frame at 0 s.
    film_positions : array, shape (n,)
        Film position of each captured frame, whole numbers, rising; NaN for a frame that has none.
    scan_rate : Fraction, optional
        Frames a second of the scan, used where there are fewer than two usable stamps.

    Returns
    -------
    FilmTime

    Raises
    ------
    CallerError
        The two lists differ in length.
    MaterialError
        Fewer than two usable stamps and no scan rate.

    Examples
    --------
    >>> film_time = solve_film_time([0.0, 0.1, np.nan, 0.3, 0.2, 0.5, 0.6], [0, 1, 2, 3, 4, 5, 6])
    >>> film_time.set_aside, round(float(position_at(film_time, [0.35])[0]), 3)
    (2, 3.5)
    """
    x = np.asarray(film_positions, dtype=np.float64)
    times = None if frame_times_s is None else np.asarray(frame_times_s, dtype=np.float64)
    if times is not None and times.shape != x.shape:
        raise CallerError(
            f"A time stamp for each captured frame is needed; found {times.size} stamps for {x.size} frames: "
            "give both lists in the same order."
        )
    if times is None:
        return _constant(x, scan_rate, ())
    curve = find_curve(times, x)
    if curve is None:
        return _constant(x, scan_rate, tuple(range(x.size)))
    aside = tuple(int(i) for i in np.setdiff1d(np.arange(x.size), curve.kept))
    return FilmTime(
        t_s=curve.t_s,
        x=curve.x,
        speed=curve.speed,
        jitter_ms=curve.scatter_s * 1000.0,
        bandwidth_hz=curve.bandwidth_hz,
        stamps=len(curve.kept),
        set_aside=len(aside),
        aside=aside,
    )


def _constant(x: Floats, scan_rate: Fraction | None, aside: tuple[int, ...]) -> FilmTime:
    """Film time of a scan at one rate, first frame at 0 s."""
    placed = x[np.isfinite(x)]
    if scan_rate is None or scan_rate <= 0:
        raise MaterialError(
            "To lay sound to picture, time stamps of the frames or the scan rate is needed; found fewer "
            "than two usable time stamps and no scan rate: add frames.csv or state scan_rate in capture.toml."
        )
    first = float(placed[0]) if placed.size else 0.0
    frames = max(1.0, float(placed[-1]) - first) if placed.size else 1.0
    rate = float(scan_rate)
    return FilmTime(
        t_s=np.array([0.0, frames / rate]),
        x=np.array([first, first + frames]),
        speed=np.array([rate, rate]),
        jitter_ms=float("nan"),
        bandwidth_hz=0.0,
        stamps=0,
        set_aside=len(aside),
        aside=aside,
    )


def solve_sound_map(
    film_time: FilmTime,
    *,
    camera_rate: Fraction,
    shift_frames: float,
    sound_rate: int,
    out_rate: int,
    out_samples: int,
    sound_start_s: float = 0.0,
    sound_clock_ppm: float = 0.0,
    tolerance_s: float = 5e-8,
    last_position: float | None = None,
) -> SoundMap:
    """Which captured sample is heard at each sample of the finished sound.

    Finished sample m plays at m / `out_rate`, beside film position n = m / `out_rate` * `camera_rate`. The
    sound that belongs to it passed the head when film position n - `shift_frames` was in the gate.

    Parameters
    ----------
    film_time : FilmTime
        Film position in the gate against capture time.
    camera_rate : Fraction
        Frames a second at which the finished film plays.
    shift_frames : float
        A - D: how far the sound lies ahead of its picture on the film, less the distance from gate to head.
    sound_rate, out_rate : int
        Samples a second of captured and finished sound.
    out_samples : int
        Length of the finished sound, 1 or more.
    sound_start_s : float
        Capture time of captured sample 0, on the clock of the time stamps.
    sound_clock_ppm : float
        How fast the sound's clock runs against that of the time stamps, millionths: at +50 the converter
        takes 50 samples in a million more than it says.
    tolerance_s : float
        Largest error between knots, seconds of capture time.
    last_position : float, optional
        Of film that ran tail first: the film position, as `film_time` counts it, of the frame that is the
        finished film's first. The map then runs back in capture time.

    Returns
    -------
    SoundMap
        First knot at sample 0, last at `out_samples`; gain 1.

    Raises
    ------
    CallerError
        A rate or length that is not above 0.

    Examples
    --------
    Super 8 scanned at 9 frames a second, head at the gate: the first sound on the capture belongs to
    frame 18, one second into the film.

    >>> film_time = solve_film_time(None, range(180), scan_rate=Fraction(9))
    >>> knots = solve_sound_map(
    ...     film_time, camera_rate=Fraction(18), shift_frames=18.0, sound_rate=48000, out_rate=48000,
    ...     out_samples=480000,
    ... )
    >>> in_sample, slope = in_sample_at(knots, [48000.0, 96000.0])
    >>> in_sample.tolist(), slope.tolist()
    ([0.0, 96000.0], [2.0, 2.0])
    """
    if camera_rate <= 0 or sound_rate <= 0 or out_rate <= 0 or out_samples <= 0:
        raise CallerError(
            f"Rates and length above 0 are needed for the sound map; found camera {camera_rate}, captured "
            f"sound {sound_rate}, finished sound {out_rate}, length {out_samples}."
        )
    captured_rate = sound_rate * (1.0 + sound_clock_ppm * 1e-6)
    frames_a_sample = float(camera_rate / out_rate)
    sign, origin = (1.0, 0.0) if last_position is None else (-1.0, last_position)

    def exact(m: Floats) -> tuple[Floats, Floats]:
        t_s, speed = time_at(film_time, origin + sign * (m * frames_a_sample - shift_frames))
        return (t_s - sound_start_s) * captured_rate, sign * frames_a_sample / speed * captured_rate

    m = np.sort(sign * (film_time.x - origin) + shift_frames) / frames_a_sample
    m = np.concatenate([[0.0], m[(m > 0.5) & (m < out_samples - 0.5)], [float(out_samples)]])
    q, slope = exact(m)
    shares = np.array([[0.25], [0.5], [0.75]])
    check = np.ones(len(m) - 1, dtype=bool)  # the pieces that still have to be looked at
    while True:
        piece = np.flatnonzero(check & (np.diff(m) > 2.0))
        at = m[piece] + shares * (m[piece + 1] - m[piece])
        true, true_slope = exact(at.ravel())
        drawn = hermite(at.ravel(), m, q, slope)[0]
        off = np.abs(drawn - true).reshape(at.shape).max(axis=0) > tolerance_s * captured_rate
        if not off.any():
            break
        new = piece[off]
        middle = slice(len(piece), 2 * len(piece))
        new_q, new_slope = true[middle][off], true_slope[middle][off]
        split = np.zeros(len(check), dtype=bool)
        split[new] = True
        check = np.repeat(split, np.where(split, 2, 1))
        m = np.insert(m, new + 1, at[1][off])
        q, slope = np.insert(q, new + 1, new_q), np.insert(slope, new + 1, new_slope)
    return SoundMap(out_sample=m, in_sample=q, slope=slope, gain=np.ones(len(m)), out_samples=out_samples)


def in_sample_at(knots: SoundMap, out_sample: ArrayLike) -> tuple[Floats, Floats]:
    """Place in the captured sound heard at finished samples, and captured samples to one finished sample.

    Examples
    --------
    >>> knots = SoundMap(out_sample=np.array([0.0, 10.0]), in_sample=np.array([5.0, 25.0]),
    ...                  slope=np.array([2.0, 2.0]), gain=np.ones(2), out_samples=10)
    >>> in_sample_at(knots, [1.0])[0].tolist()
    [7.0]
    """
    return hermite(out_sample, knots.out_sample, knots.in_sample, knots.slope)


def out_sample_at(knots: SoundMap, in_sample: ArrayLike) -> Floats:
    """Place in the finished sound at which captured samples are heard; before 0 or behind its end where they are not.

    Examples
    --------
    >>> knots = SoundMap(out_sample=np.array([0.0, 10.0]), in_sample=np.array([25.0, 5.0]),
    ...                  slope=np.array([-2.0, -2.0]), gain=np.ones(2), out_samples=10)
    >>> out_sample_at(knots, [23.0, 3.0]).tolist()
    [1.0, 11.0]
    """
    sign = -1.0 if knots.slope[0] < 0 else 1.0
    want = sign * np.asarray(in_sample, dtype=np.float64)
    return hermite_inverse(want, knots.out_sample, sign * knots.in_sample, sign * knots.slope)[0]


@lru_cache(maxsize=4)
def sinc_table(half_width: int, beta: float, band_edge: float, steps: int) -> Floats:
    """Right half of a Kaiser-windowed sinc, `steps` values a sample, two zeros to spare; read-only.

    h(u) = c sinc(c u) I0(beta sqrt(1 - (u / half_width)^2)) / I0(beta), c the band edge
    [KaiserWindow, SmithResampling].

    Examples
    --------
    >>> table = sinc_table(32, 12.5, 0.88, 4096)
    >>> table.shape, float(table[0]), float(table[-1])
    ((131074,), 0.88, 0.0)
    """
    u = np.arange(half_width * steps + 1) / steps
    window = np.i0(beta * np.sqrt(1.0 - (u / half_width) ** 2)) / np.i0(beta)
    table = np.append(band_edge * np.sinc(band_edge * u) * window, 0.0)
    table[-2] = 0.0
    table.flags.writeable = False
    return table


def read_array(samples: ArrayLike) -> ReadSound:
    """A reader over samples in memory, (n,) or (n, channels): silence before the first and after the last.

    Examples
    --------
    >>> read_array([1.0, 2.0])(-1, 3).ravel().tolist()
    [0.0, 1.0, 2.0, 0.0]
    """
    held = np.asarray(samples, dtype=np.float64)
    held = held[:, None] if held.ndim == 1 else held

    def read(first: int, stop: int) -> Floats:
        out = np.zeros((stop - first, held.shape[1]))
        low, high = max(first, 0), min(stop, len(held))
        if low < high:
            out[low - first : high - first] = held[low:high]
        return out

    return read


def apply_sound_map(read: ReadSound, knots: SoundMap, *, first: int, stop: int) -> Floats:
    """Finished sound from `first` to `stop`: each sample read once from the capture, where the map says.

    A Kaiser-windowed sinc set down at the exact place of every sample; where the capture has more samples
    than the finished sound (slope above 1) the kernel is widened by that much, so that nothing above half
    the finished sampling rate folds back [SmithResampling]. The bytes do not depend on the blocks.

    Parameters
    ----------
    read : callable
        `read(first, stop)` gives captured samples as float64 (stop - first, channels), zero outside the file.
    knots : SoundMap
        The map.
    first, stop : int
        Finished samples, from 0.

    Returns
    -------
    array, shape (stop - first, channels)
        Silence where the capture has none.

    Raises
    ------
    CallerError
        The range leaves the map.

    Examples
    --------
    >>> tone = np.sin(2 * np.pi * 0.01 * np.arange(2000))
    >>> knots = SoundMap(out_sample=np.array([0.0, 1000.0]), in_sample=np.array([100.5, 1100.5]),
    ...                  slope=np.ones(2), gain=np.ones(2), out_samples=1000)
    >>> heard = apply_sound_map(read_array(tone), knots, first=0, stop=500)
    >>> wanted = np.sin(2 * np.pi * 0.01 * (np.arange(500) + 100.5))
    >>> heard.shape, bool(np.allclose(heard[:, 0], wanted, atol=1e-5))
    ((500, 1), True)
    """
    from smallgauge.sound.kernels import sinc_at

    return _resample(read, knots, first, stop, sinc_at)


def _resample(read: ReadSound, knots: SoundMap, first: int, stop: int, kernel: Callable[..., Any]) -> Floats:
    """Body of `apply_sound_map` around the compiled kernel, or around its plain twin in the tests."""
    if not 0 <= first <= stop <= knots.out_samples:
        raise CallerError(
            f"Finished samples from 0 to {knots.out_samples} can be made with this map; "
            f"asked for {first} to {stop}."
        )
    table = sinc_table(HALF_WIDTH, BETA, BAND_EDGE, TABLE_STEPS)
    parts: list[Floats] = []
    for begin in range(first, stop, 8192):  # bounds the memory; the bytes do not depend on it
        m = np.arange(begin, min(begin + 8192, stop), dtype=np.float64)
        q, slope = in_sample_at(knots, m)
        scale = np.minimum(1.0, 1.0 / np.abs(slope))
        low = int(np.floor(np.min(q - HALF_WIDTH / scale)))
        high = int(np.ceil(np.max(q + HALF_WIDTH / scale))) + 1
        samples = np.ascontiguousarray(read(low, high), dtype=np.float64)
        part = np.empty((len(m), samples.shape[1]))
        kernel(samples, low, q, scale, table, HALF_WIDTH, TABLE_STEPS, part)
        if np.any(knots.gain != 1.0):
            part *= np.interp(m, knots.out_sample, knots.gain)[:, None]
        parts.append(part)
    return np.concatenate(parts) if parts else np.empty((0, read(0, 0).shape[1]))

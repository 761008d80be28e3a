"""A comb of hum or a pilot tone followed along the film: its turn of phase and the strength of each line.

find_comb   captured sound, frame times, film positions, cycles a frame -> CombTrack   (analyse)

Hum recorded with the sound is a clock that ran at the camera. Where the camera's speed fluttered, the hum on
the film flutters with it, and the phase of each of its lines says by how much. Lines that lie clear of speech
say it well, others badly, and both change from word to word. So every line weighs, at every place, by its own
noise, and that is read from the part of the line that flutter can't touch: flutter turns a line and leaves
its strength, noise does both alike.

The phase is then smoothed as a stationary process whose power is estimated from the phase itself less its noise
(a Wiener smoother with noise that varies from place to place, solved by conjugate gradients). Where the hum is
too weak the power of the flutter can't be told from noise, and nothing is followed.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.errors import CallerError, MaterialError
from smallgauge.sound.curves import Floats
from smallgauge.sound.speed import (
    FilmTime,
    ReadSound,
    apply_sound_map,
    position_at,
    solve_film_time,
    solve_sound_map,
    time_at,
)

Complexes = NDArray[np.complex128]

ORDERS = 10  # lines of the comb that are followed, as far as each is there
TELLING = 3  # of them tell the phase: higher ones lie where speech is loud
ROWS_A_FRAME = 4  # of the track: 72 a second at 18 frames a second
HIGHEST = 1.25  # cycles a frame: flutter is followed up to here, or to 0.45 of the comb's own spacing
NARROW = 0.11  # cycles a frame (2 Hz at 18) that are looked at where another comb lies beside
SLOWEST = (
    0.012  # cycles a frame (0.2 Hz at 18): slower changes are no flutter, the film's own time holds there
)
LEVEL_FRAMES = 27.0  # standard deviation of the window in which a line's strength is taken
NOISE_FRAMES = 1.5  # and of the window in which its noise is taken: short enough to tell a pause from a word
PIECE_FRAMES = 720  # laid out at a time
WINDOW_FRAMES = 216  # of the power spectrum
SURE = 2.5  # rms of the speed over its expected error from which on flutter is spoken of
MOST_LEFT = 0.0012  # expected error, a share of the speed, beyond which it is not
HIGHEST_CYCLES = 30.0  # of a pilot: a higher one is turned by flutter beyond the band in which it is followed
CLEAR = (
    6.0  # power of the phase over its noise from which on there is flutter: noise alone comes to half of it
)
NOISY = 0.1  # noise of a line, as a share of its power, from which on its phase says ever less
ROUNDS = 6
QUIET = 15.0  # percentile of the power in a line's band that stands for the line alone
GUESSES = 6  # of the slow phase, each in what the one before has left
MOST_ROWS, MOST_ERROR = 80.0, 0.3  # per cent of the film in which the phase must be told, to radians
SLOW_BINS = 3  # of the power spectrum, below 0.014 cycles a frame
LEAST_FRAMES = 48
LEVEL_ROWS = 16  # rows of the track from one stored strength of a line to the next
SURE_PHASE = (
    0.002  # variance of a line's strength, a share of its square, beyond which its phase tells nothing
)
LEAST_SURE = 0.005  # and beyond which the line is not there


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CombTrack:
    """A comb followed along the film: n rows, four a frame.

    `film_position` is in frames, in the gate; `in_sample` the captured sample then. `turns` is the comb's phase in
    cycles of its first line, `displacement` the fast part of it as film: what the sound head reads at a row was
    recorded `displacement` frames later than the film says; `speed` is its derivative, a share of the speed.
    `lines` (orders, rows // 16, tracks) are the complex strengths of the lines at `line_sample`: the comb is the
    sum over k of Re(lines[k - 1] exp(2 pi i k turns)). A line that is not there is 0. `left` is the share of the
    speed, rms, that the smoother expects to be wrong by in the range that it followed; NaN where it followed
    nothing, and then displacement and speed are 0.
    """

    cycles_a_frame: float
    film_position: Floats
    in_sample: Floats
    turns: Floats
    displacement: Floats
    speed: Floats
    line_sample: Floats
    lines: Complexes
    left: float

    @property
    def followed(self) -> bool:
        """Whether flutter was told from noise."""
        return self.left == self.left


def find_comb(
    read: ReadSound,
    *,
    in_samples: int,
    sound_rate: int,
    frame_times_s: ArrayLike | None,
    film_positions: ArrayLike,
    cycles_a_frame: float,
    scan_rate: Fraction | None = None,
    sound_start_s: float = 0.0,
    sound_clock_ppm: float = 0.0,
    orders: int = ORDERS,
    steady: bool = False,
    narrow: bool = False,
) -> CombTrack | None:
    """Follow a comb of known frequency along the film.

    Parameters
    ----------
    read, in_samples, sound_rate, frame_times_s, film_positions, scan_rate, sound_start_s, sound_clock_ppm
        As for `smallgauge.sound.hum.find_hum`.
    cycles_a_frame : float
        Frequency of the first line, cycles to a frame of film, within 0.5 %: `HumReading.cycles_a_frame`, or of a
        pilot its frequency over the camera's rate.
    orders : int
        Lines to follow; 1 for a pilot.
    steady : bool
        The comb has no flutter, as hum of the capture chain has none: only its slow wander is followed.
    narrow : bool
        Each line is looked at within `NARROW` cycles a frame only, so that another comb beside it is left out; pauses
        between words are then told less well.

    Returns
    -------
    CombTrack or None
        None where there are fewer than `LEAST_FRAMES` frames of sound beside the film, or no film time.

    Raises
    ------
    CallerError
        A rate or number of lines that is not above 0, or a frequency out of range.

    Notes
    -----
    Source: hum comb; the smoother is Wiener's, the noise read in quadrature to the flutter is derived here.

    Examples
    --------
    Hum of 50 Hz recorded at 16 frames a second with 1 % of flutter at 2 Hz, scanned at 16:

    >>> t = np.arange(160000) / 8000
    >>> recorded_s = t - 0.01 * np.cos(2 * np.pi * 2 * t) / (2 * np.pi * 2)
    >>> hum = np.sin(2 * np.pi * 50 * recorded_s)
    >>> from smallgauge.sound.speed import read_array
    >>> found = find_comb(
    ...     read_array(hum + 0.01 * np.random.Generator(np.random.SFC64(1)).standard_normal(160000)),
    ...     in_samples=160000, sound_rate=8000, frame_times_s=None, film_positions=range(320),
    ...     scan_rate=Fraction(16), cycles_a_frame=50 / 16,
    ... )
    >>> round(float(found.speed[400:800].max()), 3)
    0.01
    """
    if sound_rate <= 0 or not 0 < cycles_a_frame <= HIGHEST_CYCLES or orders < 1:
        raise CallerError(
            f"To follow a comb a rate above 0, above 0 to {HIGHEST_CYCLES:g} cycles a frame and a line or more are needed; "
            f"found {sound_rate}, {cycles_a_frame}, {orders}."
        )
    positions = np.asarray(film_positions, dtype=np.float64)
    times = None if frame_times_s is None else np.asarray(frame_times_s, dtype=np.float64)
    stamped = times is not None and np.count_nonzero(np.isfinite(times)) >= 2
    try:
        film_time = solve_film_time(times if stamped else None, positions, scan_rate=scan_rate)
    except MaterialError:
        return None
    clock = sound_rate * (1.0 + sound_clock_ppm * 1e-6)
    heard = position_at(film_time, sound_start_s + np.array([0.0, in_samples]) / clock)
    placed = positions[np.isfinite(positions)]
    if not placed.size:
        return None
    first = int(max(placed.min(), np.ceil(heard[0])))
    stop = int(min(placed.max() + 1, np.floor(heard[1])))
    if stop - first < LEAST_FRAMES:
        return None
    sound = _Laid(read, sound_rate, film_time, sound_start_s, sound_clock_ppm)
    z = np.concatenate(list(_heterodyned(sound, first, stop, cycles_a_frame, orders, narrow=narrow)), axis=1)
    order = np.repeat(np.arange(1.0, orders + 1), len(z) // orders)[:, None]
    fit = None if steady else _follow(z, order, highest=HIGHEST)
    per_radian = 1.0 / (2 * np.pi * cycles_a_frame)
    if fit is None or not (np.std(fit.fast_slope) > SURE * fit.left and fit.left * per_radian < MOST_LEFT):
        fit = _follow(z, order, highest=2.5 * SLOWEST)
    x = first + np.arange(z.shape[1]) / ROWS_A_FRAME
    in_sample = (time_at(film_time, x)[0] - sound_start_s) * clock
    lines = fit.strength[:, ::LEVEL_ROWS].reshape(orders, -1, len(in_sample[::LEVEL_ROWS]))
    return CombTrack(
        cycles_a_frame=cycles_a_frame,
        film_position=x,
        in_sample=in_sample,
        turns=cycles_a_frame * x + (fit.slow + fit.fast) / (2 * np.pi),
        displacement=fit.fast * per_radian,
        speed=fit.fast_slope * per_radian,
        line_sample=in_sample[::LEVEL_ROWS],
        lines=2.0 * np.ascontiguousarray(lines.transpose(0, 2, 1)),
        left=fit.left * per_radian,
    )


@dataclass(frozen=True, slots=True)
class _Laid:
    """The captured sound laid out over film position."""

    read: ReadSound
    sound_rate: int
    film_time: FilmTime
    start_s: float
    clock_ppm: float

    def over(self, first: int, stop: int, steps: int) -> Floats:
        """Film positions `first` to before `stop`, `steps` samples a frame: (samples, tracks)."""
        count = (stop - first) * steps
        knots = solve_sound_map(
            self.film_time,
            camera_rate=Fraction(1),
            shift_frames=-float(first),
            sound_rate=self.sound_rate,
            out_rate=steps,
            out_samples=count,
            sound_start_s=self.start_s,
            sound_clock_ppm=self.clock_ppm,
            tolerance_s=1e-6,
        )
        return apply_sound_map(self.read, knots, first=0, stop=count)


def _heterodyned(
    sound: _Laid, first: int, stop: int, cycles: float, orders: int, *, narrow: bool
) -> Iterator[Complexes]:
    """Each line moved to 0 and reduced to `ROWS_A_FRAME`: (orders * tracks, rows), piece by piece."""
    from scipy.signal import firwin, oaconvolve

    steps = ROWS_A_FRAME * max(24, int(np.ceil(2.5 * (orders + 0.5) * cycles / ROWS_A_FRAME)))
    spacing = min((NARROW if narrow else HIGHEST) / 0.45, cycles)
    taps = 2 * int(np.ceil(1.8 / (0.2 * spacing) * steps)) + 1  # 60 dB down 0.55 of a spacing away
    low_pass = firwin(taps, 0.45 * spacing, window=("kaiser", 5.65), fs=steps)
    margin = int(np.ceil(taps / steps)) + 1
    for begin in range(first, stop, PIECE_FRAMES):
        end = min(begin + PIECE_FRAMES, stop)
        y = sound.over(begin - margin, end + margin, steps)
        x = begin - margin + np.arange(len(y)) / steps
        rows = []
        for order in range(1, orders + 1):
            moved = y * np.exp(-2j * np.pi * np.mod(order * cycles * x, 1.0))[:, None]
            slow = oaconvolve(moved, low_pass[:, None], mode="same", axes=0)
            rows += list(slow[margin * steps : (end - begin + margin) * steps : steps // ROWS_A_FRAME].T)
        yield np.array(rows)


@dataclass(slots=True, kw_only=True)
class _Fit:
    """The phase of the first line in radians, slow and fast part, and the strength of each line."""

    slow: Floats
    fast: Floats
    fast_slope: Floats
    strength: Complexes
    left: float


def _follow(z: Complexes, order: Floats, *, highest: float) -> _Fit:
    """Follow the common phase of the lines `z` (lines, rows); `order` (lines, 1) is how often each turns."""
    telling = order <= TELLING
    few, turns = z[telling[:, 0]], order[telling[:, 0]]
    few = _gated(few)
    phase = np.zeros(z.shape[1])
    for _ in range(GUESSES):  # each finds what the smoothing of the one before has lost
        phase = phase + _slow_phase(few * np.exp(-1j * turns * phase), turns)
    weight = np.ones(z.shape)
    process = _Process(phase, float("nan"))
    for number in range(ROUNDS):
        used = telling & (order <= number + 1)  # higher lines turn further, and wrap while the phase is rough
        turned = z * np.exp(-1j * order * phase)
        strength = _levels(turned, weight)
        size = np.abs(strength) + 1e-30
        u = turned * np.conj(strength) / size**2
        noise = _smooth((u.real - 1.0) ** 2, NOISE_FRAMES) + 1e-9  # as a share of the line's power
        weight = 1.0 / (noise * size**2)
        there = _error(weight, size) < SURE_PHASE
        share = np.where(used & there, order**2 / noise / (1.0 + (noise / NOISY) ** 2), 1e-12)
        total = share.sum(axis=0)
        off = np.sum(share * np.angle(u) / order, axis=0) / total
        process = _smoothed(phase + off, phase, 1.0 / total, highest)
        phase = process.phase
    slow = _low(phase) if highest == HIGHEST else phase
    fast = phase - slow
    turned = z * np.exp(-1j * order * phase)
    strength = _levels(turned, weight)
    error = _error(weight, np.abs(strength) + 1e-30)
    there = np.median(error, axis=1, keepdims=True) < LEAST_SURE
    strength = np.where(there, strength * np.clip(1.0 - 10.0 * error, 0.0, 1.0), 0.0)
    told = float(np.percentile(1.0 / total, MOST_ROWS)) < MOST_ERROR**2
    left = process.left if highest == HIGHEST and told else float("nan")
    return _Fit(slow=slow, fast=fast, fast_slope=_slope(fast), strength=strength, left=left)


def _smooth(rows: NDArray[Any], frames: float) -> NDArray[Any]:
    """Rows smoothed by a Gaussian whose standard deviation is given in frames."""
    from scipy.ndimage import gaussian_filter1d

    sigma = frames * ROWS_A_FRAME
    if np.iscomplexobj(rows):
        real, imaginary = (gaussian_filter1d(part, sigma, axis=-1) for part in (rows.real, rows.imag))
        return np.asarray(real + 1j * imaginary)
    return np.asarray(gaussian_filter1d(rows, sigma, axis=-1))


def _levels(turned: Complexes, weight: Floats) -> Complexes:
    """Strength of each line, taken where it stands clear of noise."""
    return np.asarray(_smooth(turned * weight, LEVEL_FRAMES) / _smooth(weight, LEVEL_FRAMES))


def _error(weight: Floats, size: Floats) -> Floats:
    """Variance of each line's strength as a share of its square.

    Both parts of the noise count, and neighbouring rows are alike: of the rows in the window, 2 sqrt(pi) sigma
    weigh, about six tenths of them for themselves [derived].
    """
    rows = 2 * np.sqrt(np.pi) * LEVEL_FRAMES * ROWS_A_FRAME * 0.6
    return np.asarray(2.0 / (rows * _smooth(weight, LEVEL_FRAMES) * size**2))


def _gated(z: Complexes) -> Complexes:
    """Lines made weak where something else moves fast in their band, a voice: what is left are the pauses."""
    noise = _smooth(np.abs(z - _smooth(z, NOISE_FRAMES)) ** 2, NOISE_FRAMES / 1.5)
    own = np.percentile(_smooth(np.abs(z) ** 2, NOISE_FRAMES), QUIET, axis=1, keepdims=True) + 1e-30
    return np.asarray(z * own / (own + noise / NOISY))


def _slow_phase(z: Complexes, order: Floats) -> Floats:
    """First guess: the turn of phase from row to row over some two seconds, summed up."""
    step = _smooth(z[:, 1:] * np.conj(z[:, :-1]), 18.0)
    power = _smooth(np.abs(z[:, 1:]) ** 2, 18.0) + 1e-30
    alike = np.minimum(np.abs(step) / power, 0.9999)
    share = order**2 * np.sqrt(power) * alike**4 / (1.0 - alike**2)
    turn = np.sum(share * np.angle(step) / order, axis=0) / (share.sum(axis=0) + 1e-30)
    return np.concatenate([[0.0], np.cumsum(turn)])


@dataclass(frozen=True, slots=True)
class _Process:
    """A smoothed phase, and the rms error of its derivative (NaN: nothing followed)."""

    phase: Floats
    left: float


def _smoothed(measured: Floats, before: Floats, variance: Floats, highest: float) -> _Process:
    """The phase as a stationary process in noise of known variance (Wiener)."""
    rows = len(measured)
    usual = float(np.median(variance))
    gap = usual / (usual + variance)  # 1 where the phase was seen, 0 where it was not
    line = np.polynomial.Polynomial.fit(np.arange(rows), before, 1)(np.arange(rows))
    seen = before + gap * (measured - before) - line
    power, noise, width = _spectrum(seen, gap, variance)
    pad = WINDOW_FRAMES * ROWS_A_FRAME
    size = 1 << (rows + 2 * pad - 1).bit_length()
    hz = np.fft.rfftfreq(size, 1.0 / ROWS_A_FRAME)
    power_there = np.where(width <= highest, np.maximum(power - CLEAR * noise, 0.0), 0.0)
    power_there[:SLOW_BINS] = (
        100.0 * power[: SLOW_BINS + 2].max()
    )  # drift: the window can't see it, so it is free
    clear = np.interp(hz, width, power_there)
    root = np.sqrt(clear)
    weight = np.zeros(size)
    weight[pad : pad + rows] = 1.0 / variance
    target = np.zeros(size)
    target[pad : pad + rows] = measured - line

    def coloured(v: Floats) -> Floats:
        return np.asarray(np.fft.irfft(np.fft.rfft(v) * root, size))

    solved = _conjugate_gradients(lambda v: v + coloured(weight * coloured(v)), coloured(weight * target))
    phase = coloured(solved)[pad : pad + rows] + line
    fast = (width >= SLOWEST) & (width <= HIGHEST)
    if not np.any(fast & (power > CLEAR * noise)):
        return _Process(phase, float("nan"))
    signal = np.maximum(power - noise, 0.0)
    error = np.where(power > CLEAR * noise, signal * noise / (signal + noise), np.minimum(signal, noise))
    left = np.sum((2 * np.pi * width[fast]) ** 2 * error[fast]) * (width[1] - width[0]) * 2 / ROWS_A_FRAME
    return _Process(phase, float(np.sqrt(left)))


def _spectrum(seen: Floats, gap: Floats, variance: Floats) -> tuple[Floats, float, Floats]:
    """Power of the phase by frequency and of its noise (white noise of variance v has power v), and the frequencies."""
    count = min(WINDOW_FRAMES * ROWS_A_FRAME, len(seen))
    window = np.hanning(count + 2)[1:-1]
    noise = weight = 0.0
    power = np.zeros(count // 2 + 1)
    for start in range(0, len(seen) - count + 1, max(1, count // 2)):
        part = slice(start, start + count)
        at = np.linspace(-1.0, 1.0, count)
        flat = seen[part] - np.polynomial.Polynomial.fit(at, seen[part], 2)(at)
        sure = 1.0 / float(np.mean(gap[part] ** 2 * variance[part]))
        power += sure * np.abs(np.fft.rfft(flat * window)) ** 2 / np.sum(window**2)
        noise += sure * float(np.sum((gap[part] * window) ** 2 * variance[part]) / np.sum(window**2))
        weight += sure
    hz = np.fft.rfftfreq(count, 1.0 / ROWS_A_FRAME)
    return power / weight, noise / weight, np.asarray(hz, dtype=np.float64)


def _conjugate_gradients(operator: Any, right: Floats) -> Floats:
    """Solve `operator` x = `right`, symmetric and positive."""
    x, r = np.zeros_like(right), right.copy()
    p, rr = r.copy(), float(right @ right)
    limit = 1e-12 * rr
    for _ in range(400):
        if rr <= limit:
            break
        q = operator(p)
        step = rr / float(p @ q)
        x += step * p
        r -= step * q
        new = float(r @ r)
        p = r + new / rr * p
        rr = new
    return x


def _low(phase: Floats) -> Floats:
    """What of the phase is slower than `SLOWEST`; what the smoothing lost is smoothed and added, twice."""
    low = np.zeros_like(phase)
    for _ in range(3):
        low = low + _smooth(phase - low, 0.22 / SLOWEST)
    return low


def _slope(fast: Floats) -> Floats:
    """Derivative, to a frame: the rows lie so close that four of them tell it."""
    padded = np.pad(fast, 2, mode="edge")
    return np.asarray(
        (8.0 * (padded[3:-1] - padded[1:-3]) - (padded[4:] - padded[:-4])) * (ROWS_A_FRAME / 12.0)
    )

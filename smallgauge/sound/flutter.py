"""Wow and flutter: measured on a tone as the standard says, and taken out through the time map.

flutter_weighting      frequencies -> the weighting curve's complex gain
measure_flutter        a recorded tone -> FlutterReading        (a test film: the machine's own flutter)
measure_comb_flutter   a followed comb -> FlutterReading        (analyse)
propose_flutter        FlutterReading -> take out or leave      (treat)
solve_flutter_map      sound map, followed comb -> sound map    (render/plan)

Flutter is a fault of time, so it is mended where time is kept: the map from finished to captured samples. The
knots are moved and the sound is resampled once, as it is without.
"""

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.errors import CallerError, MaterialError
from smallgauge.sound.comb import ROWS_A_FRAME, CombTrack
from smallgauge.sound.curves import Floats
from smallgauge.sound.curves import hermite as _hermite
from smallgauge.sound.curves import hermite_inverse as _hermite_inverse
from smallgauge.sound.speed import ReadSound, SoundMap

TONE_HZ = 3150.0  # the standard's tone; American film practice had 3000 Hz
LEAST_RATE = 16_000
DEMODULATED_HZ = (
    12_000  # at least: slower, and bilinear filter and difference of phase lose the curve's upper end
)
BAND_HZ = 800.0  # either side of the tone; flat to 500
SETTLE_S = 2.0  # of the weighting filter, not read
LEAST_S = 5.0  # a reading needs this much after it has settled
MOST_S = 120.0
TWO_SIGMA = 95.45  # percentile of the absolute value
TONE_SHARE = 0.5  # of the power within an octave about the tone that must be the tone's

# Weighted flutter below this is left, and such that isn't this much above what the method itself leaves (two sigma
# of it). The first is what is still heard on a sustained tone: common practice, no source.
LEAST_WORTH, LEAST_GAIN = 0.001, 2.0

FlutterAct = Literal["take out", "leave"]
FLUTTER_ACTS: tuple[FlutterAct, ...] = ("take out", "leave")

# The weighting curve, decibels to its value at 4 Hz, as quoted from AES6-2008.
WEIGHTING: tuple[tuple[float, float], ...] = (
    (0.1, -48.0), (0.2, -30.6), (0.315, -19.7), (0.4, -15.0), (0.63, -8.4), (0.8, -6.0), (1.0, -4.2), (1.6, -1.8),
    (2.0, -0.9), (4.0, 0.0), (6.3, -0.9), (10.0, -2.1), (20.0, -5.9), (40.0, -10.4), (63.0, -14.2),
    (100.0, -17.3), (200.0, -23.0),
)  # fmt: skip
# Poles and zeros fitted to it, Hz (sound reference, section c): within 0.28 dB of every value.
_RESONANCE_HZ, _Q = 0.4435, 0.6494
_POLES_HZ, _ZERO_HZ = (1.4979, 8.5197, 43.5026), 31.3161

Complexes = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, kw_only=True)
class FlutterReading:
    """Wow and flutter of a stretch of sound; shares of the speed, NaN where nothing could be read.

    `weighted_peak` is the standard's reading: half of peak to peak, weighted, exceeded 4.55 % of the time. `peak`
    is the same without weighting, `rms` the unweighted root mean square. `speed_error` is the mean speed over the
    right one, less 1. `left` is the rms error that is expected of the readings' own series, 0 for a test tone.
    """

    weighted_peak: float
    peak: float
    rms: float
    speed_error: float
    left: float


NOT_READ = FlutterReading(
    **dict.fromkeys(("weighted_peak", "peak", "rms", "speed_error", "left"), float("nan"))
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FlutterDecision:
    """Whether the flutter of the recording is taken out through the map of the finished sound."""

    act: FlutterAct = "leave"


def propose_flutter(reading: FlutterReading) -> tuple[FlutterDecision, str]:
    """Whether to take flutter out, and why: only where it is worth it and told surely.

    Parameters
    ----------
    reading : FlutterReading
        From `measure_comb_flutter`.

    Returns
    -------
    decision : FlutterDecision
    why : str

    Examples
    --------
    >>> propose_flutter(NOT_READ)
    (FlutterDecision(act='leave'), 'nothing in the sound tells its flutter')
    """
    peak, left = reading.weighted_peak, 2.0 * reading.left
    if peak != peak:
        return FlutterDecision(act="leave"), "nothing in the sound tells its flutter"
    told = f"hum on the film tells {100 * peak:.2f} % of flutter, weighted, to about {100 * left:.2f} %"
    if peak < LEAST_WORTH:
        return FlutterDecision(act="leave"), f"{told}; below {100 * LEAST_WORTH:.1f} % it is left"
    if peak < LEAST_GAIN * left:
        return FlutterDecision(act="leave"), f"{told}; that is not sure enough to be worth it"
    return FlutterDecision(act="take out"), told


def _analogue() -> tuple[list[complex], list[complex]]:
    """Zeros and poles of the weighting filter, radians a second; the gain is set at 4 Hz."""
    turn = 2 * np.pi
    pair = np.roots([1.0, turn * _RESONANCE_HZ / _Q, (turn * _RESONANCE_HZ) ** 2])
    return [0.0, 0.0, 0.0, -turn * _ZERO_HZ], [*pair.tolist(), *(-turn * hz for hz in _POLES_HZ)]


def flutter_weighting(hz: ArrayLike) -> Complexes:
    """Complex gain of the weighting filter at frequencies of flutter in Hz; 1 in size at 4 Hz.

    Notes
    -----
    Source: AES6 weighting.

    Examples
    --------
    >>> (20 * np.log10(np.abs(flutter_weighting([0.4, 4.0, 20.0])))).round(1).tolist()
    [-15.1, 0.0, -6.1]
    """
    zeros, poles = _analogue()

    def gain(s: Complexes) -> Complexes:
        top, bottom = np.ones_like(s), np.ones_like(s)
        for zero in zeros:
            top = top * (s - zero)
        for pole in poles:
            bottom = bottom * (s - pole)
        return np.asarray(top / bottom)

    s = np.asarray(2j * np.pi * np.asarray(hz, dtype=np.float64), dtype=np.complex128)
    return np.asarray(gain(s) / np.abs(gain(np.array([8j * np.pi]))))


def measure_flutter(
    read: ReadSound, *, sound_rate: int, first: int, stop: int, tone_hz: float = TONE_HZ, track: int = 0
) -> FlutterReading:
    """Wow and flutter of a recorded tone: FM demodulated, weighted, read at two sigma.

    Parameters
    ----------
    read : callable
        `read(first, stop)` gives samples as float64 (stop - first, tracks).
    sound_rate : int
        Samples a second, 16 000 or more.
    first, stop : int
        The stretch; 7 s to 2 min of it are read.
    tone_hz : float
        The tone at the right speed; it is looked for within 10 %.
    track : int
        Which track.

    Returns
    -------
    FlutterReading
        All NaN where the stretch holds no such tone.

    Raises
    ------
    CallerError
        A rate too low, a stretch too short or too long.

    Notes
    -----
    Source: AES6.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> t = np.arange(48000 * 8) / 48000
    >>> tone = np.sin(2 * np.pi * 3150 * (t + 0.01 * np.sin(2 * np.pi * 4 * t) / (2 * np.pi * 4)))
    >>> found = measure_flutter(read_array(tone), sound_rate=48000, first=0, stop=len(tone))
    >>> round(100 * found.weighted_peak, 1), round(100 * found.peak, 1)
    (1.0, 1.0)
    """
    from scipy.signal import bilinear_zpk, firwin, oaconvolve, sosfilt, zpk2sos

    seconds = (stop - first) / max(sound_rate, 1)
    if sound_rate < LEAST_RATE or not SETTLE_S + LEAST_S <= seconds <= MOST_S:
        raise CallerError(
            f"A flutter reading needs {SETTLE_S + LEAST_S:g} to {MOST_S:g} s of sound at {LEAST_RATE} samples "
            f"a second or more; found {seconds:.1f} s at {sound_rate}."
        )
    x = read(first, stop)[:, track]
    seen_hz = _tone(x[: 2 * sound_rate], sound_rate, tone_hz)
    if seen_hz != seen_hz:  # NaN: no tone
        return NOT_READ
    base = x * np.exp(-2j * np.pi * np.mod(seen_hz / sound_rate * np.arange(len(x)), 1.0))
    taps = firwin(2 * (sound_rate // 200) + 1, BAND_HZ, window=("kaiser", 8.0), fs=sound_rate)
    step = sound_rate // DEMODULATED_HZ
    z = oaconvolve(base, taps, mode="valid")[::step]
    rate = sound_rate / step
    heard_hz = seen_hz + np.diff(np.unwrap(np.angle(z))) * rate / (2 * np.pi)
    mean_hz = float(np.mean(heard_hz))
    off = heard_hz / mean_hz - 1.0
    zeros, poles = _analogue()
    digital = bilinear_zpk(np.array(zeros), np.array(poles), 1.0, rate)
    sections = zpk2sos(digital[0], digital[1], 1.0)
    at_4 = np.exp(2j * np.pi * 4.0 / rate)
    gain = 1.0 / abs(np.prod([np.polyval(s[:3], at_4) / np.polyval(s[3:], at_4) for s in sections]))
    settled = round(SETTLE_S * rate)
    weighted = sosfilt(sections, off)[settled:] * gain
    return FlutterReading(
        weighted_peak=float(np.percentile(np.abs(weighted), TWO_SIGMA)),
        peak=float(np.percentile(np.abs(off)[settled:], TWO_SIGMA)),
        rms=float(np.std(off[settled:])),
        speed_error=mean_hz / tone_hz - 1.0,
        left=0.0,
    )


def _tone(x: Floats, rate: int, tone_hz: float) -> float:
    """Frequency of the tone, NaN where there is none."""
    power = np.abs(np.fft.rfft(x * np.hanning(len(x)))) ** 2
    hz = np.fft.rfftfreq(len(x), 1.0 / rate)
    near = np.abs(hz / tone_hz - 1.0) < 0.1
    octave = (hz > tone_hz / 1.5) & (hz < tone_hz * 1.5)
    top = hz[near][np.argmax(power[near])]
    own = np.abs(hz / top - 1.0) < 0.03
    total = float(power[octave].sum())
    return float(top) if total > 0 and power[own & octave].sum() > TONE_SHARE * total else float("nan")


def measure_comb_flutter(comb: CombTrack | None, *, camera_rate: Fraction) -> FlutterReading:
    """Wow and flutter that a followed comb tells, from 0.2 Hz to some 20 Hz.

    Parameters
    ----------
    comb : CombTrack or None
        From `smallgauge.sound.comb.find_comb`.
    camera_rate : Fraction
        Frames a second; it turns frames of film into seconds.

    Returns
    -------
    FlutterReading
        All NaN where no flutter could be told from noise; `speed_error` is NaN always, for a comb doesn't know.

    Notes
    -----
    Source: AES6; the series is weighted by the filter's gain over frequency.

    Examples
    --------
    >>> measure_comb_flutter(None, camera_rate=Fraction(18)).weighted_peak
    nan
    """
    if comb is None or not comb.followed or len(comb.speed) < 10 * ROWS_A_FRAME:
        return NOT_READ
    rate = float(ROWS_A_FRAME * camera_rate)
    size = 1 << (2 * len(comb.speed) - 1).bit_length()
    gain = flutter_weighting(np.fft.rfftfreq(size, 1.0 / rate))
    weighted = np.fft.irfft(np.fft.rfft(comb.speed, size) * gain, size)[: len(comb.speed)]
    return FlutterReading(
        weighted_peak=float(np.percentile(np.abs(weighted), TWO_SIGMA)),
        peak=float(np.percentile(np.abs(comb.speed), TWO_SIGMA)),
        rms=float(np.std(comb.speed)),
        speed_error=float("nan"),
        left=comb.left,
    )


def solve_flutter_map(
    knots: SoundMap,
    *,
    in_sample: ArrayLike,
    displacement: ArrayLike,
    speed: ArrayLike,
    camera_rate: Fraction,
    out_rate: int,
) -> SoundMap:
    """The sound map with the flutter taken out.

    What the head reads at a captured sample was recorded `displacement` frames later than the film says, so it is
    heard that much later; where the film ran tail first, so much earlier. The map's places in the captured sound
    stay; their places in the finished sound move.

    Parameters
    ----------
    knots : SoundMap
        As solved without flutter; rising, or falling from end to end.
    in_sample, displacement, speed : array, shape (n,)
        Columns of a followed comb: captured sample, rising; frames; the derivative, a share.
    camera_rate : Fraction
        Frames a second at which the finished film plays.
    out_rate : int
        Samples a second of the finished sound.

    Returns
    -------
    SoundMap
        Same length.

    Raises
    ------
    CallerError
        The columns differ in length or hold fewer than two rows.
    MaterialError
        A speed that is off by a fifth or more: that is no flutter.

    Examples
    --------
    >>> from smallgauge.sound.speed import in_sample_at
    >>> still = SoundMap(out_sample=np.array([0.0, 9600.0]), in_sample=np.array([0.0, 9600.0]), slope=np.ones(2),
    ...                  gain=np.ones(2), out_samples=9600)
    >>> x = np.arange(0.0, 3.6, 0.25)
    >>> moved = solve_flutter_map(
    ...     still, in_sample=x * 48000 / 18, displacement=0.001 * np.sin(x), speed=0.001 * np.cos(x),
    ...     camera_rate=Fraction(18), out_rate=48000,
    ... )
    >>> round(float(in_sample_at(moved, [48000 / 18 + 0.001 * np.sin(1) * 48000 / 18])[0][0]), 3)
    2666.667
    """
    q, later, share = (np.asarray(a, dtype=np.float64) for a in (in_sample, displacement, speed))
    if not len(q) == len(later) == len(share) or len(q) < 2:
        raise CallerError(
            "To take out flutter, captured sample, displacement and speed of the same length are needed; found "
            f"{len(q)}, {len(later)}, {len(share)} rows."
        )
    if float(np.max(np.abs(share))) > 0.2:
        raise MaterialError(
            f"Flutter of at most 20 % of the speed can be taken out, found {100 * np.max(np.abs(share)):.0f} %; leave it "
            "with `smallgauge treat --decide flutter leave`."
        )
    sign = -1.0 if knots.slope[0] < 0 else 1.0
    order = slice(None, None, -1) if sign < 0 else slice(None)
    q, later, share = q[order], sign * later[order], share[order]
    old, slope = _heard_at(knots, q, sign)
    frames_a_sample = float(camera_rate / out_rate)
    ramp = _ramp(old * frames_a_sample)
    share = share * ramp + later * np.gradient(ramp, old * frames_a_sample)
    later = later * ramp
    beyond = (knots.out_sample < old[0] - 0.5) | (knots.out_sample > old[-1] + 0.5)
    at = np.concatenate([old + later / frames_a_sample, knots.out_sample[beyond]])
    rising = np.argsort(at, kind="stable")
    at = at[rising]
    q = np.concatenate([q, knots.in_sample[beyond]])[rising]
    slope = np.concatenate([slope / (1.0 + share), knots.slope[beyond]])[rising]
    inside = (at > 0.5) & (at < knots.out_samples - 0.5)
    ends = np.array([0.0, float(knots.out_samples)])
    end_q, end_slope = _hermite(ends, at, q, slope)
    out = np.concatenate([ends[:1], at[inside], ends[1:]])
    return SoundMap(
        out_sample=out,
        in_sample=np.concatenate([end_q[:1], q[inside], end_q[1:]]),
        slope=np.concatenate([end_slope[:1], slope[inside], end_slope[1:]]),
        gain=np.interp(out, knots.out_sample, knots.gain),
        out_samples=knots.out_samples,
    )


def _heard_at(knots: SoundMap, in_sample: Floats, sign: float) -> tuple[Floats, Floats]:
    """Where a map plays captured samples, and its slope there."""
    out, slope = _hermite_inverse(
        sign * in_sample, knots.out_sample, sign * knots.in_sample, sign * knots.slope
    )
    return out, sign * slope


def _ramp(x: Floats) -> Floats:
    """1, falling to 0 with a soft edge over the first and last half second or so: the map joins without a step."""
    reach = min(9.0, (x[-1] - x[0]) / 4)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(np.minimum(x - x[0], x[-1] - x) / reach, 0.0, 1.0)))

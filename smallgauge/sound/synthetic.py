"""Drawn stripe sound with known truth: what a sound head would hear of film that never existed.

TrackTruth        everything that is so about a drawn track
draw_track        truth and the film's movement -> samples
recorded_time_s   the camera's even time -> the instant that was recorded there, where its speed fluttered
heard_at_camera   what there was to hear at an instant at the camera; the finished sound must equal it
camera_time_s     capture time -> the instant at the camera whose sound was under the head

All content is a function of time at the camera, written as sums of sinusoids under smooth envelopes, so it
can be evaluated at any instant and nothing has to be resampled to know what is right. Film position under the
head is p(t) = x(t) - D, with x the position in the gate and D the head's distance; it belongs to picture
frame n = p + A, A being the separation; and the camera's instant is n over the camera's rate, so that frame
n's exposure has its middle at n / rate. Source: derived (equations); levels, words and tunes are common
practice, no source.
"""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.float64]

__all__ = [
    "TapeTruth",
    "TrackTruth",
    "camera_time_s",
    "draw_tape",
    "draw_track",
    "film_hum",
    "heard_at_camera",
    "recorded_time_s",
    "tape_time_s",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackTruth:
    """Everything that is so about a drawn track; an amount of 0 switches that part off."""

    camera_rate: Fraction
    ahead_frames: float  # A: sound ahead of picture on the film
    head_offset_frames: float  # D: head after the scanner's gate
    sample_rate: int = 48_000
    clap_frames: tuple[int, ...] = ()
    content: Literal["speech", "tune", "speech and tune", "tone", "none"] = "speech and tune"
    content_level: float = 0.22  # peak, about; the unit is full scale everywhere
    tone_hz: float = 1000.0  # at the camera; only for content "tone"
    clap_level: float = 0.6
    film_hum_hz: float = 50.0  # recorded on the film: exact at the camera
    film_hum_level: float = 0.012
    chain_hum_hz: float = 50.0  # of the capture chain: exact at the capture
    chain_hum_level: float = 0.004
    hiss_level: float = 0.0015  # rms; of the capture chain: the same however the film runs
    stripe_hiss_level: float = 0.0  # rms; of the stripe: it lies on the film and moves with the scan
    splices: tuple[int, ...] = ()  # picture frames that follow a splice; the head meets the cut before them
    knock_level: float = 0.35
    cut_frames: float = 0.0  # film cut away before each splice, with its sound; 0: recorded after editing
    second_track: bool = False  # balance stripe with the same programme
    second_delay_s: float = 0.0  # of the second track, at the capture
    second_gain: float = 0.7
    flutter: tuple[tuple[float, float], ...] = ()  # at the camera: Hz, peak share of the speed
    pilot_hz: float = 0.0  # recorded on the last track: exact at the camera
    pilot_level: float = 0.0
    clicks: tuple[tuple[float, float], ...] = ()  # second of the captured sound, length in seconds
    click_level: float = 0.3  # rms of the burst of noise
    dropouts: tuple[
        tuple[float, float, float], ...
    ] = ()  # captured second, length s, lift in wavelengths at 1 kHz
    recorded_s: tuple[float, float] | None = None  # at the camera: nothing is recorded before and after
    seed: int = 1


def camera_time_s(truth: TrackTruth, film_position: Times) -> Times:
    """Instant at the camera whose sound is under the head while `film_position` (frames) is in the gate.

    Examples
    --------
    >>> import numpy as np
    >>> truth = TrackTruth(camera_rate=Fraction(18), ahead_frames=18, head_offset_frames=0)
    >>> camera_time_s(truth, np.array([0.0, 9.0])).tolist()
    [1.0, 1.5]
    """
    position = np.asarray(film_position, dtype=np.float64)
    return np.asarray((position - truth.head_offset_frames + truth.ahead_frames) / float(truth.camera_rate))


def heard_at_camera(truth: TrackTruth, time_s: Times) -> Times:
    """What there was to hear at instants at the camera: speech, tune or tone, and claps; no hum, no hiss.

    Parameters
    ----------
    truth : TrackTruth
    time_s : array, float64
        Seconds at the camera; frame n of the film was exposed at n / camera_rate. Any shape, any order.

    Returns
    -------
    array, float64, same shape
        Full scale 1. No energy above 5.5 kHz to speak of.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> import numpy as np
    >>> truth = TrackTruth(
    ...     camera_rate=Fraction(18), ahead_frames=18, head_offset_frames=0, clap_frames=(9,), content="none"
    ... )
    >>> heard_at_camera(truth, np.array([0.25, 0.5])).round(3).tolist()
    [0.0, 0.6]
    """
    t = np.asarray(time_s, dtype=np.float64)
    out = np.zeros_like(t)
    if truth.content == "tone":
        out += truth.content_level * np.sin(2 * np.pi * truth.tone_hz * t)
    if truth.content in ("speech", "speech and tune"):
        out += truth.content_level * _speech(t, truth.seed)
    if truth.content in ("tune", "speech and tune"):
        share = 1.0 if truth.content == "tune" else 0.45
        out += share * truth.content_level * _tune(t)
    for frame in truth.clap_frames:
        _add_clap(out, t, float(frame / truth.camera_rate), truth.clap_level)
    return out


def recorded_time_s(truth: TrackTruth, time_s: Times) -> Times:
    """Instant whose sound stands where the camera's even time says `time_s`: the same without flutter.

    A camera that flutters by a share d sin(2 pi f t) has recorded, by the time that its frames tell, the
    instant t - d cos(2 pi f t) / (2 pi f).

    Examples
    --------
    >>> import numpy as np
    >>> truth = TrackTruth(camera_rate=Fraction(18), ahead_frames=18, head_offset_frames=0, flutter=((4.0, 0.01),))
    >>> t = np.array([0.0625, 0.0626])
    >>> round(float(np.diff(recorded_time_s(truth, t))[0] / 1e-4), 3)
    1.01
    """
    t = np.asarray(time_s, dtype=np.float64)
    out = t.copy()
    for hz, share in truth.flutter:
        out -= share * np.cos(2 * np.pi * hz * t) / (2 * np.pi * hz)
    return out


def film_hum(truth: TrackTruth, time_s: Times) -> Times:
    """Hum that was recorded with the sound, at instants at the camera; same unit as heard_at_camera."""
    return _hum(np.asarray(time_s, dtype=np.float64), truth.film_hum_hz, truth.film_hum_level)


def _hum(t: Times, hz: float, level: float) -> Times:
    """Mains hum with its second, third and fifth harmonic."""
    if not level:
        return np.zeros_like(t)
    w = 2 * np.pi * hz * t
    wave = np.sin(w) + 0.5 * np.sin(2 * w + 0.4) + 0.3 * np.sin(3 * w + 1.1) + 0.1 * np.sin(5 * w + 2.0)
    return np.asarray(level * wave)


_MELODY = (0, 4, 7, 9, 7, 4, 2, 0, 2, 4, 2, -3, 0, 0, 5, 9)  # semitones from 392 Hz
_NOTE_S = 0.29


def _tune(t: Times) -> Times:
    """A child's tune on a small piano: four harmonics under a smooth envelope that is 0 between notes."""
    number = np.floor(t / _NOTE_S)
    local = t - number * _NOTE_S
    step = np.asarray(_MELODY, dtype=np.float64)[(number.astype(np.int64)) % len(_MELODY)]
    phase = 2 * np.pi * 392.0 * 2 ** (step / 12) * local
    wave = np.sin(phase) + 0.42 * np.sin(2 * phase) + 0.2 * np.sin(3 * phase) + 0.1 * np.sin(4 * phase)
    rise = _raised(local / 0.015)
    fall = _raised((_NOTE_S - local) / 0.05)
    return np.asarray(wave * rise * fall * np.exp(-4.0 * local) * 0.7)


def _raised(x: Times) -> Times:
    """Raised cosine from 0 at 0 to 1 at 1."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(x, 0, 1)))


# First three resonances of five vowels, Hz: rounded from memory, not checked; only their look matters.
_VOWELS = ((730, 1090, 2440), (530, 1840, 2480), (270, 2290, 3010), (570, 840, 2410), (300, 870, 2240))
_SYLLABLE_S = 0.21


def _speech(t: Times, seed: int) -> Times:
    """Something like talk: voiced syllables with gliding pitch, a pause after every fifth to eighth."""
    random = np.random.Generator(np.random.SFC64(np.random.SeedSequence((seed, 77))))
    vowel = random.integers(0, len(_VOWELS), 64)
    pitch = random.uniform(110, 165, 64)
    glide = random.uniform(-90, 60, 64)
    loud = random.uniform(0.55, 1.0, 64)
    loud[np.cumsum(random.integers(5, 9, 12)) % 64] = 0.0
    number = np.floor(t / _SYLLABLE_S)
    local = t - number * _SYLLABLE_S
    index = number.astype(np.int64) % 64
    cycle = pitch[index] * local + 0.5 * glide[index] * local**2
    resonance = np.asarray(_VOWELS, dtype=np.float64)[vowel]
    out = np.zeros_like(t)
    for harmonic in range(1, 25):
        hz = harmonic * pitch
        strength = sum(
            share / (1 + ((hz - resonance[..., order]) / width) ** 2)
            for order, (share, width) in enumerate(((1.0, 70.0), (0.55, 100.0), (0.25, 150.0)))
        )
        out += np.asarray(strength)[index] * np.sin(2 * np.pi * harmonic * cycle + 0.7 * harmonic**2)
    envelope = _raised(local / 0.05) * _raised((_SYLLABLE_S - local) / 0.08)
    return np.asarray(0.45 * out * envelope * loud[index])


_ECHOES = ((0.0, 1.0), (0.011, 0.30), (0.019, -0.22), (0.034, 0.12), (0.052, -0.07))  # seconds, share


def _add_clap(out: Times, t: Times, at_s: float, level: float) -> None:
    """A clap: bursts of 2.2 kHz under Gaussians of 0.45 ms, the first and strongest exactly at `at_s`."""
    near = np.abs(t - at_s - 0.026) < 0.035
    x = t[near] - at_s
    for delay, share in _ECHOES:
        y = x - delay
        out[near] += level * share * np.exp(-0.5 * (y / 0.00045) ** 2) * np.cos(2 * np.pi * 2200 * y)


def _add_knock(out: Times, x: Times, level: float) -> None:
    """A splice at the head; `x` is film time since the cut, seconds: a tick and a thump that dies away."""
    near = np.abs(x - 0.02) < 0.06
    y = x[near]
    thump = _raised(y / 0.004) * np.exp(-np.maximum(y, 0) / 0.009) * np.sin(2 * np.pi * 95 * y)
    tick = np.exp(-0.5 * (y / 0.0003) ** 2) * np.cos(2 * np.pi * 1500 * y)
    out[near] += level * (0.6 * thump + tick)


def _add_clicks(tracks: list[Times], truth: TrackTruth, start_s: float) -> None:
    """Bursts of white noise, the same on all tracks; the first and last sample are at full strength."""
    random = np.random.Generator(np.random.SFC64(np.random.SeedSequence((truth.seed, 80))))
    for at_s, length_s in truth.clicks:
        first = round((at_s - start_s) * truth.sample_rate)
        burst = truth.click_level * random.standard_normal(max(1, round(length_s * truth.sample_rate)))
        for track in tracks:
            low, high = max(0, first), min(len(track), first + len(burst))
            track[low:high] += burst[low - first : high - first]


def _with_dropouts(track: Times, truth: TrackTruth) -> Times:
    """The track where the film was lifted off the head: spacing loss, 54.6 dB a wavelength of lift.

    Wallace's spacing loss, from memory, not checked. Lift and return take 2 ms each.
    """
    for at_s, length_s, lift in truth.dropouts:
        reach = round(0.3 * truth.sample_rate)
        first, stop = round(at_s * truth.sample_rate), round((at_s + length_s) * truth.sample_rate)
        low, high = max(0, first - reach), min(len(track), stop + reach)
        if first < 0 or stop > len(track):
            continue
        hz = np.fft.rfftfreq(high - low, 1 / truth.sample_rate)
        lifted = np.fft.irfft(
            np.fft.rfft(track[low:high]) * 10 ** (-54.6 * lift * hz / 1000 / 20), high - low
        )
        at = np.arange(low, high) / truth.sample_rate
        share = _raised((at - at_s) / 0.002) * _raised((at_s + length_s - at) / 0.002)
        track[low:high] = track[low:high] * (1 - share) + lifted * share
    return track


def draw_track(
    truth: TrackTruth, film_position: Callable[[Times], Times], *, start_s: float, samples: int
) -> NDArray[np.float64]:
    """Samples that the capture recorded.

    Parameters
    ----------
    truth : TrackTruth
    film_position : function
        Capture times (seconds, float64) to film positions in the gate (frames), without jumps, rising.
    start_s : float
        Capture time of sample 0.
    samples : int
        How many.

    Returns
    -------
    array, shape (samples, 1 or 2), float64
        Full scale 1, not clipped.

    Notes
    -----
    Source: derived (sound.md's geometry, stated in the head of this file).

    Examples
    --------
    >>> truth = TrackTruth(
    ...     camera_rate=Fraction(18), ahead_frames=18, head_offset_frames=0, content="tone", film_hum_level=0,
    ...     chain_hum_level=0, hiss_level=0,
    ... )
    >>> track = draw_track(truth, lambda t: 9 * t, start_s=0.0, samples=48)
    >>> import numpy as np
    >>> at_half_speed = 0.22 * np.sin(2 * np.pi * 500 * np.arange(48) / 48000)
    >>> bool(abs(track[:, 0] - at_half_speed).max() < 1e-9)
    True
    """
    times = start_s + np.arange(samples, dtype=np.float64) / truth.sample_rate
    tracks = [_captured(truth, film_position, times)]
    if truth.second_track:
        tracks.append(truth.second_gain * _captured(truth, film_position, times - truth.second_delay_s))
    if truth.pilot_level:
        recorded_s = recorded_time_s(truth, camera_time_s(truth, np.asarray(film_position(times))))
        tracks[-1] += truth.pilot_level * np.sin(2 * np.pi * truth.pilot_hz * recorded_s)
    tracks = [_with_dropouts(track, truth) for track in tracks]
    random = np.random.Generator(np.random.SFC64(np.random.SeedSequence((truth.seed, 78))))
    for number, track in enumerate(tracks):
        track += _hum(times, truth.chain_hum_hz, truth.chain_hum_level * (1 + 0.2 * number))
        track += truth.hiss_level * random.standard_normal(samples)
    _add_clicks(tracks, truth, start_s)
    return np.stack(tracks, axis=1)


_HISS_RATE = 40_000  # values a second of playing time: white to 20 kHz at the camera's speed


def _stripe_hiss(heard_s: Times, truth: TrackTruth) -> Times:
    """Noise that lies on the film, rms 1: white along it, straight lines between its values."""
    first = int(np.floor(heard_s.min() * _HISS_RATE))
    count = int(np.ceil(heard_s.max() * _HISS_RATE)) - first + 2
    random = np.random.Generator(np.random.SFC64(np.random.SeedSequence((truth.seed, 79))))
    values = random.standard_normal(count)
    # straight lines between white values have two thirds of their power
    at = heard_s * _HISS_RATE - first
    return np.asarray(np.interp(at, np.arange(count), values) * np.sqrt(1.5))


def _captured(truth: TrackTruth, film_position: Callable[[Times], Times], times: Times) -> Times:
    """What the head picked up from the film at capture times: content, recorded hum, knocks."""
    position = np.asarray(film_position(times))
    heard_s = camera_time_s(truth, position)
    if truth.cut_frames:
        past = sum(position - truth.head_offset_frames >= splice - 0.5 for splice in truth.splices)
        heard_s = heard_s + truth.cut_frames / float(truth.camera_rate) * past
    recorded_s = recorded_time_s(truth, heard_s)
    out = heard_at_camera(truth, recorded_s) + film_hum(truth, recorded_s)
    if truth.recorded_s is not None:
        out *= (heard_s >= truth.recorded_s[0]) & (heard_s < truth.recorded_s[1])
    if truth.stripe_hiss_level:
        out += truth.stripe_hiss_level * _stripe_hiss(heard_s, truth)
    for splice in truth.splices:
        under_head = position - truth.head_offset_frames
        _add_knock(out, (under_head - (splice - 0.5)) / float(truth.camera_rate), truth.knock_level)
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class TapeTruth:
    """Everything that is so about a drawn wild tape and its guide; film time is seconds at the camera."""

    seconds: float
    start_s: float = 3.7  # of the tape when the film begins
    speed: float = 1.02  # mean, seconds of tape a second of film
    sag: float = 0.006  # from the first to the last second the speed falls by this
    wander: float = 0.003  # rms of the speed, time constant 60 s
    sample_rate: int = 8000
    tape_noise: float = 0.002  # rms
    guide_noise_db: float = (
        0.0  # of the programme over the noise in the guide; the noise beats with the frames
    )
    echo: float = 1.0  # energy of the guide's echo over that of the direct sound
    seed: int = 1


def tape_time_s(truth: TapeTruth, film_s: Times) -> Times:
    """Second of the tape at which the sound of an instant at the camera is heard.

    Examples
    --------
    >>> import numpy as np
    >>> truth = TapeTruth(seconds=100.0, speed=1.02, sag=0.0, wander=0.0)
    >>> tape_time_s(truth, np.array([0.0, 10.0])).round(3).tolist()
    [3.7, 13.9]
    """
    step = 0.05
    grid = np.arange(-10.0, truth.seconds + 10.0, step)
    random = np.random.Generator(np.random.SFC64(np.random.SeedSequence((truth.seed, 81))))
    speed = truth.speed - truth.sag * (grid / truth.seconds - 0.5)
    if truth.wander:
        keep = float(np.exp(-step / 60.0))
        value = random.standard_normal() * truth.wander
        push = truth.wander * (1 - keep**2) ** 0.5 * random.standard_normal(len(grid))
        for n in range(len(grid)):
            speed[n] += value
            value = keep * value + push[n]
    second = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * step)])
    second += truth.start_s - np.interp(0.0, grid, second)
    from scipy.interpolate import CubicSpline

    return np.asarray(CubicSpline(grid, second)(film_s))


def _talk(truth: TapeTruth, film_s: Times) -> Times:
    """A programme that never repeats: talk and tune, louder and softer from one third of a second to the next."""
    sound = TrackTruth(camera_rate=Fraction(18), ahead_frames=0, head_offset_frames=0, seed=truth.seed)
    random = np.random.Generator(np.random.SFC64(np.random.SeedSequence((truth.seed, 82))))
    knots = np.arange(-12.0, truth.seconds + 12.0, 0.33)
    loud = np.exp(1.0 * random.standard_normal(len(knots)))
    return heard_at_camera(sound, film_s) * np.minimum(np.interp(film_s, knots, loud), 3.0)


def draw_tape(truth: TapeTruth) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A wild tape and its guide.

    Parameters
    ----------
    truth : TapeTruth

    Returns
    -------
    tape, guide : array, shape (n, 1), float64
        Both at `sample_rate`. The tape runs by its own clock and goes on for 4 s beyond the film; sample 0 of the
        guide is film time 0. The guide has an echo of 60 ms and noise that beats 18 times a second.

    Notes
    -----
    Source: derived; speed, sag and wander as in the measured table of sound.md g.

    Examples
    --------
    >>> tape, guide = draw_tape(TapeTruth(seconds=1.0))
    >>> guide.shape, len(tape) > 8000
    ((8000, 1), True)
    """
    random = np.random.Generator(np.random.SFC64(np.random.SeedSequence((truth.seed, 83))))
    film = np.arange(-9.0, truth.seconds + 9.0, 0.01)
    heard = tape_time_s(truth, film)
    last = float(np.interp(truth.seconds, film, heard)) + 4.0
    count = int(last * truth.sample_rate)
    tape = _talk(truth, np.interp(np.arange(count) / truth.sample_rate, heard, film))
    tape = tape + truth.tape_noise * random.standard_normal(count)
    times = np.arange(int(truth.seconds * truth.sample_rate)) / truth.sample_rate
    direct = _talk(truth, times)
    tail = np.arange(int(0.3 * truth.sample_rate)) / truth.sample_rate
    room = random.standard_normal(len(tail)) * np.exp(-tail / 0.06)
    room *= (truth.echo / np.sum(room**2)) ** 0.5
    size = len(direct) + len(room)
    wet = np.fft.irfft(np.fft.rfft(direct, size) * np.fft.rfft(room, size), size)[: len(direct)]
    programme = direct + wet
    noise = random.standard_normal(len(times)) * (1 + 0.8 * np.sin(2 * np.pi * 18 * times))
    noise *= float(np.std(programme)) / float(np.std(noise)) * 10 ** (-truth.guide_noise_db / 20)
    return tape[:, None], (programme + noise)[:, None]

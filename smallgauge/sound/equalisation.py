"""Replay equalisation: the right curve for a film that was replayed at another speed, or through another curve.

replay_level_db       frequencies, time constants -> the standard form of a recorded characteristic, decibels
equalising_level_db   frequencies, curves, speed -> what `apply_equalisation` does, decibels
propose_equalisation  nothing -> leave: no published curve was seen        (treat)
solve_equalisation    sound map -> speed of the capture over the film's    (render/plan)
apply_equalisation    reader of finished sound, curves, speed -> reader    (render)

A magnetic record is replayed through a curve with two time constants. When the film runs at s times its speed every
component comes s times as high, and the amplifier's curve lies in the wrong place: heard at the right speed it has
acted with constants s times as long. Losses of gap and spacing go with the wavelength on the film and need nothing.

For stripe on small-gauge film no published value has been seen here, so no curve is on offer as standard: the
operator states the constants that the machine replays with.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.errors import CallerError, MaterialError
from smallgauge.sound.blocks import BLOCK, read_in_blocks
from smallgauge.sound.curves import Floats
from smallgauge.sound.speed import ReadSound, SoundMap

UNITY_HZ = 1000.0
MOST_LIFT = 4.0  # of low frequencies, 12 dB
HIGH_PASS_HZ = 20.0  # where the low end is lifted without end
MOST_WANDER = (
    0.1  # of the scan speed: a curve that lies elsewhere every second can't be put right by one filter
)
LEAD_S = 1.0  # the longest time constant, 10 000 us, has died away to nothing by then


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayCurve:
    """The two time constants of a magnetic record's curve in microseconds; `bass_us` infinite is no bass lift.

    Examples
    --------
    >>> ReplayCurve(bass_us=3180.0, treble_us=120.0).treble_us
    120.0
    """

    bass_us: float
    treble_us: float

    def __post_init__(self) -> None:
        if not (
            0 < self.treble_us <= 1000 and (200 <= self.bass_us <= 10_000 or self.bass_us == float("inf"))
        ):
            raise CallerError(
                "A replay curve needs a bass constant of 200 to 10000 microseconds or inf, and a treble constant "
                f"above 0 up to 1000; found {self.bass_us:g} and {self.treble_us:g}."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class EqualisationDecision:
    """The curves to go from and to, as `parse_replay_curve` reads them; "" for both: the sound is left as it is."""

    replayed: str = ""  # the curve of the machine that captured
    recorded: str = ""  # the curve that the film was recorded for


def parse_replay_curve(text: str) -> ReplayCurve:
    """A curve as an operator writes it: bass and treble constant in microseconds.

    Examples
    --------
    >>> parse_replay_curve("3180/120")
    ReplayCurve(bass_us=3180.0, treble_us=120.0)
    >>> parse_replay_curve("inf/90").bass_us
    inf
    """
    bass, stroke, treble = text.partition("/")
    try:
        return ReplayCurve(bass_us=float(bass), treble_us=float(treble if stroke else "nan"))
    except ValueError:
        raise CallerError(
            f"A replay curve needs two time constants in microseconds such as 3180/120 or inf/90, found '{text}'."
        ) from None


def propose_equalisation() -> tuple[EqualisationDecision, str]:
    """Never more than to leave it: no published curve for the stripe of small-gauge film was seen.

    Examples
    --------
    >>> propose_equalisation()[0].replayed
    ''
    """
    why = "the constants that the machine replays with were not stated, and none that holds for stripe was seen published"
    return EqualisationDecision(), why


def solve_equalisation(knots: SoundMap, *, sound_rate: int, out_rate: int) -> float:
    """Capture speed over the film's own, of a sound map.

    Parameters
    ----------
    knots : SoundMap
    sound_rate, out_rate : int
        Samples a second of captured and finished sound.

    Returns
    -------
    float

    Raises
    ------
    MaterialError
        The scan's speed wandered by more than a tenth.

    Examples
    --------
    >>> knots = SoundMap(out_sample=np.array([0.0, 10.0]), in_sample=np.array([0.0, 20.0]), slope=np.full(2, 2.0),
    ...                  gain=np.ones(2), out_samples=10)
    >>> solve_equalisation(knots, sound_rate=48000, out_rate=48000)
    0.5
    """
    slope = np.abs(np.diff(knots.in_sample) / np.diff(knots.out_sample))
    long = np.diff(knots.out_sample) > 1.0
    mean = abs(float(knots.in_sample[-1] - knots.in_sample[0])) / float(knots.out_samples)
    wander = float(np.max(np.abs(slope[long] / mean - 1.0), initial=0.0))
    if not wander <= MOST_WANDER:
        raise MaterialError(
            f"Equalisation needs a scan whose speed keeps within {100 * MOST_WANDER:.0f} %, found {100 * wander:.0f} %; "
            "leave it with `smallgauge treat --decide equalisation leave`, or scan at one speed."
        )
    return sound_rate / out_rate / mean


def replay_level_db(hz: ArrayLike, curve: ReplayCurve) -> Floats:
    """Recorded flux over frequency, decibels, 0 in the middle: what replay has to undo.

    Notes
    -----
    Source: IEC 60094-1 curve.

    Examples
    --------
    >>> replay_level_db([1000.0, 10000.0], ReplayCurve(bass_us=3180.0, treble_us=120.0)).round(2).tolist()
    [-1.94, -17.62]
    """
    w = 2 * np.pi * np.asarray(hz, dtype=np.float64)
    low = 10 * np.log10(1.0 + 1.0 / (w * curve.bass_us * 1e-6) ** 2)
    return np.asarray(low - 10 * np.log10(1.0 + (w * curve.treble_us * 1e-6) ** 2))


def _analogue(replayed: ReplayCurve, recorded: ReplayCurve, speed: float) -> tuple[list[float], list[float]]:
    """Zeros and poles, radians a second, real: the recorded curve's replay over what has acted."""
    acted_bass, acted_treble = speed * replayed.bass_us * 1e-6, speed * replayed.treble_us * 1e-6
    bass, treble = recorded.bass_us * 1e-6, recorded.treble_us * 1e-6
    zeros, poles = [-1.0 / treble], [-1.0 / acted_treble]
    if np.isfinite(acted_bass):
        zeros.append(-1.0 / acted_bass)
        poles.append(-1.0 / bass if np.isfinite(bass) else -1.0 / (MOST_LIFT * acted_bass))
    elif np.isfinite(bass):
        zeros.append(0.0)
        poles.append(-1.0 / bass)
    return zeros, poles


def _gain(s: NDArray[np.complex128], zeros: list[float], poles: list[float]) -> NDArray[np.complex128]:
    top, bottom = np.ones_like(s), np.ones_like(s)
    for zero in zeros:
        top = top * (s - zero)
    for pole in poles:
        bottom = bottom * (s - pole)
    return np.asarray(top / bottom)


def equalising_level_db(
    hz: ArrayLike, *, replayed: ReplayCurve, recorded: ReplayCurve, speed: float
) -> Floats:
    """What the equalisation does at frequencies of the finished sound, decibels, 0 at 1 kHz.

    Parameters
    ----------
    hz : array
    replayed : ReplayCurve
        The curve of the machine that captured.
    recorded : ReplayCurve
        The curve that the film was recorded for.
    speed : float
        Capture speed over the film's own.

    Notes
    -----
    Source: derived; the high-pass at 20 Hz that goes with a lift without end is not in it.

    Examples
    --------
    24 frames a second replayed at 18:

    >>> curve = ReplayCurve(bass_us=3180.0, treble_us=120.0)
    >>> equalising_level_db([4000.0], replayed=curve, recorded=curve, speed=0.75).round(2).tolist()
    [1.42]
    """
    zeros, poles = _analogue(replayed, recorded, speed)
    s = np.asarray(2j * np.pi * np.asarray(hz, dtype=np.float64), dtype=np.complex128)
    size = np.abs(_gain(s, zeros, poles)) / np.abs(_gain(np.array([2j * np.pi * UNITY_HZ]), zeros, poles))
    return np.asarray(20 * np.log10(np.maximum(size, 1e-12)))


def apply_equalisation(
    read: ReadSound, *, rate: int, replayed: ReplayCurve, recorded: ReplayCurve, speed: float
) -> ReadSound:
    """A reader of finished sound, equalised; the same reader where there is nothing to do.

    Zeros and poles are carried over by the matched z-transform, the gain is held at 1 kHz.

    Parameters
    ----------
    read : callable
        `read(first, stop)` gives finished samples as float64 (stop - first, tracks), zero outside.
    rate : int
        Samples a second.
    replayed, recorded, speed
        As for `equalising_level_db`.

    Returns
    -------
    callable

    Raises
    ------
    CallerError
        A rate or speed that is not above 0.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> tone = np.sin(2 * np.pi * 4000 * np.arange(48000) / 48000)
    >>> curve = ReplayCurve(bass_us=3180.0, treble_us=120.0)
    >>> heard = apply_equalisation(read_array(tone), rate=48000, replayed=curve, recorded=curve, speed=0.75)
    >>> round(float(20 * np.log10(np.std(heard(20000, 30000)) * np.sqrt(2))), 2)
    1.42
    """
    from scipy.signal import butter, sosfilt, zpk2sos

    if rate <= 0 or not 0.05 <= speed <= 20.0:
        raise CallerError(
            f"Equalisation needs a rate above 0 and a speed of 0.05 to 20 times the film's, found {rate} and {speed:g}."
        )
    zeros, poles = _analogue(replayed, recorded, speed)
    if zeros == poles or (np.isclose(zeros[0], poles[0]) and np.allclose(sorted(zeros), sorted(poles))):
        return read
    z, p = np.exp(np.array(zeros) / rate), np.exp(np.array(poles) / rate)
    at = np.exp(np.array([2j * np.pi * UNITY_HZ / rate]))
    size = float(np.abs(np.prod(at - z) / np.prod(at - p)))
    sections = zpk2sos(z, p, 1.0 / size)
    if np.isinf(recorded.bass_us) and np.isfinite(replayed.bass_us):
        sections = np.concatenate([sections, butter(2, HIGH_PASS_HZ, "highpass", fs=rate, output="sos")])
    lead = round(LEAD_S * rate)

    def make(first: int, stop: int) -> Floats:
        return np.asarray(sosfilt(sections, read(first - lead, stop), axis=0)[lead:])

    return read_in_blocks(make, block=4 * BLOCK)

"""Two tracks beside one another: what they hold, how far one lies behind the other, and what the copies play.

find_tracks         captured sound of two channels -> TracksReading      (analyse)
propose_tracks      reading -> TracksDecision and why                    (treat)
solve_second_map    map of the first track, reading -> the second's      (render, plan)
apply_view          block of two tracks -> what the viewing copies play  (render)

A head that leans by a quarter of a degree plays one stripe of Super 8 0.4 ms behind the other, and their sum has a
hole at 1.25 kHz. So tracks are aligned before any sum, by the second track's own map through the one resampling, and
turned where one was connected the wrong way round. Whether they hold the same programme, a stereo recording or
two programmes is told by how much of one is in the other; where that does not tell, nothing is claimed.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.sound.curves import Floats, hermite, hermite_inverse
from smallgauge.sound.speed import ReadSound, SoundMap

WINDOW_S, HOP_S = 2.0, 1.0
MOST_WINDOWS = 400  # spread evenly over a longer track
BAND_HZ = (200.0, 9000.0)  # the reference's, section f
MOST_DELAY_S = 0.002  # half a degree on Super 8 at 18 frames a second is 0.8 ms
PHASE_EXPONENT = 0.8  # of the whitening of the correlation: the reference's choice
LEAST_WINDOWS = 4  # with sound on both tracks
ACTIVE_DB = (
    20.0  # a window this far below the loud ones of its track says nothing. common practice, no source
)
SAME, STEREO_LEAST, STEREO_MOST, APART = 0.8, 0.3, 0.7, 0.12  # coherence; between them nothing is claimed
SAME_LEVEL_DB = 6.0
LEAST_SHARE = 2 / 3  # of the windows that must say the same
STEADY_DB = 3.0  # a track whose level moves less than this holds no recording; speech and music move 10 dB
EMPTY_DB = 50.0  # below the other track

Views = Literal["both", "sum", "first", "second"]
VIEWS: tuple[Views, ...] = ("both", "sum", "first", "second")
State = Literal["same programme", "stereo", "two programmes", "one recorded", "not sure"]
_SEGMENT = 2048


@dataclass(frozen=True, slots=True, kw_only=True)
class TracksReading:
    """What two tracks are to one another.

    `coherence` is the median over the windows of the share of power that is common to both, 0 to 1, after
    alignment; `share` how many of them speak for `state`. `delay_us` at `at_s` (seconds of the captured sound)
    is how far the second track lies behind the first, smoothed; empty where it could not be measured.
    `level_db` is the first track's level above the second's. `inverted`: one is the other upside down.
    `recorded` names the only track with a recording, 0 or 1; -1 where both have one or none.
    """

    state: State
    coherence: float
    share: float
    windows: int
    level_db: float
    inverted: bool
    delay_us: tuple[float, ...]
    at_s: tuple[float, ...]
    scatter_us: float
    recorded: int = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class TracksDecision:
    """What the viewing copies play of two tracks: both as they lie, their aligned sum, or one of them."""

    view: Views


def find_tracks(read: ReadSound, *, in_samples: int, sound_rate: int) -> TracksReading:
    """Tell what two captured tracks hold, and how far and how turned the second lies behind the first.

    Parameters
    ----------
    read : callable
        `read(first, stop)` gives captured samples as float64 (stop - first, 2).
    in_samples : int
        Length of the captured sound.
    sound_rate : int
        Samples a second.

    Returns
    -------
    TracksReading
        State "not sure" where too little sound is on both tracks, or where the windows disagree.

    Raises
    ------
    CallerError
        Not two channels.

    Notes
    -----
    Source: generalised cross-correlation with phase weighting and magnitude-squared coherence, from memory; the
    limits are the reference's own, with gaps left between them.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> rng = np.random.default_rng(1)
    >>> voice = rng.standard_normal(48000 * 20) * np.repeat(rng.choice([0.02, 1.0], 80), 12000)
    >>> found = find_tracks(read_array(np.stack([voice, -np.roll(voice, 5)], axis=1)),
    ...                     in_samples=len(voice), sound_rate=48000)
    >>> found.state, found.inverted, round(found.delay_us[0], 1)
    ('same programme', True, 104.2)
    """
    if read(0, 0).shape[1] != 2:
        raise CallerError(f"Two tracks are needed to compare, found {read(0, 0).shape[1]}.")
    width = round(WINDOW_S * sound_rate)
    starts = np.arange(0, max(0, in_samples - width) + 1, round(HOP_S * sound_rate), dtype=np.int64)
    if in_samples < width:
        starts = starts[:0]
    if len(starts) > MOST_WINDOWS:
        starts = starts[np.linspace(0, len(starts) - 1, MOST_WINDOWS).round().astype(int)]
    levels, moves, found = [], [], []
    for start in starts.tolist():
        x = read(start, start + width)
        x = x - x.mean(axis=0)
        parts = x[: len(x) // 20 * 20].reshape(20, -1, 2)
        moves.append(10.0 * np.log10(np.mean(parts**2, axis=1) + 1e-20))
        levels.append(10.0 * np.log10(np.mean(x**2, axis=0) + 1e-20))
        found.append(_compare(x, sound_rate))
    if len(starts) < LEAST_WINDOWS:
        return _nothing(len(starts))
    level, rows = np.array(levels), np.array(found)
    difference = float(np.median(level[:, 0] - level[:, 1]))
    only = _only_recorded(np.concatenate(moves), level)
    if only >= 0:
        return replace(
            _nothing(len(starts)), state="one recorded", recorded=only, level_db=difference, share=1.0
        )
    if only == -2:
        return replace(_nothing(len(starts)), level_db=difference)
    loud = np.percentile(level, 90, axis=0)
    active = np.all(level > loud - ACTIVE_DB, axis=1)
    if int(active.sum()) < LEAST_WINDOWS:
        return replace(_nothing(int(active.sum())), level_db=difference)
    return _told(rows[active], level[active], (starts[active] + width / 2) / sound_rate)


def _nothing(windows: int) -> TracksReading:
    nan = float("nan")
    return TracksReading(
        state="not sure",
        coherence=nan,
        share=0.0,
        windows=windows,
        level_db=nan,
        inverted=False,
        delay_us=(),
        at_s=(),
        scatter_us=nan,
    )


def _only_recorded(moves: Floats, level: Floats) -> int:
    """The only track that holds a recording; -1 where both do, -2 where neither does."""
    spread = np.percentile(moves, 90, axis=0) - np.percentile(moves, 10, axis=0)
    loud = np.percentile(level, 90, axis=0)
    empty = (spread < STEADY_DB) | (loud < loud.max() - EMPTY_DB)
    if empty[0] == empty[1]:
        return -2 if empty[0] else -1
    return 1 if empty[0] else 0


def _compare(x: Floats, rate: int) -> tuple[float, float, float]:
    """Delay of the second track in seconds, sign of the correlation, coherence once aligned."""
    n = 1 << int(np.ceil(np.log2(len(x))))
    spectra = np.fft.rfft(x * np.hanning(len(x))[:, None], n, axis=0)
    hz = np.fft.rfftfreq(n, 1.0 / rate)
    inside = (hz >= BAND_HZ[0]) & (hz <= min(BAND_HZ[1], 0.45 * rate))
    cross = np.where(inside, np.conj(spectra[:, 0]) * spectra[:, 1], 0.0)
    cross /= np.maximum(np.abs(cross), 1e-30) ** PHASE_EXPONENT
    most = int(np.ceil(MOST_DELAY_S * rate))
    whole = np.fft.irfft(cross, n)
    near = np.concatenate([whole[-most:], whole[: most + 1]])
    lag = int(np.argmax(np.abs(near))) - most
    sign = 1.0 if near[lag + most] >= 0 else -1.0
    omega, part = 2.0 * np.pi * hz[inside] / rate, cross[inside]
    middle, step = float(lag), 0.25
    for _ in range(3):  # to a 64th of a sample, then the vertex of a parabola
        lags = middle + step * np.arange(-4, 5)
        turned, step_on = np.exp(1j * lags[0] * omega) * part, np.exp(1j * step * omega)
        value = np.empty(len(lags))
        for number in range(len(lags)):
            value[number] = sign * float(turned.real.sum())
            turned *= step_on
        best = int(np.clip(np.argmax(value), 1, 7))
        middle = float(lags[best])
        before, here, after = value[best - 1 : best + 2]
        step /= 4.0
    bend = before - 2.0 * here + after
    middle += 4.0 * step * 0.5 * (before - after) / bend if bend < 0 else 0.0
    return middle / rate, sign, _coherence(x, middle / rate, rate)


def _coherence(x: Floats, delay_s: float, rate: int) -> float:
    """Share of power that is common to both, over the band, each frequency by its power."""
    segment = _SEGMENT * max(1, round(rate / 48000))
    starts = range(0, len(x) - segment + 1, segment // 2)
    window = np.hanning(segment)
    hz = np.fft.rfftfreq(segment, 1.0 / rate)
    inside = (hz >= BAND_HZ[0]) & (hz <= min(BAND_HZ[1], 0.45 * rate))
    pieces = np.stack([np.fft.rfft(x[s : s + segment] * window[:, None], axis=0)[inside] for s in starts])
    first, second = pieces[:, :, 0], pieces[:, :, 1] * np.exp(2j * np.pi * hz[inside] * delay_s)
    cross = np.abs(np.mean(np.conj(first) * second, axis=0)) ** 2
    powers = np.mean(np.abs(first) ** 2, axis=0) * np.mean(np.abs(second) ** 2, axis=0)
    count = len(pieces) / 1.9  # independent pieces at half overlap, about
    raw = float(cross.sum() / max(float(powers.sum()), 1e-300))
    return float(np.clip((raw - 1.0 / count) / (1.0 - 1.0 / count), 0.0, 1.0))


def _told(rows: Floats, level: Floats, at_s: Floats) -> TracksReading:
    """State, delay and their sureness from the windows with sound on both tracks."""
    delay, sign, coherence = rows.T
    difference = float(np.median(level[:, 0] - level[:, 1]))
    shares: dict[State, float] = {
        "same programme": float(np.mean(coherence >= SAME)) if abs(difference) < SAME_LEVEL_DB else 0.0,
        "stereo": float(np.mean((coherence >= STEREO_LEAST) & (coherence <= STEREO_MOST))),
        "two programmes": float(np.mean(coherence <= APART)),
    }
    best = max(shares, key=lambda state: shares[state])
    state: State = best if shares[best] >= LEAST_SHARE else "not sure"
    sure = coherence >= 0.5
    delays, knots, scatter = _smooth(delay[sure], at_s[sure])
    return TracksReading(
        state=state,
        coherence=float(np.median(coherence)),
        share=shares[best],
        windows=len(rows),
        level_db=difference,
        inverted=bool(np.sum(sign[sure]) < 0),
        delay_us=delays,
        at_s=knots,
        scatter_us=scatter,
    )


def _smooth(delay: Floats, at_s: Floats) -> tuple[tuple[float, ...], tuple[float, ...], float]:
    """Delays in microseconds, the middle of three and then the mean of three, and the scatter about them."""
    if len(delay) < LEAST_WINDOWS:
        return (), (), float("nan")
    padded = np.pad(delay, 1, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 3), axis=1)
    even = np.convolve(np.pad(middle, 1, mode="edge"), np.ones(3) / 3.0, mode="valid")
    scatter = float(1.4826 * np.median(np.abs(delay - even)))
    if np.ptp(even) < 6.0 * max(scatter, 1e-8):  # it does not wander beyond what scatter makes
        even = np.full(len(even), float(np.median(delay)))
    us = tuple(round(1e6 * value, 3) for value in even.tolist())
    return us, tuple(round(value, 3) for value in at_s.tolist()), 1e6 * scatter


def propose_tracks(reading: TracksReading) -> tuple[TracksDecision, str]:
    """What the viewing copies are to play of two tracks, and why.

    Parameters
    ----------
    reading : TracksReading

    Returns
    -------
    decision : TracksDecision
    why : str

    Examples
    --------
    >>> nothing = TracksReading(state="not sure", coherence=0.75, share=0.5, windows=9, level_db=1.0,
    ...     inverted=False, delay_us=(), at_s=(), scatter_us=float("nan"))
    >>> propose_tracks(nothing)[0]
    TracksDecision(view='both')
    """
    told = f"coherence {reading.coherence:.2f} in {reading.windows} windows"
    if reading.state == "same programme":
        view: Views = "sum" if reading.delay_us else "first"
        turned = ", one upside down" if reading.inverted else ""
        delay = float(np.median(reading.delay_us)) if reading.delay_us else 0.0
        why = f"the same programme on both ({told}), the second {delay:.1f} microseconds behind{turned}; aligned and averaged"
    elif reading.state == "stereo":
        view, why = "both", f"a stereo recording ({told})"
    elif reading.state == "two programmes":
        view, why = "first", f"two programmes ({told}): they are never mixed, the first plays"
    elif reading.state == "one recorded":
        view = "second" if reading.recorded == 1 else "first"
        why = f"only the {view} track holds a recording"
    else:
        view, why = "both", "what the two tracks are to one another can not be told; they play as they lie"
    return TracksDecision(view=view), why


def solve_second_map(
    knots: SoundMap, reading: TracksReading, decision: TracksDecision, *, sound_rate: int
) -> SoundMap:
    """The second track's own map: the first's, moved by the delay and turned; the same map where nothing is summed.

    Parameters
    ----------
    knots : SoundMap
        Of the first track.
    reading : TracksReading
    decision : TracksDecision
    sound_rate : int
        Samples a second of the captured sound.

    Returns
    -------
    SoundMap

    Raises
    ------
    CallerError
        A sum of tracks whose delay is not known: it would have holes.

    Examples
    --------
    >>> knots = SoundMap(out_sample=np.array([0.0, 480.0]), in_sample=np.array([0.0, 960.0]),
    ...                  slope=np.full(2, 2.0), gain=np.ones(2), out_samples=480)
    >>> reading = TracksReading(state="same programme", coherence=1.0, share=1.0, windows=9, level_db=0.0,
    ...     inverted=True, delay_us=(125.0,), at_s=(0.01,), scatter_us=0.1)
    >>> second = solve_second_map(knots, reading, TracksDecision(view="sum"), sound_rate=96000)
    >>> second.in_sample.tolist(), second.gain.tolist()
    ([12.0, 972.0], [-1.0, -1.0])
    """
    if decision.view != "sum":
        return knots
    if not reading.delay_us:
        raise CallerError(
            "A sum of two tracks needs the delay between them, and it could not be measured on these; decide on "
            "first, second or both."
        )
    from scipy.interpolate import PchipInterpolator

    place = np.array(reading.at_s) * sound_rate
    late = np.array(reading.delay_us) * 1e-6 * sound_rate
    order = np.argsort(knots.in_sample)
    across = (knots.in_sample[order], knots.out_sample[order], 1.0 / knots.slope[order])
    rising = bool(knots.slope[0] > 0)
    inverse = (
        hermite_inverse(place, knots.out_sample, knots.in_sample, knots.slope)[0]
        if rising
        else hermite(place, *across)[0]
    )
    extra = np.clip(inverse, 0.0, float(knots.out_samples))
    out = np.unique(np.concatenate([knots.out_sample, extra]))
    q, slope = hermite(out, knots.out_sample, knots.in_sample, knots.slope)
    gain = np.interp(out, knots.out_sample, knots.gain) * (-1.0 if reading.inverted else 1.0)
    if len(place) == 1:
        moved, bend = np.full(len(q), late[0]), np.zeros(len(q))
    else:
        curve = PchipInterpolator(place, late)
        held = np.clip(q, place[0], place[-1])
        moved = curve(held)
        bend = np.where(held == q, curve(held, 1), 0.0)
    return SoundMap(
        out_sample=out,
        in_sample=q + moved,
        slope=slope * (1.0 + bend),
        gain=gain,
        out_samples=knots.out_samples,
    )


def apply_view(block: NDArray[np.float64], view: Views) -> Floats:
    """What the viewing copies play of a block of two tracks: always two channels, equal unless both play.

    Examples
    --------
    >>> apply_view(np.array([[0.5, 0.25]]), "sum").tolist(), apply_view(np.array([[0.5, 0.25]]), "both").tolist()
    ([[0.375, 0.375]], [[0.5, 0.25]])
    """
    if view == "both":
        return block
    one = {"sum": block.mean(axis=1), "first": block[:, 0], "second": block[:, 1]}[view]
    return np.stack([one, one], axis=1)

"""How loud sound is to the ear, and the one gain with which the viewing copies play.

IntegratedMeter    blocks of sound -> integrated loudness    (fed by whoever has the blocks; prove)
LoudnessMeter      blocks of sound -> LoudnessReading        (the same)
measure_loudness   the same for sound that can be read again (programme)
propose_loudness   the shop's target -> LoudnessDecision     (treat)
solve_gain         reading, decision -> ViewingGain          (render, plan)
apply_gain         block, gain -> block                      (render)

Loudness is ITU-R BS.1770: a weighting filter, power in blocks of 400 ms that overlap by three quarters, and
two gates, so that pauses do not count. Peaks are those of the curve between the samples, read eight times
as finely. The gain is one number for the whole reel: nothing is compressed and nothing is limited; where the
peaks or the noise do not allow the target, the gain is smaller and that is said.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from math import floor, isfinite, log10
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.sound.curves import Floats

SHIPPED_TARGET_LUFS = -18.0  # for families who watch at home; common practice, no source
PEAK_DBTP = -1.0  # EBU R 128: the highest permitted true peak
FLOOR_LUFS = -50.0  # noise is never raised above this; common practice, no source
TARGETS_LUFS = (-40.0, -10.0)  # what can be meant by a target; common practice, no source

ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_GATE_LU = -20.0  # EBU Tech 3342
RANGE_SHARES = (0.10, 0.95)  # of the short-term values, EBU Tech 3342
FLOOR_SHARE = 0.05  # of the tenths of a second: the quietest count as noise; common practice, no source
# Third octaves in which the noise is looked for, Hz; what lies below the first counts as one band.
_BAND_EDGES = 100.0 * 2.0 ** (np.arange(24) / 3.0)
_BIN_DB, _LOWEST_DB, _BINS = 0.1, -160.0, 1800
SILENT_LUFS = -100.0  # below it there is no sound but the absence of a capture: 16 bits hold -98 dB

HOPS = 10  # of 100 ms a second
_MOMENTARY, _SHORT_TERM = 4, 30  # hops: 400 ms and 3 s
# The largest momentary and short-term values are looked for in steps of 10 ms: a tone of 400 ms that begins between two
# hops would read up to 0.5 LU low (EBU Tech 3341, cases 13 and 14). Integrated loudness and range keep BS.1770's 100 ms.
_FINE = 10  # steps a hop
_PEAK_SAMPLES = 32  # whose values between are made together

# BS.1770 annex 1, tables 1 and 2, for 48 kHz (from memory, universally implemented; the tests hold them
# against FFmpeg's ebur128).
_SHELF_48000 = (
    1.53512485958697,
    -2.69169618940638,
    1.19839281085285,
    1.0,
    -1.69065929318241,
    0.73248077421585,
)
_HIGH_PASS_48000 = (1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621)

Limit = Literal["target", "stated", "true peak", "noise floor", "nothing measured"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoudnessReading:
    """How loud a piece of sound is; NaN where it is too short, or silent all through.

    Loudness in LUFS, `range_lu` in LU, the peak in decibels of full scale between the samples (dBTP).
    `noise_floor_lufs` is the loudness of what is always there: in each third of an octave the power below
    which a twentieth of the tenths of a second stay, added up over all of them. Music and speech leave each
    band now and then, noise does not.
    """

    integrated_lufs: float
    range_lu: float
    momentary_max_lufs: float
    short_term_max_lufs: float
    true_peak_dbtp: float
    noise_floor_lufs: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LoudnessDecision:
    """How loud the viewing copies are to play: a target, or the operator's own gain."""

    target_lufs: float | None = None
    gain_db: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ViewingGain:
    """The gain of a reel's viewing copies, in decibels, and what it rests on.

    `limit` is "target" or "stated" where the decision was followed; "true peak" or "noise floor" where the
    gain stopped there; "nothing measured" where it is 0 because the sound is silent or too short. `wanted_db`
    is what the decision alone would have given, NaN where it gives nothing.
    """

    gain_db: float
    wanted_db: float
    limit: Limit


def weighting(rate: int) -> Floats:
    """The two second-order sections of BS.1770's weighting at a sampling rate, shape (2, 6).

    At 48 kHz the standard's own numbers; at other rates the bilinear transform of the analogue filters that
    give these numbers at 48 kHz [derived].
    """
    if rate == 48000:
        return np.array([_SHELF_48000, _HIGH_PASS_48000])
    k = np.tan(np.pi * 1681.974450955533 / rate)
    q, high = 0.7071752369554196, 10.0 ** (3.999843853973347 / 20.0)
    band = high**0.4996667741545416
    whole = 1.0 + k / q + k * k
    poles = (1.0, 2.0 * (k * k - 1.0) / whole, (1.0 - k / q + k * k) / whole)
    shelf = (
        (high + band * k / q + k * k) / whole,
        2.0 * (k * k - high) / whole,
        (high - band * k / q + k * k) / whole,
    )
    k, q = np.tan(np.pi * 38.13547087602444 / rate), 0.5003270373238773
    whole = 1.0 + k / q + k * k
    cut = (1.0, 2.0 * (k * k - 1.0) / whole, (1.0 - k / q + k * k) / whole)
    return np.array([(*shelf, *poles), (1.0, -2.0, 1.0, *cut)])


class IntegratedMeter:
    """Reads integrated loudness alone from blocks of sound in order, of any length: the reading does not depend on the cuts.

    `weights` are those of the channels, 1 for each where none are given; BS.1770 has 1.41 for the surrounds.

    Examples
    --------
    >>> meter = IntegratedMeter(rate=48000, channels=1)
    >>> meter.add(np.sin(2 * np.pi * 997 * np.arange(48000) / 48000))
    >>> round(meter.integrated(), 2)
    -3.01
    """

    def __init__(self, *, rate: int, channels: int, weights: tuple[float, ...] | None = None) -> None:
        if rate < 8000 or channels < 1 or (weights is not None and len(weights) != channels):
            raise CallerError(
                f"Loudness is read from 8000 samples a second and one weight a channel; found {rate} samples, "
                f"{channels} channels, weights {weights}."
            )
        self._rate, self._channels = rate, channels
        self._weights = np.ones(channels) if weights is None else np.array(weights)
        self._sections = weighting(rate)
        self._state = np.zeros((2, 2, channels))
        self._waiting: list[Floats] = []
        self._waits = 0
        self._power: list[Floats] = []  # weighted mean square of each 100 ms

    def add(self, block: NDArray[np.float64]) -> None:
        """Take the next samples, (n,) or (n, channels), full scale 1. Not altered."""
        block = np.asarray(block, np.float64)
        block = block[:, None] if block.ndim == 1 else block
        if block.ndim != 2 or block.shape[1] != self._channels or not np.isfinite(block).all():
            raise CallerError(
                f"Needed are finite samples of {self._channels} channels, got an array of shape {block.shape}."
            )
        place = 0
        while place < len(block):
            part = block[place : place + self._rate - self._waits]
            self._waiting.append(part.copy())
            self._waits += len(part)
            place += len(part)
            if self._waits == self._rate:
                self._second(np.concatenate(self._waiting))
                self._waiting, self._waits = [], 0

    def _second(self, x: Floats) -> None:
        """A whole second, or the last part of one."""
        self._weigh(x)

    def _weigh(self, x: Floats) -> tuple[Floats, list[tuple[int, int]]]:
        """The same as it is heard, its power noted; and where each whole tenth of a second lies in it."""
        from scipy.signal import sosfilt

        heard, self._state = sosfilt(self._sections, x, axis=0, zi=self._state)
        edges = [hop * self._rate // HOPS for hop in range(HOPS + 1)]
        whole = [(a, b) for a, b in pairwise(edges) if b <= len(x)]
        self._power.append(
            np.array([float(np.mean(np.square(heard[a:b]), axis=0) @ self._weights) for a, b in whole])
        )
        return heard, whole

    def _end(self) -> None:
        """Nothing more comes."""
        if self._waits:
            self._second(np.concatenate(self._waiting))
            self._waiting, self._waits = [], 0

    def integrated(self) -> float:
        """What was heard, LUFS, NaN where that is too short or silent; call it once, after the last block."""
        self._end()
        return _gated(np.concatenate(self._power) if self._power else np.empty(0))


class LoudnessMeter(IntegratedMeter):
    """Reads all of loudness from such blocks. What is kept grows by 880 bytes a second of sound."""

    def __init__(self, *, rate: int, channels: int, weights: tuple[float, ...] | None = None) -> None:
        from scipy.signal import firwin

        super().__init__(rate=rate, channels=channels, weights=weights)
        self._fine: list[Floats] = []  # the same of each 10 ms
        self._noise = np.zeros((len(_BAND_EDGES) + 1, _BINS), np.int64)  # how often a band had a level
        self._peak = 0.0
        # Eight times the rate at 48 kHz, four at 96: never less than four times 48 kHz. The kernel's band
        # edge is half the sampling rate; 32 samples a value.
        self._times = 8 if rate < 72000 else 4 if rate < 150000 else 2
        self._reach = 16
        taps = 2 * self._reach * self._times + 1
        kernel = self._times * firwin(taps, 1.0 / self._times, window=("kaiser", 10.0))
        phases = np.pad(kernel, (0, self._times - 1)).reshape(-1, self._times)
        self._most = float(
            np.abs(phases).sum(axis=0).max()
        )  # a value between samples is the largest sample times this at most
        # Gives from so many samples behind those that reach them all values between: one product of matrices for many such.
        self._between = np.zeros((2 * self._reach + _PEAK_SAMPLES, _PEAK_SAMPLES, self._times))
        for sample in range(_PEAK_SAMPLES):
            self._between[sample : sample + len(phases), sample] = phases[::-1]
        self._tail = np.zeros((2 * self._reach, channels))

    def _second(self, x: Floats) -> None:
        heard, whole = self._weigh(x)
        steps = [step * self._rate // (HOPS * _FINE) for step in range(HOPS * _FINE + 1)]
        ends = [step for step in steps if step <= len(x)]
        sums = np.concatenate([[0.0], np.cumsum(np.square(heard) @ self._weights)])[ends]
        self._fine.append(np.diff(sums) / np.diff(ends))
        for a, b in whole:
            self._count_noise(heard[a:b])
        self._find_peak(x)

    def _count_noise(self, hop: Floats) -> None:
        """Count the level of each band in a tenth of a second; where there is no sound nothing is counted."""
        window = _hann(len(hop))
        power = np.abs(np.fft.rfft(hop * window[:, None], axis=0)) ** 2 @ self._weights
        power *= 2.0 / (len(hop) * float(np.sum(window**2)))
        first = np.searchsorted(np.fft.rfftfreq(len(hop), 1.0 / self._rate), _BAND_EDGES)
        inside = first[first < len(power)]
        bands = np.add.reduceat(power, [0, *inside])
        if _lufs(np.array([bands.sum()]))[0] <= SILENT_LUFS:
            return
        level = 10.0 * np.log10(np.maximum(bands, 1e-30))
        bin_ = np.clip((level - _LOWEST_DB) / _BIN_DB, 0, _BINS - 1).astype(np.int64)
        self._noise[np.arange(len(bands)), bin_] += 1

    def _noise_floor(self) -> float:
        """What is left when each band is taken at its quietest."""
        counted = int(self._noise[0].sum())
        if not counted:
            return float("nan")
        used = self._noise[self._noise.sum(axis=1) > 0]
        quiet = np.argmax(np.cumsum(used, axis=1) > FLOOR_SHARE * (counted - 1), axis=1)
        return float(_lufs(np.array([np.sum(10.0 ** ((_LOWEST_DB + _BIN_DB * (quiet + 0.5)) / 10.0))]))[0])

    def _find_peak(self, x: Floats) -> None:
        """Look for a larger peak, of the samples and between them; where none can be the values between are not made."""
        held = np.concatenate([self._tail, x])
        self._tail = held[len(x) :]
        self._peak = max(self._peak, float(np.abs(held).max()))
        whole = len(x) // _PEAK_SAMPLES * _PEAK_SAMPLES
        for first, samples in ((0, _PEAK_SAMPLES), (whole, len(x) - whole)):
            length = 2 * self._reach + samples
            if not samples or first + length > len(held):
                continue
            windows = np.lib.stride_tricks.sliding_window_view(held[first:], length, axis=0)[::_PEAK_SAMPLES]
            windows = windows.reshape(-1, length)
            windows = windows[np.abs(windows).max(axis=1) * self._most > self._peak]
            if len(windows):
                between = windows @ self._between[:length, :samples].reshape(length, -1)
                self._peak = max(self._peak, float(between.max()), -float(between.min()))

    def reading(self) -> LoudnessReading:
        """What was heard; call it once, after the last block."""
        self._end()
        self._find_peak(np.zeros((2 * self._reach, self._channels)))
        power = np.concatenate(self._power) if self._power else np.empty(0)
        fine = np.concatenate(self._fine) if self._fine else np.empty(0)
        return LoudnessReading(
            integrated_lufs=_gated(power),
            range_lu=_range(_levels(power, _SHORT_TERM)),
            momentary_max_lufs=_largest(_levels(fine, _MOMENTARY * _FINE)),
            short_term_max_lufs=_largest(_levels(fine, _SHORT_TERM * _FINE)),
            true_peak_dbtp=20.0 * log10(self._peak) if self._peak > 0.0 else float("nan"),
            noise_floor_lufs=self._noise_floor(),
        )


@cache
def _hann(samples: int) -> Floats:
    window: Floats = np.hanning(samples)
    return window


def _means(power: Floats, hops: int) -> Floats:
    """Mean power of each window of so many hops."""
    if len(power) < hops:
        return np.empty(0)
    means: Floats = np.lib.stride_tricks.sliding_window_view(power, hops).mean(axis=1)
    return means


def _lufs(power: Floats) -> Floats:
    """Loudness of a mean power: BS.1770's -0.691 + 10 log10."""
    with np.errstate(divide="ignore"):
        levels: Floats = -0.691 + 10.0 * np.log10(power)
    return levels


def _levels(power: Floats, hops: int) -> Floats:
    return _lufs(_means(power, hops))


def _largest(levels: Floats) -> float:
    there = levels[levels > SILENT_LUFS]
    return float(there.max()) if len(there) else float("nan")


def _gated(power: Floats) -> float:
    """Loudness of the whole: both gates of BS.1770 on blocks of 400 ms."""
    blocks = _means(power, _MOMENTARY)
    blocks = blocks[_lufs(blocks) > ABSOLUTE_GATE_LUFS]
    if not len(blocks):
        return float("nan")
    gate = float(_lufs(np.array([blocks.mean()]))[0]) + RELATIVE_GATE_LU
    return float(_lufs(np.array([blocks[_lufs(blocks) > gate].mean()]))[0])


def _range(short_term: Floats) -> float:
    """Loudness range of EBU Tech 3342: between the 10th and the 95th hundredth of what passes its gates."""
    heard = short_term[short_term > ABSOLUTE_GATE_LUFS]
    if not len(heard):
        return float("nan")
    gate = float(_lufs(np.array([np.mean(10.0 ** ((heard + 0.691) / 10.0))]))[0]) + RANGE_GATE_LU
    heard = np.sort(heard[heard > gate])
    low, high = (heard[round((len(heard) - 1) * share)] for share in RANGE_SHARES)
    return float(high - low)


def measure_loudness(
    blocks: Iterable[NDArray[np.float64]],
    *,
    rate: int,
    channels: int,
    weights: tuple[float, ...] | None = None,
) -> LoudnessReading:
    """Loudness, loudness range, largest momentary and short-term loudness, true peak and noise floor.

    Parameters
    ----------
    blocks : iterable of arrays, shape (samples, channels)
        In order, of any length, full scale 1, finite; where they are cut makes no difference.
    rate : int
        Samples a second, 8000 or more.
    channels : int
        Channels as they will be played: a single channel reads 3 dB less than the same sound in two.
    weights : tuple of float, optional
        Weight of each channel; 1 each.

    Returns
    -------
    LoudnessReading
        NaN for what the sound is too short for, or where it is silent.

    Raises
    ------
    CallerError
        A rate below 8000, another number of channels, or a value that is not finite.

    Notes
    -----
    Source: ITU-R BS.1770 (`"BS.1770"`); range EBU Tech 3342 (`"EBU Tech 3342"`).

    Examples
    --------
    A sine of 1 kHz at -23 dB below full scale on two channels is the -23 LUFS of EBU Tech 3341, case 1.

    >>> tone = 10 ** (-23 / 20) * np.sin(2 * np.pi * 1000 * np.arange(48000 * 4) / 48000)
    >>> found = measure_loudness([np.stack([tone, tone], axis=1)], rate=48000, channels=2)
    >>> round(found.integrated_lufs, 1), round(found.true_peak_dbtp, 1)
    (-23.0, -23.0)
    """
    meter = LoudnessMeter(rate=rate, channels=channels, weights=weights)
    for block in blocks:
        meter.add(block)
    return meter.reading()


def propose_loudness(
    target_lufs: float, *, source: str, recorded: bool = True
) -> tuple[LoudnessDecision, str]:
    """How loud the viewing copies are to play: the shop's target, and why.

    Parameters
    ----------
    target_lufs : float
        LUFS, -40 to -10.
    source : str
        Where the number comes from: "common practice", or the name of the shop's file.
    recorded : bool
        Whether the track holds a recording; one that holds none is left as it is.

    Returns
    -------
    decision : LoudnessDecision
    why : str

    Raises
    ------
    CallerError
        A target outside that range.

    Examples
    --------
    >>> propose_loudness(-18.0, source="common practice")[1]
    'viewing copies play at -18 LUFS, as shipped (common practice, no source)'
    """
    low, high = TARGETS_LUFS
    if not low <= target_lufs <= high:
        raise CallerError(f"A loudness target lies between {low:g} and {high:g} LUFS, found {target_lufs:g}.")
    if not recorded:
        return LoudnessDecision(gain_db=0.0), "the track holds no recording, so its noise is left as it is"
    shipped = source == "common practice"
    told = "as shipped (common practice, no source)" if shipped else f"the shop's choice ({source})"
    return LoudnessDecision(target_lufs=target_lufs), f"viewing copies play at {target_lufs:g} LUFS, {told}"


def solve_gain(reading: LoudnessReading, decision: LoudnessDecision) -> ViewingGain:
    """The one gain of a reel's viewing copies.

    Parameters
    ----------
    reading : LoudnessReading
        Of the finished sound as the copies would play it without gain.
    decision : LoudnessDecision
        A target, or a gain that the operator stated.

    Returns
    -------
    ViewingGain
        In steps of 0.01 dB, rounded down. Noise holds back only a gain above 0 that nobody stated; the peak
        limit holds for every gain and may make it less than 0.

    Raises
    ------
    CallerError
        Neither a target nor a gain in the decision.

    Notes
    -----
    Source: true-peak limit EBU R 128 (`"EBU R 128"`); noise stop common practice, no source.

    Examples
    --------
    >>> quiet = LoudnessReading(integrated_lufs=-30.0, range_lu=8.0, momentary_max_lufs=-20.0,
    ...     short_term_max_lufs=-24.0, true_peak_dbtp=-9.0, noise_floor_lufs=-65.0)
    >>> solve_gain(quiet, LoudnessDecision(target_lufs=-18.0))
    ViewingGain(gain_db=8.0, wanted_db=12.0, limit='true peak')
    >>> solve_gain(quiet, LoudnessDecision(target_lufs=-23.0)).limit
    'target'
    """
    limit: Limit
    nan = float("nan")
    if decision.gain_db is not None:
        gain, wanted, limit = decision.gain_db, decision.gain_db, "stated"
    elif decision.target_lufs is None:
        raise CallerError("A decision on loudness needs a target or a gain, found neither; decide it again.")
    elif not isfinite(reading.integrated_lufs):
        gain, wanted, limit = 0.0, nan, "nothing measured"
    else:
        gain = wanted = decision.target_lufs - reading.integrated_lufs
        limit = "target"
        room = max(0.0, FLOOR_LUFS - reading.noise_floor_lufs)
        if gain > room:
            gain, limit = room, "noise floor"
    if isfinite(reading.true_peak_dbtp) and gain > PEAK_DBTP - reading.true_peak_dbtp:
        gain, limit = PEAK_DBTP - reading.true_peak_dbtp, "true peak"
    return ViewingGain(gain_db=floor(gain * 100.0 + 1e-6) / 100.0, wanted_db=round(wanted, 2), limit=limit)


def apply_gain(block: NDArray[np.float64], gain_db: float) -> Floats:
    """The block times one gain; a new array, or the same one where the gain is 0.

    Examples
    --------
    >>> apply_gain(np.array([0.25]), 20 * np.log10(2.0)).tolist()
    [0.5]
    """
    if gain_db == 0.0:
        return block
    louder: Floats = block * 10.0 ** (gain_db / 20.0)
    return louder

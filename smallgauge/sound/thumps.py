"""Dull thumps of splices: a swing below some hundred hertz, without an edge; only that part of the sound is filled.

find_thumps          captured sound, places where a splice passes the head -> Click, ...   (analyse)
apply_thump_repair   reader of captured sound, thumps -> reader                            (render)

A thump is well predicted once it has begun, so the error of prediction does not show it (`smallgauge.sound.clicks`).
But it is loud where hardly anything else is: below 300 Hz, for some hundredths of a second, just where a splice passes
the head. It is looked for there and nowhere else. Only the low part of the sound is filled, from what lies before and
after it; a word that is spoken meanwhile keeps all that lies higher.
"""

from collections.abc import Sequence

import numpy as np

from smallgauge.errors import CallerError
from smallgauge.sound.blocks import read_in_blocks
from smallgauge.sound.clicks import Click, fill_gap
from smallgauge.sound.curves import Floats
from smallgauge.sound.speed import ReadSound

LOW_RATE = 1600  # samples a second, about, of the low part
LOW_HZ, STOP_HZ = 300.0, 620.0  # the low part ends between these
BESIDE_S = 0.6  # on either side that says what is usual
NEAR_S = 0.045  # a thump peaks this near to where a splice passes the head
LEVEL_S = 0.01  # its level is taken over this
BEFORE_S, AFTER_S = 0.03, 0.09  # and lasts no longer than this about its peak
FAR_S = 0.2  # the loudest so far to either side, less the thump itself, is held against it
CLEAR_DB = 2.5  # above that loudest. Of drawn speech without thumps two places in a hundred come to it
ALIKE_DB = -6.0  # to the thump: another one like it
END_DB = -22.0  # of its peak: it has died away, or into what is usual
SPARE_S = 0.004
MOST_S = 0.1  # what lasts longer runs into a word, and is filled badly: it is left
ORDER_S = 0.06  # of the prediction that fills it: some cycles of hum


def _low_pass(sound_rate: int) -> tuple[int, Floats]:
    """Samples to a step of the low part, and the filter that makes it (odd length, gain 1)."""
    from scipy.signal import firwin

    step = max(1, sound_rate // LOW_RATE)
    half = int(np.ceil(2.0 * sound_rate / (STOP_HZ - LOW_HZ)))
    taps = firwin(2 * half + 1, (LOW_HZ + STOP_HZ) / 2, window=("kaiser", 6.0), fs=sound_rate)
    return step, np.asarray(taps, dtype=np.float64)


def _low(read: ReadSound, track: int, first: int, count: int, step: int, taps: Floats) -> Floats:
    """The low part of one track at captured samples `first`, `first + step` ...: (count,)."""
    from scipy.signal import oaconvolve

    half = len(taps) // 2
    x = read(first - half, first + (count - 1) * step + half + 1)[:, track]
    return np.asarray(oaconvolve(x, taps, mode="valid")[::step])


def find_thumps(
    read: ReadSound, *, in_samples: int, sound_rate: int, expected: Sequence[float]
) -> tuple[Click, ...]:
    """Find dull thumps where a splice passes the sound head.

    Parameters
    ----------
    read : callable
        `read(first, stop)` gives captured samples as float64 (stop - first, tracks), zero outside the file.
    in_samples : int
        Length of the captured sound.
    sound_rate : int
        Samples a second, 8000 or more.
    expected : sequence of float
        Captured samples at which a splice passes the head.

    Returns
    -------
    tuple of Click
        Of the shape "thump", in order of track and sample; `strength` is the peak level over the loudest beside it.

    Raises
    ------
    CallerError
        A rate below 8000.

    Notes
    -----
    Source: derived.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> t = np.arange(32000) / 16000
    >>> x = 0.01 * np.random.Generator(np.random.SFC64(1)).standard_normal(32000)
    >>> x += 0.3 * np.where(t > 1, np.exp(-(t - 1) / 0.009) * np.sin(2 * np.pi * 95 * (t - 1)), 0)
    >>> thump, = find_thumps(read_array(x), in_samples=32000, sound_rate=16000, expected=[16000.0])
    >>> 0.98 < thump.first / 16000 <= 1.0, 1.02 < thump.stop / 16000 < 1.1
    (True, True)
    """
    from scipy.ndimage import uniform_filter1d

    if sound_rate < 8000:
        raise CallerError(f"To find thumps, 8000 samples a second or more are needed; found {sound_rate}.")
    step, taps = _low_pass(sound_rate)
    rate = sound_rate / step
    beside, near, before, after, far = (round(s * rate) for s in (BESIDE_S, NEAR_S, BEFORE_S, AFTER_S, FAR_S))
    spare = round(SPARE_S * sound_rate)
    found: list[Click] = []
    for place in sorted(expected):
        first = round(place) - beside * step
        if not (0 <= place < in_samples):
            continue
        for track in range(read(0, 0).shape[1]):
            low = _low(read, track, first, 2 * beside + 1, step, taps)
            level = np.sqrt(np.maximum(uniform_filter1d(low**2, max(3, round(LEVEL_S * rate))), 0.0))
            peak = beside - near + int(np.argmax(level[beside - near : beside + near + 1]))
            clear, usual = _clear(level, peak, before, after, far)
            if not clear > CLEAR_DB or _beats(level, peak, before, after, far):
                continue
            least = max(level[peak] * 10 ** (END_DB / 20), usual)
            begin = peak - _reach(level[peak - before : peak + 1][::-1], least)
            end = peak + _reach(level[peak : peak + after + 1], least)
            if (end - begin) / rate > MOST_S - 2 * SPARE_S:
                continue
            found.append(
                Click(
                    track=track,
                    first=max(0, first + begin * step - spare),
                    stop=min(in_samples, first + (end + 1) * step + spare),
                    strength=10 ** (clear / 20),
                    expected=True,
                    shape="thump",
                )
            )
    return tuple(sorted(found, key=lambda c: (c.track, c.first)))


def _clear(level: Floats, peak: int, before: int, after: int, far: int) -> tuple[float, float]:
    """By how many decibels a peak stands above the loudest beside it, and the usual level there."""
    sides = np.concatenate([level[peak - far : peak - before], level[peak + after : peak + far]])
    return 20 * float(np.log10((level[peak] + 1e-9) / (np.max(sides) + 1e-9))), float(np.median(sides))


def _beats(level: Floats, peak: int, before: int, after: int, far: int) -> bool:
    """Whether another such peak lies beside: music with a beat thumps everywhere."""
    for other in range(far, len(level) - far):
        near = level[max(0, other - before) : other + before + 1]
        if (
            abs(other - peak) > after
            and level[other] == near.max()
            and level[other] > level[peak] * 10 ** (ALIKE_DB / 20)
            and _clear(level, other, before, after, far)[0] > CLEAR_DB
        ):
            return True
    return False


def _reach(level: Floats, least: float) -> int:
    """How far from its peak a thump goes: to where it has fallen to `least`, or lies lowest."""
    quiet = np.flatnonzero(level < least)
    return int(quiet[0]) if quiet.size else int(np.argmin(level))


def apply_thump_repair(read: ReadSound, thumps: Sequence[Click], *, sound_rate: int) -> ReadSound:
    """A reader of captured sound in which the low part of thumps is filled; away from them every sample passes bit for bit.

    Parameters
    ----------
    read : callable
        `read(first, stop)` gives captured samples as float64 (stop - first, tracks), zero outside the file.
    thumps : sequence of Click
        Their extents; what has another shape is passed over.
    sound_rate : int
        Samples a second.

    Returns
    -------
    callable

    Notes
    -----
    Source: AR interpolation.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> t = np.arange(32000) / 16000
    >>> hum = 0.1 * np.sin(2 * np.pi * 50 * t)
    >>> thump = 0.3 * np.where(t > 1, np.exp(-(t - 1) / 0.009) * np.sin(2 * np.pi * 95 * (t - 1)), 0)
    >>> seen = Click(track=0, first=15900, stop=17200, strength=9.0, expected=True, shape="thump")
    >>> left = apply_thump_repair(read_array(hum + thump), [seen], sound_rate=16000)(15800, 17300)[:, 0]
    >>> bool(np.std(left - hum[15800:17300]) < 0.1 * np.std(thump[15800:17300]))
    True
    """
    ordered = sorted((t for t in thumps if t.shape == "thump"), key=lambda t: (t.first, t.track))
    if not ordered:
        return read
    step, taps = _low_pass(sound_rate)
    half, beside = len(taps) // 2, round(BESIDE_S * sound_rate / step)
    order = round(ORDER_S * sound_rate / step)
    made: dict[Click, tuple[int, Floats]] = {}

    def patch(thump: Click) -> tuple[int, Floats]:
        """Captured sample at which it begins, and what is to be added from there on."""
        if thump not in made:
            count = -(-(thump.stop - thump.first) // step) + 1
            first = thump.first - beside * step
            low = _low(read, thump.track, first, 2 * beside + count, step, taps)
            filled = fill_gap(low, beside, beside + count, order)
            spread = np.zeros((count - 1) * step + 1)
            spread[::step] = step * (filled - low)[beside : beside + count]
            made[thump] = thump.first - half, np.convolve(spread, taps)
        return made[thump]

    def make(first: int, stop: int) -> Floats:
        x = read(first, stop)
        here = [t for t in ordered if t.first - half < stop and t.stop + half + step > first]
        if here:
            x = x.copy()
        for thump in here:
            begin, added = patch(thump)
            low, high = max(first, begin), min(stop, begin + len(added))
            if low < high:
                x[low - first : high - first, thump.track] += added[low - begin : high - begin]
        return x

    return read_in_blocks(make)

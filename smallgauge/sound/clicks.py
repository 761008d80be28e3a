"""Knocks of splices and clicks: found to the sample, repaired from the sound on either side.

find_clicks          captured sound, places where a splice passes the head -> Click, ...   (analyse)
propose_clicks       how many were found -> repair or leave                               (treat)
apply_click_repair   reader of captured sound, clicks -> reader                             (render)

Sound can be predicted from the samples before it, and as well from those after it; a click can't. The error of
the prediction onwards is small up to the first sample of a click, the error of the prediction backwards is small
down to its last one: the two together give its extent. Pulses of a voice are badly predicted too, but they come
in rows; what stands far above everything within some hundredths of a second is none of them.

Between its ends the click's samples are thrown away and filled with those that the prediction from both sides
finds likeliest. A dull thump without an edge is well predicted and is not found.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.sound.blocks import read_in_blocks
from smallgauge.sound.curves import Floats
from smallgauge.sound.speed import ReadSound

Truths = NDArray[np.bool_]
Shape = Literal["click", "thump"]
ClicksAct = Literal["repair", "leave"]
CLICKS_ACTS: tuple[ClicksAct, ...] = ("repair", "leave")

BLOCK_S = 0.16  # looked at together; the middle half of it is spoken for
ORDER_S = 0.0007  # of the prediction while clicks are looked for
REPAIR_ORDER_S = 0.0025  # and of that which fills them
CONTEXT_S = 0.04  # of sound on either side from which a click is filled
APART_S = 0.03  # a click stands alone this far to either side
OWN_S = 0.007  # and is no longer than this
CLEAR = 12.0  # error of prediction over its usual size, from which on there is a click
ALONE = 3.0  # and over the largest other one near it
CLEAR_EXPECTED, ALONE_EXPECTED = 6.0, 2.0  # the same where a splice passes the head
EXPECTED_S = 0.03  # this near to it
EDGE = 3.5  # usual sizes: the click ends where both errors have fallen below
GAP_S = 0.0005  # and stay there for this long
SPARE_S = 0.0001  # added at either end
ROUNDS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Click:
    """One click on one track: captured samples, half open.

    `strength` is its largest error of prediction over the usual one; `expected` says that a splice passes the
    sound head there. A `shape` of "thump" is dull and has no edge (`smallgauge.sound.thumps`).
    """

    track: int
    first: int
    stop: int
    strength: float
    expected: bool
    shape: Shape = "click"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClicksDecision:
    """Whether clicks and thumps that were found are repaired in the finished sound."""

    act: ClicksAct = "leave"


def propose_clicks(*, clicks: int, thumps: int) -> tuple[ClicksDecision, str]:
    """Whether to repair what was found, and why.

    Parameters
    ----------
    clicks, thumps : int
        How many of each shape were found.

    Returns
    -------
    decision : ClicksDecision
    why : str

    Examples
    --------
    >>> propose_clicks(clicks=3, thumps=0)
    (ClicksDecision(act='repair'), '3 clicks that stand alone were found; each is filled from the sound on either side')
    """
    if not clicks and not thumps:
        return ClicksDecision(act="leave"), "no click was found"
    told = []
    if clicks:
        told.append(f"{clicks} click{'s' if clicks > 1 else ''} that stand{'' if clicks > 1 else 's'} alone")
    if thumps:
        told.append(f"{thumps} dull thump{'s' if thumps > 1 else ''} where a splice passes the head")
    were = "were" if clicks + thumps > 1 else "was"
    return (
        ClicksDecision(act="repair"),
        f"{' and '.join(told)} {were} found; each is filled from the sound on either side",
    )


def find_clicks(
    read: ReadSound,
    *,
    in_samples: int,
    sound_rate: int,
    expected: Sequence[float] = (),
    first: int = 0,
    stop: int | None = None,
) -> tuple[Click, ...]:
    """Find clicks and knocks in captured sound.

    Parameters
    ----------
    read : callable
        `read(first, stop)` gives captured samples as float64 (stop - first, tracks), zero outside the file.
    in_samples : int
        Length of the captured sound.
    sound_rate : int
        Samples a second, 8000 or more.
    expected : sequence of float
        Captured samples at which a splice passes the head: there less is asked of a click.
    first, stop : int
        Only clicks whose strongest sample lies in this range; what is found does not depend on the range.

    Returns
    -------
    tuple of Click
        In order of track and sample. Clicks in quick succession (closer than 0.03 s) are not told from a rough
        sound and are left out.

    Raises
    ------
    CallerError
        A rate below 8000.

    Notes
    -----
    Source: AR clicks.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> random = np.random.Generator(np.random.SFC64(1))
    >>> x = 0.1 * np.sin(2 * np.pi * 440 * np.arange(16000) / 16000) + 0.001 * random.standard_normal(16000)
    >>> x[8000:8020] += 0.1 * random.standard_normal(20)
    >>> click, = find_clicks(read_array(x), in_samples=16000, sound_rate=16000)
    >>> abs(click.first - 8000) < 4, abs(click.stop - 8020) < 4
    (True, True)
    """
    if sound_rate < 8000:
        raise CallerError(f"To find clicks, 8000 samples a second or more are needed; found {sound_rate}.")
    stop = in_samples if stop is None else min(stop, in_samples)
    hop = round(BLOCK_S / 2 * sound_rate)
    places = np.sort(np.asarray(expected, dtype=np.float64))
    found: list[Click] = []
    for number in range(first // hop, -(-stop // hop)):
        begin = number * hop - hop // 2
        x = read(begin, begin + 2 * hop)
        for track in range(x.shape[1]):
            for click in _in_block(x[:, track], sound_rate, places - begin):
                peak = begin + click.peak
                if number * hop <= peak < (number + 1) * hop and first <= peak < stop:
                    low, high = max(0, begin + click.first), min(in_samples, begin + click.stop)
                    found.append(
                        Click(
                            track=track,
                            first=low,
                            stop=high,
                            strength=click.strength,
                            expected=click.expected,
                        )
                    )
    return tuple(sorted(found, key=lambda c: (c.track, c.first)))


@dataclass(frozen=True, slots=True)
class _Found:
    peak: int
    first: int
    stop: int
    strength: float
    expected: bool


def _in_block(x: Floats, rate: int, expected: Floats) -> list[_Found]:
    """Clicks of one block; places are counted from its first sample."""
    order = max(12, round(ORDER_S * rate))
    if not np.any(x != x[0]):
        return []
    a = _prediction(x, order)
    error = np.abs(_errors(x, a))
    usual = _usual(error)
    near = _near(len(x), expected, EXPECTED_S * rate)
    out: list[_Found] = []
    left = error.copy()
    left[:order] = 0.0
    for _ in range(4):  # more than these in one block is no click
        peak = int(np.argmax(left))
        wanted = bool(near[peak])
        if left[peak] < (CLEAR_EXPECTED if wanted else CLEAR) * usual:
            break
        click = _extent(x, peak, order, rate, wanted)
        if click is not None and (
            not out or all(click.first >= c.stop or click.stop <= c.first for c in out)
        ):
            out.append(click)
        reach = round(OWN_S * rate)
        left[max(0, peak - reach) : peak + reach] = 0.0
    return out


def _extent(x: Floats, peak: int, order: int, rate: int, wanted: bool) -> _Found | None:
    """First and last sample of a click, by a prediction that knows the sound without it; None: it is none."""
    reach, spare, gap = (round(s * rate) for s in (OWN_S, SPARE_S, GAP_S))
    first, stop = max(0, peak - reach), min(len(x), peak + reach)
    strength = 0.0
    for _ in range(ROUNDS):
        unknown = np.zeros(len(x), dtype=bool)
        unknown[first:stop] = True
        filled = fill_gap(x, first, stop, 2 * order)
        a = _prediction(filled, order)
        onwards, backwards = np.abs(_errors(x, a)), np.abs(_errors(x[::-1], a))[::-1]
        clean = _errors(filled, a)
        clean[:order] = 0.0
        usual = _usual(np.abs(clean[~unknown]))
        low, high = max(order, peak - reach), min(len(x) - order, peak + reach)
        if not low < peak < high:
            return None
        strength = float(np.max(np.minimum(onwards, np.maximum(backwards, EDGE * usual))[low:high])) / usual
        before = _edge(onwards[low : peak + 1][::-1] > EDGE * usual, gap)
        after = _edge(backwards[peak:high] > EDGE * usual, gap)
        if before is None or after is None:
            return None
        first, stop = peak - before - spare, peak + after + spare + 1
        if stop - first > reach or first < order or stop > len(x) - order:
            return None
        others = np.abs(clean)
        others[first:stop] = 0.0
        beside = others[max(order, peak - round(APART_S * rate)) : peak + round(APART_S * rate)]
        if strength * usual < (ALONE_EXPECTED if wanted else ALONE) * float(beside.max()):
            return None
    if strength < (CLEAR_EXPECTED if wanted else CLEAR):
        return None
    return _Found(peak, first, stop, strength, wanted)


def _edge(over: Truths, gap: int) -> int | None:
    """Last place that is over before `gap` places that are not; None where it never ends."""
    last = 0
    for place in np.flatnonzero(over).tolist():
        if place - last > gap:
            return last
        last = place
    return last if len(over) - last > gap else None


def _near(size: int, places: Floats, reach: float) -> Truths:
    near = np.zeros(size, dtype=bool)
    for place in places[(places > -reach) & (places < size + reach)].tolist():
        near[max(0, int(place - reach)) : max(0, int(place + reach) + 1)] = True
    return near


def _usual(error: Floats) -> float:
    """Usual size of errors: the median over that of the normal distribution."""
    return max(float(np.median(error)) / 0.6745, 1e-12)


def _prediction(x: Floats, order: int) -> Floats:
    """Coefficients 1, a1 ... of the error of linear prediction, by autocorrelation."""
    from scipy.linalg import solve_toeplitz

    y = x * np.hanning(len(x))
    size = 1 << (2 * len(y) - 1).bit_length()
    r = np.fft.irfft(np.abs(np.fft.rfft(y, size)) ** 2, size)[: order + 1]
    if r[0] <= 0:
        return np.concatenate([[1.0], np.zeros(order)])
    r[0] *= 1.0 + 1e-9
    return np.concatenate([[1.0], -np.asarray(solve_toeplitz(r[:order], r[1 : order + 1]))])


def _errors(x: Floats, a: Floats) -> Floats:
    from scipy.signal import lfilter

    return np.asarray(lfilter(a, [1.0], x))


def fill_gap(x: Floats, first: int, stop: int, order: int) -> Floats:
    """The samples with those of one gap as prediction from both sides has them likeliest (Janssen).

    `x` (n,), the gap from `first` to before `stop`, `order` of the prediction; as much on either side must be there.
    """
    from scipy.linalg import solve_toeplitz

    places, out = np.arange(first, stop), x.copy()
    known = np.concatenate([np.arange(first), np.arange(stop, len(x))])
    out[first:stop] = np.interp(places, known, x[known])
    limit = float(np.max(np.abs(x[known])))
    straight, held = out.copy(), x.copy()
    held[first:stop] = 0.0
    for _ in range(2):
        a = _prediction(out, order)
        b = np.correlate(a, a, mode="full")[order:]
        low, high = max(0, first - order), min(len(x), stop + order)
        full = np.convolve(held[low:high], np.concatenate([b[:0:-1], b]))[order : order + high - low]
        row = np.zeros(max(len(places), len(b)))
        row[: len(b)] = b
        row[0] *= 1.0 + 1e-9
        values = np.asarray(solve_toeplitz(row[: len(places)], -full[first - low : stop - low]))
        if not np.all(np.abs(values) <= 1.5 * limit):  # louder than anything beside it: it ran away
            return straight
        out[first:stop] = values
    return out


def apply_click_repair(read: ReadSound, clicks: Sequence[Click], *, sound_rate: int) -> ReadSound:
    """A reader of captured sound in which the clicks are filled; every other sample passes bit for bit.

    Parameters
    ----------
    read : callable
        `read(first, stop)` gives captured samples as float64 (stop - first, tracks), zero outside the file.
    clicks : sequence of Click
        Their extents; thumps among them are passed over.
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
    >>> x = 0.1 * np.sin(2 * np.pi * 440 * np.arange(16000) / 16000)
    >>> broken = x.copy()
    >>> broken[8000:8020] = 0.5
    >>> click = Click(track=0, first=8000, stop=8020, strength=99.0, expected=False)
    >>> mended = apply_click_repair(read_array(broken), [click], sound_rate=16000)(7990, 8030)[:, 0]
    >>> bool(np.abs(mended - x[7990:8030]).max() < 1e-3)
    True
    """
    clicks = [click for click in clicks if click.shape == "click"]
    if not clicks:
        return read
    ordered = sorted(clicks, key=lambda c: (c.first, c.track))
    starts = np.array([c.first for c in ordered])
    longest = max(c.stop - c.first for c in ordered)
    context, order = round(CONTEXT_S * sound_rate), round(REPAIR_ORDER_S * sound_rate)

    def among(first: int, stop: int) -> list[Click]:
        low, high = np.searchsorted(starts, [first - longest, stop])
        return [c for c in ordered[low:high] if c.stop > first]

    def mended(click: Click) -> Floats:
        begin, end = click.first - context, click.stop + context
        for other in among(begin, end):
            if other.track == click.track and other != click:  # a context holds no other click
                begin, end = (
                    (max(begin, other.stop), end)
                    if other.first < click.first
                    else (begin, min(end, other.first))
                )
        filled = fill_gap(read(begin, end)[:, click.track], click.first - begin, click.stop - begin, order)
        return filled[click.first - begin : click.stop - begin]

    def make(first: int, stop: int) -> Floats:
        x = read(first, stop)
        here = among(first, stop)
        if here:
            x = x.copy()
        for click in here:
            low, high = max(first, click.first), min(stop, click.stop)
            x[low - first : high - first, click.track] = mended(click)[low - click.first : high - click.first]
        return x

    return read_in_blocks(make)

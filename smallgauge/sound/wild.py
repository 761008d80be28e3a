"""Wild tape: a tape that ran beside camera or projector, laid to the picture through a guide.

find_guide   tape, guide, breaks -> GuideReading: places of the tape on the guide's time   (analyse)

A guide is any record of the same sound that is in step with the picture: a stripe with the camera's own
microphone, a rough copy made beside the projector. It may be poor. The tape is found on it from coarse to fine:
first by the rise and fall of level, over all speeds and starts; then from window to window outwards, by
generalised cross-correlation [KnappCarter1976] with a search for the speed of each window; then over the whole tape
three times, each time laid through the map of the pass before. There the best path is sought through the
correlation curves of all windows, each change of lag paid for, and stretches without windows are grown into from
their edges. In the end each window must lie where those further in foretell it.

Why this is long: one search from coarse to fine, each step of which is meant for the next.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.sound.curves import Floats
from smallgauge.sound.fixes import TAPE_RUN, Fix, FixedMap, solve_fixes
from smallgauge.sound.speed import ReadSound, SoundMap, apply_sound_map

GUIDE_RATE = 8000  # samples a second at which both are looked at
BAND_HZ = (250.0, 3500.0)
PHAT = 0.7  # how far spectra are made flat before they are correlated
LEVEL_RATE = 100  # values a second of the level for the coarse search
LEVEL_BAND_HZ = (0.3, 8.0)
COARSE_S = 60.0  # of the guide for the coarse search
SPEEDS = (0.94, 1.06, 0.002)  # tried: from, to, step
SHORTEST_S = 20.0  # of tape and of each stretch of guide
# All below: common practice, no source; set by drawn tapes (decision 0048).
LEAST_COARSE = 1.3  # the best place over the best more than a second away
FIRST_PEAK = (
    6.0  # peak of a window's correlation over its rms beside the peak, where nothing else tells its place
)
LEAST_LEAD = 1.15  # and over the next best place: a voice is nearly the same one period of its pitch later
LEAST_PEAK = 4.5  # on the path: so few lags are asked there that chance gives it once in ten thousand windows
SURE_PEAK = 8.0  # from here on a window is as sure as it can be, and speaks for a path as much as it can
NEAR_PATH = 8  # samples to either side of the path
LEAST_SIGMA_S = 3e-4  # of a window
MOST_WINDOWS = 1200  # of a pass; farther apart in a long tape
LEAST_WINDOWS = 8  # that agree, for anything to be said
GATE = 4.0  # standard errors that a window may lie from where windows further in foretell it
GATE_FIXES = 8
# A few windows by themselves behind a gap may all follow a voice one period of its pitch off: they are no fixes.
ISLAND_GAP_S, ISLAND_S = 1.6, 4.0
PACES = (0.0, -0.0015, 0.0015, -0.003, 0.003)  # speeds tried about the one foretold
WIDEST_SEARCH_S = 0.5

FIRST = (4.0, 1.5, 0.02)  # window, hop, standard error of the pass that goes outwards
# Window, hop and search either side of each pass over the whole tape; the change of lag from one window to the next
# that costs one unit of evidence; what is added to a window's standard error, so that the map stays stiff. Seconds.
PASSES = (
    (4.0, 1.5, 0.1, 0.0006, 0.006),
    (3.0, 1.0, 0.03, 0.0004, 0.003),
    (2.0, 0.75, 0.012, 0.0003, 0.001),
)
LAST = (2.0, 0.75, 0.006, 0.0002)
GROWN = (2.0, 0.5)  # window and hop of those that are foretold one from the other
GROWN_GAP_S = 5.0  # and how far at most

GuideRefusal = Literal[
    "", "too short", "not found", "more than one place", "lost", "out of order", "no film time"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideReading:
    """Where a tape lies on its guide.

    `guide_s`, `tape_s` are seconds of both by their own clocks, one pair a window that agreed; `sigma_s` is the
    standard error of one. `speed` is the tape's mean speed against the guide, `kept` the share of windows that
    agreed. Empty and NaN where `refusal` says why. `not_found` are the stretches between breaks, half open seconds of
    the guide, that were not found; `jumps` are stretches without windows in which the tape is heard at another
    place: it was stopped or joined there and nobody said so.
    """

    refusal: GuideRefusal
    speed: float = float("nan")
    kept: float = float("nan")
    sigma_s: float = float("nan")
    guide_s: tuple[float, ...] = ()
    tape_s: tuple[float, ...] = ()
    not_found: tuple[tuple[float, float], ...] = ()
    jumps: tuple[tuple[float, float], ...] = ()


def find_guide(
    read_tape: ReadSound,
    read_guide: ReadSound,
    *,
    tape_samples: int,
    tape_rate: int,
    guide_samples: int,
    guide_rate: int,
    breaks_s: tuple[float, ...] = (),
) -> GuideReading:
    """Find a tape on its guide.

    Parameters
    ----------
    read_tape, read_guide : callable
        `read(first, stop)` gives samples as float64 (stop - first, channels); channels are summed. The guide runs
        in the picture's time.
    tape_samples, tape_rate, guide_samples, guide_rate : int
        Length and samples a second of both.
    breaks_s : tuple of float
        Seconds of the guide at which the tape was stopped or joined: each stretch between them is found by itself.

    Returns
    -------
    GuideReading
        Refused where either is shorter than 20 s, where no start and speed stands out, where fewer than a
        quarter of the windows agree in the end, and where stretches lie on the tape in another order or on one
        another. With breaks: the refusal of the first stretch where none was found.

    Raises
    ------
    CallerError
        A rate that is not above 0.

    Notes
    -----
    Source: KnappCarter1976; the order of the passes derived and measured (decision 0048). A speed within 6 % of the
    guide's is found.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> short = read_array(np.zeros(8000))
    >>> find_guide(
    ...     short, short, tape_samples=8000, tape_rate=8000, guide_samples=8000, guide_rate=8000
    ... ).refusal
    'too short'
    """
    if tape_rate <= 0 or guide_rate <= 0:
        raise CallerError(
            f"Rates above 0 are needed to lay a tape to its guide; found {tape_rate} and {guide_rate}."
        )
    tape = _slow(read_tape, tape_samples, tape_rate / GUIDE_RATE)
    guide = _slow(read_guide, guide_samples, guide_rate / GUIDE_RATE)
    if len(tape) < SHORTEST_S * GUIDE_RATE:
        return GuideReading(refusal="too short")
    level = _level(tape)
    seconds = len(guide) / GUIDE_RATE
    edges = [0.0, *sorted(b for b in breaks_s if 0.0 < b < seconds), seconds]
    refusal: GuideRefusal = ""
    fixes: list[Fix] = []
    lost, jumps, ranges, kept, tried = [], [], [], 0, 0
    for first, stop in pairwise(edges):
        low, high = round(first * GUIDE_RATE), round(stop * GUIDE_RATE)
        found = _stretch(tape, level, guide[low:high])
        if isinstance(found, str):
            refusal = refusal or found
            lost.append((round(first, 3), round(stop, 3)))
            continue
        own, count = found
        jumps += [(round(first + a, 3), round(first + b, 3)) for a, b in _jumps(level, guide[low:high], own)]
        kept, tried = kept + len(own), tried + count
        fixes += [fix._replace(film_position=fix.film_position + first) for fix in own]
        ranges.append((own[0].sound_s, own[-1].sound_s))
    if not fixes:
        return GuideReading(refusal=refusal)
    if any(later[0] < earlier[1] for earlier, later in pairwise(ranges)):
        return GuideReading(refusal="out of order")
    at, heard = np.array([fix[:2] for fix in fixes]).T
    step = np.diff(at)
    pace = np.diff(heard)[step < ISLAND_GAP_S] / step[step < ISLAND_GAP_S]
    return GuideReading(
        refusal="",
        speed=float(np.average(pace, weights=step[step < ISLAND_GAP_S])),
        kept=kept / tried,
        sigma_s=max(LEAST_SIGMA_S, _scatter(fixes, tuple(edges[1:-1]))),
        guide_s=tuple(at.round(6).tolist()),
        tape_s=tuple(heard.round(6).tolist()),
        not_found=tuple(lost),
        jumps=tuple(jumps),
    )


def _scatter(fixes: list[Fix], breaks: tuple[float, ...]) -> float:
    """Robust spread of how far each window lies from where all others put it, seconds."""
    left = solve_fixes(fixes, rate=1.0, transport=TAPE_RUN, breaks=breaks).left_out_s
    return 1.4826 * float(np.median(np.abs(left[np.isfinite(left)])))


def _stretch(tape: Floats, level: Floats, guide: Floats) -> tuple[list[Fix], int] | GuideRefusal:
    """Fixes of one stretch of the guide, and how many windows were tried; or why there are none."""
    if len(guide) < SHORTEST_S * GUIDE_RATE:
        return "too short"
    start, begun = _coarse(level, _level(guide))
    if isinstance(start, str):
        return start
    fixes = _outwards(tape, guide, begun, *start)
    if len(fixes) < LEAST_WINDOWS:
        return "lost"
    laid = _fitted(fixes)
    for window, hop, search, give, stiff in PASSES:
        fixes, tried = _pass(tape, guide, laid, window, hop, search, give)
        if len(fixes) < max(LEAST_WINDOWS, tried // 4):
            return "lost"
        laid = _fitted([fix._replace(sigma_s=fix.sigma_s + stiff) for fix in fixes])
    fixes = _grown(tape, guide, _gated(fixes))
    if len(fixes) < LEAST_WINDOWS:
        return "lost"
    stiff = PASSES[-1][-1]
    laid = _fitted([fix._replace(sigma_s=fix.sigma_s + stiff) for fix in fixes])
    fixes, tried = _pass(tape, guide, laid, *LAST)
    fixes = _gated(fixes)
    return (fixes, tried) if len(fixes) >= max(LEAST_WINDOWS, tried // 4) else "lost"


def _jumps(level: Floats, guide: Floats, fixes: list[Fix]) -> list[tuple[float, float]]:
    """Stretches without fixes in which the level finds the tape all the same, at another place."""
    seconds = len(guide) / GUIDE_RATE
    laid = _fitted(fixes)
    found = []
    for a, b in pairwise([0.0, *(fix.film_position for fix in fixes), seconds]):
        if b - a < SHORTEST_S:
            continue
        part = guide[round(a * GUIDE_RATE) : round(b * GUIDE_RATE)]
        start, begun = _coarse(level, _level(part))
        if not isinstance(start, str) and abs(start[0] - float(laid.at([a + begun])[0][0])) > 0.5:
            found.append((a, b))
    return found


def _slow(read: ReadSound, samples: int, ratio: float) -> Floats:
    """All channels summed, at 8 kHz."""
    count = int(samples / ratio)
    if count < 1:
        return np.zeros(0)
    ends = np.array([0.0, float(count)])
    even = SoundMap(
        out_sample=ends, in_sample=ends * ratio, slope=np.full(2, ratio), gain=np.ones(2), out_samples=count
    )
    step = 60 * GUIDE_RATE
    parts = [
        apply_sound_map(read, even, first=first, stop=min(first + step, count)).sum(axis=1)
        for first in range(0, count, step)
    ]
    return np.concatenate(parts)


def _level(x: Floats) -> Floats:
    """Logarithm of the level in the band, a hundred values a second, its slow rise and fall alone, rms 1."""
    from scipy.signal import butter, sosfiltfilt

    band = butter(2, BAND_HZ, "bandpass", fs=GUIDE_RATE, output="sos")
    y = sosfiltfilt(band, x)
    step = GUIDE_RATE // LEVEL_RATE
    energy = (y[: len(y) // step * step] ** 2).reshape(-1, step).mean(axis=1)
    level = np.log(energy + 1e-4 * energy.mean() + 1e-20)
    slow = butter(2, LEVEL_BAND_HZ, "bandpass", fs=LEVEL_RATE, output="sos")
    out = sosfiltfilt(slow, level)
    return np.asarray(out / max(float(out.std()), 1e-12))


def _coarse(tape: Floats, guide: Floats) -> tuple[tuple[float, float] | GuideRefusal, float]:
    """(second of the tape, speed) at a second of the guide, from the levels; or why not."""
    span = min(len(guide), round(COARSE_S * LEVEL_RATE))
    power = np.convolve(np.abs(guide), np.ones(span), "valid")
    first = int(np.argmax(power))  # where most is going on
    part = guide[first : first + span]
    size = 1 << (len(tape) + 2 * span).bit_length()
    spectrum = np.fft.rfft(tape, size)
    best: list[tuple[float, float, float]] = []
    rows = []
    for speed in np.arange(SPEEDS[0], SPEEDS[1] + 1e-9, SPEEDS[2]):
        at = np.arange(int(span * speed)) / speed
        pattern = np.interp(at, np.arange(span), part)
        line = np.fft.irfft(spectrum * np.conj(np.fft.rfft(pattern, size)), size) / np.sqrt(len(pattern))
        # starts from before the tape's first sample to its last
        line = np.concatenate([line[-span:], line[: len(tape)]])
        k = int(np.argmax(line))
        best.append((float(line[k]), (k - span) / LEVEL_RATE, float(speed)))
        rows.append(line.astype(np.float32))
    score, second, speed = max(best)
    top = np.max(rows, axis=0)
    near = np.abs(np.arange(len(top)) - span - second * LEVEL_RATE) <= 1.5 * LEVEL_RATE
    rival = float(top[~near].max()) if (~near).any() else 0.0
    noise = float(np.std(np.array(rows)[:, ~near])) if (~near).any() else 1.0
    if score < 6.0 * noise:
        return "not found", 0.0
    if score < LEAST_COARSE * rival:
        return "more than one place", 0.0
    return (second + 0.5 * span / LEVEL_RATE * speed, speed), (first + 0.5 * span) / LEVEL_RATE


def _curve(part: Floats, other: Floats, reach: int) -> Floats:
    """Correlation at lags of -reach to reach samples by which `part` lies later than `other`, over its rms there."""
    from scipy.fft import next_fast_len

    count = len(part)
    window = np.hanning(count)
    wide = max(reach, GUIDE_RATE // 20) + 1
    size = next_fast_len(count + wide, real=True)
    cross = np.fft.rfft(part * window, size) * np.conj(np.fft.rfft(other * window, size))
    hz = np.fft.rfftfreq(size, 1.0 / GUIDE_RATE)
    inside = (hz >= BAND_HZ[0]) & (hz <= BAND_HZ[1])
    magnitude = np.abs(cross)
    cross = np.where(inside, cross / (magnitude + 1e-3 * magnitude.max() + 1e-300) ** PHAT, 0.0)
    line = np.fft.irfft(cross, size)
    line = np.concatenate([line[-wide:], line[: wide + 1]])
    beside = np.abs(np.arange(len(line)) - int(np.argmax(line))) > GUIDE_RATE // 400
    line = line / max(float(np.sqrt(np.mean(line[beside] ** 2))), 1e-300)
    return line[wide - reach : wide + reach + 1]


def _shift(part: Floats, other: Floats, search: int) -> tuple[float, float]:
    """By how many samples `part` lies later than `other`, and the peak's height over the rms beside it."""
    line = _curve(part, other, search + 1)
    k = 1 + int(np.argmax(line[1:-1]))
    beside = np.abs(np.arange(len(line)) - k) > GUIDE_RATE // 400
    if line[k] < LEAST_LEAD * float(line[beside].max(initial=0.0)):
        return 0.0, 0.0
    bend = line[k - 1] - 2 * line[k] + line[k + 1]
    return float(k - search - 1 + (0.5 * (line[k - 1] - line[k + 1]) / bend if bend < 0 else 0.0)), float(
        line[k]
    )


def _outwards(tape: Floats, guide: Floats, begun_s: float, second: float, speed: float) -> list[Fix]:
    """Fixes from the place of the coarse search towards both ends, each window foretold from those before it."""
    window, hop, sigma = FIRST
    hop = max(hop, len(guide) / GUIDE_RATE / MOST_WINDOWS)
    half = window / 2
    fixes: list[Fix] = []
    for direction in (1, -1):
        held = [(f.film_position, f.sound_s) for f in fixes[:8]]
        at, missed = begun_s + (hop if direction < 0 else 0.0) * direction, 0
        while half <= at <= len(guide) / GUIDE_RATE - half:
            near = sorted(held, key=lambda fix: abs(fix[0] - at))[:12]
            pace = _pace(near, speed)
            told = (
                second + (at - begun_s) * speed
                if not near
                else float(np.mean([t + (at - u) * pace for u, t in near]))
            )
            search = min(1.2, 0.4 if len(held) < 4 else 0.06 + 0.03 * missed)
            fix = _window(tape, guide, at, told, pace, window, search, sigma)
            if fix is not None:
                held.append((fix.film_position, fix.sound_s))
                fixes.append(fix)
            missed = 0 if fix is not None else missed + 1
            at += direction * hop
    return fixes


def _pace(near: list[tuple[float, float]], speed: float) -> float:
    """Tape seconds a guide second from a few fixes, held near the coarse speed where they are few."""
    if len(near) < 4:
        return speed
    u, t = np.array(near).T
    spread = u - u.mean()
    weight = float(np.sum(spread**2))
    return float((np.sum(spread * (t - t.mean())) + 10.0 * speed) / (weight + 10.0))


def _window(
    tape: Floats,
    guide: Floats,
    at: float,
    told: float,
    pace: float,
    window: float,
    search: float,
    sigma: float,
) -> Fix | None:
    """One window of the guide found on the tape, laid there at a constant pace; None where nothing stands out."""
    count = round(window * GUIDE_RATE)
    first = round((at - window / 2) * GUIDE_RATE)
    middle = (first + count / 2) / GUIDE_RATE
    part = guide[first : first + count]
    away = np.arange(count) - count / 2
    place = told * GUIDE_RATE + away * pace
    if place[0] < 0 or place[-1] > len(tape) - 1 or len(part) < count:
        return None
    best, shift = 0.0, 0.0
    for off in PACES:
        if best >= SURE_PEAK:
            break
        place = told * GUIDE_RATE + away * (pace + off)
        lag, peak = _shift(_at(tape, np.asarray(place)), part, round(search * GUIDE_RATE))
        if peak > best:
            best, shift = peak, lag
    if best < FIRST_PEAK or abs(shift) >= search * GUIDE_RATE - 1:
        return None
    return Fix(middle, told + shift / GUIDE_RATE * pace, sigma)


def _at(x: Floats, place: Floats) -> Floats:
    """Samples between samples, by a straight line: good enough to find a window."""
    low = int(place[0])
    part = x[low : int(place[-1]) + 2]
    return np.interp(place - low, np.arange(len(part)), part)


def _fitted(fixes: list[Fix]) -> FixedMap:
    return solve_fixes(fixes, rate=1.0, transport=TAPE_RUN, spare_strays=False)


def _pass(
    tape: Floats, guide: Floats, laid: FixedMap, window: float, hop: float, search: float, give: float
) -> tuple[list[Fix], int]:
    """Fixes over the whole guide with the tape laid through a map, and how many windows were tried.

    Each window gives a curve of correlation over lag; the path through all curves is the best one that pays for
    each change of lag, so that no window goes its own way. A window is a fix where its curve has a peak on the path.
    """
    from scipy.ndimage import map_coordinates

    seconds = len(guide) / GUIDE_RATE
    hop = max(hop, seconds / MOST_WINDOWS)
    knots = np.arange(0.0, seconds + 0.2, 0.1)
    second, pace, unsure = laid.at(knots)
    place = np.interp(np.arange(len(guide)) / GUIDE_RATE, knots, second) * GUIDE_RATE
    warped = map_coordinates(tape, [place], order=3, mode="constant")
    there = np.flatnonzero((place >= 0) & (place <= len(tape) - 1))
    count, step = round(window * GUIDE_RATE), round(hop * GUIDE_RATE)
    if len(there) < count:
        return [], 0
    low, high = int(there[0]), int(there[-1]) + 1
    spans = [(first, first + count) for first in range(low, high - count, step)] + [(high - count, high)]
    spans = [(low, low + count // 2), *spans, (high - count // 2, high)]  # the ends have windows of their own
    middle = np.array([(first + stop) / 2 for first, stop in spans]) / GUIDE_RATE
    # where the map is not sure, the search is as wide as that
    wide = np.minimum(search + 3.0 * np.interp(middle, knots, unsure), WIDEST_SEARCH_S) * GUIDE_RATE
    reach = int(np.ceil(wide.max()))
    curves = np.stack([_curve(warped[a:b], guide[a:b], reach) for a, b in spans])
    lags = np.arange(-reach, reach + 1)
    gain = 0.5 * np.clip(curves, 0.0, SURE_PEAK) ** 2 - 4.5 * (lags[None, :] / wide[:, None]) ** 2
    path = _path(gain, give * GUIDE_RATE)
    fixes = []
    for at, row, lag in zip(middle, curves, path, strict=True):
        near = slice(max(0, lag - NEAR_PATH), lag + NEAR_PATH + 1)
        k = near.start + int(np.argmax(row[near]))
        if row[k] < LEAST_PEAK or k in (0, 2 * reach) or row[k] < max(row[k - 1], row[k + 1]):
            continue
        bend = row[k - 1] - 2 * row[k] + row[k + 1]
        lag_s = (k - reach + (0.5 * (row[k - 1] - row[k + 1]) / bend if bend < 0 else 0.0)) / GUIDE_RATE
        own, speed = float(np.interp(at, knots, second)), float(np.interp(at, knots, pace))
        fixes.append(Fix(float(at), own + lag_s * speed, LEAST_SIGMA_S * max(1.0, SURE_PEAK / float(row[k]))))
    return fixes, len(spans)


def _gated(fixes: list[Fix]) -> list[Fix]:
    """Fixes that lie where those between them and the surest place of the tape foretell them; others are no fixes.

    Windows at the ends of the tape have no neighbours on their far side, and a few of them may be wrong together: so
    each is asked from within.
    """
    if len(fixes) < LEAST_WINDOWS:
        return []
    at, second = np.array([fix[:2] for fix in fixes]).T
    bent = np.abs(np.diff(np.diff(second) / np.maximum(np.diff(at), 1e-3)))  # changes of speed
    rough = np.convolve(np.pad(bent, 4, constant_values=1.0), np.ones(8), "valid")
    begin = int(np.argmin(rough[: len(bent)]))
    begin = min(begin, len(fixes) - GATE_FIXES)
    held = fixes[begin : begin + GATE_FIXES]
    for fix in fixes[begin + GATE_FIXES :]:
        if _foretold(held[-GATE_FIXES:], fix):
            held.append(fix)
    for fix in reversed(fixes[:begin]):
        if _foretold(held[:GATE_FIXES], fix):
            held.insert(0, fix)
    at = np.array([fix.film_position for fix in held])
    edges = np.flatnonzero(np.diff(at) > ISLAND_GAP_S) + 1
    shores = np.split(np.arange(len(at)), edges)
    return [held[k] for shore in shores if np.ptp(at[shore]) >= ISLAND_S for k in shore.tolist()]


def _grown(tape: Floats, guide: Floats, fixes: list[Fix]) -> list[Fix]:
    """More fixes, into gaps and towards the ends, each found where those before it foretell it."""
    window, hop = GROWN
    seconds = len(guide) / GUIDE_RATE
    centres = np.arange(hop, seconds, max(hop, seconds / MOST_WINDOWS))
    for direction in (1, -1):
        known = sorted(fixes, key=lambda fix: direction * fix.film_position)
        held: list[Fix] = []
        for at in centres[::direction].tolist():
            while known and direction * known[0].film_position <= direction * at + 0.5 * hop:
                held.append(known.pop(0))
            if len(held) < 4 or abs(held[-1].film_position - at) > GROWN_GAP_S:
                continue
            if abs(held[-1].film_position - at) < 0.6 * hop:
                continue
            near = held[-GATE_FIXES:]
            second, pace, sigma = solve_fixes(near, rate=1.0, transport=TAPE_RUN).at([at])
            reach = GATE * float(np.hypot(sigma[0], 1e-3))
            size = min(window, 2 * at, 2 * (seconds - at))
            found = _window(tape, guide, at, float(second[0]), float(pace[0]), size, reach, LEAST_SIGMA_S)
            if found is not None:
                held.append(found)
                fixes = [*fixes, found]
    return sorted(fixes)


def _foretold(known: list[Fix], fix: Fix) -> bool:
    second, _, sigma = solve_fixes(known, rate=1.0, transport=TAPE_RUN).at([fix.film_position])
    return abs(fix.sound_s - float(second[0])) <= GATE * float(np.hypot(sigma[0], fix.sigma_s))


def _path(gain: Floats, give: float) -> "NDArray[np.intp]":
    """The best way through rows of gain, one place a row; a step by d places costs |d| / give."""
    rows, count = gain.shape
    places = np.arange(count)
    came = np.zeros((rows, count), dtype=np.int32)
    score = gain[0].copy()
    for n in range(1, rows):
        up, down = score + places / give, score - places / give
        best_up = np.maximum.accumulate(up)
        best_down = np.maximum.accumulate(down[::-1])[::-1]
        from_up = np.maximum.accumulate(np.where(up >= best_up, places, 0))
        from_down = np.minimum.accumulate(np.where(down >= best_down, places, count - 1)[::-1])[::-1]
        below, above = best_up - places / give, best_down + places / give
        came[n] = np.where(below >= above, from_up, from_down)
        score = np.maximum(below, above) + gain[n]
    path = np.zeros(rows, dtype=np.intp)
    path[-1] = int(np.argmax(score))
    for n in range(rows - 1, 0, -1):
        path[n - 1] = came[n, path[n]]
    return path

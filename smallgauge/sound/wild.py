"""Wild tape: a tape that ran beside camera or projector, laid to the picture through a guide.

find_guide   tape, guide, frame times -> GuideReading: places of the tape on the guide's time   (analyse)

A guide is any record of the same sound that is in step with the picture: a stripe with the camera's own
microphone, the projector's noise, a rough copy. It may be poor. The tape is found on it from coarse to fine:
first by the rise and fall of level, over all speeds and starts; then from window to window outwards, by
generalised cross-correlation; then three times over the whole tape, each time laid through the map that the
pass before gave, with shorter windows and a narrower search [KnappCarter1976].

In a guide that is mostly echo the correlation follows the room: the scatter of the windows then says less than
the true error, which may be 20 ms and the same all along. One mark checks it.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

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
LEAST_COARSE = 1.3  # the best place over the best more than a second away. common practice, no source
LEAST_PEAK = 6.0  # peak of a window's correlation over its rms beside the peak
LEAST_LEAD = 1.15  # and over the next best place: a voice is nearly the same one period of its pitch later
MOST_WINDOWS = 1200  # of a pass; farther apart in a long tape
LEAST_WINDOWS = 8  # that agree, for anything to be said

# Window, hop and search either side of each pass over the whole tape, seconds; standard error of one window.
PASSES = (
    (4.0, 1.5, 0.1, 0.003),
    (3.0, 1.0, 0.03, 0.002),
    (2.0, 0.75, 0.008, 0.0015),
    (2.0, 0.75, 0.004, 0.001),
)
WIDEST_SEARCH_S = 0.5
FIRST = (6.0, 1.5, 0.005)  # window, hop, standard error of the pass that goes outwards

GuideRefusal = Literal["", "too short", "not found", "more than one place", "lost"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideReading:
    """Where a tape lies on its guide.

    `guide_s`, `tape_s` are seconds of both by their own clocks, as many as windows agreed; `sigma_s` is the
    standard error of one. `speed` is the tape's mean speed against the guide, `kept` the share of windows that
    agreed. Empty and NaN where `refusal` says why.
    """

    refusal: GuideRefusal
    speed: float = float("nan")
    kept: float = float("nan")
    sigma_s: float = float("nan")
    guide_s: tuple[float, ...] = ()
    tape_s: tuple[float, ...] = ()


def find_guide(
    read_tape: ReadSound,
    read_guide: ReadSound,
    *,
    tape_samples: int,
    tape_rate: int,
    guide_samples: int,
    guide_rate: int,
    nominal: float = 1.0,
) -> GuideReading:
    """Find a tape on its guide.

    Parameters
    ----------
    read_tape, read_guide : callable
        `read(first, stop)` gives samples as float64 (stop - first, channels); channels are summed.
    tape_samples, tape_rate, guide_samples, guide_rate : int
        Length and samples a second of both.
    nominal : float
        Seconds of tape to a second of the guide when both ran as they should: the scan's speed over the
        film's, where the guide was captured while the film ran slower or faster than in its camera.

    Returns
    -------
    GuideReading
        Refused where either is shorter than 20 s, where no start and speed stands out, and where fewer than a
        quarter of the windows agree in the end.

    Raises
    ------
    CallerError
        A rate or speed that is not above 0.

    Notes
    -----
    Source: KnappCarter1976; the order of the passes derived and measured (decision 0048).
    """
    if tape_rate <= 0 or guide_rate <= 0 or nominal <= 0:
        raise CallerError(
            f"Rates and a speed above 0 are needed to lay a tape to its guide; found {tape_rate}, {guide_rate} and {nominal}."
        )
    tape = _slow(read_tape, tape_samples, tape_rate / GUIDE_RATE)
    guide = _slow(read_guide, guide_samples, guide_rate / GUIDE_RATE / nominal)
    if min(len(tape), len(guide)) < 20 * GUIDE_RATE:
        return GuideReading(refusal="too short")
    level_t, level_g = _level(tape), _level(guide)
    start, begun = _coarse(level_t, level_g)
    if isinstance(start, str):
        return GuideReading(refusal=start)
    fixes = _outwards(tape, guide, begun, *start)
    if len(fixes) < LEAST_WINDOWS:
        return GuideReading(refusal="lost")
    laid = _fitted(fixes)
    tried = 1
    for window, hop, search, sigma in PASSES:
        fixes, tried = _pass(tape, guide, laid, window, hop, search, sigma)
        if len(fixes) < max(LEAST_WINDOWS, tried // 4):
            return GuideReading(refusal="lost")
        laid = _fitted(fixes)
    agreed = laid.fixes
    left = laid.left_out_s[np.isfinite(laid.left_out_s)]
    at, heard = np.array([f.film_position for f in agreed]), np.array([f.sound_s for f in agreed])
    return GuideReading(
        refusal="",
        speed=float(np.polyfit(at, heard, 1)[0]),
        kept=len(agreed) / tried,
        sigma_s=max(3e-4, 1.4826 * float(np.median(np.abs(left)))),
        guide_s=tuple((at / nominal).round(6).tolist()),
        tape_s=tuple(heard.round(6).tolist()),
    )


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
        rows.append(line)
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


def _shift(part: Floats, other: Floats, search: int) -> tuple[float, float]:
    """By how many samples `part` lies later than `other`, and the peak's height over the rms beside it."""
    count = len(part)
    window = np.hanning(count)
    size = 1 << (2 * count - 1).bit_length()
    cross = np.fft.rfft(part * window, size) * np.conj(np.fft.rfft(other * window, size))
    hz = np.fft.rfftfreq(size, 1.0 / GUIDE_RATE)
    inside = (hz >= BAND_HZ[0]) & (hz <= BAND_HZ[1])
    magnitude = np.abs(cross)
    cross = np.where(inside, cross / (magnitude + 1e-3 * magnitude.max() + 1e-300) ** PHAT, 0.0)
    line = np.fft.irfft(cross, size)
    wide = max(search, GUIDE_RATE // 20) + 1
    line = np.concatenate([line[-wide:], line[: wide + 1]])
    allowed = slice(wide - search, wide + search + 1)
    k = int(np.argmax(line[allowed])) + wide - search
    beside = np.abs(np.arange(len(line)) - k) > GUIDE_RATE // 400
    peak = float(line[k]) / max(float(np.sqrt(np.mean(line[beside] ** 2))), 1e-300)
    rivals = line[allowed][beside[allowed]]
    if rivals.size and line[k] < LEAST_LEAD * float(rivals.max()):
        peak = 0.0
    low, middle, high = line[k - 1], line[k], line[min(k + 1, len(line) - 1)]
    bend = low - 2 * middle + high
    return float(k - wide + (0.5 * (low - high) / bend if bend < 0 else 0.0)), peak


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
    place = (told + (np.arange(count) / GUIDE_RATE - window / 2) * pace) * GUIDE_RATE
    if place[0] < 0 or place[-1] > len(tape) - 1 or len(part) < count:
        return None
    shift, peak = _shift(np.interp(place, np.arange(len(tape)), tape), part, round(search * GUIDE_RATE))
    if peak < LEAST_PEAK or abs(shift) >= search * GUIDE_RATE - 1:
        return None
    return Fix(middle, told + shift / GUIDE_RATE * pace, sigma)


def _fitted(fixes: list[Fix]) -> FixedMap:
    return solve_fixes(fixes, rate=1.0, transport=TAPE_RUN, spare_strays=False)


def _pass(
    tape: Floats, guide: Floats, laid: FixedMap, window: float, hop: float, search: float, sigma: float
) -> tuple[list[Fix], int]:
    """Fixes over the whole guide with the tape laid through a map, and how many windows were tried."""
    from scipy.ndimage import map_coordinates

    seconds = len(guide) / GUIDE_RATE
    hop = max(hop, seconds / MOST_WINDOWS)
    knots = np.arange(0.0, seconds + 0.2, 0.1)
    second, pace, unsure = laid.at(knots)
    u = np.arange(len(guide)) / GUIDE_RATE
    place = np.interp(u, knots, second) * GUIDE_RATE
    warped = map_coordinates(tape, [place], order=3, mode="constant")
    there = (place >= 0) & (place <= len(tape) - 1)
    count = round(window * GUIDE_RATE)
    fixes, tried = [], 0
    for first in range(0, len(guide) - count + 1, round(hop * GUIDE_RATE)):
        if not (there[first] and there[first + count - 1]):
            continue
        tried += 1
        middle = (first + count / 2) / GUIDE_RATE
        # where the map is not sure, the search is as wide as that
        wide = min(search + 3.0 * float(np.interp(middle, knots, unsure)), WIDEST_SEARCH_S)
        shift, peak = _shift(
            warped[first : first + count], guide[first : first + count], round(wide * GUIDE_RATE)
        )
        if peak < LEAST_PEAK or abs(shift) >= wide * GUIDE_RATE - 1:
            continue
        own = float(np.interp(middle, knots, second))
        fixes.append(Fix(middle, own + shift / GUIDE_RATE * float(np.interp(middle, knots, pace)), sigma))
    return fixes, tried

"""Splices heard: brief broadband transients of a captured track, and what they say of the machine's head distance.

find_knocks         captured track -> when, how strong                          (analyse)
find_head_distance  knocks, frame times, splices seen -> HeadReading: D, or why not    (analyse)
find_head_passes    splices seen, D -> captured samples at which they pass the head    (analyse)

A splice that passes the sound head knocks. Speech and claps knock too, so a single knock proves nothing. What
counts is that several splices seen in the picture have a knock at the same distance: each match weighs by how
seldom a knock as strong falls there by chance, and the sum must pay for every distance that was tried.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.errors import CallerError, MaterialError
from smallgauge.sound.curves import Floats
from smallgauge.sound.speed import (
    ReadSound,
    SoundMap,
    apply_sound_map,
    position_at,
    solve_film_time,
    time_at,
)

KNOCK_RATE = 8000  # samples a second at which knocks are looked for
ORDER = 12  # of the prediction whose error is looked at: what it can't foretell is sudden
BLOCK = 1024  # samples of one prediction, with half overlap
SMOOTH_S = 0.003  # the energy of the error is gathered over this
NEAR_S, FAR_S = 0.015, 0.5  # and held against the loudest of its surroundings, from near to far
LOUDEST_SHARE = 0.98  # of the surroundings, by level
LEAST_DB = -3.0  # below this it is no knock
MOST_KNOCKS = 400  # the strongest of a track that are kept
CHUNK_S = 30  # bounds the memory; the result does not depend on it beyond the last digits

LARGEST_DISTANCE = 120.0  # frames between gate and head that are tried, to either side
TOLERANCE_FRAMES = 0.35  # a knock this near to where a splice should be heard may be it
HEARD_SHARE = 0.8  # of splices that are taken to be heard at all. common practice, no source
SPLICE_SIGMA_FRAMES = 0.15  # place of the knock against the cut. common practice, no source
# Logarithm of the odds that a match is no chance. Of 2400 drawn tracks with splices at places where none was heard
# three in a thousand came to 2.7, the highest to 4.3; three true ones between 2.9 and 6.3, four from 6.2 on.
LEAST_ODDS = 3.0
LEAST_LEAD = float(np.log(20.0))  # over the next best place
LEAST_SPLICES = 3

Refusal = Literal["", "no film time", "fewer than three splices", "not heard", "more than one place"]


class Knock(NamedTuple):
    """A brief broadband transient: second of the captured sound, its standard error, and strength."""

    sound_s: float
    sigma_s: float
    strength_db: float  # above the loudest of its surroundings


@dataclass(frozen=True, slots=True, kw_only=True)
class SpliceHeard:
    """A splice that is seen before `film_position` and heard as a knock."""

    film_position: int
    sound_s: float
    sigma_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadReading:
    """The distance from gate to sound head as splices show it.

    `refusal` is "" where it was found. `frames` is D, `sigma` its standard error; NaN where it was not found.
    `log_odds` is the natural logarithm of the odds that the match is no chance, all tried distances paid for.
    """

    refusal: Refusal
    frames: float = float("nan")
    sigma: float = float("nan")
    log_odds: float = float("nan")
    splices: int = 0
    heard: tuple[SpliceHeard, ...] = ()


def find_knocks(read: ReadSound, *, in_samples: int, sound_rate: int) -> tuple[Knock, ...]:
    """Find brief broadband transients.

    The track, all its channels together, is taken to 8 kHz; each block is foretold from its own past by linear
    prediction, and the energy of what can't be foretold is held against the loudest of the half second to
    either side. Tones and vowels are foretold; a knock is not, and stands alone.

    Parameters
    ----------
    read : callable
        `read(first, stop)` gives captured samples as float64 (stop - first, channels), zero outside the file.
    in_samples : int
        Length of the captured sound.
    sound_rate : int
        Samples a second.

    Returns
    -------
    tuple of Knock
        By time; at most the 400 strongest.

    Raises
    ------
    CallerError
        A rate that is not above 0.

    Notes
    -----
    Source: derived; linear prediction by the autocorrelation method.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> random = np.random.Generator(np.random.SFC64(1))
    >>> sound = 0.01 * random.standard_normal(48000)
    >>> sound[24000:24024] += 0.5
    >>> found = find_knocks(read_array(sound), in_samples=48000, sound_rate=48000)
    >>> [(round(knock.sound_s, 2), knock.strength_db > 10) for knock in found if knock.strength_db > 8]
    [(0.5, True)]
    """
    if sound_rate <= 0:
        raise CallerError(f"A rate above 0 is needed to look for knocks; found {sound_rate}.")
    ratio = sound_rate / KNOCK_RATE
    total = int(in_samples / ratio)
    if total < 2 * BLOCK:
        return ()
    ends = np.array([0.0, float(total)])
    even = SoundMap(
        out_sample=ends,
        in_sample=ends * ratio,
        slope=np.full(2, ratio),
        gain=np.ones(2),
        out_samples=total,
    )
    step = CHUNK_S * KNOCK_RATE // BLOCK * BLOCK
    parts = []
    for first in range(0, total, step):
        low, high = max(0, first - BLOCK), min(total, first + step + BLOCK)
        sudden = _sudden(apply_sound_map(read, even, first=low, stop=high))
        parts.append(sudden[first - low : first - low + min(step, total - first)])
    level = 10.0 * np.log10(np.concatenate(parts) + 1e-14)
    return _peaks(level)


def _sudden(x: Floats) -> Floats:
    """Energy (n,) of what linear prediction can't foretell of samples (n, channels), gathered over 3 ms."""
    energy = np.zeros(len(x))
    window = np.hanning(BLOCK + 1)[:BLOCK]
    smooth = np.hanning(2 * round(SMOOTH_S * KNOCK_RATE) + 1)
    smooth /= smooth.sum()
    for track in x.T:
        padded = np.pad(track, (BLOCK, 2 * BLOCK))
        starts = np.arange(0, len(padded) - BLOCK - ORDER, BLOCK // 2)
        blocks = np.lib.stride_tricks.sliding_window_view(padded, BLOCK)[starts]
        spectrum = np.abs(np.fft.rfft(blocks * window, n=2 * BLOCK, axis=1)) ** 2
        lags = np.fft.irfft(spectrum, axis=1)[:, : ORDER + 1]
        near = np.abs(np.arange(ORDER)[:, None] - np.arange(ORDER)[None, :])
        matrix = lags[:, near] + np.eye(ORDER) * (1e-6 * lags[:, :1, None] + 1e-12)
        weights = np.linalg.solve(matrix, lags[:, 1:, None])[:, :, 0]
        filters = np.concatenate([np.ones((len(starts), 1)), -weights], axis=1)
        middle = BLOCK // 4  # each block speaks for its middle half
        errors = np.zeros(len(padded))
        for start, taps in zip(starts.tolist(), filters, strict=True):
            at = start + middle
            errors[at : at + BLOCK // 2] = (
                np.convolve(padded[at - ORDER : at + BLOCK // 2], taps, "valid") if at >= ORDER else 0.0
            )
        energy += errors[BLOCK : BLOCK + len(x)] ** 2
    return np.asarray(np.convolve(energy, smooth, "same"))


def _peaks(level: Floats) -> tuple[Knock, ...]:
    """The places that stand above the loudest of their surroundings, from the level (n,) in decibels."""
    from scipy.ndimage import maximum_filter1d

    near, far = round(NEAR_S * KNOCK_RATE), round(FAR_S * KNOCK_RATE)
    cell = max(1, round(SMOOTH_S * KNOCK_RATE))
    cells = np.pad(level, (0, -len(level) % cell), mode="edge").reshape(-1, cell).max(axis=1)
    top = np.flatnonzero(level >= maximum_filter1d(level, 2 * near + 1))
    found = []
    reach, gap = far // cell, near // cell + 1
    for at in top.tolist():
        middle = at // cell
        around = np.concatenate(
            [cells[max(0, middle - reach) : max(0, middle - gap)], cells[middle + gap : middle + reach]]
        )
        if around.size < reach // 2:
            continue
        strength = float(level[at] - np.quantile(around, LOUDEST_SHARE))
        if strength >= LEAST_DB:
            found.append(Knock(at / KNOCK_RATE, SMOOTH_S / 3.0, strength))
    strongest = sorted(found, key=lambda knock: -knock.strength_db)[:MOST_KNOCKS]
    return tuple(sorted(strongest))


def knock_weights(knocks: Sequence[Knock], *, windows: float) -> Floats:
    """How much a window that holds a knock as strong speaks against chance: (n,), natural logarithms.

    `windows` is how many windows of the looked-for width the track has. With p the share of windows that hold a
    knock of this rank or stronger, the weight is 1 / (p ln windows): a bet whose mean is 1 where all is chance,
    so that odds of a hundred come up by chance once in a hundred times at most [derived].

    Examples
    --------
    >>> knocks = [Knock(1.0, 0.001, 20.0), Knock(2.0, 0.001, 5.0)]
    >>> knock_weights(knocks, windows=1000.0).round(1).tolist()
    [5.0, 4.3]
    """
    strength = np.array([knock.strength_db for knock in knocks])
    rank = np.array([np.count_nonzero(strength >= own) for own in strength], dtype=np.float64)
    chance = 1.0 - np.exp(-rank / max(windows, 3.0))
    return np.asarray(-np.log(chance) - np.log(np.log(max(windows, 3.0))))


def heard_evidence(weight: ArrayLike, confidence: ArrayLike) -> Floats:
    """What a match adds to the evidence, for the weight of its knock and how sure its splice is.

    ln(1 - c h + c h / p), with h the share of splices that are heard; a splice without a knock has ln(1 - c h).

    Examples
    --------
    >>> heard_evidence([6.9, -np.inf], [1.0, 1.0]).round(1).tolist()
    [6.7, -1.6]
    """
    share = HEARD_SHARE * np.asarray(confidence, dtype=np.float64)
    return np.asarray(np.log(1.0 - share + share * np.exp(np.asarray(weight, dtype=np.float64))))


def find_head_distance(
    knocks: Sequence[Knock],
    *,
    frame_times_s: ArrayLike | None,
    film_positions: ArrayLike,
    splices: Sequence[int],
    confidence: Sequence[float],
    scan_rate: Fraction | None = None,
    sound_start_s: float = 0.0,
    sound_clock_ppm: float = 0.0,
) -> HeadReading:
    """The distance from gate to sound head, from splices seen and heard.

    The cut before film frame s passes the head when film position s - 1/2 + D is in the gate.

    Parameters
    ----------
    knocks : sequence of Knock
        Of sound captured with the picture.
    frame_times_s, film_positions, scan_rate
        As for `smallgauge.sound.hum.find_hum`.
    splices : sequence of int
        Film position of the first frame after each splice that is seen.
    confidence : sequence of float
        How sure each is, 0 to 1.
    sound_start_s, sound_clock_ppm : float
        As for `solve_sound_map`.

    Returns
    -------
    HeadReading
        Refused with fewer than three splices, where no distance has enough of them heard, and where a second
        one is as good.

    Notes
    -----
    Source: derived.

    Examples
    --------
    >>> heard = [Knock((s - 0.5 + 3.0) / 9, 0.001, 20.0) for s in (200, 410, 777)]
    >>> found = find_head_distance(
    ...     heard, frame_times_s=None, film_positions=range(900), scan_rate=Fraction(9), splices=[200, 410, 777],
    ...     confidence=[0.9] * 3,
    ... )
    >>> found.refusal, round(found.frames, 3), len(found.heard)
    ('', 3.0, 3)
    """
    positions = np.asarray(film_positions, dtype=np.float64)
    times = None if frame_times_s is None else np.asarray(frame_times_s, dtype=np.float64)
    stamped = times is not None and np.count_nonzero(np.isfinite(times)) >= 2
    try:
        film_time = solve_film_time(times if stamped else None, positions, scan_rate=scan_rate)
    except MaterialError:  # neither usable stamps nor a rate
        return HeadReading(refusal="no film time", splices=len(splices))
    if len(splices) < LEAST_SPLICES:
        return HeadReading(refusal="fewer than three splices", splices=len(splices))
    if not knocks:
        return HeadReading(refusal="not heard", splices=len(splices))
    seconds = np.array([knock.sound_s for knock in knocks])
    gate = position_at(film_time, sound_start_s + seconds / (1.0 + sound_clock_ppm * 1e-6))
    weight = knock_weights(knocks, windows=float(np.ptp(film_time.x)) / (2 * TOLERANCE_FRAMES))
    away = gate[None, :] - (np.asarray(splices, np.float64)[:, None] - 0.5)
    sure = np.asarray(confidence, np.float64)
    grid, score = _evidence(away, weight, sure)
    best = int(np.argmax(score))
    odds = float(score[best]) - float(np.log(LARGEST_DISTANCE / TOLERANCE_FRAMES))
    rival = np.abs(grid - grid[best]) > 3 * TOLERANCE_FRAMES
    picked = [_nearest(away[i], weight, float(grid[best])) for i in range(len(splices))]
    at = np.array([away[i, k] for i, k in enumerate(picked) if k >= 0])
    if odds < LEAST_ODDS or len(at) < LEAST_SPLICES:
        return HeadReading(refusal="not heard", log_odds=odds, splices=len(splices))
    if float(score[best] - score[rival].max()) < LEAST_LEAD:
        return HeadReading(refusal="more than one place", log_odds=odds, splices=len(splices))
    spread = max(SPLICE_SIGMA_FRAMES, float(np.std(at, ddof=1)))
    return HeadReading(
        refusal="",
        frames=float(np.mean(at)),
        sigma=spread / float(np.sqrt(len(at))),
        log_odds=odds,
        splices=len(splices),
        heard=tuple(
            SpliceHeard(film_position=int(splices[i]), sound_s=knocks[k].sound_s, sigma_s=knocks[k].sigma_s)
            for i, k in enumerate(picked)
            if k >= 0
        ),
    )


def find_head_passes(
    splices: Sequence[int],
    head_frames: float,
    *,
    sound_rate: int,
    frame_times_s: ArrayLike | None,
    film_positions: ArrayLike,
    scan_rate: Fraction | None = None,
    sound_start_s: float = 0.0,
    sound_clock_ppm: float = 0.0,
) -> list[float]:
    """Captured samples at which splices pass the sound head.

    Parameters
    ----------
    splices : sequence of int
        Film position of the first frame after each splice.
    head_frames : float
        D, from gate to sound head.
    sound_rate : int
        Samples a second.
    frame_times_s, film_positions, scan_rate, sound_start_s, sound_clock_ppm
        As for `find_head_distance`.

    Returns
    -------
    list of float
        Empty where there is no film time. They may lie before the first sample or after the last.

    Examples
    --------
    >>> find_head_passes([10], 8.5, sound_rate=48000, frame_times_s=None, film_positions=range(90),
    ...                  scan_rate=Fraction(9))
    [96000.0]
    """
    positions = np.asarray(film_positions, dtype=np.float64)
    times = None if frame_times_s is None else np.asarray(frame_times_s, dtype=np.float64)
    stamped = times is not None and np.count_nonzero(np.isfinite(times)) >= 2
    try:
        film_time = solve_film_time(times if stamped else None, positions, scan_rate=scan_rate)
    except MaterialError:
        return []
    gate = np.asarray(splices, dtype=np.float64) - 0.5 + head_frames
    seconds = (time_at(film_time, gate)[0] - sound_start_s) * (1.0 + sound_clock_ppm * 1e-6)
    return [float(at) for at in seconds * sound_rate]


def _evidence(away: Floats, weight: Floats, sure: Floats) -> tuple[Floats, Floats]:
    """The distances tried, twenty a frame, and the evidence for each."""
    steps = 20
    grid = np.arange(round(-LARGEST_DISTANCE * steps), round(LARGEST_DISTANCE * steps) + 1) / steps
    reach = round(TOLERANCE_FRAMES * steps)
    score = np.zeros(len(grid))
    for row, own in zip(away, sure, strict=True):
        best = np.full(len(grid), -np.inf)
        place = np.rint((row + LARGEST_DISTANCE) * steps).astype(np.int64)
        for k in np.flatnonzero((place > -reach) & (place < len(grid) + reach)):
            span = slice(max(0, place[k] - reach), max(0, place[k] + reach + 1))
            best[span] = np.maximum(best[span], weight[k])
        score += heard_evidence(best, own)
    # the middle of a plateau of equal evidence
    flat = np.convolve(score, np.ones(reach) / reach, "same")
    return grid, score + 1e-6 * flat


def _nearest(row: Floats, weight: Floats, distance: float) -> int:
    """The weightiest knock near a distance, or -1."""
    near: NDArray[np.intp] = np.flatnonzero(np.abs(row - distance) <= TOLERANCE_FRAMES)
    return int(near[np.argmax(weight[near])]) if near.size else -1

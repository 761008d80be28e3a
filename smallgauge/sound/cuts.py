"""Sound at the splices: recorded before the film was cut, or after; and where foreign sound lies behind a splice.

find_cuts   captured track, its hum, splices heard -> CutsReading   (analyse)

Sound that was recorded with the camera lies ahead of its picture. Where such film was cut, the last stretch
before the cut carries sound of pictures that are gone, and the pictures behind the splice carry it when they are
shown: as many frames as the sound lies ahead. Sound that was recorded onto the finished film runs on through its
splices. Hum that was recorded with it tells the two apart: its phase runs on through the cut, or it jumps.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import ceil, hypot
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.errors import MaterialError
from smallgauge.sound.curves import Floats
from smallgauge.sound.hum import HumReading
from smallgauge.sound.knocks import SpliceHeard
from smallgauge.sound.speed import ReadSound, position_at, solve_film_time

BLOCK_CYCLES = 6  # of the hum, in which its phase is taken
BLOCKS = 6  # to either side of the cut
GAP_S = (0.03, 0.12)  # before and after the knock that are left out: the knock itself and its thump
HARMONICS = (1, 2, 3)
PHASE_SIGMA = 0.15  # radians that a phase may be off besides its own scatter. common practice, no source
LEAST_ODDS = float(np.log(20.0))
MOST_ODDS = 3.0  # of one splice: a cut of whole cycles runs on by chance, one in nine at 18 frames and 50 Hz

Complexes = NDArray[np.complex128]
Recorded = Literal["before cutting", "after cutting", "not sure"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CutTold:
    """What the hum does at one splice: `log_odds` above 0 where it runs on, below where it jumps."""

    film_position: int
    recorded: Recorded
    log_odds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CutsReading:
    """Whether the sound was recorded before the film was cut, and the stretches of foreign sound.

    `foreign` are film positions, half open, of pictures whose sound belongs to film that was cut away; they are
    told only where the sound was recorded before cutting and the separation is known.
    """

    recorded: Recorded
    log_odds: float
    cuts: tuple[CutTold, ...] = ()
    foreign: tuple[tuple[int, int], ...] = ()


def find_cuts(
    read: ReadSound,
    *,
    sound_rate: int,
    hum: HumReading,
    heard: Sequence[SpliceHeard],
    splices: Sequence[int],
    ahead_frames: float | None,
    frame_times_s: ArrayLike | None,
    film_positions: ArrayLike,
    scan_rate: Fraction | None = None,
    sound_start_s: float = 0.0,
    sound_clock_ppm: float = 0.0,
) -> CutsReading:
    """Tell sound that was recorded before the film was cut from sound that was recorded after.

    Parameters
    ----------
    read : callable
        `read(first, stop)` gives captured samples as float64 (stop - first, channels), zero outside the file.
    sound_rate : int
        Samples a second.
    hum : HumReading
        Hum of the film; nothing is told without it.
    heard : sequence of SpliceHeard
        Splices that are seen and heard.
    splices : sequence of int
        Film position of the frame after each splice that is seen, heard or not.
    ahead_frames : float or None
        Sound ahead of picture on the film; None where it is not known: then no stretch is named.
    frame_times_s, film_positions, scan_rate, sound_start_s, sound_clock_ppm
        As for `smallgauge.sound.hum.find_hum`.

    Returns
    -------
    CutsReading
        "not sure" without hum of the film, without splices heard, and where they contradict one another.

    Notes
    -----
    Source: derived. The phase before and after a cut is compared in the film's own measure; under a jump it may
    be anything, so each harmonic counts by the normal density of its step over 1 / (2 pi).
    """
    nothing = CutsReading(recorded="not sure", log_odds=0.0)
    if hum.refusal or not heard:
        return nothing
    positions = np.asarray(film_positions, dtype=np.float64)
    times = None if frame_times_s is None else np.asarray(frame_times_s, dtype=np.float64)
    stamped = times is not None and np.count_nonzero(np.isfinite(times)) >= 2
    try:
        film_time = solve_film_time(times if stamped else None, positions, scan_rate=scan_rate)
    except MaterialError:
        return nothing
    told = []
    for splice in heard:
        sides = []
        for side in (-1, 1):
            edge = splice.sound_s + side * GAP_S[0 if side < 0 else 1]
            at_s = sound_start_s + edge / (1.0 + sound_clock_ppm * 1e-6)
            pace = float(position_at(film_time, [at_s + 0.5])[0] - position_at(film_time, [at_s - 0.5])[0])
            length = BLOCKS * BLOCK_CYCLES / max(hum.cycles_a_frame * pace, 1e-6)
            low = edge - length if side < 0 else edge
            first, count = round(low * sound_rate), round(length * sound_rate)
            x = read(first, first + count).sum(axis=1)
            seconds = (first + np.arange(count)) / sound_rate
            place = position_at(film_time, sound_start_s + seconds / (1.0 + sound_clock_ppm * 1e-6))
            sides.append(_amplitudes(x, hum.cycles_a_frame * place))
        odds = _log_odds(*sides)
        told.append(
            CutTold(film_position=splice.film_position, recorded=_said(odds), log_odds=round(odds, 3))
        )
    total = float(sum(np.clip(cut.log_odds, -MOST_ODDS, MOST_ODDS) for cut in told))
    recorded = _said(total)
    foreign: tuple[tuple[int, int], ...] = ()
    if recorded == "before cutting" and ahead_frames is not None and ahead_frames > 0:
        last = int(np.nanmax(positions)) + 1
        foreign = tuple((s, min(s + ceil(ahead_frames), last)) for s in splices)
    return CutsReading(recorded=recorded, log_odds=round(total, 3), cuts=tuple(told), foreign=foreign)


def _said(odds: float) -> Recorded:
    if odds > LEAST_ODDS:
        return "after cutting"
    return "before cutting" if odds < -LEAST_ODDS else "not sure"


def _amplitudes(x: Floats, cycles: Floats) -> Complexes:
    """Complex amplitude of each harmonic in each block, (blocks, harmonics), its phase in the film's measure."""
    edges = np.linspace(0, len(x), BLOCKS + 1).round().astype(int)
    rows = []
    for first, stop in pairwise(edges.tolist()):
        window = np.hanning(stop - first)
        part = (x[first:stop] - x[first:stop].mean()) * window
        rows.append(
            [np.sum(part * np.exp(-2j * np.pi * k * cycles[first:stop])) / window.sum() for k in HARMONICS]
        )
    return np.array(rows)


def _log_odds(before: Complexes, after: Complexes) -> float:
    """How much the steps of phase speak for hum that runs on, against one that jumps."""
    total = 0.0
    for k in range(len(HARMONICS)):
        means, spreads = [], []
        for side in (before[:, k], after[:, k]):
            mean = np.median(side.real) + 1j * np.median(side.imag)
            scatter = 1.4826 * np.median(np.abs(side - mean)) * 1.25 / np.sqrt(len(side))
            means.append(mean)
            spreads.append(float(scatter / max(abs(mean), 1e-300)))
        sigma = hypot(*spreads, PHASE_SIGMA)
        if sigma > 0.8:  # the line does not stand out of the programme here
            continue
        step = float(np.angle(means[1] * np.conj(means[0])))
        likely = np.exp(-0.5 * (step / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi))
        # a hundredth of all cuts is odd in some other way
        total += float(np.log(0.99 * likely * 2 * np.pi + 0.01))
    return total

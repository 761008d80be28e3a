"""Where splices that are seen are heard in a separate run: start and speed of the run, found together.

find_recorded   captured track -> seconds between which something is recorded       (analyse)
find_run        knocks, splices seen -> RunReading: where splices are heard in the run      (analyse)

A start and a speed that lay the splices on knocks are weighed as a bet: how likely knocks of that strength would lie so
near by chance, against how near they must lie if they are the splices. Where the film lies in the run counts: a run
mostly holds the whole film, and sound recorded by the camera begins and ends with its picture. Where hum was recorded
before the film was cut, its phase jumps at a splice and runs on at a clap.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.sound.curves import Floats
from smallgauge.sound.knocks import HEARD_SHARE, LEAST_SPLICES, Knock, SpliceHeard
from smallgauge.sound.speed import ReadSound

SPEED_SHARE = 0.02  # mean speed of a run that is tried, either side of the nominal one
SPEED_SIGMA = 0.01
# Of a splice heard: place of the cut in its frame (SPLICE_SIGMA_FRAMES, 8 ms) and what the run's own wander leaves
# beside a straight line within some minutes.
HEARD_SIGMA_S = 0.013
TOLERANCE_S = 0.045  # a knock this near to where a splice should be heard may be it
WIDEST_PAIRS = 24  # pairs of splices that hypotheses are made from, the widest first
HYPOTHESES = 400  # that are weighed exactly
# Shares of runs. common practice, no source
HOLDS_FILM, HOLDS_SLACK_S = 0.5, 3.0  # the run holds the whole film, to a few seconds
BEGINS, BEGINS_SIGMA_S = 0.15, 0.5  # what is recorded begins with the picture; or ends with it
# Of 1900 sets of splices at places where none was heard, on drawn runs of ordinary and of loud talk, the best came to 2.0;
# four true ones of ordinary talk to 3.8 and more. Where hum jumps, knocks of splices that nobody saw stand out together:
# 3.7, and true ones to 6.5 and more.
LEAST_ODDS, LEAST_WITH_HUM = 2.6, 5.0
LEAST_LEAD = 2.3  # over the next best place: ten to one
JUMPS_BEFORE = 0.5  # share of films that were cut after their sound had been recorded
EDGE_S, EDGE_DB = 0.05, 12.0  # block and rise of the level where a recording begins

RunRefusal = Literal["", "fewer than three splices", "not heard", "more than one place"]
Places = NDArray[np.intp]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunReading:
    """Where the splices that are seen are heard in a separate run.

    `heard` is empty where `refusal` says why. `rate` is the nominal rate at which they were found, `speed` the run's
    mean speed against it, NaN where not found; `log_odds` as in `HeadReading`.
    """

    refusal: RunRefusal
    rate: Fraction | None = None
    speed: float = float("nan")
    log_odds: float = float("nan")
    splices: int = 0
    heard: tuple[SpliceHeard, ...] = ()


def find_recorded(read: ReadSound, *, in_samples: int, sound_rate: int) -> tuple[float, float]:
    """Seconds at which what is recorded begins and ends; NaN where the track begins or ends inside it.

    Parameters
    ----------
    read : callable
        `read(first, stop)` gives samples as float64 (stop - first, channels).
    in_samples, sound_rate : int
        Length and samples a second.

    Returns
    -------
    begins, ends : float

    Raises
    ------
    CallerError
        A rate that is not above 0.

    Notes
    -----
    Source: derived. The first and the last half second must be quiet, 12 dB below the quieter part of what lies between.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> random = np.random.Generator(np.random.SFC64(1))
    >>> sound = 0.001 * random.standard_normal(80000)
    >>> sound[16000:64000] += 0.1 * random.standard_normal(48000)
    >>> find_recorded(read_array(sound), in_samples=80000, sound_rate=8000)
    (2.0, 8.0)
    """
    if sound_rate <= 0:
        raise CallerError(f"A rate above 0 is needed to look for a recording; found {sound_rate}.")
    block = round(EDGE_S * sound_rate)
    level = np.array(
        [
            np.mean(np.diff(read(first, first + block), axis=0) ** 2)
            for first in range(0, in_samples - block + 1, block)
        ]
    )
    edge = round(0.5 / EDGE_S)
    if len(level) < 8 * edge:
        return float("nan"), float("nan")
    db = 10 * np.log10(level + 1e-14)

    def begin(levels: Floats) -> float:
        quiet = float(np.median(levels[:edge]))
        loud = levels > quiet + EDGE_DB
        if loud[:edge].any() or np.count_nonzero(loud) < len(levels) // 4:
            return float("nan")
        return float(np.argmax(loud)) * EDGE_S

    return round(begin(db), 3), round(len(level) * EDGE_S - begin(db[::-1]), 3)


def find_run(
    knocks: Sequence[Knock],
    *,
    splices: Sequence[int],
    confidence: Sequence[float],
    rates: Sequence[Fraction],
    seconds: float,
    frames: int,
    ahead_frames: float | None = None,
    recorded_s: tuple[float, float] = (float("nan"), float("nan")),
    jump_odds: Sequence[float] = (),
) -> RunReading:
    """Find the start and the mean speed of a separate run at which most splices seen are heard.

    Every pair of splices is laid on every pair of knocks whose spacing fits the nominal speed within 2 %. A
    start and speed that lays the other splices on knocks too gains by how seldom such knocks fall there by
    chance, and pays for every start and speed that could have been.

    Parameters
    ----------
    knocks : sequence of Knock
        Of the separate run.
    splices, confidence : sequence
        As for `find_head_distance`.
    rates : sequence of Fraction
        Nominal frames a second that the run may have had; each that is tried costs.
    seconds : float
        Length of the run.
    frames : int
        Length of the film, frames.
    ahead_frames : float or None
        Sound ahead of its picture on the film; None where not known: then `recorded_s` says nothing.
    recorded_s : tuple of float
        Seconds at which what is recorded begins and ends, NaN where not known.
    jump_odds : sequence of float
        Of each knock, how much the step of recorded hum there speaks for a splice of film that was cut after recording:
        `find_hum_jumps`; empty where there is no hum.

    Returns
    -------
    RunReading

    Raises
    ------
    CallerError
        A rate or length that is not above 0.

    Notes
    -----
    Source: derived. Two splices fit some start and speed always: three are the least, and in speech more.

    Examples
    --------
    >>> seen = [100, 700, 1250, 2000]
    >>> heard = [Knock(7.3 + s / 18 * 1.001, 0.001, 20.0) for s in seen] + [Knock(33.0, 0.001, 25.0)]
    >>> found = find_run(
    ...     sorted(heard), splices=seen, confidence=[0.9] * 4, rates=[Fraction(18)], seconds=150.0, frames=2400
    ... )
    >>> found.refusal, round(found.speed, 4), len(found.heard)
    ('', 1.001, 4)
    """
    if not rates or min(rates) <= 0 or seconds <= 0 or frames <= 0:
        raise CallerError(
            f"Rates and lengths above 0 are needed to find a run; found {list(rates)}, {seconds} s and {frames} frames."
        )
    count = len(splices)
    if count < LEAST_SPLICES:
        return RunReading(refusal="fewer than three splices", splices=count)
    if len(knocks) < LEAST_SPLICES:
        return RunReading(refusal="not heard", splices=count)
    tries = []
    for rate in rates:
        shift = None if ahead_frames is None else ahead_frames / float(rate)
        bet = _Bet(
            u=np.asarray(splices, np.float64) / float(rate),
            share=HEARD_SHARE * np.asarray(confidence, np.float64),
            t=np.array([knock.sound_s for knock in knocks]),
            weight=_weights(knocks, seconds),
            jump=np.asarray(jump_odds, np.float64)
            if len(jump_odds) == len(knocks)
            else np.zeros(len(knocks)),
            seconds=seconds,
            film_s=frames / float(rate),
            begins_s=float("nan") if shift is None else recorded_s[0] + shift,
            ends_s=float("nan") if shift is None else recorded_s[1] + shift,
        )
        tries.append(_reading(bet, knocks, splices, rate, float(np.log(len(rates)))))
    found = [reading for reading in tries if not reading.refusal]
    return max(found or tries, key=lambda reading: float(np.nan_to_num(reading.log_odds, nan=-np.inf)))


def _weights(knocks: Sequence[Knock], seconds: float) -> Floats:
    """What a knock as strong speaks against chance, a second: one over the rate of knocks of this rank or stronger.

    Divided by the sum of one over all ranks: a bet whose mean is 1 where all is chance.
    """
    strength = np.array([knock.strength_db for knock in knocks])
    rank = np.array([np.count_nonzero(strength >= own) for own in strength], dtype=np.float64)
    return np.asarray(np.log(seconds / rank) - np.log(np.log(len(knocks)) + 0.58))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Bet:
    """All that weighs a start and speed; starts are seconds at which film time 0 is heard."""

    u: Floats  # film times of the splices, nominal seconds
    share: Floats  # how likely each is heard
    t: Floats  # of the knocks
    weight: Floats
    jump: Floats
    seconds: float
    film_s: float
    begins_s: float  # NaN where not known: where film time 0, and the film's end, would be heard
    ends_s: float

    def starts(self, start: Floats, speed: Floats) -> Floats:
        """Density of starts before any knock was heard, a second, logarithm."""
        inside = (start > -self.film_s) & (start < self.seconds)
        total = np.where(inside, 0.2 / (self.seconds + self.film_s), 1e-9)
        room = self.seconds - self.film_s + 2 * HOLDS_SLACK_S
        left, held = 0.8, 0.0
        for at, place in ((self.begins_s, start), (self.ends_s, start + speed * self.film_s)):
            if np.isfinite(at):
                left -= BEGINS
                total = total + BEGINS * _normal(place - at, BEGINS_SIGMA_S)
        if room > 2 * HOLDS_SLACK_S:
            held = left / room
        return np.asarray(
            np.log(total + np.where((start >= -HOLDS_SLACK_S) & (start <= room - HOLDS_SLACK_S), held, 0.0))
        )

    def evidence(self, picked: Places) -> float:
        """Logarithm of how much better these knocks are explained as the splices than as chance; -1: not heard."""
        heard = picked >= 0
        n, spread2 = int(np.count_nonzero(heard)), HEARD_SIGMA_S**2
        if n < 2:
            return -np.inf
        u = self.u[heard] - self.u[heard].mean()
        y = self.t[picked[heard]] - self.u[heard]
        at = float(y.mean())
        wide = float(np.sum(u**2))
        lean = float(np.sum(u * (y - at))) / wide
        misfit = (float(np.sum((y - at) ** 2)) - lean**2 * wide) / spread2
        misfit += lean**2 / (SPEED_SIGMA**2 + spread2 / wide)
        start = at - lean * float(self.u[heard].mean())
        total = float(self.starts(np.array([start]), np.array([1.0 + lean]))[0])
        total -= 0.5 * (n - 1) * float(np.log(2 * np.pi * spread2)) + 0.5 * float(np.log(n))
        total -= 0.5 * float(np.log1p(SPEED_SIGMA**2 * wide / spread2)) + 0.5 * misfit
        total += float(np.sum(self.weight[picked[heard]]) + np.sum(np.log(self.share[heard])))
        return total + self.hum(picked) + float(np.sum(np.log1p(-self.share[~heard])))

    def hum(self, picked: Places) -> float:
        """What the hum at these knocks adds: film cut after recording, all jump; cut before, they say nothing."""
        jumps = float(np.sum(self.jump[picked[picked >= 0]]))
        return float(np.logaddexp(np.log(JUMPS_BEFORE) + jumps, np.log1p(-JUMPS_BEFORE)))

    def line(self, picked: Places) -> tuple[float, float]:
        """(start, speed) through the knocks."""
        heard = picked >= 0
        speed, start = np.polyfit(self.u[heard], self.t[picked[heard]], 1)
        return float(start), float(speed)


def _normal(x: Floats, sigma: float) -> Floats:
    return np.asarray(np.exp(-0.5 * (x / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi)))


def _reading(
    bet: _Bet, knocks: Sequence[Knock], splices: Sequence[int], rate: Fraction, cost: float
) -> RunReading:
    """The best start and speed at one nominal rate, where it is believed."""
    count = len(splices)
    weighed = _weighed(bet)
    if not weighed:
        return RunReading(refusal="not heard", splices=count)
    odds, best = weighed[0]
    odds -= cost
    heard = np.flatnonzero(best >= 0)
    least = LEAST_WITH_HUM if bet.hum(best) > 0 else LEAST_ODDS
    if odds < least or len(heard) < LEAST_SPLICES:
        return RunReading(refusal="not heard", log_odds=odds, splices=count)
    ends = bet.u[[0, -1]]
    own = bet.line(best)
    for other, picked in weighed[1:]:
        start, speed = bet.line(picked)
        if np.abs(start - own[0] + (speed - own[1]) * ends).max() > 3 * TOLERANCE_S:
            if odds + cost - other < LEAST_LEAD:
                return RunReading(refusal="more than one place", log_odds=odds, splices=count)
            break
    return RunReading(
        refusal="",
        rate=rate,
        speed=own[1],
        log_odds=odds,
        splices=count,
        heard=tuple(
            SpliceHeard(film_position=int(splices[i]), sound_s=knocks[k].sound_s, sigma_s=knocks[k].sigma_s)
            for i, k in zip(heard.tolist(), best[heard].tolist(), strict=True)
        ),
    )


def _weighed(bet: _Bet) -> list[tuple[float, Places]]:
    """Ways to lay the splices on knocks with what speaks for each, the best first."""
    count = len(bet.u)
    pairs = [(i, j) for i in range(count) for j in range(i + 1, count)]
    pairs = sorted(pairs, key=lambda pair: bet.u[pair[0]] - bet.u[pair[1]])[:WIDEST_PAIRS]
    tried = np.concatenate([_hypotheses(bet.t, bet.u[i], bet.u[j]) for i, j in pairs])
    if not len(tried):
        return []
    score, picked = _scored(tried, bet)
    ways: dict[bytes, tuple[float, Places]] = {}
    for way in picked[np.argsort(-score, kind="stable")[:HYPOTHESES]]:
        if way.tobytes() in ways:
            continue
        odds, best = bet.evidence(way), way
        while np.count_nonzero(best >= 0) > LEAST_SPLICES:  # one knock less may speak better
            less = []
            for k in np.flatnonzero(best >= 0):
                without = best.copy()
                without[k] = -1
                less.append((bet.evidence(without), int(k)))
            better, gone = max(less)
            if better <= odds:
                break
            odds, best = better, np.where(np.arange(count) == gone, -1, best)
        if np.count_nonzero(best >= 0) >= 2:
            ways[best.tobytes()] = (odds, best)
    return sorted(ways.values(), key=lambda way: (-way[0], way[1].tobytes()))


def _hypotheses(t: Floats, first: float, second: float) -> Floats:
    """(starts and speeds, 2) that lay two splices on two knocks, the speed within bounds."""
    speed = (t[None, :] - t[:, None]) / (second - first)
    i, j = np.nonzero(np.abs(speed - 1.0) <= SPEED_SHARE)
    return np.stack([t[i] - first * speed[i, j], speed[i, j]], axis=1)


def _scored(tried: Floats, bet: _Bet) -> tuple[Floats, Places]:
    """Roughly what speaks for each hypothesis (m,), and the knock that it gives each splice (m, splices), -1: none."""
    score = bet.starts(tried[:, 0], tried[:, 1])
    picked = np.full((len(tried), len(bet.u)), -1, dtype=np.intp)
    for number, (own, share) in enumerate(zip(bet.u, bet.share, strict=True)):
        at = tried[:, 0] + tried[:, 1] * own
        low, high = np.searchsorted(bet.t, at - TOLERANCE_S), np.searchsorted(bet.t, at + TOLERANCE_S)
        best = np.full(len(tried), float(np.log1p(-share)))
        for step in range(int(np.max(high - low, initial=0))):
            k = low + step
            near = np.minimum(k, len(bet.t) - 1)
            miss = 0.5 * ((bet.t[near] - at) / HEARD_SIGMA_S) ** 2
            gain = bet.weight[near] + np.log(share / (HEARD_SIGMA_S * np.sqrt(2 * np.pi))) - miss
            better = (k < high) & (gain > best)
            best[better] = gain[better]
            picked[better, number] = k[better]
        score = score + best
    return score, picked

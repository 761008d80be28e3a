"""Recovery: which frames or fields of a video show a new film frame, where the video repeats them to its own rate.

measure_recovery   a frame (or field) and the two before it  -> RecoveryReading       (analyse)
find_cadence       columns of a video                        -> Cadence               (analyse)
find_film_frames   cadence, fields or frames                 -> which pictures make each film frame
measure_combing    one frame                                 -> how far its two fields differ

A film of 18 frames a second in a video of 25 shows every frame once or twice, and most of the time nobody
wrote down which. Grain does not repeat, so two captures of one film frame correlate where two frames of a
still scene do not. One pair decides little after a coder has been at the grain; the rhythm decides: a film
rate and a phase explain thousands of pairs at once. Every candidate rate is followed through the video by a
Viterbi path over its phase, which may drift, and may jump where the video was cut.
"""

import math
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.repetition import (
    GrainLayout,
    GrainSheet,
    find_grain_layout,
    make_grain,
    measure_repetition,
)

Series = NDArray[np.float64]
Marks = NDArray[np.bool_]
Plane = NDArray[np.float32]

# Film rates that are looked for: picture science note, section g.
FILM_RATES = tuple(
    Fraction(rate) for rate in ("12", "15", "16", "50/3", "18", "20", "24000/1001", "24", "25")
)
# All below: common practice, no source; chosen on drawn films, see docs/decisions.
WINDOW = 91  # pictures over which the levels of "same" and "new" are read off
STRIDE = 15
MOST_EVIDENCE = 4.0  # of one pair, so that one flash decides nothing; log likelihood ratio
LEAST_FIT = 0.22  # above what the same evidence gives when it is shuffled: less is no rhythm
FIT_SCATTER = 2.0  # the same in standard deviations of a correlation, for short videos
LEAST_LEAD = 6.0  # of the best rate's gain before the next rate's, over the whole video; log likelihood
OFF_RATES = tuple(n / 400 for n in range(-12, 13))  # a projector off its rate, by up to 3 %
OFF_PICTURES = 3000  # that this is read off
DRIFT_COST = 4.0  # of a phase one step off
JUMP_COST = 14.0  # of any other phase: a cut in the video
PHASES = 25  # at least, of a cycle
LEAST_CHANGE = 1e-4
CLOSE_STEP = 64  # greatest denominator of film rate over picture rate
INSET = 0.04  # of the picture, clear of the video's blanking
COMB = 0.25  # rows of a frame differ by so much more than rows of a field: its fields are two pictures


@dataclass(frozen=True, slots=True, kw_only=True)
class RecoveryReading:
    """One picture against the two before it; NaN is "can't tell"."""

    match: float  # grain correlation with the picture before, at the place that fits best
    match_skip: float  # with the one two before
    change: float  # mean difference from the picture before, as a share of its contrast
    change_skip: float
    strength: float  # of the grain: the less a coder has taken away, the higher


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cadence:
    """The film's rhythm in a video.

    `new` marks pictures that show another film frame than the one before; `confidence` is that of each
    mark, 0.5 to 1. `rate` is None where no rhythm stands out, and then `reason` says why.
    """

    rate: Fraction | None
    new: Marks
    confidence: Series
    fit: float  # correlation of evidence and rhythm, less that of the same evidence shuffled
    next_rate: Fraction | None
    lead: float  # of its gain (log likelihood, drifts paid for) before that of the next rate
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Path:
    """How one film rate explains the pairs."""

    rate: Fraction
    step: Fraction  # of phase, each picture
    evidence: tuple[Series, Series]
    new: Marks
    fit: float
    gain: float


def find_layout(width: int, height: int) -> GrainLayout:
    """Where the grain of a video's pictures is compared: tiles all over it.

    Examples
    --------
    >>> len(find_layout(720, 576).tiles)
    6
    """
    inset_x, inset_y = INSET * width, INSET * height
    return find_grain_layout(
        frame_px=(width, height),
        reference_px=(0.0, 0.0),
        area_px=(inset_x, inset_y, width - inset_x, height - inset_y),
        pitch_px=math.nan,
        px_per_mm=math.nan,
    )


class RecoveryMeter:
    """Measures picture after picture and remembers the two before."""

    def __init__(self, width: int, height: int) -> None:
        self.layout = find_layout(width, height)
        self.before: list[tuple[GrainSheet, Plane] | None] = [None, None]  # two before, one before

    def measure(self, plane: Plane) -> RecoveryReading:
        """One picture, shape (height, width), linear or display light, 0 to 1."""
        sheet = make_grain(plane, reference_px=(0.0, 0.0), layout=self.layout)
        small = reduced_picture(plane)
        older, last = self.before
        grain = measure_repetition(
            sheet, last[0] if last else None, older[0] if older else None, layout=self.layout
        )
        reading = RecoveryReading(
            match=grain.grain_match,
            match_skip=grain.grain_match_skip,
            change=_change(small, last[1] if last else None),
            change_skip=_change(small, older[1] if older else None),
            strength=grain.grain_strength,
        )
        self.before = [last, (sheet, small)]
        return reading


def reduced_picture(plane: Plane) -> Plane:
    """The picture at half its size, clear of its borders.

    Examples
    --------
    >>> reduced_picture(np.ones((100, 200), np.float32)).shape
    (46, 92)
    """
    y, x = round(INSET * plane.shape[0]), round(INSET * plane.shape[1])
    inner = plane[y : plane.shape[0] - y, x : plane.shape[1] - x]
    inner = inner[: inner.shape[0] // 2 * 2, : inner.shape[1] // 2 * 2]
    return (inner[::2, ::2] + inner[1::2, ::2] + inner[::2, 1::2] + inner[1::2, 1::2]) / np.float32(4)


def _change(current: Plane, other: Plane | None) -> float:
    if other is None:
        return math.nan
    contrast = float(current.std()) + 0.01
    return float(np.abs(current - other).mean()) / contrast


def find_cadence(
    *,
    match: Series,
    match_skip: Series,
    change: Series,
    change_skip: Series,
    picture_rate: Fraction,
    film_rates: tuple[Fraction, ...] = FILM_RATES,
) -> Cadence:
    """Which pictures of a video show a new film frame, and at what rate the film was run.

    Parameters
    ----------
    match, match_skip, change, change_skip : arrays, shape (pictures,)
        From `RecoveryMeter`, NaN where not measured.
    picture_rate : Fraction
        Pictures a second: frames, or fields of an interlaced video.
    film_rates : tuple of Fraction
        Those that are looked for; one above half the picture rate's double is left out.

    Returns
    -------
    Cadence
        All pictures new, and no rate, where no rhythm stands out.

    Raises
    ------
    CallerError
        If the columns differ in length or are empty, or the rate is not positive.

    Notes
    -----
    Levels of "the same film frame" and "another one" are read off windows of 91 pictures, at the share that
    a candidate expects. Evidence of a pair is the log likelihood ratio of two normal laws. A path that
    may drift fits chance a little; how much is told by the same evidence in shuffled order. Source: grain
    correlation; the path over phases "derived".

    Examples
    --------
    >>> film = np.arange(200) * 18 // 25
    >>> same = np.diff(film, prepend=-1) == 0
    >>> random = np.random.default_rng(1)
    >>> match = np.where(same, 0.6, 0.1) + random.normal(0, 0.1, 200)
    >>> unknown = np.full(200, np.nan)
    >>> cadence = find_cadence(match=match, match_skip=unknown, change=unknown, change_skip=unknown,
    ...     picture_rate=Fraction(25))
    >>> str(cadence.rate), bool((cadence.new == ~same)[1:].all())
    ('18', True)
    """
    columns = [np.asarray(c, np.float64) for c in (match, match_skip, change, change_skip)]
    if any(c.shape != columns[0].shape or c.ndim != 1 for c in columns) or columns[0].size == 0:
        raise CallerError(f"find_cadence needs columns of one length, got {[c.shape for c in columns]}.")
    if picture_rate <= 0:
        raise CallerError(f"find_cadence needs a positive picture rate, got {picture_rate}.")
    likeness = [
        (columns[0], -np.log(columns[2] + LEAST_CHANGE)),
        (columns[1], -np.log(columns[3] + LEAST_CHANGE)),
    ]
    paths = []
    for rate, step in _steps(film_rates, picture_rate):
        one_back, two_back = (
            sum((_evidence(series, float(1 - back * step)) for series in pair), np.zeros(columns[0].size)) / 2
            for back, pair in zip((1, 2), likeness, strict=True)
        )
        paths.append(_path(rate, step, (one_back, two_back)))
    if paths:
        best = max(range(len(paths)), key=lambda n: paths[n].gain)
        path = paths[best]
        near = _nearest_step(path.step, path.evidence)
        if near != path.step:
            paths[best] = _path(path.rate, near, path.evidence)
    return _chosen(paths, columns[0].size)


def _steps(film_rates: tuple[Fraction, ...], picture_rate: Fraction) -> list[tuple[Fraction, Fraction]]:
    """Each film rate below the picture rate with its step of phase; of rates with one step the nearest."""
    nearest: dict[Fraction, Fraction] = {}
    for rate in film_rates:
        step = (rate / picture_rate).limit_denominator(CLOSE_STEP)
        other = nearest.get(step)
        if step < 1 and (other is None or abs(rate - step * picture_rate) < abs(other - step * picture_rate)):
            nearest[step] = rate
    return [(rate, step) for step, rate in nearest.items()]


def _nearest_step(step: Fraction, evidence: tuple[Series, Series]) -> Fraction:
    """The step a little off the nominal one that explains the middle of the video best, where one does."""
    size = evidence[0].size
    first = max(0, (size - OFF_PICTURES) // 2)
    middle = [each[first : first + OFF_PICTURES] for each in evidence]
    steps = {
        step,
        *(Fraction(float(step) * (1 + off)).limit_denominator(2 * CLOSE_STEP) for off in OFF_RATES),
    }
    gains = {each: _follow(middle[0], middle[1], each)[2] for each in sorted(steps) if each < 1}
    best = max(gains, key=lambda each: gains[each])
    return best if (gains[best] - gains[step]) * middle[0].size >= LEAST_LEAD else step


def _path(rate: Fraction, step: Fraction, evidence: tuple[Series, Series]) -> _Path:
    new, fit, gain = _follow(evidence[0], evidence[1], step)
    order = np.random.default_rng(0).permutation(new.size)
    _, chance_fit, chance_gain = _follow(evidence[0][order], evidence[1][order], step)
    return _Path(
        rate=rate,
        step=step,
        evidence=evidence,
        new=new,
        fit=fit - max(chance_fit, 0.0),
        gain=gain - chance_gain,
    )


def _chosen(paths: list[_Path], size: int) -> Cadence:
    """The rate whose path explains the pairs best, where one stands out."""
    paths.sort(key=lambda path: path.gain, reverse=True)
    best = paths[0] if paths else None
    lead = (best.gain - paths[1].gain) * size if best is not None and len(paths) > 1 else math.inf
    reason = ""
    if best is None:
        reason = "no film rate below the video's is looked for"
    elif not best.fit >= max(LEAST_FIT, FIT_SCATTER / math.sqrt(size)):
        reason = "no picture repeats the one before in any rhythm"
    elif not lead >= LEAST_LEAD:
        reason = f"{best.rate} and {paths[1].rate} frames a second explain it equally well"
    told = best is not None and not reason
    return Cadence(
        rate=best.rate if best is not None and told else None,
        new=best.new if best is not None and told else np.ones(size, np.bool_),
        confidence=_confidence(best) if best is not None and told else np.full(size, 0.5),
        fit=best.fit if best is not None else 0.0,
        next_rate=paths[1].rate if told and len(paths) > 1 else None,
        lead=lead,
        reason=reason,
    )


def _evidence(series: Series, share: float) -> Series:
    """Log likelihood ratio of "same" over "new" for each pair, where a share of all pairs is the same."""
    size = series.size
    if not share > 0 or np.count_nonzero(np.isfinite(series)) < 8:
        return np.zeros(size)
    half = min(WINDOW, size) // 2
    places = np.arange(0, size, STRIDE)
    middle, slope = np.full(places.size, np.nan), np.full(places.size, np.nan)
    for n, place in enumerate(places.tolist()):
        part = series[max(0, place - half) : place + half + 1]
        part = np.sort(part[np.isfinite(part)])
        few = max(1, round(share * part.size))
        if part.size < 8 or few >= part.size:
            continue
        other, same = part[:-few], part[-few:]
        within = (other.var() * other.size + same.var() * same.size) / part.size
        apart = float(np.median(same) - np.median(other))
        middle[n] = (np.median(same) + np.median(other)) / 2
        slope[n] = apart / (within + (0.1 * apart) ** 2 + 1e-9)
    known = np.isfinite(middle)
    if not known.any():
        return np.zeros(size)
    at = np.arange(size)
    level = np.interp(at, places[known], middle[known])
    steep = np.interp(at, places[known], slope[known])
    told: Series = np.clip(np.nan_to_num((series - level) * steep), -MOST_EVIDENCE, MOST_EVIDENCE)
    return told


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Phases:
    """Phases that a picture may have, and what the evidence says for each.

    Phase counts up by the step each picture; where it passes 1 the picture shows a new film frame. The
    picture two before shows the same film frame only while the phase has not passed 1 for two pictures.
    """

    p: int  # the step, and below it the phases of pictures that show a new film frame
    q: int  # how many there are
    told_skip: bool  # whether the picture two before can show the same film frame
    gain: Series  # shape (pictures, q)


def _phases(same: Series, same_skip: Series, step: Fraction) -> _Phases:
    times = -(-PHASES // step.denominator)
    p, q = step.numerator * times, step.denominator * times
    phase = np.arange(q)
    repeats = (phase >= p).astype(np.float64) - 0.5  # halves: a path gains what it says rightly
    repeats_skip = (phase >= 2 * p).astype(np.float64) - 0.5
    told_skip = 2 * p < q
    gain = same[:, None] * repeats + (same_skip[:, None] * repeats_skip if told_skip else 0.0)
    return _Phases(p=p, q=q, told_skip=told_skip, gain=gain)


def _follow(same: Series, same_skip: Series, step: Fraction) -> tuple[Marks, float, float]:
    """The likeliest path over phases: marks, how well evidence and path go together, gain a picture."""
    phases = _phases(same, same_skip, step)
    p, q, gain = phases.p, phases.q, phases.gain
    came = (np.arange(q) - p) % q
    before, after = (came - 1) % q, (came + 1) % q
    size = same.size
    value = np.empty((size, q))  # of the best path to each phase
    value[0] = gain[0]
    for t in range(1, size):
        last = value[t - 1]
        drifted = np.maximum(last[before], last[after]) - DRIFT_COST
        np.maximum(last[came], drifted, out=value[t])
        np.maximum(value[t], last.max() - JUMP_COST, out=value[t])
        value[t] += gain[t]
    path = np.empty(size, np.int64)
    path[-1] = int(value[-1].argmax())
    for t in range(size - 1, 0, -1):  # which of the ways it was
        last, to = value[t - 1], int(path[t])
        ways = (last[came[to]], last[before[to]] - DRIFT_COST, last[after[to]] - DRIFT_COST)
        taken = max(range(3), key=ways.__getitem__)
        top = int(last.argmax())
        jumped = last[top] - JUMP_COST > ways[taken]
        path[t - 1] = top if jumped else (came[to], before[to], after[to])[taken]
    new: Marks = path < p
    new[0] = True
    pairs = [(same, path >= p)]
    if phases.told_skip:
        pairs.append((same_skip, path >= 2 * p))
    return new, _fit(pairs), float(value[-1].max()) / size


def _fit(pairs: list[tuple[Series, Marks]]) -> float:
    """Correlation of evidence with what the path calls the same; of both kinds of pairs together."""
    together = spread = 0.0
    for evidence, marks in pairs:
        centred = marks - marks.mean()
        together += float(np.mean(evidence * centred))
        spread += float(evidence.std() * marks.std())
    return together / spread if spread > 0 else 0.0


def _spread(value: Series, came: NDArray[np.intp]) -> Series:
    """Sum over the ways to each phase, in logarithms."""
    q = value.size
    top = value.max()
    weight = np.exp(value - top)
    ways = weight[came] + math.exp(-DRIFT_COST) * (weight[(came - 1) % q] + weight[(came + 1) % q])
    summed: Series = np.log(ways + math.exp(-JUMP_COST) * weight.sum()) + top
    return summed


def _confidence(path: _Path) -> Series:
    """How likely each mark is, over all paths (forward and backward sums)."""
    phases = _phases(*path.evidence, path.step)
    p, q, gain = phases.p, phases.q, phases.gain
    phase = np.arange(q)
    came, went = (phase - p) % q, (phase + p) % q
    size = gain.shape[0]
    alpha = np.empty((size, q))
    alpha[0] = gain[0]
    for t in range(1, size):
        alpha[t] = _spread(alpha[t - 1], came) + gain[t]
    beta = np.zeros(q)
    sure = np.empty(size)
    for t in range(size - 1, -1, -1):
        total = alpha[t] + beta
        weight = np.exp(total - total.max())
        share = float(weight[:p].sum() / weight.sum())
        sure[t] = share if path.new[t] else 1 - share
        if t:
            beta = _spread(beta + gain[t], went)
    return np.clip(sure, 0.5, 1.0)


def find_film_frames(new: Marks, quality: Series) -> tuple[tuple[int, int, int], ...]:
    """Pictures of each film frame, and the one of best quality: (first, stop, best).

    Parameters
    ----------
    new : array of bool, shape (pictures,)
        From `find_cadence`.
    quality : array, shape (pictures,)
        The higher the better; NaN counts as worst.

    Returns
    -------
    tuple of (int, int, int)

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> find_film_frames(np.array([True, False, True]), np.array([0.1, 0.2, 0.3]))
    ((0, 2, 1), (2, 3, 2))
    """
    starts = [n for n in np.flatnonzero(new).tolist() if n > 0]
    edges = [0, *starts, new.size]
    value = np.where(np.isfinite(quality), quality, -np.inf)
    return tuple((first, stop, first + int(value[first:stop].argmax())) for first, stop in pairwise(edges))


def measure_combing(plane: Plane) -> float:
    """How far the two fields of a frame differ: 0 for one picture, above 0.25 for two.

    Parameters
    ----------
    plane : array, shape (height, width), float32
        One plane of the frame.

    Returns
    -------
    float
        Rows next to one another differ by so much more than rows of one field, as a share, over the
        hundredth of the blocks where it is greatest.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> y, x = np.mgrid[0:64, 0:64].astype(np.float32)
    >>> still = np.sin(x / 4 + y / 9)
    >>> torn = still.copy(); torn[1::2] = np.roll(still[1::2], 6, axis=1)
    >>> measure_combing(still) < 0.25 < measure_combing(torn)
    True
    """
    high, wide = (plane.shape[0] - 4) // 16 * 16, plane.shape[1] // 16 * 16
    if high <= 0 or wide <= 0:
        return 0.0
    rows = [plane[start : start + high, :wide] for start in range(5)]
    near = np.abs(rows[2] - (rows[1] + rows[3]) / 2)
    within = np.abs(rows[2] - (rows[0] + rows[4]) / 2)  # the same between rows of one field
    blocks = [part.reshape(high // 16, 16, wide // 16, 16).mean(axis=(1, 3)) for part in (near, within)]
    ratio = blocks[0] / (blocks[1] + 0.02 * float(plane.std()) + 1e-6) - 1
    return float(np.quantile(ratio, 0.97))

"""Mains hum in a captured track: recorded on the film, or added by the capture chain.

find_hum   captured track, frame times, film positions -> HumReading   (analyse)

Hum that was recorded with the sound lies on the film: so many cycles to a frame of film, however fast the
scanner ran. Hum that the capture chain adds stands at the mains frequency in capture time. The two are told
apart by looking at the track twice: laid out evenly over capture time, where hum of the chain stands still,
and laid out evenly over film position, where hum of the film does. Where the scan ran evenly both stand
still in both; then only hum that lies away from 50 and 60 Hz can be called the film's.

Film hum gives the camera's speed: rate = mains frequency / cycles a frame. Hum alone never tells 50 from
60 Hz; `picture/cadence.py` weighs that.

The comb is found by the sum, over six harmonics, of the logarithm of the spectrum above its neighbourhood;
then its frequency is refined by the turn of phase of each harmonic from one short stretch to the next.
"""

from copy import copy
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.errors import CallerError, MaterialError
from smallgauge.gauge.mains import GRID_LIMIT, MAINS_HZ
from smallgauge.sound.curves import Floats
from smallgauge.sound.speed import (
    FilmTime,
    ReadSound,
    SoundMap,
    apply_sound_map,
    position_at,
    read_array,
    solve_film_time,
    solve_sound_map,
    time_at,
)

# Searched in cycles a frame: 60 Hz at 11 frames a second down to 50 Hz at 26.
LOWEST_CYCLES, HIGHEST_CYCLES = 50.0 / 26.0, 60.0 / 11.0
HARMONICS = 6
WEIGHTS = 1.0 / np.sqrt(np.arange(1, HARMONICS + 1))  # so that half the frequency never scores as well
CLIP = 6.0  # largest logarithm (natural, of amplitude) that one harmonic may add
NEIGHBOURHOOD_HZ = 3.0  # either side, for the level that a line stands above
SLOW_RATE = 3200  # samples a second of the track while it is looked at: six harmonics at 2.8 times the speed
STEPS_A_FRAME = 96  # samples a frame of the track laid out over film position
PIECE_FRAMES = 1080  # a minute at 18 frames a second: longer, and the grid's own wander smears the lines
LEAST_FRAMES = 48  # shorter than this nothing is said
FRAME_RATE_REACH = 0.1  # cycles a frame: lines of the frame rate are taken out this far to either side
MOST_ORDERS = 12  # harmonics of the chain's hum that are taken out
OVERLAP = 1.0 / 6.0  # coherence of plain noise in Hann windows that overlap by half [derived]
NOTCH_HZ = 0.3  # hum of the chain is taken out this far on either side before film hum is looked for

# Set from drawn tracks without hum on the film (tests/sound/test_hum.py): speech, tune and hiss give at most
# about half of this.
LEAST_MARGIN = 1.6  # score above that of the best other frequency, more than 1 % away
OWN_MARGIN = 1.0  # score by which the clock that a hum belongs to must beat the other clock

NAN = float("nan")
Refusal = Literal["", "no film time", "too short", "weak", "not told from the chain"]
_Spectrum = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class HumPiece:
    """Film hum of one stretch of film: `cycles_a_frame` is NaN where it is not sure by itself."""

    first: int  # film positions, half open
    stop: int
    cycles_a_frame: float
    margin: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HumReading:
    """Hum of a captured track, that of the film and that of the chain.

    `refusal` is "" where film hum was found; otherwise it says why none is spoken of and `cycles_a_frame` is
    NaN. `sigma` is the standard error of `cycles_a_frame` as a share of it; the grid's own wander is not in
    it. `margin` is the score above that of the best other frequency. `chain_hz` is NaN where no hum of the
    chain was found. Levels are rms, 1 at full scale, all harmonics found together; NaN where there is none.
    """

    refusal: Refusal
    cycles_a_frame: float = NAN
    sigma: float = NAN
    margin: float = NAN
    film_level: float = NAN
    chain_hz: float = NAN
    chain_level: float = NAN
    scan_slowest: float = NAN  # frames a second of the scan
    scan_fastest: float = NAN
    pieces: tuple[HumPiece, ...] = ()


def find_hum(
    read: ReadSound,
    *,
    in_samples: int,
    sound_rate: int,
    frame_times_s: ArrayLike | None,
    film_positions: ArrayLike,
    scan_rate: Fraction | None = None,
    sound_start_s: float = 0.0,
    sound_clock_ppm: float = 0.0,
) -> HumReading:
    """Find the hum of film and of chain in a captured track.

    Parameters
    ----------
    read : callable
        `read(first, stop)` gives captured samples as float64 (stop - first, tracks), zero outside the file.
        Tracks are looked at each by itself and their scores averaged.
    in_samples : int
        Length of the captured sound.
    sound_rate : int
        Samples a second.
    frame_times_s : array, shape (n,), or None
        Moment at which each captured frame is in the gate, seconds; NaN where it has no stamp.
    film_positions : array, shape (n,)
        Film position of each captured frame.
    scan_rate : Fraction, optional
        Frames a second of the scan, used without time stamps. With neither nothing is said of film hum.
    sound_start_s, sound_clock_ppm : float
        As for `solve_sound_map`.

    Returns
    -------
    HumReading

    Raises
    ------
    CallerError
        A rate that is not above 0.

    Notes
    -----
    Source: hum comb; the distance from gate to sound head shifts phases, never frequencies, so it is not
    needed.

    Examples
    --------
    Ten seconds of film hum at 50 Hz, camera at 16, scanned at 12 frames a second:

    >>> t = np.arange(80000) / 8000
    >>> hum = sum(np.sin(2 * np.pi * 37.5 * k * t) / k for k in (1, 2, 3))
    >>> noise = np.random.Generator(np.random.SFC64(1)).standard_normal(80000)
    >>> found = find_hum(
    ...     read_array(hum + 0.3 * noise), in_samples=80000, sound_rate=8000, frame_times_s=None,
    ...     film_positions=range(120), scan_rate=Fraction(12),
    ... )
    >>> round(50 / found.cycles_a_frame, 2), found.refusal
    (16.0, '')
    """
    if sound_rate <= 0:
        raise CallerError(f"A rate above 0 is needed to look for hum; found {sound_rate}.")
    positions = np.asarray(film_positions, dtype=np.float64)
    times = None if frame_times_s is None else np.asarray(frame_times_s, dtype=np.float64)
    stamped = times is not None and np.count_nonzero(np.isfinite(times)) >= 2
    try:
        film_time = solve_film_time(times if stamped else None, positions, scan_rate=scan_rate)
    except MaterialError:  # neither usable stamps nor a rate
        return HumReading(refusal="no film time")
    track = _Track(read, in_samples, sound_rate, film_time, sound_start_s, sound_clock_ppm)
    stretches = track.stretches(positions)
    if not stretches:
        return HumReading(refusal="too short")
    pieces = [_Piece(track, first, stop) for first, stop in stretches]
    return _reading(pieces)


class _Track:
    """The captured sound at a low rate, and where on the film it lies."""

    def __init__(
        self,
        read: ReadSound,
        in_samples: int,
        sound_rate: int,
        film_time: FilmTime,
        start_s: float,
        clock_ppm: float,
    ) -> None:
        self.read, self.film_time, self.start_s, self.clock_ppm = read, film_time, start_s, clock_ppm
        self.ratio = sound_rate / SLOW_RATE
        self.samples = int(in_samples / self.ratio)
        ends = np.array([0.0, max(1.0, float(self.samples))])
        self.even = SoundMap(
            out_sample=ends,
            in_sample=ends * self.ratio,
            slope=np.full(2, self.ratio),
            gain=np.ones(2),
            out_samples=max(1, self.samples),
        )

    def second_of(self, film_position: float) -> float:
        """Second of the captured sound, by its own clock, at which a film position is in the gate."""
        capture_s = float(time_at(self.film_time, [film_position])[0][0])
        return (capture_s - self.start_s) * (1.0 + self.clock_ppm * 1e-6)

    def stretches(self, positions: Floats) -> list[tuple[int, int]]:
        """Film positions, half open, that are looked at together: whole minutes or so that have sound."""
        placed = positions[np.isfinite(positions)]
        if not placed.size:
            return []
        heard = [self.start_s + s / (1.0 + self.clock_ppm * 1e-6) for s in (0.0, self.samples / SLOW_RATE)]
        begins, ends = position_at(self.film_time, heard)
        first = int(max(placed[0], np.ceil(begins)))
        stop = int(min(placed[-1] + 1, np.floor(ends)))
        if stop - first < LEAST_FRAMES:
            return []
        count = max(1, round((stop - first) / PIECE_FRAMES))
        edges = np.linspace(first, stop, count + 1).round().astype(int).tolist()
        return list(pairwise(edges))

    def slow(self, first: int, stop: int) -> tuple[Floats, int]:
        """The low-rate samples of a stretch of film, and the number of the first of them."""
        low = max(0, int(np.floor(self.second_of(first) * SLOW_RATE)))
        high = min(self.samples, int(np.ceil(self.second_of(stop) * SLOW_RATE)))
        return apply_sound_map(self.read, self.even, first=low, stop=max(low + 1, high)), low


class _Piece:
    """One stretch of film: its spectra over capture time and over film position."""

    def __init__(self, track: _Track, first: int, stop: int) -> None:
        self.track, self.first, self.stop = track, first, stop
        self.samples, self.low = track.slow(first, stop)
        at = np.linspace(first, stop, max(8, (stop - first) // 4))
        self.speeds = time_at(track.film_time, at)[1]
        self.seconds = len(self.samples) / SLOW_RATE
        self.capture_bin, self.capture = _lines(self.samples, SLOW_RATE, NEIGHBOURHOOD_HZ)
        self.film_samples = self._laid_out()
        self.film_bin, self.film = self._film_lines()

    @property
    def width(self) -> float:
        """The neighbourhood of a line, in cycles a frame."""
        return NEIGHBOURHOOD_HZ / float(np.median(self.speeds))

    def _film_lines(self) -> tuple[float, _Spectrum]:
        return _lines(self.film_samples, STEPS_A_FRAME, self.width)

    def _laid_out(self) -> Floats:
        track = self.track
        count = (self.stop - self.first) * STEPS_A_FRAME
        knots = solve_sound_map(
            track.film_time,
            camera_rate=Fraction(1),
            shift_frames=-float(self.first),
            sound_rate=SLOW_RATE,
            out_rate=STEPS_A_FRAME,
            out_samples=count,
            sound_start_s=track.start_s + self.low / SLOW_RATE / (1.0 + track.clock_ppm * 1e-6),
            sound_clock_ppm=track.clock_ppm,
            tolerance_s=1e-6,
        )
        return apply_sound_map(read_array(self.samples), knots, first=0, stop=count)

    def capture_score(self, lowest_hz: float, highest_hz: float) -> tuple[float, float]:
        """Best comb of the capture's own clock in a range: its frequency and score."""
        grid = _grid(lowest_hz, highest_hz, self.capture_bin)
        score = _comb(self.capture, self.capture_bin, grid)
        best = int(np.argmax(score))
        return float(grid[best]), float(score[best])

    def film_score_near(self, hz: float) -> float:
        """Best comb of the film's clock where a hum of the capture's clock would lie on the film."""
        low, high = hz / float(self.speeds.max()) * 0.997, hz / float(self.speeds.min()) * 1.003
        return float(_comb(self.film, self.film_bin, _grid(low, high, self.film_bin)).max())

    def without(self, hz: float) -> tuple["_Piece", float]:
        """The piece without the chain's hum at `hz`, and the rms of what was taken out."""
        spectrum = np.fft.rfft(self.samples, axis=0)
        at = np.fft.rfftfreq(len(self.samples), 1.0 / SLOW_RATE)
        half = max(NOTCH_HZ, 2.0 / self.seconds)
        order = np.clip(np.round(at / hz), 1, MOST_ORDERS)
        removed = np.where((np.abs(at - order * hz) < half)[:, None], spectrum, 0.0)
        gone = np.fft.irfft(removed, n=len(self.samples), axis=0)
        other = copy(self)
        other.samples = self.samples - gone
        other.capture_bin, other.capture = _lines(other.samples, SLOW_RATE, NEIGHBOURHOOD_HZ)
        other.film_samples = other._laid_out()
        other.film_bin, other.film = other._film_lines()
        return other, float(np.sqrt(np.mean(gone**2)))


def _lines(samples: Floats, rate: float, neighbourhood: float) -> tuple[float, _Spectrum]:
    """Width of a bin, and how far each bin stands above its neighbourhood: natural logarithm of amplitude."""
    count = len(samples)
    size = 1 << (4 * count - 1).bit_length()
    window = np.hanning(count)[:, None]
    centred = samples - samples.mean(axis=0)
    spectrum = np.abs(np.fft.rfft(centred * window, n=size, axis=0))
    level = np.log(spectrum + 1e-9 * spectrum.max(axis=0) + 1e-300)
    width = rate / size
    reach = max(1, round(neighbourhood / width))
    padded = np.pad(level, ((reach, reach), (0, 0)), mode="edge")
    sums = np.concatenate([np.zeros((1, level.shape[1])), np.cumsum(padded, axis=0)])
    mean = (sums[2 * reach + 1 :] - sums[: -2 * reach - 1]) / (2 * reach + 1)
    return width, np.clip(level - mean, -CLIP, CLIP).mean(axis=1)


def _grid(lowest: float, highest: float, width: float) -> Floats:
    """Frequencies so close that the highest harmonic moves by less than a bin from one to the next."""
    steps = max(2, int(np.ceil((highest - lowest) / (width / HARMONICS))))
    return np.linspace(lowest, highest, steps + 1)


def _comb(lines: _Spectrum, width: float, frequency: Floats) -> Floats:
    """Weighted sum over the harmonics of how far each stands above its neighbourhood."""
    score = np.zeros(len(frequency))
    for order in range(1, HARMONICS + 1):
        index = np.rint(frequency * (order / width)).astype(np.int64)
        inside = index < len(lines)
        score += WEIGHTS[order - 1] * np.where(inside, lines[np.minimum(index, len(lines) - 1)], 0.0)
    return score


@dataclass(frozen=True, slots=True, kw_only=True)
class _Chain:
    """The best comb of capture time at a mains frequency: that of the chain, if there is one."""

    hz: float
    clear: bool  # it stands well above all that is beside it
    ahead: float  # its score above that of the same hum in the film's clock


def _chain(pieces: list[_Piece], mains: int) -> _Chain:
    found = [p.capture_score(mains * (1 - GRID_LIMIT), mains * (1 + GRID_LIMIT)) for p in pieces]
    beside = [
        max(p.capture_score(mains * a, mains * b)[1] for a, b in ((0.93, 0.985), (1.015, 1.07)))
        for p in pieces
    ]
    on_film = [p.film_score_near(hz) for p, (hz, _) in zip(pieces, found, strict=True)]
    score = float(np.mean([s for _, s in found]))
    return _Chain(
        hz=float(np.median([hz for hz, _ in found])),
        clear=score - float(np.mean(beside)) >= LEAST_MARGIN,
        ahead=score - float(np.mean(on_film)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Search:
    """The comb of the film that a set of pieces gives."""

    grid: Floats
    scores: list[Floats]
    best: float
    margin: float


def _search(pieces: list[_Piece]) -> _Search:
    grid = _grid(LOWEST_CYCLES, HIGHEST_CYCLES, min(p.film_bin for p in pieces))
    scores = [_comb(_without_frame_rate(p), p.film_bin, grid) for p in pieces]
    best, margin = _best(grid, np.mean(scores, axis=0))
    return _Search(grid=grid, scores=scores, best=best, margin=margin)


def _reading(pieces: list[_Piece]) -> HumReading:
    """Weigh all pieces together."""
    speeds = np.concatenate([p.speeds for p in pieces])
    found, chain_hz, chain_level = _search(pieces), float("nan"), float("nan")
    for mains in MAINS_HZ:
        chain = _chain(pieces, mains)
        taken = [p.without(chain.hz) for p in pieces]
        again = _search([p for p, _ in taken])
        gain = again.margin - found.margin
        if (chain.clear and (chain.ahead > OWN_MARGIN or gain > 0.0)) or gain > OWN_MARGIN:
            chain_hz, chain_level = chain.hz, float(np.sqrt(np.mean([level**2 for _, level in taken])))
            pieces, found = [p for p, _ in taken], again
    refusal: Refusal = ""
    if found.margin < LEAST_MARGIN:
        refusal = "weak"
    elif any(_stands_in_both(found.best, p) for p in pieces):
        refusal = "not told from the chain"
    fine = _weighed([_refined(p, found.best) for p in pieces]) if not refusal else _UNREFINED
    return HumReading(
        cycles_a_frame=fine.cycles,
        sigma=fine.sigma / fine.cycles,
        margin=found.margin,
        film_level=fine.level,
        chain_hz=chain_hz,
        chain_level=chain_level,
        scan_slowest=float(speeds.min()),
        scan_fastest=float(speeds.max()),
        refusal=refusal,
        pieces=tuple(_said(p, found.grid, score) for p, score in zip(pieces, found.scores, strict=True)),
    )


def _best(grid: Floats, score: Floats) -> tuple[float, float]:
    """The best frequency, and by how much it beats the best that is more than 1 % away."""
    top = int(np.argmax(score))
    away = np.abs(grid / grid[top] - 1.0) > 0.01
    return float(grid[top]), float(score[top] - score[away].max())


def _said(piece: _Piece, grid: Floats, score: Floats) -> HumPiece:
    """What a piece says by itself."""
    best, margin = _best(grid, score)
    return HumPiece(
        first=piece.first,
        stop=piece.stop,
        cycles_a_frame=_refined(piece, best).cycles if margin >= LEAST_MARGIN else float("nan"),
        margin=margin,
    )


def _without_frame_rate(piece: _Piece) -> _Spectrum:
    """The film's lines without those of something that happens once a frame, such as a flashing light.

    It is there where the lines at whole numbers of cycles a frame stand up together, those included that are
    no multiples of 2 or 3: hum at 2 cycles a frame (25 frames a second, 50 Hz) has none of these.
    """
    orders = np.array([1, 5, 7, 11])
    index = np.rint(orders / piece.film_bin).astype(np.int64)
    if np.median(piece.film[index]) < 1.0:
        return piece.film
    at = np.arange(len(piece.film)) * piece.film_bin
    near = np.abs(at - np.round(at)) < max(4 * piece.film_bin, FRAME_RATE_REACH)
    return np.where(near & (at > 0.5), 0.0, piece.film)


def _stands_in_both(cycles: float, piece: _Piece) -> bool:
    """Could a comb of the film as well be hum of the chain: near the mains, and as sharp in capture time?"""
    hz = cycles * float(np.median(piece.speeds))
    if not any(abs(hz / mains - 1.0) < 1.2 * GRID_LIMIT for mains in MAINS_HZ):
        return False
    low, high = cycles * float(piece.speeds.min()) * 0.997, cycles * float(piece.speeds.max()) * 1.003
    own = float(_comb(piece.film, piece.film_bin, np.array([cycles]))[0])
    return own - piece.capture_score(low, high)[1] < OWN_MARGIN


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fine:
    """A frequency refined: cycles a frame, its standard error in the same unit, level of the hum."""

    cycles: float
    sigma: float
    level: float


_UNREFINED = _Fine(cycles=float("nan"), sigma=float("nan"), level=float("nan"))


def _refined(piece: _Piece, cycles: float) -> _Fine:
    """Refine by the turn of phase from one short stretch to the next.

    A harmonic of coherence g between neighbouring stretches weighs k^2 g^2 / (1 - g^2): the turn of a line in
    noise has variance (1 - g^2) / (2 n g^2), and k times the frequency turns k times as far [derived].
    """
    y = piece.film_samples
    index = np.rint(cycles * np.arange(1, HARMONICS + 1) / piece.film_bin).astype(np.int64)
    orders = [k for k in range(1, HARMONICS + 1) if piece.film[index[k - 1]] > 0.7]
    hop = STEPS_A_FRAME * max(4, min(18, (piece.stop - piece.first) // 10))
    window = np.hanning(2 * hop)
    starts = np.arange(0, len(y) - 2 * hop + 1, hop)
    per_turn = STEPS_A_FRAME / (2 * np.pi * hop)
    level = weight = 0.0
    for _ in range(3):
        drift = level = weight = 0.0
        for order in orders:
            moved = y * np.exp(-2j * np.pi * order * cycles / STEPS_A_FRAME * np.arange(len(y)))[:, None]
            a = np.array([window @ moved[s : s + 2 * hop] for s in starts]) * (2.0 / window.sum())
            step = np.sum(a[1:] * np.conj(a[:-1]))
            power = np.sqrt(np.sum(np.abs(a[1:]) ** 2) * np.sum(np.abs(a[:-1]) ** 2))
            coherence = max(0.0, float(np.abs(step) / power) - OVERLAP) / (1.0 - OVERLAP)
            share = order**2 * coherence**2 / (1.0 - min(coherence, 0.9999) ** 2)
            drift += share * float(np.angle(step)) / order
            weight += share
            level += max(0.0, float(np.abs(step)) - OVERLAP * power) / a[1:].size / 2.0
        if weight <= 0:
            return _UNREFINED
        cycles += drift / weight * per_turn
    sigma = per_turn / np.sqrt(2.0 * weight * (len(starts) - 1))
    return _Fine(cycles=cycles, sigma=float(sigma), level=float(np.sqrt(level)))


def _weighed(fine: list[_Fine]) -> _Fine:
    """Pieces weighed together; their scatter counts where it is larger than each one's own error."""
    good = [f for f in fine if f.cycles == f.cycles]
    if not good:
        return _UNREFINED
    weight = np.array([1.0 / f.sigma**2 for f in good])
    each = np.array([f.cycles for f in good])
    cycles = float(np.sum(weight * each) / weight.sum())
    outer = np.sqrt(np.sum(weight * (each - cycles) ** 2) / weight.sum() / max(1, len(good) - 1))
    return _Fine(
        cycles=cycles,
        sigma=float(max(1.0 / np.sqrt(weight.sum()), outer)),
        level=float(np.sqrt(np.mean([f.level**2 for f in good]))),
    )

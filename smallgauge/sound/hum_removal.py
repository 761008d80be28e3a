"""Hum taken out line by line: what a followed comb says is subtracted, and nothing else.

find_chain_hum      captured sound, frequency -> CombTrack          (hum of the capture chain)
find_hum_combs      captured sound, what hums in it -> both combs   (analyse)
measure_hum_lines   comb -> how many lines, how strong              (analyse)
propose_hum         what was followed -> take out or leave          (treat)
apply_hum_removal   reader of captured sound, comb -> reader        (render)

A notch takes what lies at the hum's frequency, hum or voice, all the time. Here the strength of each line is
taken over some seconds, and there mostly where nobody speaks; so what is subtracted is a wave that stood there
before and after the word, and the word stays. A line that is not clear of its noise is not touched, and sound
without hum passes bit for bit.
"""

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from smallgauge.sound.blocks import read_in_blocks
from smallgauge.sound.comb import CombTrack, Complexes, find_comb
from smallgauge.sound.curves import Floats, hermite
from smallgauge.sound.hum import HumReading
from smallgauge.sound.speed import ReadSound

CLOCK = Fraction(18)  # rows of the chain's comb are laid out as if film ran at this rate
FADE_S = 0.1  # before the first and after the last row

HumAct = Literal["take out", "take out chain", "take out film", "leave"]
HUM_ACTS: tuple[HumAct, ...] = ("take out", "take out chain", "take out film", "leave")


@dataclass(frozen=True, slots=True, kw_only=True)
class HumDecision:
    """Which hum is taken out of the finished sound: all that was followed, that of one clock alone, or none."""

    act: HumAct = "leave"


@dataclass(frozen=True, slots=True, kw_only=True)
class HumLines:
    """A followed comb in short: lines that stand clear of their noise, and their level, rms; 0 where there is none."""

    lines: int = 0
    level: float = 0.0


NO_LINES = HumLines()


def measure_hum_lines(comb: CombTrack | None) -> HumLines:
    """How many lines of a comb are there, and how strong they are together on the track where they are strongest.

    Examples
    --------
    >>> measure_hum_lines(None)
    HumLines(lines=0, level=0.0)
    """
    if comb is None or not np.any(comb.lines):
        return NO_LINES
    power = np.sum(np.mean(np.abs(comb.lines) ** 2, axis=1) / 2.0, axis=0)
    return HumLines(
        lines=int(np.count_nonzero(np.any(comb.lines, axis=(1, 2)))), level=float(np.sqrt(np.max(power)))
    )


def propose_hum(*, film: HumLines, chain: HumLines) -> tuple[HumDecision, str]:
    """Which hum to take out, and why: what stands clear of its noise, and nothing else.

    Parameters
    ----------
    film, chain : HumLines
        Hum that was recorded with the sound, and that of the capture chain.

    Returns
    -------
    decision : HumDecision
    why : str

    Examples
    --------
    >>> decision, why = propose_hum(film=HumLines(), chain=HumLines(lines=3, level=0.01))
    >>> decision.act, why
    ('take out', '3 lines of hum of the capture chain stand clear of the sound, together 40 dB below full scale')
    """
    told = [
        f"{each.lines} line{'s' if each.lines > 1 else ''} of hum of the {name} stand{'' if each.lines > 1 else 's'} "
        f"clear of the sound, together {-20 * np.log10(max(each.level, 1e-9)):.0f} dB below full scale"
        for name, each in (("film", film), ("capture chain", chain))
        if each.lines
    ]
    if not told:
        return HumDecision(act="leave"), "no line of hum stands clear of the sound"
    return HumDecision(act="take out"), "; ".join(told)


def find_chain_hum(
    read: ReadSound, *, in_samples: int, sound_rate: int, hz: float, narrow: bool = False
) -> CombTrack | None:
    """Follow the hum that the capture chain added: it stands still in capture time.

    Parameters
    ----------
    read, in_samples, sound_rate
        As for `smallgauge.sound.hum.find_hum`.
    hz : float
        Its frequency by the sound's own clock, `HumReading.chain_hz`.
    narrow : bool
        As for `smallgauge.sound.comb.find_comb`.

    Returns
    -------
    CombTrack or None
        `film_position` counts eighteenths of a second; None where the sound is shorter than some 3 s.

    Notes
    -----
    Source: hum comb.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> t = np.arange(80000) / 8000
    >>> noise = 0.01 * np.random.Generator(np.random.SFC64(1)).standard_normal(80000)
    >>> comb = find_chain_hum(read_array(0.2 * np.sin(2 * np.pi * 50 * t) + noise), in_samples=80000,
    ...                       sound_rate=8000, hz=50.0)
    >>> round(float(np.abs(comb.lines[0, 20, 0])), 2), bool(comb.lines[1:].any())
    (0.2, False)
    """
    return find_comb(
        read,
        in_samples=in_samples,
        sound_rate=sound_rate,
        frame_times_s=None,
        film_positions=range(int(in_samples / sound_rate * CLOCK) + 1),
        cycles_a_frame=hz / float(CLOCK),
        scan_rate=CLOCK,
        steady=True,
        narrow=narrow,
    )


def find_hum_combs(
    read: ReadSound,
    hum: HumReading,
    *,
    in_samples: int,
    sound_rate: int,
    frame_times_s: ArrayLike | None,
    film_positions: ArrayLike,
    scan_rate: Fraction | None = None,
    sound_start_s: float = 0.0,
    sound_clock_ppm: float = 0.0,
) -> tuple[CombTrack | None, CombTrack | None]:
    """Follow the film's hum and that of the capture chain, as far as a reading found them.

    Where both are there, the chain's is followed first and narrowly: beside the film's, it would pass for flutter. The
    film's is followed in what is left without it, and then the chain's once more in what is left without the film's.

    Parameters
    ----------
    read, in_samples, sound_rate, frame_times_s, film_positions, scan_rate, sound_start_s, sound_clock_ppm
        As for `smallgauge.sound.hum.find_hum`.
    hum : HumReading
        What that function found.

    Returns
    -------
    film, chain : CombTrack or None
        None where there is no hum of that kind, where none of its lines stands clear of its noise (and, of the film,
        no flutter was told by it), or where the sound is too short.

    Notes
    -----
    Source: hum comb.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> find_hum_combs(read_array(np.zeros(8000)), HumReading(refusal="too short"), in_samples=8000, sound_rate=8000,
    ...                frame_times_s=None, film_positions=range(18))
    (None, None)
    """
    has_chain, has_film = hum.chain_hz == hum.chain_hz, not hum.refusal
    film: CombTrack | None = None
    chain: CombTrack | None = None

    def follow_chain(*, narrow: bool) -> CombTrack | None:
        heard = without_hum(read, film, sound_rate=sound_rate)
        return find_chain_hum(
            heard, in_samples=in_samples, sound_rate=sound_rate, hz=hum.chain_hz, narrow=narrow
        )

    if has_chain:
        chain = follow_chain(narrow=has_film)
    if has_film:
        film = find_comb(
            without_hum(read, chain, sound_rate=sound_rate),
            in_samples=in_samples,
            sound_rate=sound_rate,
            frame_times_s=frame_times_s,
            film_positions=film_positions,
            cycles_a_frame=hum.cycles_a_frame,
            scan_rate=scan_rate,
            sound_start_s=sound_start_s,
            sound_clock_ppm=sound_clock_ppm,
        )
    if has_film and has_chain:
        chain = follow_chain(narrow=False)
    if chain is not None and not np.any(chain.lines):
        chain = None
    if film is not None and not film.followed and not np.any(film.lines):
        film = None
    return film, chain


def without_hum(read: ReadSound, comb: CombTrack | None, *, sound_rate: int) -> ReadSound:
    """`apply_hum_removal` with the columns of a comb; the same reader for None."""
    if comb is None:
        return read
    return apply_hum_removal(
        read,
        sound_rate=sound_rate,
        in_sample=comb.in_sample,
        turns=comb.turns,
        line_sample=comb.line_sample,
        lines=comb.lines,
    )


def apply_hum_removal(
    read: ReadSound,
    *,
    sound_rate: int,
    in_sample: ArrayLike,
    turns: ArrayLike,
    line_sample: ArrayLike,
    lines: Complexes,
) -> ReadSound:
    """A reader of captured sound from which a comb is taken away.

    Parameters
    ----------
    read : callable
        `read(first, stop)` gives captured samples as float64 (stop - first, tracks).
    sound_rate : int
        Samples a second.
    in_sample, turns : array, shape (n,)
        Phase of the comb, in cycles of its first line, at captured samples (rising).
    line_sample : array, shape (m,)
    lines : array, shape (orders, m, tracks), complex
        Strengths of the lines there, as in `CombTrack`.

    Returns
    -------
    callable
        The same reader where no line is there: not one bit is altered.

    Notes
    -----
    Source: hum comb.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> n = np.arange(8000)
    >>> hum = 0.2 * np.cos(2 * np.pi * n / 160)
    >>> quiet = apply_hum_removal(
    ...     read_array(hum), sound_rate=8000, in_sample=[0.0, 8000.0], turns=[0.0, 50.0],
    ...     line_sample=[0.0, 8000.0], lines=np.full((1, 2, 1), 0.2 + 0j),
    ... )
    >>> bool(np.abs(quiet(100, 7000)).max() < 1e-12)
    True
    """
    there = [k for k in range(len(lines)) if np.any(lines[k])]
    at = np.asarray(in_sample, dtype=np.float64)
    if not there or len(at) < 2:
        return read
    phase, places = np.asarray(turns, dtype=np.float64), np.asarray(line_sample, dtype=np.float64)
    slopes = np.gradient(phase, at)
    fade = FADE_S * sound_rate

    def make(first: int, stop: int) -> Floats:
        x = read(first, stop).copy()
        n = np.arange(first, stop, dtype=np.float64)
        turn = np.exp(2j * np.pi * np.mod(hermite(n, at, phase, slopes)[0], 1.0))
        share = np.clip(1.0 - np.maximum(at[0] - n, n - at[-1]) / fade, 0.0, 1.0)
        if share.any():
            for track in range(x.shape[1]):
                total = np.zeros(len(n), dtype=np.complex128)
                for k in range(there[-1], -1, -1):
                    rows = lines[k, :, track]
                    total = (
                        total + np.interp(n, places, rows.real) + 1j * np.interp(n, places, rows.imag)
                    ) * turn
                x[:, track] -= share * total.real
        return x

    return read_in_blocks(make)

"""Hum taken out line by line: what a followed comb says is subtracted, and nothing else.

find_chain_hum      captured sound, frequency -> CombTrack          (analyse: hum of the capture chain)
apply_hum_removal   reader of captured sound, comb -> reader        (render)

A notch takes what lies at the hum's frequency, hum or voice, all the time. Here the strength of each line is
taken over some seconds, and there mostly where nobody speaks; so what is subtracted is a wave that stood there
before and after the word, and the word stays. A line that is not clear of its noise is not touched, and sound
without hum passes bit for bit.
"""

from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike

from smallgauge.sound.blocks import read_in_blocks
from smallgauge.sound.comb import CombTrack, Complexes, find_comb
from smallgauge.sound.curves import Floats, hermite
from smallgauge.sound.speed import ReadSound

CLOCK = Fraction(18)  # rows of the chain's comb are laid out as if film ran at this rate
FADE_S = 0.1  # before the first and after the last row


def find_chain_hum(read: ReadSound, *, in_samples: int, sound_rate: int, hz: float) -> CombTrack | None:
    """Follow the hum that the capture chain added: it stands still in capture time.

    Parameters
    ----------
    read, in_samples, sound_rate
        As for `smallgauge.sound.hum.find_hum`.
    hz : float
        Its frequency by the sound's own clock, `HumReading.chain_hz`.

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

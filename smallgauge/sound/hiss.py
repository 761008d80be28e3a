"""Hiss made less, carefully: by 10 dB at most, where nothing stands above it.

propose_hiss           nothing -> leave                     (treat)
apply_hiss_reduction   reader of finished sound -> reader   (render; off unless the operator wants it)

The power in each band of frequency is smoothed over some frames, the hiss known from the quietest ones is taken off,
and what is left says how much the band is let through (Wiener). The least gain is -10 dB, so the hiss stays as a
quiet floor and does not come and go with the voice.
"""

from dataclasses import dataclass

import numpy as np

from smallgauge.errors import CallerError
from smallgauge.sound.blocks import BLOCK, read_in_blocks
from smallgauge.sound.curves import Floats
from smallgauge.sound.speed import ReadSound

FRAME = 1024  # samples; 21 ms at 48 kHz
HOP = FRAME // 2
FLOOR_DB = 10.0
QUIET = 12.0  # percentile of the smoothed power that is taken for hiss
RAISED = 1.6  # and by how much it lies below its mean; both from the sound reference, section e
PLACES = 240  # at which the hiss is learnt, spread evenly
FRAMES_EACH = 12
SMOOTH = np.array([1.0, 2.0, 3.0, 2.0, 1.0]) / 9.0


MOST_DB = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HissDecision:
    """By how many decibels hiss is lowered at most in the finished sound; 0 leaves it."""

    reduce_db: float = 0.0


def propose_hiss() -> tuple[HissDecision, str]:
    """Never more than to leave it: hiss hides what is under it, and only a listener can weigh that.

    Examples
    --------
    >>> propose_hiss()[0]
    HissDecision(reduce_db=0.0)
    """
    return HissDecision(), "hiss is left unless you want less of it; what lies under it goes too"


def _window() -> Floats:
    return np.asarray(np.sin(np.pi * (np.arange(FRAME) + 0.5) / FRAME))


def _power(spectra: Floats) -> Floats:
    """Power of spectra (frames, bins), smoothed over five frames and three bins; two frames less at either end."""
    p = np.abs(spectra) ** 2
    p = np.asarray(sum(share * p[n : len(p) - 4 + n] for n, share in enumerate(SMOOTH)))
    wide = np.pad(p, ((0, 0), (1, 1)), mode="edge")
    return np.asarray((wide[:, :-2] + 2.0 * wide[:, 1:-1] + wide[:, 2:]) / 4.0)


def _spectra(x: Floats) -> Floats:
    frames = np.lib.stride_tricks.sliding_window_view(x, FRAME)[::HOP]
    return np.asarray(np.fft.rfft(frames * _window(), axis=1))


def apply_hiss_reduction(read: ReadSound, *, samples: int, floor_db: float = FLOOR_DB) -> ReadSound:
    """A reader of finished sound with less hiss.

    Parameters
    ----------
    read : callable
        `read(first, stop)` gives finished samples as float64 (stop - first, tracks), zero outside. It is read
        at `PLACES` places once, to learn the hiss.
    samples : int
        Length of the finished sound.
    floor_db : float
        By how much the hiss is lowered at most, 0 to 20.

    Returns
    -------
    callable

    Raises
    ------
    CallerError
        A floor outside 0 to 20.

    Notes
    -----
    Source: Wiener hiss.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> hiss = 0.01 * np.random.Generator(np.random.SFC64(1)).standard_normal(96000)
    >>> less = apply_hiss_reduction(read_array(hiss), samples=96000)(20000, 60000)
    >>> bool(-10.5 < 20 * np.log10(np.std(less) / np.std(hiss)) < -8)
    True
    """
    if not 0.0 <= floor_db <= MOST_DB:
        raise CallerError(f"Hiss can be lowered by 0 to 20 dB here, asked for {floor_db:g}.")
    least = 10.0 ** (-floor_db / 20.0)
    known: list[Floats] = []

    def learn() -> Floats:
        length = FRAME + HOP * (FRAMES_EACH + 3)
        starts = np.unique(np.linspace(0, max(0, samples - length), PLACES).astype(np.int64))
        rows = [read(int(s), int(s) + length) for s in starts]
        noise = []
        for track in range(rows[0].shape[1]):
            power = np.concatenate([_power(_spectra(x[:, track])) for x in rows if np.any(x[:, track])] or [
                np.zeros((1, FRAME // 2 + 1))
            ])  # fmt: skip
            noise.append(RAISED * np.percentile(power, QUIET, axis=0))
        return np.array(noise)

    def make(first: int, stop: int) -> Floats:
        if not known:
            known.append(learn())
        x = read(first - 3 * HOP, stop + 3 * HOP)
        out = np.empty((stop - first, x.shape[1]))
        for track in range(x.shape[1]):
            spectra = _spectra(x[:, track])
            power = _power(spectra)
            gain = np.maximum(least, 1.0 - known[0][track] / np.maximum(power, 1e-30))
            frames = np.fft.irfft(spectra[2:-2] * gain, FRAME, axis=1) * _window()
            total = np.zeros(HOP * (len(frames) + 1))
            for n, frame in enumerate(frames):
                total[n * HOP : n * HOP + FRAME] += frame
            out[:, track] = total[HOP : HOP + stop - first]
        return out

    return read_in_blocks(make, block=BLOCK)

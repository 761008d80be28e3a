"""Places where the film lost the head: marked, never filled.

find_dropouts   captured sound -> Dropout, ...   (analyse)

A stripe hisses whether anybody speaks or not. Where the film is lifted off the head, by dirt or a warped splice, its
hiss goes too, the highest first: 54.6 dB for each wavelength of lift. So a dropout is a stretch in which the
high end falls below the hiss that stands there in every pause. A pause does not, and neither does a word that ends.
Where the capture chain's own noise covers the stripe's hiss this can't be seen, and nothing is marked.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.sound.curves import Floats
from smallgauge.sound.speed import ReadSound

BANDS_HZ = ((3000.0, 6000.0), (6000.0, 12000.0))
FRAME_S, HOP_S = 0.01, 0.0025
PIECE_S, BESIDE_S = 16.0, 6.0  # looked at together, and how much on either side tells the hiss
PAUSE = 10.0  # percentile of the level that is the hiss
DROP_DB = 6.0  # below the hiss; sound reference, section e
LEAST_S, MOST_S = 0.005, 0.5  # the same


@dataclass(frozen=True, slots=True, kw_only=True)
class Dropout:
    """One dropout on one track: seconds of the captured sound, half open, and how far the hiss fell at most, dB."""

    track: int
    first_s: float
    stop_s: float
    depth_db: float


def find_dropouts(read: ReadSound, *, in_samples: int, sound_rate: int) -> tuple[Dropout, ...]:
    """Mark where the film was off the head.

    Parameters
    ----------
    read : callable
        `read(first, stop)` gives captured samples as float64 (stop - first, tracks).
    in_samples : int
        Length of the captured sound.
    sound_rate : int
        Samples a second; below 14 000 nothing is marked, for the hiss is not in the band.

    Returns
    -------
    tuple of Dropout
        In order of track and time, to about 5 ms.

    Raises
    ------
    CallerError
        A rate that is not above 0.

    Notes
    -----
    Source: spacing loss; that hiss tells a dropout from a pause is derived.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> hiss = 0.01 * np.random.Generator(np.random.SFC64(1)).standard_normal(96000)
    >>> hiss[48000:50400] *= 0.1
    >>> found, = find_dropouts(read_array(hiss), in_samples=96000, sound_rate=48000)
    >>> abs(found.first_s - 1.0) < 0.01, abs(found.stop_s - 1.05) < 0.01
    (True, True)
    """
    if sound_rate <= 0:
        raise CallerError(f"A rate above 0 is needed to look for dropouts; found {sound_rate}.")
    bands = [band for band in BANDS_HZ if band[1] <= 0.45 * sound_rate]
    if not bands:
        return ()
    hop, beside = round(HOP_S * sound_rate), round(BESIDE_S / HOP_S)
    rows, piece = in_samples // hop, round(PIECE_S / HOP_S)
    found: list[Dropout] = []
    for begin in range(0, rows, piece):
        low, high = max(0, begin - beside), min(rows, begin + piece + beside)
        level = _levels(read, low, high, hop, sound_rate, bands[-1])
        for track in range(level.shape[1]):
            own = level[:, track]
            fallen = np.percentile(own, PAUSE) - own if np.isfinite(own).all() else np.zeros(len(own))
            for first, stop in _runs(fallen >= DROP_DB):
                middle = low + first
                seconds = (stop - first) * HOP_S
                if begin <= middle < begin + piece and LEAST_S <= seconds <= MOST_S and stop < len(own):
                    found.append(
                        Dropout(
                            track=track,
                            first_s=(low + first) * hop / sound_rate,
                            stop_s=(low + stop) * hop / sound_rate,
                            depth_db=float(fallen[first:stop].max()),
                        )
                    )
    return tuple(sorted(found, key=lambda d: (d.track, d.first_s)))


def _levels(read: ReadSound, low: int, high: int, hop: int, rate: int, band: tuple[float, float]) -> Floats:
    """Level in a band, decibels, a row a hop and a column a track; -inf where the line is dead."""
    width = round(FRAME_S * rate)
    x = read(low * hop - (width - hop) // 2, high * hop + width)
    window = np.hanning(width)
    hz = np.fft.rfftfreq(width, 1.0 / rate)
    inside = (hz >= band[0]) & (hz < band[1])
    columns = []
    for track in range(x.shape[1]):
        frames = np.lib.stride_tricks.sliding_window_view(x[:, track], width)[::hop][: high - low]
        power = np.concatenate(
            [
                (np.abs(np.fft.rfft(frames[n : n + 512] * window, axis=1)[:, inside]) ** 2).mean(axis=1)
                for n in range(0, len(frames), 512)
            ]
        )
        with np.errstate(divide="ignore"):
            columns.append(10 * np.log10(power))
    return np.stack(columns, axis=1)


def _runs(true: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], true.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]

"""The captured sound as a wave: how low and how high it goes between two places.

CapturedWave   lowest and highest value of each of many stretches of the captured sound

For long stretches the sound is read once, into the extremes of blocks of 64 samples (1.3 ms at 48 kHz), which stay in memory: a
stretch is then widened to whole blocks. Short ones are read sample by sample.
"""

from pathlib import Path
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.sound_in import open_sound

BLOCK = 64  # samples
READ = 1 << 20  # samples at a time; up to so many are read as they are, without blocks

Floats = NDArray[np.float64]


class CapturedWave:
    """The wave of one sound file; any number of threads may ask."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = Lock()
        self._blocks: NDArray[np.float32] | None = None

    def between(self, first: Floats, stop: Floats) -> NDArray[np.float32]:
        """Lowest and highest value of all tracks from sample `first` to before `stop`; NaN where the file has none.

        Parameters
        ----------
        first, stop : array, shape (n,)
            Places in samples, not whole ones as a rule: a sample that is touched counts. NaN gives NaN.

        Returns
        -------
        array, shape (n, 2), float32
            Full scale 1.

        Raises
        ------
        MaterialError
            The file is no sound, or breaks.

        Examples
        --------
        >>> import tempfile, soundfile
        >>> path = Path(tempfile.mkdtemp()) / "archive.wav"
        >>> soundfile.write(path, np.array([0.0, 0.5, -0.25, 0.0]), 48000, subtype="PCM_24")
        >>> CapturedWave(path).between(np.array([0.0, 2.0, 9.0]), np.array([2.0, 4.0, 12.0])).tolist()
        [[0.0, 0.5], [-0.25, 0.0], [nan, nan]]
        """
        out = np.full((len(first), 2), np.nan, np.float32)
        with open_sound(self.path) as sound:
            known = np.isfinite(first) & np.isfinite(stop)
            low = np.clip(np.floor(np.where(known, first, 0.0)), 0, sound.samples).astype(np.int64)
            high = np.clip(np.ceil(np.where(known, stop, 0.0)), 0, sound.samples).astype(np.int64)
            there = known & (high > low)
            if not there.any():
                return out
            low, high = low[there], high[there]
            begin, end = int(low.min()), int(high.max())
            if end - begin <= READ:
                samples = sound.read(begin, end).astype(np.float32)
                extremes = np.stack([samples.min(axis=1), samples.max(axis=1)], axis=1)
                low, high = low - begin, high - begin
            else:
                extremes = self._read_blocks()
                low, high = low // BLOCK, -(-high // BLOCK)
        out[there, 0] = _over(np.minimum, extremes[:, 0], low, high)
        out[there, 1] = _over(np.maximum, extremes[:, 1], low, high)
        return out

    def _read_blocks(self) -> NDArray[np.float32]:
        """The extremes of every block, read once."""
        with self._lock:
            if self._blocks is None:
                with open_sound(self.path) as sound:
                    blocks = np.empty((-(-sound.samples // BLOCK), 2), np.float32)
                    for first in range(0, sound.samples, READ):
                        samples = sound.read(first, min(first + READ, sound.samples))
                        edges = np.arange(0, len(samples), BLOCK)
                        place = slice(first // BLOCK, first // BLOCK + len(edges))
                        blocks[place, 0] = np.minimum.reduceat(samples.min(axis=1), edges)
                        blocks[place, 1] = np.maximum.reduceat(samples.max(axis=1), edges)
                self._blocks = blocks
            return self._blocks


def _over(
    extreme: np.ufunc, values: NDArray[np.float32], first: NDArray[np.int64], stop: NDArray[np.int64]
) -> NDArray[np.float32]:
    """The extreme of each stretch; every stretch holds at least one value."""
    edges = np.stack([first, stop], axis=1).ravel()
    told: NDArray[np.float32] = extreme.reduceat(np.append(values, values[-1]), edges)[::2]
    return told

"""Sound of our own files, heard again: loudness of a copy, sample bytes of the archive's Broadcast Wave."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.broadcast_wave import digest_sound
from smallgauge.media.film_in import FilmReader
from smallgauge.sound.loudness import LoudnessReading, measure_loudness

# The coded sound of a copy may be this much louder or softer than decided; quieter sound is lost in part by the
# coder and not compared. common practice, no source
COPY_LU = 0.3
QUIETEST_LUFS = -60.0
BROADCAST_SOUND = "archive-broadcast.wav"


def hear_film(film: FilmReader) -> tuple[int, LoudnessReading | None]:
    """Length of a film's sound in samples of one channel and its loudness; decodes all of it once."""
    if not film.sound_rate:
        return 0, None
    samples = 0

    def blocks() -> Iterator[NDArray[np.float64]]:
        nonlocal samples
        for block in film.sound_blocks():
            samples += len(block)
            yield block

    heard = measure_loudness(blocks(), rate=film.sound_rate, channels=film.sound_channels)
    return samples, heard


def broadcast_digests(folder: Path) -> tuple[str, str]:
    """Digest of format and sample bytes of the captured sound, and of its Broadcast Wave file."""
    return digest_sound(folder / "archive.wav"), digest_sound(folder / BROADCAST_SOUND)

"""Sound of our own files, heard again: length, loudness and silence of a copy, bytes of the archive's Broadcast Wave."""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.broadcast_wave import digest_sound
from smallgauge.media.film_in import FilmReader
from smallgauge.media.sound_inside import digest_samples, digest_samples_inside
from smallgauge.sound.loudness import IntegratedMeter

# The coded sound of a copy may be this much louder or softer than decided; quieter sound is lost in part by the
# coder and not compared. common practice, no source
COPY_LU = 0.3
QUIETEST_LUFS = -60.0
ARCHIVE_SOUND, BROADCAST_SOUND = "archive.wav", "archive-broadcast.wav"
AAC_BLOCK = 1024  # samples of one coded block: delivery reference, section 5
SILENT_LEVEL, SILENT_S = 1e-3, 2.0  # -60 dB of full scale for so long is silence; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A copy's sound: samples of one channel, loudness (None: it has no sound), and silent stretches in seconds."""

    samples: int
    integrated_lufs: float | None
    silent: tuple[tuple[float, float], ...]
    digest: str = (
        ""  # of the samples as 24-bit whole numbers; "" for coded sound, which no digest tells anything of
    )


def hear_film(film: FilmReader) -> Heard:
    """A film's sound; decodes all of it once."""
    if not film.sound_rate:
        return Heard(samples=0, integrated_lufs=None, silent=())
    samples, total = 0, hashlib.sha256()
    quiet, whole = _Quiet(film.sound_rate), film.sound_codec.startswith("pcm")
    meter = IntegratedMeter(rate=film.sound_rate, channels=film.sound_channels)
    for block in _in_seconds(film.sound_blocks(), film.sound_rate):
        samples += len(block)
        quiet.add(block)
        if whole:
            total.update(np.rint(block * 2**23).astype("<i4").tobytes())
        meter.add(block)
    digest = total.hexdigest() if whole else ""
    return Heard(samples=samples, integrated_lufs=meter.integrated(), silent=quiet.stretches(), digest=digest)


def _in_seconds(blocks: Iterator[NDArray[np.float64]], rate: int) -> Iterator[NDArray[np.float64]]:
    """Sound cut anew to seconds, what is left over at last: a coder's blocks are of 20 ms, and each would be looked at by
    itself."""
    held: list[NDArray[np.float64]] = []
    length = 0
    for block in blocks:
        held.append(block)
        length += len(block)
        if length >= rate:
            whole, seconds = np.concatenate(held), length // rate
            yield from np.split(whole[: seconds * rate], seconds)
            held, length = [whole[seconds * rate :]], length - seconds * rate
    if length:
        yield np.concatenate(held)


class _Quiet:
    """Follows silence through pieces of sound, each shorter than a silence that is told."""

    def __init__(self, rate: int) -> None:
        self.rate, self.done = rate, 0
        self.last = -1  # the latest sample that was heard
        self.found: list[tuple[int, int]] = []

    def add(self, block: NDArray[np.float64]) -> None:
        """One piece more."""
        loud = (np.abs(block) >= SILENT_LEVEL).ravel()
        first, channels = int(loud.argmax()), block.shape[1]
        if loud[first]:
            begin = self.done + first // channels
            if begin - self.last - 1 >= SILENT_S * self.rate:
                self.found.append((self.last + 1, begin))
            self.last = self.done + (loud.size - 1 - int(loud[::-1].argmax())) // channels
        self.done += len(block)

    def stretches(self) -> tuple[tuple[float, float], ...]:
        """Silence of two seconds and more, from second to second."""
        end = [(self.last + 1, self.done)] if self.done - self.last - 1 >= SILENT_S * self.rate else []
        return tuple((a / self.rate, b / self.rate) for a, b in (*self.found, *end))


def sound_as_long(
    samples: int, rate: int, frames: int, frame_rate: Fraction, *, block: int = 0, frames_off: int = 0
) -> bool:
    """Is sound as long as its picture: to one sample, and one coded block and one frame where a copy has those.

    Source: delivery reference, section 5.

    Examples
    --------
    >>> sound_as_long(240_640, 48_000, 90, Fraction(18), block=AAC_BLOCK, frames_off=1)
    True
    >>> sound_as_long(240_640, 48_000, 90, Fraction(18))
    False
    """
    late = Fraction(samples, rate) - frames / frame_rate
    return abs(late) <= Fraction(block or Fraction(3, 2), rate) + frames_off / frame_rate


def inside_digests(folder: Path, video: str) -> tuple[str, str]:
    """Digest of the samples inside the archive's video, and of those that the reel's sound was read from."""
    return digest_samples_inside(folder / "archive" / video), digest_samples(folder / "archive.wav")


def broadcast_digests(folder: Path) -> tuple[str, str]:
    """Digest of format and sample bytes of the captured sound, and of its Broadcast Wave file."""
    return digest_sound(folder / ARCHIVE_SOUND), digest_sound(folder / BROADCAST_SOUND)

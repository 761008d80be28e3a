"""A sound file to samples: WAV, RF64, BWF and FLAC, read by libsndfile from any place.

open_sound    path -> SoundReader
"""

import struct
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError, MaterialError

_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32, "DOUBLE": 64}


class SoundReader:
    """An open sound file; a context manager.

    `rate` is samples a second, `samples` the length in samples of one channel, `bits` the stored width,
    `notes` sentences about what isn't as it should be.
    """

    def __init__(self, path: Path) -> None:
        import soundfile

        self.path = Path(path)
        try:
            self._file = soundfile.SoundFile(str(self.path))
        except (soundfile.LibsndfileError, OSError, RuntimeError) as error:
            reason = getattr(error, "error_string", None) or error
            raise MaterialError(
                f"{self.path.name} can't be opened as sound ({str(reason).rstrip('.')}); needed is WAV, "
                "RF64, BWF or FLAC: check that it was copied whole."
            ) from error
        self.rate = int(self._file.samplerate)
        self.channels = int(self._file.channels)
        self.samples = int(self._file.frames)
        self.bits = _BITS.get(str(self._file.subtype), 0)
        if self.samples <= 0 or self.bits == 0:
            found = "no samples" if self.bits else f"samples of the kind {self._file.subtype}"
            self._file.close()
            raise MaterialError(
                f"{self.path.name} holds {found}; needed is sound in whole or floating-point samples, or no "
                "sound file at all where the film is silent."
            )
        self.notes = _early_end(self.path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def read(self, first: int, stop: int) -> NDArray[np.float64]:
        """Samples `first` to before `stop`, cut to what there is; never padded.

        Returns
        -------
        array, shape (samples, channels), float64
            Full scale 1: whole samples divided by 2^(bits - 1), floating-point ones as stored.

        Raises
        ------
        CallerError
            When `stop` lies before `first`.
        MaterialError
            When the file ends or breaks before the samples that its header promises.
        """
        import soundfile

        if stop < first:
            raise CallerError(f"Samples {first} to {stop} were asked for; the end lies before the beginning.")
        first, stop = (min(max(0, place), self.samples) for place in (first, stop))
        if first == stop:
            return np.zeros((0, self.channels))
        try:
            self._file.seek(first)
            out: Any = self._file.read(stop - first, dtype="float64", always_2d=True)
        except (soundfile.LibsndfileError, RuntimeError) as error:
            raise MaterialError(
                f"{self.path.name} breaks at sample {first} ({error}); copy it again."
            ) from error
        if len(out) != stop - first:
            raise MaterialError(
                f"{self.path.name} breaks after sample {first + len(out)} of {self.samples}; copy it again."
            )
        return np.ascontiguousarray(out)

    def read_padded(self, first: int, stop: int) -> NDArray[np.float64]:
        """Samples `first` to before `stop`, silence where the file has none: shape (stop - first, channels)."""
        out = np.zeros((stop - first, self.channels))
        inside_first, inside_stop = max(first, 0), min(stop, self.samples)
        if inside_stop > inside_first:
            out[inside_first - first : inside_stop - first] = self.read(inside_first, inside_stop)
        return out


def _early_end(path: Path) -> tuple[str, ...]:
    """Whether a WAV or RF64 file is shorter than its header says (EBU Tech 3306 for RF64, from memory)."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:12] != b"WAVE":
            return ()
        long_size = 0
        while len(chunk := file.read(8)) == 8:
            name, length = struct.unpack("<4sI", chunk)
            if name == b"ds64":
                body = file.read(length + length % 2)
                long_size = struct.unpack_from("<Q", body, 8)[0] if len(body) >= 16 else 0
                continue
            if name == b"data":
                length = long_size if length == 0xFFFFFFFF else length
                missing = file.tell() + length - size
                if missing > 0:
                    return (
                        f"{path.name} ends early: {missing} bytes of {length} bytes of sound are missing.",
                    )
                return ()
            file.seek(length + length % 2, 1)
    return ()


def open_sound(path: Path) -> SoundReader:
    """Open a sound file.

    Raises
    ------
    MaterialError
        When it is no sound file, or holds none.

    Examples
    --------
    >>> import tempfile, soundfile
    >>> target = Path(tempfile.mkdtemp()) / "sound.wav"
    >>> soundfile.write(target, np.array([0.5, -0.25, 0.0]), 48000, subtype="PCM_24")
    >>> with open_sound(target) as sound:
    ...     sound.rate, sound.bits, sound.samples, sound.read(1, 99).tolist()
    (48000, 24, 3, [[-0.25], [0.0]])
    """
    return SoundReader(path)

"""Broadcast Wave: the captured sound's own bytes behind a version 2 `bext` chunk.

write_broadcast_wave   captured WAV or RF64, what is to be said of it -> a file with the same samples
read_extension         file -> what its `bext` chunk says
digest_sound           file -> SHA-256 of its format and of its sample bytes
wave_format            is it a WAV or RF64 whose samples can be carried over?

Source: EBU Tech 3285 v2 (2011) for the chunk, EBU Tech 3306 for RF64; layouts from memory of the standards, read
back by two independent programs in the tests. Samples are never decoded: their bytes are copied.
"""

import hashlib
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import BinaryIO

from smallgauge.errors import CallerError, MaterialError
from smallgauge.media.whole import write_whole

_FIXED = struct.Struct("<256s32s32s10s8sIIH64s5h180s")
_VERSION = 2
_NOT_KNOWN = 0x7FFF
_LARGEST = 2**32 - 1  # of a size in a RIFF file
_BLOCK = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class BroadcastExtension:
    """What a `bext` chunk says. Text is ASCII; "" and NaN are not known.

    `origination_date` is year-month-day, `origination_time` hours:minutes:seconds. `time_reference` is the
    number of the first sample on the time line. Loudness in LUFS and LU, the peak in dBTP.
    """

    description: str = ""  # at most 256 characters
    originator: str = ""  # 32
    originator_reference: str = ""  # 32
    origination_date: str = ""
    origination_time: str = ""
    time_reference: int = 0
    loudness_lufs: float = float("nan")
    loudness_range_lu: float = float("nan")
    true_peak_dbtp: float = float("nan")
    momentary_max_lufs: float = float("nan")
    short_term_max_lufs: float = float("nan")
    coding_history: str = ""


def _text(text: str, room: int) -> bytes:
    return text.encode("ascii", errors="replace")[:room]


def _hundredths(value: float) -> int:
    return max(-32768, min(32766, round(100 * value))) if isfinite(value) else _NOT_KNOWN


def _packed(said: BroadcastExtension) -> bytes:
    """The chunk's body: 602 bytes and the history. The UMID is zero: none was given."""
    if not 0 <= said.time_reference < 1 << 64:
        raise CallerError(f"A time reference is a sample number from 0, found {said.time_reference}.")
    history = said.coding_history.replace("\r\n", "\n").replace("\n", "\r\n")
    history += "\0" * (
        len(history) % 2
    )  # of even length: one reader of RF64 loses its way after an odd chunk
    return _FIXED.pack(
        _text(said.description, 256),
        _text(said.originator, 32),
        _text(said.originator_reference, 32),
        _text(said.origination_date, 10),
        _text(said.origination_time, 8),
        said.time_reference & 0xFFFFFFFF,
        said.time_reference >> 32,
        _VERSION,
        bytes(64),
        _hundredths(said.loudness_lufs),
        _hundredths(said.loudness_range_lu),
        _hundredths(said.true_peak_dbtp),
        _hundredths(said.momentary_max_lufs),
        _hundredths(said.short_term_max_lufs),
        bytes(180),
    ) + history.encode("ascii", errors="replace")


def _chunks(file: BinaryIO, path: Path) -> Iterator[tuple[bytes, int, int]]:
    """Name, place of the body and its size, of each chunk; an RF64's sizes come from its own table."""
    size = path.stat().st_size
    head = file.read(12)
    if head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:] != b"WAVE":
        raise MaterialError(
            f"{path.name} is no WAV or RF64 file, which is needed here; keep it as it is, or have the capture "
            "program write WAV."
        )
    long_size = None
    at = 12
    while at + 8 <= size:
        file.seek(at)
        name, length = struct.unpack("<4sI", file.read(8))
        if name == b"ds64":
            long_size = struct.unpack("<Q", file.read(16)[8:])[0]
        if name == b"data" and length == _LARGEST and long_size is not None:
            length = long_size
        if at + 8 + length > size:
            raise MaterialError(
                f"{path.name} ends {at + 8 + length - size} bytes early in its chunk {name!r}; copy it again."
            )
        yield name, at + 8, length
        at += 8 + length + length % 2


def _parts(file: BinaryIO, path: Path) -> dict[bytes, tuple[int, int]]:
    found: dict[bytes, tuple[int, int]] = {}
    for name, at, length in _chunks(file, path):
        found.setdefault(name, (at, length))
    missing = [name.decode() for name in (b"fmt ", b"data") if name not in found]
    if missing:
        raise MaterialError(f"{path.name} has no chunk {' and no chunk '.join(missing)}; copy it again.")
    return found


def _read(file: BinaryIO, place: tuple[int, int]) -> bytes:
    file.seek(place[0])
    return file.read(place[1])


def wave_format(path: Path) -> bool:
    """Whether a file is a whole WAV or RF64, so that its samples can be carried over."""
    try:
        with path.open("rb") as file:
            _parts(file, path)
    except MaterialError:
        return False
    return True


def write_broadcast_wave(
    source: Path, target: Path, said: BroadcastExtension, *, largest: int = _LARGEST
) -> None:
    """Write a Broadcast Wave file with the samples of another, byte for byte.

    Parameters
    ----------
    source : Path
        WAV, RF64 or BWF, whole. Its format and its sample bytes are carried over; nothing is decoded.
    target : Path
        Written through `write_whole`.
    said : BroadcastExtension
        What the `bext` chunk says. Longer text is cut, other characters than ASCII become question marks.
    largest : int
        Above this many bytes the file is RF64, which holds more than 4 GiB.

    Raises
    ------
    CallerError
        A time reference below 0.
    MaterialError
        Where the source is no whole WAV or RF64 file.

    Examples
    --------
    >>> import tempfile, numpy, soundfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> soundfile.write(folder / "a.wav", numpy.array([0.5, -0.25]), 48000, subtype="PCM_24")
    >>> write_broadcast_wave(folder / "a.wav", folder / "b.wav", BroadcastExtension(loudness_lufs=-30.25))
    >>> digest_sound(folder / "a.wav") == digest_sound(folder / "b.wav")
    True
    >>> read_extension(folder / "b.wav").loudness_lufs
    -30.25
    """
    body = _packed(said)
    with source.open("rb") as file:
        parts = _parts(file, source)
        form = _read(file, parts[b"fmt "])
        fact = _read(file, parts[b"fact"]) if b"fact" in parts else b""
        length = parts[b"data"][1]
        chunks = [(b"bext", body), (b"fmt ", form), *([(b"fact", fact)] if fact else [])]
        front = b"".join(
            name + struct.pack("<I", len(data)) + data + bytes(len(data) % 2) for name, data in chunks
        )
        # 12 bytes head, 36 of the place that is kept for the sizes of an RF64, the front, 8 of `data`.
        whole = 12 + 36 + len(front) + 8 + length + length % 2
        long = whole - 8 > largest
        sizes = struct.pack(
            "<QQQI", whole - 8, length, length // max(1, struct.unpack_from("<H", form, 12)[0]), 0
        )
        with write_whole(target, needed_bytes=whole) as part, part.open("wb") as out:
            out.write(
                (b"RF64" if long else b"RIFF") + struct.pack("<I", _LARGEST if long else whole - 8) + b"WAVE"
            )
            out.write((b"ds64" if long else b"JUNK") + struct.pack("<I", 28) + (sizes if long else bytes(28)))
            out.write(front + b"data" + struct.pack("<I", _LARGEST if long else length))
            file.seek(parts[b"data"][0])
            for block in _blocks(file, length, source):
                out.write(block)
            out.write(bytes(length % 2))


def _blocks(file: BinaryIO, length: int, path: Path) -> Iterator[bytes]:
    while length:
        block = file.read(min(_BLOCK, length))
        if not block:
            raise MaterialError(f"{path.name} ends early; copy it again.")
        length -= len(block)
        yield block


def digest_sound(path: Path) -> str:
    """SHA-256 over the format chunk and the sample bytes of a WAV, RF64 or BWF file."""
    total = hashlib.sha256()
    with path.open("rb") as file:
        parts = _parts(file, path)
        form = _read(file, parts[b"fmt "])
        total.update(struct.pack("<I", len(form)) + form)
        file.seek(parts[b"data"][0])
        for block in _blocks(file, parts[b"data"][1], path):
            total.update(block)
    return total.hexdigest()


def read_extension(path: Path) -> BroadcastExtension | None:
    """What the `bext` chunk of a file says; None where it has none. Before version 2 there is no loudness."""
    with path.open("rb") as file:
        place = _parts(file, path).get(b"bext")
        if place is None or place[1] < _FIXED.size:
            return None
        body = _read(file, place)
    said = _FIXED.unpack_from(body)

    def text(data: bytes) -> str:
        return data.split(b"\0")[0].decode("ascii", errors="replace")

    levels = [v / 100 if said[7] >= _VERSION and v != _NOT_KNOWN else float("nan") for v in said[9:14]]
    return BroadcastExtension(
        description=text(said[0]),
        originator=text(said[1]),
        originator_reference=text(said[2]),
        origination_date=text(said[3]),
        origination_time=text(said[4]),
        time_reference=said[5] | said[6] << 32,
        loudness_lufs=levels[0],
        loudness_range_lu=levels[1],
        true_peak_dbtp=levels[2],
        momentary_max_lufs=levels[3],
        short_term_max_lufs=levels[4],
        coding_history=text(body[_FIXED.size :]),
    )

"""The time code track of a MOV or MP4 file, by a reader of our own: FFmpeg wrote it, so something else reads it back.

read_time_code   path -> first time code and its rate, None where the file holds no such track
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from smallgauge.errors import MaterialError
from smallgauge.gauge.timecode import time_code_after

_LARGEST = 1 << 26  # bytes of a table that is read at once; more is no film of ours


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeCodeTrack:
    """First time code, frames a second that it counts, whether numbers are dropped, and how long it lasts in frames."""

    first: str
    rate: int
    drops: bool
    frames: int


def read_time_code(path: Path) -> TimeCodeTrack | None:
    """The first time code track of a file.

    Raises
    ------
    MaterialError
        Where the file breaks off inside its index, or counts in a way that is no time code.

    Notes
    -----
    Source: QuickTime file format, time code media (from memory, not checked); SMPTE ST 12-1 for the count.
    """
    with path.open("rb") as file:
        size = path.stat().st_size
        try:
            for track in _inside(file, 0, size, (b"moov", b"trak")):
                table = next(_inside(file, *track, (b"mdia", b"minf", b"stbl")), None)
                if table is None:
                    continue
                described = _bytes(file, *next(_inside(file, *table, (b"stsd",))))
                if described[12:16] == b"tmcd":
                    return _read(file, described, table)
        except (struct.error, StopIteration, IndexError):
            raise MaterialError(
                f"The index of {path.name} breaks off where its tracks are described; take it from another copy or make it again."
            ) from None
    return None


def _read(file: BinaryIO, described: bytes, table: tuple[int, int]) -> TimeCodeTrack:
    """The description: flags, ticks a second, ticks a frame, frames a second; the one sample: the first frame's number."""
    flags, scale, ticks, rate = struct.unpack(">IIIB", described[28:41])
    durations = _bytes(file, *next(_inside(file, *table, (b"stts",))))
    length = struct.unpack(">I", durations[12:16])[0]
    offsets = next(_inside(file, *table, (b"stco",)), None)
    form = ">I" if offsets is not None else ">Q"
    offsets = offsets or next(_inside(file, *table, (b"co64",)))
    place = struct.unpack(form, _bytes(file, *offsets)[8 : 8 + struct.calcsize(form)])[0]
    number = struct.unpack(">I", _bytes(file, place, place + 4))[0]
    if rate not in (24, 25, 30) or not ticks or scale != rate * ticks:
        raise MaterialError(
            f"{Path(file.name).name} counts its time code at {rate} frames a second of {ticks}/{scale} s; needed are 24, 25 or 30."
        )
    return TimeCodeTrack(
        first=time_code_after("00:00:00:00", number, rate=rate),
        rate=rate,
        drops=bool(flags & 1),
        frames=length // ticks,
    )


def _bytes(file: BinaryIO, first: int, stop: int) -> bytes:
    file.seek(first)
    return file.read(min(stop - first, _LARGEST))


def _inside(file: BinaryIO, first: int, stop: int, names: tuple[bytes, ...]) -> Iterator[tuple[int, int]]:
    """Places of the boxes under a path of names, each from after its head to its end."""
    at = first
    while at + 8 <= stop:
        file.seek(at)
        size, name = struct.unpack(">I4s", file.read(8))
        head = 8
        if size == 1:
            size, head = struct.unpack(">Q", file.read(8))[0], 16
        end = at + size if size else stop
        if size and size < head:
            raise IndexError
        if name == names[0]:
            if len(names) == 1:
                yield at + head, min(end, stop)
            else:
                yield from _inside(file, at + head, min(end, stop), names[1:])
        at = end

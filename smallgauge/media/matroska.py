"""The checksums that a Matroska file carries of its own parts, checked without decoding.

read_matroska_crcs    path -> MatroskaCheck

Every element of the first level that our writer makes begins with a CRC-32 of the rest (RFC 9559, 5.1;
RFC 8794, 11.3.1). A frame above 4 kB opens a cluster of its own, so this is a checksum a frame, at the
speed of the disk. The code shares nothing with the writer.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from smallgauge.errors import MaterialError
from smallgauge.media.whole import crc32_of

_EBML, _SEGMENT, _CLUSTER, _CRC, _VOID = 0x1A45DFA3, 0x18538067, 0x1F43B675, 0xBF, 0xEC
_FIRST_LEVEL = {
    0x114D9B74: "SeekHead",
    0x1549A966: "Info",
    0x1654AE6B: "Tracks",
    0x1043A770: "Chapters",
    _CLUSTER: "Cluster",
    0x1C53BB6B: "Cues",
    0x1941A469: "Attachments",
    0x1254C367: "Tags",
    _VOID: "Void",
}
_SIMPLE_BLOCK, _BLOCK_GROUP, _BLOCK = 0xA3, 0xA0, 0xA1


@dataclass(frozen=True, slots=True, kw_only=True)
class MatroskaCheck:
    """What the walk found.

    `bad` are byte offsets of elements whose checksum disagrees, or where the structure breaks. `checked` is
    how many elements carry one; `unprotected` are (name, offset) of elements that carry no checksum.
    `packets` are (track number, packets); `complete` is False when the file ends within an element.
    """

    bad: tuple[int, ...]
    checked: int
    unprotected: tuple[tuple[str, int], ...]
    packets: tuple[tuple[int, int], ...]
    complete: bool


def _number(data: bytes | memoryview, at: int, *, keep_mark: bool) -> tuple[int, int]:
    """A variable-length number (RFC 8794, 4) at `at`: value (-1: unknown), its length (0: none)."""
    if at >= len(data) or data[at] == 0:
        return 0, 0
    length = 9 - data[at].bit_length()
    if at + length > len(data):
        return 0, 0
    value = int.from_bytes(data[at : at + length], "big")
    if keep_mark:
        return value, length
    value &= (1 << (7 * length)) - 1
    return (-1 if value == (1 << (7 * length)) - 1 else value), length


def _head(file: BinaryIO, at: int) -> tuple[int, int, int]:
    """Identifier, data size and length of the head of the element at `at`; length 0 when there is none."""
    file.seek(at)
    data = file.read(12)
    name, first = _number(data, 0, keep_mark=True)
    if not 0 < first <= 4:
        return 0, 0, 0
    size, second = _number(data, first, keep_mark=False)
    return (name, size, first + second) if second else (0, 0, 0)


def _children(data: memoryview) -> Iterator[tuple[int, int, int]]:
    """Identifier, start and stop of the data of each element in `data`; stops where it makes no sense."""
    at = 0
    while at < len(data):
        name, first = _number(data, at, keep_mark=True)
        size, second = _number(data, at + first, keep_mark=False)
        start = at + first + second
        if not first or not second or size < 0 or start + size > len(data):
            return
        yield name, start, start + size
        at = start + size


def _count_packets(data: memoryview, packets: Counter[int]) -> None:
    for name, start, stop in _children(data):
        if name == _SIMPLE_BLOCK:
            packets[_number(data, start, keep_mark=False)[0]] += 1
        elif name == _BLOCK_GROUP:
            for inner, begin, _ in _children(data[start:stop]):
                if inner == _BLOCK:
                    packets[_number(data, start + begin, keep_mark=False)[0]] += 1


def read_matroska_crcs(path: Path) -> MatroskaCheck:
    """Walk the elements of a Matroska file and check every CRC-32 of the first level.

    Parameters
    ----------
    path : Path
        A Matroska file. One element is in memory at a time.

    Raises
    ------
    MaterialError
        When the file isn't Matroska at all.

    Notes
    -----
    Source: RFC 8794 (`"RFC 8794"`), RFC 9559 (`"RFC 9559"`). The EBML head itself carries no checksum.
    """
    end = path.stat().st_size
    bad: list[int] = []
    unprotected: list[tuple[str, int]] = []
    packets: Counter[int] = Counter()
    checked, room = 0, bytearray()
    with path.open("rb") as file:
        name, size, head = _head(file, 0)
        if name != _EBML or size < 0:
            raise MaterialError(
                f"{path.name} doesn't begin like a Matroska file; give the file that was written."
            )
        segment = head + size
        name, size, head = _head(file, segment)
        if name != _SEGMENT:
            raise MaterialError(f"{path.name} holds no Matroska segment; give the file that was written.")
        at = segment + head
        stop = end if size < 0 else at + size
        complete = size >= 0 and stop == end
        while at < min(stop, end):
            name, size, head = _head(file, at)
            if head == 0 or name not in _FIRST_LEVEL or size < 0 or at + head + size > end:
                bad.append(at)  # nothing after a broken head can be found
                break
            if name != _VOID:
                if size > len(room):
                    room = bytearray(size)
                data = memoryview(room)[:size]
                file.seek(at + head)
                read = file.readinto(data)
                if bytes(data[:2]) == b"\xbf\x84":
                    checked += 1
                    if read != size or crc32_of(data[6:]) != int.from_bytes(data[2:6], "little"):
                        bad.append(at)
                else:
                    unprotected.append((_FIRST_LEVEL[name], at))
                if name == _CLUSTER:
                    _count_packets(data, packets)
            at += head + size
    return MatroskaCheck(
        bad=tuple(bad),
        checked=checked,
        unprotected=tuple(unprotected),
        packets=tuple(sorted(packets.items())),
        complete=complete,
    )

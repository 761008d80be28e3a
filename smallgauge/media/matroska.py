"""The checksums that a Matroska file carries of its own parts, checked without decoding.

MatroskaWalk          its bytes as they are read       -> MatroskaCheck
read_matroska_crcs    path                             -> MatroskaCheck

Every element of the first level that our writer makes begins with a CRC-32 of the rest (RFC 9559, 5.1;
RFC 8794, 11.3.1). A frame above 4 kB opens a cluster of its own, so this is a checksum a frame, at the
speed of the disk. The code shares nothing with the writer.
"""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from smallgauge.errors import MaterialError
from smallgauge.media.packets import Packets
from smallgauge.media.whole import crc32_of, digests_file

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
_TIMESTAMP, _SIMPLE_BLOCK, _BLOCK_GROUP, _BLOCK = 0xE7, 0xA3, 0xA0, 0xA1
_KEY_FRAME, _LACING = 0x80, 0x06  # flags of a simple block
_HEAD = 12  # bytes of an identifier and of a size, at most
_SUM = 6  # of an element that holds a CRC-32
_LOOK = _HEAD + 8 + 3  # and of the track's number, the time and the flags that a block begins with


@dataclass(frozen=True, slots=True, kw_only=True)
class MatroskaCheck:
    """What the walk found.

    `bad` are byte offsets of elements whose checksum disagrees, or where the structure breaks. `checked` is
    how many elements carry one; `unprotected` are (name, offset) of elements that carry no checksum.
    `packets` are (track number, packets); a packet that lies with others in one block, or in a block whose flags don't tell
    a key frame, is counted and has no stamp. `complete` is False when the file ends within an element.
    """

    bad: tuple[int, ...]
    checked: int
    unprotected: tuple[tuple[str, int], ...]
    packets: tuple[tuple[int, Packets], ...]
    complete: bool

    def of_picture(self) -> Packets | None:
        """The packets of a film of ours, whose picture is the first track; None where not every byte of them is vouched for by a
        checksum, or not every one has its stamp."""
        found = dict(self.packets).get(1)
        whole = self.complete and not self.bad and not self.unprotected
        return found if whole and found is not None and len(found.stamps) == found.count else None


@dataclass(slots=True)
class _Track:
    """What was seen of a track's packets so far."""

    count: int = 0
    keys: int = 0
    stamps: list[int] = field(default_factory=list)


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


class MatroskaWalk:
    """Checks every CRC-32 of the first level while a file's bytes go by, from the first to the last, as past a digest.

    So one reading gives both. Nothing of the file is kept but its last few bytes.

    Parameters
    ----------
    name : str
        Of the file, for an error.
    size : int
        How many bytes are expected.

    Notes
    -----
    Source: RFC 8794 (`"RFC 8794"`), RFC 9559 (`"RFC 9559"`). The EBML head itself carries no checksum.

    Examples
    --------
    >>> walk = MatroskaWalk("a.mkv", 5)
    >>> walk.update(b"RIFF ")
    >>> walk.result()
    Traceback (most recent call last):
    smallgauge.errors.MaterialError: a.mkv doesn't begin like a Matroska file; give the file that was written.
    """

    def __init__(self, name: str, size: int) -> None:
        self._name, self._size = name, size
        self._bad: list[int] = []
        self._unprotected: list[tuple[str, int]] = []
        self._tracks: defaultdict[int, _Track] = defaultdict(_Track)
        self._time: int | None = None  # of the cluster that is walked through
        self._checked, self._complete, self._foreign = 0, False, ""
        self._before, self._data, self._came = b"", memoryview(b""), 0
        self._steps = self._walk()
        self._wanted = next(self._steps, None)  # how many bytes are to have come; None: the walk has ended

    def update(self, data: bytes | memoryview) -> None:
        """Take more bytes, which follow those before."""
        self._data = memoryview(data)
        self._came += len(self._data)
        self._go_on()
        self._before = (self._before + bytes(self._data[-_LOOK:]))[-_LOOK:]
        self._data = memoryview(b"")

    def result(self) -> MatroskaCheck:
        """What the walk found when all bytes have come; a file that gave fewer than expected is not complete.

        Raises
        ------
        MaterialError
            When the file isn't Matroska at all.
        """
        self._go_on()
        if self._foreign:
            raise MaterialError(f"{self._name} {self._foreign}; give the file that was written.")
        return MatroskaCheck(
            bad=tuple(self._bad),
            checked=self._checked,
            unprotected=tuple(self._unprotected),
            packets=tuple(
                (number, Packets(count=track.count, stamps=tuple(sorted(track.stamps)), keys=track.keys))
                for number, track in sorted(self._tracks.items())
            ),
            complete=self._complete and self._came == self._size,
        )

    def _go_on(self) -> None:
        while self._wanted is not None and min(self._wanted, self._size) <= self._came:
            self._wanted = next(self._steps, None)

    def _seen(self, at: int, length: int) -> bytes:
        """Bytes from `at` on, which lies in those that came last or among the few before them."""
        start = at - (self._came - len(self._data))
        if start >= 0:
            return bytes(self._data[start : start + length])
        return (self._before[start:] + bytes(self._data[:length]))[:length]

    def _element(self, at: int) -> tuple[int, int, int]:
        """Identifier, data size and length of the head of the element at `at`; length 0 when there is none."""
        data = self._seen(at, _HEAD)
        name, first = _number(data, 0, keep_mark=True)
        if not 0 < first <= 4:
            return 0, 0, 0
        size, second = _number(data, first, keep_mark=False)
        return (name, size, first + second) if second else (0, 0, 0)

    def _walk(self) -> Iterator[int]:
        """Element by element; gives how many bytes are to have come before it goes on."""
        yield _HEAD
        name, size, head = self._element(0)
        if name != _EBML or size < 0:
            self._foreign = "doesn't begin like a Matroska file"
            return
        segment = head + size
        yield segment + _HEAD
        name, size, head = self._element(segment)
        if name != _SEGMENT:
            self._foreign = "holds no Matroska segment"
            return
        at, end = segment + head, self._size
        stop = end if size < 0 else at + size
        self._complete = size >= 0 and stop == end
        while at < min(stop, end):
            yield at + _HEAD
            name, size, head = self._element(at)
            if head == 0 or name not in _FIRST_LEVEL or size < 0 or at + head + size > end:
                self._bad.append(at)  # nothing after a broken head can be found
                return
            if name != _VOID:
                yield from self._checked_element(name, at, head, size)
            at += head + size

    def _checked_element(self, name: int, begin: int, head: int, size: int) -> Iterator[int]:
        """One element of the first level: its checksum, and the packets of a cluster."""
        at, stop = begin + head, begin + head + size
        child, self._time = at if name == _CLUSTER else stop, None
        yield min(at + _SUM, stop)
        data = self._seen(at, min(_SUM, size))
        told, found = data[:2] == b"\xbf\x84", 0
        if told:
            self._checked += 1
            self._bad.append(begin)  # until all of it has come and agrees
            at += len(data)
        else:
            self._unprotected.append((_FIRST_LEVEL[name], begin))
        while at < stop:
            yield at + 1
            start = at - (self._came - len(self._data))
            piece = (
                self._seen(at, min(-start, stop - at)) if start < 0 else self._data[start : start + stop - at]
            )
            if told:
                found = crc32_of(piece, found)
            at += len(piece)
            child = self._count_packets(child, stop)
        if told and len(data) == _SUM and found == int.from_bytes(data[2:], "little"):
            self._bad.pop()

    def _count_packets(self, at: int, stop: int) -> int:
        """Count the blocks of a cluster that have come, from its element at `at` on; where to go on."""
        while at < stop and (at + _LOOK <= self._came or stop <= self._came):
            name, size, head = self._element(at)
            if not head or size < 0 or at + head + size > stop:
                return stop  # it makes no sense from here on
            if name == _TIMESTAMP:
                self._time = int.from_bytes(self._seen(at + head, min(size, 8)), "big")
            elif name in (_SIMPLE_BLOCK, _BLOCK):
                self._count_packet(self._seen(at + head, 11), plain=name == _SIMPLE_BLOCK)
            at += (
                head if name == _BLOCK_GROUP else head + size
            )  # a group's elements are looked at like the cluster's
        return at

    def _count_packet(self, block: bytes, *, plain: bool) -> None:
        """One block by its first bytes: its track's number, its time after the cluster's, its flags (RFC 9559, 10.1 and 10.2)."""
        number, length = _number(block, 0, keep_mark=False)
        track = self._tracks[number]
        track.count += 1
        if not plain or self._time is None or len(block) < length + 3 or block[length + 2] & _LACING:
            return
        track.stamps.append(self._time + int.from_bytes(block[length : length + 2], "big", signed=True))
        track.keys += bool(block[length + 2] & _KEY_FRAME)


def read_matroska_crcs(path: Path) -> MatroskaCheck:
    """Walk the elements of a Matroska file and check every CRC-32 of the first level.

    Parameters
    ----------
    path : Path
        A Matroska file.

    Raises
    ------
    MaterialError
        When the file isn't Matroska at all.

    Notes
    -----
    Source: RFC 8794 (`"RFC 8794"`), RFC 9559 (`"RFC 9559"`).
    """
    walk = MatroskaWalk(path.name, path.stat().st_size)
    digests_file(path, (), watch=walk.update)
    return walk.result()

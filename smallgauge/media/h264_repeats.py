"""Repeats of coded H.264 pictures: a copy at a constant, higher rate from the packets of one at the film's own.

repeat_settings   coder settings (avcC) -> the same with room for repeats
RepeatWriter      packets in order of decoding, and how often each picture is shown -> packets with repeats

No picture is decoded or coded. Each shown picture gets a place of its own in the order of showing (its picture
order count). A picture that others may refer to is repeated by a new picture that says "as that one, everywhere":
a few bytes. A picture to which none refers is repeated by its own packet once more. Either decodes to exactly the
same picture (the tests compare every sample).

That holds because the pictures do not depend on their places in time: the encoder is told not to weigh two
references by their distance (`weightb=0`) and to predict directly in space, both in `create_viewing`.

Words of the code are those of ITU-T H.264 (`"ITU-T H.264"`), clauses 7.3 and 7.4; from memory of the standard,
and held by decoding in the tests.
"""

import re
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate

from smallgauge.errors import CallerError, MaterialError

ORDER_BITS = 16  # of the picture order count as written: the most that the standard has
_REPEAT_SET = 1  # number of the picture parameter set that repeats use
# Most macroblocks a second of each level, ITU-T H.264 table A-1 (from memory of standard, not seen).
_LEVELS = {
    10: 1485, 11: 3000, 12: 6000, 13: 11880, 20: 11880, 21: 19800, 22: 20250, 30: 40500, 31: 108000, 32: 216000,
    40: 245760, 41: 245760, 42: 522240, 50: 589824, 51: 983040, 52: 2073600,
}  # fmt: skip


class _Bits:
    """Bits of a unit without its escape bytes, read from the front."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def take(self, count: int) -> int:
        """The next bits as a number."""
        if self.at + count > 8 * len(self.data):
            raise MaterialError("A coded picture ends inside its header; make the viewing copy again.")
        first, stop = self.at // 8, (self.at + count + 7) // 8
        whole = int.from_bytes(self.data[first:stop], "big")
        self.at += count
        return whole >> (8 * stop - self.at) & ((1 << count) - 1)

    def unsigned(self) -> int:
        """The next Exp-Golomb number."""
        zeros = 0
        while not self.take(1):
            zeros += 1
        return (1 << zeros) - 1 + (self.take(zeros) if zeros else 0)

    def signed(self) -> int:
        """The next signed Exp-Golomb number."""
        code = self.unsigned()
        return (code + 1) // 2 if code & 1 else -(code // 2)

    def between(self, first: int, stop: int) -> str:
        """Bits `first` to before `stop` as text."""
        here, self.at = self.at, first
        text = "".join(str(self.take(1)) for _ in range(stop - first))
        self.at = here
        return text


def _golomb(value: int) -> str:
    code = bin(value + 1)[2:]
    return "0" * (len(code) - 1) + code


def _packed(bits: str, fill: str = "0") -> bytes:
    """Bits as bytes, the last one filled up."""
    bits += fill * (-len(bits) % 8)
    return int(bits, 2).to_bytes(len(bits) // 8, "big")


def _closed(bits: str) -> bytes:
    """Bits with the stop bit and zeros behind them."""
    return _packed(bits + "1")


def _unescape(data: bytes) -> bytes:
    return data.replace(b"\0\0\3", b"\0\0")


def _escape(data: bytes) -> bytes:
    return re.sub(rb"\0\0(?=[\0-\3])", b"\0\0\3", data)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sets:
    """What the parameter sets of a film say that its slice headers depend on."""

    frame_bits: int  # of a frame number
    order_bits: int  # of a picture order count, as coded
    order_at: int  # where its width stands in the sequence set, bits
    macroblocks: int
    references: tuple[int, int]  # in either list, where a slice says nothing
    weighted: bool
    deblocking_said: bool


def _cannot(what: str) -> CallerError:
    return CallerError(f"Repeats are made of the pictures that create_viewing writes, and these {what}.")


def _settings_parts(settings: bytes) -> tuple[bytes, bytes, bytes]:
    """Sequence set, picture set, and what follows them (ISO/IEC 14496-15, from memory)."""
    if len(settings) < 9 or settings[4] & 3 != 3 or settings[5] & 31 != 1:
        raise _cannot("carry other coder settings")
    stop = 8 + int.from_bytes(settings[6:8], "big")
    begin = stop + 3
    if settings[stop] != 1:
        raise _cannot("have more than one picture parameter set")
    end = begin + int.from_bytes(settings[stop + 1 : begin], "big")
    return settings[8:stop], settings[begin:end], settings[end:]


def _read_sets(settings: bytes) -> _Sets:
    sequence, picture, _ = _settings_parts(settings)
    bits = _Bits(_unescape(sequence))
    bits.take(8)
    high = bits.take(8) in (100, 110, 122, 244)
    bits.take(16)
    bits.unsigned()
    if high:
        if bits.unsigned() != 1:
            raise _cannot("are not 4:2:0")
        bits.unsigned()
        bits.unsigned()
        if bits.take(2):
            raise _cannot("are coded without loss or with scaling lists")
    frame_bits = bits.unsigned() + 4
    if bits.unsigned() != 0:
        raise _cannot("carry no picture order count")
    order_at = bits.at
    order_bits = bits.unsigned() + 4
    bits.unsigned()
    bits.take(1)
    macroblocks = (bits.unsigned() + 1) * (bits.unsigned() + 1)
    if not bits.take(1):
        raise _cannot("are fields")
    bits = _Bits(_unescape(picture))
    bits.take(8)
    if bits.unsigned() != 0 or bits.unsigned() != 0 or not bits.take(1) or bits.take(1) or bits.unsigned():
        raise _cannot("are coded in another way")
    references = (bits.unsigned() + 1, bits.unsigned() + 1)
    weighted = bool(bits.take(1))
    if bits.take(2):
        raise _cannot("weigh two references by their distance in time")
    for _ in range(3):
        bits.signed()
    deblocking_said = bool(bits.take(1))
    if bits.take(2) & 1:
        raise _cannot("hold redundant slices")
    return _Sets(
        frame_bits=frame_bits,
        order_bits=order_bits,
        order_at=order_at,
        macroblocks=macroblocks,
        references=references,
        weighted=weighted,
        deblocking_said=deblocking_said,
    )


def repeat_settings(settings: bytes, *, rate: Fraction) -> bytes:
    """Coder settings with room for repeats: a wider picture order count, a second picture set, the level of the rate.

    Parameters
    ----------
    settings : bytes
        Of the coded pictures, as MP4 holds them.
    rate : Fraction
        Frames a second with the repeats.

    Raises
    ------
    CallerError
        Where the pictures were not written by `create_viewing`.
    """
    sets = _read_sets(settings)
    sequence, picture, rest = _settings_parts(settings)
    plain = bytearray(_unescape(sequence))
    needed = sets.macroblocks * rate
    if needed > _LEVELS.get(plain[3], 0):
        plain[3] = min((level for level, most in _LEVELS.items() if most >= needed), default=plain[3])
    bits = _Bits(bytes(plain))
    bits.at = sets.order_at
    bits.unsigned()
    last = plain[-1]
    stop = 8 * len(plain) - (last & -last).bit_length()  # the stop bit
    text = bits.between(0, sets.order_at) + _golomb(ORDER_BITS - 4) + bits.between(bits.at, stop)
    wide = _escape(_closed(text))
    # Set 1: no arithmetic coding, one reference, no weights, deblocking said in the slice.
    own = _golomb(_REPEAT_SET) + _golomb(0) + "00" + _golomb(0) + _golomb(0) + _golomb(0) + "000"
    own += _golomb(0) * 3 + "100"
    second = b"\x68" + _escape(_closed(own))
    head = settings[:1] + wide[1:4] + settings[4:6]
    sized = [len(part).to_bytes(2, "big") + part for part in (wide, picture, second)]
    return head + sized[0] + b"\x02" + sized[1] + sized[2] + rest


class RepeatWriter:
    """Packets of one film, in order of decoding, with their places in another and the repeats between them."""

    def __init__(self, settings: bytes, pictures: Sequence[tuple[int, bool]], times: Sequence[int]) -> None:
        """`pictures`: number in the order of showing and whether others may refer to it, in the order of decoding.

        `times`: how often each picture is shown, by its number in the order of showing; 1 or more.
        """
        if len(times) != len(pictures) or min(times, default=0) < 1:
            raise CallerError(
                "Every coded picture is shown once at least, or it would have to be coded anew."
            )
        self._sets = _read_sets(settings)
        self._pictures, self._times = pictures, times
        self._slots = list(accumulate(times, initial=0))
        self._begins = 0  # slot of the last picture that refers to nothing
        self._last_frame = 0  # frame number of the last picture to which others may refer

    def order(self) -> list[int]:
        """Places in the order of showing of everything that `write` gives, in its order."""
        out: list[int] = []
        waiting: list[int] = []
        for shown, refers in self._pictures:
            out += self._due(waiting, shown)
            first, count = self._slots[shown], self._times[shown]
            out += range(first, first + (1 if refers else count))
            if refers and count > 1:
                waiting.append(shown)
        return out + self._due(waiting, len(self._times))

    def _due(self, waiting: list[int], shown: int) -> list[int]:
        """Repeats that come before the picture `shown`, taken out of those that wait."""
        due = sorted(each for each in waiting if each < shown)
        waiting[:] = [each for each in waiting if each >= shown]
        return [slot for each in due for slot in range(self._slots[each] + 1, self._slots[each + 1])]

    def write(self, packets: Iterable[bytes]) -> Iterator[tuple[int, bytes, bool]]:
        """Place, packet, and whether decoding can begin there; the packets come in the order of decoding."""
        waiting: list[int] = []
        frames: dict[int, int] = {}  # picture -> its frame number
        for (shown, refers), packet in zip(self._pictures, packets, strict=True):
            yield from self._repeats(self._due(waiting, shown), frames)
            units = list(_units(packet))
            begins = any(unit[0] & 31 == 5 for unit in units)
            if begins:
                self._begins = self._slots[shown]
            first, count = self._slots[shown], self._times[shown]
            for slot in range(first, first + (1 if refers else count)):
                placed = [self._placed(unit, slot) if unit[0] & 31 in (1, 5) else unit for unit in units]
                yield slot, _packet(placed), begins
            if refers:
                self._last_frame = frames[shown] = self._frame_of(units)
                if count > 1:
                    waiting.append(shown)
        yield from self._repeats(self._due(waiting, len(self._times)), frames)

    def _repeats(self, slots: list[int], frames: dict[int, int]) -> Iterator[tuple[int, bytes, bool]]:
        for slot in slots:
            picture = bisect_right(self._slots, slot) - 1
            yield slot, _packet([self._repeat(slot, frames[picture])]), False

    def _order_code(self, slot: int) -> str:
        return format(2 * (slot - self._begins) % (1 << ORDER_BITS), f"0{ORDER_BITS}b")

    def _repeat(self, slot: int, refers_to: int) -> bytes:
        """A picture to which none refers and that is, everywhere, the one with that frame number."""
        most = 1 << self._sets.frame_bits
        own = (self._last_frame + 1) % most
        header = _golomb(0) + _golomb(5) + _golomb(_REPEAT_SET) + format(own, f"0{self._sets.frame_bits}b")
        header += self._order_code(slot) + "0"  # as many references as the set says: one
        header += "1" + _golomb(0) + _golomb((own - refers_to) % most - 1) + _golomb(3)  # and it is that one
        header += _golomb(0) + _golomb(1)  # no other quality, no deblocking
        return b"\x01" + _escape(_closed(header + _golomb(self._sets.macroblocks)))  # all macroblocks skipped

    def _frame_of(self, units: list[bytes]) -> int:
        slices = [unit for unit in units if unit[0] & 31 in (1, 5)]
        bits = _Bits(_unescape(slices[0][:64]))
        bits.take(8)
        for _ in range(3):
            bits.unsigned()
        return bits.take(self._sets.frame_bits)

    def _placed(self, unit: bytes, slot: int) -> bytes:
        """A slice with another picture order count; its coded macroblocks are copied."""
        plain = _unescape(unit)
        bits = _Bits(plain)
        first, stop, end = self._header(bits)
        text = bits.between(0, first) + self._order_code(slot) + bits.between(stop, end)
        return _escape(_packed(text, "1") + plain[-(-end // 8) :])

    def _header(self, bits: _Bits) -> tuple[int, int, int]:
        """Where the order count of a slice begins and ends, and where its header ends (clause 7.3.3)."""
        sets = self._sets
        unit = bits.take(8)
        bits.unsigned()
        kind = bits.unsigned() % 5
        if bits.unsigned() != 0 or kind > 2:
            raise _cannot("are coded in another way")
        bits.take(sets.frame_bits)
        if unit & 31 == 5:
            bits.unsigned()
        first = bits.at
        bits.take(sets.order_bits)
        stop = bits.at
        if kind == 1 and not bits.take(1):
            raise _cannot("are predicted directly in time")
        lists = (1, 2, 0)[kind]
        counts = list(sets.references)
        if lists and bits.take(1):
            for number in range(lists):
                counts[number] = bits.unsigned() + 1
        for _ in range(lists):
            if bits.take(1):
                while bits.unsigned() != 3:
                    bits.unsigned()
        if kind == 0 and sets.weighted:
            self._weights(bits, counts[0])
        if unit & 0x60:
            self._marking(bits, begins=unit & 31 == 5)
        if kind != 2:
            bits.unsigned()
        bits.signed()
        if sets.deblocking_said and bits.unsigned() != 1:
            bits.signed()
            bits.signed()
        return first, stop, bits.at

    @staticmethod
    def _weights(bits: _Bits, references: int) -> None:
        bits.unsigned()
        bits.unsigned()
        for _ in range(references):
            for numbers in (2, 4):
                if bits.take(1):
                    for _ in range(numbers):
                        bits.signed()

    @staticmethod
    def _marking(bits: _Bits, *, begins: bool) -> None:
        if begins:
            bits.take(2)
        elif bits.take(1):
            while operation := bits.unsigned():
                for _ in range({3: 2, 5: 0}.get(operation, 1)):
                    bits.unsigned()


def _units(packet: bytes) -> Iterator[bytes]:
    """Units of a packet, each behind its length in four bytes."""
    at = 0
    while at < len(packet):
        stop = at + 4 + int.from_bytes(packet[at : at + 4], "big")
        if not at + 4 < stop <= len(packet):
            raise MaterialError("A coded picture is cut short; make the viewing copy again.")
        yield packet[at + 4 : stop]
        at = stop


def _packet(units: Iterable[bytes]) -> bytes:
    return b"".join(len(unit).to_bytes(4, "big") + unit for unit in units)


def is_reference(packet: bytes) -> bool:
    """Whether other pictures may refer to that of the packet."""
    return any(unit[0] & 0x60 for unit in _units(packet) if unit[0] & 31 in (1, 5))

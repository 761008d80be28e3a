"""A WAV file that is still being written: samples as far as they have come.

GrowingSound    looks at the file again and again; never writes there

While a recorder writes, the sizes in the header are often 0, or the largest that fits, and are put right when the
file is closed. So they are not believed: the sound goes as far as the file does. A stated size is believed when it
lies within the file, as when something follows the samples.
"""

import struct
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_MOST_HEAD = 1 << 16  # bytes in which the samples must begin


class GrowingSound:
    """A sound file that grows; `samples` of one channel have come so far, `why` says why it can't be read.

    `rate` is samples a second, `last_growth` when it last grew, by the clock that `look` is given.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.rate = self.channels = self.samples = 0
        self.full_scale = 1.0
        self.why = "the file is not there"
        self.last_growth: float | None = None
        self._start = self._stated = self._width = 0
        self._float = False
        self._size = -1

    def look(self, now: float) -> None:
        """See how far the file has come."""
        try:
            size = self.path.stat().st_size
        except OSError:
            self.why, self._size = "the file is not there", -1
            return
        if size == self._size:
            return
        if size > self._size:
            self.last_growth = now
        self._size = size
        self.why = self._read_head()
        if not self.why:
            data = size - self._start
            if 0 < self._stated <= data:
                data = self._stated
            self.samples = max(0, data) // (self._width * self.channels)

    def _read_head(self) -> str:
        """Form and place of the samples (RIFF and RF64 chunks; EBU Tech 3306 for RF64, from memory)."""
        with self.path.open("rb") as file:
            head = file.read(_MOST_HEAD)
        if len(head) < 12:
            return "it has hardly begun"
        if head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:12] != b"WAVE":
            return "it is no WAV file, and other kinds can be read only when they are closed"
        at, long_size, form = 12, 0, b""
        while at + 8 <= len(head):
            name, length = struct.unpack_from("<4sI", head, at)
            body = head[at + 8 : at + 8 + length]
            if name == b"data":
                self._start = at + 8
                self._stated = long_size if length == 0xFFFFFFFF else length
                return self._read_form(form)
            if name == b"ds64" and len(body) >= 16:
                (long_size,) = struct.unpack_from("<Q", body, 8)
            if name == b"fmt ":
                form = body
            at += 8 + length + length % 2
        return "its samples have not begun"

    def _read_form(self, form: bytes) -> str:
        if len(form) < 16:
            return "it does not say how its samples are written"
        kind, channels, rate, _, _, bits = struct.unpack_from("<HHIIHH", form)
        if kind == _EXTENSIBLE and len(form) >= 26:
            (kind,) = struct.unpack_from("<H", form, 24)
        known = (kind == _PCM and bits in (16, 24, 32)) or (kind == _FLOAT and bits in (32, 64))
        if not known or not channels or not rate:
            return f"its samples are of a kind that is not read while it grows (kind {kind}, {bits} bits)"
        self.rate, self.channels, self._width, self._float = rate, channels, bits // 8, kind == _FLOAT
        self.full_scale = 1.0 if self._float else 1.0 - 2.0 ** (1 - bits)
        return ""

    def read(self, first: int, stop: int) -> NDArray[np.float64]:
        """Samples `first` to before `stop`, (samples, channels), full scale 1; cut to what has come."""
        first, stop = max(0, first), min(stop, self.samples)
        frame = self._width * self.channels
        with self.path.open("rb") as file:
            file.seek(self._start + first * frame)
            raw = file.read(max(0, stop - first) * frame)
        raw = raw[: len(raw) // frame * frame]
        if self._float:
            values = np.frombuffer(raw, f"<f{self._width}").astype(np.float64)
        elif self._width == 3:
            bytes_ = np.frombuffer(raw, np.uint8).reshape(-1, 3)
            raised = np.zeros((len(bytes_), 4), np.uint8)
            raised[:, 1:] = bytes_
            values = raised.reshape(-1).view("<i4") / 2.0**31
        else:
            values = np.frombuffer(raw, f"<i{self._width}") / 2.0 ** (8 * self._width - 1)
        return values.reshape(-1, self.channels)

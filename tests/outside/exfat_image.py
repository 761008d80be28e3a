"""An exFAT image filled without a mount: files and folders written into what `mkfs.exfat` made.

Source: Microsoft, exFAT file system specification, revision 1.00 (boot sector 3.1, directory entries 6 and 7, checksums of
entry sets 6.3.3, hashes of names 7.6.4, allocation bitmap 7.1, up-case table 7.2). Everything lies in one run of clusters
(NoFatChain, 6.3.4.2). The image is checked by `fsck.exfat` and read by another program: nothing here reads it back.
"""

import math
import os
import struct
from pathlib import Path

ENTRY = 32
FORBIDDEN = {*map(chr, range(0x20)), *'"*/:<>?\\|'}  # table 35 of the specification
LONGEST = 255  # UTF-16 units of a name
WHEN = (1980 - 1980) << 25 | 1 << 21 | 1 << 16  # the first moment that a time stamp can hold
_BLOCK = 1 << 22


class ExfatImage:
    """An image that `mkfs.exfat` has made; `add_tree` puts a folder's contents into its root, once."""

    def __init__(self, path: Path) -> None:
        self.file = path.open("r+b")
        boot = self._read(0, 512)
        if boot[3:11] != b"EXFAT   ":
            raise ValueError("not an exFAT volume")
        self.sector = 1 << boot[108]
        self.cluster = self.sector << boot[109]
        heap, self.clusters, self.root = struct.unpack_from("<III", boot, 88)
        self.heap = heap * self.sector
        self.bitmap_at, self.up_case, self.used_in_root = 0, {}, 0
        self._read_root()
        bits = self._read(self.bitmap_at, (self.clusters + 7) // 8)
        self.bitmap = bytearray(bits)

    def close(self) -> None:
        """Write the bitmap and let go of the image."""
        self._write(self.bitmap_at, bytes(self.bitmap))
        self.file.flush()
        os.fsync(self.file.fileno())
        self.file.close()

    def add_tree(self, folder: Path) -> None:
        """Everything below a folder into the root."""
        entries = self._entries_of(folder)
        if self.used_in_root + len(entries) > self.cluster:
            raise ValueError("the root's first cluster is too small for so many names")
        self._write(self._place(self.root) + self.used_in_root, entries)
        self.used_in_root += len(entries)

    def _entries_of(self, folder: Path) -> bytes:
        out, taken = b"", set()
        for path in sorted(folder.iterdir()):
            upper = self._upper(path.name)
            if upper in taken:
                raise ValueError(f"two names that differ in capitals only: {path.name}")
            taken.add(upper)
            if path.is_dir():
                inside = self._entries_of(path)
                size = max(1, math.ceil(len(inside) / self.cluster)) * self.cluster
                first = self._allocate(size)
                self._write(self._place(first), inside.ljust(size, b"\0"))
                out += self._entry_set(path.name, upper, first, size, folder=True)
            else:
                size = path.stat().st_size
                first = self._allocate(size) if size else 0
                if size:
                    self._write_file(path, self._place(first))
                out += self._entry_set(path.name, upper, first, size, folder=False)
        return out

    def _entry_set(self, name: str, upper: bytes, first: int, size: int, *, folder: bool) -> bytes:
        coded = name.encode("utf-16-le")
        length = len(coded) // 2
        if not 0 < length <= LONGEST or FORBIDDEN & set(name):
            raise ValueError(f"exFAT takes no such name: {name!r}")
        parts = [coded[n : n + 30].ljust(30, b"\0") for n in range(0, len(coded), 30)]
        head = struct.pack(
            "<BBHHHIIIBBBBB7x",
            *(0x85, 1 + len(parts), 0, 0x10 if folder else 0x20, 0),
            *(WHEN, WHEN, WHEN, 0, 0, 0x80, 0x80, 0x80),
        )
        flags = 0x03 if size else 0x01  # allocation possible; no FAT chain
        stream = struct.pack("<BBBBHHQIIQ", 0xC0, flags, 0, length, check_sum(upper), 0, size, 0, first, size)
        entries = head + stream + b"".join(b"\xc1\0" + part for part in parts)
        return entries[:2] + struct.pack("<H", check_sum(entries, skip=(2, 3))) + entries[4:]

    def _upper(self, name: str) -> bytes:
        units = struct.unpack(f"<{len(name.encode('utf-16-le')) // 2}H", name.encode("utf-16-le"))
        return struct.pack(f"<{len(units)}H", *(self.up_case.get(unit, unit) for unit in units))

    def _read_root(self) -> None:
        entries = self._read(self._place(self.root), self.cluster)
        for at in range(0, self.cluster, ENTRY):
            kind = entries[at]
            if kind == 0:
                self.used_in_root = at
                return
            first, size = struct.unpack_from("<IQ", entries, at + 20)
            if kind == 0x81:
                self.bitmap_at = self._place(first)
            elif kind == 0x82:
                self._read_up_case(self._read(self._place(first), size))
        raise ValueError("the root has no end")

    def _read_up_case(self, table: bytes) -> None:
        """The volume's own up-case table; 0xFFFF and a count stand for so many characters that stay as they are."""
        units, character, skip = struct.unpack(f"<{len(table) // 2}H", table), 0, False
        for unit in units:
            if skip:
                character, skip = character + unit, False
            elif unit == 0xFFFF and character < 0xFFFF:
                skip = True
            else:
                self.up_case[character] = unit
                character += 1

    def _allocate(self, size: int) -> int:
        """A run of free clusters for so many bytes; its first one."""
        need, run = math.ceil(size / self.cluster), 0
        for n in range(self.clusters):
            run = 0 if self.bitmap[n >> 3] >> (n & 7) & 1 else run + 1
            if run == need:
                first = n - need + 1
                for each in range(first, n + 1):
                    self.bitmap[each >> 3] |= 1 << (each & 7)
                return first + 2  # clusters count from 2
        raise ValueError("the volume is full")

    def _place(self, cluster: int) -> int:
        return self.heap + (cluster - 2) * self.cluster

    def _read(self, at: int, size: int) -> bytes:
        self.file.seek(at)
        return self.file.read(size)

    def _write(self, at: int, data: bytes) -> None:
        self.file.seek(at)
        self.file.write(data)

    def _write_file(self, path: Path, at: int) -> None:
        """A file's bytes; zeros are left out, for a fresh image holds nothing else there."""
        with path.open("rb") as source:
            while block := source.read(_BLOCK):
                if block.count(0) != len(block):
                    self._write(at, block)
                at += len(block)


def check_sum(data: bytes, *, skip: tuple[int, ...] = ()) -> int:
    """The 16-bit sum of an entry set (skipping its own place) and of an up-cased name: figures 2 and 4."""
    total = 0
    for place, byte in enumerate(data):
        if place not in skip:
            total = ((total & 1) << 15) + (total >> 1) + byte & 0xFFFF
    return total

"""The proxy pack: a small picture of every captured frame, read by its number, for looking through a reel at the bench.

write_pack   captured frames, one after the other -> a pack
join_packs   packs of stretches -> the pack of the reel
open_pack    a pack -> PackReader, which gives the picture of frame n

A pack is two files: `NAME.pack` holds the JPEGs end to end, `NAME.idx` one line of JSON (`PackHead`) and, as little-endian
uint64, where each picture begins and where the last ends. It shows the whole capture, perforations too, reduced by a whole
factor: a *rough look*. It is a cache: made again from the frames at any time, never part of the archive.

Reading by number can't be wrong by a frame and needs no video codec: docs/decisions/0170.
"""

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError, MaterialError
from smallgauge.media.frame import Samples
from smallgauge.media.whole import write_whole, write_whole_bytes

LARGEST = (640, 480)  # px; common practice, no source
QUALITY = 75
DISPLAY_EXPONENT = 2.4  # as in the finished picture: docs/conventions.md
VERSION = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class PackHead:
    """What a pack holds: `count` pictures of `width` x `height`, each a capture's frame reduced by `factor`.

    `first` is the number of the first one in the reel, `capture` the digest of the capture ("" while it is not known yet),
    `size` the bytes of the file of pictures.
    """

    first: int
    count: int
    capture: str
    factor: int
    width: int
    height: int
    quality: int = QUALITY
    size: int = 0
    version: int = VERSION


def pack_files(folder: Path, name: str = "frames") -> tuple[Path, Path]:
    """The two files of a pack in a folder: pictures and index."""
    return folder / f"{name}.pack", folder / f"{name}.idx"


def pack_factor(width: int, height: int) -> int:
    """By which whole number a picture is reduced: the least that brings it to 640 x 480 or below.

    Examples
    --------
    >>> pack_factor(2048, 1536), pack_factor(1280, 960), pack_factor(320, 240)
    (4, 2, 1)
    """
    return max(1, -(-width // LARGEST[0]), -(-height // LARGEST[1]))


def pack_head(width: int, height: int, *, first: int = 0, count: int = 0) -> PackHead:
    """Head of a pack of a capture of this size.

    Examples
    --------
    >>> pack_head(2048, 1536).width, pack_head(2048, 1536).height
    (512, 384)
    """
    factor = pack_factor(width, height)
    return PackHead(
        first=first, count=count, capture="", factor=factor, width=width // factor, height=height // factor
    )


def display_table(light: NDArray[np.float32] | None) -> NDArray[np.uint8] | None:
    """Display code in 8 bits of each code value, from its light; None for floating point, which is light as it is.

    Examples
    --------
    >>> display_table(np.array([0.0, 0.5, 1.0, 1.4], np.float32)).tolist()
    [0, 191, 255, 255]
    """
    return None if light is None else _display(light)


def _display(light: NDArray[np.float32]) -> NDArray[np.uint8]:
    known = np.nan_to_num(np.clip(light, 0.0, 1.0), nan=0.0)
    return (255.0 * known ** (1 / DISPLAY_EXPONENT) + 0.5).astype(np.uint8)


def reduce_samples(samples: Samples, factor: int) -> Any:
    """A picture reduced by a whole factor: each pixel is the mean of `factor` x `factor`; what is left over is cut off.

    Examples
    --------
    >>> reduce_samples(np.array([[0, 4, 9], [4, 8, 9]], np.uint16), 2).tolist()
    [[4]]
    """
    if factor == 1:
        return samples
    height, width = samples.shape[0] // factor, samples.shape[1] // factor
    if samples.dtype != np.float32 and factor <= 16:
        from smallgauge.media.kernels_planes import reduce_codes

        channels = 1 if samples.ndim == 2 else samples.shape[2]
        small = np.empty((height, width * channels), samples.dtype)
        reduce_codes(np.ascontiguousarray(samples).reshape(len(samples), -1), channels, factor, small)
        return small.reshape(height, width, *samples.shape[2:])
    import cv2

    whole = np.ascontiguousarray(samples[: height * factor, : width * factor])
    return cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)


def encode_look(samples: Any, display: NDArray[np.uint8] | None, *, quality: int = QUALITY) -> bytes:
    """A picture of code values, already reduced, as JPEG by the display table, colour at half resolution.

    Source: ITU-T T.81, JPEG (`"ITU-T T.81"`).
    """
    import cv2
    import imagecodecs

    if display is None:
        shown = _display(np.asarray(samples, np.float32))
    else:
        codes = 256 if samples.dtype == np.uint8 else 65536
        shown = cv2.LUT(samples, np.pad(display, (0, max(0, codes - display.size)), mode="edge")[:codes])
    chroma = "420" if shown.ndim == 3 else None
    return bytes(imagecodecs.jpeg8_encode(np.ascontiguousarray(shown), level=quality, subsampling=chroma))


class PackWriter:
    """Adds pictures to an open pack."""

    def __init__(self, head: PackHead, display: NDArray[np.uint8] | None, file: Any) -> None:
        self.head, self.display, self.file = head, display, file
        self.offsets = [0]

    def add(self, samples: Samples | None) -> None:
        """Add one captured frame; None, for one that could not be read, is black."""
        if samples is None:
            black = np.zeros((self.head.height, self.head.width), np.uint8)
            self.add_picture(encode_look(black, np.arange(256, dtype=np.uint8), quality=self.head.quality))
        else:
            small = reduce_samples(samples, self.head.factor)
            self.add_picture(encode_look(small, self.display, quality=self.head.quality))

    def add_picture(self, data: bytes) -> None:
        """Add a picture that is a JPEG already."""
        self.file.write(data)
        self.offsets.append(self.offsets[-1] + len(data))


@contextmanager
def write_pack(
    folder: Path, name: str, head: PackHead, display: NDArray[np.uint8] | None = None
) -> Iterator[PackWriter]:
    """Open a pack for writing; its index is written last, so that an index always names a whole pack.

    Raises
    ------
    CallerError
        When another number of pictures was added than the head says.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> head = pack_head(8, 6, count=2)
    >>> with write_pack(folder, "frames", head, display_table(np.linspace(0, 1, 256, dtype=np.float32))) as pack:
    ...     pack.add(np.full((6, 8, 3), 200, np.uint8))
    ...     pack.add(None)
    >>> open_pack(folder).jpeg(1)[:2]
    b'\\xff\\xd8'
    """
    pack, index = pack_files(folder, name)
    index.unlink(missing_ok=True)
    with write_whole(pack) as part, part.open("wb") as file:
        writer = PackWriter(head, display, file)
        yield writer
        added = len(writer.offsets) - 1
        if added != head.count:
            raise CallerError(
                f"A pack of {head.count} pictures was begun and {added} were added; make it again."
            )
    said = json.dumps(asdict(replace(head, size=writer.offsets[-1])))
    write_whole_bytes(index, f"{said}\n".encode() + np.array(writer.offsets, "<u8").tobytes())


def join_packs(folder: Path, names: Sequence[str], *, count: int, capture: str, name: str = "frames") -> bool:
    """Join packs of stretches, in their order, into one of `count` pictures and take them away.

    False, and nothing made, where one is missing or they don't follow one another.

    Examples
    --------
    >>> import tempfile
    >>> join_packs(Path(tempfile.mkdtemp()), ["chunk-000000"], count=100, capture="")
    False
    """
    try:
        parts = [open_pack(folder, each) for each in names]
    except MaterialError:
        return False
    heads = [part.head for part in parts]
    alike = {(head.factor, head.width, head.height, head.quality) for head in heads}
    follows = all(one.first + one.count == other.first for one, other in pairwise(heads))
    if len(alike) != 1 or not follows or (heads[0].first, heads[-1].first + heads[-1].count) != (0, count):
        return False
    with write_pack(folder, name, replace(heads[0], count=count, capture=capture)) as writer:
        for part in parts:
            for number in range(part.head.first, part.head.first + part.head.count):
                writer.add_picture(part.jpeg(number))
    for each in names:
        for file in pack_files(folder, each):
            file.unlink(missing_ok=True)
    return True


class PackReader:
    """The pictures of a pack by the number of their frame.

    The file is opened for each reading, so that any number of threads may read. A pack that was made anew meanwhile is
    refused: open it again.
    """

    def __init__(
        self, path: Path, head: PackHead, offsets: NDArray[np.uint64], made: tuple[int, int]
    ) -> None:
        self.path, self.head, self.offsets, self._made = path, head, offsets, made

    def jpeg(self, number: int) -> bytes:
        """The picture of frame `number`.

        Raises
        ------
        CallerError
            When the pack holds no such frame.
        MaterialError
            When the pack is not the one that was opened.
        """
        return self.jpegs(number, number + 1)[0]

    def jpegs(self, first: int, stop: int) -> tuple[bytes, ...]:
        """The pictures of frames `first` to `stop`, from one reading."""
        begin, end = first - self.head.first, stop - self.head.first
        if not 0 <= begin < end <= self.head.count:
            last = self.head.first + self.head.count - 1
            raise CallerError(
                f"The pack holds frames {self.head.first} to {last}, asked for were {first} to {stop - 1}."
            )
        places = self.offsets[begin : end + 1].tolist()
        with self.path.open("rb") as file:
            if _made(self.path) != self._made:
                raise MaterialError(
                    f"{self.path.name} in {self.path.parent} was made anew while it was read; read it again."
                )
            file.seek(places[0])
            data = file.read(places[-1] - places[0])
        return tuple(data[a - places[0] : b - places[0]] for a, b in pairwise(places))


def open_pack(folder: Path, name: str = "frames") -> PackReader:
    """Open a pack.

    Raises
    ------
    MaterialError
        When there is none, or it is not whole.
    """
    pack, index = pack_files(folder, name)
    try:
        line, _, rest = index.read_bytes().partition(b"\n")
        head = PackHead(**json.loads(line))
        made = _made(pack)
    except (OSError, ValueError, TypeError, RecursionError):
        raise MaterialError(
            f"The little pictures of a reel need {pack.name} and {index.name}, whole, in {folder}, and they are not there; "
            "open the reel at the bench and they are made again."
        ) from None
    whole = len(rest) == 8 * (head.count + 1) and made[0] == head.size and head.version == VERSION
    offsets = np.frombuffer(rest, "<u8") if whole else np.zeros(0, np.uint64)
    if not whole or int(offsets[-1]) != head.size or (np.diff(offsets.astype(np.int64)) <= 0).any():
        raise MaterialError(
            f"{pack.name} in {folder} must be the file that {index.name} was made with, and it is not; take both away and they "
            "are made again."
        )
    return PackReader(pack, head, offsets, made)


def _made(path: Path) -> tuple[int, int]:
    told = path.stat()
    return told.st_size, told.st_mtime_ns

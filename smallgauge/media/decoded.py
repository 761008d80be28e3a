"""Frames of a video that were decoded once, each in a quick lossless file of its own, until the finished film is made.

keep_decoded     a frame's samples -> its file
read_decoded     the file -> the samples; None where there is none that is whole
prepare_decoded  makes their folder; refuses before the first frame what would not fit on the disk
drop_decoded     takes all of them away

A lossless film costs three quarters of a second a frame to decode (2048 x 1536, 16 bits); such a file a twentieth of that to
write and a fortieth to read, at three quarters of the frame's bare size. They are a cache of one reel: below its `work`, never
delivered, never proved, and no archive copy. `--keep-decoded` asks for them.
"""

import shutil
import struct
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from smallgauge.errors import MaterialError
from smallgauge.media.frame import PixelEncoding, Samples
from smallgauge.media.whole import crc32_of, free_bytes, plain_size, write_whole_bytes

if TYPE_CHECKING:
    from smallgauge.media.picture_in import CaptureListing

DECODED = "work/decoded"  # below the reel's folder
_SUM = struct.Struct("<I")  # CRC-32 of what stands before it
_LEVEL = 1


def _file(folder: Path, number: int) -> Path:
    return folder / f"{number:06d}.blosc2"


def _kind(encoding: PixelEncoding) -> type[np.generic]:
    return np.uint8 if encoding.bits <= 8 else np.uint16 if encoding.bits <= 16 else np.float32


def keep_decoded(folder: Path, number: int, samples: Samples) -> None:
    """Write a frame's samples as they are.

    Parameters
    ----------
    folder : Path
        Where the files of this reel lie; it must be there.
    number : int
        The captured frame, from 0.
    samples : uint8, uint16 or float32 array
        (height, width) or (height, width, 3). Not altered; NaN is kept.

    Raises
    ------
    MaterialError
        Where the file can't be written.

    Notes
    -----
    Source: Blosc2 frames (LZ4, bits shuffled), a CRC-32 behind them.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> keep_decoded(folder, 3, np.full((4, 6, 3), 700, np.uint16))
    >>> encoding = PixelEncoding(bits=10, layout="rgb")
    >>> int(read_decoded(folder, 3, width=6, height=4, encoding=encoding).max())
    700
    """
    import imagecodecs

    plain = np.ascontiguousarray(samples)
    packed = imagecodecs.blosc2_encode(
        plain.tobytes(),
        level=_LEVEL,
        compressor="lz4",
        shuffle="bitshuffle",
        typesize=plain.dtype.itemsize,
        numthreads=1,
    )
    write_whole_bytes(_file(folder, number), bytes(packed) + _SUM.pack(crc32_of(packed)))


def read_decoded(
    folder: Path, number: int, *, width: int, height: int, encoding: PixelEncoding
) -> Samples | None:
    """A frame that was kept; None where there is none, or none that is whole and of this form: then the video is decoded.

    Parameters
    ----------
    folder : Path
        As `keep_decoded`.
    number, width, height : int
        The captured frame, and the size of the pictures in the video, px.
    encoding : PixelEncoding
        Of the video.

    Returns
    -------
    uint8, uint16 or float32 array, (height, width) or (height, width, 3), or None

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> read_decoded(Path("nowhere"), 0, width=6, height=4, encoding=PixelEncoding(bits=8, layout="grey")) is None
    True
    """
    import imagecodecs

    try:
        data = _file(folder, number).read_bytes()
    except OSError:
        return None
    packed = data[: -_SUM.size]
    if len(data) <= _SUM.size or _SUM.unpack(data[-_SUM.size :])[0] != crc32_of(packed):
        return None
    shape = (height, width, 3) if encoding.layout == "rgb" else (height, width)
    kind = np.dtype(_kind(encoding))
    # Its own and writable, as a decoder's arrays are: loops compiled for these serve it too.
    plain = bytearray(int(np.prod(shape)) * kind.itemsize)
    try:
        filled = imagecodecs.blosc2_decode(packed, numthreads=1, out=plain)
    except RuntimeError:  # more than such a frame
        return None
    return np.frombuffer(plain, kind).reshape(shape) if len(filled) == len(plain) else None


def prepare_decoded(reel: Path, listing: "CaptureListing") -> None:
    """Make the folder for a capture's frames; refuse to begin where so many would not fit on the disk.

    Raises
    ------
    MaterialError
        With what is needed and what was found.

    Notes
    -----
    Frames that are grain from end to end take their bare size.

    Examples
    --------
    >>> import tempfile, imagecodecs
    >>> from smallgauge.media.picture_in import list_capture
    >>> reel = Path(tempfile.mkdtemp())
    >>> _ = (reel / "f1.png").write_bytes(imagecodecs.png_encode(np.zeros((4, 6), np.uint8)))
    >>> prepare_decoded(reel, list_capture(reel))
    >>> (reel / DECODED).is_dir()
    True
    """
    (width, height), encoding = listing.size_in_file, listing.encoding
    channels = 3 if encoding.layout == "rgb" else 1
    each = width * height * channels * np.dtype(_kind(encoding)).itemsize
    lacking = max(0, listing.count - sum(1 for _ in (reel / DECODED).glob("*.blosc2")))
    needed, free = each * lacking, free_bytes(reel)
    if needed > free:
        raise MaterialError(
            f"--keep-decoded needs up to {plain_size(needed)} for {lacking} frames, found {plain_size(free)} free at {reel}; "
            "make room, name another --out, or leave it out: the film is then decoded anew by each pass."
        )
    (reel / DECODED).mkdir(parents=True, exist_ok=True)


def drop_decoded(reel: Path) -> None:
    """Take the files of a reel away, once nothing needs them; nothing happens where there are none.

    Examples
    --------
    >>> drop_decoded(Path("nowhere"))
    """
    shutil.rmtree(reel / DECODED, ignore_errors=True)

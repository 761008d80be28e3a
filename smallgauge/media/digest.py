"""The identity of a picture's samples, and FFmpeg's own per-frame checksums as an outside check.

digest_frame      samples -> SHA-256 that stands for the picture itself, whatever file holds it
digest_bands      the same of a picture that comes in bands of lines
framemd5    file -> text in FFmpeg's "frame checksums" form, to compare with an FFmpeg of one's own
"""

import hashlib
import struct
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from smallgauge.errors import CallerError, MaterialError

_KIND = {("u", 1): (8, 8), ("u", 2): (9, 16), ("f", 4): (32, 32)}


def digest_frame(samples: np.ndarray, bits: int) -> str:
    """SHA-256 of one picture's samples, in hexadecimal.

    Over a header (`sg1`, then height, width, channels and bits as little-endian uint32) and the samples row
    by row, R G B within the pixel, little-endian, uint8, uint16 or float32, code values as decoded, not
    shifted to the top of the word.

    Parameters
    ----------
    samples : array, shape (height, width) or (height, width, 3), uint8, uint16 or float32
        Code values. A NaN in a float32 picture is hashed as its own bytes.
    bits : int
        Bits of a code value: 8 with uint8, 9 to 16 with uint16, 32 with float32.

    Raises
    ------
    CallerError
        When shape, type and bits don't go together.

    Notes
    -----
    Source: definition; SHA-256 is FIPS 180-4 (`"FIPS 180-4"`).

    Examples
    --------
    >>> digest_frame(np.zeros((2, 3), np.uint8), 8)[:16]
    '291784178cd76ae3'
    """
    return digest_bands((samples,), samples.shape[0], bits)


def digest_bands(bands: Iterable[np.ndarray], height: int, bits: int) -> str:
    """The same of a picture that comes in bands of lines, from above downwards, each needed no longer than until the next.

    Parameters
    ----------
    bands : iterable of arrays, shape (lines, width) or (lines, width, 3), uint8, uint16 or float32
        At least one; of one width and kind.
    height : int
        Lines of all of them together.
    bits : int
        As for `digest_frame`.

    Raises
    ------
    CallerError
        When shape, type and bits don't go together, or the bands are not so many lines.

    Notes
    -----
    Source: definition, as `digest_frame`.

    Examples
    --------
    >>> picture = np.arange(24, dtype=np.uint8).reshape(4, 6)
    >>> digest_bands((picture[:3], picture[3:]), 4, 8) == digest_frame(picture, 8)
    True
    """
    digest, lines = None, 0
    for samples in bands:
        kind = _KIND.get((samples.dtype.kind, samples.dtype.itemsize))
        if kind is None or not kind[0] <= bits <= kind[1]:
            raise CallerError(
                f"digest_frame needs uint8 with 8 bits, uint16 with 9 to 16, or float32 with 32, "
                f"got {samples.dtype} with {bits}; pass the code values as they were decoded."
            )
        if samples.ndim not in (2, 3) or (samples.ndim == 3 and samples.shape[2] not in (1, 3)):
            raise CallerError(
                f"digest_frame needs (height, width) or (height, width, 3), got {samples.shape}; "
                "pass one picture."
            )
        if digest is None:
            channels = 1 if samples.ndim == 2 else samples.shape[2]
            digest = hashlib.sha256(b"sg1" + struct.pack("<4I", height, samples.shape[1], channels, bits))
        little = samples.astype(samples.dtype.newbyteorder("<"), copy=False)
        digest.update(np.ascontiguousarray(little).reshape(-1).view(np.uint8).data)
        lines += samples.shape[0]
    if digest is None or lines != height:
        raise CallerError(f"digest_bands needs {height} lines of a picture, got {lines}; pass all of them.")
    return digest.hexdigest()


def _packed_planes(frame: Any) -> bytes:
    """The decoded planes of a frame without the padding at the row ends, as FFmpeg's rawvideo has it."""
    import av

    kind = frame.format
    if not kind.is_planar:
        bits = av.VideoFormat(kind.name).padded_bits_per_pixel
        plane = frame.planes[0]
        rows = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
        return np.ascontiguousarray(rows[:, : frame.width * bits // 8]).tobytes()
    out = []
    for number, plane in enumerate(frame.planes):
        wide = max(c.bits for c in kind.components if c.plane == number) > 8
        rows = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
        out.append(np.ascontiguousarray(rows[:, : plane.width * (2 if wide else 1)]).tobytes())
    return b"".join(out)


def framemd5(path: Path, *, rate: Fraction | None = None) -> str:
    """MD5 of each decoded frame of a video, as the text that `ffmpeg -i FILE -map 0:v -f framemd5 -` prints.

    Parameters
    ----------
    path : Path
        A video with one picture stream, planar or packed RGB, grey or YCbCr of up to 16 bits.
    rate : Fraction, optional
        Frames a second; by default what the file says. Stamps are frame numbers in units of 1/rate.

    Returns
    -------
    str
        "#format: frame checksums", version 2, without the line that names the software.

    Raises
    ------
    MaterialError
        When the file can't be opened or holds no picture.

    Notes
    -----
    Source: FFmpeg's muxers manual, `framemd5` (`"FFmpeg framemd5"`); compared in the tests with the text of
    PyAV's muxer and of an `ffmpeg` executable. An export, never the identity: `digest_frame` is that.
    """
    import av

    try:
        with av.open(str(path)) as container:
            if not container.streams.video:
                raise MaterialError(f"{path.name} holds no picture; give a video file.")
            stream = container.streams.video[0]
            stream.codec_context.thread_count = 1
            unit = 1 / (rate or stream.average_rate or Fraction(25))
            context = stream.codec_context
            aspect = context.sample_aspect_ratio or Fraction(0)
            head = [
                "#format: frame checksums",
                "#version: 2",
                "#hash: MD5",
                f"#tb 0: {unit.numerator}/{unit.denominator}",
                "#media_type 0: video",
                "#codec_id 0: rawvideo",
                f"#dimensions 0: {context.width}x{context.height}",
                f"#sar 0: {aspect.numerator}/{aspect.denominator if aspect else 1}",
                "#stream#, dts,        pts, duration,     size, hash",
            ]
            rows = []
            for number, frame in enumerate(container.decode(stream)):
                data = _packed_planes(frame)
                mark = hashlib.md5(data, usedforsecurity=False).hexdigest()
                rows.append(f"0, {number:10d}, {number:10d}, {1:8d}, {len(data):8d}, {mark}")
    except av.error.FFmpegError as error:
        raise MaterialError(f"{path.name} can't be read as a video ({error}); give a video file.") from error
    return "\n".join(head + rows) + "\n"

"""One frame to one file of its own, DPX or TIFF, code for code.

stored_form        form and encoding of a capture -> how its codes lie in such a file, or a refusal
write_frame_file   one frame's codes to one file, whole or not at all
frame_file_name    number of a frame -> its file's name
frame_file_bytes   how large each file will be, before the first is written
"""

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError, MaterialError
from smallgauge.media.frame import PixelEncoding
from smallgauge.media.whole import write_whole

FrameForm = Literal["dpx", "tiff"]
FRAME_FORMS: tuple[FrameForm, ...] = ("dpx", "tiff")
# Depths that OpenImageIO writes and FFmpeg reads back code for code (tests/media/test_frame_files.py).
_DPX_DEPTHS = {"rgb": (8, 10, 12, 16), "grey": (8, 12, 16)}
_DPX_HEAD_BYTES, _TIFF_HEAD_BYTES, _BLOCK_BYTES = 8192, 1024, 4096
_SUFFIXES = {"dpx": ".dpx", "tiff": ".tif"}
_DPX_NAME_AT, _DPX_NAME_BYTES = 36, 100  # file name field of the header (`"ST 268"`)
_GREATEST_NUMBER_TAG = 281  # MaxSampleValue, TIFF 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredForm:
    """How a capture's codes lie in its files: the form, and the bits of a word that holds one code."""

    form: FrameForm
    word_bits: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameHead:
    """What each file's header says beside its size and depth.

    `rate` is frames a second, `count` the frames of the sequence. `device` is the scanner's name ("": not stated),
    `document` the reel's number. `code_values` and `gamma_curve` are what the operator stated of the code values, None where
    that was assumed.
    """

    rate: Fraction
    count: int
    document: str
    device: str = ""
    code_values: str | None = None
    gamma_curve: str | None = None


def stored_form(form: FrameForm, encoding: PixelEncoding) -> StoredForm:
    """How codes of this encoding are held in files of this form, exactly.

    Raises
    ------
    MaterialError
        Where the form can't hold them in a way that readers agree on.

    Notes
    -----
    Source: DPX (`"ST 268"`); TIFF 6.0 from memory, not checked (samples of 8 and 16 bits are those that readers take).

    Examples
    --------
    >>> stored_form("dpx", PixelEncoding(bits=12, layout="rgb")).word_bits
    12
    >>> stored_form("tiff", PixelEncoding(bits=12, layout="rgb")).word_bits
    16
    """
    bits, layout = encoding.bits, encoding.layout
    if form == "tiff" and 8 <= bits <= 16:
        return StoredForm(form=form, word_bits=8 if bits == 8 else 16)
    if form == "dpx" and bits in _DPX_DEPTHS[layout]:
        return StoredForm(form=form, word_bits=bits)
    can = ", ".join(str(depth) for depth in _DPX_DEPTHS[layout]) if form == "dpx" else "8 to 16"
    raise MaterialError(
        f"An archive copy as {form.upper()} holds {layout} codes of {can} bits so that every reader gives them back, found {bits} "
        'bits; state archive = "matroska" in capture.toml, which holds them exactly.'
    )


def frame_file_name(form: FrameForm, number: int) -> str:
    """Name of a frame's file: its number, short enough for any file system.

    Examples
    --------
    >>> frame_file_name("tiff", 37)
    '000037.tif'
    """
    return f"{number:06d}{_SUFFIXES[form]}"


def frame_file_bytes(form: FrameForm, *, width: int, height: int, encoding: PixelEncoding) -> int:
    """Bytes that one frame's file takes on a disk, at most.

    Examples
    --------
    >>> round(frame_file_bytes("dpx", width=2048, height=1536, encoding=PixelEncoding(bits=10, layout="rgb")) / 1e6, 1)
    12.6
    """
    stored = stored_form(form, encoding)
    channels = 3 if encoding.layout == "rgb" else 1
    if form == "dpx" and stored.word_bits in (10, 12):
        row = 4 * width if stored.word_bits == 10 else -(-width * channels * 12 // 32) * 4
    else:
        row = width * channels * (1 if stored.word_bits == 8 else 2)
    head = _DPX_HEAD_BYTES if form == "dpx" else _TIFF_HEAD_BYTES
    return -(-(head + row * height) // _BLOCK_BYTES) * _BLOCK_BYTES


def write_frame_file(
    path: Path,
    samples: NDArray[Any],
    *,
    number: int,
    encoding: PixelEncoding,
    form: FrameForm,
    head: FrameHead,
) -> None:
    """Write one frame, through `write_whole`; the same frame gives the same bytes.

    Parameters
    ----------
    path : Path
        Named by `frame_file_name`.
    samples : array, shape (height, width) or (height, width, 3), uint8 for 8 bits, else uint16
        Code values, 0 to 2**bits - 1. Not altered.
    number : int
        Of the frame in its sequence, from 0.
    encoding : PixelEncoding
        Of the samples.
    form : "dpx" or "tiff"
        DPX of version 2.0, big-endian; TIFF uncompressed, codes narrower than a word not shifted.
    head : FrameHead
        What the header says of the sequence.

    Raises
    ------
    CallerError
        When type, shape or a code value doesn't fit.
    MaterialError
        Where the form can't hold such codes, or the volume is full.

    Notes
    -----
    Source: DPX (`"ST 268"`), as OpenImageIO writes it.
    """
    stored = stored_form(form, encoding)
    wanted, channels = np.uint8 if encoding.bits == 8 else np.uint16, (3,) if encoding.layout == "rgb" else ()
    if samples.dtype != wanted or samples.shape[2:] != channels:
        raise CallerError(
            f"{path.name} takes {np.dtype(wanted)} of shape (height, width{', 3' if channels else ''}), got {samples.dtype} of "
            f"{samples.shape}."
        )
    if encoding.bits not in (8, 16) and samples.size and int(samples.max()) >> encoding.bits:
        raise CallerError(f"A code value of {int(samples.max())} doesn't fit into {encoding.bits} bits.")
    with write_whole(path, needed_bytes=samples.nbytes) as part:
        if form == "dpx":
            _write_dpx(part, path.name, samples, number, encoding, head)
        else:
            _write_tiff(part, samples, number, encoding, stored, head)


def _transfer(head: FrameHead) -> str:
    """The header's word for how codes stand for light (`"ST 268"`, table of transfer characteristics)."""
    if head.code_values == "gamma" and head.gamma_curve == "bt709":
        return "ITU-R 709-4"
    return {"linear": "Linear", "log": "Logarithmic"}.get(head.code_values or "", "User defined")


def _write_dpx(
    part: Path, name: str, samples: NDArray[Any], number: int, encoding: PixelEncoding, head: FrameHead
) -> None:
    import OpenImageIO as oiio

    bits, channels = encoding.bits, 3 if samples.ndim == 3 else 1
    spec = oiio.ImageSpec(samples.shape[1], samples.shape[0], channels, "uint8" if bits == 8 else "uint16")
    for key, value in (
        ("oiio:BitsPerSample", bits),
        ("oiio:Endian", "big"),
        ("dpx:FrameRate", float(head.rate)),
        ("dpx:TemporalFrameRate", float(head.rate)),
        ("dpx:FramePosition", number),
        ("dpx:SequenceLength", head.count),
        ("dpx:HeldCount", 1),
        ("dpx:Transfer", _transfer(head)),
        ("dpx:Colorimetric", "User defined"),
        ("dpx:InputDevice", head.device),
        ("DocumentName", head.document),
        ("Software", "smallgauge"),
    ):
        if value != "":
            spec.attribute(key, value)
    # The writer keeps the uppermost bits, and of an array of two sides it takes the second for channels.
    raised = samples if bits == 8 else np.left_shift(samples, 16 - bits)
    raised = raised.reshape(*samples.shape[:2], channels)
    out = oiio.ImageOutput.create("dpx")
    written = out is not None and out.open(str(part), spec) and out.write_image(raised) and out.close()
    if not written:
        reason = oiio.geterror() if out is None else out.geterror()
        raise OSError(f"DPX could not be written: {reason}")
    with part.open("r+b") as file:  # the writer puts the path of the unfinished file there
        file.seek(_DPX_NAME_AT)
        file.write(name.encode()[: _DPX_NAME_BYTES - 1].ljust(_DPX_NAME_BYTES, b"\0"))


def _write_tiff(
    part: Path,
    samples: NDArray[Any],
    number: int,
    encoding: PixelEncoding,
    stored: StoredForm,
    head: FrameHead,
) -> None:
    import tifffile

    channels = 3 if samples.ndim == 3 else 1
    greatest = (_GREATEST_NUMBER_TAG, "H", channels, (2**encoding.bits - 1,) * channels, True)
    words = [
        f"frame {number} of {head.count}, counted from 0",
        f"{head.rate} frames a second",
        f"codes of {encoding.bits} bits" + (", not shifted" if encoding.bits != stored.word_bits else ""),
        *([f"code values {head.code_values}"] if head.code_values else []),
    ]
    tifffile.imwrite(
        part,
        samples,
        photometric="rgb" if channels == 3 else "minisblack",
        byteorder="<",
        metadata=None,
        software="smallgauge",
        description="; ".join([head.document.encode("ascii", "replace").decode(), *words]),
        extratags=[
            greatest,
            *([(272, "s", 0, head.device.encode("ascii", "replace").decode(), True)] if head.device else []),
        ],
    )

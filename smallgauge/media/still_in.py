"""One still picture file to an array: DPX, TIFF, PNG, OpenEXR, JPEG.

read_header   what the file says of itself, from its first bytes
check_whole   the same, where all that it states is there
read_still    its samples, whole or not at all

A picture that ends early, or whose decoder complained, raises `Damage`: no row is ever made up. What the
program won't read at all (palettes, YCbCr in DPX, several pictures in one file) raises MaterialError.
"""

import io
import logging
import struct
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import MaterialError
from smallgauge.media.frame import PixelEncoding
from smallgauge.media.planes import Samples

Format = Literal["dpx", "tiff", "png", "exr", "jpeg"]
SUFFIXES: dict[str, Format] = {
    ".dpx": "dpx",
    ".tif": "tiff",
    ".tiff": "tiff",
    ".png": "png",
    ".exr": "exr",
    ".jpg": "jpeg",
    ".jpeg": "jpeg",
}
_DPX_GREY, _DPX_RGB, _DPX_RGBA = 6, 50, 51
# Lossless kinds of TIFF compression: none, LZW, deflate (two numbers), PackBits, zstd, LZMA.
_TIFF_LOSSLESS = {1, 5, 8, 32946, 32773, 50000, 34925}
_EXR_LOSSY = {"b44", "b44a", "dwaa", "dwab", "pxr24"}
# Pixels of the largest picture that is read (16384 x 16384), so that a header can't ask for all the memory there is; common
# practice, no source. Deflate packs 258 bytes into two bits at best (RFC 1951), 1032 to 1.
MOST_PIXELS = 2**28
DEFLATE_MOST = 1032
_SOF_PLAIN = {0xC0, 0xC1, 0xC2}


class Damage(Exception):
    """A frame that can't be read whole; the text says why, without the file's name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StillHeader:
    """Size, encoding and format of one still; `notes` are sentences about how it is read."""

    width: int
    height: int
    encoding: PixelEncoding
    format: Format
    notes: tuple[str, ...] = field(default=(), compare=False)


def _refuse(path: Path, found: str, needed: str) -> MaterialError:
    return MaterialError(
        f"{path.name} holds {found}; needed is {needed}. Write the capture again in that form."
    )


def _encoding(bits: int, grey: bool, **more: Any) -> PixelEncoding:
    return PixelEncoding(bits=bits, layout="grey" if grey else "rgb", **more)


def read_header(path: Path) -> StillHeader:
    """What a still picture file says of itself.

    Raises
    ------
    Damage
        When the header can't be read: an empty file, rubbish, a file that ends within its header.
    MaterialError
        When the file is whole but of a kind that the program doesn't read.
    """
    header = _header_of(path)
    if header.width * header.height > MOST_PIXELS:
        raise Damage(f"the header gives a size of {header.width} x {header.height}")
    if (
        header.format == "png"
    ):  # what deflate can pack at most, before memory is taken for what it would unpack to
        samples = header.width * header.height * (1 if header.encoding.layout == "grey" else 3)
        least = samples * (header.encoding.bits // 8) // DEFLATE_MOST
        if path.stat().st_size < least:
            raise Damage(f"the file ends early: {path.stat().st_size} bytes of at least {least}")
    return header


def _header_of(path: Path) -> StillHeader:
    """The header, as it is written."""
    try:
        with path.open("rb") as file:
            head = file.read(2048)
    except OSError as error:
        raise Damage(f"the file can't be opened ({error.strerror})") from error
    if not head:
        raise Damage("the file is empty")
    if head[:4] in (b"SDPX", b"XPDS"):
        return _dpx_header(path, head)
    if head[:8] == b"\x89PNG\r\n\x1a\n":
        return _png_header(path, head)
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return _tiff_header(path)
    if head[:4] == b"v/1\x01":
        return _exr_header(path)
    if head[:2] == b"\xff\xd8":
        return _jpeg_header(path)
    raise Damage("the file doesn't begin like a DPX, TIFF, PNG, OpenEXR or JPEG picture")


def _dpx_header(path: Path, head: bytes) -> StillHeader:
    """Size, depth, packing and length by the fields of `"ST 268"`."""
    if len(head) < 820:
        raise Damage(f"the file ends after {len(head)} bytes, within its header")
    end = ">" if head[:4] == b"SDPX" else "<"
    orientation, elements, width, height, sign = struct.unpack_from(end + "HHIII", head, 768)
    descriptor, bits, packing, coding = struct.unpack_from(end + "BxxBHH", head, 800)
    if not (0 < width < 65536 and 0 < height < 65536):
        raise Damage(f"the header gives a size of {width} x {height}")
    if elements != 1 or descriptor not in (_DPX_GREY, _DPX_RGB, _DPX_RGBA):
        raise _refuse(
            path, f"DPX image element {descriptor} ({elements} in the file)", "one of grey, RGB or RGBA"
        )
    if bits not in (8, 10, 12, 16) or sign == 1 or packing > 2 or coding != 0:
        raise _refuse(
            path,
            f"DPX of {bits} bits, packing {packing}, coding {coding}, sign {sign}",
            "8, 10, 12 or 16 bits, unsigned, not run-length coded",
        )
    channels = {_DPX_GREY: 1, _DPX_RGB: 3, _DPX_RGBA: 4}[descriptor]
    if packing == 0 and bits in (10, 12):
        row = width * channels * bits // 8
    elif bits == 10:
        row = -(-width * channels // 3) * 4
    else:
        row = width * channels * (1 if bits == 8 else 2)
    (start,) = struct.unpack_from(end + "I", head, 4)
    size = path.stat().st_size
    if size < start + row * height:
        raise Damage(f"the file ends early: {size} bytes of at least {start + row * height}")
    notes = []
    if channels == 4:
        notes.append("The frames carry a transparency channel; it was left out.")
    if orientation not in (0, 0xFFFF):
        notes.append(
            f"The header gives line orientation {orientation}; the lines were taken as they are stored."
        )
    aspect = struct.unpack_from(end + "II", head, 1628) if start >= 1664 and len(head) >= 1636 else (0, 0)
    usable = all(0 < side < 0xFFFFFFFF for side in aspect) and aspect[0] != aspect[1]
    encoding = _encoding(bits, channels == 1, pixel_aspect=aspect if usable else (1, 1))
    return StillHeader(width=width, height=height, encoding=encoding, format="dpx", notes=tuple(notes))


def _png_header(path: Path, head: bytes) -> StillHeader:
    if len(head) < 33 or head[12:16] != b"IHDR":
        raise Damage("the file ends within its header")
    width, height, bits, colour = struct.unpack_from(">IIBB", head, 16)
    if colour not in (0, 2, 4, 6) or bits not in (8, 16):
        kind = "a palette" if colour == 3 else f"{bits}-bit samples of colour type {colour}"
        raise _refuse(path, kind, "grey or RGB of 8 or 16 bits")
    notes = ("The frames carry a transparency channel; it was left out.",) if colour in (4, 6) else ()
    return StillHeader(
        width=width, height=height, encoding=_encoding(bits, colour in (0, 4)), format="png", notes=notes
    )


def _tiff_header(path: Path) -> StillHeader:
    import tifffile

    try:
        with tifffile.TiffFile(path) as tiff:
            page = tiff.pages[0]
            full = [page, *(p for p in list(tiff.pages)[1:] if not getattr(p, "is_reduced", False))]
            width, height = int(page.imagewidth), int(page.imagelength)
            bits, kind = page.bitspersample, int(page.sampleformat)
            photometric, compression = int(page.photometric), int(page.compression)
            channels, extra = int(page.samplesperpixel), len(page.extrasamples)
    except Exception as error:
        raise Damage(f"the TIFF header can't be read ({error})") from error
    if len(full) != 1:
        raise _refuse(path, f"{len(full)} pictures", "one picture a file")
    if photometric not in (1, 2) or channels - extra != (1 if photometric == 1 else 3):
        names = {0: "grey with white as 0", 3: "a palette", 5: "ink separations", 6: "YCbCr"}
        found = names.get(photometric, f"colour kind {photometric} in {channels} channels")
        raise _refuse(path, found, "grey (black as 0) or RGB")
    if bits not in (8, 16) or kind != 1:
        raise _refuse(path, f"{bits}-bit samples of sample format {kind}", "unsigned samples of 8 or 16 bits")
    if compression not in _TIFF_LOSSLESS:
        raise _refuse(path, f"compression {compression}", "no compression, LZW, deflate, PackBits or zstd")
    notes = ("The frames carry a transparency channel; it was left out.",) if extra else ()
    return StillHeader(
        width=width, height=height, encoding=_encoding(bits, photometric == 1), format="tiff", notes=notes
    )


def _exr_header(path: Path) -> StillHeader:
    import OpenImageIO as oiio

    file = oiio.ImageInput.open(str(path))
    if file is None:
        raise Damage(f"the OpenEXR header can't be read ({_told(oiio.geterror)})")
    try:
        spec = file.spec()
        names = list(spec.channelnames)
        if spec.deep or file.seek_subimage(1, 0):
            raise _refuse(path, "deep samples or several parts", "one flat picture a file")
        if not ({"R", "G", "B"} <= set(names) or names == ["Y"]):
            raise _refuse(path, f"the channels {', '.join(names)}", "R, G, B or Y")
        if str(spec.format) not in ("half", "float"):
            raise _refuse(path, f"samples of type {spec.format}", "half or float")
        aspect = float(spec.get_float_attribute("PixelAspectRatio", 1.0))
        lossy = str(spec.get_string_attribute("compression", "none")).split(":")[0] in _EXR_LOSSY
    except UnicodeDecodeError as error:
        raise Damage(f"the OpenEXR header holds words that are no text ({error.reason})") from error
    finally:
        file.close()
    notes = []
    if len(names) > 3 or len(names) == 2:
        notes.append("The frames carry further channels; only R, G, B or Y was read.")
    if (spec.width, spec.height) != (spec.full_width, spec.full_height):
        notes.append("The stored window differs from the display window; the stored window was read.")
    from fractions import Fraction

    ratio = Fraction(aspect).limit_denominator(1000) if aspect > 0 else Fraction(1)
    encoding = _encoding(32, names == ["Y"], lossy=lossy, pixel_aspect=ratio.as_integer_ratio())
    return StillHeader(
        width=spec.width, height=spec.height, encoding=encoding, format="exr", notes=tuple(notes)
    )


def _jpeg_header(path: Path) -> StillHeader:
    """Walk the JPEG segments to the frame header (ITU-T T.81, annex B)."""
    with path.open("rb") as file:
        file.seek(2)
        while True:
            mark = file.read(2)
            while mark == b"\xff\xff":
                mark = b"\xff" + file.read(1)
            if len(mark) < 2 or mark[0] != 0xFF:
                raise Damage("the JPEG header can't be read")
            size = file.read(2)
            if len(size) < 2:
                raise Damage("the file ends within its header")
            length = int.from_bytes(size, "big")
            if length < 2:
                raise Damage("the JPEG header can't be read")
            if 0xC0 <= mark[1] <= 0xCF and mark[1] not in (0xC4, 0xC8, 0xCC):
                body = file.read(length - 2)
                break
            file.seek(length - 2, io.SEEK_CUR)
    if len(body) < 6 or len(body) < 6 + 3 * body[5]:
        raise Damage("the file ends within its header")
    bits, height, width, channels = struct.unpack_from(">BHHB", body)
    if mark[1] not in _SOF_PLAIN or bits != 8 or channels not in (1, 3) or not width or not height:
        raise _refuse(
            path, f"JPEG kind {mark[1] - 0xC0} of {bits} bits, {channels} channels", "8-bit grey or colour"
        )
    samplings = {body[7 + 3 * n] for n in range(channels)}
    encoding = _encoding(8, channels == 1, lossy=True, sub_sampled=len(samplings) > 1)
    return StillHeader(width=width, height=height, encoding=encoding, format="jpeg")


def _told(ask: Callable[[], str]) -> str:
    """What OpenImageIO says of a file; it may quote bytes of it that are no text."""
    try:
        return _one_line(ask())
    except UnicodeDecodeError:
        return "it holds words that are no text"


def _one_line(text: str) -> str:
    return " ".join(str(text).split())


def read_still(path: Path, header: StillHeader) -> tuple[Samples, tuple[str, ...]]:
    """Samples of a still whose header was read, and what the decoder said without giving up.

    Returns
    -------
    samples : array, shape (height, width) or (height, width, 3)
        uint8 for 8 bits; uint16 for 10 to 16 bits, code values as stored (10- and 12-bit codes aren't
        moved to the top of the word); float32 for OpenEXR, NaN and infinity as stored.
    lines : tuple of str
        Decoder messages.

    Raises
    ------
    Damage
        When the picture isn't whole or isn't of the header's shape.
    """
    said: tuple[str, ...] = ()
    if header.format == "png":
        samples = _read_png(path)
    elif header.format == "tiff":
        samples, said = _read_tiff(path)
    else:
        samples = _read_oiio(path, header)
    if samples.ndim == 3 and samples.shape[2] in (2, 4):
        samples = samples[:, :, : samples.shape[2] - 1]
    if samples.ndim == 3 and samples.shape[2] == 1:
        samples = samples[:, :, 0]
    want = (header.height, header.width) + (() if header.encoding.layout == "grey" else (3,))
    if samples.shape != want:
        raise Damage(f"the decoder gave a picture of shape {samples.shape}, needed {want}")
    return np.ascontiguousarray(samples, dtype=samples.dtype.newbyteorder("=")), said


def check_whole(path: Path) -> StillHeader:
    """What a still says of itself, where everything that it states is there; its samples are not decoded.

    DPX and TIFF are held to the sizes in their headers, PNG and JPEG to their end marks. OpenEXR has neither and
    is decoded.

    Raises
    ------
    Damage
        When something is missing.
    MaterialError
        When the file is whole but of a kind that the program doesn't read.
    """
    header = read_header(path)
    try:
        if header.format == "png":
            _check_png_end(path.read_bytes())
        elif header.format == "jpeg":
            _check_jpeg_end(path)
        elif header.format == "tiff":
            import tifffile

            size = path.stat().st_size
            with tifffile.TiffFile(path) as tiff:
                _check_tiff_strips(tiff.pages[0], size)
        elif header.format == "exr":
            read_still(path, header)
    except OSError as error:
        raise Damage(f"the file can't be opened ({error.strerror})") from error
    return header


def _check_png_end(data: bytes) -> None:
    at = 8
    while True:  # libpng doesn't miss the closing chunk
        if at + 12 > len(data):
            raise Damage("the file ends before its closing chunk")
        if data[at + 4 : at + 8] == b"IEND":
            return
        at += 12 + int.from_bytes(data[at : at + 4], "big")


def _check_tiff_strips(page: Any, size: int) -> None:
    for start, count in zip(page.dataoffsets, page.databytecounts):
        if count <= 0 or start + count > size:
            raise Damage(f"the file ends early: {size} bytes of at least {start + count}")


def _read_png(path: Path) -> NDArray[Any]:
    import imagecodecs

    data = path.read_bytes()
    _check_png_end(data)
    try:
        return np.asarray(imagecodecs.png_decode(data))
    except Exception as error:
        raise Damage(f"the PNG data can't be decoded ({_one_line(str(error))})") from error


class _Listener(logging.Handler):
    """Keeps the log records of the thread that made it."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.lines: list[str] = []
        self._thread = threading.get_ident()

    def emit(self, record: logging.LogRecord) -> None:
        if record.thread == self._thread:
            self.lines.append(_one_line(record.getMessage()))


def _read_tiff(path: Path) -> tuple[NDArray[Any], tuple[str, ...]]:
    import tifffile

    data = path.read_bytes()
    listener = _Listener()
    log = logging.getLogger("tifffile")
    log.addHandler(listener)
    try:
        with tifffile.TiffFile(io.BytesIO(data)) as tiff:
            page = tiff.pages[0]
            _check_tiff_strips(page, len(data))
            samples = np.asarray(page.asarray(maxworkers=1))
            if int(page.planarconfig) == 2 and samples.ndim == 3:
                samples = np.moveaxis(samples, 0, 2)
    except Damage:
        raise
    except Exception as error:
        raise Damage(f"the TIFF data can't be decoded ({_one_line(str(error))})") from error
    finally:
        log.removeHandler(listener)
    return samples, tuple(listener.lines)


def _read_oiio(path: Path, header: StillHeader) -> NDArray[Any]:
    """DPX, OpenEXR and JPEG; what libjpeg only warns of comes as an error beside the picture."""
    import OpenImageIO as oiio

    oiio.attribute("threads", 1)
    oiio.attribute("exr_threads", 1)
    bits = header.encoding.bits
    kind = {8: "uint8", 32: "float"}.get(bits, "uint16")
    if header.format == "dpx":
        read_header(path)  # the length of the file, on which OpenImageIO doesn't insist
    file = oiio.ImageInput.open(str(path))
    if file is None:
        raise Damage(f"the picture can't be opened ({_told(oiio.geterror)})")
    try:
        names = list(file.spec().channelnames)
        samples = file.read_image(0, 0, 0, file.spec().nchannels, kind)
        said = _told(file.geterror)
    except UnicodeDecodeError as error:
        raise Damage(f"its header holds words that are no text ({error.reason})") from error
    finally:
        file.close()
    if samples is None or said:
        raise Damage(f"the picture can't be decoded whole ({said or 'no reason given'})")
    if header.format == "exr":
        wanted = ["Y"] if names == ["Y"] else ["R", "G", "B"]
        return np.asarray(samples)[:, :, [names.index(name) for name in wanted]]
    if header.format == "jpeg":
        _check_jpeg_end(path)
    if header.format == "dpx" and bits in (10, 12):
        # OpenImageIO repeats the top bits below the code to fill 16; the code is what is above them.
        return np.asarray(samples) >> (16 - bits)
    return np.asarray(samples)


def _check_jpeg_end(path: Path) -> None:
    """An end mark must follow the picture data, in which no such mark can occur (ITU-T T.81, B.1.1.5)."""
    data = path.read_bytes()
    start = data.rfind(b"\xff\xda")
    if start < 0 or data.find(b"\xff\xd9", start) < 0:
        raise Damage("the file ends before its end mark")

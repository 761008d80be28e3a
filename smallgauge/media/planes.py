"""Planes of a decoded video frame to samples and back, read by ourselves.

picture_samples   decoded frame -> R G B or grey codes, at the file's own number of bits
ycbcr_planes      decoded frame -> its three planes as stored
fill_planes       R G B or grey codes -> planes of a frame for the FFV1 encoder
rgb_from_ycbcr    the conversion of YCbCr codes, by the published equations, in fixed order of arithmetic
ycbcr_from_rgb    the conversion the other way, for viewing copies

RGB and grey are copied bit for bit. YCbCr is converted here and not by FFmpeg's scaler, whose last digit
depends on the processor. What a file doesn't say of itself (matrix, range, place of the colour samples) is
taken by rule, and said in `YcbcrReading.notes`.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import MaterialError

Samples = NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32]

# (dtype, samples a pixel, places of R G B) of the packed formats; names as FFmpeg's.
_PACKED: dict[str, tuple[str, int, tuple[int, int, int]]] = {
    "rgb24": ("<u1", 3, (0, 1, 2)),
    "bgr24": ("<u1", 3, (2, 1, 0)),
    "rgba": ("<u1", 4, (0, 1, 2)),
    "rgb0": ("<u1", 4, (0, 1, 2)),
    "bgra": ("<u1", 4, (2, 1, 0)),
    "bgr0": ("<u1", 4, (2, 1, 0)),
    "argb": ("<u1", 4, (1, 2, 3)),
    "0rgb": ("<u1", 4, (1, 2, 3)),
    "abgr": ("<u1", 4, (3, 2, 1)),
    "0bgr": ("<u1", 4, (3, 2, 1)),
    "rgb48le": ("<u2", 3, (0, 1, 2)),
    "rgb48be": (">u2", 3, (0, 1, 2)),
    "bgr48le": ("<u2", 3, (2, 1, 0)),
    "bgr48be": (">u2", 3, (2, 1, 0)),
    "rgba64le": ("<u2", 4, (0, 1, 2)),
    "rgba64be": (">u2", 4, (0, 1, 2)),
    "bgra64le": ("<u2", 4, (2, 1, 0)),
    "bgra64be": (">u2", 4, (2, 1, 0)),
}
# Stored otherwise, and rearranged by FFmpeg without arithmetic into the planar form named.
_REARRANGED = {
    "yuyv422": "yuv422p",
    "uyvy422": "yuv422p",
    "yvyu422": "yuv422p",
    "nv12": "yuv420p",
    "nv21": "yuv420p",
    "nv16": "yuv422p",
    "nv24": "yuv444p",
    "p010le": "yuv420p10le",
    "p210le": "yuv422p10le",
    "p410le": "yuv444p10le",
    "x2rgb10le": "gbrp10le",
    "x2bgr10le": "gbrp10le",
}
_PLANAR_YCBCR = re.compile(r"yuv(?P<kind>[aj]?)(?P<ratio>4\d\d)p(?P<bits>\d*)(?P<end>le|be|)")
_BAND = 32  # lines: of 2048 pixels in 16 bits 400 kB; chosen here by trial
_RATIO = {"444": (1, 1), "422": (2, 1), "420": (2, 2), "411": (4, 1), "410": (4, 4), "440": (1, 2)}
# Kr and Kb by FFmpeg's number of the matrix (`"ITU-T H.273"`, table 4).
MATRICES: dict[int, tuple[str, float, float]] = {
    1: ("BT.709", 0.2126, 0.0722),
    4: ("FCC", 0.30, 0.11),
    5: ("BT.601", 0.299, 0.114),
    6: ("BT.601", 0.299, 0.114),
    7: ("SMPTE 240M", 0.212, 0.087),
    9: ("BT.2020", 0.2627, 0.0593),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class YcbcrReading:
    """How YCbCr codes of one file are read: equation, range, and the steps between colour samples."""

    matrix: str
    red_weight: float
    blue_weight: float
    full_range: bool
    step_x: int
    step_y: int
    centred: bool
    interlaced: bool
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureForm:
    """What the decoder delivers for one file."""

    pixel_format: str
    bits: int
    grey: bool
    ycbcr: YcbcrReading | None
    notes: tuple[str, ...]


def _read_ycbcr(found: re.Match[str], frame: Any, bits: int, interlaced: bool) -> YcbcrReading:
    notes: list[str] = []
    step_x, step_y = _RATIO[found["ratio"]]
    number = int(frame.colorspace)
    if number not in MATRICES:
        if number not in (2, 3):
            raise MaterialError(
                f"Colour stored with matrix number {number} can't be read; needed is one of "
                f"{', '.join(sorted({m[0] for m in MATRICES.values()}))}; convert the capture to RGB first."
            )
        # Common practice, no source: standard definition BT.601, high definition BT.709.
        number = 1 if frame.width >= 1280 or frame.height > 576 else 6
        notes.append(
            f"The file doesn't say its colour matrix; {MATRICES[number][0]} was taken for a picture of "
            f"{frame.width} x {frame.height}."
        )
    full = found["kind"] == "j" or int(frame.color_range) == 2
    if found["kind"] != "j" and int(frame.color_range) not in (1, 2):
        notes.append(
            "The file doesn't say its code range; the limited range (16 to 235 in 8 bits) was taken."
        )
    centred = found["kind"] == "j" and step_x == 2
    if (step_x, step_y) != (1, 1):
        place = "between" if centred else "on"
        notes.append(
            f"Colour is stored once for {step_x} x {step_y} pixels and was spread between them, the colour "
            f"samples taken to lie {place} the columns of the picture samples."
        )
    name, red, blue = MATRICES[number]
    return YcbcrReading(
        matrix=name,
        red_weight=red,
        blue_weight=blue,
        full_range=full,
        step_x=step_x,
        step_y=step_y,
        centred=centred,
        interlaced=interlaced,
        notes=tuple(notes),
    )


def find_form(frame: Any, *, interlaced: bool) -> PictureForm:
    """How the samples of this decoded frame are to be read, once for a file.

    Raises
    ------
    MaterialError
        For palettes, bit maps, mosaics and anything else that isn't grey, RGB or YCbCr.
    """
    stored = str(frame.format.name)
    name = _REARRANGED.get(stored, stored)
    notes: list[str] = []
    if any(component.is_alpha for component in frame.format.components):
        notes.append("The file carries a transparency channel; it was left out.")
    found = _PLANAR_YCBCR.fullmatch(name)
    if found is not None:
        bits = int(found["bits"] or 8)
        reading = _read_ycbcr(found, frame, bits, interlaced)
        return PictureForm(
            pixel_format=name, bits=bits, grey=False, ycbcr=reading, notes=(*notes, *reading.notes)
        )
    bits = max(component.bits for component in frame.format.components)
    plain = re.fullmatch(r"(gray|grayf|ya|yaf|gbrp|gbrap|gbrpf|gbrapf)(\d*)(le|be|)", name)
    if (plain is None and name not in _PACKED) or bits not in (8, 9, 10, 12, 14, 16, 32):
        raise MaterialError(
            f"Pictures stored as {stored} can't be read; needed is grey, RGB or YCbCr "
            "of 8 to 16 bits a channel; "
            "convert the capture to FFV1 or to a folder of frames first."
        )
    floating = plain is not None and plain[1].endswith("f")
    grey = plain is not None and plain[1].startswith(("gray", "ya"))
    return PictureForm(
        pixel_format=name, bits=32 if floating else bits, grey=grey, ycbcr=None, notes=tuple(notes)
    )


def _plane(frame: Any, number: int, kind: str) -> NDArray[Any]:
    """One plane as stored, the padding at the row ends cut off; a view of the decoder's memory."""
    plane = frame.planes[number]
    dtype = np.dtype(kind)
    rows: NDArray[Any] = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
    return rows[:, : plane.line_size // dtype.itemsize * dtype.itemsize].view(dtype)


def _axis_positions(length: int, step: int, offset: float) -> tuple[NDArray[np.intp], NDArray[np.float32]]:
    at = (np.arange(length) - offset) / step
    low = np.floor(at).astype(np.intp)
    return low, (at - low).astype(np.float32)


def _spread(plane: NDArray[Any], length: int, step: int, offset: float, axis: int) -> NDArray[np.float32]:
    """Samples standing every `step` pixels from `offset`, spread over `length` pixels by straight lines."""
    low, part = _axis_positions(length, step, offset)
    last = plane.shape[axis] - 1
    a = np.take(plane, np.clip(low, 0, last), axis=axis).astype(np.float32, copy=False)
    b = np.take(plane, np.clip(low + 1, 0, last), axis=axis).astype(np.float32, copy=False)
    weight = part[:, None] if axis == 0 else part[None, :]
    return a + (b - a) * weight


def _spread_chroma(plane: NDArray[Any], height: int, width: int, how: YcbcrReading) -> NDArray[np.float32]:
    out: NDArray[np.float32]
    if how.step_x > 1:
        offset = (how.step_x - 1) / 2 if how.centred else 0.0
        out = _spread(plane, width, how.step_x, offset, 1)
    else:
        out = plane[:, :width].astype(np.float32)
    if how.step_y == 1:
        return out[:height]
    if not how.interlaced:
        return _spread(out, height, how.step_y, (how.step_y - 1) / 2, 0)
    # Each field by itself; colour rows lie 1/4 and 3/4 of a field row down (`"ITU-T H.264"`, 6.2).
    full = np.empty((height, width), np.float32)
    for field, offset in ((0, 0.5), (1, 1.5)):
        rows = len(range(field, height, 2))
        full[field::2] = _spread(out[field::2], rows, how.step_y, offset / 2, 0)
    return full


def rgb_from_ycbcr(
    luma: NDArray[Any], blue: NDArray[Any], red: NDArray[Any], *, bits: int, how: YcbcrReading
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """R'G'B' codes of `bits` bits, full range, from Y'CbCr codes of the same number of bits.

    Parameters
    ----------
    luma, blue, red : arrays, 2-D, unsigned
        Code values as stored; the colour planes may be smaller. Not altered.
    bits : int
        8 to 16.
    how : YcbcrReading
        Equation, range and sub-sampling.

    Returns
    -------
    array, shape (height, width, 3), uint8 for 8 bits, else uint16
        0 is black, 2^bits - 1 is white; what lies outside is cut off.

    Notes
    -----
    Source: the equations of ITU-R BT.601-7, BT.709-6 and BT.2020-2 (`"BT.601"`, `"BT.709"`, `"BT.2020"`).
    Each step is one rounded float32 operation, so every machine gives the same codes.
    """
    height, width = luma.shape
    top = float(2**bits - 1)
    scale = float(2 ** (bits - 8))
    low, span, chroma_span = (0.0, top, top) if how.full_range else (16 * scale, 219 * scale, 224 * scale)
    f = np.float32
    y = (luma.astype(np.float32) - f(low)) * f(top / span)
    middle = f(2 ** (bits - 1))
    cb = (_spread_chroma(blue, height, width, how) - middle) * f(top / chroma_span)
    cr = (_spread_chroma(red, height, width, how) - middle) * f(top / chroma_span)
    kr, kb = how.red_weight, how.blue_weight
    kg = 1 - kr - kb
    out = np.empty((height, width, 3), np.uint8 if bits == 8 else np.uint16)
    greens = y - cr * f(2 * kr * (1 - kr) / kg) - cb * f(2 * kb * (1 - kb) / kg)
    for channel, plane in enumerate((y + cr * f(2 * (1 - kr)), greens, y + cb * f(2 * (1 - kb)))):
        out[:, :, channel] = np.clip(np.rint(plane), 0, top)
    return out


def picture_samples(frame: Any, form: PictureForm) -> Samples:
    """The samples of a decoded frame, a new array: (height, width) for grey, (height, width, 3) for R G B."""
    if frame.format.name != form.pixel_format:
        frame = frame.reformat(format=form.pixel_format)
    name, width, height = form.pixel_format, frame.width, frame.height
    end = ">" if name.endswith("be") else "<"
    if form.ycbcr is not None:
        return rgb_from_ycbcr(*ycbcr_planes(frame, form), bits=form.bits, how=form.ycbcr)
    native = np.dtype(np.float32 if form.bits == 32 else np.uint8 if form.bits == 8 else np.uint16)
    if name in _PACKED:
        kind, channels, places = _PACKED[name]
        rows = _plane(frame, 0, kind)[:height, : width * channels].reshape(height, width, channels)
        out = np.empty((height, width, 3), native)
        for channel, place in enumerate(places):
            out[:, :, channel] = rows[:, :, place]
        return out
    kind = "u1" if form.bits == 8 else f"{end}{'f2' if 'f16' in name else 'f4' if form.bits == 32 else 'u2'}"
    if form.grey:
        step = 2 if name.startswith("ya") else 1
        return _plane(frame, 0, kind)[:height, : width * step : step].astype(native, order="C")
    out = np.empty((height, width, 3), native)
    planes = rgb_planes(frame, form)
    if planes is not None:
        from smallgauge.media.kernels_planes import lay_planes

        lay_planes(*planes, out.reshape(height, 3 * width))
    else:  # in the other order of bytes, or floating point
        for channel, number in enumerate((2, 0, 1)):  # stored G B R
            out[:, :, channel] = _plane(frame, number, kind)[:height, :width]
    return out


def rgb_planes(frame: Any, form: PictureForm) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]] | None:
    """Red, green and blue planes of a decoded frame, (height, at least width), where it is stored as such in whole codes and
    this computer's order of bytes: views of the decoder's memory. None for every other form."""
    if not re.fullmatch(r"gbrp(\d+le)?", form.pixel_format) or frame.format.name != form.pixel_format:
        return None
    kind = np.dtype("u1" if form.bits == 8 else "<u2")
    red, green, blue = (_plane(frame, number, kind.str) for number in (2, 0, 1))  # stored G B R
    if not all(plane.dtype.isnative and plane.flags.c_contiguous for plane in (red, green, blue)):
        return None
    return red, green, blue


def picture_bands(frame: Any, form: PictureForm) -> Iterator[Samples]:
    """The samples of a decoded frame in bands of lines from above downwards; a band is overwritten by the next.

    So they stay in the processor's nearest caches between being laid to pixels and being looked at, and no picture is laid
    into memory as a whole. Forms other than planes of R G B come in one band.
    """
    from smallgauge.media.kernels_planes import lay_planes

    planes = rgb_planes(frame, form)
    if planes is None:
        yield picture_samples(frame, form)
        return
    height, width = frame.height, frame.width
    lines = min(_BAND, height)
    room: Samples = (
        np.empty((lines, width, 3), np.uint8) if form.bits == 8 else np.empty((lines, width, 3), np.uint16)
    )
    for top in range(0, height, _BAND):
        part = room[: min(_BAND, height - top)]
        red, green, blue = (plane[top : top + len(part)] for plane in planes)
        lay_planes(red, green, blue, part.reshape(len(part), 3 * width))
        yield part


def ycbcr_planes(frame: Any, form: PictureForm) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Luma and the two colour planes of a decoded frame that is stored as YCbCr: views of the decoder's memory."""
    if form.ycbcr is None:
        raise MaterialError(f"Planes of YCbCr were asked for, and the file is stored as {form.pixel_format}.")
    if frame.format.name != form.pixel_format:
        frame = frame.reformat(format=form.pixel_format)
    width, height = frame.width, frame.height
    kind = "u1" if form.bits == 8 else f"{'>' if form.pixel_format.endswith('be') else '<'}u2"
    y, cb, cr = (_plane(frame, n, kind) for n in range(3))
    half_x, half_y = -(-width // form.ycbcr.step_x), -(-height // form.ycbcr.step_y)
    return y[:height, :width], cb[:half_y, :half_x], cr[:half_y, :half_x]


def fill_planes(frame: Any, samples: NDArray[Any]) -> None:
    """Copy grey or R G B codes into a frame of the same size in one of the formats of the FFV1 writer."""
    height, width = samples.shape[:2]
    end = f"<u{samples.dtype.itemsize}"
    if samples.ndim == 2:
        _plane(frame, 0, end)[:height, :width] = samples
    elif frame.format.name == "bgr0":
        rows = _plane(frame, 0, "u1")[:height, : width * 4].reshape(height, width, 4)
        rows[:, :, :3] = samples[:, :, ::-1]
        rows[:, :, 3] = 255
    else:
        from smallgauge.media.kernels_planes import split_planes

        planes = (_plane(frame, number, end) for number in (2, 0, 1))
        split_planes(np.ascontiguousarray(samples).reshape(height, 3 * width), *planes)


# BT.709-6, items 3.2 to 3.5, for R'G'B' in and Y'CbCr out, in units of 1/2^16.
_SHIFT = 16


def _weights(row: tuple[float, float, float], scale: float, bits: int) -> tuple[int, int, int]:
    """Weights of R, G, B for a span of `scale` codes of 8 bits, where full scale is the highest code of `bits`."""
    red, green, blue = (round(v * scale * 2 ** (bits - 8) / (2**bits - 1) * 2**_SHIFT) for v in row)
    return red, green, blue


_LUMA = (0.2126, 0.7152, 0.0722)
_BLUE = (-0.2126 / 1.8556, -0.7152 / 1.8556, 0.5)
_RED = (0.5, -0.7152 / 1.5748, -0.0722 / 1.5748)


def ycbcr_from_rgb(
    samples: NDArray[Any], *, bits: int = 8, step_y: int = 2
) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """R'G'B' to Y'CbCr 4:2:0 or 4:2:2 of the same number of bits, limited range, by the BT.709 equations.

    Parameters
    ----------
    samples : array, shape (height, width, 3), uint8 or uint16, height and width even
        R' G' B', full range. Not altered.
    bits : int
        Of the samples and of the result: 8 (uint8), or 10 (uint16).
    step_y : int
        Rows to a colour sample: 2 for 4:2:0, 1 for 4:2:2.

    Returns
    -------
    luma : array, shape (height, width)
    blue, red : arrays, shape (height / step_y, width / 2)
        Colour samples lie on every second column and, in 4:2:0, between rows (the place that H.264 takes when none is
        stated): weights 1 2 1 along the row, the mean of two rows.

    Notes
    -----
    Source: ITU-R BT.709-6, items 3.2 to 3.5 (`"BT.709"`); place of the colour samples
    `"ITU-T H.264"`, annex E.
    Whole numbers throughout, so every machine gives the same bytes.

    Examples
    --------
    >>> white = np.full((2, 2, 3), 255, np.uint8)
    >>> [int(plane[0, 0]) for plane in ycbcr_from_rgb(white)]
    [235, 128, 128]
    >>> white = np.full((2, 2, 3), 1023, np.uint16)
    >>> [int(plane[0, 0]) for plane in ycbcr_from_rgb(white, bits=10, step_y=1)]
    [940, 512, 512]
    """
    red, green, blue = (samples[:, :, c].astype(np.int32) for c in range(3))
    half, kind, unit = 1 << (_SHIFT - 1), samples.dtype, 1 << (bits - 8)

    def mix(row: tuple[float, float, float], span: int, r: Any, g: Any, b: Any) -> Any:
        weights = _weights(row, span, bits)
        return r * weights[0] + g * weights[1] + b * weights[2]

    luma = (mix(_LUMA, 219, red, green, blue) + ((16 * unit << _SHIFT) + half)) >> _SHIFT
    # The sums of rows and of 1 2 1 columns are made before the matrix: the same by linearity, and cheaper.
    thin = []
    for plane in (red, green, blue):
        rows = plane[0::2] + plane[1::2] if step_y == 2 else plane
        sums = 2 * rows[:, 0::2] + rows[:, 1::2]
        sums[:, 1:] += rows[:, 1:-1:2]
        sums[:, 0] += rows[:, 0]
        thin.append(sums.astype(np.int64))
    out, more = [], 3 if step_y == 2 else 2
    for row in (_BLUE, _RED):
        wide = mix(row, 224, *thin) + (((128 * unit << _SHIFT) + half) << more)
        out.append((wide >> (_SHIFT + more)).astype(kind))
    return luma.astype(kind), out[0], out[1]

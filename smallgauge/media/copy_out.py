"""Copies in other codings than the usual one, in segments that join without loss.

CODERS         what each coding is: coder, its own words for it, pixel format, container
create_copy    one segment in a coding: R'G'B' to Y'CbCr by BT.709
missing_coder  the coder that this installation lacks for a coding, "" where it has all

The same input gives the same bytes: one thread, closed groups of a fixed length, no date.
"""

import os
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

import av
import av.codec.context
import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.media.picture_out import FrameWriter, create_viewing
from smallgauge.media.planes import ycbcr_from_rgb
from smallgauge.media.urgency import keep_urgency

GROUP_SECONDS = 2  # between key frames; common practice, no source
_BITEXACT = av.codec.context.Flags.bitexact


@dataclass(frozen=True, slots=True, kw_only=True)
class Coder:
    """A coding of copies. `codec`, `profile`, `pixel_format` and `tag` are what a reader must find in the file."""

    encoder: str
    codec: str
    profile: str
    pixel_format: str
    tag: str  # the sample entry's four characters in MP4 and MOV
    bits: int
    step_y: int  # rows to a colour sample
    sound: str  # coding of the sound
    qualities: tuple[int, int] = (0, 0)  # lowest and highest constant rate factor; (0, 0) has none
    every_key: bool = False  # every frame can be decoded by itself

    @property
    def container(self) -> Literal["mp4", "mov"]:
        """The container that it is handed out in."""
        return "mov" if self.codec == "prores" else "mp4"


CODERS: dict[str, Coder] = {
    "h264": Coder(
        encoder="libx264",
        codec="h264",
        profile="High",
        pixel_format="yuv420p",
        tag="avc1",
        bits=8,
        step_y=2,
        sound="aac",
        qualities=(0, 51),
    ),
    "hevc": Coder(
        encoder="libx265",
        codec="hevc",
        profile="Main 10",
        pixel_format="yuv420p10le",
        tag="hvc1",
        bits=10,
        step_y=2,
        sound="aac",
        qualities=(0, 51),
    ),
    "hevc 8-bit": Coder(
        encoder="libx265",
        codec="hevc",
        profile="Main",
        pixel_format="yuv420p",
        tag="hvc1",
        bits=8,
        step_y=2,
        sound="aac",
        qualities=(0, 51),
    ),
    "av1": Coder(
        encoder="libsvtav1",
        codec="av1",
        profile="Main",
        pixel_format="yuv420p10le",
        tag="av01",
        bits=10,
        step_y=2,
        sound="aac",
        qualities=(1, 63),
    ),
    "prores": Coder(
        encoder="prores_ks",
        codec="prores",
        profile="HQ",
        pixel_format="yuv422p10le",
        tag="apch",
        bits=10,
        step_y=1,
        sound="pcm_s24le",
        every_key=True,
    ),
}


def missing_coder(coding: str) -> str:
    """The first coder, of picture or sound, that FFmpeg as installed here lacks for a coding; "" where it has all.

    Examples
    --------
    >>> missing_coder("h264")
    ''
    """
    coder = CODERS[coding]
    for name in (coder.encoder, coder.sound):
        try:
            av.Codec(name, "w")
        except (av.error.FFmpegError, ValueError):
            return name
    return ""


class _CountedWriter(FrameWriter):
    """Writes packets with decoding stamps counted by itself.

    Of fewer frames than it looks ahead libx265 gives stamps that no container takes; a segment's own are used for nothing,
    since it is joined by frame number.
    """

    _AHEAD = 16  # more than any coder here decodes ahead of showing

    def _mux(self, packets: Iterable[Any]) -> None:
        for packet in packets:
            packet.pts = round(packet.pts * Fraction(packet.time_base) / self._unit)
            packet.dts, packet.time_base = self._muxed - self._AHEAD, self._unit
            self._muxed += 1
            self._container.mux(packet)


def create_copy(
    path: Path, *, coding: str, width: int, height: int, rate: Fraction, quality: int
) -> FrameWriter:
    """A writer of one segment of a copy in a coding of CODERS.

    Parameters
    ----------
    path : Path
        Ends in `.mp4`, or in `.mov` for "prores".
    coding : str
        A key of CODERS.
    width, height : int
        Pixels, even. Pixels are square.
    rate : Fraction
        Frames a second.
    quality : int
        Constant rate factor of the coder, smaller is larger; not used by "prores", whose profile says its size.

    Raises
    ------
    CallerError
        For an odd size, an unknown coding, a quality out of range or another file name.

    Notes
    -----
    Source: ITU-T H.265, the AV1 specification and SMPTE RDD 36 through FFmpeg's coders (none seen); colour `"BT.709"`.
    Picture and sound tags stand on the frames and on the coder, else a container loses them.

    Examples
    --------
    >>> import tempfile
    >>> target = Path(tempfile.mkdtemp()) / "a.mov"
    >>> with create_copy(target, coding="prores", width=64, height=48, rate=Fraction(25), quality=0) as writer:
    ...     writer.write(np.zeros((48, 64, 3), np.uint16))
    >>> target.exists()
    True
    """
    if coding == "h264":
        return create_viewing(path, width=width, height=height, rate=rate, quality=quality)
    coder = CODERS.get(coding)
    low, high = coder.qualities if coder is not None else (0, 0)
    if (
        coder is None
        or width % 2
        or height % 2
        or min(width, height) < 2
        or path.suffix != f".{coder.container}"
        or not (low <= quality <= high or low == high)
    ):
        raise CallerError(
            f"A copy needs one of {', '.join(CODERS)}, an even size, a quality that its coder knows and the right ending, got "
            f"{coding}, {width} x {height}, {quality}, {path.name}."
        )
    chosen = coder
    kind = np.uint8 if coder.bits == 8 else np.uint16
    options = _options(coding, quality=quality, group=max(1, round(rate * GROUP_SECONDS)))

    def open_stream(temporary: Path) -> tuple[Any, Any]:
        # This coder speaks on the standard error output by itself, and only its own variable keeps it quiet.
        os.environ.setdefault("SVT_LOG", "1")
        container = av.open(str(temporary), "w", format=chosen.container, options={"fflags": "+bitexact"})
        stream: Any = container.add_stream(chosen.encoder, rate=rate, options=options)
        stream.width, stream.height, stream.pix_fmt = width, height, chosen.pixel_format
        context = stream.codec_context
        context.thread_count = 1
        context.flags |= _BITEXACT
        context.codec_tag = chosen.tag
        context.sample_aspect_ratio = Fraction(1)
        context.color_primaries, context.color_trc, context.colorspace = 1, 1, 1
        context.color_range = 1
        with (
            keep_urgency()
        ):  # the coder of AV1 makes itself and its caller real-time threads where a superuser runs it
            context.open()
        return container, stream

    def fill(samples: NDArray[Any]) -> Any:
        if samples.dtype != kind or samples.ndim != 3 or samples.shape[2] != 3:
            raise CallerError(
                f"{path.name} takes {np.dtype(kind)} R G B, got {samples.dtype} of {samples.shape}."
            )
        frame = av.VideoFrame(width, height, chosen.pixel_format)
        planes = ycbcr_from_rgb(samples, bits=chosen.bits, step_y=chosen.step_y)
        for plane, values in zip(frame.planes, planes, strict=True):
            rows = np.frombuffer(plane, kind).reshape(plane.height, -1)
            rows[:, : values.shape[1]] = values
        frame.colorspace, frame.color_range, frame.color_primaries, frame.color_trc = 1, 1, 1, 1
        return frame

    return _CountedWriter(path, open_stream=open_stream, fill=fill, width=width, height=height, rate=rate)


def _options(coding: str, *, quality: int, group: int) -> dict[str, str]:
    """A coder's own words: constant quality, closed groups of `group` frames wherever a scene changes, one thread."""
    if coding == "prores":
        return {"profile": "hq"}
    if coding == "av1":
        # No film-grain: what is seen is what was coded, never grain that the decoder draws.
        own = f"lp=1:keyint={group}:scd=0:film-grain=0"
        return {"crf": str(quality), "preset": "6", "svtav1-params": own}
    own = (
        f"pools=none:frame-threads=1:lookahead-threads=0:wpp=0:open-gop=0:keyint={group}:min-keyint={group}:scenecut=0:"
        "vui-timing-info=0:info=0:log-level=none"
    )
    return {"crf": str(quality), "preset": "medium", "x265-params": own}

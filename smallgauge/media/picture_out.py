"""Arrays to video files, in segments that join without loss.

create_lossless   one FFV1 segment in Matroska: grey or R G B codes, bit for bit
create_viewing    one H.264 segment: 8-bit R'G'B' to Y'CbCr 4:2:0 by BT.709
join_segments     the packets of the segments, copied and stamped anew, with sound, tags and chapters

The number of a frame is the clock. Matroska's own stamps are whole milliseconds, so the exact rate stands in
the tag SMALLGAUGE_RATE. The same input gives the same bytes: one thread, no date, no random number.
"""

import contextlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

import av
import av.codec.context
import numpy as np
from av.bitstream import BitStreamFilterContext
from numpy.typing import NDArray

from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.media.decoder_log import DecoderLog
from smallgauge.media.frame import Layout
from smallgauge.media.h264_repeats import repeat_settings
from smallgauge.media.packet_order import repeated_packets, repeated_whole, segment_order
from smallgauge.media.planes import fill_planes, ycbcr_from_rgb
from smallgauge.media.video_in import open_container, packets_of, picture_stream
from smallgauge.media.whole import write_whole

RATE_TAG = "SMALLGAUGE_RATE"
FilmContainer = Literal["mkv", "mp4", "mov"]
_BITEXACT = av.codec.context.Flags.bitexact
_FORMATS: dict[tuple[str, int], str] = {("grey", 8): "gray", ("rgb", 8): "bgr0"} | {
    (layout, bits): f"{name}{bits}le"
    for layout, name in (("grey", "gray"), ("rgb", "gbrp"))
    for bits in (9, 10, 12, 14, 16)
}
# RFC 9043: version 3, every frame by itself, a checksum in each slice; small contexts (best with g=1).
_FFV1 = {"level": "3", "g": "1", "slices": "24", "slicecrc": "1", "context": "0"}
_VIEWING_SECONDS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourTags:
    """What a file says of its colour, in the numbers of ITU-T H.273; 2 is "not said".

    Matrix 0 is R G B itself; 1/1 is BT.709 primaries and transfer.
    """

    primaries: int = 1
    transfer: int = 1
    matrix: int = 0
    full_range: bool = True


class FrameWriter:
    """One video file being written; a context manager. The file is there when the block ends well.

    `write` takes frames in order; `count` is how many it took. `log` is what the encoder said.
    """

    def __init__(
        self, path: Path, *, open_stream: Any, fill: Any, width: int, height: int, rate: Fraction
    ) -> None:
        self.path = path
        self.count = self._muxed = 0
        self._open_stream, self._fill = open_stream, fill
        self._shape, self._unit = (height, width), 1 / rate
        self._stack = contextlib.ExitStack()
        self._log = DecoderLog()
        self._container: Any = None
        self._stream: Any = None

    @property
    def log(self) -> tuple[str, ...]:
        """What the encoder and the container writer said so far."""
        return self._log.lines

    def __enter__(self) -> Self:
        temporary = self._stack.enter_context(write_whole(self.path))
        try:
            with self._log.listen():
                self._container, self._stream = self._open_stream(temporary)
        except BaseException as error:
            self._stack.__exit__(type(error), error, error.__traceback__)
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            with self._log.listen():
                if error is None:
                    self._mux(self._stream.encode(None))
                self._container.close()
        except BaseException as later:
            with contextlib.suppress(Exception):
                self._container.close()
            if not self._stack.__exit__(type(later), later, later.__traceback__):
                raise
        self._stack.__exit__(kind, error, trace)

    def _mux(self, packets: Iterable[Any]) -> None:
        for packet in packets:
            self._container.mux(packet)

    def write(self, samples: NDArray[Any]) -> None:
        """Encode the next frame. `samples` is not altered.

        Raises
        ------
        CallerError
            When shape, type or a code value doesn't fit the file.
        """
        if samples.shape[:2] != self._shape:
            raise CallerError(
                f"{self.path.name} takes frames of {self._shape[1]} x {self._shape[0]}, got an array "
                f"of shape {samples.shape}; all frames of a file have one size."
            )
        with self._log.listen(f"frame {self.count}"):
            frame = self._fill(samples)
            frame.pts = self.count
            frame.time_base = self._unit
            self._mux(self._stream.encode(frame))
        self.count += 1


def _check_rate(rate: Fraction) -> Fraction:
    if not isinstance(rate, Fraction) or rate <= 0:
        raise CallerError(f"A rate is a Fraction above 0 in frames a second, got {rate!r}.")
    return rate


def create_lossless(
    path: Path,
    *,
    width: int,
    height: int,
    bits: int,
    layout: Layout,
    rate: Fraction,
    colour: ColourTags | None = None,
) -> FrameWriter:
    """A writer of one FFV1 segment in Matroska that keeps every code value.

    Parameters
    ----------
    path : Path
        Ends in `.mkv` by custom; written through `write_whole`.
    width, height : int
        Pixels.
    bits : int
        8, 9, 10, 12, 14 or 16. Codes are stored as they are, not moved to the top of the word.
    layout : "grey" or "rgb"
        What `write` takes: (height, width) or (height, width, 3); uint8 for 8 bits, else uint16.
    rate : Fraction
        Frames a second.
    colour : ColourTags, optional
        Tags only, no sample changes. Default BT.709 primaries and transfer, matrix 0, full range. Grey is
        written with matrix 2: readers take matrix 0 to mean that there are three colours.

    Raises
    ------
    CallerError
        For another depth or layout, or a rate that isn't a positive Fraction.

    Notes
    -----
    Source: RFC 9043, FFV1 version 3 (`"RFC 9043"`); settings measured in the reference.

    Examples
    --------
    >>> import tempfile
    >>> target = Path(tempfile.mkdtemp()) / "a.mkv"
    >>> with create_lossless(target, width=32, height=24, bits=10, layout="grey", rate=Fraction(18)) as w:
    ...     w.write(np.full((24, 32), 1023, np.uint16))
    >>> w.count, target.exists()
    (1, True)
    """
    name = _FORMATS.get((layout, bits))
    if name is None:
        raise CallerError(
            f"FFV1 takes grey or rgb of 8, 9, 10, 12, 14 or 16 bits, got {layout} of {bits}; "
            "floating-point pictures have to be brought to whole numbers first."
        )
    _check_rate(rate)
    tags = colour or ColourTags()
    if layout == "grey" and tags.matrix == 0:
        tags = replace(tags, matrix=2)
    kind, channels = (np.uint8 if bits == 8 else np.uint16), (() if layout == "grey" else (3,))

    def open_stream(temporary: Path) -> tuple[Any, Any]:
        container = av.open(str(temporary), "w", format="matroska", options={"fflags": "+bitexact"})
        stream = container.add_stream("ffv1", rate=rate, options=dict(_FFV1))
        stream.width, stream.height, stream.pix_fmt = width, height, name
        context = stream.codec_context
        context.thread_count = 1
        context.flags |= _BITEXACT
        context.sample_aspect_ratio = Fraction(1)
        context.color_primaries, context.color_trc = tags.primaries, tags.transfer
        context.colorspace, context.color_range = tags.matrix, 2 if tags.full_range else 1
        return container, stream

    def fill(samples: NDArray[Any]) -> Any:
        if samples.dtype != kind or samples.shape != (height, width, *channels):
            raise CallerError(
                f"{path.name} takes {np.dtype(kind)} of shape {(height, width, *channels)}, got "
                f"{samples.dtype} of {samples.shape}."
            )
        if bits not in (8, 16) and samples.size and int(samples.max()) >> bits:
            raise CallerError(f"A code value of {int(samples.max())} doesn't fit into {bits} bits.")
        frame = av.VideoFrame(width, height, name)
        fill_planes(frame, samples)
        frame.color_primaries, frame.color_trc = tags.primaries, tags.transfer
        frame.colorspace, frame.color_range = tags.matrix, 2 if tags.full_range else 1
        return frame

    return FrameWriter(path, open_stream=open_stream, fill=fill, width=width, height=height, rate=rate)


def create_viewing(
    path: Path,
    *,
    width: int,
    height: int,
    rate: Fraction,
    quality: int = 19,
    preset: str = "medium",
) -> FrameWriter:
    """A writer of one H.264 segment, High profile, 4:2:0, closed groups of about two seconds.

    Parameters
    ----------
    path : Path
        Ends in `.mkv` or `.mp4`, which chooses the container.
    width, height : int
        Pixels, even. Pixels are square.
    rate : Fraction
        Frames a second.
    quality : int
        Constant rate factor, 0 (largest file) to 51; 18 to 20 is common practice, no source.
    preset : str
        The encoder's own word for its effort.

    Raises
    ------
    CallerError
        For an odd size, a quality out of range or another file name.

    Notes
    -----
    Source: ITU-T H.264, BT.709 (`"BT.709"`); quality and group length common practice, no source.
    """
    _check_rate(rate)
    container_format = {".mkv": "matroska", ".mp4": "mp4"}.get(path.suffix.lower())
    if width % 2 or height % 2 or width < 2 or height < 2 or not 0 <= quality <= 51 or not container_format:
        raise CallerError(
            f"A viewing copy needs an even size, a quality of 0 to 51 and a name in .mkv or .mp4, got "
            f"{width} x {height}, {quality}, {path.name}."
        )
    group = max(1, round(rate * _VIEWING_SECONDS))

    def open_stream(temporary: Path) -> tuple[Any, Any]:
        options = {"fflags": "+bitexact"}
        if container_format == "mp4":
            options["movflags"] = "+faststart"
        container = av.open(str(temporary), "w", format=container_format, options=options)
        encoder = {
            "crf": str(quality),
            "preset": preset,
            "profile": "high",
            "g": str(group),
            # Without mbtree: its vector code reads memory that nobody has written, and the same pictures give
            # other bytes from run to run (measured with glibc's MALLOC_PERTURB_: docs/reliability.md).
            # weightb and direct: no picture depends on its distance in time, so it can be repeated without coding.
            "x264-params": "open-gop=0:threads=1:lookahead-threads=1:mbtree=0:weightb=0:direct=spatial",
        }
        stream = container.add_stream("libx264", rate=rate, options=encoder)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        context = stream.codec_context
        context.thread_count = 1
        context.flags |= _BITEXACT
        context.sample_aspect_ratio = Fraction(1)
        context.color_primaries, context.color_trc, context.colorspace = 1, 1, 1
        context.color_range = 1
        return container, stream

    def fill(samples: NDArray[Any]) -> Any:
        if samples.dtype != np.uint8 or samples.ndim != 3 or samples.shape[2] != 3:
            raise CallerError(f"{path.name} takes uint8 R G B, got {samples.dtype} of {samples.shape}.")
        frame = av.VideoFrame(width, height, "yuv420p")
        for plane, values in zip(frame.planes, ycbcr_from_rgb(samples)):
            rows = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
            rows[:, : values.shape[1]] = values
        frame.colorspace, frame.color_range, frame.color_primaries, frame.color_trc = 1, 1, 1, 1
        return frame

    return FrameWriter(path, open_stream=open_stream, fill=fill, width=width, height=height, rate=rate)


def join_segments(
    segments: Sequence[Path],
    target: Path,
    *,
    rate: Fraction,
    frame_counts: Sequence[int],
    times: Sequence[int] | None = None,
    container: FilmContainer = "mkv",
    tags: dict[str, str] | None = None,
    sound: Path | None = None,
    chapters: Sequence[tuple[int, int, str]] = (),
    time_code: str = "",
    attachments: Sequence[tuple[str, str, bytes]] = (),
) -> tuple[str, ...]:
    """Copy the packets of the segments into one file, each stamped with its frame number.

    Parameters
    ----------
    segments : sequence of Path
        Made by one kind of writer with equal settings, in order.
    target : Path
        Written through `write_whole`.
    rate : Fraction
        Frames a second; also written as the tag SMALLGAUGE_RATE, "18/1".
    frame_counts : sequence of int
        How many frames each segment must hold.
    times : sequence of int, optional
        H.264 of `create_viewing` and ProRes only: how often each frame is shown, 1 or more. Nothing is decoded or
        coded (`packet_order.py`).
    container : "mkv", "mp4" or "mov"
        MP4 has its index at the front.
    tags : dict, optional
        Free tags; names come back in capitals from Matroska.
    sound : Path, optional
        A FLAC file for Matroska, an AAC file for MP4, a PCM file for MOV; its packets are copied.
    chapters : sequence of (first, stop, title)
        In frames.
    time_code : str
        Of the first frame, "01:00:00:00", as a track of its own in MP4 and MOV; "" is none.
    attachments : sequence of (name, media type, bytes)
        Matroska only.

    Returns
    -------
    tuple of str
        What the libraries said; nothing when all is well.

    Raises
    ------
    CallerError
        When lists differ in length, or attachments are asked for in MP4.
    FixityError
        When a segment holds another number of frames, or its coder settings differ from the first.

    Notes
    -----
    Source: Matroska is RFC 9559 (`"RFC 9559"`); that this equals a one-pass file is measured in the tests.
    """
    _check_rate(rate)
    if not segments or len(segments) != len(frame_counts) or (attachments and container != "mkv"):
        raise CallerError(
            f"join_segments needs one frame count a segment and attachments only in mkv, got {len(segments)} "
            f"segments, {len(frame_counts)} counts, {len(attachments)} attachments for {container}."
        )
    log = DecoderLog()
    needed = sum(path.stat().st_size for path in segments) + (sound.stat().st_size if sound else 0)
    with write_whole(target, needed_bytes=needed) as temporary, contextlib.ExitStack() as stack:
        options = {"fflags": "+bitexact"}
        if container != "mkv":
            options["movflags"] = f"{'+faststart' if container == 'mp4' else ''}+use_metadata_tags"
            # The optional box of bit rates holds what the demuxer guessed, which differs from run to run.
            options["write_btrt"] = "0"
        with log.listen():
            form = "matroska" if container == "mkv" else container
            out = av.open(str(temporary), "w", format=form, options=options)
        stack.callback(out.close)
        head = stack.enter_context(open_container(segments[0], log))
        template = picture_stream(head, segments[0])
        stream = _stream_like(template, out, rate, tagged=container != "mkv")
        in_h264 = template.codec_context.codec.canonical_name == "h264"
        if times is not None and in_h264:
            stream.codec_context.extradata = repeat_settings(bytes(stream.codec_context.extradata), rate=rate)
        heard: Iterator[tuple[Fraction, Any]] = iter(())
        if sound is not None:
            source = stack.enter_context(open_container(sound, log))
            if not source.streams.audio:
                raise MaterialError(f"{sound.name} holds no sound; needed is a FLAC or AAC file.")
            track = out.add_stream_from_template(source.streams.audio[0])
            heard = _sound_packets(source, track, log)
        if time_code:
            out.metadata["timecode"] = time_code
        for name, value in sorted({**(tags or {}), RATE_TAG: f"{rate.numerator}/{rate.denominator}"}.items()):
            out.metadata[name] = value
        if chapters:
            out.set_chapters([_chapter(number, *chapter, rate) for number, chapter in enumerate(chapters)])
        for name, kind, data in attachments:
            out.add_attachment(name, kind, data)
        waiting = next(heard, None)
        pictures = _picture_packets(segments, frame_counts, stream, rate, log)
        if times is not None and in_h264:
            pictures = repeated_packets(segments, frame_counts, times, stream, rate, log)
        elif times is not None:
            pictures = repeated_whole(pictures, times)
        for time, packet in pictures:
            while waiting is not None and waiting[0] <= time:
                with log.listen():
                    out.mux(waiting[1])
                waiting = next(heard, None)
            with log.listen():
                out.mux(packet)
        while waiting is not None:
            with log.listen():
                out.mux(waiting[1])
            waiting = next(heard, None)
        with log.listen():
            stack.close()
    return log.lines


def _stream_like(template: Any, out: Any, rate: Fraction, *, tagged: bool) -> Any:
    """A stream for a template's packets at a rate of its own; `tagged`: its container names the coding (hvc1, not hev1)."""
    stream = out.add_stream_from_template(template, opaque=True)
    if tagged:
        stream.codec_context.codec_tag = template.codec_context.codec_tag
    stream.codec_context.framerate = rate
    stream.time_base = 1 / rate  # else the segments' own, rounded one is passed on
    if template.codec_context.codec.canonical_name == "h264":
        _state_rate(template, stream, rate)
    return stream


def _state_rate(template: Any, stream: Any, rate: Fraction) -> None:
    """State the rate in the coder settings as well; the pictures' packets stay as they are.

    The sequence parameter set holds a rate of its own, two ticks a frame (`"ITU-T H.264"`, annex E), that of
    the segments' writer. The library changes it; its start codes become the lengths that MP4 and Matroska
    want (ISO/IEC 14496-15: 6 bytes, then length and set).
    """
    before = bytes(template.codec_context.extradata)
    BitStreamFilterContext(f"h264_metadata=tick_rate={2 * rate}", template, stream)
    changed = bytes(stream.codec_context.extradata).split(b"\x00\x00\x00\x01")[1]
    rest = 8 + int.from_bytes(before[6:8], "big")
    stream.codec_context.extradata = before[:6] + len(changed).to_bytes(2, "big") + changed + before[rest:]


def _chapter(number: int, first: int, stop: int, title: str, rate: Fraction) -> dict[str, Any]:
    return {
        "id": number + 1,
        "start": first,
        "end": stop,
        "time_base": 1 / rate,
        "metadata": {"title": title},
    }


def _sound_packets(source: Any, track: Any, log: DecoderLog) -> Iterator[tuple[Fraction, Any]]:
    stream = source.streams.audio[0]
    for packet in packets_of(source, stream, log):
        if packet.size:
            time = (packet.pts or 0) * Fraction(packet.time_base)
            packet.stream = track
            yield time, packet


def _picture_packets(
    segments: Sequence[Path], frame_counts: Sequence[int], stream: Any, rate: Fraction, log: DecoderLog
) -> Iterator[tuple[Fraction, Any]]:
    """Packets with the time at which they are decoded; stamps are frame numbers in units of 1 / rate."""
    orders = [segment_order(path, log) for path in segments]
    delay = max(ahead for _, ahead, _ in orders)
    begun = 0
    for path, wanted, (order, _, settings) in zip(segments, frame_counts, orders):
        if settings != orders[0][2]:
            raise FixityError(
                f"{path.name} was coded with other settings than {segments[0].name}; segments of one file "
                "need equal settings: make it again."
            )
        place = 0
        with open_container(path, log) as container:
            for packet in packets_of(container, picture_stream(container, path), log):
                if not packet.size:
                    continue
                if place < wanted:
                    packet.pts = begun + (order[place] if order else place)
                    packet.dts = begun + place - delay
                    packet.duration = 1
                    packet.time_base = 1 / rate
                    packet.stream = stream
                    yield Fraction(packet.dts) / rate, packet
                place += 1
        if place != wanted:
            raise FixityError(
                f"{path.name} holds {place} frames, {wanted} were written into it; make that segment again."
            )
        begun += wanted

"""Frames of a video file by their number, from any place in it.

scan_video       walk through the packets once: how many frames, with which stamps
decode_frames    frames first to stop, from the key frame before, one at a time

The number of a frame is its place in order of presentation, never its stamp: a stamp may be rounded (whole
milliseconds in Matroska). Memory holds one frame and what the decoder keeps for itself.
"""

import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av

from smallgauge.errors import MaterialError
from smallgauge.media.decoder_log import DecoderLog
from smallgauge.media.frame import PixelEncoding
from smallgauge.media.packets import Packets
from smallgauge.media.planes import PictureForm, find_form
from smallgauge.media.still_in import Damage


@dataclass(frozen=True, slots=True, kw_only=True)
class VideoScan:
    """What one walk through a video file found.

    `stamps` are the presentation stamps of all frames in order, in the stream's own unit; empty when the
    file carries none that can be trusted, and then frames are counted from its start.
    """

    width: int
    height: int
    encoding: PixelEncoding
    codec: str
    rate: Fraction | None
    count: int
    stamps: tuple[int, ...]
    form: PictureForm
    tags: tuple[tuple[str, str], ...]
    sounds: int
    notes: tuple[str, ...]
    log: tuple[str, ...]


@contextlib.contextmanager
def open_container(path: Path, log: DecoderLog) -> Iterator[Any]:
    """An open input file; anything that isn't one becomes a MaterialError.

    Raises
    ------
    MaterialError
        When FFmpeg can't open the file.
    """
    try:
        with log.listen():
            container = av.open(str(path), metadata_errors="replace")
    except (av.error.FFmpegError, OSError) as error:
        said = f" ({log.lines[-1]})" if log.lines else ""
        raise MaterialError(
            f"{path.name} can't be opened as a video or sound file: {_reason(error)}{said}; "
            "check that it was copied whole."
        ) from error
    try:
        yield container
    finally:
        with log.listen():
            container.close()


def _reason(error: BaseException) -> str:
    return str(getattr(error, "strerror", None) or error)


def picture_stream(container: Any, path: Path) -> Any:
    """The file's picture stream, set to decode in the calling thread only.

    Raises
    ------
    MaterialError
        When there is none.
    """
    streams = [s for s in container.streams.video if not s.disposition & av.stream.Disposition.attached_pic]
    if not streams:
        raise MaterialError(f"{path.name} holds no moving picture; give a video file or a folder of frames.")
    stream = streams[0]
    if stream.codec_context is None:
        raise MaterialError(
            f"{path.name} holds moving pictures of a kind that isn't read here; give another form."
        )
    stream.codec_context.thread_count = 1
    stream.codec_context.thread_type = "NONE"
    return stream


def _first_frame(container: Any, stream: Any, path: Path, log: DecoderLog) -> Any:
    """The first frame that can be decoded from where the container stands."""
    last = ""
    for packet in packets_of(container, stream, log):
        try:
            with log.listen():
                frames = packet.decode()
        except av.error.FFmpegError as error:
            last = _reason(error)
            continue
        if frames:
            return frames[0]
    raise MaterialError(
        f"No frame of {path.name} can be decoded ({last or 'it holds none'}); check that it was copied whole."
    )


def packets_of(container: Any, stream: Any, log: DecoderLog, context: str = "") -> Iterator[Any]:
    """The packets of a stream and the empty one that ends it; a broken end of the file ends them too."""
    source = container.demux(stream)
    while True:
        try:
            with log.listen(context):
                packet = next(source)
        except StopIteration:
            return
        except av.error.EOFError:
            return
        except av.error.FFmpegError as error:
            log.add(f"{context}: {_reason(error)}" if context else _reason(error))
            return
        yield packet


def find_rate(stated: Sequence[Fraction | None], stamps: Sequence[int], unit: Fraction) -> Fraction | None:
    """Frames a second: the first stated rate that the stamps bear out, else what the stamps give.

    Files state several, and some are nonsense (raw DV: 60000). A stamp may be rounded by one unit. None
    where nothing is stated and the file holds fewer than two frames, or stamps that can't be trusted.

    Examples
    --------
    >>> find_rate((Fraction(60000), Fraction(25)), [0, 2400, 4800], Fraction(1, 60000))
    Fraction(25, 1)
    >>> find_rate((Fraction(18),), [0, 56, 111, 167], Fraction(1, 1000))
    Fraction(18, 1)
    """
    rates = [Fraction(rate) for rate in stated if rate]
    if len(stamps) < 2:
        return rates[0] if rates else None
    span = (stamps[-1] - stamps[0]) * unit
    for rate in rates:
        if abs((len(stamps) - 1) / rate - span) <= unit + span / 1000:
            return rate
    return (len(stamps) - 1) / span


def _encoding(form: PictureForm, *, lossy: bool, aspect: Fraction, interlaced: bool) -> PixelEncoding:
    how = form.ycbcr
    return PixelEncoding(
        bits=form.bits,
        layout="grey" if form.grey else "rgb",
        lossy=lossy,
        sub_sampled=how is not None and (how.step_x, how.step_y) != (1, 1),
        pixel_aspect=aspect.as_integer_ratio() if aspect > 0 else (1, 1),
        interlaced=interlaced,
    )


def walk_packets(
    container: Any, stream: Any, log: DecoderLog, *, progress: Callable[[int], None] | None = None
) -> Packets:
    """Walk through the packets of a stream without decoding them; `progress` gets their number so far, every 250."""
    stamps: list[int] = []
    count = keys = 0
    for packet in packets_of(container, stream, log):
        if packet.size == 0 or packet.is_discard:
            continue
        count += 1
        if packet.pts is not None:
            stamps.append(packet.pts)
            keys += bool(packet.is_keyframe)
        if progress is not None and count % 250 == 0:
            progress(count)
    return Packets(count=count, stamps=tuple(sorted(stamps)), keys=keys)


def scan_video(
    path: Path, *, progress: Callable[[int], None] | None = None, packets: Packets | None = None
) -> VideoScan:
    """Walk through a video's packets without decoding them, and learn the form from one frame that is decoded.

    Parameters
    ----------
    path : Path
        A video file.
    progress : function, optional
        Called with the number of packets so far, every 250.
    packets : Packets, optional
        What an earlier walk through the same file found; it is then not walked through again. Of a film of ours, whose
        frames will all be decoded, the form is then what its head says, where that says it: no frame is decoded for it.

    Raises
    ------
    MaterialError
        When the file can't be opened, holds no picture, or none that can be decoded or read.
    """
    log = DecoderLog()
    with open_container(path, log) as container:
        stream = picture_stream(container, path)
        context = stream.codec_context
        told = (
            packets is not None and str(context.codec.canonical_name) == "ffv1" and context.format is not None
        )
        if told:
            first = context
        elif packets is not None:
            first = _first_frame(container, stream, path, log)
        else:  # this one stays where it is, to be walked through
            with open_container(path, log) as another:
                first = _first_frame(another, picture_stream(another, path), path, log)
        interlaced = bool(getattr(first, "interlaced_frame", False))
        interlaced |= int(getattr(context, "field_order", 0) or 0) > 1
        form = find_form(first, interlaced=interlaced)
        aspect = stream.sample_aspect_ratio or Fraction(1)
        codec = str(context.codec.canonical_name)
        lossy = bool(context.codec.lossy) and not (bool(context.codec.lossless) and codec == "huffyuv")
        sounds = len(container.streams.audio)
        tags = tuple(sorted((str(k).upper(), str(v)) for k, v in container.metadata.items()))
        stated, unit = (
            (stream.average_rate, stream.guessed_rate, stream.base_rate),
            Fraction(stream.time_base),
        )
        if packets is None:
            packets = walk_packets(container, stream, log, progress=progress)
    stamps = packets.stamps
    trusted = len(set(stamps)) == packets.count
    rate = find_rate(stated, stamps if trusted else (), unit)
    notes = list(form.notes)
    if not trusted:
        notes.append("The file's time stamps can't be trusted; frames are counted from its start.")
    if rotation := getattr(first, "rotation", 0):
        notes.append(f"The file asks to be shown turned by {rotation} degrees; frames were read as stored.")
    return VideoScan(
        width=first.width,
        height=first.height,
        encoding=_encoding(form, lossy=lossy, aspect=aspect, interlaced=interlaced),
        codec=codec,
        rate=rate,
        count=packets.count,
        stamps=stamps if trusted else (),
        form=form,
        tags=tags,
        sounds=sounds,
        notes=tuple(notes),
        log=log.lines,
    )


def decode_frames(
    path: Path, stamps: tuple[int, ...], first: int, stop: int, log: DecoderLog
) -> Iterator[tuple[int, Any]]:
    """Decoded frames with their numbers, from `first` to before `stop`, in order of presentation.

    A number that is left out couldn't be decoded; why is in the log. `stamps` as `scan_video` found them:
    with them, reading begins at the key frame before `first`, else at the file's start.
    """
    number_of = {stamp: number for number, stamp in enumerate(stamps)}
    for target in (stamps[first], None) if stamps else (None,):
        with open_container(path, log) as container:
            stream = picture_stream(container, path)
            if target is not None:
                try:
                    _seek_before(container, stream, target, log)
                except av.error.FFmpegError:
                    continue
            begun = False
            for number, frame in _numbered(container, stream, number_of, first, log):
                if not begun and target is not None and number > first:
                    break  # the key frame found lies behind: read from the start instead
                begun = True
                if number >= stop:
                    return
                if number >= first:
                    yield number, frame
            else:
                return


def _seek_before(container: Any, stream: Any, stamp: int, log: DecoderLog) -> None:
    """Go to the key frame before a stamp; with a coder that reorders frames, to the one before that.

    After a seek into an open group such a decoder misses references and says so; with one group more of
    run-in, that is over before the first frame that was asked for.
    """
    with log.listen():
        container.seek(stamp, stream=stream, backward=True, any_frame=False)
        if stream.codec_context.codec.reorder:
            key = next((p for p in container.demux(stream) if p.size), None)
            # Some containers are searched by decoding stamp, others by the stamp of showing.
            places = [stamp, *(s for s in (key.pts, key.dts) if s is not None)] if key else [stamp]
            container.seek(min(places) - 1, stream=stream, backward=True, any_frame=False)


def _numbered(
    container: Any, stream: Any, number_of: dict[int, int], first: int, log: DecoderLog
) -> Iterator[tuple[int, Any]]:
    """Decoded frames with numbers. What is said of a frame before `first` is left to whoever reads that frame:
    a decoder that begins at an open group complains of frames that nobody asked for."""
    counted = 0
    aside = DecoderLog()
    for packet in packets_of(container, stream, log):
        known = number_of.get(packet.pts) if packet.pts is not None else None
        context = f"frame {known}" if known is not None else ""
        heard = aside if known is not None and known < first else log
        try:
            with heard.listen(context):
                frames = packet.decode()
        except av.error.EOFError:
            return
        except av.error.FFmpegError as error:
            heard.add(": ".join(piece for piece in (context, _reason(error)) if piece))
            continue
        for frame in frames:
            number = number_of.get(frame.pts, -1) if number_of else counted
            counted += 1
            if number >= first and frame.is_corrupt:
                log.add(f"frame {number}: the decoder marked the picture as damaged")
            elif number >= 0:
                yield number, frame


def require_frame_size(frame: Any, width: int, height: int) -> None:
    """Raise Damage when a frame in the middle of a video has another size."""
    if (frame.width, frame.height) != (width, height):
        raise Damage(f"the frame measures {frame.width} x {frame.height}, needed {width} x {height}")

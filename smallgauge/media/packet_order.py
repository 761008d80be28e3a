"""Coded pictures of segments in the order of decoding, with their numbers in the order of showing."""

from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av

from smallgauge.errors import CallerError, FixityError
from smallgauge.media.decoder_log import DecoderLog
from smallgauge.media.h264_repeats import RepeatWriter, is_reference
from smallgauge.media.video_in import open_container, packets_of, picture_stream


def segment_order(path: Path, log: DecoderLog) -> tuple[list[int], int, bytes]:
    """Frame number of each packet of a segment, how far decoding runs ahead of showing, coder settings."""
    with open_container(path, log) as container:
        stream = picture_stream(container, path)
        settings = bytes(stream.codec_context.extradata or b"")
        if stream.codec_context.codec.canonical_name == "ffv1":
            return [], 0, settings  # in order by nature: counted while it is copied
        stamps = [packet.pts for packet in packets_of(container, stream, log) if packet.size]
    rank = {stamp: number for number, stamp in enumerate(sorted(stamps))}
    order = [rank[stamp] for stamp in stamps]
    return order, max((place - number for place, number in enumerate(order)), default=0), settings


def repeated_packets(
    segments: Sequence[Path],
    frame_counts: Sequence[int],
    times: Sequence[int],
    stream: Any,
    rate: Fraction,
    log: DecoderLog,
) -> Iterator[tuple[Fraction, Any]]:
    """Packets with the time at which they are decoded, in units of 1 / rate, with each frame as often as it is shown."""
    if len(times) != sum(frame_counts):
        raise CallerError(
            f"How often each frame is shown is needed, got {len(times)} for {sum(frame_counts)} frames."
        )
    order, settings = _written_order(segments, frame_counts, log)
    writer = RepeatWriter(settings, order, times)
    delay = max((place - number for number, place in enumerate(writer.order())), default=0)
    for number, (place, data, begins) in enumerate(writer.write(_coded_pictures(segments, log))):
        packet = av.Packet(data)
        packet.pts, packet.dts, packet.duration = place, number - delay, 1
        packet.time_base, packet.stream, packet.is_keyframe = 1 / rate, stream, begins
        yield Fraction(number - delay) / rate, packet


def repeated_whole(
    pictures: Iterator[tuple[Fraction, Any]], times: Sequence[int]
) -> Iterator[tuple[Fraction, Any]]:
    """Packets of pictures that each stand by themselves, each as often as it is shown, stamped anew.

    `pictures` come in the order of showing, as `times` does.
    """
    place = 0
    for number, (_, packet) in enumerate(pictures):
        if number >= len(times) or not packet.is_keyframe:
            raise CallerError(
                f"How often each of its frames is shown is needed, and pictures that stand by themselves; got {len(times)}."
            )
        data = bytes(packet)
        for _ in range(times[number]):
            again = av.Packet(data)
            again.pts = again.dts = place
            again.duration, again.is_keyframe = 1, True
            again.time_base, again.stream = packet.time_base, packet.stream
            yield place * Fraction(packet.time_base), again
            place += 1


def _written_order(
    segments: Sequence[Path], frame_counts: Sequence[int], log: DecoderLog
) -> tuple[list[tuple[int, bool]], bytes]:
    """Number of each picture in the order of showing, whether others refer to it, in order of decoding; settings."""
    order: list[tuple[int, bool]] = []
    begun, settings = 0, b""
    for path, wanted in zip(segments, frame_counts, strict=True):
        ranks, _, own = segment_order(path, log)
        if len(ranks) != wanted or (settings and own != settings):
            raise FixityError(
                f"{path.name} holds {len(ranks)} frames, {wanted} were written into it with the settings of the first; "
                "make that segment again."
            )
        with open_container(path, log) as container:
            refers = [
                is_reference(bytes(packet))
                for packet in packets_of(container, picture_stream(container, path), log)
                if packet.size
            ]
        order += [(begun + rank, each) for rank, each in zip(ranks, refers, strict=True)]
        begun, settings = begun + wanted, own
    return order, settings


def _coded_pictures(segments: Sequence[Path], log: DecoderLog) -> Iterator[bytes]:
    for path in segments:
        with open_container(path, log) as container:
            for packet in packets_of(container, picture_stream(container, path), log):
                if packet.size:
                    yield bytes(packet)

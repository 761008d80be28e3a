"""The sound inside a video file: what it is, when it begins, and its samples.

count_sounds_inside  video -> how many sound streams it holds
find_sound_inside    video -> SoundInside, or None where it holds none
frame_times_inside   video -> seconds of each frame, by the file's own time stamps
read_sound_inside    video -> blocks of samples
write_sound_inside   video -> WAV file of the same samples

The packets themselves are kept with the video, which the archive copy keeps byte for byte.
"""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import MaterialError
from smallgauge.media.decoder_log import DecoderLog
from smallgauge.media.sound_in import open_sound
from smallgauge.media.video_in import open_container, packets_of, picture_stream
from smallgauge.media.whole import write_whole

# Whole samples decode to these; what is coded with loss decodes to floating point, which a WAV holds as it is.
_BITS = {"u8": 8, "s16": 16, "s32": 32}
_SUBTYPES = {8: "PCM_U8", 16: "PCM_16", 24: "PCM_24", 32: "PCM_32"}
_GAP_S = (
    0.05  # stamps that leave more than this open leave silence; less is rounding. common practice, no source
)
_BLOCK = 1 << 16  # samples
_LARGEST_WAV = 1 << 32  # bytes that the sizes in a WAV can say: 32 bits (EBU Tech 3306, from memory)


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundInside:
    """The first sound stream of a video; `starts_s` is its first sample on the clock of the first frame, by the stamps."""

    codec: str
    rate: int
    channels: int
    bits: int  # 0: coded with loss, or floating point
    lossy: bool
    streams: int  # sound streams in the file
    starts_s: float


def count_sounds_inside(path: Path) -> int:
    """How many sound streams a video holds; nothing is decoded."""
    with open_container(path, DecoderLog()) as container:
        return len(container.streams.audio)


def find_sound_inside(path: Path) -> SoundInside | None:
    """What sound a video holds; None where it holds none. No sample is decoded but those of the first packet."""
    log = DecoderLog()
    with open_container(path, log) as container:
        sounds = container.streams.audio
        if not sounds:
            return None
        stream = sounds[0]
        context = stream.codec_context
        codec = context.codec
        lossy = bool(codec.lossy) and not bool(codec.lossless)
        bits = 0 if lossy else _BITS.get(str(context.format.name).removesuffix("p"), 0)
        if bits == 32 and "24" in str(codec.canonical_name):
            bits = 24
        about = (str(codec.canonical_name), int(context.sample_rate), int(context.channels), len(sounds))
    with open_container(path, log) as container:
        picture = picture_stream(container, path)
        first_picture = _first_stamp(container, picture, log)
    first_sound = next((at_s for at_s, _ in _decoded(path, log)), None)
    if first_sound is None:
        raise MaterialError(
            f"The sound inside {path.name} ({about[0]}) can't be decoded; export it beside the video as "
            f"{path.stem}.wav, or give the video without sound."
        )
    name, rate, channels, streams = about
    return SoundInside(
        codec=name,
        rate=rate,
        channels=channels,
        bits=bits,
        lossy=lossy,
        streams=streams,
        starts_s=float(first_sound - first_picture),
    )


def _first_stamp(container: object, stream: object, log: DecoderLog) -> Fraction:
    """The earliest time of showing among the first packets, s."""
    unit = Fraction(stream.time_base)  # type: ignore[attr-defined]
    stamps = []
    for packet in packets_of(container, stream, log):
        if packet.size and packet.pts is not None:
            stamps.append(packet.pts)
        if len(stamps) >= 32:  # no coder reorders further
            break
    return min(stamps, default=0) * unit


def frame_times_inside(path: Path, stamps: tuple[int, ...]) -> NDArray[np.float64]:
    """Seconds of each frame after the first, by a video's own time stamps (`CaptureListing.stamps`)."""
    with open_container(path, DecoderLog()) as container:
        unit = Fraction(picture_stream(container, path).time_base)
    return np.array([float((stamp - stamps[0]) * unit) for stamp in stamps])


def _decoded(path: Path, log: DecoderLog) -> Iterator[tuple[Fraction, NDArray[np.float64]]]:
    """Time of showing and samples (n, channels) of each decoded piece, full scale 1."""
    with open_container(path, log) as container:
        stream = container.streams.audio[0]
        stream.codec_context.thread_count = 1
        for packet in packets_of(container, stream, log):
            try:
                with log.listen():
                    frames = packet.decode()
            except av.error.EOFError:
                return
            except av.error.FFmpegError as error:
                log.add(str(error.strerror or error))
                continue
            for frame in frames:
                if frame.samples:
                    at_s = (frame.pts or 0) * Fraction(frame.time_base)
                    yield at_s, _samples(frame, stream.codec_context.channels)


def _samples(frame: av.AudioFrame, channels: int) -> NDArray[np.float64]:
    values = frame.to_ndarray()
    values = values.T if frame.format.is_planar else values.reshape(-1, channels)
    kind = frame.format.name.removesuffix("p")
    if kind == "u8":
        return np.asarray((values.astype(np.float64) - 128.0) / 128.0)
    bits = _BITS.get(kind)
    return np.asarray(values if bits is None else values / 2.0 ** (bits - 1), np.float64)


def read_sound_inside(path: Path, *, rate: int) -> Iterator[NDArray[np.float64]]:
    """The samples in order, (n, channels), full scale 1; where the stamps leave a gap there is silence."""
    place, first = 0, None
    for at_s, block in _decoded(path, DecoderLog()):
        first = at_s if first is None else first
        gap = round((at_s - first) * rate) - place
        if gap > _GAP_S * rate:
            place += gap
            yield np.zeros((gap, block.shape[1]))
        place += len(block)
        yield block


def write_sound_inside(path: Path, target: Path, inside: SoundInside) -> None:
    """Write the samples to a WAV file: whole samples bit for bit, others as 32-bit floating point."""
    import soundfile

    form = {
        "samplerate": inside.rate,
        "channels": inside.channels,
        "subtype": _SUBTYPES.get(inside.bits, "FLOAT"),
    }
    size = path.stat().st_size  # at least what the sound may need, unless it is coded with loss
    kind = "RF64" if size * 8 > _LARGEST_WAV else "WAV"
    with write_whole(target) as part, soundfile.SoundFile(part, "w", format=kind, **form) as out:
        for block in read_sound_inside(path, rate=inside.rate):
            out.write(block)


def digest_samples_inside(path: Path) -> str:
    """SHA-256 of the samples as `write_sound_inside` writes them: float64, little-endian, interleaved."""
    inside = find_sound_inside(path)
    if inside is None:
        raise MaterialError(
            f"{path.name} must hold the sound that was read out of it, found none; copy it again."
        )
    total = hashlib.sha256()
    for block in read_sound_inside(path, rate=inside.rate):
        total.update((block if inside.bits else block.astype(np.float32)).astype("<f8").tobytes())
    return total.hexdigest()


def digest_samples(path: Path) -> str:
    """The same of a sound file."""
    total = hashlib.sha256()
    with open_sound(path) as reader:
        for first in range(0, reader.samples, _BLOCK):
            total.update(reader.read(first, first + _BLOCK).astype("<f8").tobytes())
    return total.hexdigest()

"""Samples to sound files, streaming: 24-bit FLAC that is exact, AAC for viewing copies.

write_flac    blocks of samples -> .flac or .mka
write_aac     blocks of samples at 48 kHz -> .m4a
write_pcm     blocks of samples -> .mov, as they are

Sound is encoded once over the whole reel and its packets are copied when segments are joined, so no joint
has an encoder's start-up in it. The FLAC encoder silently writes 16 bits unless its own sample format is set
before the first frame: it is, and the tests hold it.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import av.codec.context
import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError, MaterialError
from smallgauge.media.decoder_log import DecoderLog
from smallgauge.media.whole import write_whole

AAC_RATE = 48000
_AAC_BITS_A_SECOND = 192_000
_LAYOUTS = {1: "mono", 2: "stereo"}
# Without noise substitution: it put other noise into either channel, so that hiss of one track on two channels became
# as wide as a hall (difference 8 dB below the sound itself; without it the channels are equal, sample for sample).
_OPTIONS = {"aac": {"aac_pns": "0"}}
_FULL_SCALE = 2**23
_LARGEST_WAV = 1 << 32  # bytes that the sizes in a WAV can say: 32 bits (EBU Tech 3306, from memory)


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenSound:
    """Length in samples of one channel, and how many samples lay beyond full scale and were cut off."""

    samples: int
    clipped: int


def whole_samples(block: NDArray[np.float64]) -> tuple[NDArray[np.int32], int]:
    """Samples of full scale 1 as 24-bit whole numbers, and how many had to be cut off.

    Parameters
    ----------
    block : array, floating
        Full scale 1. Not altered.

    Returns
    -------
    codes : array of the same shape, int32
        -2^23 to 2^23 - 1, rounded to the nearest (ties to even).
    clipped : int
        Samples more than half a step beyond that range.

    Raises
    ------
    CallerError
        For a NaN: sound that isn't known has to be made silent, and said, before it is written.

    Examples
    --------
    >>> whole_samples(np.array([0.5, -1.0, 1.5]))
    (array([ 4194304, -8388608,  8388607], dtype=int32), 1)
    """
    if np.isnan(block).any():
        raise CallerError("A sound file can't hold NaN; put silence where there is no sound.")
    codes = np.rint(np.asarray(block, np.float64) * _FULL_SCALE)
    held = np.clip(codes, -_FULL_SCALE, _FULL_SCALE - 1)
    return held.astype(np.int32), int(np.count_nonzero(codes != held))


def _check(block: NDArray[Any], channels: int) -> NDArray[np.float64]:
    block = np.asarray(block, np.float64)
    if block.ndim == 1:
        block = block[:, None]
    if block.ndim != 2 or block.shape[1] != channels:
        raise CallerError(f"Needed are blocks of shape (samples, {channels}), got {block.shape}.")
    return block


def _encode(
    path: Path,
    blocks: Iterable[NDArray[Any]],
    *,
    codec: str,
    form: str,
    sample_format: str,
    rate: int,
    channels: int,
    bits_a_second: int | None,
) -> WrittenSound:
    if channels not in _LAYOUTS:
        raise CallerError(f"Sound is written in one or two channels, got {channels}.")
    log = DecoderLog()
    place = clipped = 0
    with write_whole(path) as temporary:
        with log.listen():
            container = av.open(str(temporary), "w", format=form, options={"fflags": "+bitexact"})
        try:
            stream: Any = container.add_stream(codec, rate=rate, options=_OPTIONS.get(codec, {}))
            context = stream.codec_context
            context.format, context.layout, context.sample_rate = sample_format, _LAYOUTS[channels], rate
            context.flags |= av.codec.context.Flags.bitexact
            context.thread_count = 1
            if bits_a_second is not None:
                context.bit_rate = bits_a_second
            for block in blocks:
                codes, cut = whole_samples(_check(block, channels))
                clipped += cut
                if not len(codes):
                    continue
                if sample_format == "s32":
                    array: Any = np.ascontiguousarray(codes << 8).reshape(1, -1)
                else:
                    array = np.ascontiguousarray((codes.T / np.float32(_FULL_SCALE)).astype(np.float32))
                frame = av.AudioFrame.from_ndarray(array, format=sample_format, layout=_LAYOUTS[channels])
                frame.sample_rate, frame.pts, frame.time_base = rate, place, Fraction(1, rate)
                place += len(codes)
                with log.listen():
                    for packet in stream.encode(frame):
                        container.mux(packet)
            if place == 0:
                raise CallerError(
                    f"{path.name} would hold no sound; leave the sound out where there is none."
                )
            with log.listen():
                for packet in stream.encode(None):
                    container.mux(packet)
        finally:
            with log.listen():
                container.close()
    return WrittenSound(samples=place, clipped=clipped)


def write_flac(path: Path, blocks: Iterable[NDArray[Any]], *, rate: int, channels: int) -> WrittenSound:
    """Write blocks of samples as 24-bit FLAC; what is on the 24-bit grid comes back exactly.

    Parameters
    ----------
    path : Path
        `.flac`, or `.mka` for Matroska. Written through `write_whole`.
    blocks : iterable of arrays, shape (samples, channels), floating
        Full scale 1, in order; any lengths. Where the joints lie makes no difference to the file.
    rate, channels : int
        Samples a second; 1 or 2 channels.

    Notes
    -----
    Source: RFC 9639, FLAC (`"RFC 9639"`).

    Examples
    --------
    >>> import tempfile, soundfile
    >>> target = Path(tempfile.mkdtemp()) / "a.flac"
    >>> write_flac(target, [np.array([[0.5], [2**-23]])], rate=48000, channels=1)
    WrittenSound(samples=2, clipped=0)
    >>> soundfile.read(target)[0].tolist() == [0.5, 2**-23]
    True
    """
    form = {".flac": "flac", ".mka": "matroska"}.get(path.suffix.lower())
    if form is None:
        raise CallerError(f"A FLAC file's name ends in .flac or .mka, got {path.name}.")
    return _encode(
        path,
        blocks,
        codec="flac",
        form=form,
        sample_format="s32",
        rate=rate,
        channels=channels,
        bits_a_second=None,
    )


def write_pcm(path: Path, blocks: Iterable[NDArray[Any]], *, rate: int, channels: int) -> WrittenSound:
    """Write blocks of samples as 24-bit PCM in MOV, for films whose programs take no coded sound.

    Parameters
    ----------
    path : Path
        `.mov`. Written through `write_whole`.
    blocks : iterable of arrays, shape (samples, channels), floating
        Full scale 1, in order; any lengths.
    rate, channels : int
        Samples a second; 1 or 2 channels.

    Examples
    --------
    >>> import tempfile
    >>> target = Path(tempfile.mkdtemp()) / "a.mov"
    >>> write_pcm(target, [np.array([[0.5], [2**-23]])], rate=48000, channels=1)
    WrittenSound(samples=2, clipped=0)
    """
    if path.suffix.lower() != ".mov":
        raise CallerError(f"PCM is written into .mov, got {path.name}.")
    return _encode(
        path,
        blocks,
        codec="pcm_s24le",
        form="mov",
        sample_format="s32",
        rate=rate,
        channels=channels,
        bits_a_second=None,
    )


def cut_sound(source: Path, target: Path, *, first: int, stop: int) -> None:
    """Samples `first` to before `stop` of a sound file as a WAV of their own, every one as it is stored.

    Raises
    ------
    CallerError
        Where the file has no such samples.
    MaterialError
        Where it breaks off before them.

    Examples
    --------
    >>> import tempfile, soundfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> soundfile.write(folder / "a.wav", np.array([1, 2, 3, 4], np.int16), 48000, subtype="PCM_16")
    >>> cut_sound(folder / "a.wav", folder / "b.wav", first=1, stop=3)
    >>> soundfile.read(folder / "b.wav", dtype="int16")[0].tolist()
    [2, 3]
    """
    import soundfile

    with soundfile.SoundFile(str(source)) as reader:
        if not 0 <= first < stop <= reader.frames:
            raise CallerError(
                f"Samples {first} to {stop} were asked for of {source.name}, which has {reader.frames}."
            )
        kind = "float64" if reader.subtype in ("FLOAT", "DOUBLE") else "int32"
        form = "RF64" if (stop - first) * reader.channels * 8 >= _LARGEST_WAV else "WAV"
        settings = {"samplerate": reader.samplerate, "channels": reader.channels, "subtype": reader.subtype}
        reader.seek(first)
        with (
            write_whole(target) as temporary,
            soundfile.SoundFile(str(temporary), "w", format=form, **settings) as out,
        ):
            left = stop - first
            while left:
                block = reader.read(min(left, 1 << 16), dtype=kind, always_2d=True)
                if not len(block):
                    raise MaterialError(
                        f"{source.name} breaks off {left} samples before its end; copy it again."
                    )
                out.write(block)
                left -= len(block)


def write_aac(path: Path, blocks: Iterable[NDArray[Any]], *, rate: int, channels: int) -> WrittenSound:
    """Write blocks of samples as AAC-LC, 192 kbit/s, 48 kHz (common practice, no source).

    Parameters
    ----------
    path : Path
        `.m4a` or `.mp4`. Written through `write_whole`.
    blocks : iterable of arrays, shape (samples, channels), floating
        Full scale 1, at 48 kHz.
    rate, channels : int
        48000; 1 or 2 channels.

    Raises
    ------
    CallerError
        For another rate: change the rate of the sound first, once.
    """
    if rate != AAC_RATE or path.suffix.lower() not in (".m4a", ".mp4"):
        raise CallerError(
            f"AAC is written at {AAC_RATE} Hz into .m4a or .mp4, got {rate} Hz for {path.name}."
        )
    return _encode(
        path,
        blocks,
        codec="aac",
        form="mp4",
        sample_format="fltp",
        rate=rate,
        channels=channels,
        bits_a_second=_AAC_BITS_A_SECOND,
    )

"""Our own finished files read back for proof: stored codes, sound, tags, and every word of the decoder.

read_film    path -> FilmReader

A file that we wrote has to decode without a word: whatever stands in `log` is a failure.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import av
import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import MaterialError
from smallgauge.media.decoder_log import DecoderLog
from smallgauge.media.matroska import MatroskaCheck, read_matroska_crcs
from smallgauge.media.packets import Packets
from smallgauge.media.picture_out import RATE_TAG
from smallgauge.media.planes import Samples, find_form, picture_samples
from smallgauge.media.video_in import open_container, packets_of, picture_stream, walk_packets

__all__ = ["FilmReader", "MatroskaCheck", "read_film", "read_matroska_crcs"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CodedAs:
    """How a file says that its pictures are coded; `colour` is primaries, transfer, matrix and range (1 limited, 2 full)."""

    codec: str
    profile: str
    pixel_format: str
    tag: str  # of the sample entry, such as hvc1
    colour: tuple[int, int, int, int]
    square: bool  # pixels


class FilmReader:
    """A finished file, read from start to end; a context manager.

    `unit` is that of the packets' stamps, in seconds. `rate` is the exact rate from the
    file's own tag, else what the container says. `width`, `height`, `bits`
    and `grey` describe the stored codes, `coded` is what the file says of its coding, `packets` what lies in its picture
    stream. `sound_rate` and `sound_channels` are 0 in a silent file.
    """

    def __init__(self, path: Path, packets: Packets | None = None) -> None:
        self.path = Path(path)
        self._log = DecoderLog()
        with open_container(self.path, self._log) as container:
            stream = picture_stream(container, self.path)
            self.tags = {str(k).upper(): str(v) for k, v in sorted(container.metadata.items())}
            self.container_rate = Fraction(stream.average_rate or 0)
            context = stream.codec_context
            self.codec = str(context.codec.canonical_name)
            self.width, self.height = int(context.width), int(context.height)
            self.coded = CodedAs(
                codec=self.codec,
                profile=str(context.profile or ""),
                pixel_format=str(context.pix_fmt or ""),
                tag=str(context.codec_tag),
                colour=(context.color_primaries, context.color_trc, context.colorspace, context.color_range),
                square=(stream.sample_aspect_ratio or Fraction(1)) == 1,
            )
            sounds = container.streams.audio
            self.sound_codec = str(sounds[0].codec_context.codec.canonical_name) if sounds else ""
            self.sound_rate = int(sounds[0].codec_context.sample_rate) if sounds else 0
            self.sound_channels = int(sounds[0].codec_context.channels) if sounds else 0
            self.chapters = tuple(
                (
                    c["start"] * Fraction(c["time_base"]),
                    c["end"] * Fraction(c["time_base"]),
                    str(c["metadata"].get("title", "")),
                )
                for c in container.chapters()
            )
            self.packets = packets if packets is not None else walk_packets(container, stream, self._log)
            self.unit = Fraction(stream.time_base)
        try:
            self.rate = Fraction(self.tags[RATE_TAG]) if RATE_TAG in self.tags else self.container_rate
        except (ValueError, ZeroDivisionError) as error:
            raise MaterialError(
                f"{self.path.name} carries the rate {self.tags[RATE_TAG]!r}; needed is a fraction like 18/1."
            ) from error
        self.bits = 0
        self.grey = False
        self._sound_samples: int | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Nothing is held open: each look at the file opens it."""

    @property
    def log(self) -> tuple[str, ...]:
        """Everything that the libraries said so far; empty when all is well."""
        return self._log.lines

    @property
    def count(self) -> int:
        """Packets of the picture: how many frames the file holds. Whether they decode, `frames` shows."""
        return len(self.packets.stamps)

    @property
    def times(self) -> tuple[Fraction, ...]:
        """When each frame is shown, in seconds, from the packets' stamps in order."""
        return tuple(stamp * self.unit for stamp in self.packets.stamps)

    @property
    def span(self) -> Fraction:
        """From when the first frame is shown until the last one is, in seconds; 0 of an empty film."""
        stamps = self.packets.stamps
        return (stamps[-1] - stamps[0]) * self.unit if stamps else Fraction(0)

    def frames(self) -> Iterator[Samples]:
        """Every frame in order, as stored codes: (height, width) or (height, width, 3), R G B.

        A damaged frame comes as the decoder left it, with a line in `log`; a frame that can't be decoded
        doesn't come, with a line in `log`. Compare digests and count.
        """
        form = None
        with open_container(self.path, self._log) as container:
            stream = picture_stream(container, self.path)
            for number, packet in enumerate(packets_of(container, stream, self._log)):
                context = f"packet {number}" if packet.size else ""
                try:
                    with self._log.listen(context):
                        frames = packet.decode()
                except av.error.EOFError:
                    return
                except av.error.FFmpegError as error:
                    self._log.add(f"packet {number}: {error.strerror}")
                    continue
                for frame in frames:
                    if form is None:
                        form = find_form(frame, interlaced=False)
                        self.bits, self.grey = form.bits, form.grey
                    if frame.is_corrupt:
                        self._log.add(f"packet {number}: the decoder marked the picture as damaged")
                    yield picture_samples(frame, form)

    def sound_blocks(self) -> Iterator[NDArray[np.float64]]:
        """The sound in order, blocks of shape (samples, channels), float64, full scale 1.

        Whole samples are divided by full scale, so 24-bit sound is exact; AAC is what its decoder gives.
        """
        if not self.sound_rate:
            return
        with open_container(self.path, self._log) as container:
            stream: Any = container.streams.audio[0]
            stream.codec_context.thread_count = 1
            for packet in packets_of(container, stream, self._log):
                try:
                    with self._log.listen("sound"):
                        frames = packet.decode()
                except av.error.EOFError:
                    return
                except av.error.FFmpegError as error:
                    self._log.add(f"sound: {error.strerror}")
                    continue
                for frame in frames:
                    yield _sound_array(frame)

    @property
    def sound_samples(self) -> int:
        """Length of the decoded sound in samples of one channel; decodes all of it once. 0: silent."""
        if self._sound_samples is None:
            self._sound_samples = sum(len(block) for block in self.sound_blocks())
        return self._sound_samples


def _sound_array(frame: Any) -> NDArray[np.float64]:
    channels = len(frame.layout.channels)
    data = frame.to_ndarray()
    data = data.T if frame.format.is_planar else data.reshape(-1, channels)
    full = {"u": 2.0**7, "i": 2.0 ** (8 * data.dtype.itemsize - 1), "f": 1.0}[data.dtype.kind]
    out = np.array(data, np.float64, order="C")
    if data.dtype.kind == "u":
        out -= 128
    if full != 1.0:
        out /= full
    return out


def read_film(path: Path, packets: Packets | None = None) -> FilmReader:
    """Open a finished file for reading back; `packets` are those of its picture, where they are known.

    Raises
    ------
    MaterialError
        When it can't be opened or holds no picture.
    """
    return FilmReader(path, packets)

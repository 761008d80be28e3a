"""What lossless coding costs: FFV1 by depth, slices, context and threads, and fast codings that never hold an archive copy.

    python -m benchmarks.codec [FRAMES] [--write]

Drawn frames of 2048 x 1536 with grain, once in 16 bits and once brought to 12 and 10. CPU is user and system time of this process,
the least of three turns a frame; every coding is decoded and compared. With --write the table goes into docs/benchmarks.md.
"""

import sys
import tempfile
import time
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import Any

import av
import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from benchmarks.page import load, machine, write_part
from smallgauge.media import picture_out
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.picture.synthetic import SceneTruth, draw_frame, specimen_truth

Codes = NDArray[np.uint16]
TURNS = 3


def drawn(frames: int) -> list[Codes]:
    """A garden with grain."""
    scenes = (SceneTruth(kind="garden", first=0, stop=frames),)
    truth = specimen_truth(
        "super 8", width=2048, height=1536, frames=frames, bits=16, fast_noise=True, scenes=scenes
    )
    return [np.asarray(draw_frame(truth, n).samples, np.uint16) for n in range(frames)]


def cpu(work: Callable[[], Any]) -> tuple[float, Any]:
    """Least CPU of a few turns, and what came of it."""
    least, made = float("inf"), None
    for _ in range(TURNS):
        begin = time.process_time()
        made = work()
        least = min(least, time.process_time() - begin)
    return least, made


def ffv1(frames: list[Codes], bits: int, threads: int, **options: str) -> tuple[float, float, float]:
    """CPU to encode and to decode a frame, and its size in MB."""
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "a.mkv"

        def write() -> None:
            with av.open(str(path), "w", format="matroska") as container:
                stream: Any = container.add_stream("ffv1", rate=24, options={**picture_out._FFV1, **options})
                stream.width, stream.height, stream.pix_fmt = 2048, 1536, f"gbrp{bits}le"
                stream.codec_context.thread_count = threads
                for codes in frames:
                    frame = av.VideoFrame(2048, 1536, f"gbrp{bits}le")
                    picture_out.fill_planes(frame, codes)
                    container.mux(stream.encode(frame))
                container.mux(stream.encode(None))

        def read() -> int:
            with av.open(str(path)) as container:
                container.streams.video[0].codec_context.thread_count = threads
                return sum(1 for _ in container.decode(video=0))

        wrote, _ = cpu(write)
        took, count = cpu(read)
        listing = list_capture(path)
        with open_picture(listing) as reader:
            same = all(
                np.array_equal(frame.samples, codes)
                for frame, codes in zip(reader.frames(0, count), frames, strict=True)
            )
        assert same
        return wrote / len(frames), took / len(frames), path.stat().st_size / len(frames) / 1e6


def in_memory(
    frames: list[Codes], encode: Callable[[Codes], bytes], decode: Callable[[bytes], Codes]
) -> tuple[float, float, float]:
    """The same of a coding of single frames."""
    wrote, coded = cpu(lambda: [encode(codes) for codes in frames])
    took, decoded = cpu(lambda: [decode(data) for data in coded])
    assert all(np.array_equal(a, b) for a, b in zip(decoded, frames, strict=True))
    return wrote / len(frames), took / len(frames), sum(map(len, coded)) / len(frames) / 1e6


def tiff(codes: Codes) -> bytes:
    """TIFF with zstd of level 1 and the horizontal predictor, strips of 64 rows."""
    file = BytesIO()
    settings = {"compression": "zstd", "predictor": True, "compressionargs": {"level": 1}}
    tifffile.imwrite(file, codes, photometric="rgb", rowsperstrip=64, maxworkers=1, **settings)
    return file.getvalue()


def rows(frames: list[Codes]) -> list[str]:
    """The table's lines."""
    out = []

    def add(name: str, found: tuple[float, float, float]) -> None:
        out.append(f"| {name} | {1000 * found[0]:.0f} | {1000 * found[1]:.0f} | {found[2]:.1f} |")
        print(out[-1], flush=True)

    add("FFV1, 16 bits, 24 slices (ours)", ffv1(frames, 16, 1))
    for bits in (12, 10):
        add(f"FFV1, {bits} bits, 24 slices", ffv1([codes >> (16 - bits) for codes in frames], bits, 1))
    for name, options, threads in (
        ("4 slices", {"slices": "4"}, 1),
        ("30 slices", {"slices": "30"}, 1),
        ("context 1", {"context": "1"}, 1),
        ("24 slices, two threads", {}, 2),
    ):
        add(f"FFV1, 16 bits, {name}", ffv1(frames, 16, threads, **options))
    add(
        "TIFF, zstd 1, predictor",
        in_memory(frames, tiff, lambda data: tifffile.imread(BytesIO(data), maxworkers=1)),
    )
    add(
        "blosc2, lz4, bit shuffle",
        in_memory(
            frames,
            lambda codes: imagecodecs.blosc2_encode(
                codes, level=1, compressor="lz4", shuffle="bitshuffle", typesize=2, numthreads=1
            ),
            lambda data: np.frombuffer(imagecodecs.blosc2_decode(data, numthreads=1), np.uint16).reshape(
                frames[0].shape
            ),
        ),
    )
    add(
        "JPEG XL, lossless, effort 1",
        in_memory(
            frames,
            lambda codes: imagecodecs.jpegxl_encode(codes, lossless=True, effort=1, numthreads=1),
            lambda data: imagecodecs.jpegxl_decode(data, numthreads=1),
        ),
    )
    shape = frames[0].shape
    plain = in_memory(
        frames,
        lambda codes: codes.tobytes(),
        lambda data: np.frombuffer(data, np.uint16).reshape(shape).copy(),
    )
    add("plain bytes, copied", plain)
    return out


def hardware() -> str:
    """FFV1 coders of this build that are not FFmpeg's own software."""
    return (
        ", ".join(sorted(name for name in av.codecs_available if "ffv1" in name and name != "ffv1")) or "none"
    )


def main() -> None:
    """Measure and print."""
    words = [word for word in sys.argv[1:] if word != "--write"]
    count, begun = int(words[0]) if words else 3, load()
    text = "\n".join(
        [
            "## Lossless coding",
            "",
            f"`python -m benchmarks.codec {count}`: {count} drawn frames of 2048 x 1536 with grain; CPU ms a frame of one "
            f"process, the least of {TURNS}. {machine()}. Load {begun:.1f}. Hardware coders of FFV1 in this build of FFmpeg: "
            f"{hardware()}.",
            "",
            "| coding | encode | decode | MB a frame |",
            "| --- | --- | --- | --- |",
            *rows(drawn(count)),
        ]
    )
    print(text)
    if "--write" in sys.argv:
        write_part("codec", text)


if __name__ == "__main__":
    main()

"""What each pass costs of its own: all CPU less the same reads, encodes and one SHA-256 a frame, done bare in the same run.

    python -m benchmarks.passes [--frames 300] [--from dpx ffv1] [--bits 16] [--folder FOLDER] [--write]

draws a striped Super 8 reel of 2048 x 1536 once, as uncompressed DPX and as FFV1, and takes it through `analyse` (proxy pack,
flow and archive copy in the same reading), `render` (registration, colour, flicker; no retouching) and `prove`, in this process
alone. After each piece of work of a pass its reads and encodes are repeated bare, so both see the same machine: films are decoded
by PyAV and nothing is looked at (the survey's frames after a jump to each), single frames read by the program's reader, the files
that the proof reads from their medium read from it without a look, frames encoded by the coder alone (laying samples into its
planes and turning them into Y'CbCr counts as the pass's own), and every frame read or finished is hashed once. CPU is user and
system time of this process. What belongs to the reel and not to a frame (survey, sound, joining the tables) is in it, and told
beside it. With --write the table goes into docs/benchmarks.md.
"""

import argparse
import hashlib
import os
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

from benchmarks.page import load, machine, write_part
from smallgauge.analyse.reel import analyse_reel
from smallgauge.analyse.rows import HALO, ChunkJob
from smallgauge.analyse.source import Source, open_source
from smallgauge.crew import prepare_kernels
from smallgauge.demo import write_specimen
from smallgauge.line import Line, Settings
from smallgauge.media import picture_in
from smallgauge.media.copy_out import create_copy
from smallgauge.media.picture_in import CaptureListing, list_capture, open_picture
from smallgauge.media.picture_out import FrameWriter, create_lossless
from smallgauge.media.whole import digests_file
from smallgauge.picture.kernels import reduce_frame
from smallgauge.picture.synthetic import SceneTruth, specimen_truth
from smallgauge.prove.fixity import expected_digests
from smallgauge.prove.frames import FramesJob
from smallgauge.prove.reel import make_proof
from smallgauge.prove.screen import CopyJob
from smallgauge.record.journal import Journal
from smallgauge.record.recipe import FINISHED
from smallgauge.render.segments import SegmentJob, copy_canvas, segment_files

SIZE = (2048, 1536)
BARS_MS = {"analyse": 60.0, "render": 70.0, "prove": 30.0}
REPEATED = (
    ChunkJob,
    SegmentJob,
    FramesJob,
    CopyJob,
)  # pieces of work whose reads and encodes are repeated bare
REEL = "0004171-R01-3"
AT = "2026-01-17T10:00:00Z"


@dataclass
class Costs:
    """CPU seconds of one pass: all of it, and what was done bare."""

    frames: int
    whole: float = 0.0
    reads: float = 0.0
    encodes: float = 0.0
    hashes: float = 0.0
    aside: float = 0.0  # bare work and what it needed, which is no part of the pass
    reel: float = 0.0  # of `whole`, before the first piece of work: survey and the like

    @property
    def own(self) -> float:
        """Of the pass itself."""
        return self.whole - self.reads - self.encodes - self.hashes

    @contextmanager
    def beside(self) -> Iterator[None]:
        """Work that is not the pass's."""
        begin = time.process_time()
        yield
        self.aside += time.process_time() - begin

    @contextmanager
    def clocked(self, what: str) -> Iterator[None]:
        """Bare work of one kind."""
        begin = time.process_time()
        yield
        setattr(self, what, getattr(self, what) + time.process_time() - begin)


class Alternating:
    """Runs a pass's pieces of work here, and repeats each bare right behind it."""

    workers = 1

    def __init__(self, costs: Costs, bare: Callable[[Any, Costs], None]) -> None:
        self.costs, self.bare, self.begun = costs, bare, time.process_time()
        self.first = True

    def run(
        self,
        function: Callable[[Any, Callable[[int], None]], Any],
        jobs: Iterable[Any],
        *,
        watch: Callable[[int], None] | None = None,
        limit_s: float | None = None,
        outside: bool = False,
        mend: Callable[[Any], Any] | None = None,
    ) -> Iterator[tuple[Any, Any]]:
        """As a crew of one; what processes apart would do of outside material is the pass's own work."""
        for job in jobs:
            if not isinstance(job, REPEATED):
                yield job, function(job, lambda frames: None)
                continue
            if self.first:
                self.costs.reel, self.first = time.process_time() - self.begun, False
            result = function(job, lambda frames: None)
            with self.costs.beside():
                self.bare(job, self.costs)
            yield job, result

    def beside(
        self,
        function: Callable[[Any, Callable[[int], None]], Any],
        job: Any,
        then: Callable[[Any], None],
        *,
        watch: Callable[[int], None],
    ) -> None:
        """As a crew of one: at once."""
        then(function(job, lambda frames: None))

    def rest(self) -> None:
        """Nobody is idle."""

    def settle(self) -> None:
        """Nothing is on its way."""


def hash_frames(pictures: Iterable[Any], costs: Costs) -> None:
    """One SHA-256 a frame."""
    for samples in pictures:
        data = np.ascontiguousarray(samples)
        with costs.clocked("hashes"):
            hashlib.sha256(data).digest()


def read_bare(listing: CaptureListing, first: int, stop: int, costs: Costs) -> None:
    """Frames of a capture read and let go: a film's by its decoder alone, single ones by the program's reader."""
    if listing.kind == "video":
        decode_bare(listing.path, first, stop, costs)
        return
    with open_picture(listing) as reader:
        for number in range(first, stop):
            with costs.clocked("reads"):
                reader.read(number)


def decode_bare(path: Path, first: int, stop: int, costs: Costs) -> None:
    """Frames of a film whose frames are all key frames, by their number in the order of the file."""
    with costs.clocked("reads"), av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.codec_context.thread_count = 1
        for number, packet in enumerate(container.demux(stream)):
            if first <= number < stop:
                packet.decode()
            if number + 1 >= stop:
                break


def read_some(listing: CaptureListing, numbers: list[int], costs: Costs) -> None:
    """Frames here and there: of a film each after a jump to it, as all its frames are key frames."""
    if listing.kind != "video":
        for number in numbers:
            read_bare(listing, number, number + 1, costs)
        return
    with av.open(str(listing.path)) as container:
        stamps = [packet.pts for packet in container.demux(container.streams.video[0]) if packet.size]
    with costs.clocked("reads"), av.open(str(listing.path)) as container:
        stream = container.streams.video[0]
        stream.codec_context.thread_count = 1
        for number in numbers:
            container.seek(stamps[number], stream=stream)
            next(packet for packet in container.demux(stream) if packet.pts == stamps[number]).decode()


def decode_whole(path: Path, costs: Costs) -> None:
    """Every frame of a film."""
    with costs.clocked("reads"), av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.codec_context.thread_count = 1
        for packet in container.demux(stream):
            packet.decode()


def encode_bare(writer: FrameWriter, pictures: Iterable[Any], costs: Costs) -> None:
    """Frames through a coder into a file; laying them into its planes is taken off again."""
    with costs.clocked("encodes"):
        writer.__enter__()
    for samples in pictures:
        with costs.clocked("encodes"):
            writer.write(samples)
        begin = time.process_time()
        writer._fill(samples)
        costs.encodes -= time.process_time() - begin
    with costs.clocked("encodes"):
        writer.__exit__(None, None, None)


def bare_chunk(job: ChunkJob, costs: Costs) -> None:
    """Of a chunk of `analyse`: its frames and the halo read, hashed once, and encoded for the archive copy."""
    read_bare(job.listing, max(0, job.first - HALO), job.stop, costs)
    with open_picture(job.listing) as reader:
        pictures = [reader.read(number).samples for number in range(job.first, job.stop)]
    hash_frames(pictures, costs)
    if not job.archive:
        return
    encoding = job.listing.encoding
    with tempfile.TemporaryDirectory() as place:
        writer = create_lossless(
            Path(place) / "archive.mkv", width=SIZE[0], height=SIZE[1], bits=encoding.bits,
            layout=encoding.layout, rate=job.rate,
        )  # fmt: skip
        encode_bare(writer, pictures, costs)


def bare_segment(job: SegmentJob, costs: Costs) -> None:
    """Of a segment of `render`: its captured frames read, the finished ones encoded and hashed, the copies encoded."""
    numbers = sorted({plan.frame for plan in job.frames})
    read_bare(job.listing, numbers[0], numbers[-1] + 1, costs)
    made = list_capture(Path(job.folder) / segment_files(job.first, ())[0])
    with open_picture(made) as reader:
        pictures = [np.array(frame.samples) for frame in reader.frames(0, made.count)]
    hash_frames(pictures, costs)
    with tempfile.TemporaryDirectory() as place:
        writer = create_lossless(
            Path(place) / "finished.mkv", width=job.width, height=job.height, bits=FINISHED.bits, layout="rgb", rate=Fraction(24)
        )  # fmt: skip
        encode_bare(writer, pictures, costs)
        for copy in job.copies:
            canvas = copy_canvas(copy.recipe, job.width, job.height)
            writer = create_copy(
                Path(place) / copy.recipe.file, coding=copy.recipe.coding, width=canvas.width, height=canvas.height,
                rate=copy.rate, quality=copy.recipe.quality,
            )  # fmt: skip
            small = (
                reduce_frame(
                    pictures[n - job.first],
                    bits=FINISHED.bits,
                    width=canvas.picture_width,
                    height=canvas.picture_height,
                    canvas_width=canvas.width,
                    canvas_height=canvas.height,
                    frame=n,
                )
                for n in copy.shown
            )
            encode_bare(writer, small, costs)


def bare_check(job: Any, costs: Costs) -> None:
    """Of a piece of `prove`: its frames decoded, those of a lossless film hashed once."""
    if isinstance(job, CopyJob):
        if job.first == 0:  # a copy's pictures rest on one another: decoded once, from end to end
            decode_whole(job.listing.path, costs)
        return
    read_bare(job.listing, job.first, min(job.stop, job.listing.count), costs)
    with open_picture(job.listing) as reader:
        hash_frames(
            (frame.samples for frame in reader.frames(job.first, min(job.stop, job.listing.count))), costs
        )


@contextmanager
def counted_reads(numbers: list[int], costs: Costs) -> Iterator[None]:
    """Which frames are read before the first piece of work, by the survey."""
    read = picture_in.FrameReader.read

    def counted(self: Any, number: int) -> Any:
        if costs.reel == 0.0:
            numbers.append(number)
        return read(self, number)

    picture_in.FrameReader.read = counted  # type: ignore[method-assign]
    try:
        yield
    finally:
        picture_in.FrameReader.read = read  # type: ignore[method-assign]


def measure_analyse(source: Source, reel: Path) -> Costs:
    """`analyse` into a fresh folder."""
    costs, numbers = Costs(frames=source.listing.count), []
    runner = Alternating(costs, bare_chunk)
    begin = time.process_time()
    with counted_reads(numbers, costs):
        analyse_reel(reel, source=source, journal=Journal(reel), runner=runner, progress=silent)
    costs.whole = time.process_time() - begin - costs.aside
    before = costs.reads
    read_some(source.listing, numbers, costs)
    costs.reel -= costs.reads - before
    return costs


def measure_render(source: Source, reel: Path) -> Costs:
    """`render` of a reel that was treated."""
    costs = Costs(frames=source.listing.count)
    line = Line(reel, source, Journal(reel), Alternating(costs, bare_segment), Settings(at=AT, workers=1))  # type: ignore[arg-type]
    capture, frames = line._analyse(source)
    treatment = line.treat(capture, frames)
    line.crew.begun = begin = time.process_time()  # type: ignore[attr-defined]
    line._render(capture, frames, treatment)
    costs.whole = time.process_time() - begin - costs.aside
    return costs


def measure_prove(source: Source, reel: Path) -> Costs:
    """`prove` of the same reel."""
    costs, journal = Costs(frames=source.listing.count), Journal(reel)
    capture = picture_paper(reel)
    runner = Alternating(costs, bare_check)
    begin = time.process_time()
    expected = expected_digests(reel, journal)
    proof = make_proof(
        reel,
        source=None,
        capture=capture,
        expected=expected,
        runner=runner,
        progress=silent,
    )
    costs.whole = time.process_time() - begin - costs.aside
    if not proof.good:
        raise SystemExit("The reel that was measured is not proved; nothing is told of it.")
    before = costs.reads
    with costs.clocked("reads"):
        for name in expected:
            digests_file(reel / name, (), from_medium=True)
    costs.reel -= costs.reads - before
    return costs


def picture_paper(reel: Path) -> Any:
    """The capture's paper."""
    from smallgauge.record.capture import Capture
    from smallgauge.record.files import read_json

    return read_json(reel / "capture.json", Capture)


def silent(what: str, done: int, of: int) -> None:
    """Nobody looks."""


def draw(folder: Path, frames: int, bits: int) -> Path:
    """The reel as uncompressed DPX."""
    capture = folder / f"dpx-{bits}-{frames}"
    if not (capture / "capture.toml").is_file() or not (folder / f"{capture.name}.drawn").exists():
        truth = specimen_truth(
            "super 8", width=SIZE[0], height=SIZE[1], frames=frames, bits=bits, code_values="linear" if bits > 12 else "log",
            striped=True, fast_noise=True, camera_flicker=0.05,
            scenes=(SceneTruth(kind="garden", first=0, stop=frames // 2), SceneTruth(kind="sea", first=frames // 2, stop=frames)),
        )  # fmt: skip
        write_specimen(capture, truth, format="dpx", reel=REEL, processes=len(os.sched_getaffinity(0)))
        with (capture / "capture.toml").open("a", encoding="utf-8") as words:
            words.write('dirt = "leave"\n')
        (folder / f"{capture.name}.drawn").touch()
    return capture


def as_film(capture: Path) -> Path:
    """The same frames as FFV1 in Matroska, with the papers beside it."""
    film = capture.with_name(capture.name.replace("dpx", "ffv1") + ".mkv")
    if not film.is_file():
        listing = list_capture(capture)
        with open_picture(listing) as reader, create_lossless(
            film, width=listing.width, height=listing.height, bits=listing.encoding.bits, layout=listing.encoding.layout,
            rate=Fraction(18),
        ) as writer:  # fmt: skip
            for frame in reader.frames(0, listing.count):
                writer.write(frame.samples)
        for name, end in (
            ("capture.toml", ".capture.toml"),
            ("frames.csv", ".frames.csv"),
            ("sound.wav", ".wav"),
        ):
            if (capture / name).is_file():
                film.with_name(film.stem + end).write_bytes((capture / name).read_bytes())
    return film


def row(name: str, kind: str, costs: Costs) -> str:
    """One line of the table, CPU ms a frame."""
    ms = [
        1000 * each / costs.frames
        for each in (costs.whole, costs.reads, costs.encodes, costs.hashes, costs.own, costs.reel)
    ]
    codec = costs.reads + costs.encodes
    met = "met" if ms[4] <= BARS_MS[name] else "**not met**"
    cells = " | ".join(f"{each:.1f}" for each in ms)
    return f"| {name}, from {kind} | {cells} | {codec / costs.whole:.2f} | {costs.whole / codec:.2f} | {BARS_MS[name]:.0f}: {met} |"


def warm_up(folder: Path) -> None:
    """Libraries loaded and kernels compiled, on a reel of its own."""
    capture = draw(folder, 6, 16)
    with tempfile.TemporaryDirectory(dir=folder) as place:
        measure_all(open_source(capture), Path(place) / REEL)


def measure_all(source: Source, reel: Path) -> dict[str, Costs]:
    """The three passes, one after the other."""
    reel.mkdir(parents=True)
    return {
        "analyse": measure_analyse(source, reel),
        "render": measure_render(source, reel),
        "prove": measure_prove(source, reel),
    }


def table(frames: int, bits: int, found: dict[str, dict[str, Costs]], begun: float) -> str:
    """The part of the page."""
    lines = [
        "## Own CPU of each pass",
        "",
        f"`python -m benchmarks.passes --frames {frames} --bits {bits}`: {frames} drawn frames of {SIZE[0]} x {SIZE[1]} "
        f"in {bits} bits, striped Super 8, one process; CPU ms a frame. {machine()}. Load {begun:.2f} at the start, "
        f"{load():.2f} at the end.",
        "",
        "| pass | all CPU | bare reads | bare encodes | one SHA-256 a frame | own | of it for the reel | share of the codec | "
        "all over the codec | limit, ms |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for kind, passes in found.items():
        lines += [row(name, kind.upper(), costs) for name, costs in passes.items()]
        whole = sum(each.whole for each in passes.values())
        codec = sum(each.reads + each.encodes for each in passes.values())
        own = sum(each.own for each in passes.values())
        lines.append(
            f"| all three, from {kind.upper()} | {1000 * whole / frames:.1f} | | | | {1000 * own / frames:.1f} | | "
            f"{codec / whole:.2f} | {whole / codec:.2f} | {sum(BARS_MS.values()):.0f} |"
        )
    return "\n".join(lines)


def main() -> None:
    """Draw, measure, print."""
    words = argparse.ArgumentParser(prog="python -m benchmarks.passes")
    words.add_argument("--frames", type=int, default=300)
    words.add_argument("--bits", type=int, default=16)
    words.add_argument("--from", dest="kinds", nargs="+", choices=("dpx", "ffv1"), default=["dpx", "ffv1"])
    words.add_argument("--folder", type=Path)
    words.add_argument("--write", action="store_true")
    asked = words.parse_args()
    prepare_kernels()  # as a crew does: one thread for every library
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        warm_up(folder)
        capture = draw(folder, asked.frames, asked.bits)
        begun, found = load(), {}
        for kind in asked.kinds:
            source = open_source(capture if kind == "dpx" else as_film(capture))
            with tempfile.TemporaryDirectory(dir=folder) as place:
                found[kind] = measure_all(source, Path(place) / REEL)
            print(table(asked.frames, asked.bits, {kind: found[kind]}, begun), flush=True)
    if asked.write:
        write_part("passes", table(asked.frames, asked.bits, found, begun))


if __name__ == "__main__":
    main()

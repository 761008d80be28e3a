"""One chunk of a capture to its rows, its digests and its segment of the archive copy.

Each row depends on the survey, its own frame and, for the change of scene, the two frames before it:
nothing else, so any cutting of the reel into chunks gives the same table.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from smallgauge.analyse.meter import Meter
from smallgauge.media.digest import digest_frame
from smallgauge.media.frame import Frame, black_samples
from smallgauge.media.picture_in import CaptureListing, FrameReader, UnreadableFrame, open_picture
from smallgauge.media.picture_out import create_lossless
from smallgauge.record.capture import Capture, CapturedFile
from smallgauge.record.files import write_json
from smallgauge.record.frametable import FRAME_COLUMNS, PERFORATION_COLUMNS
from smallgauge.record.table import table_of, write_table

HALO = 2  # frames before a chunk that its rows depend on


@dataclass(frozen=True, slots=True, kw_only=True)
class ChunkJob:
    """Frames `first` to `stop` of a capture; files go to the reel's `work` folder."""

    folder: str
    listing: CaptureListing
    capture: Capture
    first: int
    stop: int
    rate: Fraction  # of the archive copy: what the capture says, for the container only
    archive: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ChunkResult:
    """Names of the files that a chunk wrote, below the reel's folder, and what the decoder said."""

    files: tuple[str, ...]
    log: tuple[str, ...]


def chunk_files(first: int, *, archive: bool) -> tuple[str, ...]:
    """Names of a chunk's files below the reel's folder.

    Examples
    --------
    >>> chunk_files(250, archive=False)[0]
    'work/rows/frames-000250.parquet'
    """
    rows = tuple(f"work/rows/{kind}-{first:06d}" for kind in ("frames", "perforations", "files"))
    names = (f"{rows[0]}.parquet", f"{rows[1]}.parquet", f"{rows[2]}.json")
    return (*names, f"work/segments/archive-{first:06d}.mkv") if archive else names


def analyse_chunk(job: ChunkJob, tick: Callable[[int], None]) -> ChunkResult:
    """Read a chunk's frames once: measure them, digest them, and write them to the archive copy."""
    folder = Path(job.folder)
    names = chunk_files(job.first, archive=job.archive)
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
    meter = Meter(job.capture)
    rows: list[dict[str, object]] = []
    fixes: list[dict[str, object]] = []
    files: list[CapturedFile] = []
    with open_picture(job.listing) as reader:
        for number in range(max(0, job.first - HALO), job.first):
            meter.look_back(_read(reader, number, job.capture.notes.frames_let_pass))

        def frames() -> Iterator[Frame | None]:
            for number in range(job.first, job.stop):
                frame = _read(reader, number, job.capture.notes.frames_let_pass)
                files.append(_captured_file(reader, job, number, frame))
                row, seen = meter.measure(number, frame)
                rows.append(row)
                fixes.extend(seen)
                tick(1)
                yield frame

        if job.archive:
            _write_archive(folder / names[3], job, frames())
        else:
            for _ in frames():
                pass
        log = tuple(reader.log)
    write_table(folder / names[0], table_of("frames", FRAME_COLUMNS, rows))
    write_table(folder / names[1], table_of("perforations", PERFORATION_COLUMNS, fixes))
    write_json(folder / names[2], files)
    return ChunkResult(files=names, log=log)


def _read(reader: FrameReader, number: int, let_pass: tuple[int, ...]) -> Frame | None:
    try:
        return reader.read(number)
    except UnreadableFrame:
        if number in let_pass:
            return None
        raise


def _captured_file(reader: FrameReader, job: ChunkJob, number: int, frame: Frame | None) -> CapturedFile:
    name = job.listing.files[number] if job.listing.kind == "folder" else job.listing.files[0]
    return CapturedFile(
        name=name,
        number=job.listing.numbers[number],
        file_sha256=reader.read_bytes_digest(number) or "",
        digest=digest_frame(frame.samples, job.listing.encoding.bits) if frame is not None else "",
    )


def _write_archive(path: Path, job: ChunkJob, frames: Iterator[Frame | None]) -> None:
    """The archive's segment: every frame as it was read; a frame let pass is a black frame, listed."""
    listing = job.listing
    black = black_samples(listing.width, listing.height, listing.encoding)
    with create_lossless(
        path,
        width=listing.width,
        height=listing.height,
        bits=listing.encoding.bits,
        layout=listing.encoding.layout,
        rate=job.rate,
    ) as writer:
        for frame in frames:
            writer.write(black if frame is None else frame.samples)

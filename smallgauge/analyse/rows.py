"""One chunk of a capture to its rows, its digests and its segment of the archive copy.

Each row depends on the survey, its own frame and, for the change of scene, the two frames before it:
nothing else, so any cutting of the reel into chunks gives the same table.
"""

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from smallgauge.analyse.frames_out import write_frames
from smallgauge.analyse.meter import Meter
from smallgauge.errors import MaterialError
from smallgauge.media.decoded import DECODED, keep_decoded
from smallgauge.media.digest import digest_frame
from smallgauge.media.frame import Frame, black_samples
from smallgauge.media.frame_files import FRAME_FORMS
from smallgauge.media.pack import display_table, pack_head, write_pack
from smallgauge.media.picture_in import CaptureListing, FrameReader, UnreadableFrame, open_picture
from smallgauge.media.picture_out import create_lossless
from smallgauge.record.archive import frame_head, segment_file
from smallgauge.record.capture import Capture, CapturedFile
from smallgauge.record.files import read_json, write_json
from smallgauge.record.frametable import FRAME_COLUMNS, PERFORATION_COLUMNS
from smallgauge.record.light import evenness_for, table_for
from smallgauge.record.material import PACK_FOLDER
from smallgauge.record.table import table_of, write_table

HALO = 2  # frames before a chunk that its rows depend on


@dataclass(frozen=True, slots=True, kw_only=True)
class ChunkJob:
    """Frames `first` to `stop` of a capture; files go to the reel's `work` folder.

    `rows` and `archive` say which of the chunk's two parts are to be made: its tables, its part of the archive copy, in this
    form ("" for none). Single frames go to their place in `archive/` at once, and the part is the list of their digests.
    """

    folder: str
    listing: CaptureListing
    capture: Capture
    first: int
    stop: int
    rate: Fraction  # of the archive copy: what the capture says, for the container only
    archive: str
    rows: bool = True
    pack: bool = False  # whether small pictures for the bench are made from the same reading as the rows
    keep: bool = False  # whether frames of a film are left decoded, for the passes after this one


@dataclass(frozen=True, slots=True, kw_only=True)
class ChunkResult:
    """Names of the files that a chunk wrote, below the reel's folder, and what the decoder said."""

    files: tuple[str, ...]
    log: tuple[str, ...]


def chunk_files(first: int, *, archive: str) -> tuple[str, ...]:
    """Names of a chunk's files below the reel's folder.

    Examples
    --------
    >>> chunk_files(250, archive="")[0]
    'work/rows/frames-000250.parquet'
    """
    rows = tuple(f"work/rows/{kind}-{first:06d}" for kind in ("frames", "perforations", "files"))
    names = (f"{rows[0]}.parquet", f"{rows[1]}.parquet", f"{rows[2]}.json")
    return (*names, segment_file(first, archive)) if archive else names


def chunk_pack(first: int) -> str:
    """Name of a chunk's part of the proxy pack, below `PACK_FOLDER`.

    Examples
    --------
    >>> chunk_pack(250)
    'chunk-000250'
    """
    return f"chunk-{first:06d}"


def analyse_chunk(job: ChunkJob, tick: Callable[[int], None]) -> ChunkResult:
    """Read a chunk's frames once: measure them, digest them, and write them to the archive copy."""
    folder = Path(job.folder)
    names = chunk_files(job.first, archive=job.archive)
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
    with open_picture(job.listing) as reader:
        made = _measured(reader, job, names, tick) if job.rows else _as_measured(reader, job, names, tick)
        return ChunkResult(files=made, log=tuple(reader.log))


def _measured(
    reader: FrameReader, job: ChunkJob, names: tuple[str, ...], tick: Callable[[int], None]
) -> tuple[str, ...]:
    """The chunk's tables and, where it is wanted, its archive segment from the same reading."""
    folder = Path(job.folder)
    meter = Meter(job.capture, evenness_for(job.capture, job.listing.root, job.listing.region))
    rows: list[dict[str, object]] = []
    fixes: list[dict[str, object]] = []
    files: list[CapturedFile] = []
    for number in range(max(0, job.first - HALO), job.first):
        meter.look_back(_read(reader, number, job.capture.notes.frames_let_pass))

    def frames(stack: ExitStack) -> Iterator[Frame | None]:
        pack = None
        if job.pack:
            head = pack_head(job.listing.width, job.listing.height)
            head = replace(head, first=job.first, count=job.stop - job.first)
            shown = display_table(table_for(job.capture.light, job.capture.encoding))
            place = folder / PACK_FOLDER
            place.mkdir(parents=True, exist_ok=True)
            pack = stack.enter_context(write_pack(place, chunk_pack(job.first), head, shown))
        for number in range(job.first, job.stop):
            frame = _read(reader, number, job.capture.notes.frames_let_pass)
            files.append(_captured_file(reader, job, number, frame))
            row, seen = meter.measure(number, frame)
            rows.append(row)
            fixes.extend(seen)
            if pack is not None:
                pack.add(frame.samples if frame is not None else None)
            if job.keep and frame is not None:
                keep_decoded(folder / DECODED, number, frame.samples)
            tick(1)
            yield frame

    with ExitStack() as stack:
        if job.archive:
            _write_archive(folder / names[3], job, frames(stack))
        else:
            for _ in frames(stack):
                pass
    write_table(folder / names[0], table_of("frames", FRAME_COLUMNS, rows))
    write_table(folder / names[1], table_of("perforations", PERFORATION_COLUMNS, fixes))
    write_json(folder / names[2], files)
    return names


def _as_measured(
    reader: FrameReader, job: ChunkJob, names: tuple[str, ...], tick: Callable[[int], None]
) -> tuple[str, ...]:
    """The archive segment alone, of the very pictures that the chunk's tables were measured from."""
    known = read_json(Path(job.folder) / names[2], tuple[CapturedFile, ...])

    def frames() -> Iterator[Frame | None]:
        for number, file in zip(range(job.first, job.stop), known, strict=True):
            frame = _read(reader, number, job.capture.notes.frames_let_pass)
            digest = digest_frame(frame.samples, job.listing.encoding.bits) if frame is not None else ""
            if digest != file.digest:
                raise MaterialError(
                    f"Captured frames must stay as they are, but {file.name} is another picture than when it was "
                    "measured; move the folder 'work' of the reel away and run the command again."
                )
            tick(1)
            yield frame

    _write_archive(Path(job.folder) / names[3], job, frames())
    return (names[3],)


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
    """The archive's part: every frame as it was read; a frame let pass is a black frame, listed."""
    listing = job.listing
    black = black_samples(listing.width, listing.height, listing.encoding)
    samples = (black if frame is None else frame.samples for frame in frames)
    if job.archive in FRAME_FORMS:
        capture = job.capture
        document = capture.notes.reel or capture.name
        head = frame_head(capture, document=document, rate=job.rate, count=listing.count)
        write_frames(
            Path(job.folder),
            path,
            samples,
            first=job.first,
            encoding=listing.encoding,
            form=job.archive,
            head=head,
        )
        return
    with create_lossless(
        path,
        width=listing.width,
        height=listing.height,
        bits=listing.encoding.bits,
        layout=listing.encoding.layout,
        rate=job.rate,
    ) as writer:
        for each in samples:
            writer.write(each)

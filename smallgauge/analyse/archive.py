"""The archive copy, once every chunk has its part: joined to one film, listed, or kept as it came; and what lies beside it.

copy_beside      guide track and pictures of the scanner, byte for byte
JoinJob          the chunks' parts of the archive copy and of the proxy pack, to be joined; `join_archive` does it
WhenJoined       what is done once they are, and the analysis' papers but one are written
keep_files       a capture that is kept as it came
archive_findings what there is to say of it
"""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from smallgauge.analyse.frames_out import frames_finding
from smallgauge.analyse.guide import ARCHIVE_GUIDE
from smallgauge.analyse.source import Source
from smallgauge.media.frame_files import FRAME_FORMS
from smallgauge.media.pack import join_packs
from smallgauge.media.picture_out import join_segments
from smallgauge.media.whole import copy_whole, digest_file
from smallgauge.record.archive import FILM
from smallgauge.record.capture import Capture
from smallgauge.record.finding import Finding
from smallgauge.record.journal import Journal
from smallgauge.record.light import kept_name
from smallgauge.record.material import PACK_FOLDER
from smallgauge.record.work import Progress


@dataclass(frozen=True, slots=True, kw_only=True)
class JoinJob:
    """The parts that the chunks made, in their order: of the archive copy (none for another form than a film) and of the pack."""

    folder: str
    parts: tuple[str, ...]  # files below the folder
    counts: tuple[int, ...]  # frames in each
    packs: tuple[str, ...]  # names below `PACK_FOLDER`
    rate: Fraction
    tags: dict[str, str]
    capture: str  # its digest
    count: int


def join_archive(job: JoinJob, tick: Callable[[int], None]) -> str:
    """Join the parts; the film's SHA-256, or "" where none was to be joined."""
    folder = Path(job.folder)
    join_packs(folder / PACK_FOLDER, job.packs, count=job.count, capture=job.capture)
    if not job.parts:
        return ""
    join_segments(
        [folder / part for part in job.parts],
        folder / FILM,
        rate=job.rate,
        frame_counts=job.counts,
        container="mkv",
        tags=job.tags,
    )
    return digest_file(folder / FILM)


class WhenJoined:
    """What comes last of an analysis: once the archive copy is joined and all papers but one are written, whichever is later."""

    def __init__(self) -> None:
        self._sha256: str | None = None
        self._complete: Callable[[str], None] | None = None

    def joined(self, sha256: str) -> None:
        """The archive copy stands."""
        self._sha256 = sha256
        self._end()

    def written(self, complete: Callable[[str], None]) -> None:
        """The papers stand; `complete` writes the one that says so."""
        self._complete = complete
        self._end()

    def _end(self) -> None:
        if self._sha256 is not None and self._complete is not None:
            self._complete(self._sha256)


def copy_beside(folder: Path, source: Source, capture: Capture, journal: Journal, key: str) -> None:
    """Keep guide track and pictures of the scanner beside the archive copy, byte for byte."""
    if source.guide is not None:
        copy_whole(source.guide, folder / ARCHIVE_GUIDE)
        journal.add_file("analyse", ARCHIVE_GUIDE, key=key)
    for picture, what in ((capture.open_gate, "open-gate"), (capture.dark, "dark")):
        if picture is not None:
            kept = kept_name(picture, what)
            if not (folder / kept).is_file() or digest_file(folder / kept) != picture.sha256:
                copy_whole(source.listing.root / picture.name, folder / kept)
            journal.add_file("analyse", kept, key=key)


def keep_files(folder: Path, source: Source, journal: Journal, key: str, progress: Progress) -> None:
    """Keep a lossy or floating-point capture as it came."""
    files = sorted(set(source.listing.files))
    for number, name in enumerate(files):
        progress("captured files copied", number, len(files))
        target = folder / "archive" / name
        if not journal.holds(f"archive/{name}", key):
            target.parent.mkdir(exist_ok=True)
            copy_whole(source.listing.root / name, target)
            journal.add_file("analyse", f"archive/{name}", key=key)
    progress("captured files copied", len(files), len(files))


def archive_findings(source: Source, form: str) -> tuple[Finding, ...]:
    """What is kept as it came, byte for byte; `form` is the archive copy's, "" for none of its own."""
    found = []
    half = source.half
    if half is not None:
        told: dict[str, object] = {"film": half.film, "capture": half.capture}
        return (Finding(code="archive of both films", where="capture", values=told),)
    if not form:
        values: dict[str, object] = {"format": source.listing.format}
        found.append(Finding(code="archive kept as it came", where="capture", values=values))
    elif form in FRAME_FORMS:
        found.append(frames_finding(source.listing, form))
    if source.sound is not None:  # what is inside the video is kept with it
        found.append(Finding(code="archive sound copied", where="sound"))
    return tuple(found)

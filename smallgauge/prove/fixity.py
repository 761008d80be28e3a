"""Digests: are the files those that were written?

read_files            files -> their digests, each read once, by whoever works
check_files           a reel's folder and what is on record -> the files, what is wrong
check_captured_files  the captured files and `capture.json` -> how many are equal, what is wrong
check_manifest        a package and its list -> how many were compared, what is wrong
"""

import stat
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from smallgauge.errors import MaterialError
from smallgauge.media.matroska import MatroskaCheck, MatroskaWalk
from smallgauge.media.whole import digests_file
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.finding import FileDigest, Finding, Proof
from smallgauge.record.journal import Journal
from smallgauge.record.order import ORDER_PAPER
from smallgauge.record.package import FAMILY_SUMS, read_sums
from smallgauge.record.work import Progress, Runner, silent

MANIFEST = f"package/{FAMILY_SUMS}"
GROUP_BYTES = 64 * 10**6  # read by one worker in a row, a larger file by itself; common practice, no source
# Written when the proof is done, so no part of it; their own digests stand in the journal and SHA256SUMS.
AFTER_PROOF = (
    "proof.json",
    "stills/contact-sheet.jpg",
    "start-here.html",
    "report.html",
    "report.pdf",
    "read-me-first.txt",
    "reels.csv",
    "package.json",
    ORDER_PAPER,
)


def expected_digests(folder: Path, journal: Journal) -> dict[str, str]:
    """SHA-256 of each final file as the journal knows it, or, without a journal, the last proof."""
    if journal.lines:
        return {
            name: line.sha256 for name, line in sorted(journal.lines.items()) if not name.startswith("work/")
        }
    proof = folder / "proof.json"
    if not proof.exists():
        return {}
    return {file.name: file.sha256 for file in read_json(proof, Proof).files}


@dataclass(frozen=True, slots=True, kw_only=True)
class FileAsked:
    """A file that is to be read whole: digests of these kinds, `from_medium` as for `digests_file`."""

    path: Path
    kinds: tuple[str, ...] = ("sha256",)
    from_medium: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class FileRead:
    """A file as it was read: bytes, digests, and of a Matroska file what its own checksums say of the very same bytes."""

    bytes: int
    digests: Mapping[str, str]
    container: MatroskaCheck | None

    @property
    def sha256(self) -> str:
        """The digest that everything of a reel is known by."""
        return self.digests["sha256"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    """Files that one worker reads, one after the other."""

    files: tuple[FileAsked, ...]


def _read(file: FileAsked) -> FileRead:
    size = file.path.stat().st_size
    walk = MatroskaWalk(file.path.name, size) if file.path.suffix.lower() == ".mkv" else None
    watch = walk.update if walk is not None else None
    digests = digests_file(file.path, file.kinds, from_medium=file.from_medium, watch=watch)
    try:
        container = walk.result() if walk is not None else None
    except MaterialError:  # said by whoever asks for its checksums
        container = None
    return FileRead(bytes=size, digests=digests, container=container)


def _read_group(group: _Group, tick: Callable[[int], None]) -> tuple[FileRead, ...]:
    found = []
    for file in group.files:
        found.append(_read(file))
        tick(1)
    return tuple(found)


def read_files(
    asked: Iterable[FileAsked], *, runner: Runner | None, progress: Progress
) -> dict[Path, FileRead]:
    """Read files by the runner's workers (here, where there is none); those that are not there are left out.

    Large files begin first, so that none is left over at the end; small ones follow one another in the order given. A
    file that has several names is read once.
    """
    sizes: dict[Path, int] = {}
    first: dict[tuple[object, ...], FileAsked] = {}
    same: dict[Path, Path] = {}  # another name of a file -> the name that it is read by
    for file in asked:
        try:
            found = file.path.stat()
        except (OSError, ValueError):
            continue
        if not stat.S_ISREG(found.st_mode):
            continue
        linked = found.st_nlink > 1 and found.st_ino != 0
        own = (found.st_dev, found.st_ino) if linked else (file.path,)
        before = first.setdefault((own, file.kinds), file)
        if before.from_medium < file.from_medium:
            first[own, file.kinds] = replace(before, from_medium=True)
        sizes[before.path], same[file.path] = found.st_size, before.path
    groups = _groups(list(first.values()), sizes)
    done: dict[Path, FileRead] = {}
    progress("files hashed", 0, len(first))
    if runner is None:
        for group in groups:
            done.update(
                zip((file.path for file in group.files), _read_group(group, lambda _: None), strict=True)
            )
            progress("files hashed", len(done), len(first))
    else:
        ran = runner.run(_read_group, groups, watch=lambda files: progress("files hashed", files, len(first)))
        for group, read in ran:
            done.update(zip((file.path for file in group.files), read, strict=True))
    progress("files hashed", len(first), len(first))
    return {path: done[read_by] for path, read_by in same.items()}


def _groups(files: list[FileAsked], sizes: Mapping[Path, int]) -> list[_Group]:
    """Large files by themselves, the largest first, then the small ones in their order, so many bytes at a time."""
    large = [file for file in files if sizes[file.path] >= GROUP_BYTES]
    groups = [_Group(files=(file,)) for file in sorted(large, key=lambda file: -sizes[file.path])]
    together: list[FileAsked] = []
    filled = 0
    for file in files:
        if sizes[file.path] >= GROUP_BYTES:
            continue
        if together and filled + sizes[file.path] > GROUP_BYTES:
            groups.append(_Group(files=tuple(together)))
            together, filled = [], 0
        together.append(file)
        filled += sizes[file.path]
    return [*groups, _Group(files=tuple(together))] if together else groups


def check_files(
    folder: Path, expected: Mapping[str, str], read: Mapping[Path, FileRead]
) -> tuple[tuple[FileDigest, ...], tuple[Finding, ...]]:
    """Compare files of a folder, as they were just read, with the digests on record."""
    found: list[Finding] = []
    files: list[FileDigest] = []
    for name, sha256 in expected.items():
        file = read.get(folder / name)
        if file is None:
            found.append(Finding(code="file missing", where=name, values={"file": name}))
            continue
        files.append(FileDigest(name=name, bytes=file.bytes, sha256=file.sha256))
        if file.sha256 != sha256:
            found.append(Finding(code="file digest differs", where=name, values={"file": name}))
    return tuple(files), tuple(found)


def check_manifest(
    folder: Path,
    *,
    known: Mapping[Path, FileRead] | None = None,
    runner: Runner | None = None,
    progress: Progress = silent,
) -> tuple[int, tuple[Finding, ...]]:
    """Compare every file of a package with its SHA256SUMS; gives how many were compared. `known` were read just now."""
    manifest = folder / MANIFEST
    if not manifest.exists():
        return 0, ()
    found: list[Finding] = []
    lines = read_sums(manifest.read_bytes().decode("utf-8", errors="replace"), FAMILY_SUMS)
    read = dict(known or {})
    asked = package_files(folder)
    read.update(read_files((f for f in asked if f.path not in read), runner=runner, progress=progress))
    listed = set()
    for line in lines:
        if line is None:
            found.append(Finding(code="file digest differs", where=MANIFEST, values={"file": MANIFEST}))
            continue
        name, sha256 = line
        listed.add(name)
        file = read.get(folder / "package" / name)
        if file is None:
            found.append(Finding(code="file missing", where=name, values={"file": f"package/{name}"}))
        elif file.sha256 != sha256:
            found.append(Finding(code="file digest differs", where=name, values={"file": f"package/{name}"}))
    for path in sorted((folder / "package").rglob("*")):
        name = path.relative_to(folder / "package").as_posix()
        if path.is_file() and name not in listed and name != FAMILY_SUMS:
            found.append(Finding(code="package incomplete", where=name, values={"file": f"package/{name}"}))
    return len(lines), tuple(found)


def package_files(folder: Path) -> list[FileAsked]:
    """The files that a reel's package lists, to be read; none where there is no package."""
    manifest = folder / MANIFEST
    if not manifest.exists():
        return []
    lines = read_sums(manifest.read_bytes().decode("utf-8", errors="replace"), FAMILY_SUMS)
    return [FileAsked(path=folder / "package" / line[0]) for line in lines if line is not None]


def captured_digests(capture: Capture) -> dict[str, str]:
    """SHA-256 of each captured file by its name, as `capture.json` has it."""
    wanted = {file.name: file.file_sha256 for file in capture.files if file.file_sha256}
    if capture.sound is not None and not capture.sound.inside:  # else it is a part of the video
        wanted[capture.sound.name] = capture.sound.sha256
    if capture.guide is not None:
        wanted[capture.guide.name] = capture.guide.sha256
    for picture in (capture.open_gate, capture.dark):
        if picture is not None:
            wanted[picture.name] = picture.sha256
    return wanted


def captured_files(source: Path, wanted: Mapping[str, str]) -> list[FileAsked]:
    """The captured files where they lie, to be read."""
    base = source if source.is_dir() else source.parent
    return [FileAsked(path=base / name, from_medium=False) for name in wanted]


def check_captured_files(
    source: Path, wanted: Mapping[str, str], read: Mapping[Path, FileRead]
) -> tuple[int, tuple[Finding, ...]]:
    """Compare the captured files, as they were just read, with `capture.json`: how many are equal, findings."""
    equal = 0
    found: list[Finding] = []
    for (name, sha256), asked in zip(wanted.items(), captured_files(source, wanted), strict=True):
        file = read.get(asked.path)
        if file is not None and file.sha256 == sha256:
            equal += 1
            continue
        code = "file missing" if file is None else "file digest differs"
        found.append(Finding(code=code, where="capture", values={"file": name}))
    return equal, tuple(found)

"""Digests: are the files those that were written?"""

from collections.abc import Mapping
from pathlib import Path

from smallgauge.media.whole import digest_file
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.finding import FileDigest, Finding, Proof
from smallgauge.record.journal import Journal
from smallgauge.record.order import ORDER_PAPER
from smallgauge.record.package import FAMILY_SUMS, read_sums
from smallgauge.record.work import Progress

MANIFEST = f"package/{FAMILY_SUMS}"
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


def check_files(
    folder: Path, expected: Mapping[str, str], progress: Progress, *, known: Mapping[str, str] | None = None
) -> tuple[tuple[FileDigest, ...], tuple[Finding, ...]]:
    """Hash every expected file again, from the medium where the system can; those in `known` were hashed just now."""
    found: list[Finding] = []
    files: list[FileDigest] = []
    for number, (name, sha256) in enumerate(expected.items()):
        progress("files hashed", number, len(expected))
        path = folder / name
        if not path.is_file():
            found.append(Finding(code="file missing", where=name, values={"file": name}))
            continue
        digest = (known or {}).get(name) or digest_file(path, from_medium=True)
        files.append(FileDigest(name=name, bytes=path.stat().st_size, sha256=digest))
        if digest != sha256:
            found.append(Finding(code="file digest differs", where=name, values={"file": name}))
    progress("files hashed", len(expected), len(expected))
    return tuple(files), tuple(found)


def check_manifest(folder: Path) -> tuple[int, tuple[Finding, ...]]:
    """Hash every file of a package against its SHA256SUMS; gives how many were compared."""
    manifest = folder / MANIFEST
    if not manifest.exists():
        return 0, ()
    found: list[Finding] = []
    lines = read_sums(manifest.read_bytes().decode("utf-8", errors="replace"), FAMILY_SUMS)
    listed = set()
    for line in lines:
        if line is None:
            found.append(Finding(code="file digest differs", where=MANIFEST, values={"file": MANIFEST}))
            continue
        name, sha256 = line
        listed.add(name)
        path = folder / "package" / name
        if not path.is_file():
            found.append(Finding(code="file missing", where=name, values={"file": f"package/{name}"}))
        elif digest_file(path, from_medium=True) != sha256:
            found.append(Finding(code="file digest differs", where=name, values={"file": f"package/{name}"}))
    for path in sorted((folder / "package").rglob("*")):
        name = path.relative_to(folder / "package").as_posix()
        if path.is_file() and name not in listed and name != FAMILY_SUMS:
            found.append(Finding(code="package incomplete", where=name, values={"file": f"package/{name}"}))
    return len(lines), tuple(found)


def check_captured_files(
    source: Path, capture: Capture, progress: Progress
) -> tuple[int, int, tuple[Finding, ...]]:
    """Hash the captured files where they lie against `capture.json`: (compared, equal, findings)."""
    wanted: dict[str, str] = {}
    for file in capture.files:
        if file.file_sha256:
            wanted[file.name] = file.file_sha256
    if capture.sound is not None and not capture.sound.inside:  # else it is a part of the video
        wanted[capture.sound.name] = capture.sound.sha256
    if capture.guide is not None:
        wanted[capture.guide.name] = capture.guide.sha256
    for picture in (capture.open_gate, capture.dark):
        if picture is not None:
            wanted[picture.name] = picture.sha256
    base = source if source.is_dir() else source.parent
    equal = 0
    found: list[Finding] = []
    for number, (name, sha256) in enumerate(wanted.items()):
        if number % 50 == 0:
            progress("captured files hashed", number, len(wanted))
        path = base / name
        if not path.is_file():
            found.append(Finding(code="file missing", where="capture", values={"file": name}))
        elif digest_file(path) != sha256:
            found.append(Finding(code="file digest differs", where="capture", values={"file": name}))
        else:
            equal += 1
    progress("captured files hashed", len(wanted), len(wanted))
    return len(wanted), equal, tuple(found)

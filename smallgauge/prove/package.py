"""A package or a bag, years later and on another machine: every file against its list, then all that a reel is proved by.

read_list       a folder -> its list of digests, or None where it has none
prove_package   package -> Proof; nothing is written into it

The list names places; the package's own `proof.json` names the reel's files. Which place holds which file follows
from the digests that both give, and where one of them was damaged from the names. The reel's folder is laid
out as links in a scratch folder, and proved like any other.
"""

import re
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from smallgauge.errors import FixityError, MaterialError
from smallgauge.media.film_in import read_film
from smallgauge.media.matroska import read_matroska_crcs
from smallgauge.media.whole import FAT_LARGEST, largest_file_bytes, medium_doubt, safe_file_name
from smallgauge.prove.bench import Bench
from smallgauge.prove.fixity import FileAsked, FileRead, read_files
from smallgauge.prove.programme import prove_programme
from smallgauge.prove.reel import SCRATCH, make_proof
from smallgauge.record.capture import Capture, digest_capture
from smallgauge.record.files import read_json
from smallgauge.record.finding import FileDigest, Finding, Proof
from smallgauge.record.package import (
    BAG_SUMS,
    BAG_TAG_SUMS,
    FAMILY_SUMS,
    PIECES_NOTE,
    digest_pieces,
    is_inside,
    kind_of_sums,
    pieces_of,
    read_sums,
)
from smallgauge.record.programme import FILM as PROGRAMME_FILM
from smallgauge.record.programme import PAPER as PROGRAMME_PAPER
from smallgauge.record.programme import ProgrammePaper
from smallgauge.record.work import Progress, Runner

LONGEST_PLACE = 180  # characters of a path: delivery reference, section 11 (below 200 in all)
_OXUM = re.compile(r"Payload-Oxum: (\d+)\.(\d+)")
_FOLDERS = ("Watch these/", "For editing/", "Pictures/", "For later/", "data/")
_FAMILY_FOLDERS = ("Watch these", "For later")
_FILMS = (".mkv", ".mp4", ".mov")


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageFiles:
    """What a package's list says: place -> digest, of which kind, and what is wrong with the list itself."""

    root: Path
    bag: bool
    digests: Mapping[str, str]
    findings: tuple[Finding, ...] = ()

    @property
    def kind(self) -> str:
        """Of the digests, by `hashlib`'s name."""
        return kind_of_sums(BAG_SUMS if self.bag else FAMILY_SUMS)

    @property
    def lists(self) -> tuple[str, ...]:
        """The files of digests, which name themselves nowhere."""
        return (BAG_TAG_SUMS,) if self.bag else (FAMILY_SUMS,)


@dataclass(slots=True, kw_only=True)
class _Hashed:
    """Files as they were read, by place, and places that are not what they are to be."""

    read: dict[str, FileRead] = field(default_factory=dict)
    bad: set[str] = field(default_factory=set)
    in_pieces: set[str] = field(default_factory=set)


def read_list(folder: Path) -> PackageFiles | None:
    """The list of a family's package or of a bag; None where the folder is neither."""
    bag = (folder / "bagit.txt").is_file() or (folder / BAG_SUMS).is_file()
    names = (BAG_SUMS, BAG_TAG_SUMS) if bag else (FAMILY_SUMS,)
    if not bag and not any((folder / name).exists() for name in (FAMILY_SUMS, *_FAMILY_FOLDERS)):
        return None
    digests: dict[str, str] = {}
    found: list[Finding] = []
    for name in names:
        path = folder / name
        if not path.is_file():
            found.append(Finding(code="file missing", where=name, values={"file": name}))
            continue
        text = path.read_bytes().decode("utf-8", errors="replace")
        if text and not text.endswith("\n"):  # a list ends with its last line's end: a line may be cut
            found.append(Finding(code="file digest differs", where=name, values={"file": name}))
        for line in read_sums(text, name):
            if line is None or not _inside(folder, line[0]):
                found.append(Finding(code="file digest differs", where=name, values={"file": name}))
                continue
            digests[line[0]] = line[1]
    return PackageFiles(root=folder, bag=bag, digests=digests, findings=tuple(found))


def _inside(root: Path, place: str) -> bool:
    """Whether a file that is listed lies in the package: no link may lead out of it."""
    return (root / place).resolve().is_relative_to(root.resolve())


def prove_package(listed: PackageFiles, *, source: Path | None, runner: Runner, progress: Progress) -> Proof:
    """The proof of a package; its files are only read.

    Raises
    ------
    FixityError
        Where its `capture.json` can't be read, so that nothing but digests could be compared.
    """
    bench = Bench(folder=listed.root, runner=runner, progress=progress)
    bench.findings += listed.findings
    hashed = _check_files(bench, listed)
    _check_names(bench, listed)
    if listed.bag:
        _check_bag(bench, listed)
    paper = _proof_in(listed, hashed)
    places = _places(listed, paper)
    with tempfile.TemporaryDirectory(prefix=SCRATCH) as scratch:
        laid = Path(scratch) / "reel"
        _lay_out(listed.root, laid, {n: p for n, p in places.items() if p not in hashed.in_pieces})
        if (laid / PROGRAMME_PAPER).is_file():
            programme = read_json(laid / PROGRAMME_PAPER, ProgrammePaper)
            film = laid / PROGRAMME_FILM
            if not film.exists() and (name := _film_of(places)):
                film.symlink_to((listed.root / name).resolve())
            own = prove_programme(laid, programme, shelf=None, runner=runner, progress=progress)
            return replace(
                own, checks=(*bench.checks, *own.checks), findings=(*own.findings, *bench.findings)
            )
        if not (laid / "capture.json").is_file():
            return _without_papers(bench, listed, hashed, paper)
        capture = _capture_of(laid / "capture.json", bench, paper)
        if capture is None:
            return _without_papers(bench, listed, hashed, paper)
        expected = {file.name: file.sha256 for file in paper.files} if paper is not None else {}
        here = {name: sha256 for name, sha256 in expected.items() if name in places}
        known = {laid / name: hashed.read[place] for name, place in places.items() if place in hashed.read}
        proof = make_proof(
            laid,
            source=source,
            capture=capture,
            expected={name: digest for name, digest in here.items() if laid / name in known},
            known=known,
            runner=runner,
            progress=progress,
            scratch=Path(scratch),
        )
    elsewhere = sorted(set(expected) - set(here))
    if elsewhere:
        bench.not_made(
            "files of the reel", listed.root.name, f"not in this package: {', '.join(elsewhere[:8])}"
        )
    return replace(proof, checks=(*bench.checks, *proof.checks), findings=(*proof.findings, *bench.findings))


def _check_files(bench: Bench, listed: PackageFiles) -> _Hashed:
    """Every listed file is there with its digest, and no other file is."""
    hashed = _Hashed()
    kinds = ("sha256",) if listed.kind == "sha256" else ("sha256", listed.kind)
    pieces: set[str] = set()
    asked = [FileAsked(path=listed.root / place, kinds=kinds) for place in sorted(listed.digests)]
    read = read_files(asked, runner=bench.runner, progress=bench.progress)
    for place, digest in sorted(listed.digests.items()):
        file = read.get(listed.root / place)
        if file is None:
            found = pieces_of(listed.root, place)
            if found:
                hashed.in_pieces.add(place)
                pieces.update(p.relative_to(listed.root).as_posix() for p in found)
                if digest_pieces(found, listed.kind) == digest:
                    continue
            hashed.bad.add(place)
            code = "file digest differs" if found else "file missing"
            bench.findings.append(Finding(code=code, where=place, values={"file": place}))
            continue
        hashed.read[place] = file
        if file.digests[listed.kind] != digest:
            hashed.bad.add(place)
            bench.findings.append(Finding(code="file digest differs", where=place, values={"file": place}))
    made = len(listed.digests)
    bench.count("file digests", "package", made, made - len(hashed.bad), listed.kind)
    if hashed.in_pieces:
        why = "these files lie in pieces, whose digest was compared; put them together to have their pictures proved"
        bench.not_made("the pictures", ", ".join(sorted(hashed.in_pieces)), why)
    if doubt := medium_doubt():
        bench.not_made("reading back from the medium", "package", doubt)
    known = {*listed.digests, *listed.lists, *pieces, *((PIECES_NOTE,) if pieces else ())}
    for path in sorted(listed.root.rglob("*")):
        place = path.relative_to(listed.root).as_posix()
        if path.is_file() and place not in known:
            bench.findings.append(Finding(code="package incomplete", where=place, values={"file": place}))
    return hashed


def _check_names(bench: Bench, listed: PackageFiles) -> None:
    """Names that every common system takes, and sizes that the medium takes."""
    wrong, seen = [], set()
    for place in sorted(listed.digests):
        legal = all(safe_file_name(part) == part for part in place.split("/"))
        key = place.casefold()
        if not legal or len(place) > LONGEST_PLACE or key in seen:
            wrong.append(place)
        seen.add(key)
    bench.count("file names", "package", len(listed.digests), len(listed.digests) - len(wrong), "own rules")
    if wrong:
        values: dict[str, object] = {"names": wrong[:10]}
        bench.findings.append(Finding(code="names not legal", where="package", values=values))
    sizes = {p: (listed.root / p).stat().st_size for p in listed.digests if (listed.root / p).is_file()}
    large = [place for place, size in sizes.items() if size > FAT_LARGEST]
    if large and largest_file_bytes(listed.root) is None:
        bench.findings.append(Finding(code="needs exFAT", where="package", values={"names": large[:10]}))


def _check_bag(bench: Bench, listed: PackageFiles) -> None:
    """The bag's declaration, and the sum of its files as it states it (RFC 8493, 2.1.1 and 2.2.2)."""
    declared = listed.root / "bagit.txt"
    text = declared.read_text(encoding="utf-8", errors="replace") if declared.is_file() else ""
    wanted = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    bench.equal(
        "bag declaration", "bagit.txt", wanted, text.replace("\r\n", "\n"), "package incomplete", "RFC 8493"
    )
    info = listed.root / "bag-info.txt"
    stated = _OXUM.search(info.read_text(encoding="utf-8", errors="replace")) if info.is_file() else None
    if stated is not None:
        files = [p for p in (listed.root / "data").rglob("*") if p.is_file()]
        found = f"{sum(p.stat().st_size for p in files)}.{len(files)}"
        bench.equal(
            "bag size", "bag-info.txt", f"{stated[1]}.{stated[2]}", found, "package incomplete", "RFC 8493"
        )


def _proof_in(listed: PackageFiles, hashed: _Hashed) -> Proof | None:
    """The package's own proof, where it is the one that was packed."""
    for place in listed.digests:
        if place.rpartition("/")[2] == "proof.json" and place in hashed.read and place not in hashed.bad:
            try:
                return read_json(listed.root / place, Proof)
            except MaterialError:
                return None
    return None


def _places(listed: PackageFiles, proof: Proof | None) -> dict[str, str]:
    """Which place holds which file of the reel: by name below the package's folders, else by digest."""
    found: dict[str, str] = {}
    for place in listed.digests:
        head = next((each for each in _FOLDERS if place.startswith(each)), "")
        name = place.removeprefix(head)
        found.setdefault(f"stills/{name}" if head == "Pictures/" else name, place)
    if proof is not None and listed.kind == "sha256":
        by_digest = {digest: place for place, digest in listed.digests.items()}
        for file in proof.files:
            if file.name not in found and file.sha256 in by_digest:
                found[file.name] = by_digest[file.sha256]
    return {name: place for name, place in found.items() if is_inside(name)}


def _film_of(places: Mapping[str, str]) -> str:
    """Place of the one film of a programme's package."""
    return next((place for place in places.values() if place.startswith("Watch these/")), "")


def _lay_out(root: Path, laid: Path, places: Mapping[str, str]) -> None:
    """The reel's folder as links to the files of the package."""
    laid.mkdir()
    for name, place in places.items():
        if not (root / place).is_file():
            continue
        path = laid / name
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            path.symlink_to((root / place).resolve())
        except OSError as error:
            raise MaterialError(
                f"Proving a package needs links in the place for temporary files, and {error.strerror or error} at {laid}; set "
                "TMPDIR to a folder on a disk that can hold links."
            ) from None


def _capture_of(path: Path, bench: Bench, proof: Proof | None) -> Capture | None:
    """The capture's paper, which must add up to its own digest and to the proof's; None where it can't be read."""
    try:
        capture = read_json(path, Capture)
    except MaterialError as error:
        values: dict[str, object] = {"file": "capture.json", "line": str(error)}
        bench.findings.append(Finding(code="decoder log of our file", where="capture.json", values=values))
        return None
    sums = {capture.digest, digest_capture(capture.files, capture.sound, capture.guide)}
    if proof is not None:
        sums.add(proof.capture_digest)
    bench.count("papers agree", "capture.json", 1, int(len(sums) == 1), "sha256 of its frames' digests")
    if len(sums) != 1:
        values = {"file": "capture.json"}
        bench.findings.append(Finding(code="papers disagree", where="capture.json", values=values))
    return capture


def _without_papers(bench: Bench, listed: PackageFiles, hashed: _Hashed, paper: Proof | None) -> Proof:
    """The proof of a package without a reel's papers: digests, and every film decoded by itself."""
    if not listed.digests:
        raise FixityError(
            f"A package must have a list of its files, and that in {listed.root} can't be read; bring it from another copy."
        )
    why = "the papers of the reel are not in this package, or can't be read"
    bench.not_made("the pictures", "package", why)
    for place, read in sorted(hashed.read.items()):
        if place.endswith(_FILMS):
            bench.guarded(place, partial(_loose_film, bench, place, read))
    files = tuple(
        FileDigest(name=place, bytes=read.bytes, sha256=read.sha256)
        for place, read in sorted(hashed.read.items())
    )
    return Proof(
        reel=paper.reel if paper is not None else listed.root.name,
        capture_digest=paper.capture_digest if paper is not None else "",
        checks=tuple(bench.checks),
        findings=tuple(bench.findings),
        files=files,
    )


def _loose_film(bench: Bench, place: str, read: FileRead) -> None:
    """A film by itself: checksums of its container, every frame decoded, nothing said by the decoder."""
    path = bench.folder / place
    if path.suffix == ".mkv":
        container = read.container or read_matroska_crcs(path)
        passed = container.checked - len(container.bad) if container.complete else 0
        bench.count(
            "container checksums", place, container.checked, passed, "own reader of RFC 8794 checksums"
        )
        if passed != container.checked:
            values: dict[str, object] = {"file": place, "offset": (*container.bad, path.stat().st_size)[0]}
            bench.findings.append(Finding(code="checksum of the container fails", where=place, values=values))
    with read_film(path) as film:
        count = sum(1 for _ in film.frames())
        bench.equal("frame count", place, film.count, count, "frame count differs", "container and decoder")
        bench.duration(place, film)
        bench.silent(place, 1, list(film.log), int(not film.log))

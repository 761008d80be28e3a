"""Fixity over time: many packages looked at again and again, with a log of every file.

recheck_packages   packages, log -> what each came to; goes on where it was stopped

*Full* compares each file with its digest in the package's own list, and notes its length and CRC-32. *Quick* compares
length and CRC-32 with those of the last full check in the log, at twice the speed; a file that the log
does not know is read in full. The log is lines of JSON, each chained to the one before; a last line that a power cut
left unfinished is dropped.
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Literal

from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.media.whole import append_line, digests_file, write_whole_bytes
from smallgauge.prove.package import PackageFiles, read_list
from smallgauge.record.package import BAG_SUMS, FAMILY_SUMS
from smallgauge.record.work import Progress

Mode = Literal["quick", "full"]
RIGHT, DIFFERS, MISSING = "right", "differs", "missing"


@dataclass(frozen=True, slots=True, kw_only=True)
class FileCheck:
    """One file, looked at once: when, in which round, of which package, and what came of it."""

    at: str
    round: str
    package: str
    place: str
    mode: str  # how it was read: "quick" or "full"
    result: str
    bytes: int = 0
    crc32: str = ""


@dataclass(slots=True, kw_only=True)
class PackageCheck:
    """A package in one round: files right, kept from before a stop, and those that are not as they were."""

    package: str
    right: int = 0
    kept: int = 0  # of them, checked in this round before it was stopped
    read_whole: int = 0  # read in full, though a quick check was asked for: not in the log
    differs: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    unlisted: list[str] = field(default_factory=list)
    last_full: str = ""  # when every file of it was last read in full, before this round

    @property
    def good(self) -> bool:
        """Every file is as it was, and none is missing."""
        return not self.differs and not self.missing


class RecheckLog:
    """The log of one store: what was looked at, round by round."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.lines: list[FileCheck] = []
        self.open_round, self.open_mode = "", ""  # of a round that was begun and not ended
        self.ended: list[tuple[str, str]] = []  # when a round ended and how it read
        self._chain = ""
        if path.exists():
            self._read()

    def _read(self) -> None:
        raw = self.path.read_bytes()
        whole = raw[: raw.rfind(b"\n") + 1]
        for number, text in enumerate(whole.split(b"\n")[:-1], start=1):
            try:
                entry = json.loads(text)
                chain = entry.pop("chain")
            except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
                chain, entry = "", {}
            if not entry or chain != self._chained(entry):
                raise FixityError(
                    f"Line {number} of {self.path.name} is not as it was written, so that nothing behind it can be trusted; bring "
                    "the log back from a copy, or begin a new one with --log."
                )
            self._chain = chain
            self._take(entry)
        if len(whole) < len(raw):
            write_whole_bytes(self.path, whole)

    def _take(self, entry: dict[str, str]) -> None:
        if entry.get("what") == "begins":
            self.open_round, self.open_mode = entry["round"], entry["mode"]
        elif entry.get("what") == "ends":
            self.ended.append((entry["round"], entry["mode"]))
            self.open_round = self.open_mode = ""
        else:
            self.lines.append(FileCheck(**entry))  # type: ignore[arg-type]

    def _chained(self, entry: Mapping[str, object]) -> str:
        words = json.dumps(entry, sort_keys=True, separators=(",", ":"))
        return hashlib.sha256((self._chain + words).encode()).hexdigest()

    def _add(self, entry: Mapping[str, object]) -> None:
        self._chain = self._chained(entry)
        append_line(
            self.path, json.dumps({**entry, "chain": self._chain}, sort_keys=True, separators=(",", ":"))
        )

    def begin(self, at: str, mode: Mode) -> str:
        """Go on with a round of this kind that was stopped, or begin one; its name."""
        if self.open_round and self.open_mode == mode:
            return self.open_round
        taken = {self.open_round, *(line.round for line in self.lines), *(name for name, _ in self.ended)}
        name = next(
            name for n in range(1, len(taken) + 2) if (name := at if n == 1 else f"{at} {n}") not in taken
        )
        self._add({"what": "begins", "round": name, "mode": mode})
        self.open_round, self.open_mode = name, mode
        return name

    def add(self, check: FileCheck) -> None:
        """Note one file."""
        self._add(asdict(check))
        self.lines.append(check)

    def end(self, mode: Mode) -> None:
        """The round is whole."""
        self._add({"what": "ends", "round": self.open_round, "mode": mode})
        self.open_round = ""

    def known(self, package: str) -> dict[str, FileCheck]:
        """The last full check of each file of a package that found it right."""
        return {
            line.place: line
            for line in self.lines
            if line.package == package and line.mode == "full" and line.result == RIGHT
        }

    def done(self, package: str, name: str) -> dict[str, FileCheck]:
        """Files of a package that were looked at in this round."""
        return {line.place: line for line in self.lines if line.package == package and line.round == name}


def find_packages(folders: Iterable[Path]) -> tuple[Path, ...]:
    """Every package and bag that is, or lies below, one of these folders.

    Raises
    ------
    MaterialError
        Where a folder is none and holds none.
    """
    found: list[Path] = []
    for folder in folders:
        below = (
            [p.parent for name in (FAMILY_SUMS, BAG_SUMS) for p in folder.rglob(name)]
            if folder.is_dir()
            else []
        )
        if not below:
            raise MaterialError(
                f"`recheck` needs packages, each with {FAMILY_SUMS} or {BAG_SUMS} in it, found none in {folder}; name the folders "
                "that were delivered, or one above them."
            )
        found += sorted(p.resolve() for p in below)
    return tuple(dict.fromkeys(found))


def recheck_packages(
    folders: Iterable[Path],
    log: Path,
    *,
    mode: Mode,
    at: str,
    progress: Progress,
    told: Callable[[PackageCheck], None] = lambda check: None,
) -> tuple[PackageCheck, ...]:
    """Look at every file of many packages; a round that was stopped goes on.

    Parameters
    ----------
    folders : iterable of Path
        Packages, bags, or folders that hold some.
    log : Path
        Where every file is noted; made where it isn't there, never inside a package.
    mode : "quick" or "full"
    at : str
        The moment, ISO 8601: the name of the round.
    progress, told
        Told the files done, and each package when it is done.

    Raises
    ------
    MaterialError
        Where there are no packages.
    CallerError
        Where the log would lie in a package.
    FixityError
        Where the log is not as it was written.
    """
    packages = find_packages(folders)
    for package in packages:
        if log.resolve().is_relative_to(package):
            raise CallerError(
                f"The log needs a place outside the packages, found {log} in {package}; name another with --log."
            )
    log.parent.mkdir(parents=True, exist_ok=True)
    book = RecheckLog(log)
    name = book.begin(at, mode)
    out = []
    for package in packages:
        listed = read_list(package)
        if listed is None:  # taken away while the round ran
            continue
        check = _recheck(listed, book, name, mode=mode, at=at, progress=progress)
        told(check)
        out.append(check)
    book.end(mode)
    return tuple(out)


def _recheck(
    listed: PackageFiles, book: RecheckLog, name: str, *, mode: Mode, at: str, progress: Progress
) -> PackageCheck:
    """One package of a round."""
    package = str(listed.root)
    known, done = book.known(package), book.done(package, name)
    out = PackageCheck(package=package, last_full=_last_full(known, listed, name))
    places = sorted(listed.digests)
    for number, place in enumerate(places):
        progress(f"files of {listed.root.name} read", number, len(places))
        line = done.get(place)
        if line is None:
            line = _look(listed, place, known.get(place), mode=mode, at=at, name=name)
            book.add(line)
            out.read_whole += mode == "quick" and line.mode == "full"
        else:
            out.kept += 1
        if line.result == RIGHT:
            out.right += 1
        else:
            (out.missing if line.result == MISSING else out.differs).append(place)
    progress(f"files of {listed.root.name} read", len(places), len(places))
    out.differs += [str(f.values["file"]) for f in listed.findings if f.code != "file missing"]
    out.missing += [str(f.values["file"]) for f in listed.findings if f.code == "file missing"]
    there = {p.relative_to(listed.root).as_posix() for p in listed.root.rglob("*") if p.is_file()}
    out.unlisted = sorted(there - set(places) - set(listed.lists))
    return out


def _last_full(known: Mapping[str, FileCheck], listed: PackageFiles, name: str) -> str:
    """When the package was last read in full before this round: the oldest of its files' last full checks."""
    if set(listed.digests) - set(known):
        return ""
    return min((known[place].at for place in listed.digests if known[place].round != name), default="")


def _look(
    listed: PackageFiles, place: str, before: FileCheck | None, *, mode: Mode, at: str, name: str
) -> FileCheck:
    """Read one file, from the medium where the system can."""
    path, package = listed.root / place, str(listed.root)
    how = "quick" if mode == "quick" and before is not None else "full"
    if not path.is_file():
        return FileCheck(at=at, round=name, package=package, place=place, mode=how, result=MISSING)
    size = path.stat().st_size
    if how == "quick" and before is not None and size != before.bytes:
        return FileCheck(
            at=at, round=name, package=package, place=place, mode=how, result=DIFFERS, bytes=size
        )
    kinds = ("crc32",) if how == "quick" else ("crc32", listed.kind)
    try:
        sums = digests_file(path, kinds, from_medium=True)
    except OSError:  # a medium that can't be read there gives other bytes than were written: none
        return FileCheck(
            at=at, round=name, package=package, place=place, mode=how, result=DIFFERS, bytes=size
        )
    right = sums["crc32"] == before.crc32 if how == "quick" and before is not None else None
    if right is None:
        right = sums[listed.kind] == listed.digests[place]
    return FileCheck(
        at=at,
        round=name,
        package=package,
        place=place,
        mode=how,
        result=RIGHT if right else DIFFERS,
        bytes=size,
        crc32=sums["crc32"],
    )

"""A package on a medium: copied file by file, brought to it, read back from it, and begun again where it stopped.

copy_to_medium   package or bag, folder on the medium -> what was copied, kept, cut in pieces
copy_and_note    the same, and the paper of it in the reel's folder
check_copy       a copy that was written down, read back once more

A file appears under its name only when it is whole. A file that stands there already with the right digest
is kept, so the same command goes on after a stop. Nothing on the medium is ever deleted or overwritten.
"""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.media.whole import (
    digest_file,
    digests_file,
    free_bytes,
    largest_file_bytes,
    medium_doubt,
    plain_size,
    safe_file_name,
    write_whole,
    write_whole_bytes,
)
from smallgauge.record.onmedia import MEDIUM_KINDS, OnMedium, add_medium
from smallgauge.record.package import (
    BAG_SUMS,
    BAG_TAG_SUMS,
    FAMILY_SUMS,
    PIECES_NOTE,
    digest_pieces,
    kind_of_sums,
    pieces_of,
    read_sums,
)
from smallgauge.record.remarks import one_line
from smallgauge.record.work import Progress, silent

PIECE_BYTES = 4_000_000_000  # below 2^32 - 1; a round number that a person can check
_BLOCK = 1 << 22


@dataclass(frozen=True, slots=True, kw_only=True)
class MediumCopy:
    """What lies on the medium: files copied now, files that stood there, files in pieces, bytes; and what could not be done.

    `doubt` says what this system could not do to read the medium itself; empty where it could.
    """

    folder: str
    copied: int
    kept: int
    pieces: tuple[str, ...]
    bytes: int
    doubt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Listed:
    """A file of the package, its digest and the digest's kind; "" where only the copy itself is compared."""

    place: str
    kind: str
    digest: str
    size: int


class NotReadBackError(FixityError):
    """The medium holds other bytes than were brought to it, or than were there when it was written down."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What the operator says of a medium: its name, its kind, who copied; `at` is when the command began, ISO 8601."""

    medium: str
    kind: str
    by: str
    at: str


def copy_and_note(
    package: Path, target: Path, stated: Stated, *, progress: Progress = silent
) -> tuple[MediumCopy, Path]:
    """Copy to a medium, and write down in the reel's `media/` whether it read back equal; gives the copy and its paper.

    Raises
    ------
    CallerError
        Where the medium is not named, or the package does not lie in a reel's own folder, which has the papers.
    MaterialError, FixityError
        As `copy_to_medium`; that a medium gave other bytes back is written down first.
    """
    reel = package.resolve().parent
    if not any((reel / name).is_file() for name in ("capture.json", "reel.json")):
        raise CallerError(
            f"A copy is written down in the reel's own folder, and {package} lies in none; name the package or bag there, or leave "
            "--medium away."
        )
    if stated.kind not in MEDIUM_KINDS:
        raise CallerError(
            f"A medium is of a kind of these: {', '.join(MEDIUM_KINDS)}, found '{stated.kind}'; add --kind."
        )
    name, where = _list_of(package), str(target.resolve())
    paper = OnMedium(
        medium=one_line(stated.medium, "--medium, the name that is written on the medium,"),
        kind=stated.kind,
        by=one_line(stated.by, "--by, who copies,"),
        at=stated.at,
        folder=where,
        of=package.resolve().name,
        list_name=name,
        list_sha256=digest_file(package / name),
        files=0,
        bytes=0,
        equal=False,
    )
    try:
        made = copy_to_medium(package, target, progress=progress)
    except NotReadBackError as error:
        add_medium(reel, replace(paper, why=str(error), doubt=medium_doubt()))
        raise
    count = made.copied + made.kept
    return made, add_medium(reel, replace(paper, files=count, bytes=made.bytes, equal=True, doubt=made.doubt))


def check_copy(place: Path, paper: OnMedium, *, progress: Progress = silent) -> dict[str, str]:
    """Read a copy that was written down back once more, every file of it; gives the digests of its list by place.

    Raises
    ------
    MaterialError
        Where the medium is not at hand.
    NotReadBackError
        Where its list is not the one that was written down, or a file is missing or other than listed.
    """
    if not place.is_dir():
        raise MaterialError(
            f"The copy on {paper.medium} must be read back, and nothing lies at {place}; plug the medium in, or say where "
            "it is now with --copy-at FOLDER."
        )
    path, kind = place / paper.list_name, kind_of_sums(paper.list_name)
    if not path.is_file() or digest_file(path, from_medium=True) != paper.list_sha256:
        raise NotReadBackError(
            f"{paper.list_name} on {paper.medium} must be the list that was copied there on {paper.at[:10]}, and it is not "
            f"at {place}; copy the package to another medium."
        )
    lines = read_sums(path.read_bytes().decode(errors="replace"), paper.list_name)
    digests = dict(line for line in lines if line is not None)
    for number, (name, digest) in enumerate(digests.items()):
        progress("files read back", number, len(digests))
        file, pieces = place / name, pieces_of(place, name)
        if file.is_file():
            found = digests_file(file, (kind,), from_medium=True)[kind]
        else:
            found = digest_pieces(pieces, kind) if pieces else ""
        if found != digest:
            raise NotReadBackError(
                f"{name} on {paper.medium} must be as it was when it was read back on {paper.at[:10]}, and it is not at {place}; "
                "the medium is not to be trusted: copy the package to another one."
            )
    progress("files read back", len(digests), len(digests))
    return digests


def copy_to_medium(
    package: Path, target: Path, *, piece_bytes: int = PIECE_BYTES, progress: Progress = silent
) -> MediumCopy:
    """Copy a package or a bag to a folder on a medium, and read every file back.

    Parameters
    ----------
    package : Path
        A folder with `SHA256SUMS` (a family's package) or `manifest-sha512.txt` (a bag).
    target : Path
        The folder on the medium; made where it isn't there.
    piece_bytes : int
        Length of a piece, bytes, where the medium can't hold a file in one (FAT32).
    progress : Progress
        Told the bytes copied.

    Returns
    -------
    MediumCopy

    Raises
    ------
    MaterialError
        Where the folder is no package, a name is not legal on common media, there is not room enough, or another file lies in
        the way.
    FixityError
        Where the package itself is not as its list says, or the medium gives other bytes back.
    """
    listed = _listed(package)
    largest = largest_file_bytes(target)
    _check_room(listed, target)
    if target.exists() and not target.is_dir():
        raise MaterialError(
            f"A package is copied to a folder, found a file at {target}; name a folder on the medium, which is made where it "
            "isn't there."
        )
    target.mkdir(parents=True, exist_ok=True)
    total, done = sum(file.size for file in listed), 0
    copied = kept = 0
    in_pieces: list[_Listed] = []
    for file in listed:
        progress("bytes copied", done, total)
        cut = largest is not None and file.size > largest
        if cut:
            in_pieces.append(file)
        new = _copy_pieces(package, target, file, piece_bytes) if cut else _copy_one(package, target, file)
        copied, kept, done = copied + new, kept + (not new), done + file.size
    if in_pieces:
        write_whole_bytes(target / PIECES_NOTE, _pieces_words(in_pieces, piece_bytes).encode())
    progress("bytes copied", total, total)
    return MediumCopy(
        folder=str(target),
        copied=copied,
        kept=kept,
        pieces=tuple(file.place for file in in_pieces),
        bytes=total,
        doubt=medium_doubt(),
    )


def _list_of(package: Path) -> str:
    """The name of a package's list of digests."""
    sums = [name for name in (FAMILY_SUMS, BAG_SUMS) if (package / name).is_file()]
    if not sums:
        raise MaterialError(
            f"A package has {FAMILY_SUMS} or {BAG_SUMS} in it, found neither in {package}; name the folder `package` or `bag` "
            "of a delivered reel."
        )
    return sums[0]


def _listed(package: Path) -> tuple[_Listed, ...]:
    """Every file of the package with its digest, the lists of digests last."""
    main = _list_of(package)
    names = [main, *([BAG_TAG_SUMS] if main == BAG_SUMS else [])]
    digests: dict[str, str] = {}
    for name in names:
        for number, line in enumerate(
            read_sums((package / name).read_bytes().decode(errors="replace"), name), start=1
        ):
            if line is None:
                raise FixityError(
                    f"{name} must hold a digest and a name a line, found another thing in line {number} in {package}; make the "
                    "package again with `smallgauge deliver`."
                )
            digests.setdefault(*line)
    files = []
    for place in [*digests, *(name for name in names if name not in digests)]:
        if any(safe_file_name(part) != part for part in place.split("/")):
            raise MaterialError(
                f"Names on a medium must be legal on every common system, found {place} in {package}; rename the captured "
                "file and take the capture through the line again."
            )
        path = package / place
        if not path.is_file():
            raise FixityError(
                f"The package must hold {place}, which its list names, and it is not in {package}; make the package again with "
                "`smallgauge deliver`."
            )
        digest = digests.get(place, "")
        kind = kind_of_sums(main)
        digest = digest or digests_file(path, (kind,))[kind]
        files.append(_Listed(place=place, kind=kind, digest=digest, size=path.stat().st_size))
    return tuple(files)


def _check_room(listed: tuple[_Listed, ...], target: Path) -> None:
    needed = sum(file.size for file in listed if not (target / file.place).is_file())
    free = free_bytes(target)
    if needed > free:
        raise MaterialError(
            f"The medium needs {plain_size(needed)} free, found {plain_size(free)} at {target}; take a larger one, or delete from "
            "it what is no longer wanted."
        )


def _copy_one(package: Path, target: Path, file: _Listed) -> bool:
    """Copy a file whole and read it back; False where it stood there already, right."""
    place = target / file.place
    if place.exists():
        _read_back(place, file, standing=True)
        return False
    place.parent.mkdir(parents=True, exist_ok=True)
    with write_whole(place, needed_bytes=file.size) as draft, draft.open("wb") as out:
        found = hashlib.new(file.kind)
        for block in _blocks(package / file.place, 0, file.size):
            found.update(block)
            out.write(block)
        _same(found.hexdigest(), file, package)
    _read_back(place, file, standing=False)
    return True


def _copy_pieces(package: Path, target: Path, file: _Listed, piece_bytes: int) -> bool:
    """Copy a file in pieces, each whole, and read them all back as one; False where they stood there already, right."""
    whole, back, new = hashlib.new(file.kind), hashlib.new(file.kind), False
    for place, first, stop in _pieces(file, piece_bytes):
        path = target / place
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and path.stat().st_size == stop - first:
            for block in _blocks(package / file.place, first, stop):
                whole.update(block)
        else:
            new = True
            with write_whole(path, needed_bytes=stop - first) as draft, draft.open("wb") as out:
                for block in _blocks(package / file.place, first, stop):
                    whole.update(block)
                    out.write(block)
        digests_file(path, (), from_medium=True)  # to the medium, and out of memory
        for block in _blocks(path, 0, stop - first):
            back.update(block)
    _same(whole.hexdigest(), file, package)
    if back.hexdigest() != file.digest:
        raise NotReadBackError(
            f"The pieces of {file.place} must read back as they were written, and they do not at {target}; the medium is not to be "
            "trusted: take another."
        )
    return new


def _pieces(file: _Listed, piece_bytes: int) -> Iterator[tuple[str, int, int]]:
    for number, first in enumerate(range(0, file.size, piece_bytes), start=1):
        yield f"{file.place}.{number:03d}", first, min(first + piece_bytes, file.size)


def _blocks(path: Path, first: int, stop: int) -> Iterator[bytes]:
    with path.open("rb") as file:
        file.seek(first)
        while first < stop and (block := file.read(min(_BLOCK, stop - first))):
            first += len(block)
            yield block


def _same(found: str, file: _Listed, package: Path) -> None:
    if found != file.digest:
        raise FixityError(
            f"{file.place} must be as the package's list says, and its bytes are others in {package}; run `smallgauge prove` on "
            "the reel, and make the package again."
        )


def _read_back(place: Path, file: _Listed, *, standing: bool) -> None:
    """Read a file from the medium; the wrong bytes are a refusal."""
    if digests_file(place, (file.kind,), from_medium=True)[file.kind] == file.digest:
        return
    if standing:
        raise MaterialError(
            f"{file.place} lies on the medium already and is another file ({place}); choose an empty folder, or move that "
            "file away."
        )
    raise NotReadBackError(
        f"{file.place} must read back as it was written, and it does not at {place}; the medium is not to be trusted: take another."
    )


def _pieces_words(files: list[_Listed], piece_bytes: int) -> str:
    """How a person puts the pieces together, on any common system."""
    lines = [
        "Some files are too large for this medium in one piece. Each lies here as pieces, numbered in order.",
        "Put them together on a disk that takes large files, in the folder where the pieces are:",
        "",
    ]
    for file in files:
        names = [Path(place).name for place, _, _ in _pieces(file, piece_bytes)]
        name = Path(file.place).name
        joined = "+".join(f'"{each}"' for each in names)
        listed = " ".join(f'"{each}"' for each in names)
        lines += [
            f"{file.place}: {len(names)} pieces, {file.size} bytes, {file.kind.upper()} {file.digest}",
            f'  Windows:          copy /b {joined} "{name}"',
            f'  macOS and Linux:  cat {listed} > "{name}"',
            "",
        ]
    return "\n".join(lines)

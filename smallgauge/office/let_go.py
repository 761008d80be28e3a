"""Letting files go, on a person's word: everything is read once more before the first one goes, and each removal leaves its papers.

let_go       items of the list -> what went

In this order: the reel is locked and looked at anew; archive copy, second copy and the files themselves are read and held against
their digests; the paper that names them all is written, and the book is told; each file goes only if it is still the one that was
read; the paper of the end is written, and the book is told. After a stop anywhere the next command says where it stood and goes on.
"""

from dataclasses import dataclass, replace
from pathlib import Path

from smallgauge.deliver.medium import check_copy
from smallgauge.errors import FixityError, MaterialError
from smallgauge.lock import ReelLock
from smallgauge.media.removal import FileMark, mark_file, remove_marked
from smallgauge.media.whole import digests_file
from smallgauge.office.catch_up import enter_papers, released_said, shop_numbers
from smallgauge.office.may_go import Asked, Item, items_of
from smallgauge.office.open_reel import digests_wanted, masters_of
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.finding import Proof
from smallgauge.record.journal import Journal
from smallgauge.record.package import kind_of_sums
from smallgauge.record.released import (
    BEGUN,
    ENDED,
    EVERYTHING,
    FINISHED,
    FRAMES,
    WORK,
    Gone,
    Release,
    add_release,
    read_released,
)
from smallgauge.record.work import Progress


@dataclass(frozen=True, slots=True, kw_only=True)
class Word:
    """A person's word: who says it, why, and when."""

    who: str
    why: str
    at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Went:
    """What went of a reel: files, the bytes that the disk got back, and the paper of the end."""

    reel: str
    what: str
    of: str
    files: int
    freed: int
    paper: str


def let_go(items: tuple[Item, ...], asked: Asked, word: Word, progress: Progress) -> tuple[Went, ...]:
    """Remove what these items name. Nothing goes where anything speaks against one of them, or a digest of an item differs.

    Raises
    ------
    MaterialError
        Where something on the list stays after all.
    FixityError
        Where a file is not the one that was written, received or read back; of that item nothing went.
    """
    refuse_what_stays(items)
    return tuple(_let_go(item, asked, word, progress) for item in items)


def refuse_what_stays(items: tuple[Item, ...]) -> None:
    """Refuse where anything speaks against one of these."""
    against = [f"{item.reel} {item.what}: {'; '.join(item.against)}" for item in items if not item.may_go]
    if against:
        raise MaterialError(f"Nothing was removed, because some of it must stay: {' / '.join(against)}.")


def _let_go(item: Item, asked: Asked, word: Word, progress: Progress) -> Went:
    folder = item.folder
    with ReelLock(folder):
        now = _as_it_is(item, asked)
        capture_digest, marks = _read_once_more(now, progress)
        now = _as_it_is(item, asked)  # reading takes hours, in which a hold may have been placed
        if set(now.names) != set(marks):
            raise MaterialError(
                f"The files of {item.reel} changed while they were read, so nothing was removed; find out who writes there, "
                "then give the same command again."
            )
        number = now.begun or _begin(now, asked, word, capture_digest, marks)
        _remove(now, marks, number)
        begun = read_released(folder)[number - 1]
        if now.what == FINISHED:
            _forget(folder, begun)
        ended = add_release(
            folder,
            replace(
                begun, state=ENDED, who=word.who, why=word.why, at=word.at, begun=number, files=(), because=()
            ),
        )
        _tell(asked, folder, begun.reels, word)
    _leave_no_empty_folder(folder / "work")
    return Went(
        reel=now.reel, what=now.what, of=now.of, files=len(begun.files), freed=begun.freed, paper=str(ended)
    )


def _as_it_is(item: Item, asked: Asked) -> Item:
    """The item as it is now that nobody else works on the reel."""
    found = items_of(item.folder, asked, locked=True)
    now = next((each for each in found if (each.what, each.of) == (item.what, item.of)), None)
    if now is None:
        raise MaterialError(f"{item.reel} has no {item.what} to let go any more; list what may go again.")
    refuse_what_stays((now,))
    return now


def _read_once_more(item: Item, progress: Progress) -> tuple[str, dict[str, tuple[FileMark, str]]]:
    """Hold all that counts against its digest; gives the capture's, and each file as it was read."""
    folder, wanted, capture_digest = item.folder, {}, ""
    if item.begun:
        begun = read_released(folder)[item.begun - 1]
        wanted, capture_digest = {file.name: file.sha256 for file in begun.files}, begun.capture_digest
    if item.what != EVERYTHING or not item.begun:
        proof = read_json(folder / "proof.json", Proof)
        capture = read_json(folder / item.of / "capture.json", Capture)
        capture_digest = capture.digest
        known = digests_wanted(folder, proof)
        if item.what in (FRAMES, WORK, FINISHED):
            _check_archive(item, known, progress)
        if item.what == FRAMES:
            wanted = dict(item.wanted) | wanted
        else:
            wanted = {name: known[name] for name in item.names if name in known} | wanted
    return capture_digest, _read_files(item, wanted, progress)


def _check_archive(item: Item, known: dict[str, str], progress: Progress) -> None:
    """Archive copy against its proof, and against the second copy, which is read back whole."""
    masters = masters_of(item.folder, known)
    kind = kind_of_sums(item.copy[1].list_name) if item.copy is not None else "sha256"
    kinds = tuple(dict.fromkeys(("sha256", kind)))
    found: dict[str, str] = {}
    for number, name in enumerate(masters):
        progress("files of the archive copy read", number, len(masters))
        digests = digests_file(item.folder / name, kinds, from_medium=True)
        found[name] = digests[kind]
        if digests["sha256"] != known[name]:
            raise FixityError(
                f"{name} must be the file that was proved, and it is not in {item.folder}; nothing was removed: bring it back from "
                "the second copy and run `smallgauge prove`."
            )
    progress("files of the archive copy read", len(masters), len(masters))
    if item.what == FRAMES:
        assert item.copy is not None
        place, paper = item.copy
        there = set(check_copy(place, paper, progress=progress).values())
        lacking = [name for name, digest in found.items() if digest not in there]
        if lacking:
            raise FixityError(
                f"The copy on {paper.medium} must hold the archive copy as it is now, and {lacking[0]} is other there; nothing was "
                "removed: make the bag again and copy it."
            )


def _read_files(item: Item, wanted: dict[str, str], progress: Progress) -> dict[str, tuple[FileMark, str]]:
    """Each file that is to go, with its digest; names of one file are read once."""
    marks: dict[str, tuple[FileMark, str]] = {}
    read: dict[FileMark, str] = {}
    for number, name in enumerate(item.names):
        if number % 50 == 0:
            progress("files read before they go", number, len(item.names))
        path = item.folder / name
        mark = mark_file(path)
        digest = read.get(mark) or digests_file(path, ("sha256",))["sha256"]
        if mark_file(path) != mark:
            raise FixityError(
                f"{path} changed while it was read; nothing was removed: find out who writes there."
            )
        read[mark] = digest
        if digest != wanted.get(name, digest):
            raise FixityError(
                f"{path} must be the file that the reel's papers speak of, and it is another; nothing was removed: find out which "
                "of both is right."
            )
        marks[name] = (mark, digest)
    progress("files read before they go", len(item.names), len(item.names))
    return marks


def _begin(
    item: Item, asked: Asked, word: Word, capture_digest: str, marks: dict[str, tuple[FileMark, str]]
) -> int:
    """Write down what goes, with every digest, and tell the book; gives the paper's number."""
    because = list(item.because)
    add_release(
        item.folder,
        Release(
            state=BEGUN,
            what=item.what,
            of=item.of,
            reels=shop_numbers(item.folder),
            who=word.who,
            why=word.why,
            at=word.at,
            because=tuple(because),
            capture_digest=capture_digest,
            freed=item.freed,
            files=tuple(
                Gone(name=name, bytes=mark.size, sha256=digest) for name, (mark, digest) in marks.items()
            ),
        ),
    )
    papers = read_released(item.folder)
    _tell(asked, item.folder, papers[-1].reels, word)
    return len(papers)


def _tell(asked: Asked, folder: Path, numbers: tuple[str, ...], word: Word) -> None:
    if asked.book is not None:
        enter_papers(asked.book, numbers, released_said(folder), at=word.at, by=word.who)


def _remove(item: Item, marks: dict[str, tuple[FileMark, str]], number: int) -> None:
    """Remove the names; one that is no longer the file that was read stays, and stops the removal."""
    paths = {item.folder / name: mark for name, (mark, _) in marks.items()}
    changed = remove_marked(paths)
    if changed is not None:
        raise FixityError(
            f"{changed} changed after it was read, so it and those behind it stay; the removal stands as paper {number} in "
            f"{item.folder / 'released'}: find out who writes there, then give the same command again."
        )
    inside = {each for path in paths for each in path.parents if each.is_relative_to(item.folder)}
    if item.what == EVERYTHING:
        inside |= {path for path in item.folder.rglob("*") if path.is_dir() and not path.is_symlink()}
    for folder in sorted(inside - {item.folder}, key=lambda path: len(path.parts), reverse=True):
        _leave_no_empty_folder(folder)


def _leave_no_empty_folder(folder: Path) -> None:
    if folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()


def _forget(folder: Path, begun: Release) -> None:
    """What was let go is no longer expected by the reel's journal."""
    journal = Journal(folder)
    for file in begun.files:
        journal.forget(file.name)

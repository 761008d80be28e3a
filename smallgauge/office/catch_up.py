"""What was made of a reel, entered in the book from its papers: measured, rendered, proved, packed, copied, handed over, let go.

The files are the truth and the book is told of them. A paper counts only while it is the one that the reel's journal says
was written; captures of a joined reel and deliveries have no line there, and a delivery is held against its kept list. Names
of people are left in the papers: an event is never removed, and a client's name must be.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.orm import Session

from smallgauge.errors import FixityError, MaterialError, SmallgaugeError
from smallgauge.gauge.numbers import check_reel_number
from smallgauge.line import numbers_of
from smallgauge.media.whole import digest_file
from smallgauge.office.book import Book
from smallgauge.office.holds import NUMBER_LENGTH
from smallgauge.office.models import Event, Reel
from smallgauge.office.place import book_place, has_book
from smallgauge.record.capture import Capture
from smallgauge.record.deliveries import read_deliveries
from smallgauge.record.files import read_json
from smallgauge.record.finding import Proof
from smallgauge.record.journal import Journal, JournalLine
from smallgauge.record.numbered import numbered_name
from smallgauge.record.onmedia import MEDIA, read_media
from smallgauge.record.package import FAMILY_SUMS
from smallgauge.record.released import BEGUN, RELEASED, read_released
from smallgauge.record.rendertable import RenderSummary

CAPTURED, RENDERED, PROVED, PACKED, HANDED = "measured", "rendered", "proved", "packed", "handed over"
RELEASING, GONE, COPIED = "release begun", "released", "copied to a medium"
Lines = Mapping[str, JournalLine]
_EACH_ONCE = (
    CAPTURED,
    HANDED,
    RELEASING,
    GONE,
    COPIED,
)  # each stands beside the others; of the rest, the last one counts


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One event that the book lacked."""

    reel: str
    what: str
    words: str


def catch_up(
    book: Book, folders: tuple[Path, ...], *, at: str, by: str
) -> tuple[list[Told], list[tuple[str, str]]]:
    """Enter what the papers of these reels' folders say and the book does not; also each paper that can't be gone by, with why.

    A folder whose reel is not in the book is passed by. Asked again, nothing is entered twice.
    """
    entered: list[Told] = []
    refused: list[tuple[str, str]] = []
    for folder in folders:
        try:
            numbers = shop_numbers(folder)
        except (SmallgaugeError, OSError) as error:
            refused.append((folder.name, str(error)))
            continue
        if not numbers:
            continue
        said, doubts = _said(folder)
        refused += [(folder.name, doubt) for doubt in doubts]
        entered += enter_papers(book, numbers, said, at=at, by=by)
    return entered, refused


def enter_copies(shelf: Path, folder: Path, *, at: str, by: str) -> list[Told]:
    """Enter what was copied of a reel to media, where a book lies on its shelf.

    Raises
    ------
    MaterialError
        Where the book can't be told; the copy and its paper stand all the same.
    """
    if not has_book(shelf):
        return []
    try:
        with Book(book_place(shelf)) as book:
            return enter_papers(book, shop_numbers(folder), copies_said(folder), at=at, by=by)
    except SmallgaugeError as error:
        raise MaterialError(
            f"The copy and its paper in {folder / MEDIA} stand, but the book could not be told of them ({error}); run `smallgauge "
            "office catch-up` when that is mended."
        ) from None


def shop_numbers(folder: Path) -> tuple[str, ...]:
    """The shop numbers of a folder's reels; none where it has none."""
    found: list[str] = []
    for name in numbers_of(folder):
        try:
            number = check_reel_number(name[:NUMBER_LENGTH]).text
        except MaterialError:
            continue
        if number not in found:
            found.append(number)
    return tuple(found)


def _said(folder: Path) -> tuple[list[tuple[str, str]], list[str]]:
    """What the papers say, in the order in which it was done, and why a paper was not gone by."""
    said: list[tuple[str, str]] = []
    doubts: list[str] = []
    for read in (_captured, _rendered, _proved, _packed, _copied, _handed, _released):
        try:
            said += read(folder, Journal(folder).lines)
        except (SmallgaugeError, OSError) as error:
            doubts.append(str(error))
    return said, doubts


def _as_written(folder: Path, lines: Lines, name: str) -> str:
    """The digest of a paper that is as it was written; empty where none was."""
    line = lines.get(name)
    if line is None or not (folder / name).is_file():
        return ""
    digest = digest_file(folder / name)
    if digest != line.sha256:
        raise FixityError(
            f"{folder / name} must be the file that was written, and it is another; run `smallgauge finish` on this reel, then "
            "`smallgauge office catch-up` again."
        )
    return digest


def _captured(folder: Path, lines: Lines) -> list[tuple[str, str]]:
    said = []
    for paper in (folder / "capture.json", *sorted(folder.glob("captures/*/capture.json"))):
        own = paper.parent == folder
        if not paper.is_file() or (own and not _as_written(folder, lines, paper.name)):
            continue
        capture = read_json(paper, Capture)
        if capture.stage == "complete":
            said.append((CAPTURED, f"{capture.count} frames; digest of the capture {capture.digest}"))
    return said


def _rendered(folder: Path, lines: Lines) -> list[tuple[str, str]]:
    digest = _as_written(folder, lines, "render.json")
    if not digest:
        return []
    summary = read_json(folder / "render.json", RenderSummary)
    return [
        (
            RENDERED,
            f"{summary.frames} frames, revision {summary.revision} of the treatment; render.json {digest}",
        )
    ]


def _proved(folder: Path, lines: Lines) -> list[tuple[str, str]]:
    digest = _as_written(folder, lines, "proof.json")
    if not digest:
        return []
    proof = read_json(folder / "proof.json", Proof)
    result = "every check passed" if proof.good else "not every check passed"
    return [(PROVED, f"{result}; digest of the capture {proof.capture_digest}; proof.json {digest}")]


def _packed(folder: Path, lines: Lines) -> list[tuple[str, str]]:
    digest = _as_written(folder, lines, "package/SHA256SUMS")
    return [(PACKED, f"list of the package {digest}")] if digest else []


def copies_said(folder: Path) -> list[tuple[str, str]]:
    """What was copied to media and whether it read back equal, by the papers of a reel."""
    return [(COPIED, copy_words(folder, number)) for number, _ in enumerate(read_media(folder), start=1)]


def copy_words(folder: Path, number: int) -> str:
    """One copy as the book tells it: its paper by digest, so that a paper that was altered since is told from it."""
    paper = read_media(folder)[number - 1]
    result = "read back equal" if paper.equal else f"did not read back equal: {paper.why}"
    return (
        f"{paper.of} on {paper.medium} ({paper.kind}), {result}, by {paper.by} at {paper.at}; {paper.files} files, "
        f"{paper.bytes} bytes; list {paper.list_sha256}; paper {number} {digest_file(folder / MEDIA / numbered_name(number))}"
    )


def copies_known(session: Session, folder: Path, numbers: tuple[str, ...]) -> frozenset[int]:
    """Numbers of the papers of copies that the book holds, as they are now, for every shop number of a reel."""
    known = [
        set(session.scalars(sa.select(Event.words).where(Event.reel == number, Event.what == COPIED)))
        for number in numbers
    ]
    said = [words for _, words in copies_said(folder)]
    return frozenset(at for at, words in enumerate(said, start=1) if all(words in each for each in known))


def _copied(folder: Path, _lines: Lines) -> list[tuple[str, str]]:
    return copies_said(folder)


def _handed(folder: Path, _lines: Lines) -> list[tuple[str, str]]:
    said = []
    for each in read_deliveries(folder).handed:
        kept = folder / each.folder / FAMILY_SUMS
        if kept.is_file() and digest_file(kept) != each.sums_sha256:
            raise FixityError(
                f"{kept} must be the list that was handed over, and it is another; find out who changed it, and put it back from a "
                "copy."
            )
        said.append((HANDED, f"delivery {each.number} on {each.on}; list of the package {each.sums_sha256}"))
    return said


def released_said(folder: Path) -> list[tuple[str, str]]:
    """What was let go of a reel, and each removal that began, by its papers."""
    said = []
    for number, paper in enumerate(read_released(folder), start=1):
        digest = digest_file(folder / RELEASED / numbered_name(number))
        name = f"{paper.what}{f' of {paper.of}' if paper.of else ''}"
        if paper.state == BEGUN:
            sizes = sum(file.bytes for file in paper.files)
            words = (
                f"{name}: {len(paper.files)} files, {sizes} bytes, {paper.freed} given back; why: {paper.why}"
            )
        else:
            words = f"{name}: all that paper {paper.begun} names"
        words += f"; digest of the capture {paper.capture_digest}; paper {number} {digest}"
        said.append((RELEASING if paper.state == BEGUN else GONE, words))
    return said


def _released(folder: Path, _lines: Lines) -> list[tuple[str, str]]:
    return released_said(folder)


def enter_papers(
    book: Book, numbers: tuple[str, ...], said: list[tuple[str, str]], *, at: str, by: str
) -> list[Told]:
    """Enter what the book lacks of one folder, in one write; nothing is written where nothing lacks."""
    with book.read() as session:
        lacking = _lacking(session, numbers, said)
    if not lacking:
        return []
    with book.write(at=at, by=by) as entry:
        lacking = _lacking(entry.session, numbers, said)  # another bench may have told it since
        for told in lacking:
            reel = entry.session.get(Reel, told.reel)
            assert reel is not None
            entry.tell(told.what, order=reel.order, reel=told.reel, words=told.words)
    return lacking


def _lacking(session: Session, numbers: tuple[str, ...], said: list[tuple[str, str]]) -> list[Told]:
    lacking = []
    for number in numbers:
        if session.get(Reel, number) is None:
            continue
        for what, words in said:
            stands = sa.select(Event.words).where(Event.reel == number, Event.what == what)
            known = list(session.scalars(stands.order_by(Event.seq)))
            if words not in (known if what in _EACH_ONCE else known[-1:]):
                lacking.append(Told(reel=number, what=what, words=words))
    return lacking


def reels_on(shelf: Path) -> tuple[Path, ...]:
    """The reels' folders on a shelf, by name, those too of which only the papers of what was let go are left; links are not
    followed.
    """
    papers = ("capture.json", "reel.json", f"{RELEASED}/{numbered_name(1)}")
    return tuple(
        place
        for place in sorted(shelf.iterdir())
        if not place.is_symlink() and any((place / name).is_file() for name in papers)
    )

"""Photographs from a telephone or a camera card, filed by the label in the picture.

file_photographs    copies of everything on the card to the reels whose labels are in them; the rest is put aside by name
photographs_of      those of one reel, as the book has them

The card is only read. Each copy is read back and has the digest of its original before the book says so, and the
digests stand in the book's chain. A date that the camera wrote is shown and never trusted: the order of events is
that in which the book was told.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import sqlalchemy as sa
from sqlalchemy.orm import Session

from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.media.photograph_in import MOST_BYTES, SUFFIXES, camera_date, read_photograph
from smallgauge.media.whole import copy_whole, digest_file, safe_file_name
from smallgauge.office import ledger
from smallgauge.office.book import Book
from smallgauge.office.models import Condition, Reel
from smallgauge.record.work import Runner

FOLDER = "photographs"  # on the shelf: a folder a reel in it
ASIDE = "put aside"  # in it: photographs that belong to no reel yet
SUBJECT = "photograph"  # of the rows of condition that tell of them


@dataclass(frozen=True, slots=True, kw_only=True)
class Photograph:
    """One file of the card, and what became of it."""

    name: str  # below the card's folder
    sha256: str
    became: Literal["filed", "there already", "put aside"]
    reel: str = ""
    copy: str = ""  # below the shelf
    camera_says: str = ""  # date by the camera's own clock; not trusted
    why: str = ""  # why it was put aside


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """A photograph that was looked at: the reel it belongs to, or why to none."""

    path: Path
    name: str
    sha256: str
    date: str
    reel: str
    why: str


def file_photographs(
    book: Book, shelf: Path, card: Path, *, at: str, by: str, reel: str = ""
) -> list[Photograph]:
    """File what lies on a card, or one file; `reel` is named by a person where no label can be read.

    Every copy is whole and proved before the book is told, all of them in one write; a run that was cut off is begun again and
    finds what it has copied.

    Raises
    ------
    CallerError, MaterialError, FixityError
        Where there is no photograph, a label contradicts the person, or a copy is not its original.
    """
    if not by.strip():
        raise CallerError("Whoever files photographs signs with initials, found none; add --by INITIALS.")
    files = _files(card)
    with book.read() as session:
        named = ledger.find_reel(session, reel).number if reel else ""
        known = set(session.scalars(sa.select(Reel.number)))
    from smallgauge.crew import Crew

    with Crew(1) as beside:
        seen = [
            _look(path, path.relative_to(card if card.is_dir() else card.parent), known, named, beside)
            for path in files
        ]
    with book.read() as session:
        told = {
            number: {row[1] for row in _rows(session, number)}
            for number in {each.reel for each in seen}
            if number
        }
    found, twice = [], set()
    for each in seen:
        if each.reel and (each.sha256 in told[each.reel] or (each.reel, each.sha256) in twice):
            found.append(_became(each, "there already", ""))
            continue
        twice.add((each.reel, each.sha256))
        copy = _copy(each, shelf / FOLDER / (each.reel or ASIDE))
        found.append(_became(each, "filed" if each.reel else "put aside", copy.relative_to(shelf).as_posix()))
    _tell(book, [each for each in found if each.became == "filed"], at=at, by=by, named=bool(named))
    return found


def _files(card: Path) -> list[Path]:
    if not card.exists():
        raise CallerError(f"Photographs lie in a folder or are one file, found nothing at {card}; name it.")
    files = sorted(p for p in card.rglob("*") if p.is_file()) if card.is_dir() else [card]
    files = [p for p in files if p.suffix.casefold() in SUFFIXES and not p.name.startswith("._")]
    if not files:
        raise MaterialError(
            f"Photographs end in {', '.join(SUFFIXES)}, and none of these lies in {card}; name the card's folder."
        )
    return files


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What is in a photograph: labels of reels, none where it is no picture that can be read, and the camera's date."""

    labels: tuple[str, ...] | None
    date: str = ""


def look_at_photograph(path: str, tick: Callable[[int], None]) -> Looked:
    """Read a photograph, in a process that may die."""
    from smallgauge.office.labels import read_labels

    picture = read_photograph(Path(path).read_bytes())
    if picture is None:
        return Looked(labels=None)
    return Looked(labels=tuple(read_labels(picture)), date=camera_date(Path(path)))


def _look(path: Path, name: Path, known: set[str], named: str, beside: Runner) -> _Seen:
    if path.stat().st_size > MOST_BYTES:
        raise MaterialError(
            f"A photograph is below {MOST_BYTES // 10**6} MB, and {name} is larger; take it off the card's folder."
        )
    from smallgauge.analyse.outside import (
        WHY,
        ReaderDiedError,
        do_outside,
    )  # here: looking a reel up needs no arrays

    sha256 = digest_file(path)
    unread = "it can't be read as a picture here"
    try:
        looked = do_outside(beside, look_at_photograph, str(path))
    except ReaderDiedError:
        looked, unread = Looked(labels=None), WHY
    labels = looked.labels or ()
    number, why = "", ""
    if named and any(label != named for label in labels):
        raise MaterialError(
            f"{name} shows the label of {', '.join(labels)}, and reel {named} was named for it; look at it, then name the reel on "
            "its label."
        )
    if named:
        number = named
    elif looked.labels is None:
        why = unread
    elif not labels:
        why = "no label of the shop can be read in it"
    elif len(labels) > 1:
        why = f"labels of {len(labels)} reels are in it: {', '.join(labels)}"
    elif labels[0] not in known:
        why = f"the reel on its label, {labels[0]}, is not in the book"
    else:
        number = labels[0]
    return _Seen(path=path, name=name.as_posix(), sha256=sha256, date=looked.date, reel=number, why=why)


def _became(each: _Seen, became: Literal["filed", "there already", "put aside"], copy: str) -> Photograph:
    return Photograph(
        name=each.name,
        sha256=each.sha256,
        became=became,
        reel=each.reel,
        copy=copy,
        camera_says=each.date,
        why=each.why,
    )


def _copy(each: _Seen, folder: Path) -> Path:
    """A whole copy under the photograph's own name; under that and its digest where another picture has the name."""
    folder.mkdir(parents=True, exist_ok=True)
    target = folder / safe_file_name(each.path.name)
    if target.exists() and digest_file(target) != each.sha256:
        target = target.with_name(f"{target.stem}-{each.sha256[:12]}{target.suffix}")
    if target.exists() and digest_file(target) == each.sha256:
        return target
    copy_whole(each.path, target)
    if digest_file(target) != each.sha256:
        target.unlink()
        raise FixityError(
            f"The copy of {each.name} is not the file that lies on the card, so it was not kept; look whether the card or the disk "
            "fails, then give the same command again."
        )
    return target


def _tell(book: Book, filed: list[Photograph], *, at: str, by: str, named: bool) -> None:
    reels: dict[str, list[Photograph]] = {}
    for each in filed:
        reels.setdefault(each.reel, []).append(each)
    if not reels:
        return
    with book.write(at=at, by=by) as entry:
        for number, theirs in sorted(reels.items()):
            reel = ledger.find_reel(entry.session, number)
            known = {digest for _, digest in _rows(entry.session, number)}
            theirs = [each for each in theirs if each.sha256 not in known]  # another bench was quicker
            if not theirs:
                continue
            first = ledger.next_number(entry.session, Condition.id)
            rows = [
                Condition(
                    id=first + place,
                    reel=number,
                    at=at,
                    by=entry.by,
                    subject=SUBJECT,
                    seen=f"{each.copy} SHA-256 {each.sha256}",
                )
                for place, each in enumerate(theirs)
            ]
            how = f"named by {entry.by}" if named else "by the label in the picture"
            dates = sorted(each.camera_says for each in theirs if each.camera_says)
            clock = f"; the camera's own clock, not trusted: {dates[0]}" if dates else ""
            entry.tell(
                "photographed",
                *rows,
                order=reel.order,
                reel=number,
                words=f"{len(theirs)} filed {how}{clock}",
            )


def _rows(session: Session, number: str) -> list[tuple[str, str]]:
    """Copy and digest of each photograph of a reel."""
    query = sa.select(Condition.seen).where(Condition.reel == number, Condition.subject == SUBJECT)
    told = (seen.rpartition(" SHA-256 ") for seen in session.scalars(query.order_by(Condition.id)))
    return [(copy, digest) for copy, _, digest in told]


def photographs_of(session: Session, number: str) -> list[dict[str, str]]:
    """The photographs of a reel: where each copy lies below the shelf, and its digest."""
    return [{"copy": copy, "sha256": digest} for copy, digest in _rows(session, number)]

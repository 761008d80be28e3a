"""What the book says when a pass asks whether a reel may go on."""

from pathlib import Path

from smallgauge.errors import MaterialError
from smallgauge.gauge.numbers import check_reel_number
from smallgauge.office.book import Book
from smallgauge.office.ledger import standing
from smallgauge.office.place import book_place, has_book

NUMBER_LENGTH = 13  # signs of a reel's number


def held(shelf: Path, reel: str, kind: str) -> str:
    """Why a reel is held, and who may lift that; empty where the book beside the reels holds nothing against it.

    `kind` is "film" or "files". A name that begins with a shop number is of that reel ("0000013-R01-3 roll 2" was
    divided off it); any other is no reel of the book.
    """
    if not has_book(shelf):
        return ""
    try:
        number = check_reel_number(reel[:NUMBER_LENGTH]).text
    except MaterialError:
        return ""
    with Book(book_place(shelf)) as book, book.read() as session:
        found = standing(session, number, kind)
    return "; ".join(f"{hold.why} (hold {hold.id}, which only {hold.lifter} may lift)" for hold in found)

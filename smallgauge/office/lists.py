"""A client's own list taken in whole or not at all, and the whole book out as open files.

A list has a row a reel, as CSV (UTF-8) or a spreadsheet, with the headings gauge, box_words, forbids, decides, feet.
"""

import csv
import io
import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from smallgauge.errors import MaterialError, SmallgaugeError
from smallgauge.media.whole import write_whole_bytes
from smallgauge.office import ledger
from smallgauge.office.book import Book
from smallgauge.office.house import House
from smallgauge.office.models import KEPT, Event, Row, plain
from smallgauge.record.cells import text_cell

HEADINGS = ("gauge", "box_words", "forbids", "decides", "feet")
NEEDED = ("gauge", "forbids", "decides")
MOST_WORDS = 500  # characters in a cell
MOST_BYTES = 20_000_000
MOST_UNPACKED = 200_000_000  # of a spreadsheet
MOST_ROWS, MOST_COLUMNS = (
    20_000,
    100,
)  # a cell far away makes rows and columns up to it; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """What is wrong in one cell; rows are counted from 1 with the headings, columns by their heading."""

    row: int
    column: str
    what: str

    @property
    def words(self) -> str:
        """The sentence that a person reads."""
        return f"Row {self.row}, column {self.column}: {self.what}"


def read_table(path: Path) -> list[list[str]]:
    """The cells of a CSV file or of a spreadsheet's first sheet, as text."""
    try:
        if path.stat().st_size > MOST_BYTES:
            raise MaterialError(
                f"A list of reels is below 20 MB, and {path} is larger; look whether it is the right file."
            )
        if path.suffix.casefold() == ".xlsx":
            return _sheet(path)
        text = path.read_bytes().decode("utf-8-sig")
        return [
            [cell.strip() for cell in row] for row in csv.reader(io.StringIO(text, newline=""), strict=True)
        ]
    except UnicodeDecodeError as error:
        raise MaterialError(
            f"{path} must be text in UTF-8, and byte {error.start} is not; save it as CSV in UTF-8."
        ) from None
    except csv.Error as error:
        raise MaterialError(
            f"{path} must be CSV, but {error}; look for a quotation mark that is not closed."
        ) from None


def _bounded(path: Path) -> None:
    """Refuse a spreadsheet that would grow beyond measure when it is unpacked."""
    from zipfile import BadZipFile, ZipFile

    try:
        with ZipFile(path) as packed:
            size = sum(each.file_size for each in packed.infolist())
    except BadZipFile:
        return  # said by who reads it
    if size > MOST_UNPACKED:
        raise MaterialError(
            f"{path} would be {size:,} bytes when unpacked, which no list of reels is (at most {MOST_UNPACKED:,}); save it as CSV."
        )


def _sheet(path: Path) -> list[list[str]]:
    import zlib
    from zipfile import BadZipFile

    from openpyxl import load_workbook
    from openpyxl.utils.exceptions import InvalidFileException

    _bounded(path)
    unreadable = MaterialError(
        f"{path} must be a spreadsheet, and it can't be read as one; save it again, or as CSV."
    )
    try:
        book = load_workbook(path, read_only=True, data_only=True)
    except (InvalidFileException, BadZipFile, LookupError, ValueError, OSError, zlib.error, SyntaxError):
        raise unreadable from None
    try:
        table = _cells(book.worksheets[0], path)
    except (BadZipFile, LookupError, ValueError, TypeError, OSError, zlib.error, SyntaxError):
        raise unreadable from None
    finally:
        book.close()
    while table and not any(table[-1]):
        table.pop()
    return table


def _cells(sheet: Any, path: Path) -> list[list[str]]:
    """The cells of a sheet as text, as wide as its headings where nothing stands beside them; its stated size is not taken."""
    sheet.reset_dimensions()
    table: list[list[str]] = []
    for number, row in enumerate(sheet.iter_rows(values_only=True), start=1):
        if len(row) > MOST_COLUMNS or (number > MOST_ROWS and any(cell is not None for cell in row)):
            raise MaterialError(
                f"A list of reels has at most {MOST_ROWS:,} rows and {MOST_COLUMNS} columns, and in {path} a cell stands beyond "
                f"them, in row {number:,}; look for it, or give the list in parts."
            )
        told = ["" if cell is None else str(cell).strip() for cell in row]
        wide = len(table[0]) if table else 0
        while told and not told[-1] and len(told) > wide:
            told.pop()
        if number <= MOST_ROWS:
            table.append(told + [""] * (wide - len(told)))
    return table


def check_list(table: list[list[str]], *, lifter: str) -> tuple[list[dict[str, str]], list[Mistake]]:
    """The reels of a list, and every mistake in it."""
    if not table:
        return [], [
            Mistake(row=1, column="gauge", what="the list is empty; its first row holds the headings.")
        ]
    headings = [cell.casefold().replace(" ", "_") for cell in table[0]]
    mistakes = []
    for place, heading in enumerate(headings):
        if heading not in HEADINGS:
            mistakes.append(
                _at(1, str(place + 1), f"'{heading}' is no heading; those are {', '.join(HEADINGS)}.")
            )
        elif heading in headings[:place]:
            mistakes.append(_at(1, heading, "the heading stands twice; keep one."))
    mistakes += [
        _at(1, each, "the heading is missing; add the column.") for each in NEEDED if each not in headings
    ]
    if mistakes:
        return [], mistakes
    reels = []
    for number, cells in enumerate(table[1:], start=2):
        if len(cells) != len(headings):
            mistakes.append(
                _at(
                    number, "1", f"{len(headings)} cells were needed, found {len(cells)}; look at the commas."
                )
            )
            continue
        reel = dict.fromkeys(HEADINGS, "") | dict(zip(headings, cells))
        mistakes += _row_mistakes(number, reel, lifter)
        reels.append(reel)
    if not table[1:]:
        mistakes.append(_at(2, "gauge", "the list holds no reel; add a row for each."))
    return reels, mistakes


def _at(row: int, column: str, what: str) -> Mistake:
    return Mistake(row=row, column=column, what=what)


def _row_mistakes(number: int, reel: dict[str, str], lifter: str) -> list[Mistake]:
    if not any(reel.values()):
        return [_at(number, "gauge", "the row is empty; take it out.")]
    found = []
    for column, value in reel.items():
        if len(value) > MOST_WORDS:
            found.append(
                _at(number, column, f"at most {MOST_WORDS} characters, found {len(value)}; shorten it.")
            )
        elif any(ord(character) < 32 or ord(character) == 127 for character in value):
            found.append(_at(number, column, "a line break or control character stands in it; take it out."))
        elif "\ufffd" in value:
            found.append(_at(number, column, "a character was lost when the file was saved; write it again."))
        elif value.startswith(("=", "+", "@")):
            found.append(_at(number, column, f"'{value[:20]}' is a formula and not words; write the words."))
        else:
            found += _cell_mistake(number, column, value)
    if reel["forbids"] and reel["forbids"].casefold() != ledger.NOTHING and not lifter:
        found.append(_at(number, "forbids", "what forbids running makes a hold; add --lifter NAME."))
    return found


def _cell_mistake(number: int, column: str, value: str) -> list[Mistake]:
    if not value:
        return [_at(number, column, f"it is empty; {_EMPTY[column]}")] if column in NEEDED else []
    try:
        if column == "gauge":
            ledger.checked_gauge(value)
        elif column == "feet":
            ledger.checked_feet(value)
    except SmallgaugeError as error:
        return [_at(number, column, str(error))]
    return []


_EMPTY = {
    "gauge": "write a gauge, or 'not sure'.",
    "forbids": "write what forbids running it, or 'nothing'.",
    "decides": "write who may decide.",
}


def import_list(
    book: Book, path: Path, *, at: str, by: str, order: int, lifter: str, house: House = ledger.NO_RULES
) -> tuple[list[str], list[Mistake]]:
    """Take a list's reels into an order: all of them in one write, or none and every mistake."""
    reels, mistakes = check_list(read_table(path), lifter=lifter or house.lifter)
    if mistakes:
        return [], mistakes
    with book.write(at=at, by=by) as entry:
        return [
            ledger.enter_reel(entry, order=order, lifter=lifter, house=house, **reel).number for reel in reels
        ], []


def export_book(book: Book, folder: Path) -> list[str]:
    """The whole book as CSV, a file a table, and as one JSON document, in a folder that is not there yet.

    In the CSV words that begin like a formula have an apostrophe before them; the JSON has them as they were written.
    """
    if folder.exists():
        raise MaterialError(f"The book is exported into a new folder, and {folder} exists; name another.")
    part = folder.with_name(folder.name + ".part")  # named last, so that a folder of that name is whole
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir(parents=True)
    kinds: tuple[type[Row], ...] = (*KEPT, Event)
    document = {}
    with book.read() as session:
        for kind in kinds:
            query = sa.select(kind).order_by(
                *sa.inspect(kind).primary_key
            )  # a server keeps no order by itself
            document[kind.__tablename__] = [plain(row) for row in session.scalars(query)]
    for kind in kinds:
        lines = io.StringIO(newline="")
        writer = csv.DictWriter(lines, [column.name for column in kind.__table__.columns])
        writer.writeheader()
        for row in document[kind.__tablename__]:
            writer.writerow({k: text_cell(v) if isinstance(v, str) else v for k, v in row.items()})
        write_whole_bytes(part / f"{kind.__tablename__}.csv", lines.getvalue().encode())
    write_whole_bytes(part / "office.json", json.dumps(document, ensure_ascii=False, indent=1).encode())
    part.rename(folder)
    return sorted(document)

"""What `quote`, `job-sheet` and `invoice` do, by the shop's tariff; the pages ask the same functions."""

import argparse
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from smallgauge.errors import MaterialError
from smallgauge.gauge.numbers import order_number
from smallgauge.media.whole import write_whole_bytes
from smallgauge.office import ledger
from smallgauge.office.book import Book
from smallgauge.office.desk import Answer
from smallgauge.office.house import read_house
from smallgauge.office.invoice import Invoice, invoice_csv, invoice_lines, invoice_reels, plain_feet
from smallgauge.office.made import what_was_made
from smallgauge.office.models import Client, Reel
from smallgauge.office.quote import Quote, Tariff, quote_lines, quote_pdf, quote_reels, read_tariff

TARIFF_FILE = "tariff.toml"  # on the shelf, where no other is named


def run_money(options: argparse.Namespace, book: Book, at: str) -> Answer:
    """Do one of these commands."""
    return {"quote": _quote, "job-sheet": _job_sheet, "invoice": _invoice}[options.command](options, book, at)


def tariff_at(shelf: Path, named: str = "") -> Tariff:
    """The shop's prices: the file that is named, or the one that lies on the shelf."""
    path = Path(named) if named else shelf / TARIFF_FILE
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = (
            (error.strerror or str(error)).lower() if isinstance(error, OSError) else "other bytes than UTF-8"
        )
        raise MaterialError(
            f"The tariff must be a text file that can be read, found {why} at {path}; name the shop's tariff, or keep "
            f"it as {TARIFF_FILE} on the shelf."
        ) from None
    return read_tariff(text, where=str(path))


def quote_of(book: Book, number: int, tariff: Tariff) -> tuple[Quote, str]:
    """The quote of an order, and its client's name."""
    with book.read() as session:
        order = ledger.find_order(session, number)
        client = session.get(Client, order.client_id)
        reels = list(session.scalars(sa.select(Reel).where(Reel.order == number).order_by(Reel.number)))
        extras = ledger.extras_of(session, number)
    if not reels:
        raise MaterialError(
            f"A quote is for reels, and order {order_number(number)} has none yet; take them in first."
        )
    return quote_reels(reels, tariff, extras), client.name if client is not None else ledger.REMOVED


def invoice_of(
    book: Book, shelf: Path, number: int, tariff: Tariff
) -> tuple[Invoice, tuple[tuple[str, str], ...]]:
    """The invoice of an order, and each folder on the shelf whose papers can't be read, with why."""
    made, refused = what_was_made(shelf)
    with book.read() as session:
        ledger.find_order(session, number)
        reels = list(session.scalars(sa.select(Reel).where(Reel.order == number).order_by(Reel.number)))
        extras = ledger.extras_of(session, number)
    return invoice_reels(reels, made, tariff, extras), refused


def plain_quote(quote: Quote) -> dict[str, Any]:
    """A quote as a JSON document: money as text."""
    return dict(json.loads(json.dumps(asdict(quote), default=str)))


def plain_invoice(invoice: Invoice, number: int, refused: tuple[tuple[str, str], ...]) -> dict[str, Any]:
    """An invoice as a JSON document: money and lengths as text."""
    document = {
        **asdict(invoice),
        "order": order_number(number),
        "refused": [{"folder": name, "why": why} for name, why in refused],
        "lines": [{**asdict(line), "feet": plain_feet(line.feet)} for line in invoice.lines],
    }
    return dict(json.loads(json.dumps(document, default=str)))


def _quote(options: argparse.Namespace, book: Book, at: str) -> Answer:
    number = ledger.order_from(options.order)
    quote, client = quote_of(book, number, tariff_at(Path(options.shelf), options.tariff))
    if options.out:
        page = quote_pdf(quote, order=order_number(number), client=client, day=at[:10])
        write_whole_bytes(Path(options.out), page)
    return Answer(document=plain_quote(quote), lines=quote_lines(quote))


def _job_sheet(options: argparse.Namespace, book: Book, at: str) -> Answer:
    from smallgauge.office.job_sheet import job_sheet, job_sheet_lines, job_sheet_pdf

    shelf, number = Path(options.shelf), ledger.order_from(options.order)
    tariff = tariff_at(shelf, options.tariff)
    made, refused = what_was_made(shelf)
    with book.read() as session:
        sheet = job_sheet(session, number, house=read_house(shelf), tariff=tariff, made=made)
    if options.out:
        write_whole_bytes(Path(options.out), job_sheet_pdf(sheet, day=at[:10]))
    return Answer(
        document={**asdict(sheet), "refused": [{"folder": name, "why": why} for name, why in refused]},
        lines=(*job_sheet_lines(sheet), *(f"!! {name}: {why}" for name, why in refused)),
    )


def _invoice(options: argparse.Namespace, book: Book, at: str) -> Answer:
    shelf, number = Path(options.shelf), ledger.order_from(options.order)
    invoice, refused = invoice_of(book, shelf, number, tariff_at(shelf, options.tariff))
    if options.out:
        text = invoice_csv(invoice, order=order_number(number))
        write_whole_bytes(Path(options.out), text.encode())
    return Answer(
        document=plain_invoice(invoice, number, refused),
        lines=(*invoice_lines(invoice), *(f"!! {name}: {why}" for name, why in refused)),
    )

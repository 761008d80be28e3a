"""Invoice lines: what was really captured of each reel, by the shop's tariff, beside what was quoted.

invoice_reels    reels, what was made of them, tariff -> a line a reel, and those that can't be charged, with why
invoice_csv      the lines as CSV that any spreadsheet or bookkeeping program reads

Money is Decimal and rounded once a line, to the tariff's smallest unit, a half upwards. Lengths are exact until they are printed.
"""

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.office.extras import ExtraLine, half_up, price_extras
from smallgauge.office.ledger import gauge_words
from smallgauge.office.made import Made
from smallgauge.office.models import Extra, Reel
from smallgauge.office.quote import Line, Tariff, extra_lines, extra_words, quote_reel, span
from smallgauge.record.cells import text_cell

COLUMNS = (
    "order",
    "reel",
    "what",
    "number",
    "words on the box",
    "gauge",
    "frames captured",
    "feet captured",
    "price",
    "currency",
    "feet quoted from",
    "feet quoted to",
    "price quoted from",
    "price quoted to",
    "remark",
)
TRANSFER = "transfer"


@dataclass(frozen=True, slots=True, kw_only=True)
class InvoiceLine:
    """One reel that is charged; `quoted` is None where it was not quoted, `remark` what a person must look at."""

    number: str
    box_words: str
    gauge: str
    frames: int
    feet: Fraction
    price: Decimal
    quoted: Line | None
    remark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Invoice:
    """All lines of an order, reels that are not charged with the reason, and the sum."""

    currency: str
    lines: tuple[InvoiceLine, ...]
    left_out: tuple[tuple[str, str], ...]
    price: Decimal
    extras: tuple[ExtraLine, ...] = ()


def invoice_reels(
    reels: list[Reel], made: Mapping[str, Made], tariff: Tariff, extras: list[Extra] | None = None
) -> Invoice:
    """Every reel of an order by what was captured of it, and its extras; what has no price is named with the reason, and is in no
    sum.
    """
    lines, left_out = [], []
    for reel in reels:
        try:
            lines.append(_line(reel, made.get(reel.number), tariff))
        except CallerError as error:
            left_out.append((reel.number, str(error)))
    found, without = price_extras(
        extras or [],
        tariff.extras,
        unit=tariff.unit,
        feet={line.number: line.feet for line in lines},
        prices={line.number: line.price for line in lines},
    )
    return Invoice(
        currency=tariff.currency,
        lines=tuple(lines),
        left_out=(*left_out, *without),
        price=sum((line.price for line in lines), Decimal(0).quantize(tariff.unit)) + sum(found.values()),
        extras=extra_lines(extras or [], tariff, found, found),
    )


def _line(reel: Reel, made: Made | None, tariff: Tariff) -> InvoiceLine:
    if made is None:
        raise CallerError("nothing was captured of it")
    if not made.gauge:
        raise CallerError("its captures are of different gauges")
    if made.gauge not in tariff.prices:
        raise CallerError(f"the tariff has no price for {made.gauge}")
    price = tariff.prices[made.gauge]
    # Exact up to here: the whole price in the tariff's smallest units, rounded once.
    exact = Fraction(price.per_reel) + Fraction(price.per_foot) * made.feet
    money = half_up(exact / Fraction(tariff.unit)) * tariff.unit
    try:
        quoted = quote_reel(reel, tariff)
    except CallerError:
        quoted = None
    return InvoiceLine(
        number=reel.number,
        box_words=reel.box_words,
        gauge=gauge_named(made.gauge).name,
        frames=made.frames,
        feet=made.feet,
        price=money,
        quoted=quoted,
        remark="; ".join(_remarks(reel, made, money, quoted)),
    )


def _remarks(reel: Reel, made: Made, money: Decimal, quoted: Line | None) -> list[str]:
    found = []
    if reel.gauge != made.gauge:
        found.append(f"taken in as {gauge_words(reel.gauge)}, captured as {gauge_words(made.gauge)}")
    if quoted is None:
        found.append("was not quoted")
    elif money > quoted.price[1]:
        found.append(f"{money - quoted.price[1]} above the quote")
    if made.captures > 1:
        found.append(f"{made.captures} captures, added")
    return found


def plain_feet(feet: Fraction) -> str:
    """Feet with one decimal, a half upwards.

    Examples
    --------
    >>> plain_feet(Fraction(3, 80)), plain_feet(Fraction(101, 2))
    ('0.0', '50.5')
    """
    return str(Decimal(half_up(feet * 10)).scaleb(-1).quantize(Decimal("0.1"), ROUND_HALF_UP))


def invoice_lines(invoice: Invoice) -> tuple[str, ...]:
    """The invoice in words."""
    said = [
        f"{line.number}  {line.gauge}, {line.frames} frames, {plain_feet(line.feet)} ft; {line.price} {invoice.currency}"
        f"{f' (quoted {span(line.quoted.price)})' if line.quoted else ''}{f': {line.remark}' if line.remark else ''}"
        for line in invoice.lines
    ]
    said += [extra_words(line, invoice.currency) for line in invoice.extras]
    said += [f"{number}  not charged: {why}" for number, why in invoice.left_out]
    rest = ", without what is not charged" if invoice.left_out else ""
    return (*said, f"Together {invoice.price} {invoice.currency}{rest}")


def invoice_csv(invoice: Invoice, *, order: str) -> str:
    """The lines as CSV: UTF-8, a comma between, numbers with a point and without units, the currency by name.

    Source: RFC 4180 (the layout).
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for line in invoice.lines:
        feet = line.quoted.feet if line.quoted else ("", "")
        price = line.quoted.price if line.quoted else ("", "")
        words = (text_cell(" ".join(line.box_words.split())), line.gauge)
        said = (line.frames, plain_feet(line.feet), line.price, text_cell(invoice.currency))
        writer.writerow(
            (order, line.number, TRANSFER, 1, *words, *said, *feet, *price, text_cell(line.remark))
        )
    for extra in invoice.extras:
        agreed = f"consent {extra.consent}" if extra.consent else ""
        row = (order, extra.reel, text_cell(extra.words), extra.number, "", "", "", "", extra.price[0])
        writer.writerow((*row, text_cell(invoice.currency), "", "", "", "", agreed))
    return out.getvalue()

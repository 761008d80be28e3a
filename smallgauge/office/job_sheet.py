"""The job sheet of an order: what to do at the bench, what holds a reel, what was seen, and what was made beside what was quoted.

job_sheet        what the book and the shelf know of an order -> the sheet
job_sheet_pdf    the sheet as a PDF, with room for a pencil
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from smallgauge.errors import CallerError
from smallgauge.gauge.numbers import order_number
from smallgauge.office import ledger
from smallgauge.office.house import House, may_run
from smallgauge.office.invoice import plain_feet
from smallgauge.office.made import Made
from smallgauge.office.models import Client, Consent, Counted, Event, Reel
from smallgauge.office.quote import Line, Tariff, quote_reel, span
from smallgauge.office.safety import notice_words, notices_for, seen_words
from smallgauge.office.triage import advice_of, advice_on

TEMPLATE = Path(__file__).parent / "job_sheet.typ"


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetReel:
    """One reel on the sheet; "" and empty where nothing is known. `asked` and `made` are pairs of a name and a value."""

    number: str
    gauge: str
    box_words: str
    decides: str
    place: str
    stop: tuple[str, ...]  # holds, and what forbids running it
    know: tuple[str, ...]
    seen: tuple[str, ...]
    runs: tuple[str, ...]
    compared: tuple[tuple[str, str, str], ...]  # what, as quoted, as it was
    steps: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """The whole sheet."""

    order: str
    client: str
    came_on: str
    promised_on: str
    keep_until: str
    counted: tuple[str, ...]
    agreed: tuple[str, ...]
    reels: tuple[SheetReel, ...]


def job_sheet(
    session: Session, number: int, *, house: House, tariff: Tariff, made: Mapping[str, Made]
) -> Sheet:
    """What the book and the papers know of an order."""
    order = ledger.find_order(session, number)
    client = session.get(Client, order.client_id)
    counts = session.scalars(sa.select(Counted).where(Counted.order == number, Counted.came > 0))
    consents = session.scalars(sa.select(Consent).where(Consent.order == number).order_by(Consent.id))
    reels = session.scalars(sa.select(Reel).where(Reel.order == number).order_by(Reel.number))
    return Sheet(
        order=order_number(number),
        client=client.name if client is not None else ledger.REMOVED,
        came_on=order.came_at[:10],
        promised_on=order.promised_on,
        keep_until=order.keep_until,
        counted=tuple(ledger.kind_words(row.came, row.kind) for row in counts),
        agreed=(
            *(f"{each.to} ({each.how}, {each.at[:10]})" for each in consents),
            *(
                f"ordered: {each.number} x {each.what} of {each.reel or 'the order'}{f'; {each.words}' if each.words else ''}"
                for each in ledger.extras_of(session, number)
            ),
        ),
        reels=tuple(_reel(session, reel, house, tariff, made.get(reel.number)) for reel in reels),
    )


def _reel(session: Session, reel: Reel, house: House, tariff: Tariff, made: Made | None) -> SheetReel:
    seen = ledger.looked_at(ledger.condition_of(session, reel.number))
    holds = ledger.standing(session, reel.number)
    film = tuple(hold.why for hold in holds if hold.kind == "film")
    advice = (*advice_on((hold.why for hold in holds), private_rule=house.private_rule), *advice_of(seen))
    notices = notices_for(f"{reel.forbids} {reel.box_words} {seen_words(seen)}", reel.gauge)
    told = session.scalars(
        sa.select(Event).where(Event.reel == reel.number, Event.what.in_(ledger.STEPS)).order_by(Event.seq)
    )
    stop = [f"HOLD {hold.id} on the {hold.kind}: {hold.why}; {hold.lifter} may lift it" for hold in holds]
    runs = [may_run(each, gauge=reel.gauge, condition=seen, held=film).words for each in house.transports]
    return SheetReel(
        number=reel.number,
        gauge=ledger.gauge_words(reel.gauge),
        box_words=reel.box_words,
        decides=reel.decides,
        place=reel.place,
        stop=tuple(stop),
        know=tuple(dict.fromkeys([*(each.words for each in advice), *notice_words(notices)])),
        seen=tuple(f"{subject}: {words}" for subject, words in seen.items()),
        runs=tuple(runs),
        compared=_compared(reel, tariff, made),
        steps=tuple(f"{each.at[:10]} {each.by}: {each.what}; {each.words}" for each in told),
    )


def _compared(reel: Reel, tariff: Tariff, made: Made | None) -> tuple[tuple[str, str, str], ...]:
    """What was quoted of a reel, and what it came to."""
    try:
        quoted: Line | None = quote_reel(reel, tariff)
    except CallerError as error:
        quoted, why = None, str(error)
    not_quoted = "" if quoted else f"not quoted: {why}"
    space = f"{Decimal(made.frames) * tariff.megabytes_per_frame / 1000:.1f}" if made else ""
    rows = [
        ("feet", span(quoted.feet) if quoted else not_quoted, plain_feet(made.feet) if made else ""),
        ("frames", span(quoted.frames) if quoted else "", str(made.frames) if made else ""),
        ("GB, by the tariff", span(quoted.gigabytes) if quoted else "", space),
        (
            "minutes:seconds",
            "; ".join(f"{span((low, high))} at {rate}" for rate, low, high in quoted.running)
            if quoted
            else "",
            f"{made.running} at {made.rate}" if made and made.running else "",
        ),
        ("proved", "", ("yes" if made.proved else "no") if made and made.finished else ""),
        ("handed over", "", made.handed_on if made else ""),
    ]
    return tuple(rows)


def job_sheet_lines(sheet: Sheet) -> tuple[str, ...]:
    """The sheet in words."""
    said = [f"Order {sheet.order} of {sheet.client}, came {sheet.came_on}: {', '.join(sheet.counted)}"]
    for reel in sheet.reels:
        said.append(f"{reel.number}  {reel.gauge}  {reel.box_words}")
        said += [f"  {words}" for words in (*reel.stop, *reel.runs, *reel.seen)]
        said += [
            f"  {what}: quoted {asked or '-'}, is {found or '-'}" for what, asked, found in reel.compared
        ]
    return tuple(said)


def job_sheet_pdf(sheet: Sheet, *, day: str) -> bytes:
    """The sheet as a PDF."""
    import typst

    plain: dict[str, Any] = {**_plain(sheet), "day": day}
    return bytes(
        typst.compile(
            TEMPLATE.read_bytes(),
            ignore_system_fonts=True,
            format="pdf",
            sys_inputs={"sheet": json.dumps(plain)},
        )
    )


def _plain(sheet: Sheet) -> dict[str, Any]:
    from dataclasses import asdict

    return asdict(sheet)

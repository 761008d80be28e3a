"""What the book says of letting files go: holds, film that is still here, what a client accepted or was told, and until when.

book_reasons       why nothing of a reel may go
finished_reasons   why its finished film stays
files_reasons      why all of its files stay
keeping_words      the same of an order, for a page
"""

import datetime
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.orm import Session

from smallgauge.office.book import Book
from smallgauge.office.ledger import ACCEPTED, IN_SHOP, NOTICE, standing
from smallgauge.office.models import ClientWord, Event, Job, Order, Reel, Verdict
from smallgauge.office.queue import LIVE
from smallgauge.record.deliveries import read_deliveries
from smallgauge.record.shop import Shop

_NO_BOOK = "there is no book on this shelf, so nobody can tell what the client said"


def book_reasons(session: Session, numbers: tuple[str, ...], *, shelf: str, folder: str) -> list[str]:
    """Why nothing of a reel may go: a hold, film that has not gone back, a verdict to do it again, a job in the queue."""
    found = [] if numbers else ["it has no shop number, so the book can't tell whether its film went back"]
    for number in numbers:
        reel = session.get(Reel, number)
        if reel is None:
            found.append(f"{number} is not in the book, which can't tell whether its film went back")
            continue
        if reel.state == IN_SHOP:
            found.append(f"the film of {number} has not gone back")
        found += [f"hold {hold.id} on its {hold.kind}: {hold.why}" for hold in standing(session, number)]
        last = session.scalar(
            sa.select(Verdict.verdict).where(Verdict.reel == number).order_by(Verdict.id.desc()).limit(1)
        )
        if last == "do again":
            found.append("the last verdict is to do it again")
    jobs = sa.select(Job).where(Job.shelf == shelf, Job.reel == folder, Job.state.in_(LIVE))
    found += [f"it is in the queue (job {job.id}, {job.state})" for job in session.scalars(jobs)]
    return found


def job_captures(session: Session, shelf: str) -> list[str]:
    """Places of captures that were ever put in the queue of a shelf."""
    asked = sa.select(Job.capture).where(Job.shelf == shelf, Job.capture != "").distinct()
    return sorted(session.scalars(asked))


def _orders(session: Session, numbers: tuple[str, ...]) -> list[Order]:
    asked = sa.select(Reel.order).where(Reel.number.in_(numbers)).distinct()
    return [order for number in session.scalars(asked) if (order := session.get(Order, number)) is not None]


def _last_word(session: Session, order: Order, what: str) -> str:
    """The last day on which a client said, or was told, something; empty where that never was."""
    asked = sa.select(sa.func.max(ClientWord.on)).where(
        ClientWord.order == order.number, ClientWord.what == what
    )
    return session.scalar(asked) or ""


def _handed_on(folder: Path) -> str:
    """The day on which the last delivery was handed over; empty where none was."""
    return max((each.on[:10] for each in read_deliveries(folder).handed), default="")


def _later(day: str, days: int) -> str:
    return (datetime.date.fromisoformat(day) + datetime.timedelta(days=days)).isoformat()


def finished_reasons(
    book: Book | None, numbers: tuple[str, ...], *, folder: Path, shop: Shop, today: str
) -> list[str]:
    """Why a finished film that nobody ordered stays: not accepted yet, or the package says that it can still be asked for."""
    if book is None:
        return [_NO_BOOK]
    handed, found = _handed_on(folder), []
    with book.read() as session:
        for order in _orders(session, numbers):
            accepted = _last_word(session, order, ACCEPTED)
            if not handed:
                found.append("nothing was handed over yet (`smallgauge deliver --handed-over`)")
            elif not accepted or accepted < handed:
                found.append("the client has not accepted the last delivery (`smallgauge order accepted`)")
            elif shop.kept_days is None:  # what the package says then is: ask before they are deleted
                found += _not_told(session, order, shop, today)
            elif today <= (until := _later(max(handed, accepted), shop.kept_days)):
                found.append(f"the client may ask for it until {until}")
    return found


def files_reasons(
    book: Book | None, numbers: tuple[str, ...], *, folder: Path, shop: Shop, today: str
) -> list[str]:
    """Why all files of a reel stay: the day has not come or was never stated, or the client was not told in time."""
    if book is None:
        return [_NO_BOOK]
    found = []
    with book.read() as session:
        for order in _orders(session, numbers):
            until = kept_until(session, order, handed=_handed_on(folder), shop=shop)
            if _film_here(session, order):
                found.append("film of its order has not gone back")
            elif until is None:
                found.append(
                    "nobody stated until when files are kept (days in the table keeping of shop.toml)"
                )
            elif today <= until:
                found.append(f"its files are kept until {until}")
            found += _not_told(session, order, shop, today)
    return found


def kept_until(session: Session, order: Order, *, handed: str, shop: Shop) -> str | None:
    """The last day on which an order's files are kept: the day stated with the order, or the shop's days after its film went back,
    its last delivery and its acceptance, whichever is the latest; None where neither is stated, or its film is still here.
    """
    reels = sa.select(Reel.number).where(Reel.order == order.number)
    back = session.scalar(
        sa.select(sa.func.max(Event.at)).where(Event.what == "returned", Event.reel.in_(reels))
    )
    if _film_here(session, order) or back is None or (shop.kept_days is None and not order.keep_until):
        return None
    days = [order.keep_until] if order.keep_until else []
    if shop.kept_days is not None:
        last = max(back[:10], handed, _last_word(session, order, ACCEPTED))
        days.append(_later(last, shop.kept_days))
    return max(days)


def keeping_words(session: Session, order: Order, *, handed: str, shop: Shop, today: str) -> list[str]:
    """Until when an order's files are kept and what the client was told, in sentences."""
    until = kept_until(session, order, handed=handed, shop=shop)
    if until is not None:
        said = f"Files are kept until {until}."
    elif _film_here(session, order):
        stated = f" and until {order.keep_until}" if order.keep_until else ""
        said = f"Files are kept at least until all film has gone back{stated}."
    else:
        said = "Nobody stated until when files are kept (days in the table keeping of shop.toml)."
    told = _last_word(session, order, NOTICE)
    waits = _not_told(session, order, shop, today)
    if told and not waits:
        waits = [f"the client was told on {told}, and the days to answer are over"]
    return [said, *(f"{each[0].upper()}{each[1:]}." for each in waits)]


def _film_here(session: Session, order: Order) -> bool:
    asked = sa.select(Reel.number).where(Reel.order == order.number, Reel.state == IN_SHOP).limit(1)
    return session.scalar(asked) is not None


def _not_told(session: Session, order: Order, shop: Shop, today: str) -> list[str]:
    """Whether the client was told, and long enough ago to answer."""
    told = _last_word(session, order, NOTICE)
    if not told:
        return ["the client was not told that files go (`smallgauge order notice`)"]
    first = _later(told, shop.notice_days)
    return [f"the client was told on {told} and has until {first} to answer"] if today <= first else []

"""What each command of the office does: one document for --json, and the lines that a person reads.

Why this is long: one short function for each command, each of the same shape.
"""

import argparse
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.gauge.numbers import check_reel_number, order_number
from smallgauge.media.whole import write_whole_bytes
from smallgauge.office import ledger
from smallgauge.office.book import Book, check_book, copy_book
from smallgauge.office.house import House, may_run, read_house
from smallgauge.office.models import (
    Client,
    ClientWord,
    Consent,
    Counted,
    Event,
    Hold,
    Order,
    Receiver,
    Reel,
    Verdict,
    plain,
)
from smallgauge.office.photographs import photographs_of
from smallgauge.office.place import BOOK_FILE, book_place
from smallgauge.office.safety import notice_words, notices_for, seen_words
from smallgauge.office.triage import advice_of, advice_on

MONEY = ("quote", "job-sheet", "invoice")  # commands that read the tariff


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a command says."""

    document: dict[str, Any]
    lines: tuple[str, ...]
    exit_code: int = 0


def run_desk(options: argparse.Namespace, *, now: Callable[[], str]) -> Answer:
    """Do one command of the office; `now` gives the moment of each entry."""
    shelf = Path(options.shelf)
    if options.command == "office" and options.action == "restore":
        return _restore(options, shelf)
    make = options.command == "order" and options.action == "new"
    with Book(book_place(shelf), make=make) as book:
        return answer_from(options, book, now)


def answer_from(options: argparse.Namespace, book: Book, now: Callable[[], str]) -> Answer:
    """Do one command in a book that is open."""
    if options.command == "intake":
        return _intake(options, book, now)
    if options.command in MONEY:
        from smallgauge.office.money_desk import run_money

        return run_money(options, book, now())
    return {
        "order": _order,
        "photographs": _photographs,
        "reel": _reel,
        "condition": _condition,
        "hold": _hold,
        "hand-back": _hand_back,
        "label": _label,
        "office": _office,
    }[options.command](options, book, now())


def _order(options: argparse.Namespace, book: Book, at: str) -> Answer:
    if options.action == "list":
        return _orders(options, book)
    if options.action == "new":
        number = ledger.new_order(
            book,
            at=at,
            by=options.by,
            client=options.client,
            reach=options.reach,
            delete_on=options.delete_on,
            counts=ledger.counted_from(options.count),
            signed_by=options.signed_by,
            promised_on=options.promised_on,
            keep_until=options.keep_until,
        )
    else:
        number = ledger.order_from(options.order)
        if options.action == "consent":
            ledger.note_consent(
                book,
                at=at,
                by=options.by,
                order=number,
                to=options.to,
                given_by=options.given_by,
                how=options.how,
                read_back_by=options.read_back_by,
            )
        elif options.action == "extra":
            ledger.note_extra(
                book,
                at=at,
                by=options.by,
                order=number,
                what=options.what,
                number=options.number,
                reel=options.of,
                words=options.words,
                consent=options.consent,
            )
        elif options.action in (ledger.ACCEPTED, ledger.NOTICE):
            ledger.note_client_word(
                book, at=at, by=options.by, order=number, what=options.action, how=options.how, on=options.on
            )
    return shown_order(book, number)


def shown_order(book: Book, number: int) -> Answer:
    """One order: its count, reels, consents and events."""
    with book.read() as session:
        order = ledger.find_order(session, number)
        client = session.get(Client, order.client_id)
        counts = list(session.scalars(sa.select(Counted).where(Counted.order == number)))
        reels = list(session.scalars(sa.select(Reel).where(Reel.order == number).order_by(Reel.number)))
        consents = list(
            session.scalars(sa.select(Consent).where(Consent.order == number).order_by(Consent.id))
        )
        receivers = list(
            session.scalars(sa.select(Receiver).where(Receiver.order == number).order_by(Receiver.id))
        )
        said = list(
            session.scalars(sa.select(ClientWord).where(ClientWord.order == number).order_by(ClientWord.id))
        )
        extras = ledger.extras_of(session, number)
        ours = {reel.number for reel in reels}
        holds = [each for each in ledger.standing(session) if each.reel in ours]
        told = _events(session, Event.order == number)
    name = client.name if client is not None else ledger.REMOVED
    document = {
        **plain(order),
        "number": order_number(number),
        "client": name,
        "counted": {row.kind: {"came": row.came, "went": row.went} for row in counts},
        "reels": [plain(reel) for reel in reels],
        "holds": [plain(each) for each in holds],
        "consents": [plain(consent) for consent in consents],
        "receivers": [plain(each) for each in receivers],
        "client_words": [plain(each) for each in said],
        "extras": [plain(each) for each in extras],
        "events": told,
    }
    lines = [
        f"Order {order_number(number)} of {name}, came {order.came_at[:10]}, count signed by {order.signed_by}"
    ]
    lines += [f"  {row.kind}: {row.came} came, {row.went} went back" for row in counts if row.came]
    lines += _reel_lines(reels, holds)
    lines += [f"  consent {each.id} of {each.given_by}, {each.how}: {each.to}" for each in consents]
    lines += [
        f"  ordered: {each.number} x {each.what} of {each.reel or 'the order'}{f'; {each.words}' if each.words else ''}"
        f"{f', consent {each.consent}' if each.consent else ''}"
        for each in extras
    ]
    lines += [f"  receiver {each.id}, {each.at[:10]}: {each.name}" for each in receivers]
    lines += [f"  {each.what} {each.how}, on {each.on}, written down by {each.by}" for each in said]
    return Answer(document=document, lines=tuple(lines))


def _orders(options: argparse.Namespace, book: Book) -> Answer:
    """Orders, the newest first, a page at a time."""
    query = (
        sa.select(Order, Client.name)
        .outerjoin(Client, Client.id == Order.client_id)
        .order_by(Order.number.desc())
    )
    if options.after:
        query = query.where(Order.number < ledger.order_from(options.after))
    with book.read() as session:
        rows = session.execute(_page(options, query)).all()
        told = [(row[0], row[1] or ledger.REMOVED) for row in rows]
    found, more = _cut(options, told)
    lines = [f"{order_number(o.number)}  {o.came_at[:10]}  {name}" for o, name in found]
    return Answer(
        document={
            "orders": [{**plain(o), "number": order_number(o.number), "client": name} for o, name in found],
            "more": more,
        },
        lines=(*lines, *_more_words(more, order_number(found[-1][0].number) if found else "")),
    )


def _page(options: argparse.Namespace, query: Any) -> Any:
    """One row more than is shown, which says that there are more."""
    if options.most < 0:
        raise CallerError(f"--most needs a number from 0 on (0: all), found {options.most}.")
    return query.limit(options.most + 1) if options.most else query


def _cut(options: argparse.Namespace, found: list[Any]) -> tuple[list[Any], bool]:
    more = bool(options.most) and len(found) > options.most
    return (found[: options.most] if more else found), more


def _more_words(more: bool, last: str) -> tuple[str, ...]:
    return (f"There are more: add --after {last}, or --most 0 for all.",) if more else ()


def _reel_line(reel: Reel) -> str:
    where = f"{reel.state}, {reel.place}" if reel.place else reel.state
    return f"  {reel.number}  {ledger.gauge_words(reel.gauge)}  {where}  {reel.box_words}"


def _hold_words(hold: Hold) -> str:
    return f"HOLD {hold.id} on the {hold.kind}: {hold.why} ({hold.lifter} may lift it)"


def _reel_lines(reels: Sequence[Reel], holds: Sequence[Hold]) -> list[str]:
    """Each reel of a list, and below it what stops it."""
    stops: dict[str, list[str]] = {}
    for hold in holds:
        stops.setdefault(hold.reel, []).append(f"    {_hold_words(hold)}")
    return [line for reel in reels for line in (_reel_line(reel), *stops.get(reel.number, ()))]


def _events(session: Session, which: sa.ColumnElement[bool]) -> list[dict[str, Any]]:
    found = session.scalars(sa.select(Event).where(which).order_by(Event.seq))
    return [
        {name: getattr(each, name) for name in ("seq", "at", "by", "what", "reel", "words")} for each in found
    ]


def _intake(options: argparse.Namespace, book: Book, now: Callable[[], str]) -> Answer:
    order = ledger.order_from(options.order)
    house = read_house(Path(options.shelf))
    names = ("gauge", "box_words", "forbids", "decides")
    answers = {name: getattr(options, name) for name in names if getattr(options, name) is not None}
    if len(answers) < len(names) and sys.stdin.isatty() and not (options.json or options.again):
        return _intake_by_keys(options, book, now, order, house, answers)
    lifter = options.lifter
    before = ledger.last_reel(book, order) if options.again else None
    if before is not None:
        last = {name: getattr(before, name) for name in names} | {"forbids": before.forbids or ledger.NOTHING}
        if not lifter and "forbids" not in answers and before.forbids:
            with book.read() as session:
                held = ledger.standing(session, before.number)
            lifter = held[0].lifter if held else ""
        answers = last | answers
    missing = [f"--{name.replace('_', '-')}" for name in names if name not in answers]
    if missing:
        raise CallerError(
            f"Four things are asked of each reel, and {', '.join(missing)} is not answered; add it, or --again where it is as for "
            "the reel before."
        )
    reel = ledger.take_in(
        book,
        at=now(),
        by=options.by,
        order=order,
        lifter=lifter,
        feet=options.feet or "",
        house=house,
        **answers,
    )
    notices = notices_for(f"{reel.forbids} {reel.box_words}", reel.gauge)
    advice = advice_on(
        ledger.holds_wanted(reel.forbids, reel.box_words).values(), private_rule=house.private_rule
    )
    return Answer(
        document={
            **plain(reel),
            "advice": [asdict(each) for each in advice],
            "notices": [asdict(notice) for notice in notices],
        },
        lines=(
            f"{reel.number}: write it on reel, can and box now.",
            *(each.words for each in advice),
            *notice_words(notices),
        ),
    )


def _intake_by_keys(
    options: argparse.Namespace,
    book: Book,
    now: Callable[[], str],
    order: int,
    house: House,
    given: dict[str, str],
) -> Answer:
    """The whole parcel at the counter, a key an answer."""
    from smallgauge.office.counter import Counter
    from smallgauge.office.keys import single_keys

    def say(words: str) -> None:
        print(words, end="", file=sys.stderr, flush=True)

    if options.feet:
        raise CallerError("--feet is of one reel; give it with all four answers, or note the length later.")
    with single_keys() as read:
        counter = Counter(
            book=book,
            order=order,
            by=options.by,
            now=now,
            read=read,
            say=say,
            house=house,
            lifter=options.lifter,
            given=given,
        )
        reels = counter.take_in_all()
    return Answer(
        document={"reels": [plain(reel) for reel in reels]},
        lines=(f"{len(reels)} reels taken in.",),
    )


def _photographs(options: argparse.Namespace, book: Book, at: str) -> Answer:
    from smallgauge.office.photographs import ASIDE, FOLDER, file_photographs

    shelf = Path(options.shelf)
    found = file_photographs(book, shelf, Path(options.card), at=at, by=options.by, reel=options.reel)
    lines = [
        f"{each.name}: {each.became}{f', reel {each.reel}' if each.reel else ''}"
        for each in found
        if not each.why
    ]
    aside = [each for each in found if each.why]
    lines += [f"{each.name}: put aside: {each.why}" for each in aside]
    lines.append(
        f"{len(found) - len(aside)} of {len(found)} photographs lie with their reels; {len(aside)} put aside in {FOLDER}/{ASIDE}."
    )
    return Answer(document={"photographs": [asdict(each) for each in found]}, lines=tuple(lines))


def _reel(options: argparse.Namespace, book: Book, at: str) -> Answer:
    house = read_house(Path(options.shelf))
    if options.action == "list":
        return _reels(options, book)
    if options.action == "note":
        ledger.note_step(
            book,
            at=at,
            by=options.by,
            reel=options.reel,
            step=options.step,
            place=options.place,
            words=options.words,
            transport=options.transport,
            house=house,
        )
    elif options.action == "verdict":
        ledger.note_verdict(
            book, at=at, by=options.by, reel=options.reel, verdict=options.verdict, seen=options.seen
        )
    return shown_reel(book, options.reel, house)


def _reels(options: argparse.Namespace, book: Book) -> Answer:
    query = sa.select(Reel).order_by(Reel.number)
    if options.words:
        query = query.where(Reel.box_words.icontains(options.words, autoescape=True))
    else:
        query = query.where(Reel.state == ledger.IN_SHOP)
    if options.after:
        query = query.where(Reel.number > check_reel_number(options.after).text)
    with book.read() as session:
        found, more = _cut(options, list(session.scalars(_page(options, query))))
        holds = ledger.standing(session)
    return Answer(
        document={"reels": [plain(reel) for reel in found], "more": more},
        lines=(*_reel_lines(found, holds), *_more_words(more, found[-1].number if found else "")),
    )


def shown_reel(book: Book, text: str, house: House) -> Answer:
    """One reel: where it is, its condition, holds, what to know of it and what it may run on."""
    with book.read() as session:
        reel = ledger.find_reel(session, text)
        condition = ledger.condition_of(session, reel.number)
        holds = ledger.standing(session, reel.number)
        verdicts = list(
            session.scalars(sa.select(Verdict).where(Verdict.reel == reel.number).order_by(Verdict.id))
        )
        told = _events(session, Event.reel == reel.number)
        photographs = photographs_of(session, reel.number)
    notices = notices_for(f"{reel.forbids} {reel.box_words} {seen_words(condition)}", reel.gauge)
    seen = ledger.looked_at(condition)
    held_for = advice_on((each.why for each in holds), private_rule=house.private_rule)
    advice = tuple(dict.fromkeys((*held_for, *advice_of(seen))))
    kept = tuple(each.why for each in holds if each.kind == "film")
    runs = [may_run(each, gauge=reel.gauge, condition=seen, held=kept) for each in house.transports]
    lines = [_reel_line(reel).strip(), f"  who may decide: {reel.decides}"]
    lines += [f"  {_hold_words(each)}" for each in holds]
    lines += [f"  {subject}: {words}" for subject, words in condition.items()]
    lines += [f"  to know: {each.words}" for each in advice]
    lines += [f"  on {each.words}" for each in runs]
    lines += [f"  photograph: {each['copy']}" for each in photographs]
    lines += [f"  verdict of {each.by}, {each.at[:10]}: {each.verdict} ({each.seen})" for each in verdicts]
    lines += [f"  {each['at']}  {each['by']}  {each['what']}  {each['words']}" for each in told]
    document = {
        **plain(reel),
        "condition": condition,
        "photographs": photographs,
        "advice": [asdict(each) for each in advice],
        "transports": [asdict(each) for each in runs],
        "holds": [plain(each) for each in holds],
        "verdicts": [plain(each) for each in verdicts],
        "events": told,
        "notices": [asdict(notice) for notice in notices],
    }
    return Answer(document=document, lines=(*lines, *notice_words(notices)))


def _condition(options: argparse.Namespace, book: Book, at: str) -> Answer:
    house = read_house(Path(options.shelf))
    seen: dict[str, str] = {}
    for pair in options.seen:
        subject, _, words = pair.partition("=")
        seen[subject.strip()] = words
    ledger.note_condition(
        book, at=at, by=options.by, reel=options.reel, seen=seen, lifter=options.lifter, house=house
    )
    return shown_reel(book, options.reel, house)


def _hold(options: argparse.Namespace, book: Book, at: str) -> Answer:
    house = read_house(Path(options.shelf))
    if options.action == "place":
        ledger.place_hold(
            book,
            at=at,
            by=options.by,
            reel=options.which,
            kind=options.kind,
            why=options.why,
            lifter=options.lifter,
            house=house,
        )
    elif options.action == "lift":
        if not (options.which.isascii() and options.which.isdigit()):
            raise CallerError(
                f"A hold is lifted by its own number, found '{options.which}'; `smallgauge hold list` shows it."
            )
        ledger.lift_hold(book, at=at, by=options.by, hold=int(options.which), why=options.why, house=house)
    with book.read() as session:
        found = ledger.standing(session)
    return Answer(
        document={"holds": [plain(each) for each in found]},
        lines=tuple(f"{e.id}  {e.reel}  on the {e.kind}: {e.why} ({e.lifter} may lift it)" for e in found)
        or ("No hold is in force.",),
    )


def _hand_back(options: argparse.Namespace, book: Book, at: str) -> Answer:
    number = ledger.order_from(options.order)
    went = ledger.hand_back(
        book,
        at=at,
        by=options.by,
        order=number,
        reels=options.reel,
        counts=ledger.counted_from(options.count),
        to=options.to,
        part=options.part,
    )
    return Answer(
        document={"order": order_number(number), "reels": went},
        lines=(
            f"Handed back of order {order_number(number)}: {', '.join(went) or 'no reel'}; let {options.to} sign.",
        ),
    )


def _label(options: argparse.Namespace, book: Book, at: str) -> Answer:
    from smallgauge.office.labels import label_of, label_sheet

    reels: dict[str, Reel] = {}
    with book.read() as session:
        for text in options.reels:
            if len(text.strip()) == 7:
                order = ledger.find_order(session, ledger.order_from(text)).number
                named = list(
                    session.scalars(sa.select(Reel).where(Reel.order == order).order_by(Reel.number))
                )
            else:
                named = [ledger.find_reel(session, text)]
            reels |= {reel.number: reel for reel in named}
    write_whole_bytes(Path(options.out), label_sheet([label_of(reel) for reel in reels.values()]))
    return Answer(
        document={"sheet": options.out, "labels": list(reels)},
        lines=(f"{len(reels)} labels on {options.out}; they go on can and box, never on the film.",),
    )


def _office(options: argparse.Namespace, book: Book, at: str) -> Answer:
    if options.action == "forget":
        gone = ledger.remove_clients(book, at=at, by=options.by)
        return Answer(document={"removed": gone}, lines=(f"{gone} names removed.",))
    if options.action == "backup":
        target = _named(options)
        copy_book(book_place(Path(options.shelf)), target)
        return Answer(document={"copy": str(target)}, lines=(f"A whole, checked copy lies at {target}.",))
    if options.action == "catch-up":
        return _catch_up(options, book, at)
    if options.action == "import":
        return _import(options, book, at)
    if options.action == "export":
        from smallgauge.office.lists import export_book

        tables = export_book(book, _named(options))
        return Answer(
            document={"folder": options.file, "tables": tables},
            lines=(f"The whole book lies in {options.file}.",),
        )
    found = check_book(book, noted=options.noted)
    good = f"{found.events} events and {found.rows} rows agree. Write this down to prove later that none was cut off: {found.head}"
    return Answer(
        document=asdict(found),
        lines=tuple(f"!! {fault}" for fault in found.faults) or (good,),
        exit_code=FixityError.exit_code if found.faults else 0,
    )


def _catch_up(options: argparse.Namespace, book: Book, at: str) -> Answer:
    from smallgauge.office.catch_up import catch_up, reels_on

    entered, refused = catch_up(book, reels_on(Path(options.shelf)), at=at, by=options.by)
    lines = [f"{each.reel} {each.what}: {each.words}" for each in entered]
    return Answer(
        document={
            "entered": [asdict(each) for each in entered],
            "refused": [{"folder": name, "why": why} for name, why in refused],
        },
        lines=(*lines, *(f"!! {name}: {why}" for name, why in refused)) or ("Nothing lacked.",),
        exit_code=FixityError.exit_code if refused else 0,
    )


def _import(options: argparse.Namespace, book: Book, at: str) -> Answer:
    from smallgauge.office.lists import import_list

    order = ledger.order_from(options.order)
    house = read_house(Path(options.shelf))
    numbers, mistakes = import_list(
        book, _named(options), at=at, by=options.by, order=order, lifter=options.lifter, house=house
    )
    said = (*(each.words for each in mistakes), f"{len(mistakes)} mistakes; nothing was stored.")
    return Answer(
        document={"reels": numbers, "mistakes": [asdict(each) for each in mistakes]},
        lines=said if mistakes else (f"{len(numbers)} reels taken in: {', '.join(numbers)}.",),
        exit_code=MaterialError.exit_code if mistakes else 0,
    )


def _named(options: argparse.Namespace) -> Path:
    if not options.file:
        raise CallerError(f"office {options.action} needs a file or folder, found none; name it.")
    return Path(options.file)


def _restore(options: argparse.Namespace, shelf: Path) -> Answer:
    copy, target = _named(options), book_place(shelf)
    if not copy.is_file():
        raise MaterialError(f"A book is brought back from its copy, found no file {copy}; name the copy.")
    if isinstance(target, str):
        copy_book(copy, target)
        return Answer(document={"book": "server"}, lines=("The book is back on the server, checked.",))
    left = [name for name in (BOOK_FILE, f"{BOOK_FILE}-wal", f"{BOOK_FILE}-shm") if (shelf / name).exists()]
    if left:
        raise CallerError(
            f"A book is brought back to where none is, and {', '.join(left)} lies on {shelf}; move it away first, it is never "
            "written over."
        )
    copy_book(copy, target)
    return Answer(document={"book": str(target)}, lines=(f"The book is back at {target}, checked.",))

"""From the door to the door: orders, reels, where each one is, conditions, holds, and what goes back.

Each function is one write. Whoever asks for something that can't be gets a sentence, and the book stays as it was.

Why this is long: one short function for each thing that happens to a parcel, and the words that it is refused with.
"""

import datetime
import re
import secrets
from collections.abc import Mapping
from decimal import Decimal, InvalidOperation

import sqlalchemy as sa
from sqlalchemy.orm import Session

from smallgauge.errors import CallerError, MaterialError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.gauge.numbers import check_digit, check_reel_number, order_number, reel_number
from smallgauge.office import triage
from smallgauge.office.book import Book, Entry
from smallgauge.office.extras import NAME
from smallgauge.office.house import MUST_NOT, House, may_run
from smallgauge.office.models import (
    Client,
    ClientWord,
    Condition,
    Consent,
    Counted,
    Extra,
    Hold,
    Order,
    Receiver,
    Reel,
    Row,
    Verdict,
)

NO_RULES = House()
_FROM_BOX = (
    "nitrate",
    "unprocessed",
)  # where words on the box are enough for a hold: danger, and loss for good
KINDS = ("reels", "cans", "boxes", "notes", "tapes", "empty spools")
_ONE = dict(zip(KINDS, ("reel", "can", "box", "note", "tape", "empty spool"), strict=True))
NOT_SURE = "not sure"
NOTHING = "nothing"
IN_SHOP, RETURNED = "in the shop", "returned"
HOW = ("in writing", "by telephone", "at the counter")
VERDICTS = ("good", "do again")
ACCEPTED, NOTICE = "accepted", "notice"
_CLIENT_WORDS = {ACCEPTED: "accepted by the client", NOTICE: "notice to the client"}  # as an event tells them
REMOVED = "(name removed)"
STEPS = ("inspected", "repaired", "cleaned", "scanned", "rewound", "stored", "checked")
SUBJECTS = (
    "base",
    "wind",
    "emulsion side",
    "strip level",
    "strip hours",
    "strip temperature",
    "shrinkage",
    "perforations",
    "splices",
    "mould",
    "fade",
    "stripe",
    "smell",
    "warp",
    "brittleness",
    "kind",  # camera original, print, negative
    "processing",
    "spool",
    "content",
    "edge codes",
)
NOT_LOOKED_AT = "not looked at"


def checked_date(text: str, what: str) -> str:
    """A date as YYYY-MM-DD."""
    try:
        return datetime.date.fromisoformat(text).isoformat()
    except ValueError:
        raise CallerError(f"{what} must be a date such as 2027-06-30, found '{text}'; write it so.") from None


def _words(text: str, what: str) -> str:
    if not text.strip():
        raise CallerError(f"{what} must not be empty; write it out.")
    return text.strip()


def order_from(text: str) -> int:
    """The order that a person typed: seven digits with the check digit."""
    plain = text.strip()
    if len(plain) != 7 or not (plain.isascii() and plain.isdigit()):
        raise MaterialError(
            f"The number of an order is seven digits such as 0004171, found '{text}'; read it again."
        )
    if check_digit(plain) != "0" or int(plain[:6]) == 0:
        raise MaterialError(
            f"'{text}' is not the number of an order: its check digit does not fit, so a digit is wrong or two changed "
            "places; read it again."
        )
    return int(plain[:6])


def find_order(session: Session, number: int) -> Order:
    """An order that is in the book."""
    order = session.get(Order, number)
    if order is None:
        raise MaterialError(f"Order {order_number(number)} is not in the book; read the number again.")
    return order


def find_reel(session: Session, text: str) -> Reel:
    """A reel that is in the book, by its number as a person typed it or a scanner read it."""
    number = check_reel_number(text).text
    reel = session.get(Reel, number)
    if reel is None:
        raise MaterialError(f"Reel {number} is not in the book; read the label again.")
    return reel


def _reel_here(entry: Entry, text: str) -> Reel:
    reel = find_reel(entry.session, text)
    if reel.state != IN_SHOP:
        raise MaterialError(
            f"Reel {reel.number} went back to its client already; nothing can happen to it in the shop."
        )
    return reel


def kind_words(count: int, kind: str) -> str:
    """How many of a kind were counted.

    >>> kind_words(1, "boxes"), kind_words(2, "empty spools")
    ('1 box', '2 empty spools')
    """
    return f"{count} {_ONE[kind] if count == 1 else kind}"


def gauge_words(gauge: str) -> str:
    """A reel's gauge as paper and screen name it.

    >>> gauge_words("super-8"), gauge_words("not sure")
    ('Super 8', 'not sure')
    """
    return gauge if gauge == NOT_SURE else gauge_named(gauge).name


def counted_from(pairs: list[str]) -> dict[str, int]:
    """What was counted, from `kind=number`."""
    found: dict[str, int] = {}
    for pair in pairs:
        kind, _, number = pair.partition("=")
        if kind not in KINDS or not (number.isascii() and number.isdigit()) or int(number) > 9999:
            raise CallerError(
                f"A count is one of {', '.join(KINDS)}, =, and a number, found '{pair}'; write reels=3."
            )
        if kind in found:
            raise CallerError(f"{kind} is counted twice; count each kind once.")
        found[kind] = int(number)
    return found


def new_order(
    book: Book,
    *,
    at: str,
    by: str,
    client: str,
    reach: str,
    delete_on: str,
    counts: Mapping[str, int],
    signed_by: str,
    promised_on: str = "",
    keep_until: str = "",
) -> int:
    """Take a parcel in: whose it is, and everything in it counted and signed for."""
    if not any(counts.values()):
        raise CallerError(
            "A parcel is counted before anything else, found nothing counted; add --count reels=3."
        )
    if not delete_on.strip():
        raise CallerError(
            "An order states the day on which the client's name is removed from the book, found none; add --delete-on 2027-06-30."
        )
    delete_on = checked_date(delete_on, "The day on which the client's name is removed")
    promised_on = checked_date(promised_on, "The promised day") if promised_on else ""
    keep_until = checked_date(keep_until, "The day until which files are kept") if keep_until else ""
    with book.write(at=at, by=by) as entry:
        known = entry.session.scalar(
            sa.select(Client).where(Client.name == client.strip(), Client.reach == reach.strip())
        )
        if known is None:
            known = Client(
                id=max(next_number(entry.session, Client.id), next_number(entry.session, Order.client_id)),
                name=_words(client, "The client's name"),
                reach=_words(reach, "How the client is reached"),
                delete_on=delete_on,
                salt=secrets.token_hex(16),
            )
        known.delete_on = max(known.delete_on, delete_on)
        last = entry.session.scalar(sa.select(sa.func.max(Order.number))) or 0
        order = Order(
            number=last + 1,
            client_id=known.id,
            came_at=at,
            signed_by=_words(signed_by, "Who signed the count"),
            promised_on=promised_on,
            keep_until=keep_until,
        )
        order_number(order.number)  # refuses a book that is full
        rows = [Counted(order=order.number, kind=kind, came=counts.get(kind, 0), went=0) for kind in KINDS]
        entry.session.add(order)
        entry.session.flush()
        told = ", ".join(f"{row.came} {row.kind}" for row in rows if row.came)
        entry.tell("received", known, order, *rows, order=order.number, words=told)
        return order.number


def next_number(session: Session, column: sa.orm.InstrumentedAttribute[int]) -> int:
    """The number above every one in a column."""
    return (session.scalar(sa.select(sa.func.max(column))) or 0) + 1


def checked_feet(text: str) -> tuple[str, str]:
    """Least and most of a length in feet; empty where none was told."""
    if not text:
        return "", ""
    first, _, last = text.partition("..")
    try:
        low, high = Decimal(first), Decimal(last or first)
    except InvalidOperation:
        low = high = Decimal(-1)
    if not (low.is_finite() and high.is_finite() and 0 < low <= high <= 10_000):
        raise CallerError(
            f"A length is feet, or a range where it is a guess, found '{text}'; write 50 or 180..220."
        )
    return str(low), str(high)


def checked_gauge(text: str) -> str:
    """The key of a gauge as a person wrote it, or *not sure*."""
    return NOT_SURE if text.strip().casefold() == NOT_SURE else gauge_named(text).key


def take_in(
    book: Book,
    *,
    at: str,
    by: str,
    order: int,
    gauge: str,
    box_words: str,
    forbids: str,
    decides: str,
    lifter: str = "",
    feet: str = "",
    house: House = NO_RULES,
) -> Reel:
    """Take one reel in at the counter: the four things that are asked of each.

    What forbids running places its holds at once (`triage.holds_for`), and so do words on the box that speak of nitrate or of
    film that was not processed; `nothing` says that it was asked and there is nothing.
    """
    with book.write(at=at, by=by) as entry:
        return enter_reel(
            entry,
            order=order,
            gauge=gauge,
            box_words=box_words,
            forbids=forbids,
            decides=decides,
            lifter=lifter,
            feet=feet,
            house=house,
        )


def holds_wanted(forbids: str, box_words: str) -> dict[tuple[str, str], str]:
    """The holds that follow from the answers at the counter: kind and reason's name, with why."""
    answer = "" if forbids.strip().casefold() == NOTHING else forbids.strip()
    wanted = dict.fromkeys(triage.holds_for(answer) if answer else (), answer)
    for named in triage.reasons_in(box_words):
        if named.name in _FROM_BOX:
            wanted = {(kind, named.name): f"{named.why}: words on the box" for kind in named.kinds} | wanted
    return wanted


def enter_reel(
    entry: Entry,
    *,
    order: int,
    gauge: str,
    box_words: str,
    forbids: str,
    decides: str,
    lifter: str,
    feet: str,
    house: House = NO_RULES,
) -> Reel:
    """Enter one reel within a write that may enter more."""
    key = checked_gauge(gauge)
    reason = "" if forbids.strip().casefold() == NOTHING else _words(forbids, "What forbids running")
    low, high = checked_feet(feet)
    find_order(entry.session, order)
    reels = entry.session.scalar(sa.select(sa.func.count()).select_from(Reel).where(Reel.order == order)) or 0
    counted = entry.session.get(Counted, (order, "reels"))
    if counted is not None and reels >= counted.came:
        raise MaterialError(
            f"Order {order_number(order)} came with {counted.came} reels, and all of them are in the book; count the parcel "
            "again with the client and open another order for what was not counted."
        )
    reel = Reel(
        number=reel_number(order, reels + 1),
        order=order,
        gauge=key,
        box_words=box_words.strip(),
        forbids=reason,
        decides=_words(decides, "Who may decide"),
        feet_from=low,
        feet_to=high,
        state=IN_SHOP,
        place="counter",
    )
    entry.tell("taken in", reel, order=order, reel=reel.number, words=f"{key}; {reel.box_words}")
    for (kind, name), why in holds_wanted(reason, box_words).items():
        _place_missing(entry, reel, kind, name, why, lifter=lifter, house=house)
    return reel


def _place_missing(
    entry: Entry, reel: Reel, kind: str, name: str, why: str, *, lifter: str, house: House
) -> None:
    """Place a hold that follows from a rule, unless one of that kind stands for the same reason."""
    sign = triage.BY_NAME[name].sign if name else re.escape(why)
    there = standing(entry.session, reel.number, kind)
    if not any(re.search(sign, hold.why, re.IGNORECASE) for hold in there):
        _place(entry, reel, kind=kind, why=why, lifter=house.lifter_of(name, lifter))


def last_reel(book: Book, order: int) -> Reel | None:
    """The reel of an order that was taken in last."""
    with book.read() as session:
        return session.scalar(
            sa.select(Reel).where(Reel.order == order).order_by(Reel.number.desc()).limit(1)
        )


def note_step(
    book: Book,
    *,
    at: str,
    by: str,
    reel: str,
    step: str,
    place: str,
    words: str = "",
    transport: str = "",
    house: House = NO_RULES,
) -> Reel:
    """Note what happened to a reel, and where it lies now; `transport` is the one that it runs on."""
    if step not in STEPS:
        raise CallerError(f"What happened is one of {', '.join(STEPS)}, found '{step}'; write one of these.")
    with book.write(at=at, by=by) as entry:
        found = _reel_here(entry, reel)
        held = standing(entry.session, found.number, "film")
        if held and step == "scanned":
            raise MaterialError(
                f"Reel {found.number} must not run: {held[0].why}; only {held[0].lifter} may lift that hold."
            )
        if transport:
            seen = looked_at(condition_of(entry.session, found.number))
            runs = may_run(house.transport_named(transport), gauge=found.gauge, condition=seen)
            if runs.says == MUST_NOT:
                raise MaterialError(
                    f"Reel {found.number} must not run on {transport}: {'; '.join(runs.why)}; choose another transport."
                )
            words = f"on {runs.transport}{'; ' if words else ''}{words}"
        found.place = _words(place, "Where the reel lies now")
        where = f"lies at {found.place}{'; ' if words else ''}{words}"  # so that the events alone say where it was, and when
        entry.tell(step, found, order=found.order, reel=found.number, words=where)
        return found


def note_condition(
    book: Book,
    *,
    at: str,
    by: str,
    reel: str,
    seen: Mapping[str, str],
    lifter: str = "",
    house: House = NO_RULES,
) -> None:
    """Note what was seen of a reel; what is not named stays *not looked at*. Holds that follow from it are placed."""
    if not seen:
        raise CallerError("A condition is noted for one subject or more, found none; add --seen mould=dry.")
    for subject, words in seen.items():
        if subject not in SUBJECTS:
            raise CallerError(
                f"A condition is one of {', '.join(SUBJECTS)}, found '{subject}'; write one of these."
            )
        if not words.strip() or words.strip().casefold() == NOT_LOOKED_AT:
            raise CallerError(
                f"What was seen of {subject} must be said; leave {subject} out where it was not looked at."
            )
        triage.check_seen(subject, words)
    if "strip level" in seen and not {"strip hours", "strip temperature"} <= set(seen):
        raise CallerError(
            "A strip's level means nothing without its hours and the temperature; add --seen 'strip hours=24' and --seen "
            "'strip temperature=21 C'."
        )
    with book.write(at=at, by=by) as entry:
        found = _reel_here(entry, reel)
        first = next_number(entry.session, Condition.id)
        rows = [
            Condition(
                id=first + at_, reel=found.number, at=at, by=entry.by, subject=subject, seen=words.strip()
            )
            for at_, (subject, words) in enumerate(seen.items())
        ]
        entry.tell("condition", *rows, order=found.order, reel=found.number, words=", ".join(seen))
        for subject, words in seen.items():
            for reason in triage.reasons_seen(subject, words):
                where = "" if subject == reason.name else f"{subject} "
                why = f"{reason.why}: {where}{words.strip()}"
                for kind in reason.kinds:
                    _place_missing(entry, found, kind, reason.name, why, lifter=lifter, house=house)


def condition_of(session: Session, reel: str) -> dict[str, str]:
    """What was last seen of each subject; *not looked at* where nobody looked."""
    found = dict.fromkeys(SUBJECTS, NOT_LOOKED_AT)
    query = sa.select(Condition).where(Condition.reel == reel, Condition.subject.in_(SUBJECTS))
    for row in session.scalars(query.order_by(Condition.id)):
        found[row.subject] = row.seen
    return found


def looked_at(condition: Mapping[str, str]) -> dict[str, str]:
    """What somebody looked at, without the subjects that nobody did."""
    return {subject: seen for subject, seen in condition.items() if seen != NOT_LOOKED_AT}


def _place(entry: Entry, reel: Reel, *, kind: str, why: str, lifter: str) -> Hold:
    hold = Hold(
        id=next_number(entry.session, Hold.id),
        reel=reel.number,
        kind=kind,
        why=_words(why, "Why there is a hold"),
        lifter=_words(lifter, "The person who may lift a hold"),
        placed_at=entry.at,
        placed_by=entry.by,
        lifted_at="",
        lifted_why="",
    )
    entry.tell(
        f"hold on {kind}",
        hold,
        order=reel.order,
        reel=reel.number,
        words=f"{hold.why}; may be lifted by {hold.lifter}",
    )
    return hold


def place_hold(
    book: Book, *, at: str, by: str, reel: str, kind: str, why: str, lifter: str = "", house: House = NO_RULES
) -> Hold:
    """Keep a reel off the machine (film), or its files in the shop (files)."""
    if kind not in ("film", "files"):
        raise CallerError(f"A hold is on the film or on the files, found '{kind}'; write film or files.")
    with book.write(at=at, by=by) as entry:
        named = next((each.name for each in triage.reasons_in(why)), "")
        found = find_reel(entry.session, reel)
        return _place(entry, found, kind=kind, why=why, lifter=house.lifter_of(named, lifter))


def lift_hold(book: Book, *, at: str, by: str, hold: int, why: str, house: House = NO_RULES) -> Hold:
    """Lift a hold: only the person named when it was placed, or the one whom the shop names for all, with a reason that stays."""
    with book.write(at=at, by=by) as entry:
        found = entry.session.get(Hold, hold)
        if found is None or found.lifted_at:
            raise MaterialError(f"Hold {hold} is not in force; `smallgauge hold list` shows those that are.")
        if entry.by.casefold() not in (found.lifter.casefold(), house.lifter.casefold()):
            raise CallerError(
                f"Only {found.lifter} may lift hold {hold} on reel {found.reel}, not {entry.by}; ask that person."
            )
        found.lifted_at, found.lifted_why = at, _words(why, "Why a hold is lifted")
        reel = find_reel(entry.session, found.reel)
        entry.tell("hold lifted", found, order=reel.order, reel=reel.number, words=found.lifted_why)
        return found


def standing(session: Session, reel: str = "", kind: str = "") -> list[Hold]:
    """Holds in force, of one reel or of all."""
    query = sa.select(Hold).where(Hold.lifted_at == "").order_by(Hold.id)
    if reel:
        query = query.where(Hold.reel == reel)
    if kind:
        query = query.where(Hold.kind == kind)
    return list(session.scalars(query))


def note_consent(
    book: Book, *, at: str, by: str, order: int, to: str, given_by: str, how: str, read_back_by: str
) -> None:
    """What a client agreed to; what was said by telephone is read back by somebody named."""
    if how not in HOW:
        raise CallerError(f"A consent is given {', '.join(HOW)}, found '{how}'; write one of these.")
    if how == "by telephone" and not read_back_by.strip():
        raise CallerError("A consent by telephone is read back to the client; add --read-back-by NAME.")
    with book.write(at=at, by=by) as entry:
        find_order(entry.session, order)
        consent = Consent(
            id=next_number(entry.session, Consent.id),
            order=order,
            at=at,
            to=_words(to, "What was agreed to"),
            given_by=_words(given_by, "Who agreed"),
            how=how,
            read_back_by=read_back_by.strip(),
        )
        entry.tell("consent", consent, order=order, words=consent.to)


def note_extra(
    book: Book,
    *,
    at: str,
    by: str,
    order: int,
    what: str,
    number: int,
    reel: str = "",
    words: str = "",
    consent: int = 0,
) -> None:
    """What is done or sold beside the transfer, by its name in the tariff: `number` of it from now on, 0 takes it out.

    Work that was found after the quote names its own consent; 0 says that it was ordered with the parcel.
    """
    if not NAME.fullmatch(what):
        raise CallerError(
            f"An extra is named as in the tariff, in small letters, digits and hyphens, found '{what}'; write cleaning."
        )
    if not 0 <= number <= 9999:
        raise CallerError(f"An extra is ordered 1 to 9999 times, or 0 to take it out, found {number}.")
    with book.write(at=at, by=by) as entry:
        find_order(entry.session, order)
        named = find_reel(entry.session, reel) if reel else None
        if named is not None and named.order != order:
            raise MaterialError(
                f"Reel {named.number} belongs to order {order_number(named.order)}, not to {order_number(order)}; read the label "
                "again."
            )
        agreed = entry.session.get(Consent, consent) if consent else None
        if consent and (agreed is None or agreed.order != order):
            raise MaterialError(
                f"Order {order_number(order)} has no consent {consent}; write the consent down first, `smallgauge order show` "
                "gives its number."
            )
        at_reel = named.number if named is not None else ""
        row = entry.session.get(Extra, (order, at_reel, what))
        told = f"{number} x {what}{f', consent {consent}' if consent else ''}"
        if not number:
            if row is None:
                raise MaterialError(
                    f"No {what} is ordered there, so none can be taken out; look with `smallgauge order show`."
                )
            entry.tell("extra taken out", order=order, reel=at_reel, words=told, removed=(row,))
            return
        row = row or Extra(order=order, reel=at_reel, what=what)
        row.number, row.words, row.consent = number, words.strip(), consent
        row.by, row.at = entry.by, at
        entry.tell("extra", row, order=order, reel=at_reel, words=told)


def extras_of(session: Session, order: int) -> list[Extra]:
    """The extras of an order, by reel and name."""
    return list(
        session.scalars(sa.select(Extra).where(Extra.order == order).order_by(Extra.reel, Extra.what))
    )


def note_verdict(book: Book, *, at: str, by: str, reel: str, verdict: str, seen: str) -> None:
    """What a second person said of a finished reel."""
    if verdict not in VERDICTS:
        raise CallerError(f"A verdict is {' or '.join(VERDICTS)}, found '{verdict}'; write one of these.")
    with book.write(at=at, by=by) as entry:
        found = find_reel(entry.session, reel)
        row = Verdict(
            id=next_number(entry.session, Verdict.id),
            reel=found.number,
            at=at,
            by=entry.by,
            verdict=verdict,
            seen=_words(seen, "What was watched"),
        )
        entry.tell("verdict", row, order=found.order, reel=found.number, words=verdict)


def hand_back(
    book: Book,
    *,
    at: str,
    by: str,
    order: int,
    reels: list[str],
    counts: Mapping[str, int],
    to: str,
    part: bool = False,
) -> list[str]:
    """Hand film back: each reel by its label, and the rest of the parcel counted as it came.

    In `part` some reels go and the rest stays; otherwise everything that came and has not gone yet goes now, or nothing.
    """
    with book.write(at=at, by=by) as entry:
        find_order(entry.session, order)
        given: dict[str, Reel] = {}
        for text in reels:
            reel = _reel_here(entry, text)
            if reel.order != order:
                raise MaterialError(
                    f"Reel {reel.number} belongs to another order ({order_number(reel.order)}), not to {order_number(order)}; put "
                    "it back where it belongs."
                )
            if reel.number in given:
                raise MaterialError(
                    f"Reel {reel.number} was named twice; name each reel that goes back once."
                )
            given[reel.number] = reel
        still = set(
            entry.session.scalars(sa.select(Reel.number).where(Reel.order == order, Reel.state == IN_SHOP))
        ) - set(given)
        if still and not part:
            raise MaterialError(
                f"{', '.join(sorted(still))} must go back too, or say --part; nothing was handed back."
            )
        rows = {
            row.kind: row for row in entry.session.scalars(sa.select(Counted).where(Counted.order == order))
        }
        going = {**counts, "reels": counts.get("reels", len(given))}
        wrong = _miscounted(rows, going, given=len(given), part=part)
        if wrong:
            raise MaterialError(
                f"The count does not agree with what came: {'; '.join(wrong)}; look for it before anything goes."
            )
        if not any(going.values()):
            raise CallerError("Nothing was named to go back; add --reel NUMBER or --count boxes=1.")
        receiver = Receiver(
            id=next_number(entry.session, Receiver.id),
            order=order,
            name=_words(to, "Who takes the film"),
            by=entry.by,
            at=at,
            salt=secrets.token_hex(16),
        )
        for kind, number in going.items():
            rows[kind].went += number
        for reel in given.values():
            reel.state, reel.place = RETURNED, ""
            entry.tell("returned", reel, order=order, reel=reel.number, words=f"to receiver {receiver.id}")
        told = ", ".join(f"{number} {kind}" for kind, number in going.items() if number)
        entry.tell(
            "handed back", *rows.values(), receiver, order=order, words=f"{told}; to receiver {receiver.id}"
        )
        return sorted(given)


def _miscounted(
    rows: Mapping[str, Counted], going: Mapping[str, int], *, given: int, part: bool
) -> list[str]:
    wrong = []
    for kind, row in rows.items():
        number, left = going.get(kind, 0), row.came - row.went
        if (kind == "reels" and number < given) or number > left or (not part and number != left):
            wrong.append(f"{left} {kind} are to go back and {number} were counted")
        elif kind == "reels" and number != given:
            wrong.append(f"{number} reels were counted and {given} were named by their labels")
    return wrong


def note_client_word(book: Book, *, at: str, by: str, order: int, what: str, how: str, on: str) -> ClientWord:
    """That a client accepted what was delivered, or was told that files will be removed: how, and on which day."""
    if how not in HOW:
        raise CallerError(f"A client says or is told something {', '.join(HOW)}, found '{how}'; add --how.")
    day = checked_date(on or at[:10], "--on, the day on which it was said,")
    if day > at[:10]:
        raise CallerError(f"--on is a day that has come, found {day}; write it down when it was said.")
    with book.write(at=at, by=by) as entry:
        find_order(entry.session, order)
        row = ClientWord(
            id=next_number(entry.session, ClientWord.id),
            order=order,
            what=what,
            how=how,
            by=entry.by,
            on=day,
            at=at,
        )
        entry.tell(_CLIENT_WORDS[what], row, order=order, words=f"{how}, on {day}")
        return row


def remove_clients(book: Book, *, at: str, by: str) -> int:
    """Remove the names of clients whose day has come and whose film has all gone back, wherever a row of theirs holds one.

    Who signed the count, who took the film, who agreed and who may decide may be somebody else of the family: these go too.
    """
    with book.write(at=at, by=by) as entry:
        gone = 0
        for client in entry.session.scalars(sa.select(Client).where(Client.delete_on <= at[:10])).all():
            left = entry.session.scalar(
                sa.select(sa.func.count())
                .select_from(Counted)
                .join(Order, Order.number == Counted.order)
                .where(Order.client_id == client.id, Counted.came > Counted.went)
            )
            if not left:
                orders = list(entry.session.scalars(sa.select(Order).where(Order.client_id == client.id)))
                told, removed = _without_names(entry.session, orders)
                entry.tell("client removed", *told, removed=(client, *removed), words="the day had come")
                gone += 1
        return gone


def _without_names(session: Session, orders: list[Order]) -> tuple[list[Row], list[Row]]:
    """The rows of these orders with their names taken out, and those that hold nothing but a name."""
    numbers = [order.number for order in orders]
    consents = list(session.scalars(sa.select(Consent).where(Consent.order.in_(numbers))))
    reels = list(session.scalars(sa.select(Reel).where(Reel.order.in_(numbers))))
    receivers = list(session.scalars(sa.select(Receiver).where(Receiver.order.in_(numbers))))
    for order in orders:
        order.signed_by = REMOVED
    for consent in consents:
        consent.given_by = REMOVED
    for reel in reels:
        reel.decides = REMOVED
    return [*orders, *consents, *reels], list(receivers)

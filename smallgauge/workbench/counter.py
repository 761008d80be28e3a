"""The counter's page: parcels, intake, labels, condition, holds and handing back, in the shop's book beside the reels.

Every answer is made by the functions that the commands use: the page and the command line can't say different things.
"""

import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from starlette.requests import Request

from smallgauge.deliver.phrases import count_words
from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import GAUGES
from smallgauge.gauge.numbers import check_reel_number, order_number
from smallgauge.office import ledger, triage
from smallgauge.office.house import read_house
from smallgauge.office.place import book_place, has_book
from smallgauge.office.safety import Notice, notice_words, notices_for
from smallgauge.workbench.addresses import PAGE, TEXT, YES_NO, Address, Answer, Asked, Schema, change

Do = Callable[[Mapping[str, Any]], Any]  # what is done with the entries of a change

COUNT: Schema = {"type": "integer", "minimum": 0, "maximum": 9999}
LIST: Schema = {"type": "array", "items": TEXT, "maxItems": 200}
WORDS = Asked(name="text", says="what a scanner or a person typed", schema=TEXT)
FOR_ORDER = Asked(name="order", says="the order that lies on the counter; empty: none", schema=TEXT)
COUNTS = {kind.replace(" ", "_"): kind for kind in ledger.KINDS}
REEL = {"number": "string", "state": "string", "condition": "object", "holds": "array", "events": "array"}
ORDER = {
    "number": "string",
    "client": "string",
    "counted": "object",
    "reels": "array",
    "to_take_in": "integer",
}


def scanned_number(text: str) -> str:
    """A reel's number as a wedge scanner typed it: whatever the keyboard's layout made of the hyphens is passed over.

    Examples
    --------
    >>> scanned_number("SG0004171ßR03ß7"), scanned_number("0004171037")
    ('0004171-R03-7', '0004171-R03-7')
    """
    plain = re.sub(r"^SG", "", text.strip(), flags=re.IGNORECASE)
    return check_reel_number(re.sub(r"[^0-9Rr]", "", plain) if len(plain) <= 20 else plain).text


def plain_words(value: Any) -> Any:
    """What a change holds; refused where a text holds what no keyboard types."""
    for each in value if isinstance(value, list) else [value]:
        if isinstance(each, str) and any(ord(letter) < 32 or ord(letter) == 127 for letter in each):
            raise CallerError("A line break or control character stands in it; take it out.")
    return value


def acts_by(twin: Callable[[Callable[[Request], Any]], Answer]) -> Callable[[Do], Answer]:
    """What makes an answer of a function that takes the entries of a change, each of plain words."""
    return lambda do: twin(
        lambda request: do({name: plain_words(value) for name, value in request.state.body.items()})
    )


def texts(*names: str) -> dict[str, Schema]:
    """Entries of a change that are words."""
    return dict.fromkeys(names, TEXT)


class Counter:
    """The counter of one shelf; `now` gives the moment of each entry."""

    def __init__(self, folder: Path, now: Callable[[], str]) -> None:
        self.folder, self.now = folder, now

    def addresses(
        self, twin: Callable[[Callable[[Request], Any]], Answer], page: Answer
    ) -> tuple[Address, ...]:
        """The counter's addresses: the page, what it shows, and what it changes."""
        return (
            Address(path="/counter", says="The counter.", answer=page, gives=PAGE),
            Address(
                path="/api/counter",
                says="The counter: orders with film in the house, and what may be answered.",
                answer=twin(lambda request: self.paper()),
                gives={"orders": "array", "gauges": "array", "reasons": "array", "subjects": "array"},
            ),
            Address(
                path="/api/counter/order/{order}",
                says="One order: what was counted, its reels, and how many are to be taken in.",
                answer=twin(lambda request: self.order(request.path_params["order"])),
                gives=ORDER,
            ),
            Address(
                path="/api/counter/reel/{reel}",
                says="One reel: where it is, its condition, holds, and what to know of it.",
                answer=twin(lambda request: self.reel(request.path_params["reel"])),
                gives=REEL,
            ),
            Address(
                path="/api/counter/scan",
                says="The reel on a label, and whether it belongs to the order on the counter.",
                answer=twin(
                    lambda r: self.scan(r.query_params.get("text", ""), r.query_params.get("order", ""))
                ),
                asks=(WORDS, FOR_ORDER),
                gives={"reel": "string", "order": "string", "belongs": "boolean", "words": "string"},
            ),
            *self._changes(twin),
        )

    def _changes(self, twin: Callable[[Callable[[Request], Any]], Answer]) -> tuple[Address, ...]:
        """What the page changes.

        Why this is long: one address for each change, each of the same shape.
        """
        act, counts = acts_by(twin), dict.fromkeys(COUNTS, COUNT)
        needed = ("by", "client", "reach", "delete_on", "signed_by")
        answers = ("order", "by", "gauge", "box_words", "forbids", "decides")
        return (
            Address(
                path="/api/counter/parcel",
                says="Take a parcel in, counted and signed for.",
                answer=act(self.parcel),
                takes=change(needed, **texts(*needed, "promised_on", "keep_until"), **counts),
                gives=ORDER,
            ),
            Address(
                path="/api/counter/intake",
                says="Take one reel in: the four things that are asked.",
                answer=act(self.intake),
                takes=change(answers, **texts(*answers, "lifter")),
                gives={"reel": "string", "words": "string", "notices": "array", "order": "object"},
            ),
            Address(
                path="/api/counter/condition",
                says="Note what was seen of a reel, as SUBJECT=WORDS.",
                answer=act(self.condition),
                takes=change(("reel", "by", "seen"), **texts("reel", "by", "lifter"), seen=LIST),
                gives=REEL,
            ),
            Address(
                path="/api/counter/note",
                says="Note what happened to a reel, and where it lies now.",
                answer=act(self.note),
                takes=change(
                    ("reel", "by", "step", "place"),
                    **texts("reel", "by", "step", "place", "words", "transport"),
                ),
                gives=REEL,
            ),
            Address(
                path="/api/counter/hold",
                says="Place a hold.",
                answer=act(self.hold),
                takes=change(("reel", "by", "kind", "why"), **texts("reel", "by", "kind", "why", "lifter")),
                gives=REEL,
            ),
            Address(
                path="/api/counter/lift",
                says="Lift a hold: only the person named, with a reason.",
                answer=act(self.lift),
                takes=change(
                    ("hold", "by", "why"),
                    hold={"type": "integer", "minimum": 1, "maximum": 999_999_999},
                    **texts("by", "why"),
                ),
                gives=REEL,
            ),
            Address(
                path="/api/counter/hand-back",
                says="Hand film back: reels by their labels, the rest counted as it came.",
                answer=act(self.hand_back),
                takes=change(
                    ("order", "by", "reels", "to"),
                    **texts("order", "by", "to"),
                    **{name: schema for name, schema in counts.items() if name != "reels"},
                    reels=LIST,
                    part=YES_NO,
                ),
                gives=ORDER,
            ),
        )

    def book(self, *, make: bool = False) -> Any:
        """The book beside the reels."""
        from smallgauge.office.book import Book

        return Book(book_place(self.folder), make=make)

    def paper(self) -> dict[str, Any]:
        """The counter's twin."""
        house = read_house(self.folder)
        return {
            "orders": self._orders(),
            "gauges": [[gauge.key, gauge.name] for gauge in GAUGES] + [[ledger.NOT_SURE, ledger.NOT_SURE]],
            "reasons": [[ledger.NOTHING, ledger.NOTHING]] + [[each.why, each.why] for each in triage.REASONS],
            "subjects": list(ledger.SUBJECTS),
            "kinds": [[name, kind] for name, kind in COUNTS.items()],
            "steps": list(ledger.STEPS),
            "how": list(ledger.HOW),
            "verdicts": list(ledger.VERDICTS),
            "lifters": list(house.names()),
            "needs_lifter": not house.lifter,
            "transports": [each.name for each in house.transports],
        }

    def _orders(self) -> list[dict[str, Any]]:
        """Orders of which something is still in the house, the newest first, at most 200."""
        if not has_book(self.folder):
            return []
        import sqlalchemy as sa

        from smallgauge.office.models import Client, Counted, Order

        with self.book() as book, book.read() as session:
            inside = sa.select(Counted.order).where(Counted.came > Counted.went).distinct()
            query = sa.select(Order, Client.name).outerjoin(Client, Client.id == Order.client_id)
            found = session.execute(
                query.where(Order.number.in_(inside)).order_by(Order.number.desc()).limit(200)
            )
            return [
                {
                    "number": order_number(order.number),
                    "client": client or "(name removed)",
                    "came": order.came_at[:10],
                    "promised": order.promised_on,
                }
                for order, client in found
            ]

    def order(self, text: str) -> dict[str, Any]:
        """One order as the commands show it, with how many reels are to be taken in and the answers of the last one."""
        from smallgauge.office.desk import shown_order

        number = ledger.order_from(text)
        with self.book() as book:
            told = shown_order(book, number).document
            last = ledger.last_reel(book, number)
            with book.read() as session:
                holds = {
                    hold.reel: hold.why for hold in ledger.standing(session) if hold.reel.startswith(text)
                }
        reels = [{**reel, "held": holds.get(reel["number"], "")} for reel in told["reels"]]
        before = {"gauge": "", "forbids": "", "decides": told["client"]}
        if last is not None:
            before = {"gauge": last.gauge, "forbids": last.forbids or ledger.NOTHING, "decides": last.decides}
        left = told["counted"]["reels"]["came"] - len(reels)
        return {**told, "reels": reels, "to_take_in": left, "before": before}

    def reel(self, text: str) -> dict[str, Any]:
        """One reel as the commands show it."""
        from smallgauge.office.desk import shown_reel

        with self.book() as book:
            told = shown_reel(book, text, read_house(self.folder)).document
        return {
            **told,
            "order_number": order_number(told["order"]),
            "notices": [*notice_words(Notice(**each) for each in told["notices"])],
        }

    def scan(self, text: str, order: str) -> dict[str, Any]:
        """The reel on a label; a label of another order than the one on the counter is said to be so."""
        number = scanned_number(plain_words(text))
        with self.book() as book, book.read() as session:
            reel = ledger.find_reel(session, number)
            gone = reel.state != ledger.IN_SHOP
        mine = order_number(reel.order)
        belongs = order in ("", mine)
        words = f"Reel {number}, {reel.place or reel.state}: {reel.box_words or 'no words on the box'}."
        if not belongs:
            words = f"Reel {number} belongs to order {mine}, not to {order}; put it back where it belongs."
        elif gone:
            words = f"Reel {number} went back to its client already; find out how it came here."
        return {"reel": number, "order": mine, "belongs": belongs and not gone, "words": words}

    def parcel(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """A parcel is taken in; the first one makes the book."""
        words = {name: body.get(name, "") for name in ("promised_on", "keep_until")}
        asked = {name: body[name] for name in ("by", "client", "reach", "delete_on", "signed_by")}
        counts = {kind: body.get(name, 0) for name, kind in COUNTS.items()}
        with self.book(make=True) as book:
            number = ledger.new_order(book, at=self.now(), counts=counts, **asked, **words)
        return self.order(order_number(number))

    def intake(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """One reel is taken in."""
        house = read_house(self.folder)
        number = ledger.order_from(body["order"])
        answers = {name: body[name] for name in ("by", "gauge", "box_words", "forbids", "decides")}
        with self.book() as book:
            reel = ledger.take_in(
                book,
                at=self.now(),
                order=number,
                lifter=body.get("lifter", ""),
                house=house,
                **answers,
            )
        wanted = ledger.holds_wanted(reel.forbids, reel.box_words).values()
        advice = triage.advice_on(wanted, private_rule=house.private_rule)
        notices = notices_for(f"{reel.forbids} {reel.box_words}", reel.gauge)
        order = self.order(order_number(number))
        left = order["to_take_in"]
        return {
            "reel": reel.number,
            "words": f"{reel.number}: write it on reel, can and box now. {count_words(left, 'reel')} to take in.",
            "notices": [*(each.words for each in advice), *notice_words(notices)],
            "order": order,
        }

    def condition(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """What was seen of a reel; holds that follow are placed."""
        seen = {}
        for pair in body["seen"]:
            subject, _, words = pair.partition("=")
            seen[subject.strip()] = words
        with self.book() as book:
            ledger.note_condition(
                book,
                at=self.now(),
                by=body["by"],
                reel=body["reel"],
                seen=seen,
                lifter=body.get("lifter", ""),
                house=read_house(self.folder),
            )
        return self.reel(body["reel"])

    def note(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """What happened to a reel, and where it lies."""
        words = {name: body.get(name, "") for name in ("reel", "by", "step", "place", "words", "transport")}
        with self.book() as book:
            ledger.note_step(book, at=self.now(), house=read_house(self.folder), **words)
        return self.reel(body["reel"])

    def hold(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """A hold that a person places."""
        words = {name: body.get(name, "") for name in ("reel", "by", "kind", "why", "lifter")}
        with self.book() as book:
            ledger.place_hold(book, at=self.now(), house=read_house(self.folder), **words)
        return self.reel(body["reel"])

    def lift(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """A hold that the person named lifts."""
        with self.book() as book:
            found = ledger.lift_hold(
                book,
                at=self.now(),
                by=body["by"],
                hold=body["hold"],
                why=body["why"],
                house=read_house(self.folder),
            )
        return self.reel(found.reel)

    def hand_back(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """Film goes back; reels by their labels, the rest counted."""
        number = ledger.order_from(body["order"])
        counts = {kind: body[name] for name, kind in COUNTS.items() if name != "reels" and name in body}
        with self.book() as book:
            ledger.hand_back(
                book,
                at=self.now(),
                by=body["by"],
                order=number,
                reels=[scanned_number(each) for each in body["reels"]],
                counts=counts,
                to=body["to"],
                part=body.get("part", False),
            )
        return self.order(order_number(number))

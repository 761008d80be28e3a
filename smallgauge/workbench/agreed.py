"""What was agreed with a client, at the counter: consents, extras, what the client said or was told, verdicts, quote and invoice.

Every answer is made by the functions that the commands use.
"""

from collections.abc import Callable, Mapping
from typing import Any

from starlette.requests import Request

from smallgauge.gauge.numbers import order_number
from smallgauge.office import ledger
from smallgauge.workbench.addresses import Address, Answer, Schema, change
from smallgauge.workbench.counter import ORDER, REEL, Counter, acts_by, texts

CSV = "text/csv"
MONEY = {
    "quote": "object",
    "quote_trouble": "string",
    "invoice": "object",
    "invoice_trouble": "string",
    "extras": "array",
    "keeping": "array",
}
HOW: Schema = {"type": "string", "enum": list(ledger.HOW)}
WORD: Schema = {"type": "string", "enum": [ledger.ACCEPTED, ledger.NOTICE]}
VERDICT: Schema = {"type": "string", "enum": list(ledger.VERDICTS)}
NUMBER: Schema = {"type": "integer", "minimum": 0, "maximum": 9999}


class Agreed:
    """What was agreed, over the same book as the counter."""

    def __init__(self, counter: Counter) -> None:
        self.counter = counter

    def addresses(
        self,
        twin: Callable[[Callable[[Request], Any]], Answer],
        data: Callable[[Callable[[Request], bytes], str], Answer],
    ) -> tuple[Address, ...]:
        """What is shown and changed.

        Why this is long: one address for each change, each of the same shape.
        """
        act = acts_by(twin)
        return (
            Address(
                path="/api/counter/order/{order}/money",
                says="Quote and invoice of an order by the tariff on the shelf, or why there is none.",
                answer=twin(lambda request: self.money(request.path_params["order"])),
                gives=MONEY,
            ),
            Address(
                path="/api/counter/order/{order}/invoice.csv",
                says="The invoice's lines as CSV.",
                answer=data(lambda request: self.invoice(request.path_params["order"]), CSV),
                gives=CSV,
            ),
            Address(
                path="/api/counter/consent",
                says="Note what the client agreed to, how, and who read it back.",
                answer=act(self.consent),
                takes=change(
                    ("order", "by", "to", "given_by", "how"),
                    **texts("order", "by", "to", "given_by", "read_back_by"),
                    how=HOW,
                ),
                gives=ORDER,
            ),
            Address(
                path="/api/counter/client-word",
                says="Note that the client accepted what was delivered, or was told that files will be removed.",
                answer=act(self.client_word),
                takes=change(
                    ("order", "by", "what", "how"), **texts("order", "by", "on"), what=WORD, how=HOW
                ),
                gives=ORDER,
            ),
            Address(
                path="/api/counter/extra",
                says="Note what is done or sold beside the transfer, by its name in the tariff; 0 takes it out.",
                answer=act(self.extra),
                takes=change(
                    ("order", "by", "what", "number"),
                    **texts("order", "by", "what", "reel", "words"),
                    number=NUMBER,
                    consent={"type": "integer", "minimum": 0, "maximum": 999_999_999},
                ),
                gives=ORDER,
            ),
            Address(
                path="/api/counter/verdict",
                says="Note what a second person said of a finished reel.",
                answer=act(self.verdict),
                takes=change(
                    ("reel", "by", "verdict", "seen"), **texts("reel", "by", "seen"), verdict=VERDICT
                ),
                gives=REEL,
            ),
        )

    def money(self, text: str) -> dict[str, Any]:
        """Quote and invoice, each or the sentence that says why it can't be made."""
        from smallgauge.errors import SmallgaugeError
        from smallgauge.office import money_desk

        number, shelf = ledger.order_from(text), self.counter.folder
        found: dict[str, Any] = {
            "quote": {},
            "quote_trouble": "",
            "invoice": {},
            "invoice_trouble": "",
            "extras": [],
        }
        with self.counter.book() as book:
            found["keeping"] = self._keeping(book, number)
            try:
                tariff = money_desk.tariff_at(shelf)
            except SmallgaugeError as error:
                return {**found, "quote_trouble": str(error), "invoice_trouble": str(error)}
            found["extras"] = [[name, each.words] for name, each in tariff.extras.items()]
            try:
                found["quote"] = money_desk.plain_quote(money_desk.quote_of(book, number, tariff)[0])
            except SmallgaugeError as error:
                found["quote_trouble"] = str(error)
            invoice, refused = money_desk.invoice_of(book, shelf, number, tariff)
            found["invoice"] = money_desk.plain_invoice(invoice, number, refused)
        return found

    def _keeping(self, book: Any, number: int) -> list[str]:
        """Until when the order's files are kept, and what the client was told."""
        from smallgauge.office.keeping import keeping_words
        from smallgauge.office.made import what_was_made
        from smallgauge.record.files import read_text_if_there
        from smallgauge.record.shop import SHOP_FILE, read_shop

        paper = self.counter.folder / SHOP_FILE
        shop = read_shop(read_text_if_there(paper), where=str(paper))
        made, _ = what_was_made(self.counter.folder)
        mine = order_number(number)
        handed = max((each.handed_on for reel, each in made.items() if reel.startswith(mine)), default="")
        with book.read() as session:
            order = ledger.find_order(session, number)
            return keeping_words(session, order, handed=handed, shop=shop, today=self.counter.now()[:10])

    def invoice(self, text: str) -> bytes:
        """The invoice's lines as CSV."""
        from smallgauge.office import money_desk
        from smallgauge.office.invoice import invoice_csv

        number, shelf = ledger.order_from(text), self.counter.folder
        with self.counter.book() as book:
            invoice, _ = money_desk.invoice_of(book, shelf, number, money_desk.tariff_at(shelf))
        return invoice_csv(invoice, order=order_number(number)).encode()

    def consent(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """What a client agreed to."""
        words = {name: body.get(name, "") for name in ("by", "to", "given_by", "how", "read_back_by")}
        with self.counter.book() as book:
            ledger.note_consent(book, at=self.counter.now(), order=ledger.order_from(body["order"]), **words)
        return self.counter.order(body["order"])

    def client_word(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """What a client said, or was told."""
        words = {name: body.get(name, "") for name in ("by", "what", "how", "on")}
        with self.counter.book() as book:
            ledger.note_client_word(
                book, at=self.counter.now(), order=ledger.order_from(body["order"]), **words
            )
        return self.counter.order(body["order"])

    def extra(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """What is done or sold beside the transfer."""
        words = {name: body.get(name, "") for name in ("by", "what", "reel", "words")}
        with self.counter.book() as book:
            ledger.note_extra(
                book,
                at=self.counter.now(),
                order=ledger.order_from(body["order"]),
                number=body["number"],
                consent=body.get("consent", 0),
                **words,
            )
        return self.counter.order(body["order"])

    def verdict(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """What a second person said of a finished reel."""
        words = {name: body[name] for name in ("by", "reel", "verdict", "seen")}
        with self.counter.book() as book:
            ledger.note_verdict(book, at=self.counter.now(), **words)
        return self.counter.reel(body["reel"])

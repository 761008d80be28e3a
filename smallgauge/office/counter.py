"""Taking reels in at the counter, by single keys: four things are asked of each, and no more.

One key answers a question, Enter gives the answer of the reel before, `=` at the first question repeats all of them but
the words on the box, and Backspace goes back one question. Each reel is in the book as soon as its last question is
answered: what ends the program later takes nothing back.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import sqlalchemy as sa

from smallgauge.errors import CallerError
from smallgauge.gauge.numbers import order_number
from smallgauge.office import ledger
from smallgauge.office.book import Book
from smallgauge.office.house import House
from smallgauge.office.keys import BACK, END, ENTER, ReadKey, read_line
from smallgauge.office.models import Client, Counted, Reel
from smallgauge.office.safety import notice_words, notices_for
from smallgauge.office.triage import REASONS, advice_on

QUESTIONS = ("gauge", "box_words", "forbids", "decides")
GAUGE_KEYS = {
    "s": "super-8",
    "8": "standard-8",
    "9": "9.5mm",
    "6": "16mm",
    "2": "16mm-two-rows",
    "d": "unslit-double-8",
    "?": ledger.NOT_SURE,
}
FORBIDS_KEYS = {"n": ledger.NOTHING} | {reason.key: reason.why for reason in REASONS}
OWN_WORDS = "o"
AGAIN = "="
REPEATED = ("gauge", "forbids", "decides")


@dataclass(slots=True, kw_only=True)
class Counter:
    """One person at the counter with one parcel."""

    book: Book
    order: int
    by: str
    now: Callable[[], str]
    read: ReadKey
    say: Callable[[str], None]
    house: House = field(default_factory=House)
    lifter: str = ""
    given: Mapping[str, str] = field(default_factory=dict)  # answers that are not asked

    def take_in_all(self) -> list[Reel]:
        """Take in reels until the count is reached, or the person ends it."""
        found: list[Reel] = []
        came, there, before = self._parcel()
        while there + len(found) < came:
            self.say(f"\nReel {there + len(found) + 1} of {came}, order {order_number(self.order)}\n")
            answers = self._ask_all(before)
            if answers is None:
                break
            reel = ledger.take_in(
                self.book,
                at=self.now(),
                by=self.by,
                order=self.order,
                lifter=self._lifter(answers),
                house=self.house,
                **answers,
            )
            found.append(reel)
            before = answers
            self.say(f"{reel.number}: write it on reel, can and box now.\n")
            advice = advice_on(
                ledger.holds_wanted(reel.forbids, reel.box_words).values(),
                private_rule=self.house.private_rule,
            )
            notices = notices_for(f"{reel.forbids} {reel.box_words}", reel.gauge)
            for words in (*(each.words for each in advice), *notice_words(notices)):
                self.say(f"{words}\n")
        return found

    def _parcel(self) -> tuple[int, int, dict[str, str]]:
        """How many reels were counted and are in the book, and the answers of the one before."""
        with self.book.read() as session:
            order = ledger.find_order(session, self.order)
            counted = session.get(Counted, (self.order, "reels"))
            client = session.get(Client, order.client_id)
            there = session.scalar(
                sa.select(sa.func.count()).select_from(Reel).where(Reel.order == self.order)
            )
        last = ledger.last_reel(self.book, self.order)
        before = {"decides": client.name if client is not None else ""}
        if last is not None:
            before = {name: getattr(last, name) for name in QUESTIONS} | {
                "forbids": last.forbids or ledger.NOTHING
            }
        return (counted.came if counted is not None else 0), there or 0, before

    def _ask_all(self, before: Mapping[str, str]) -> dict[str, str] | None:
        """The four answers; None where the person ended here."""
        answers = dict(self.given)
        asked = [name for name in QUESTIONS if name not in answers]
        place = 0
        while place < len(asked):
            name = asked[place]
            told = {
                "gauge": self._gauge,
                "box_words": self._box_words,
                "forbids": self._forbids,
                "decides": self._decides,
            }[name](before)
            if told == END:
                return None
            if told == BACK:
                place = max(0, place - 1)
                continue
            if told == AGAIN:
                answers |= {each: before[each] for each in REPEATED if each in asked}
                asked = [each for each in asked if each not in REPEATED]
                place = 0
                continue
            answers[name] = told
            place += 1
        return answers

    def _gauge(self, before: Mapping[str, str]) -> str:
        offered = before.get("gauge", "")
        keys = ", ".join(f"{key} {name}" for key, name in GAUGE_KEYS.items())
        again = f"; Enter: {offered}; = as the reel before, but its own words" if offered else ""
        return self._one_key(f"Gauge ({keys}{again}; q: end here)", GAUGE_KEYS, offered, again=bool(offered))

    def _box_words(self, before: Mapping[str, str]) -> str:
        same = f"; =: {before['box_words']}" if before.get("box_words") else ""
        self.say(f"Words on the box (Enter alone: none{same}): ")
        line = read_line(self.read, self.say)
        if line is None:
            return END
        return before.get("box_words", "") if line == AGAIN and same else line

    def _forbids(self, before: Mapping[str, str]) -> str:
        offered = before.get("forbids", "")
        keys = ", ".join(f"{key} {words.partition(':')[0]}" for key, words in FORBIDS_KEYS.items())
        again = f"; Enter: {offered}" if offered else ""
        told = self._one_key(
            f"What forbids running ({keys}, {OWN_WORDS} own words{again})",
            FORBIDS_KEYS | {OWN_WORDS: OWN_WORDS},
            offered,
        )
        return self._words("In your own words") if told == OWN_WORDS else told

    def _decides(self, before: Mapping[str, str]) -> str:
        offered = before.get("decides", "")
        self.say(f"Who may decide{f' (Enter: {offered})' if offered else ''}: ")
        line = read_line(self.read, self.say)
        if line is None:
            return END
        return line or offered or self._decides(before)

    def _words(self, what: str) -> str:
        line: str | None = ""
        while line == "":
            self.say(f"{what}: ")
            line = read_line(self.read, self.say)
        return END if line is None else line

    def _lifter(self, answers: Mapping[str, str]) -> str:
        """Who may lift holds that follow; asked once where neither the shop nor the command names anybody."""
        wanted = ledger.holds_wanted(answers["forbids"], answers["box_words"])
        try:
            for _, name in wanted:
                self.house.lifter_of(name, self.lifter)
            return self.lifter
        except CallerError as missing:
            self.say(f"{missing}\n")
        told = self._words("Who in the shop may lift holds")
        if told == END:
            raise CallerError(
                "Nobody was named who may lift the hold, so this reel was not taken in; take it in again."
            )
        self.lifter = told
        return told

    def _one_key(self, question: str, keys: Mapping[str, str], offered: str, *, again: bool = False) -> str:
        self.say(f"{question}: ")
        while True:
            key = self.read()
            if key == END or key == "q":
                self.say("\n")
                return END
            if key == BACK or (key == AGAIN and again):
                self.say("as before\n" if key == AGAIN else "\n")
                return key
            told = offered if key == ENTER else keys.get(key.lower(), "")
            if told:
                self.say(f"{told}\n")
                return told

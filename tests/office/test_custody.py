"""No order of commands loses a reel or hands it back twice."""

import tempfile
from itertools import count
from pathlib import Path

import psycopg
import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test
from shop import AT, open_shop, parcel, reel
from stdnum import damm

from smallgauge.errors import CallerError, MaterialError, SmallgaugeError
from smallgauge.gauge.numbers import order_number, reel_number
from smallgauge.office import ledger
from smallgauge.office.book import Book, check_book
from smallgauge.office.models import Counted, Event, Reel


class Custody(RuleBasedStateMachine):
    """The book against a plain recomputation: what came, what is in the shop, what went."""

    def __init__(self):
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.book = self.empty_book()
        self.came: dict[int, int] = {}
        self.boxes: dict[int, int] = {}
        self.inside: dict[str, int] = {}
        self.gone: set[str] = set()

    def empty_book(self):
        return open_shop(Path(self.folder.name))

    def teardown(self):
        found = check_book(self.book)
        assert found.faults == ()
        self.book.close()
        self.folder.cleanup()

    @rule(reels=st.integers(1, 3), boxes=st.integers(0, 2))
    def order(self, reels, boxes):
        number = parcel(self.book, reels=reels, boxes=boxes)
        assert number not in self.came
        self.came[number], self.boxes[number] = reels, boxes

    @rule(order=st.integers(1, 4))
    def take_in(self, order):
        known = [n for n, of in self.inside.items() if of == order] + [
            n for n in self.gone if n.startswith(order_number(order))
        ]
        if len(known) < self.came.get(order, 0):
            made = reel(self.book, order)
            assert made.number not in self.inside and made.number not in self.gone
            self.inside[made.number] = order
        else:
            with pytest.raises(MaterialError):
                reel(self.book, order)

    @rule(order=st.integers(1, 3), which=st.integers(1, 3), step=st.sampled_from(ledger.STEPS))
    def step(self, order, which, step):
        number = reel_number(order, which)
        try:
            ledger.note_step(self.book, at=AT, by="mk", reel=number, step=step, place="bench")
        except MaterialError:
            assert number not in self.inside
        else:
            assert number in self.inside

    @rule(
        order=st.integers(1, 3),
        named=st.lists(st.tuples(st.integers(1, 3), st.integers(1, 3)), max_size=3),
        boxes=st.integers(0, 2),
        part=st.booleans(),
    )
    def hand_back(self, order, named, boxes, part):
        numbers = [reel_number(*each) for each in named]
        here = {n for n, of in self.inside.items() if of == order}
        went_before = {n for n in self.gone if n.startswith(order_number(order))}
        may = (
            order in self.came
            and len(set(numbers)) == len(numbers)
            and set(numbers) <= here
            and boxes <= self.boxes.get(order, 0)
            and (bool(numbers) or boxes > 0)
        )
        if may and not part:
            may = (
                set(numbers) == here
                and len(went_before) + len(here) == self.came[order]
                and boxes == self.boxes[order]
            )
        try:
            ledger.hand_back(
                self.book,
                at=AT,
                by="mk",
                order=order,
                reels=numbers,
                counts={"boxes": boxes},
                to="Wim",
                part=part,
            )
        except SmallgaugeError:
            assert not may
        else:
            assert may
            self.boxes[order] -= boxes
            for number in numbers:
                del self.inside[number]
                self.gone.add(number)

    @invariant()
    def every_reel_is_where_it_is(self):
        with self.book.read() as session:
            stored = {r.number: r.state for r in session.scalars(sa.select(Reel))}
            returned = list(session.scalars(sa.select(Event.reel).where(Event.what == "returned")))
            counts = {
                c.order: c.came - c.went
                for c in session.scalars(sa.select(Counted).where(Counted.kind == "boxes"))
            }
        wanted = dict.fromkeys(self.inside, ledger.IN_SHOP) | dict.fromkeys(self.gone, ledger.RETURNED)
        assert stored == wanted
        assert sorted(returned) == sorted(self.gone), "each reel that went has exactly one return"
        assert counts == self.boxes


TestCustody = Custody.TestCase
TestCustody.settings = settings(max_examples=12, stateful_step_count=20, deadline=None, derandomize=True)


def on_server(server):
    """The same on a server: an empty database for each run."""
    number = count(1)

    class OnServer(Custody):
        def empty_book(self):
            name = f"custody{next(number)}"
            with psycopg.connect(server.format("postgres"), autocommit=True) as connection:
                connection.execute(f"DROP DATABASE IF EXISTS {name}")
                connection.execute(f"CREATE DATABASE {name}")
            return Book(server.format(name), make=True)

    return OnServer


def test_no_order_of_commands_loses_a_reel_on_a_server(server):
    few = settings(max_examples=4, stateful_step_count=20, deadline=None, derandomize=True)
    run_state_machine_as_test(on_server(server), settings=few)


MANY = settings(
    max_examples=300,
    stateful_step_count=50,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)


@pytest.mark.campaign
def test_many_more_orders_of_commands():
    run_state_machine_as_test(Custody, settings=MANY)


@pytest.mark.campaign
def test_many_more_orders_of_commands_on_a_server(server):
    run_state_machine_as_test(on_server(server), settings=MANY)


def test_a_reel_of_another_family_is_refused_by_name(tmp_path):
    with open_shop(tmp_path) as book:
        first, second = parcel(book, reels=1), parcel(book, reels=1, client="Ada Lund")
        mine, theirs = reel(book, first), reel(book, second)
        with pytest.raises(MaterialError, match=f"{theirs.number} belongs to another order"):
            ledger.hand_back(
                book, at=AT, by="mk", order=first, reels=[theirs.number], counts={"boxes": 1}, to="Wim"
            )
        with pytest.raises(MaterialError, match="1 boxes are to go back and 0 were counted"):
            ledger.hand_back(book, at=AT, by="mk", order=first, reels=[mine.number], counts={}, to="Wim")


def test_numbers_agree_with_an_independent_check():
    """python-stdnum's Damm with our table; and every single error and neighbours' swap is refused (DAMM2004)."""
    from smallgauge.gauge.numbers import _DAMM

    for order, which in ((1, 1), (417, 3), (999_999, 99)):
        digits = reel_number(order, which).replace("-", "").replace("R", "")
        assert damm.is_valid(digits, table=_DAMM)
        assert damm.is_valid(digits[:7], table=_DAMM)
        for place, digit in enumerate(digits):
            for other in set("0123456789") - {digit}:
                wrong = digits[:place] + other + digits[place + 1 :]
                with pytest.raises(MaterialError):
                    ledger.find_reel(None, wrong)
            if place and digits[place - 1] != digit:
                wrong = digits[: place - 1] + digit + digits[place - 1] + digits[place + 1 :]
                with pytest.raises(MaterialError):
                    ledger.find_reel(None, wrong)


def test_only_the_named_person_lifts_a_hold(tmp_path):
    with open_shop(tmp_path) as book:
        held = reel(book, parcel(book), forbids="active mould", lifter="jo")
        with pytest.raises(CallerError, match="Only jo may lift"):
            ledger.lift_hold(book, at=AT, by="mk", hold=1, why="looks dry")
        with pytest.raises(MaterialError, match="must not run: active mould"):
            ledger.note_step(book, at=AT, by="mk", reel=held.number, step="scanned", place="bench")
        ledger.lift_hold(book, at=AT, by="jo", hold=1, why="dry, cleaned outside")
        ledger.note_step(book, at=AT, by="mk", reel=held.number, step="scanned", place="bench")
        with book.read() as session:
            told = list(session.scalars(sa.select(Event.words).where(Event.what == "hold lifted")))
        assert told == ["dry, cleaned outside"]
        with pytest.raises(MaterialError, match="not in force"):
            ledger.lift_hold(book, at=AT, by="jo", hold=1, why="again")


def test_not_looked_at_is_never_nothing_found(tmp_path):
    with open_shop(tmp_path) as book:
        one = reel(book, parcel(book))
        ledger.note_condition(book, at=AT, by="mk", reel=one.number, seen={"mould": "none seen"})
        with book.read() as session:
            found = ledger.condition_of(session, one.number)
        assert found.pop("mould") == "none seen"
        assert set(found.values()) == {"not looked at"}
        with pytest.raises(CallerError, match="without its hours"):
            ledger.note_condition(book, at=AT, by="mk", reel=one.number, seen={"strip level": "1.5"})


def test_a_removed_name_is_gone_and_its_number_is_not_given_again(tmp_path):
    with open_shop(tmp_path) as book:
        order = parcel(book, reels=1, boxes=0)
        assert ledger.remove_clients(book, at="2027-04-01T00:00:00Z", by="mk") == 0, "its film is still here"
        one = reel(book, order)
        ledger.hand_back(book, at=AT, by="mk", order=order, reels=[one.number], counts={}, to="Wim")
        assert ledger.remove_clients(book, at="2027-04-01T00:00:00Z", by="mk") == 1
        other = parcel(book, client="Ada Lund")
        with book.read() as session:
            assert ledger.find_order(session, order).client_id != ledger.find_order(session, other).client_id
        assert check_book(book).faults == ()

"""Lists and searches in a book of 100,000 reels.

Run `python -m benchmarks.office [reels] [URL of an empty PostgreSQL database]`. The book holds orders of ten reels, nine
of ten gone back, written through the ledger's own events. Each list and search is asked as the commands and the page ask it,
21 times; the median and the slowest are printed, in milliseconds, without the start of Python. The aim is 50 ms.
"""

import statistics
import sys
import tempfile
import time
from argparse import Namespace
from collections.abc import Callable
from pathlib import Path

from smallgauge.gauge.numbers import order_number, reel_number
from smallgauge.office import ledger
from smallgauge.office.book import Book
from smallgauge.office.desk import answer_from
from smallgauge.office.models import Client, Counted, Hold, Order, Reel
from smallgauge.office.place import BOOK_FILE

AT = "2026-03-02T09:00:00Z"
TEN = 10
TIMES = 21
WORDS = ("garden", "lake", "Anna's birthday", "the old mill", "snow", "harvest", "ferry", "garden party")


def fill(book: Book, reels: int) -> None:
    """Orders of ten reels; the newest tenth is in the shop, one in a hundred is held."""
    with book.write(at=AT, by="mk") as entry:
        for number in range(1, reels // TEN + 1):
            inside = number > reels // TEN * 9 // TEN
            state, place = (ledger.IN_SHOP, f"shelf {number % 40}") if inside else (ledger.RETURNED, "")
            client = Client(
                id=number, name=f"Client {number}", reach="by post", delete_on="2027-03-02", salt=""
            )
            order = Order(
                number=number, client_id=number, came_at=AT, signed_by="W", promised_on="", keep_until=""
            )
            rows = [
                Reel(
                    number=reel_number(number, k + 1),
                    order=number,
                    gauge="super-8",
                    box_words=f"{WORDS[(number + k) % len(WORDS)]} {1930 + number % 60}",
                    forbids="",
                    decides="W",
                    feet_from="50",
                    feet_to="50",
                    state=state,
                    place=place,
                )
                for k in range(TEN)
            ]
            entry.session.add(order)
            entry.session.flush()
            counted = Counted(order=number, kind="reels", came=TEN, went=0 if inside else TEN)
            entry.tell("received", client, order, counted, *rows, order=number)
            if number % 10 == 0:
                hold = Hold(
                    id=number, reel=rows[0].number, kind="files", why="rights", lifter="jo", placed_at=AT,
                    placed_by="mk", lifted_at="" if inside else AT, lifted_why="" if inside else "agreed",
                )  # fmt: skip
                entry.tell("hold on files", hold, order=number, reel=rows[0].number)


def asked(**options: object) -> Namespace:
    """One command, as it is parsed."""
    usual = {
        "shelf": ".",
        "words": "",
        "after": "",
        "most": 200,
        "json": True,
        "by": "mk",
        "order": "",
        "reel": "",
    }
    return Namespace(**(usual | options))


def questions(reels: int) -> dict[str, Namespace]:
    """Every list and search, by name."""
    middle = reels // TEN // 2
    return {
        "reel list": asked(command="reel", action="list"),
        "reel list, second page": asked(
            command="reel", action="list", after=reel_number(reels // TEN - 5, 1)
        ),
        "reel list --words lake": asked(command="reel", action="list", words="LAKE"),
        "reel list --words, none found": asked(command="reel", action="list", words="no such words"),
        "reel list --words, one in 60": asked(command="reel", action="list", words="mill 1987"),
        "reel show": asked(command="reel", action="show", reel=reel_number(middle, 3)),
        "order list": asked(command="order", action="list"),
        "order list, second page": asked(command="order", action="list", after=order_number(middle)),
        "order show": asked(command="order", action="show", order=order_number(middle)),
        "hold list": asked(command="hold", action="list"),
    }


def measured(ask: Callable[[], object]) -> tuple[float, float]:
    """Median and slowest, milliseconds."""
    took = []
    for _ in range(TIMES):
        begin = time.perf_counter()
        ask()
        took.append(1000 * (time.perf_counter() - begin))
    return statistics.median(took), max(took)


def main() -> None:
    """Fill a book and print the table."""
    reels = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    with tempfile.TemporaryDirectory() as folder:
        place: Path | str = sys.argv[2] if len(sys.argv) > 2 else Path(folder) / BOOK_FILE
        with Book(place, make=True) as book:
            fill(book, reels)
            print(f"{reels:,} reels, {book.engine.dialect.name}")
            print("| asked | median ms | slowest ms |\n| --- | --- | --- |")
            for name, options in questions(reels).items():
                middle, most = measured(lambda options=options: answer_from(options, book, lambda: AT))  # type: ignore[misc]
                print(f"| {name} | {middle:.1f} | {most:.1f} |")


if __name__ == "__main__":
    main()

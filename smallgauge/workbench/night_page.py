"""The queue on a page: what waits for the night, what runs at which rate, and its pause, stop and order.

The page changes what stands in the book, as `smallgauge queue` does; the jobs themselves are run by `smallgauge queue run`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from starlette.requests import Request

from smallgauge.office import queue
from smallgauge.office.place import book_place, has_book
from smallgauge.workbench.addresses import PAGE, TEXT, Address, Answer, Schema, change
from smallgauge.workbench.counter import plain_words

if TYPE_CHECKING:
    from smallgauge.workbench.app import Bench

JOBS: Schema = {
    "type": "array",
    "items": {"type": "integer", "minimum": 1, "maximum": 999_999_999},
    "maxItems": 500,
}
_QUEUE = {"jobs": "array", "need_words": "string", "names": "array", "book": "boolean"}


def night_addresses(bench: Bench, page: Answer) -> tuple[Address, ...]:
    """The page, what it shows, and what it changes."""

    def act(do: Callable[[Bench, dict[str, Any]], None]) -> Answer:
        def answer(request: Request) -> dict[str, Any]:
            do(bench, {key: plain_words(value) for key, value in request.state.body.items()})
            return night_paper(bench)

        return bench.twin(answer)

    acts: tuple[tuple[str, str, Callable[[Bench, dict[str, Any]], None]], ...] = (
        ("pause", "Keep jobs that wait from being begun; all where none is named.", _change(queue.PAUSED)),
        ("go-on", "Let jobs wait again that rest, were stopped or failed.", _change(queue.WAITING)),
        ("stop", "Stop jobs, those that run too; what is whole is kept.", _change(queue.STOPPED)),
        ("order", "Put jobs before all others that wait, in this order.", _order),
    )
    return (
        Address(path="/queue", says="Work by night.", answer=page, gives=PAGE),
        Address(
            path="/api/queue",
            says="The queue: what waits, runs at which rate, and how each job ended; the room that is foretold.",
            answer=bench.twin(lambda request: night_paper(bench)),
            gives=_QUEUE,
        ),
        Address(
            path="/api/queue/add",
            says="Put a reel of the Shelf, or a capture, in the queue.",
            answer=act(_add),
            takes=change(("by", "name"), by=TEXT, name=TEXT),
            gives=_QUEUE,
        ),
        *(
            Address(
                path=f"/api/queue/{name}",
                says=says,
                answer=act(do),
                takes=change(("by", "jobs"), by=TEXT, jobs=JOBS),
                gives=_QUEUE,
            )
            for name, says, do in acts
        ),
    )


def night_paper(bench: Bench) -> dict[str, Any]:
    """The queue's twin."""
    names = [*bench.shelf.folders(), *bench.shelf.captures()]
    empty: dict[str, Any] = {"jobs": [], "need_words": ""}
    if not has_book(bench.shelf.folder):
        return {**empty, "names": names, "book": False}
    from smallgauge.office.book import Book
    from smallgauge.office.night import LEAVE_BYTES
    from smallgauge.office.queue_desk import queue_document

    with Book(book_place(bench.shelf.folder)) as book:
        told = queue_document(book, bench.shelf.folder.resolve(), LEAVE_BYTES)
    return {**told, "names": names, "book": True}


def _add(bench: Bench, body: dict[str, Any]) -> None:
    from smallgauge.office.book import Book
    from smallgauge.office.night import name_of

    shelf = bench.shelf.folder.resolve()
    folder, capture = bench.shelf.material(body["name"])
    reel, place = name_of(shelf, capture or folder)
    with Book(book_place(bench.shelf.folder), make=True) as book:
        queue.add_job(book, at=bench.now(), by=body["by"], shelf=str(shelf), reel=reel, capture=place)


def _change(to: str) -> Callable[[Bench, dict[str, Any]], None]:
    def do(bench: Bench, body: dict[str, Any]) -> None:
        from smallgauge.office.book import Book

        shelf = str(bench.shelf.folder.resolve())
        with Book(book_place(bench.shelf.folder)) as book:
            queue.change_jobs(book, at=bench.now(), by=body["by"], shelf=shelf, jobs=body["jobs"], to=to)

    return do


def _order(bench: Bench, body: dict[str, Any]) -> None:
    from smallgauge.office.book import Book

    shelf = str(bench.shelf.folder.resolve())
    with Book(book_place(bench.shelf.folder)) as book:
        queue.order_jobs(book, at=bench.now(), by=body["by"], shelf=shelf, jobs=body["jobs"])

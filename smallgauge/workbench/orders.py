"""Orders on the Shelf: what the shop's book beside the reels says of reels that are in the house, and what holds them."""

from pathlib import Path
from typing import Any

from smallgauge.deliver.phrases import count_words
from smallgauge.gauge.gauges import GAUGES
from smallgauge.office.place import BOOK_FILE, book_place

MOST_ORDERS = 500  # the newest


class Orders:
    """The book's orders, read again where the book has changed; none where no book lies beside the reels."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._read: tuple[object, list[dict[str, Any]]] = (None, [])

    def told(self) -> list[dict[str, Any]]:
        """Orders with a reel in the house, the newest first. Clients are not named: the bench needs no names."""
        files = (self.folder / BOOK_FILE, self.folder / f"{BOOK_FILE}-wal")
        place = book_place(self.folder)
        if isinstance(place, str):
            return _read_orders(place)
        if not place.is_file():
            return []
        seen = tuple((at.st_mtime_ns, at.st_size) for f in files if f.exists() and (at := f.stat()))
        if self._read[0] != seen:
            told = _read_orders(place)
            after = tuple((at.st_mtime_ns, at.st_size) for f in files if f.exists() and (at := f.stat()))
            self._read = after, told
        return self._read[1]


def _read_orders(place: Path | str) -> list[dict[str, Any]]:
    import sqlalchemy as sa

    from smallgauge.gauge.numbers import order_number
    from smallgauge.office.book import Book
    from smallgauge.office.ledger import IN_SHOP
    from smallgauge.office.models import Hold, Order, Reel

    with Book(place) as book, book.read() as session:
        inside = sa.select(Reel.order).where(Reel.state == IN_SHOP).distinct()
        query = sa.select(Order).where(Order.number.in_(inside)).order_by(Order.number.desc())
        orders = list(session.scalars(query.limit(MOST_ORDERS)))
        numbers = [order.number for order in orders]
        reels: dict[int, list[Reel]] = {}
        for reel in session.scalars(sa.select(Reel).where(Reel.order.in_(numbers)).order_by(Reel.number)):
            reels.setdefault(reel.order, []).append(reel)
        holds: dict[str, list[str]] = {}
        standing = sa.select(Hold).where(Hold.lifted_at == "").order_by(Hold.id)
        for hold in session.scalars(standing):
            holds.setdefault(hold.reel, []).append(_hold_words(hold.kind, hold.why, hold.lifter))
        return [
            {
                "order": order_number(order.number),
                "came": order.came_at[:10],
                "promised": order.promised_on,
                "words": _order_words(
                    order.came_at[:10], order.promised_on, len(reels.get(order.number, []))
                ),
                "reels": [
                    {
                        "number": reel.number,
                        "gauge": _gauge_words(reel.gauge),
                        "box_words": reel.box_words,
                        "where": f"{reel.state}, {reel.place}" if reel.place else reel.state,
                        "here": reel.state == IN_SHOP,
                        "holds": holds.get(reel.number, []),
                    }
                    for reel in reels.get(order.number, [])
                ],
            }
            for order in orders
        ]


def _gauge_words(key: str) -> str:
    return next((gauge.name for gauge in GAUGES if gauge.key == key), "gauge not sure")


def _hold_words(kind: str, why: str, lifter: str) -> str:
    what = "The film stays off the machine" if kind == "film" else "Nothing of it leaves the house"
    return f"{what}: {why}. Only {lifter} may lift that."


def _order_words(came: str, promised: str, reels: int) -> str:
    until = f", promised for {promised}" if promised else ""
    return f"came {came}{until}, {count_words(reels, 'reel')}"

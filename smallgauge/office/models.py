"""What stands in the book: one class a table.

Moments are ISO 8601 in UTC and dates are YYYY-MM-DD, both as text, so that a row reads the same on every system.
"""

from typing import Any

from sqlalchemy import ForeignKey, Index, Integer, MetaData, String, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "pk": "pk_%(table_name)s",
}


class Row(DeclarativeBase):
    """A row of the book."""

    metadata = MetaData(naming_convention=NAMING)


class Client(Row):
    """Whose film it is, with as little as the shop needs, and the day on which that is removed."""

    __tablename__ = "client"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    name: Mapped[str] = mapped_column(Text)
    reach: Mapped[str] = mapped_column(Text)
    delete_on: Mapped[str] = mapped_column(String(10))
    salt: Mapped[str] = mapped_column(String(32))  # random: a removed name can't be guessed from its digest


class Order(Row):
    """One client's parcel."""

    __tablename__ = "client_order"
    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    client_id: Mapped[int] = mapped_column(Integer, index=True)  # no foreign key: a client is removed first
    came_at: Mapped[str] = mapped_column(String(20))
    signed_by: Mapped[str] = mapped_column(Text)
    promised_on: Mapped[str] = mapped_column(String(10))
    keep_until: Mapped[str] = mapped_column(String(10))


class Counted(Row):
    """How many of one kind came in the parcel, and how many went back."""

    __tablename__ = "counted"
    order: Mapped[int] = mapped_column(ForeignKey("client_order.number"), primary_key=True)
    kind: Mapped[str] = mapped_column(String(20), primary_key=True)
    came: Mapped[int] = mapped_column(Integer)
    went: Mapped[int] = mapped_column(Integer)


class Reel(Row):
    """One reel: what was asked at the counter, and where it is now."""

    __tablename__ = "reel"
    number: Mapped[str] = mapped_column(String(13), primary_key=True)
    order: Mapped[int] = mapped_column(ForeignKey("client_order.number"), index=True)
    gauge: Mapped[str] = mapped_column(String(20))  # key of the gauge, or "not sure"
    box_words: Mapped[str] = mapped_column(Text)
    forbids: Mapped[str] = mapped_column(Text)  # what forbids running it; empty: nothing, as was answered
    decides: Mapped[str] = mapped_column(Text)
    feet_from: Mapped[str] = mapped_column(String(20))  # decimal; empty: not told
    feet_to: Mapped[str] = mapped_column(String(20))
    state: Mapped[str] = mapped_column(String(20), index=True)  # "in the shop" or "returned"
    place: Mapped[str] = mapped_column(Text)
    __table_args__ = (Index("ix_reel_state_number", "state", "number"),)


class Condition(Row):
    """What one person saw of a reel at one time; what is not named was not looked at."""

    __tablename__ = "condition"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    reel: Mapped[str] = mapped_column(ForeignKey("reel.number"), index=True)
    at: Mapped[str] = mapped_column(String(20))
    by: Mapped[str] = mapped_column(Text)
    subject: Mapped[str] = mapped_column(String(30))
    seen: Mapped[str] = mapped_column(Text)


class Hold(Row):
    """What keeps a reel off the machine, or its files in the shop."""

    __tablename__ = "hold"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    reel: Mapped[str] = mapped_column(ForeignKey("reel.number"), index=True)
    kind: Mapped[str] = mapped_column(String(5))  # "film" or "files"
    why: Mapped[str] = mapped_column(Text)
    lifter: Mapped[str] = mapped_column(Text)
    placed_at: Mapped[str] = mapped_column(String(20))
    placed_by: Mapped[str] = mapped_column(Text)
    lifted_at: Mapped[str] = mapped_column(String(20))  # empty: it stands
    lifted_why: Mapped[str] = mapped_column(Text)


class Consent(Row):
    """What a client agreed to, how, and who read it back."""

    __tablename__ = "consent"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    order: Mapped[int] = mapped_column(ForeignKey("client_order.number"), index=True)
    at: Mapped[str] = mapped_column(String(20))
    to: Mapped[str] = mapped_column(Text)
    given_by: Mapped[str] = mapped_column(Text)
    how: Mapped[str] = mapped_column(String(20))
    read_back_by: Mapped[str] = mapped_column(Text)


class Verdict(Row):
    """What a second person said of a finished reel."""

    __tablename__ = "verdict"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    reel: Mapped[str] = mapped_column(ForeignKey("reel.number"), index=True)
    at: Mapped[str] = mapped_column(String(20))
    by: Mapped[str] = mapped_column(Text)
    verdict: Mapped[str] = mapped_column(String(20))
    seen: Mapped[str] = mapped_column(Text)


class Receiver(Row):
    """Who took film of a parcel: the events name only this row, which is removed with the client's name."""

    __tablename__ = "receiver"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    order: Mapped[int] = mapped_column(ForeignKey("client_order.number"), index=True)
    name: Mapped[str] = mapped_column(Text)
    by: Mapped[str] = mapped_column(Text)
    at: Mapped[str] = mapped_column(String(20))
    salt: Mapped[str] = mapped_column(String(32))  # random: a removed name can't be guessed from its digest


class ClientWord(Row):
    """That the client accepted what was delivered, or was told that files will be removed."""

    __tablename__ = "client_word"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    order: Mapped[int] = mapped_column(ForeignKey("client_order.number"), index=True)
    what: Mapped[str] = mapped_column(String(10))  # "accepted" or "notice"
    how: Mapped[str] = mapped_column(Text)
    by: Mapped[str] = mapped_column(Text)
    on: Mapped[str] = mapped_column(String(10))  # the day on which it was said
    at: Mapped[str] = mapped_column(String(20))  # when it was written down


class Job(Row):
    """One reel in the queue. `host`, `process` and `began` are of the bench that runs it; empty while none does."""

    __tablename__ = "job"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    shelf: Mapped[str] = mapped_column(Text)
    reel: Mapped[str] = mapped_column(Text, index=True)  # name of its folder on the shelf
    capture: Mapped[str] = mapped_column(Text)  # where it lies; empty: the reel's own archive copy
    state: Mapped[str] = mapped_column(String(10), index=True)
    asked_at: Mapped[str] = mapped_column(String(20))
    asked_by: Mapped[str] = mapped_column(Text)
    host: Mapped[str] = mapped_column(Text)
    process: Mapped[int] = mapped_column(Integer)
    began: Mapped[str] = mapped_column(Text)
    tries: Mapped[int] = mapped_column(Integer)
    ended_at: Mapped[str] = mapped_column(String(20))
    words: Mapped[str] = mapped_column(Text)


class Turn(Row):
    """The place of a job in the queue, where a person put it before others; without a row a job's place is its number."""

    __tablename__ = "turn"
    job: Mapped[int] = mapped_column(ForeignKey("job.id"), primary_key=True, autoincrement=False)
    place: Mapped[int] = mapped_column(Integer)


class Extra(Row):
    """Work or material of an order beside the transfer itself, by the name that it has in the shop's tariff."""

    __tablename__ = "extra"
    order: Mapped[int] = mapped_column(ForeignKey("client_order.number"), primary_key=True)
    reel: Mapped[str] = mapped_column(String(13), primary_key=True)  # empty: of the order as a whole
    what: Mapped[str] = mapped_column(String(40), primary_key=True)
    number: Mapped[int] = mapped_column(Integer)
    words: Mapped[str] = mapped_column(Text)
    consent: Mapped[int] = mapped_column(Integer)  # its own; 0: ordered with the parcel
    by: Mapped[str] = mapped_column(Text)
    at: Mapped[str] = mapped_column(String(20))


class Event(Row):
    """One thing that happened. Only ever added, each with the digest of the one before."""

    __tablename__ = "event"
    seq: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    at: Mapped[str] = mapped_column(String(20))
    by: Mapped[str] = mapped_column(Text)
    what: Mapped[str] = mapped_column(String(30))
    order: Mapped[int] = mapped_column(Integer, index=True)  # 0: of no order
    reel: Mapped[str] = mapped_column(String(13), index=True)  # empty: of no single reel
    words: Mapped[str] = mapped_column(Text)
    rows: Mapped[str] = mapped_column(Text)  # JSON: [table, key, digest] of every row that it wrote
    before: Mapped[str] = mapped_column(String(64))
    digest: Mapped[str] = mapped_column(String(64))


class Head(Row):
    """How many events there are, and the digest of the last: a removed last event is missed by it."""

    __tablename__ = "head"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    count: Mapped[int] = mapped_column(Integer)
    digest: Mapped[str] = mapped_column(String(64))


KEPT: tuple[type[Row], ...] = (
    Client,
    Order,
    Counted,
    Reel,
    Condition,
    Hold,
    Consent,
    Verdict,
    Receiver,
    ClientWord,
    Job,
    Turn,
    Extra,
)


def plain(row: Row) -> dict[str, Any]:
    """A row's columns and values."""
    return {column.name: getattr(row, column.key) for column in row.__table__.columns}


def key_of(row: Row) -> list[Any]:
    """The values of a row's key."""
    return [getattr(row, column.key) for column in row.__table__.primary_key.columns]  # type: ignore[attr-defined]

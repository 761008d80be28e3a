"""The book itself: opened, written in one transaction a time, and checked.

A book is one SQLite file beside the reels. Every write is one transaction that takes the book for itself at its
first moment, so that two benches never write over one another, and a power cut leaves the book as it was before or
as it is after. Every row that is written leaves its digest in an event, and each event holds the digest of the one
before: `check_book` finds any row that was altered, removed or put elsewhere.
"""

import contextlib
import hashlib
import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import sqlalchemy as sa
from sqlalchemy.orm import Session

from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.office.models import KEPT, Event, Head, Row, key_of, plain

BOOK_FILE = "office.sqlite"
NEWEST = "0001"  # the last migration
WAIT_S = 60  # for another bench to end its write
NETWORK = ("nfs", "nfs4", "cifs", "smb", "smb2", "smb3", "smbfs", "afs", "ncpfs", "9p", "ceph", "glusterfs")
NETWORK_BEGINS = ("fuse.sshfs", "fuse.gluster", "fuse.ceph", "fuse.rclone", "fuse.s3", "fuse.davfs")
NOTHING = "0" * 64


def _canonical(value: object) -> bytes:
    return json.dumps(value, sort_keys=True, ensure_ascii=False, separators=(",", ":")).encode()


def digest_row(row: Row) -> str:
    """SHA-256 of a row, with the name of its table."""
    return hashlib.sha256(_canonical([row.__tablename__, plain(row)])).hexdigest()


def digest_event(event: Event) -> str:
    """SHA-256 of an event, with that of the one before it."""
    values = plain(event)
    del values["digest"]
    return hashlib.sha256(_canonical(values)).hexdigest()


def network_kind(folder: Path) -> str:
    """The kind of network share that a folder lies on; empty where it lies on none, or that can't be told."""
    import psutil

    text = str(folder.resolve())
    if text.startswith("\\\\"):
        return "a network share"
    best, kind = "", ""
    for each in psutil.disk_partitions(all=True):
        inside = text == each.mountpoint or text.startswith(
            each.mountpoint.rstrip("/\\") + ("/" if "/" in text else "\\")
        )
        if inside and len(each.mountpoint) >= len(best):
            best, kind = each.mountpoint, each.fstype.casefold()
    return kind if kind in NETWORK or kind.startswith(NETWORK_BEGINS) else ""


class Entry:
    """One write: rows and the events that tell of them, in one transaction."""

    def __init__(self, session: Session, *, at: str, by: str) -> None:
        self.session, self.at, self.by = session, at, by

    def tell(
        self,
        what: str,
        *rows: Row,
        order: int = 0,
        reel: str = "",
        words: str = "",
        removed: tuple[Row, ...] = (),
    ) -> Event:
        """Write rows, and the event that says what happened to them."""
        gone = [[row.__tablename__, key_of(row), ""] for row in removed]
        for row in removed:
            self.session.delete(row)
        self.session.add_all(rows)
        self.session.flush()
        written = [[row.__tablename__, key_of(row), digest_row(row)] for row in rows]
        head = self.session.get(Head, 1)
        assert head is not None
        event = Event(
            seq=head.count + 1,
            at=self.at,
            by=self.by,
            what=what,
            order=order,
            reel=reel,
            words=words,
            rows=json.dumps(written + gone, ensure_ascii=False),
            before=head.digest,
            digest="",
        )
        event.digest = digest_event(event)
        head.count, head.digest = event.seq, event.digest
        self.session.add(event)
        self.session.flush()
        return event


class Book:
    """An open book; a context manager."""

    def __init__(self, path: Path, *, make: bool = False) -> None:
        self.path = path
        if not make and not path.is_file():
            raise MaterialError(
                f"The shop's book is needed, found none at {path}; `smallgauge order new` makes it, or name another shelf."
            )
        if make and not path.parent.is_dir():
            raise MaterialError(
                f"The book lies on the shelf, found no folder {path.parent}; make it or name another shelf."
            )
        kind = network_kind(path.parent)
        if kind:
            raise MaterialError(
                f"The book must lie on a disk of this machine, and {path.parent} is on a network ({kind}), where a "
                "write-ahead log can be torn; choose a folder of this machine (a shop with several benches needs a "
                "PostgreSQL server, which this version does not serve yet)."
            )
        self.engine = sa.create_engine(
            f"sqlite:///{path}", connect_args={"timeout": WAIT_S}, isolation_level="AUTOCOMMIT"
        )
        sa.event.listen(self.engine, "connect", _set_up)
        try:
            self._bring_up_to_date()
        except sa.exc.DatabaseError as error:
            self.engine.dispose()
            raise _refusal(error, path) from None
        except BaseException:
            self.engine.dispose()
            raise

    def _bring_up_to_date(self) -> None:
        with self.engine.connect() as connection:
            connection.exec_driver_sql("BEGIN IMMEDIATE")
            try:
                names = sa.inspect(connection).get_table_names()
                known = "alembic_version" in names
                now = connection.scalar(sa.text("SELECT version_num FROM alembic_version")) if known else None
                if now is None and names:
                    raise MaterialError(
                        f"{self.path} must be the shop's book, and it is another database; move it away or name another shelf."
                    )
                if now is not None and now > NEWEST:
                    raise MaterialError(
                        f"{self.path} was written by a newer version of the program (book {now}, this one knows {NEWEST}); "
                        "use that version."
                    )
                if now != NEWEST:
                    _migrate(connection)
                    if now is None:
                        connection.execute(sa.insert(Head).values(id=1, count=0, digest=NOTHING))
                connection.exec_driver_sql("COMMIT")
            except BaseException:
                _roll_back(connection)
                raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let the file go."""
        self.engine.dispose()

    @contextlib.contextmanager
    def read(self) -> Iterator[Session]:
        """Look at the book as it is at this moment."""
        with self._session("BEGIN") as session:
            yield session

    @contextlib.contextmanager
    def write(self, *, at: str, by: str) -> Iterator[Entry]:
        """One transaction: everything in it is kept, or nothing."""
        if not by.strip():
            raise CallerError(
                "Whoever writes in the book signs with initials, found none; add --by INITIALS."
            )
        with self._session("BEGIN IMMEDIATE") as session:
            yield Entry(session, at=at, by=by.strip())
            session.flush()

    @contextlib.contextmanager
    def _session(self, begin: str) -> Iterator[Session]:
        with self.engine.connect() as connection:
            try:
                connection.exec_driver_sql(begin)
                with Session(connection, expire_on_commit=False) as session:
                    yield session
                connection.exec_driver_sql("COMMIT")
            except sa.exc.DatabaseError as error:
                _roll_back(connection)
                raise _refusal(error, self.path) from None
            except BaseException:
                _roll_back(connection)
                raise


def _roll_back(connection: sa.Connection) -> None:
    # SQLite has rolled back by itself where the disk is full; after Ctrl-C the connection is closed, which does it too.
    with contextlib.suppress(sa.exc.SQLAlchemyError):
        connection.exec_driver_sql("ROLLBACK")


def _refusal(error: sa.exc.DatabaseError, path: Path) -> MaterialError:
    return MaterialError(
        f"The book at {path} could not be read or written ({error.orig}); nothing was changed: free the disk, wait for the "
        "other bench, or bring the book back by `smallgauge office restore`."
    )


def _set_up(connection: Any, record: Any) -> None:
    cursor = connection.cursor()
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _migrate(connection: sa.Connection) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


@dataclass(frozen=True, slots=True, kw_only=True)
class BookCheck:
    """What a look through the whole book found."""

    events: int
    rows: int
    head: str  # digest of the last event: written on paper, it also proves that no end was cut off
    faults: tuple[str, ...]


def check_book(book: Book, *, noted: str = "") -> BookCheck:
    """Look for altered, removed and reordered rows; `noted` is a head digest that was written down earlier."""
    faults: list[str] = []
    told: dict[tuple[str, str], str] = {}
    with book.read() as session:
        faults += [f"SQLite: {line}" for line in _integrity(session)]
        before, count, seen = NOTHING, 0, not noted
        for event in session.scalars(sa.select(Event).order_by(Event.seq)):
            count += 1
            if event.seq != count:
                faults.append(f"event {count} is missing: the next one is {event.seq}")
                count = event.seq
            if event.before != before:
                faults.append(f"event {event.seq} does not follow the one before it")
            if digest_event(event) != event.digest:
                faults.append(f"event {event.seq} ({event.what}) was altered")
            before = event.digest
            seen = seen or event.digest == noted
            told |= _rows_told(event, faults)
        head = session.get(Head, 1)
        if head is None or (head.count, head.digest) != (count, before):
            faults.append("the last events are missing, or the head was altered")
        if not seen:
            faults.append(
                f"the noted digest {noted[:16]} is not in the book: its end was cut off, or the book is another"
            )
        rows = 0
        for kind in KEPT:
            for row in session.scalars(sa.select(kind)):
                rows += 1
                name = f"{row.__tablename__} {' '.join(map(str, key_of(row)))}"
                wanted = told.pop((row.__tablename__, json.dumps(key_of(row))), "")
                if not wanted:
                    faults.append(f"{name} stands in no event: it was put in, or its key was altered")
                elif wanted != digest_row(row):
                    faults.append(f"{name} was altered")
        faults += [
            f"{table} {key} is missing: it was removed" for (table, key), digest in told.items() if digest
        ]
    return BookCheck(events=count, rows=rows, head=before, faults=tuple(faults))


def _integrity(session: Session) -> list[str]:
    found = [str(line) for (line,) in session.execute(sa.text("PRAGMA integrity_check"))]
    return [line for line in found if line != "ok"]


def _rows_told(event: Event, faults: list[str]) -> dict[tuple[str, str], str]:
    try:
        return {(table, json.dumps(key)): digest for table, key, digest in json.loads(event.rows)}
    except ValueError:
        faults.append(f"event {event.seq} no longer says which rows it wrote")
        return {}


def copy_book(source: Path, target: Path) -> None:
    """A whole copy of a book, also while others write in it; the target appears only when it is complete."""
    from smallgauge.media.whole import write_whole

    if target.exists():
        raise CallerError(f"A copy is made under a new name, and {target} exists; name another file.")
    with write_whole(target) as part:
        with (
            contextlib.closing(sqlite3.connect(source)) as old,
            contextlib.closing(sqlite3.connect(part)) as new,
        ):
            old.backup(new)
            new.execute("PRAGMA journal_mode=DELETE")
        with Book(part) as copied:
            found = check_book(copied)
        if found.faults:
            raise FixityError(
                f"The copy of {source} is not a sound book ({found.faults[0]}), so none was kept; look with `smallgauge office "
                "check`."
            )
        with contextlib.closing(sqlite3.connect(part)) as new:
            new.execute("PRAGMA journal_mode=DELETE")

"""The book itself: opened, written in one transaction a time, and checked.

A book is one SQLite file beside the reels, or a database of a PostgreSQL server where the shop names one. Every write
is one transaction that takes the book for itself at its first moment, so that two benches never write over one
another, and a power cut leaves the book as it was before or as it is after.

Every row that is written leaves its digest in an event, and each event holds the digest of the one before:
`check_book` finds any row that was altered, removed or put elsewhere.
"""

import contextlib
import hashlib
import json
import sqlite3
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import sqlalchemy as sa
from sqlalchemy.orm import Session

from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.office.models import KEPT, Event, Head, Row, key_of, plain

NEWEST = "0005"  # the last migration
WAIT_S = 60  # for another bench to end its write
NETWORK = ("nfs", "nfs4", "cifs", "smb", "smb2", "smb3", "smbfs", "afs", "ncpfs", "9p", "ceph", "glusterfs")
NETWORK_BEGINS = ("fuse.sshfs", "fuse.gluster", "fuse.ceph", "fuse.rclone", "fuse.s3", "fuse.davfs")
NOTHING = "0" * 64
ONE_WRITER = 737_201  # the advisory lock that a PostgreSQL server lets one writer of this book hold


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
    """An open book; a context manager.

    `place` is the file of an SQLite book, or the URL of a database on a PostgreSQL server. `name` is that place as
    it may be shown: no password is in it.
    """

    def __init__(self, place: Path | str, *, make: bool = False) -> None:
        self.name, self.engine = _on_server(place) if isinstance(place, str) else _in_file(place, make=make)
        self.serves = self.engine.dialect.name == "postgresql"
        try:
            self._bring_up_to_date(make=make)
        except sa.exc.DatabaseError as error:
            self.engine.dispose()
            raise _refusal(error, self.name) from None
        except BaseException:
            self.engine.dispose()
            raise

    def _bring_up_to_date(self, *, make: bool) -> None:
        with self.engine.connect() as connection:
            self._begin(connection, write=True)
            try:
                names = sa.inspect(connection).get_table_names()
                known = "alembic_version" in names
                now = connection.scalar(sa.text("SELECT version_num FROM alembic_version")) if known else None
                if now is None and names:
                    raise MaterialError(
                        f"{self.name} must be the shop's book, and it is another database; move it away or name another shelf."
                    )
                if now is None and not make:
                    raise _no_book(self.name)
                if now is not None and now > NEWEST:
                    raise MaterialError(
                        f"{self.name} was written by a newer version of the program (book {now}, this one knows {NEWEST}); "
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

    def _begin(self, connection: sa.Connection, *, write: bool) -> None:
        """Begin a transaction: alone with the book, or a look at it as it is at this moment."""
        if not self.serves:
            connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")
        elif write:
            connection.exec_driver_sql("BEGIN ISOLATION LEVEL READ COMMITTED")
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({ONE_WRITER})")
        else:
            connection.exec_driver_sql("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")

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
        with self._session(write=False) as session:
            yield session

    @contextlib.contextmanager
    def write(self, *, at: str, by: str) -> Iterator[Entry]:
        """One transaction: everything in it is kept, or nothing."""
        if not by.strip():
            raise CallerError(
                "Whoever writes in the book signs with initials, found none; add --by INITIALS."
            )
        with self._session(write=True) as session:
            yield Entry(session, at=at, by=by.strip())
            session.flush()

    @contextlib.contextmanager
    def _session(self, *, write: bool) -> Iterator[Session]:
        with self._connected() as connection:
            try:
                self._begin(connection, write=write)
                with Session(connection, expire_on_commit=False) as session:
                    yield session
                connection.exec_driver_sql("COMMIT")
            except sa.exc.DatabaseError as error:
                _roll_back(connection)
                raise _refusal(error, self.name) from None
            except BaseException:
                _roll_back(connection)
                raise

    @contextlib.contextmanager
    def _connected(self) -> Iterator[sa.Connection]:
        try:
            connection = self.engine.connect()
        except sa.exc.DatabaseError as error:
            raise _refusal(error, self.name) from None
        with connection:
            yield connection


def _no_book(name: str) -> MaterialError:
    return MaterialError(
        f"The shop's book is needed, found none at {name}; `smallgauge order new` makes it, or name another shelf."
    )


def _in_file(path: Path, *, make: bool) -> tuple[str, sa.Engine]:
    if not make and not path.is_file():
        raise _no_book(str(path))
    if make and not path.parent.is_dir():
        raise MaterialError(
            f"The book lies on the shelf, found no folder {path.parent}; make it or name another shelf."
        )
    kind = network_kind(path.parent)
    if kind:
        raise MaterialError(
            f"The book must lie on a disk of this machine, and {path.parent} is on a network ({kind}), where a "
            "write-ahead log can be torn; choose a folder of this machine, or name a PostgreSQL server as database in the "
            "table office of shop.toml."
        )
    engine = sa.create_engine(
        f"sqlite:///{path}", connect_args={"timeout": WAIT_S}, isolation_level="AUTOCOMMIT"
    )
    sa.event.listen(engine, "connect", _set_up)
    return str(path), engine


def _on_server(url: str) -> tuple[str, sa.Engine]:
    where = server_url(url)
    engine = sa.create_engine(
        where,
        isolation_level="AUTOCOMMIT",
        connect_args={"connect_timeout": 10, "options": f"-c lock_timeout={WAIT_S * 1000}"},
    )
    return f"{where.database} on {where.host or where.query.get('host') or 'this machine'}", engine


def server_url(text: str) -> sa.URL:
    """The place of a book on a PostgreSQL server, as SQLAlchemy reads it.

    Raises
    ------
    MaterialError
        Where it is no such place; the sentence never repeats the text, which may hold a password.
    """
    try:
        url = sa.make_url(text)
    except (sa.exc.ArgumentError, ValueError):
        url = None
    if (
        url is None
        or url.drivername not in ("postgresql", "postgres", "postgresql+psycopg")
        or not url.database
    ):
        raise MaterialError(
            "The place of a book on a server is postgresql://USER@HOST/DATABASE, found something else (not shown, since a password "
            "may be in it); mend it in shop.toml or in SMALLGAUGE_OFFICE."
        )
    return url.set(drivername="postgresql+psycopg")


def _roll_back(connection: sa.Connection) -> None:
    # SQLite has rolled back by itself where the disk is full; after Ctrl-C the connection is closed, which does it too.
    with contextlib.suppress(sa.exc.SQLAlchemyError):
        connection.exec_driver_sql("ROLLBACK")


def _refusal(error: sa.exc.DatabaseError, name: str) -> MaterialError:
    words = " ".join(str(error.orig).split())
    return MaterialError(
        f"The book at {name} could not be read or written ({words}); nothing was changed: free the disk, wait for the "
        "other bench, see that the server runs, or bring the book back by `smallgauge office restore`."
    )


def _write_ahead(cursor: Any) -> None:
    """Turn the write-ahead log on: a new book is refused that at once, without waiting, while another bench is making it."""
    for left in reversed(range(WAIT_S * 20)):
        try:
            cursor.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or not left:
                raise
            time.sleep(0.05)


def _set_up(connection: Any, record: Any) -> None:
    cursor = connection.cursor()
    _write_ahead(cursor)
    for pragma in ("synchronous=FULL", "foreign_keys=ON"):
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
    with book.read() as session:
        return check_session(session, noted=noted)


def check_session(session: Session, *, noted: str = "") -> BookCheck:
    """The same within a transaction that is open."""
    faults: list[str] = []
    told: dict[tuple[str, str], str] = {}
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
    faults += [f"{table} {key} is missing: it was removed" for (table, key), digest in told.items() if digest]
    return BookCheck(events=count, rows=rows, head=before, faults=tuple(faults))


def _integrity(session: Session) -> list[str]:
    if session.get_bind().dialect.name != "sqlite":
        return []  # a server checks its own pages
    found = [str(line) for (line,) in session.execute(sa.text("PRAGMA integrity_check"))]
    return [line for line in found if line != "ok"]


def _rows_told(event: Event, faults: list[str]) -> dict[tuple[str, str], str]:
    try:
        return {(table, json.dumps(key)): digest for table, key, digest in json.loads(event.rows)}
    except ValueError:
        faults.append(f"event {event.seq} no longer says which rows it wrote")
        return {}


def copy_book(source: Path | str, target: Path | str) -> None:
    """A whole, checked copy of a book, also while others write in it, under a name where none is.

    A file appears only when it is complete. A book of a server is copied into a file, and a file's into a server, row
    by row in one transaction, so that a shop can move from one to the other with every event and digest.
    """
    if isinstance(target, str):
        with Book(source) as old, Book(target, make=True) as new:
            _copy_rows(old, new)
        return
    from smallgauge.media.whole import write_whole

    if target.exists():
        raise CallerError(f"A copy is made under a new name, and {target} exists; name another file.")
    with write_whole(target) as part:
        for beside in ("", "-journal", "-wal", "-shm"):  # what a copy that was stopped has left
            part.with_name(part.name + beside).unlink(missing_ok=True)
        if isinstance(source, str):
            with Book(source) as old, Book(part, make=True) as new:
                _copy_rows(old, new)
        else:
            with (
                contextlib.closing(sqlite3.connect(source)) as old_file,
                contextlib.closing(sqlite3.connect(part)) as new_file,
            ):
                old_file.backup(new_file)
                new_file.execute("PRAGMA journal_mode=DELETE")
            with Book(part) as copied:
                _refuse_unsound(check_book(copied), str(source))
        with contextlib.closing(sqlite3.connect(part)) as new_file:
            new_file.execute("PRAGMA journal_mode=DELETE")


def _refuse_unsound(found: BookCheck, name: str) -> None:
    if found.faults:
        raise FixityError(
            f"The copy of {name} is not a sound book ({found.faults[0]}), so none was kept; look with `smallgauge office "
            "check`."
        )


def _copy_rows(old: Book, new: Book) -> None:
    """Every row of one book into another that is empty; all of it, checked, or nothing."""
    with old.read() as source, new.write(at="", by="copy") as entry:
        head = entry.session.get(Head, 1)
        assert head is not None
        if head.count:
            raise CallerError(
                f"A copy is made where no book is, and {new.name} holds one; name another place, it is never written over."
            )
        entry.session.delete(head)
        entry.session.flush()
        for kind in (*KEPT, Event, Head):
            table = sa.inspect(kind).local_table
            rows = [dict(row) for row in source.execute(sa.select(table)).mappings()]
            for first in range(0, len(rows), 1000):
                entry.session.execute(sa.insert(table), rows[first : first + 1000])
        _refuse_unsound(check_session(entry.session), old.name)

"""The book: tampering is found, a stop leaves before or after, two writers lose nothing."""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from shop import AT, open_shop, parcel, reel

from smallgauge.errors import CallerError, MaterialError
from smallgauge.office import book as book_module
from smallgauge.office import ledger, queue
from smallgauge.office.book import Book, check_book, copy_book
from smallgauge.office.models import KEPT, Event, Order, Reel, Row
from smallgauge.office.place import BOOK_FILE

KEYS = {
    "client": "id",
    "client_order": "number",
    "counted": "kind",
    "reel": "number",
    "condition": "id",
    "hold": "id",
    "consent": "id",
    "verdict": "id",
    "receiver": "id",
    "client_word": "id",
    "job": "id",
    "turn": "job",
    "extra": "order",
}


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A book with a row in every table."""
    folder = tmp_path_factory.mktemp("kept")
    with open_shop(folder) as book:
        order = parcel(book, reels=3)
        reels = [reel(book, order) for _ in range(3)]
        number = reels[0].number
        ledger.note_condition(book, at=AT, by="mk", reel=number, seen={"mould": "none seen", "warp": "flat"})
        ledger.place_hold(book, at=AT, by="mk", reel=number, kind="files", why="rights", lifter="jo")
        ledger.note_consent(
            book,
            at=AT,
            by="mk",
            order=order,
            to="a new leader",
            given_by="Wim",
            how="at the counter",
            read_back_by="",
        )
        ledger.note_verdict(book, at=AT, by="jo", reel=number, verdict="good", seen="all of it")
        back = {"at": AT, "by": "mk", "order": order}
        ledger.hand_back(book, **back, reels=[reels[2].number], counts={}, to="Wim Oster", part=True)
        ledger.note_client_word(book, **back, what=ledger.ACCEPTED, how="by telephone", on="2026-03-01")
        for name in (number, "two"):
            queue.add_job(book, at=AT, by="mk", shelf="/shelf", reel=name, capture=f"/captures/{name}")
        queue.order_jobs(book, at=AT, by="mk", shelf="/shelf", jobs=[2])
        ledger.note_extra(book, **back, what="cleaning", number=1, reel=number, words="wet", consent=1)
        assert check_book(book).faults == ()
    return folder / BOOK_FILE


@pytest.fixture
def filled(kept, tmp_path):
    """A copy of it that a test may spoil."""
    return Path(shutil.copy(kept, tmp_path / BOOK_FILE))


def tamper(path, *statements):
    """Whoever alters the file behind the program's back, triggers and keys put aside."""
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("PRAGMA foreign_keys=OFF")
        for trigger in ("event_no_update", "event_no_delete"):
            raw.execute(f"DROP TRIGGER IF EXISTS {trigger}")
        for statement in statements:
            raw.execute(statement)
        raw.commit()


def faults(path, noted=""):
    with Book(path) as book:
        return check_book(book, noted=noted).faults


def columns():
    for kind in (*KEPT, Event):
        for column in kind.__table__.columns:
            yield pytest.param(kind.__tablename__, column, id=f"{kind.__tablename__}.{column.name}")


@pytest.mark.parametrize(("table", "column"), list(columns()))
def test_every_altered_value_is_found(filled, table, column):
    changed = f'"{column.name}" + 500' if isinstance(column.type, sa.Integer) else f"\"{column.name}\" || 'x'"
    tamper(
        filled,
        f'UPDATE "{table}" SET "{column.name}" = {changed} WHERE rowid = (SELECT max(rowid) FROM "{table}")',
    )
    assert faults(filled)


@pytest.mark.parametrize("table", [*KEYS, "event", "head"])
def test_every_removed_row_is_found(filled, table):
    for which in ("min", "max"):
        copy = filled.with_name(f"{which}.sqlite")
        copy_book(filled, copy)
        tamper(copy, f'DELETE FROM "{table}" WHERE rowid = (SELECT {which}(rowid) FROM "{table}")')
        assert faults(copy)


@pytest.mark.parametrize("last", range(2, 9))
def test_reordered_events_are_found(filled, last):
    tamper(
        filled,
        f"UPDATE event SET seq = 9999 WHERE seq = {last}",
        f"UPDATE event SET seq = {last} WHERE seq = {last - 1}",
        f"UPDATE event SET seq = {last - 1} WHERE seq = 9999",
    )
    assert faults(filled)


def test_a_row_put_in_is_found(filled):
    tamper(filled, "INSERT INTO reel SELECT '0000013-R09-0', \"order\", gauge, box_words, forbids, decides, feet_from, "
           "feet_to, state, place FROM reel LIMIT 1")  # fmt: skip
    assert faults(filled) == ("reel 0000013-R09-0 stands in no event: it was put in, or its key was altered",)


def test_a_cut_end_that_was_sewn_up_is_found_by_the_noted_digest(filled):
    with Book(filled) as book:
        noted = check_book(book).head
        assert check_book(book, noted=noted).faults == ()
    tamper(
        filled,
        "DELETE FROM extra",
        "DELETE FROM event WHERE seq = (SELECT max(seq) FROM event)",
        "UPDATE head SET count = count - 1, digest = (SELECT digest FROM event ORDER BY seq DESC LIMIT 1)",
    )
    assert faults(filled) == (), "a chain alone can't see it: that is why the digest is written down"
    assert "is not in the book" in faults(filled, noted=noted)[0]


def test_events_are_only_ever_added(filled):
    with closing(sqlite3.connect(filled)) as raw:
        for statement in ("UPDATE event SET words = 'x'", "DELETE FROM event"):
            with pytest.raises(sqlite3.DatabaseError, match="only ever added"):
                raw.execute(statement)


def test_the_migration_makes_what_the_models_say(filled):
    with Book(filled) as book, book.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), Row.metadata) == []


WRITER = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[3])
from shop import parcel, reel
from smallgauge.office.book import Book
with Book(Path(sys.argv[1]), make=True) as book:
    for each in range(int(sys.argv[2])):
        order = parcel(book, reels=1)
        reel(book, order)
        print(order, flush=True)
"""


def writer(path, times):
    here = str(Path(__file__).parent)
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), str(times), here], stdout=subprocess.PIPE, encoding="utf-8"
    )


def test_two_writers_at_once_lose_nothing(tmp_path):
    path = tmp_path / BOOK_FILE
    both = [writer(path, 15), writer(path, 15)]
    told = [int(line) for each in both for line in each.communicate()[0].split()]
    assert [each.returncode for each in both] == [0, 0]
    assert sorted(told) == list(range(1, 31)), "no order number was given twice"
    with Book(path) as book:
        found = check_book(book)
        with book.read() as session:
            assert session.scalar(sa.select(sa.func.count()).select_from(Reel)) == 30
    assert found.faults == () and found.events == 60


@pytest.mark.skipif(os.name != "posix", reason="kill -9 is POSIX")
@pytest.mark.parametrize("wait_s", [0.0, 0.003, 0.011])
def test_a_kill_leaves_the_book_before_or_after(tmp_path, wait_s):
    path = tmp_path / BOOK_FILE
    process = writer(path, 10_000)
    told = int(process.stdout.readline())
    time.sleep(wait_s)
    process.send_signal(signal.SIGKILL)
    told = max([told, *map(int, process.communicate()[0].split())])
    with Book(path) as book:
        found = check_book(book)
        with book.read() as session:
            orders = session.scalar(sa.select(sa.func.max(Order.number)))
            reels = session.scalar(sa.select(sa.func.count()).select_from(Reel))
    assert found.faults == ()
    assert orders in (told, told + 1) and reels in (orders, orders - 1) and reels >= told
    assert found.events == orders + reels, "each write is there with its event, or not at all"


@pytest.mark.parametrize("fails", range(1, 9))
def test_a_write_that_fails_anywhere_leaves_nothing(filled, monkeypatch, fails):
    """The process is as good as dead at the n-th statement: nothing of the write is left."""
    with Book(filled) as book:
        before = check_book(book)
        done = []

        def count(*arguments):
            done.append(1)
            if len(done) == fails:
                raise KeyboardInterrupt

        sa.event.listen(book.engine, "before_cursor_execute", count)
        with pytest.raises(KeyboardInterrupt):
            parcel(book, reels=2, client="Ada Lund")
        sa.event.remove(book.engine, "before_cursor_execute", count)
        assert check_book(book) == before


def test_a_network_folder_is_refused(tmp_path, monkeypatch):
    class Mount:
        mountpoint, fstype = str(tmp_path), "nfs4"

    monkeypatch.setattr("psutil.disk_partitions", lambda all: [Mount])
    assert book_module.network_kind(tmp_path) == "nfs4"
    with pytest.raises(MaterialError, match="network"):
        open_shop(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_what_is_no_book_is_refused_and_left_alone(tmp_path):
    path = tmp_path / BOOK_FILE
    with pytest.raises(MaterialError, match="found none"):
        Book(path)
    path.write_bytes(b"not a database at all, but long enough to be one" * 40)
    before = path.read_bytes()
    with pytest.raises(MaterialError):
        Book(path)
    assert path.read_bytes() == before
    path.unlink()
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("CREATE TABLE other (x)")
    with pytest.raises(MaterialError, match="another database"):
        Book(path)


def test_a_newer_book_is_refused(filled):
    tamper(filled, "UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(MaterialError, match="newer version"):
        Book(filled)


def test_a_book_of_before_the_queue_is_brought_up_to_date(filled):
    with Book(filled) as book:
        before = check_book(book)
    tamper(
        filled,
        "DROP TABLE turn",
        "DROP TABLE extra",
        "DROP TABLE job",
        "DROP TABLE receiver",
        "DROP TABLE client_word",
        "DROP INDEX ix_reel_state_number",
        "UPDATE alembic_version SET version_num = '0001'",
    )
    with Book(filled) as book:
        gone = ("receiver [1]", "client_word [1]", "job [1]", "job [2]", "turn [2]", "turn [1]")
        extra = 'extra [1, "0000013-R01-3", "cleaning"]'
        lost = tuple(f"{row} is missing: it was removed" for row in (*gone, extra))
        assert check_book(book).faults == lost, "all else is as it was"
        assert check_book(book).head == before.head
        with book.engine.connect() as connection:
            assert compare_metadata(MigrationContext.configure(connection), Row.metadata) == []


def test_a_copy_is_whole_and_never_over_another(filled, tmp_path):
    copy = tmp_path / "copy.sqlite"
    copy_book(filled, copy)
    with Book(filled) as old, Book(copy) as new:
        assert check_book(old) == check_book(new)
    with pytest.raises(CallerError, match="exists"):
        copy_book(filled, copy)


def test_a_bench_waits_while_another_makes_the_book(tmp_path):
    """SQLite refuses to turn the write-ahead log on at once, without waiting, while another connection writes in a new file."""
    other = sqlite3.connect(tmp_path / BOOK_FILE, check_same_thread=False, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    ends = threading.Timer(0.4, other.execute, ["ROLLBACK"])
    ends.start()
    with open_shop(tmp_path) as book:
        parcel(book)
        assert check_book(book).faults == ()
    ends.join()
    other.close()

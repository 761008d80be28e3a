"""A name that must be removed stands in no event: the chain stays whole without it, and older events stay readable."""

import json
import sqlite3
from contextlib import closing

import pytest
import sqlalchemy as sa
from shop import AT, open_shop, parcel, reel

from smallgauge import cli
from smallgauge.errors import CallerError, MaterialError
from smallgauge.office import ledger
from smallgauge.office.book import Book, check_book
from smallgauge.office.models import Event, Receiver
from smallgauge.office.place import BOOK_FILE

LATER = "2027-03-03T09:00:00Z"
NAMES = ("Wim Oster", "Ada Oster", "Tom Oster", "Eva Oster")


@pytest.fixture(params=["file", "server"])
def place(request, tmp_path):
    """Where an empty book may be made, in a file and on a server."""
    return tmp_path / BOOK_FILE if request.param == "file" else request.getfixturevalue("database")


def from_door_to_door(book):
    order = parcel(book, reels=1, boxes=0, signed_by="Ada Oster")
    number = reel(book, order, decides="Tom Oster").number
    ledger.note_consent(
        book, at=AT, by="mk", order=order, to="a leader", given_by="Eva Oster", how="in writing", read_back_by=""
    )  # fmt: skip
    ledger.note_client_word(book, at=AT, by="mk", order=order, what=ledger.NOTICE, how="in writing", on="")
    ledger.hand_back(book, at=AT, by="mk", order=order, reels=[number], counts={}, to="Wim Oster")
    return order


def everything_in(book):
    """All rows of all tables as text."""
    with book.read() as session:
        tables = sa.inspect(session.get_bind()).get_table_names()
        return "\n".join(str(row) for table in tables for row in session.execute(sa.text(f'SELECT * FROM "{table}"')))  # fmt: skip


def test_no_event_holds_a_name_and_none_is_left(place):
    with Book(place, make=True) as book:
        from_door_to_door(book)
        with book.read() as session:
            said = [f"{each.words} {each.rows}" for each in session.scalars(sa.select(Event))]
            assert session.scalar(sa.select(Receiver.name)) == "Wim Oster"
        assert not [words for words in said if "Oster" in words]
        assert sum("to receiver 1" in words for words in said) == 2
        head = check_book(book).head
        assert ledger.remove_clients(book, at=LATER, by="mk") == 1
        found = check_book(book, noted=head)
        assert found.faults == (), "the chain is whole without the names"
        assert not [name for name in NAMES if name in everything_in(book)]


def test_a_digest_does_not_give_a_name_away(tmp_path):
    """Two who are of one name and took film of like parcels at one moment leave different digests."""
    digests = set()
    for number in range(2):
        shelf = tmp_path / str(number)
        shelf.mkdir()
        with open_shop(shelf) as book:
            from_door_to_door(book)
            with book.read() as session:
                rows = session.scalar(sa.select(Event.rows).where(Event.what == "handed back"))
        digests |= {digest for table, _, digest in json.loads(rows) if table == "receiver"}
    assert len(digests) == 2


def test_events_of_before_stay_readable(tmp_path, capsys):
    with open_shop(tmp_path) as book:
        order = from_door_to_door(book)
        with book.write(at=AT, by="mk") as entry:
            entry.tell("handed back", order=order, words="1 reels; to Wim Oster")
    capsys.readouterr()
    assert cli.main(["order", "show", "0000013", "--shelf", str(tmp_path), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [each["words"] for each in told["events"]][-2:] == ["1 reels; to receiver 1", "1 reels; to Wim Oster"]  # fmt: skip
    assert [each["name"] for each in told["receivers"]] == ["Wim Oster"]
    assert cli.main(["office", "check", "--shelf", str(tmp_path)]) == 0


def test_a_receiver_that_was_altered_is_found(tmp_path):
    with open_shop(tmp_path) as book:
        from_door_to_door(book)
    with closing(sqlite3.connect(tmp_path / BOOK_FILE)) as raw:
        raw.execute("UPDATE receiver SET name = 'Ann Other'")
        raw.commit()
    with open_shop(tmp_path) as book:
        assert check_book(book).faults == ("receiver 1 was altered",)


def test_what_a_client_says_of_kept_files(tmp_path, capsys):
    with open_shop(tmp_path) as book:
        parcel(book)
    asked = ("--shelf", str(tmp_path), "--by", "mk", "--json")
    assert (
        cli.main(["order", "accepted", "0000013", *asked, "--how", "by telephone", "--on", "2026-03-01"]) == 0
    )
    assert cli.main(["order", "notice", "0000013", *asked, "--how", "in writing"]) == 0
    told = json.loads(capsys.readouterr().out.split("\n}\n")[1] + "\n}")
    assert [(each["what"], each["how"], each["by"]) for each in told["client_words"]] == [
        ("accepted", "by telephone", "mk"),
        ("notice", "in writing", "mk"),
    ]
    assert told["events"][-2]["words"] == "by telephone, on 2026-03-01"
    with open_shop(tmp_path) as book:
        said = {"at": AT, "by": "mk", "order": 1, "what": ledger.NOTICE}
        with pytest.raises(CallerError, match="by telephone"):
            ledger.note_client_word(book, **said, how="by shouting", on="")
        with pytest.raises(CallerError, match="a day that has come"):
            ledger.note_client_word(book, **said, how="in writing", on="2026-03-03")
        with pytest.raises(CallerError, match="such as 2027-06-30"):
            ledger.note_client_word(book, **said, how="in writing", on="soon")
        with pytest.raises(MaterialError, match="not in the book"):
            ledger.note_client_word(book, **(said | {"order": 9}), how="in writing", on="")
        assert check_book(book).faults == ()

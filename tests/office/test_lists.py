"""A client's list is taken in whole or not at all; the book goes out as open files."""

import csv
import json

import pytest
from openpyxl import Workbook
from shop import AT, open_shop, parcel, reel

from smallgauge import cli
from smallgauge.errors import MaterialError
from smallgauge.gauge.numbers import reel_number
from smallgauge.office.book import check_book
from smallgauge.office.lists import import_list, read_table

HEAD = "gauge,box_words,forbids,decides,feet"
GOOD = ["Super 8,garden,nothing,Wim,50", "not sure,lake,mould,Wim,180..220", "16 mm,,nothing,Ada,"]
# Row of the list, column and a word of the sentence; each row of the list holds one mistake.
WRONG = [
    ("super 9,a,nothing,W,50", "gauge", "did you mean"),
    ("35 mm,a,nothing,W,50", "gauge", "is not one"),
    (",a,nothing,W,50", "gauge", "empty"),
    ("8,5,a,nothing,W,50", "1", "5 cells were needed, found 6"),
    ("Super 8,a,nothing,W", "1", "5 cells were needed, found 4"),
    ("Super 8", "1", "found 1"),
    ("Super 8,a,,W,50", "forbids", "empty"),
    ("Super 8,a,nothing,,50", "decides", "empty"),
    ("Super 8,a,nothing,W,fifty", "feet", "a range where it is a guess"),
    ("Super 8,a,nothing,W,0", "feet", "found '0'"),
    ("Super 8,a,nothing,W,-50", "feet", "found '-50'"),
    ("Super 8,a,nothing,W,220..180", "feet", "found '220..180'"),
    ("Super 8,a,nothing,W,20000", "feet", "found '20000'"),
    ("Super 8,a,nothing,W,NaN", "feet", "found 'NaN'"),
    ("Super 8,a,nothing,W,inf", "feet", "found 'inf'"),
    ("Super 8,a,nothing,W,50 m", "feet", "found '50 m'"),
    ('Super 8,a,nothing,W,"50,5"', "feet", "found '50,5'"),
    ("Super 8,a,nothing,W,180-220", "feet", "found '180-220'"),
    ("Super 8,a,nothing,W,..220", "feet", "found '..220'"),
    ("Super 8,=A1,nothing,W,50", "box_words", "formula"),
    ("Super 8,@x,nothing,W,50", "box_words", "formula"),
    ("Super 8,a,nothing,+W,50", "decides", "formula"),
    ('Super 8,"a\nb",nothing,W,50', "box_words", "line break"),
    ("Super 8,a\tb,nothing,W,50", "box_words", "control character"),
    ("Super 8,a\x07,nothing,W,50", "box_words", "control character"),
    (f"Super 8,{'a' * 501},nothing,W,50", "box_words", "found 501"),
    (f"Super 8,a,nothing,{'W' * 600},50", "decides", "found 600"),
    ("Super 8,caf\ufffd,nothing,W,50", "box_words", "was lost"),
    (",,,,", "gauge", "the row is empty"),
    ("Super 8,a,mould,W,50", "forbids", "--lifter"),
]


def test_thirty_mistakes_give_thirty_sentences_and_nothing_is_stored(tmp_path, capsys):
    assert len(WRONG) == 30
    lines = [HEAD, GOOD[0], *(text for text, _, _ in WRONG)]
    (tmp_path / "list.csv").write_text("\n".join(lines), encoding="utf-8", newline="")
    with open_shop(tmp_path) as book:
        parcel(book, reels=40)
        before = check_book(book)
    asked = ("--order", "0000013", "--by", "mk", "--shelf", str(tmp_path), "--json")
    code = cli.main(["office", "import", str(tmp_path / "list.csv"), *asked])
    told = json.loads(capsys.readouterr().out)
    assert code == 3 and told["reels"] == []
    found = [(each["row"], each["column"], each["what"]) for each in told["mistakes"]]
    assert len(found) == 30
    for number, ((row, column, what), (_, wanted_column, word)) in enumerate(zip(found, WRONG), start=3):
        assert (row, column) == (number, wanted_column) and word in what and what.endswith((".", "?")), what
    with open_shop(tmp_path) as book:
        assert check_book(book) == before


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_a_good_list_is_taken_in_whole(tmp_path, kind):
    path = tmp_path / f"list.{kind}"
    rows = list(csv.reader([HEAD, *GOOD]))
    if kind == "csv":
        path.write_text("\n".join([HEAD, *GOOD]), encoding="utf-8-sig")
    else:
        sheet = Workbook()
        for row in rows:
            sheet.active.append(row)
        sheet.save(path)
    with open_shop(tmp_path) as book:
        order = parcel(book, reels=3)
        numbers, mistakes = import_list(book, path, at=AT, by="mk", order=order, lifter="jo")
        assert mistakes == [] and numbers == [reel_number(1, n) for n in (1, 2, 3)]
        assert check_book(book).faults == ()
        with pytest.raises(MaterialError, match="all of them are in the book"):
            import_list(book, path, at=AT, by="mk", order=order, lifter="jo")


def test_more_reels_than_were_counted_leave_nothing(tmp_path):
    (tmp_path / "list.csv").write_text("\n".join([HEAD, *GOOD]))
    with open_shop(tmp_path) as book:
        order = parcel(book, reels=2)
        before = check_book(book)
        with pytest.raises(MaterialError, match="came with 2 reels"):
            import_list(book, tmp_path / "list.csv", at=AT, by="mk", order=order, lifter="jo")
        assert check_book(book) == before


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("a.csv", b"gauge\n\xff\xfe", "UTF-8"),
        ("a.csv", b'gauge\n"open', "not closed"),
        ("a.xlsx", b"no spreadsheet", "can't be read as one"),
    ],
)
def test_what_is_no_list_is_refused(tmp_path, name, data, said):
    (tmp_path / name).write_bytes(data)
    with pytest.raises(MaterialError, match=said):
        read_table(tmp_path / name)


def test_the_whole_book_goes_out_as_open_files(tmp_path, capsys):
    with open_shop(tmp_path) as book:
        order = parcel(book, reels=2)
        for words in ('a "quoted", word', "two"):
            reel(book, order, box_words=words)
        events = check_book(book).events
    out = tmp_path / "out"
    assert cli.main(["office", "export", str(out), "--shelf", str(tmp_path)]) == 0
    document = json.loads((out / "office.json").read_text(encoding="utf-8"))
    with (out / "reel.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["box_words"] for row in rows] == ['a "quoted", word', "two"]
    assert [{key: str(value) for key, value in row.items()} for row in document["reel"]] == rows
    assert len(document["event"]) == events
    assert cli.main(["office", "export", str(out), "--shelf", str(tmp_path)]) == 3

"""The commands, as a shop uses them; and a hold in the book keeps the line off a reel."""

import json

import pytest
from shop import AT, open_shop, parcel, reel, write_film

from smallgauge import cli, line
from smallgauge.arguments import build_parser
from smallgauge.errors import MaterialError
from smallgauge.office import ledger
from smallgauge.office.arguments import COMMANDS as OFFICE_COMMANDS
from smallgauge.office.holds import held
from smallgauge.office.place import BOOK_FILE
from smallgauge.office.safety import DEFERRING, NOTICES, notice_words, notices_for
from smallgauge.sources import SOURCES


@pytest.fixture
def told(capsys, tmp_path, monkeypatch):
    """Run one command on the shelf; its exit code and JSON document."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1772442000")

    def run(command, *rest):
        code = cli.main([command, *rest, "--shelf", str(tmp_path), "--json"])
        return code, json.loads(capsys.readouterr().out)

    return run


def test_from_door_to_door(told, tmp_path, capsys):
    """Why this is long: one parcel from the first command to the last, in the order in which a shop gives them."""
    signed = ("--by", "mk")
    code, order = told(
        "order", "new", *signed, "--client", "Wim Oster", "--reach", "by post", "--delete-on", "2027-03-02",
        "--count", "reels=2", "--count", "boxes=1", "--signed-by", "Wim Oster",
    )  # fmt: skip
    assert code == 0 and order["number"] == "0000013" and order["counted"]["boxes"] == {"came": 1, "went": 0}
    number = order["number"]
    answers = (
        "--gauge",
        "not sure",
        "--box-words",
        "garden 1968",
        "--forbids",
        "mould",
        "--decides",
        "Wim Oster",
    )
    code, refused = told("intake", number, *signed, *answers)
    assert code == 2 and "--lifter" in refused["error"]
    code, first = told("intake", number, *signed, *answers, "--lifter", "jo")
    assert code == 0 and {each["subject"] for each in first["notices"]} == {"mould", "nitrate"}
    code, missing = told("intake", number, *signed, "--gauge", "Super 8")
    assert code == 2 and "--box-words, --forbids, --decides" in missing["error"]
    code, second = told("intake", number, *signed, "--again", "--forbids", "nothing", "--box-words", "lake")
    assert code == 0 and second["gauge"] == "not sure" and second["forbids"] == ""
    code, full = told("intake", number, *signed, "--again", "--forbids", "nothing")
    assert code == 3 and "all of them are in the book" in full["error"]

    code, seen = told("condition", first["number"], *signed, "--seen", "mould=dry, at the head")
    assert (
        seen["condition"]["mould"] == "dry, at the head" and seen["condition"]["splices"] == "not looked at"
    )
    assert told("reel", "note", first["number"], *signed, "--step", "scanned", "--place", "bench")[0] == 3
    code, holds = told("hold", "list")
    assert [each["lifter"] for each in holds["holds"]] == ["jo"]
    assert told("hold", "lift", "1", "--by", "mk", "--why", "dry")[0] == 2
    assert told("hold", "lift", "1", "--by", "jo", "--why", "dry")[0] == 0
    assert told("reel", "note", first["number"], *signed, "--step", "scanned", "--place", "shelf 4")[0] == 0
    assert (
        told("reel", "verdict", first["number"], "--by", "jo", "--verdict", "good", "--seen", "all")[0] == 0
    )
    consent = ("--to", "a new leader", "--given-by", "Wim Oster", "--how", "by telephone")
    assert told("order", "consent", number, *signed, *consent)[0] == 2, "nobody read it back"
    assert told("order", "consent", number, *signed, *consent, "--read-back-by", "jo")[0] == 0
    assert [each["number"] for each in told("reel", "list", "--words", "LAKE")[1]["reels"]] == [
        second["number"]
    ]

    both = ("--reel", first["number"], "--reel", second["number"])
    assert told("hand-back", number, *signed, *both, "--to", "Wim Oster")[0] == 3, "the box is missing"
    code, gone = told("hand-back", number, *signed, *both, "--count", "boxes=1", "--to", "Wim Oster")
    assert code == 0 and gone["reels"] == [first["number"], second["number"]]
    assert told("hand-back", number, *signed, *both, "--count", "boxes=1", "--to", "Wim Oster")[0] == 3
    assert told("reel", "list")[1]["reels"] == []

    copy = str(tmp_path / "copy.sqlite")
    assert told("office", "backup", copy)[0] == 0
    code, check = told("office", "check")
    assert code == 0 and check["faults"] == []
    assert told("office", "restore", copy)[0] == 2, "a book is never written over"
    for file in list(tmp_path.glob(f"{BOOK_FILE}*")):
        file.unlink()
    assert told("office", "check")[0] == 3
    assert told("office", "restore", copy)[0] == 0
    assert told("office", "check")[1]["head"] == check["head"]
    assert cli.main(["order", "show", number, "--shelf", str(tmp_path)]) == 0
    assert "Order 0000013 of Wim Oster" in capsys.readouterr().out


def test_long_lists_come_in_pages(told, tmp_path):
    with open_shop(tmp_path) as book:
        numbers = [
            reel(book, order).number for order in [parcel(book, reels=5) for _ in range(3)] for _ in "12345"
        ]
    seen, after = [], ()
    while True:
        _, page = told("reel", "list", "--most", "4", *after)
        seen += [each["number"] for each in page["reels"]]
        after = ("--after", seen[-1])
        if not page["more"]:
            break
    assert seen == numbers and len(page["reels"]) == 3
    assert len(told("reel", "list", "--most", "0")[1]["reels"]) == 15
    orders = told("order", "list", "--most", "2")[1]
    assert orders["more"] and len(orders["orders"]) == 2, "the newest first"
    last = orders["orders"][-1]["number"]
    assert [each["number"] for each in told("order", "list", "--after", last)[1]["orders"]] == ["0000013"]
    assert told("reel", "list", "--most", "-1")[0] == 2
    assert told("reel", "list", "--after", "0000013-R01-4")[0] == 3


def test_an_altered_book_ends_with_4(told, tmp_path):
    with open_shop(tmp_path) as book:
        parcel(book)
        with book.engine.connect() as raw:
            raw.exec_driver_sql("UPDATE counted SET came = 7 WHERE kind = 'reels'")
    code, found = told("office", "check")
    assert code == 4 and found["faults"] == ["counted 1 reels was altered"]


def shelf_with_hold(tmp_path, kind):
    """A capture of a reel that the book on the shelf holds."""
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    with open_shop(shelf) as book:
        number = reel(book, parcel(book)).number
        ledger.place_hold(book, at=AT, by="mk", reel=number, kind=kind, why="told by telephone", lifter="jo")
    return shelf, write_film(tmp_path / "capture", 3), number


def finished(shelf, capture, number):
    return line.finish(capture, shelf, line.Settings(at=AT, workers=1, stated=(f"reel={number}",), held=held))


def test_a_hold_on_the_film_keeps_every_pass_off(tmp_path, capsys):
    shelf, capture, number = shelf_with_hold(tmp_path, "film")
    outcome = finished(shelf, capture, number)
    assert outcome.steps == () and outcome.exit_code == 1 and outcome.reel == number
    assert [each.code for each in outcome.findings] == ["film on hold"]
    assert "only jo may lift" in outcome.findings[0].values["reason"]
    assert not list((shelf / number).glob("*.*"))
    for command in (
        ["finish", str(capture), "--out", str(shelf), "--note", f"reel={number}"],
        ["analyse", str(capture), "--out", str(shelf), "--note", f"reel={number}"],
    ):
        assert cli.main([*command, "--quiet"]) == 1
        assert "keeps this film off the machine" in capsys.readouterr().out
    assert cli.main(["follow", str(capture), "--out", str(shelf), "--note", f"reel={number}"]) == 3
    assert "off the machine" in capsys.readouterr().err


def test_a_hold_on_the_files_lets_nothing_be_finished(tmp_path):
    shelf, capture, number = shelf_with_hold(tmp_path, "files")
    outcome = finished(shelf, capture, number)
    assert outcome.steps == ("analyse", "treat") and outcome.exit_code == 1
    assert outcome.findings[-1].code == "files on hold"
    assert (shelf / number / "archive.mkv").exists(), "the archive copy is made before any hold"
    assert not (shelf / number / "finished.mkv").exists()
    with pytest.raises(MaterialError, match="may not go on"):
        line.refuse_held(shelf / number, held)


# Commands that make no film, copy or package out of a reel: each with the reason.
FREE = {
    "demo": "draws a reel of its own",
    "treat": "words on a reel, no film",
    "prove": "reads, and writes what it found",
    "recheck": "reads",
    "remarks": "words on a reel, no film",
    "sign-off": "a person's word",
    "recover": "makes a capture, which finish then asks about",
    "calibrate": "measures a scanner",
    "line-up": "measures a scanner",
    "doctor": "looks at the machine",
    "workbench": "asks through the same line",
    "finish": "tested above", "analyse": "tested above", "render": "tested above", "follow": "tested above",
} | dict.fromkeys(OFFICE_COMMANDS, "the book itself")  # fmt: skip


@pytest.mark.parametrize("kind", ["film", "files"])
def test_no_command_makes_anything_of_a_held_reel(tmp_path, kind, capsys):
    """Why this is long: every command that makes something, as it is typed."""
    shelf, number = tmp_path / "shelf", ""
    shelf.mkdir()
    with open_shop(shelf) as book:
        order = parcel(book, reels=2)
        number, other = reel(book, order).number, reel(book, order).number
        ledger.place_hold(book, at=AT, by="mk", reel=number, kind=kind, why="told by telephone", lifter="jo")
    held_one, free, roll = shelf / number, shelf / other, shelf / f"{number} roll 2"
    for folder in (held_one, free, roll):
        folder.mkdir()
    why = ("--by", "mk", "--why", "two rolls")
    making = [
        ["deliver", str(held_one)],
        ["deliver", str(roll)],
        ["copy", str(held_one / "package"), str(tmp_path / "medium")],
        ["approval", str(held_one)],
        ["adx", str(held_one), "--out", str(tmp_path / "adx")],
        ["join", str(held_one), str(free), "--out", str(shelf), "--reel", "joined"],
        ["join", str(free), str(roll), "--out", str(tmp_path), "--reel", "joined"],
        ["join", str(free), str(free), "--out", str(shelf), "--reel", number],
        ["divide", str(held_one), "--cut", "3", *why],
        ["divide", str(free), "--cut", "3", "--reel", number, "--reel", "b", *why],
        ["stills", str(held_one), "--by", "mk", "--frames", "3"],
        ["programme", str(held_one), "--out", str(shelf / "order")],
        ["unslit", str(held_one)],
        ["unslit", str(free), "--reel", "a", "--reel", number],
    ]
    before = sorted(tmp_path.rglob("*"))
    for command in making:
        assert cli.main(command) == 3, command
        assert "only jo may lift" in capsys.readouterr().err, command
    assert sorted(tmp_path.rglob("*")) == before, "nothing was written"
    known = next(a for a in build_parser()._actions if a.dest == "command").choices
    assert set(known) == {command[0] for command in making} | set(FREE), "a new command asks, or says why not"


def test_notices_never_stand_without_the_deferring_sentence():
    for notice in NOTICES:
        words, deferring = notice_words((notice,))
        assert deferring == DEFERRING
        assert all(key in SOURCES and key in words for key in notice.sources)
    several = notice_words(NOTICES)
    assert several[-1] == DEFERRING and not any(
        DEFERRING in words for words in several[:-1]
    )  # once, below all
    assert {each.subject for each in NOTICES} == {"nitrate", "vinegar", "mould", "solvents", "cement"}
    for words in ("smells of vinegar", "smell sour", "acidic smell"):
        assert notices_for(words, "super-8")[0].subject == "vinegar"
    assert notices_for("garden", "super-8") == ()


def test_lists_say_what_is_held(tmp_path, capsys):
    with open_shop(tmp_path) as book:
        order = parcel(book)
        held = reel(book, order, forbids="mould", lifter="jo").number
        free = reel(book, order).number
    for command in (("order", "show", "0000013"), ("reel", "list")):
        assert cli.main([*command, "--shelf", str(tmp_path)]) == 0
        lines = capsys.readouterr().out.splitlines()
        at = next(n for n, line in enumerate(lines) if held in line)
        assert (
            lines[at + 1].strip().startswith("HOLD 1 on the film: mould")
            and "jo may lift it" in lines[at + 1]
        )
        assert free in lines[at + 2] and sum("HOLD" in line for line in lines) == 1
        assert "Super 8" in lines[at] and "super-8" not in lines[at]  # as on its label
    with open_shop(tmp_path) as book:
        ledger.lift_hold(book, at=AT, by="jo", hold=1, why="cleaned")
    assert cli.main(["order", "show", "0000013", "--shelf", str(tmp_path)]) == 0
    assert "HOLD" not in capsys.readouterr().out


def test_an_order_without_its_day_names_the_option(tmp_path, capsys):
    asked = ("--client", "Wim Oster", "--reach", "by post", "--count", "reels=1", "--signed-by", "Wim Oster")
    assert cli.main(["order", "new", *asked, "--by", "mk", "--shelf", str(tmp_path)]) == 2
    assert "--delete-on" in capsys.readouterr().err

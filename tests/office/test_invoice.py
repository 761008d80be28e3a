"""Invoice lines and job sheet: what was really captured, beside what was quoted; sums held against a plain recomputation."""

import csv
import io
import json
import shutil
import subprocess
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shop import AT, open_shop, parcel, reel

from smallgauge import cli
from smallgauge.gauge.gauges import gauge_named
from smallgauge.gauge.rates import feet_from_frames
from smallgauge.office import ledger
from smallgauge.office.invoice import COLUMNS, invoice_csv, invoice_reels
from smallgauge.office.made import Made, what_was_made
from smallgauge.office.models import Reel
from smallgauge.office.quote import read_tariff
from smallgauge.record.cells import text_cell
from smallgauge.record.files import read_json, write_json
from smallgauge.record.reel import Joint, Origin, Run
from smallgauge.record.reel import Reel as ReelPaper

TARIFF = """
currency = "florin"
unit = "0.05"
scan_rate = 12
megabytes_per_frame = "9.5"

[price.super-8]
per_reel = "6.00"
per_foot = "0.22"

[price.standard-8]
per_reel = "5.00"
per_foot = "0.24"
"""
NUMBER = "0000013-R01-3"


def a_reel(number=NUMBER, **changes):
    asked = {"number": number, "order": 1, "gauge": "super-8", "box_words": "garden", "forbids": "", "decides": "W",
             "feet_from": "180", "feet_to": "220", "state": "in the shop", "place": ""}  # fmt: skip
    return Reel(**(asked | changes))


def made(frames, gauge="super-8", **changes):
    feet = feet_from_frames(gauge_named(gauge), frames)
    return Made(**({"gauge": gauge, "captures": 1, "frames": frames, "feet": feet} | changes))


@given(frames=st.lists(st.integers(1, 60_000), min_size=1, max_size=20))
def test_sums_agree_with_a_plain_recomputation(frames):
    """In twentieths of a florin: 120 a reel and 4.4 a foot of 72 frames, a half upwards, each line rounded once."""
    reels = [a_reel(str(n)) for n in range(len(frames))]
    found = {str(n): made(each) for n, each in enumerate(frames)}
    invoice = invoice_reels(reels, found, read_tariff(TARIFF, where="t"))
    twentieths = [(2 * (120 * 360 + 22 * each) + 360) // 720 for each in frames]
    assert [line.price for line in invoice.lines] == [Decimal(each) / 20 for each in twentieths]
    assert invoice.price == Decimal(sum(twentieths)) / 20
    rows = list(csv.DictReader(io.StringIO(invoice_csv(invoice, order="0000013"))))
    assert sum(Decimal(row["price"]) for row in rows) == invoice.price
    assert [int(row["frames captured"]) for row in rows] == frames
    feet = [Fraction(row["feet captured"]) - Fraction(n, 72) for row, n in zip(rows, frames, strict=True)]
    assert all(abs(each) <= Fraction(1, 20) for each in feet)
    assert all(row["currency"] == "florin" and row["price"].count(".") == 1 for row in rows)


@pytest.mark.parametrize(
    ("reel_", "made_", "remark"),
    [
        (a_reel(), made(200 * 72), ""),
        (a_reel(), made(230 * 72), "2.20 above the quote"),
        (a_reel(feet_from="", feet_to=""), made(72), "was not quoted"),
        (a_reel(gauge="not sure"), made(72), "taken in as not sure, captured as Super 8; was not quoted"),
        (a_reel(), made(200 * 80, "standard-8"), "taken in as Super 8, captured as standard 8"),
        (a_reel(), made(200 * 72, captures=2), "2 captures, added"),
    ],
)
def test_what_a_person_must_look_at_is_said(reel_, made_, remark):
    (line,) = invoice_reels([reel_], {NUMBER: made_}, read_tariff(TARIFF, where="t")).lines
    assert line.remark == remark


def test_what_is_not_charged_is_named():
    reels = [a_reel("a"), a_reel("b"), a_reel("c")]
    found = {"b": made(72, "16mm"), "c": made(72, gauge="super-8", captures=2)}
    found["c"] = Made(gauge="", captures=2, frames=72, feet=Fraction(1))
    invoice = invoice_reels(reels, found, read_tariff(TARIFF, where="t"))
    assert invoice.lines == () and invoice.price == 0
    assert invoice.left_out == (
        ("a", "nothing was captured of it"),
        ("b", "the tariff has no price for 16mm"),
        ("c", "its captures are of different gauges"),
    )


@pytest.mark.parametrize("words", ['=HYPERLINK("x")', "+49", "-1+2", "@sum", "\t=1", " =1", "\n=1"])
def test_no_words_become_a_formula(words):
    """What begins like a formula is text in every cell, and reads back as it was behind its apostrophe."""
    invoice = invoice_reels([a_reel(box_words=words)], {NUMBER: made(72)}, read_tariff(TARIFF, where="t"))
    (row,) = csv.DictReader(io.StringIO(invoice_csv(invoice, order="0000013")))
    assert tuple(row) == COLUMNS
    assert not any(cell.strip().startswith(("=", "+", "-", "@")) for cell in row.values())
    assert row["words on the box"].endswith(" ".join(words.split())) and text_cell("plain") == "plain"


@pytest.fixture
def shelf(made_reel, tmp_path):
    place = shutil.copytree(made_reel / "shelf", tmp_path / "shelf")
    with open_shop(place) as book:
        order = parcel(book, client="Wim #Oster [a]", promised_on="2026-04-01")
        reel(book, order, gauge="standard 8", feet="25..50", box_words="=garden $1968$")
        reel(book, order, box_words="lake")
        ledger.note_condition(book, at=AT, by="mk", reel=NUMBER, seen={"warp": "flat", "mould": "none seen"})
        ledger.note_step(book, at=AT, by="mk", reel=NUMBER, step="inspected", place="bench")
        ledger.place_hold(book, at=AT, by="mk", reel="0000013-R02-1", kind="film", why="mould", lifter="jo")
    (place / "tariff.toml").write_text(TARIFF)
    return place


def asked(shelf, *more):
    return ("--tariff", str(shelf / "tariff.toml"), "--shelf", str(shelf), *more)


def test_the_invoice_as_a_command(shelf, capsys):
    out = shelf / "invoice.csv"
    assert cli.main(["invoice", "0000013", *asked(shelf, "--out", str(out))]) == 0
    told = capsys.readouterr().out
    assert f"{NUMBER}  standard 8, 3 frames, 0.0 ft; 5.00 florin (quoted 11.00 to 17.00)" in told
    assert "0000013-R02-1  not charged: nothing was captured of it" in told and "Together 5.00 florin" in told
    (row,) = csv.DictReader(io.StringIO(out.read_text(encoding="utf-8")))
    assert row["words on the box"] == "'=garden $1968$" and row["price"] == "5.00"
    assert out.read_bytes().count(b"\r\n") == 2
    capsys.readouterr()
    assert cli.main(["invoice", "0000013", *asked(shelf, "--json")]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["price"] == "5.00" and document["lines"][0]["frames"] == 3


def test_the_job_sheet_as_a_command(shelf, capsys):
    out = shelf / "sheet.pdf"
    assert cli.main(["job-sheet", "0000013", *asked(shelf, "--out", str(out))]) == 0
    text = subprocess.run(
        ["pdftotext", "-layout", out, "-"], capture_output=True, encoding="utf-8", check=True
    ).stdout
    for words in ("Job sheet of order 0000013", "Wim #Oster [a]", NUMBER, "=garden $1968$", "warp: flat", "STOP. HOLD 1",
                  "Promised for: 2026-04-01", "25 to 50", "Condition: not looked at", "inspected", "0:00 at 16"):  # fmt: skip
        assert words in text, words
    assert f"{NUMBER}  standard 8  =garden $1968$" in capsys.readouterr().out


def test_the_sheet_has_the_cautions_that_the_screen_has(tmp_path, capsys):
    """Noted under a subject, in words that do not name it again."""
    with open_shop(tmp_path) as book:
        number = reel(book, parcel(book)).number
        seen = {"mould": "white dots", "strip level": "1.5", "strip hours": "24", "strip temperature": "20"}
        ledger.note_condition(
            book, at=AT, by="mk", reel=number, seen={**seen, "splices": "none"}, lifter="jo"
        )
    (tmp_path / "tariff.toml").write_text(TARIFF)
    assert cli.main(["reel", "show", number, "--shelf", str(tmp_path), "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert [each["subject"] for each in shown["notices"]] == ["vinegar", "mould"]
    assert cli.main(["job-sheet", "0000013", *asked(tmp_path, "--json")]) == 0
    (sheet,) = json.loads(capsys.readouterr().out)["reels"]
    for each in shown["notices"]:
        assert any(words.startswith(each["said"]) for words in sheet["know"]), each["subject"]
    assert not any("cement" in words for words in sheet["know"])
    assert cli.main(["job-sheet", "0000013", *asked(tmp_path)]) == 0
    assert "1 box," in capsys.readouterr().out.splitlines()[0]


def run_of(digest, first, stop, folder=""):
    return Run(capture=0, capture_digest=digest, first=first, stop=stop, folder=folder)


def test_a_joined_reel_counts_its_runs_once(made_reel, tmp_path):
    """Two captures of 3 frames with one frame in both, joined: five frames, though both captures lie there too."""
    shelf = tmp_path / "shelf"
    second = "9" * 64
    for name, digest in (("one", ""), ("two", second), ("joined", "")):
        shutil.copytree(made_reel / "shelf" / NUMBER, shelf / name)
        paper = shelf / name / "reel.json"
        plain = read_json(paper, ReelPaper)
        own = digest or plain.runs[0].capture_digest
        runs = (run_of(own, 0, 3),)
        joints = ()
        if name == "joined":
            runs = (run_of(own, 0, 3), run_of(second, 1, 3))
            joints = (Joint(earlier=0, later=1, offset=2, common=1, lost=0, by="program", at=AT, why=""),)
        paper.unlink()
        write_json(paper, ReelPaper(number=NUMBER, box_words="", runs=runs, joints=joints))
    found, refused = what_was_made(shelf)
    assert refused == () and found[NUMBER].frames == 5 and found[NUMBER].captures == 1


def test_a_part_counts_with_the_capture_it_was_taken_from(made_reel, tmp_path):
    shelf = tmp_path / "shelf"
    for name in ("whole", "part"):
        shutil.copytree(made_reel / "shelf" / NUMBER, shelf / name)
    paper = shelf / "part" / "reel.json"
    whole = read_json(paper, ReelPaper).runs[0].capture_digest
    origin = Origin(capture_digest=whole, first=0, stop=2, of=3)
    paper.unlink()
    write_json(
        paper,
        ReelPaper(number=f"{NUMBER} roll 2", box_words="", runs=(run_of("8" * 64, 0, 2),), origin=origin),
    )
    assert what_was_made(shelf)[0][NUMBER].frames == 3
    shutil.rmtree(shelf / "whole")
    assert what_was_made(shelf)[0][NUMBER].frames == 2, "where only the part is there, it counts"


def test_papers_that_cannot_be_read_are_named(made_reel, tmp_path):
    shelf = tmp_path / "shelf"
    shutil.copytree(made_reel / "shelf" / NUMBER, shelf / NUMBER)
    (shelf / NUMBER / "render.json").unlink()
    (shelf / NUMBER / "render.json").write_text("{")
    found, refused = what_was_made(shelf)
    assert found == {} and refused[0][0] == NUMBER

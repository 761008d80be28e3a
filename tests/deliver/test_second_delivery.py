"""Remarks are placed exactly and answered; a delivery that was handed over stays, and the next one says what is otherwise."""

import json
import shutil
from fractions import Fraction
from pathlib import Path

import pytest

from smallgauge.approval import approve_folder
from smallgauge.cli import main
from smallgauge.demo import write_specimen
from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.gauge.rates import running_time_s
from smallgauge.line import (
    Settings,
    decide_on,
    deliver_folder,
    finish,
    finish_reel,
    hand_over_folder,
    unproved_photographs,
)
from smallgauge.picture.synthetic import specimen_truth
from smallgauge.proving import prove_folder
from smallgauge.record.deliveries import Changes
from smallgauge.record.files import read_json
from smallgauge.record.finding import FileDigest, Proof
from smallgauge.remarks import Said, answer_folder, frame_at, read_list, take_remarks
from smallgauge.render.approval import _clock

AT = "2026-01-17T10:00:00Z"
SETTINGS = Settings(at=AT, workers=1)
SAID = {"who": "Mrs Example", "on": "2026-01-16", "how": "letter"}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A finished reel with an approval copy."""
    home = tmp_path_factory.mktemp("second")
    truth = specimen_truth("super 8", width=256, height=192, frames=6, bits=8, seed=5)
    write_specimen(
        home / "0000013-R01-3",
        truth,
        format="png",
        sound=False,
        reel="0000013-R01-3",
        box_words="",
        processes=1,
    )
    finish(home / "0000013-R01-3", home / "shelf", SETTINGS)
    folder = home / "shelf" / "0000013-R01-3"
    approve_folder(folder, SETTINGS)
    return folder


@pytest.fixture
def reel(made, tmp_path):
    return Path(shutil.copytree(made, tmp_path / "shelf" / made.name))


@pytest.mark.parametrize("rate", [Fraction(16), Fraction(50, 3), Fraction(18), Fraction(24), Fraction(25)])
def test_a_burnt_in_time_names_its_frame(rate):
    for n in range(5000):
        minutes, rest = _clock(running_time_s(n, rate)).split(":")
        seconds, parts = rest.split(".")
        assert frame_at(60 * int(minutes) + int(seconds), parts, rate, burnt_in=True) == n


def test_remarks_are_kept_placed_and_answered(reel, tmp_path, capsys):
    name = str(reel)
    time = _clock(running_time_s(4, 18))
    words = ["--who", "Mrs Example", "--how", "letter", "--on", "2026-01-16"]
    assert main(["remarks", name, "--add", "too dark", "--place", time, *words]) == 0
    listed = tmp_path / "remarks.csv"
    listed.write_text("Place;Words;Copy;To\r\n2;a hair;;3\r\n0:00;loud;disc;\r\n", encoding="utf-8-sig")
    assert main(["remarks", name, "--list", str(listed), *words]) == 2  # copy must be one that there is
    listed.write_text("Place;Words;Copy;To\r\n2;a hair;;3\r\n", encoding="utf-8-sig")
    capsys.readouterr()
    assert main(["remarks", name, "--list", str(listed), "--json", *words]) == 0
    found = json.loads(capsys.readouterr().out)
    one, two = found["remarks"]["remarks"]
    assert (one["first"], one["last"], one["files"]) == (4, 4, ["frame_000004.png"])
    assert (two["first"], two["last"], len(two["files"]), found["waiting"]) == (2, 3, 2, 2)
    with pytest.raises(MaterialError, match="--unanswered"):
        deliver_folder(reel, SETTINGS)
    told = deliver_folder(reel, SETTINGS, unanswered=True)
    assert "remarks not answered" in {f.code for f in told.findings} and told.exit_code == 0
    assert "Not answered yet" in (reel / "report.html").read_text(encoding="utf-8")
    assert main(["remarks", name, "--answer", "1", "--done", "--why", "one point lighter", "--by", "mk"]) == 0
    answer_folder(reel, 2, done=False, why="it is in the film", by="mk", at=AT)
    assert deliver_folder(reel, SETTINGS).exit_code == 0
    page = (reel / "package" / "Report.html").read_text(encoding="utf-8")
    for part in ("too dark", "Done: one point lighter", "Not done: it is in the film", "frame_000004.png"):
        assert part in page
    assert prove_folder(reel / "package", SETTINGS, source=None).proved


@pytest.mark.parametrize(
    ("said", "error", "words"),
    [
        (Said(place="900", words="w"), MaterialError, "no film frame 900"),
        (Said(place="9:00.00", words="w"), MaterialError, "ends before"),
        (Said(place="soon", words="w"), CallerError, "A place is"),
        (Said(place="3", to="1", words="w"), CallerError, "backwards"),
        (Said(place="3", copy="other", words="w"), CallerError, "copy must be"),
        (Said(place="3", words=" "), CallerError, "needs words"),
        (Said(place="3", words="w", on="soon"), CallerError, "the day"),
    ],
)
def test_a_remark_that_can_not_be_placed_is_refused(made, tmp_path, said, error, words):
    with pytest.raises(error, match=words):
        take_remarks(made, [Said(place="1", words="good"), said], defaults=SAID, at=AT)
    assert not (made / "remarks.json").exists()  # all of a list or none


def test_a_list_is_read_or_refused(tmp_path):
    listed = tmp_path / "list.toml"
    listed.write_text('[[remark]]\nwords = "too dark"\nplace = "0:06.66"\n', encoding="utf-8")
    assert read_list(listed) == (Said(place="0:06.66", words="too dark"),)
    for text, words in (
        ("colour,words\nred,w\n", "colour"),
        ("place\n3\n", "words"),
        ("words,place\nw\n", "line 2"),
    ):
        (tmp_path / "list.csv").write_text(text, encoding="utf-8")
        with pytest.raises(MaterialError, match=words):
            read_list(tmp_path / "list.csv")


def test_delivery_two_says_what_is_otherwise_and_one_stays(reel, capsys):
    assert main(["deliver", str(reel), "--handed-over", "Mrs Example", "--on", "2026-01-18"]) == 0
    assert "Delivery 1, handed over to Mrs Example" in capsys.readouterr().out
    with pytest.raises(MaterialError, match="nothing is new"):
        hand_over_folder(reel, SETTINGS, to="Mrs Example", on="")
    first = {
        p.relative_to(reel): p.read_bytes() for p in sorted((reel / "delivery-1").rglob("*")) if p.is_file()
    }
    deliver_folder(reel, SETTINGS)
    assert read_json(reel / "delivery.json", Changes).nothing
    from smallgauge.record.decided import decided_value

    value = decided_value("camera_speed", "24")
    decide_on(
        reel,
        subject="camera_speed",
        value=value,
        by="mk",
        at="2026-01-19T10:00:00Z",
        why="children walk right",
    )
    papers = {
        name: (reel / name).read_bytes() for name in ("report.html", "report.pdf", "package/SHA256SUMS")
    }
    with pytest.raises(MaterialError, match="run `smallgauge finish` on it again, then deliver it"):
        deliver_folder(reel, SETTINGS)
    assert papers == {name: (reel / name).read_bytes() for name in papers}, (
        "no report says 24 of a film that runs at 18"
    )
    outcome = finish_reel(reel, SETTINGS)
    assert outcome.proved
    changes = read_json(reel / "delivery.json", Changes)
    assert (changes.number, changes.rate_before, changes.rate) == (2, "18", "24")
    assert ("camera_speed", "reel") in changes.decisions
    assert changes.frames_differ == 0 and not changes.frames_added and not changes.frames_gone
    assert any(place.startswith("Watch these/") for place in changes.files_changed)
    page = (reel / "package" / "Report.html").read_text(encoding="utf-8")
    assert "Changed: Watch these/" in page
    assert "This is delivery 2" in page and "can still be proved" in page and "no longer at 18" in page
    after = {
        p.relative_to(reel): p.read_bytes() for p in sorted((reel / "delivery-1").rglob("*")) if p.is_file()
    }
    assert after == first
    assert prove_folder(reel / "delivery-1", SETTINGS, source=None).proved
    assert prove_folder(reel / "package", SETTINGS, source=None).proved
    sums = reel / "delivery-1" / "SHA256SUMS"
    text = sums.read_bytes()
    sums.unlink()
    sums.write_bytes(text + b"\n")
    with pytest.raises(FixityError, match="not the delivery that was handed over"):
        deliver_folder(reel, SETTINGS)


def test_frames_that_differ_are_counted_in_stretches():
    from smallgauge.deliver.again import _compared
    from smallgauge.record.rendertable import RENDER_COLUMNS
    from smallgauge.record.table import table_of

    def table(digests):
        rows = [{"film_position": n, "digest": d} for n, d in digests.items()]
        return table_of("render", RENDER_COLUMNS, rows)

    before = table({0: "a", 1: "b", 2: "c", 3: "d", 5: "e"})
    after = table({0: "a", 1: "B", 2: "C", 3: "d", 4: "new", 6: "x"})
    assert _compared(before, after) == (2, 2, 1, ((1, 3),))


def test_photographs_that_no_check_speaks_of_are_told(tmp_path):
    def proof(*files):
        return Proof(reel="0000013-R01-3", capture_digest="", checks=(), findings=(), files=files)

    assert unproved_photographs(tmp_path, proof()) == ()
    (tmp_path / "stills.json").write_bytes(b"abc")
    # SHA-256 of "abc": FIPS 180-4, example
    known = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    proved = FileDigest(name="stills.json", bytes=3, sha256=known)
    assert unproved_photographs(tmp_path, proof(proved)) == ()
    for none in (proof(), proof(FileDigest(name="stills.json", bytes=3, sha256="0" * 64))):
        assert [each.code for each in unproved_photographs(tmp_path, none)] == ["photographs not proved"]

"""Forty mixed photographs filed by their labels; what shows none is put aside by name, and the card stays as it is."""

import hashlib
import json
import os
import shutil
import subprocess
import sys

import cv2
import numpy as np
import pytest
from drawn_photographs import draw_photograph, label_picture
from shop import AT, open_shop, parcel, reel

from smallgauge import cli
from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.gauge.numbers import reel_number
from smallgauge.media import photograph_in
from smallgauge.office.book import check_book
from smallgauge.office.photographs import file_photographs, photographs_of

REELS = 8


def digests(folder):
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def with_date(path, moment):
    """The JPEG with an EXIF date written into it by Pillow."""
    from PIL import Image

    picture = Image.open(path)
    exif = picture.getexif()
    exif[306] = moment  # DateTime
    picture.save(path, quality=85, exif=exif)


@pytest.fixture(scope="module")
def card(tmp_path_factory):
    """A card with 40 files: 31 show one label of a reel of the book; returns its folder and what each must become."""
    folder = tmp_path_factory.mktemp("card") / "DCIM"
    (folder / "100").mkdir(parents=True)
    (folder / "101").mkdir()
    numbers = [reel_number(1, each) for each in range(1, REELS + 1)]
    labels = [label_picture(number) for number in numbers]
    wanted = {}
    for at in range(31):
        name = f"10{at % 2}/IMG_{at // 2:04d}.JPG"  # the same names in both folders, as cameras do
        draw_photograph(folder / name, [labels[at % REELS]], seed=at)
        wanted[name] = numbers[at % REELS]
    for at in range(2):
        draw_photograph(folder / f"100/table{at}.jpg", [], seed=100 + at)
        draw_photograph(folder / f"100/scratched{at}.jpg", [labels[at]], seed=110 + at, scratched=True)
        draw_photograph(folder / f"100/shaken{at}.jpg", [labels[at]], seed=120 + at, out_of_focus=14)
    draw_photograph(folder / "100/two.jpg", labels[:2], seed=130)
    draw_photograph(folder / "100/other.jpg", [label_picture(reel_number(7, 1))], seed=131)
    (folder / "100/broken.jpg").write_bytes((folder / "100/two.jpg").read_bytes()[:300])
    wanted |= dict.fromkeys(set(digests(folder)) - set(wanted), "")
    with_date(folder / "100/IMG_0000.JPG", "1999:12:31 23:59:59")
    (folder / "100/MVI_0001.MOV").write_bytes(b"no photograph")
    (folder / "100/._IMG_0000.JPG").write_bytes(b"left by another system")
    return folder, wanted


@pytest.fixture
def shop(tmp_path):
    with open_shop(tmp_path) as book:
        order = parcel(book, reels=REELS)
        for _ in range(REELS):
            reel(book, order)
        yield book, tmp_path


def test_forty_photographs_file_themselves(shop, card):
    book, shelf = shop
    folder, wanted = card
    before, moments = digests(folder), {p: p.stat().st_mtime_ns for p in folder.rglob("*")}
    found = {each.name: each for each in file_photographs(book, shelf, folder, at=AT, by="mk")}
    assert {name: each.reel for name, each in found.items()} == wanted and len(found) == 40
    assert digests(folder) == before and {p: p.stat().st_mtime_ns for p in folder.rglob("*")} == moments
    for name, each in found.items():
        assert (each.became, bool(each.why)) == (("filed", False) if wanted[name] else ("put aside", True)), (
            name
        )
        assert each.sha256 == before[name] == hashlib.sha256((shelf / each.copy).read_bytes()).hexdigest()
        assert (each.reel or "put aside") in each.copy
    assert len({each.copy for each in found.values()}) == 40, "no copy took the place of another"
    assert "labels of 2 reels" in found["100/two.jpg"].why and "not in the book" in found["100/other.jpg"].why
    assert found["100/broken.jpg"].why == "it can't be read as a picture here"
    assert found["100/IMG_0000.JPG"].camera_says == "1999:12:31 23:59:59"
    with book.read() as session:
        told = [each for n in range(1, REELS + 1) for each in photographs_of(session, reel_number(1, n))]
    assert sorted(each["sha256"] for each in told) == sorted(
        before[name] for name, number in wanted.items() if number
    )
    assert check_book(book).faults == ()
    again = file_photographs(book, shelf, folder, at=AT, by="mk")
    assert {each.became for each in again} == {"there already", "put aside"}
    assert sum(1 for p in (shelf / "photographs").rglob("*") if p.is_file()) == 40


def test_the_cameras_date_orders_nothing(shop, card, capsys):
    """The book says when it was told; what the camera says stands beside it as not trusted."""
    book, shelf = shop
    file_photographs(book, shelf, card[0] / "100" / "IMG_0000.JPG", at=AT, by="mk")
    assert cli.main(["reel", "show", reel_number(1, 1), "--shelf", str(shelf), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    event = told["events"][-1]
    assert (event["what"], event["at"]) == ("photographed", AT)
    assert "camera's own clock, not trusted: 1999:12:31" in event["words"] and len(told["photographs"]) == 1
    assert set(told["condition"].values()) == {"not looked at"}


def test_a_person_names_the_reel(shop, card, capsys):
    book, shelf = shop
    shaken, number = card[0] / "100" / "shaken0.jpg", reel_number(1, 3)
    (filed,) = file_photographs(book, shelf, shaken, at=AT, by="mk", reel=number)
    assert (filed.reel, filed.became) == (number, "filed")
    with pytest.raises(MaterialError, match=f"shows the label of {reel_number(1, 2)}"):
        file_photographs(book, shelf, card[0] / "101" / "IMG_0000.JPG", at=AT, by="mk", reel=number)
    options = ("--shelf", str(shelf), "--by", "mk")
    assert cli.main(["photographs", str(shaken), *options]) == 0
    assert "shaken0.jpg: put aside: no label of the shop" in capsys.readouterr().out


def test_a_copy_that_differs_is_not_kept(shop, card, monkeypatch):
    book, shelf = shop

    def spoilt(source, target):
        target.write_bytes(source.read_bytes()[:-1] + b"x")

    monkeypatch.setattr(shutil, "copyfile", spoilt)
    with pytest.raises(FixityError, match="not the file that lies on the card"):
        file_photographs(book, shelf, card[0] / "100" / "IMG_0000.JPG", at=AT, by="mk")
    assert not [p for p in (shelf / "photographs").rglob("*") if p.is_file()]
    with book.read() as session:
        assert photographs_of(session, reel_number(1, 1)) == []


def test_bad_input_is_one_sentence(shop, tmp_path):
    book, shelf = shop
    empty = tmp_path / "empty"
    empty.mkdir()
    for folder, kind, words in (
        (tmp_path / "nowhere", CallerError, "found nothing at"),
        (empty, MaterialError, "none of these lies in"),
    ):
        with pytest.raises(kind, match=words):
            file_photographs(book, shelf, folder, at=AT, by="mk")
    with pytest.raises(CallerError, match="initials"):
        file_photographs(book, shelf, empty, at=AT, by=" ")


def test_pictures_that_are_none():
    for data in (b"", b"x" * 5000, b"\xff\xd8\xff\xe0" + bytes(50)):
        assert photograph_in.read_photograph(data) is None


@pytest.mark.skipif(os.name != "posix", reason="left out: file modes are POSIX")
def test_a_card_that_is_closed_to_writing_is_read(shop, tmp_path):
    book, shelf = shop
    card = tmp_path / "closed"
    card.mkdir()
    draw_photograph(card / "one.jpg", [label_picture(reel_number(1, 2))], seed=5)
    (card / "one.jpg").chmod(0o444)
    card.chmod(0o555)
    try:
        (filed,) = file_photographs(book, shelf, card, at=AT, by="mk")
    finally:
        card.chmod(0o755)
    assert filed.reel == reel_number(1, 2)


def test_the_same_card_by_command(shop, card):
    """In a process of its own, as a shop gives it."""
    _, shelf = shop
    command = ["photographs", str(card[0] / "101"), "--shelf", str(shelf), "--by", "mk", "--json"]
    done = subprocess.run(
        [sys.executable, "-m", "smallgauge", *command], capture_output=True, encoding="utf-8", check=True
    )
    told = json.loads(done.stdout)["photographs"]
    assert len(told) == 15 and {each["became"] for each in told} == {"filed"}


@pytest.mark.parametrize("turned", [0, 1, 2, 3])
def test_a_label_in_the_shade(turned):
    """The whole label lies within 16 of 255 code values; it is read whichever way it lies."""
    from smallgauge.office.labels import read_labels

    number = reel_number(3, 4)
    dark = (label_picture(number) * 0.06 + 6).astype(np.uint8)
    shown = np.rot90(cv2.copyMakeBorder(dark, 60, 60, 60, 60, cv2.BORDER_CONSTANT, value=8), turned)
    assert read_labels(np.ascontiguousarray(shown)) == (number,)


@pytest.mark.campaign
@pytest.mark.parametrize(("across_px", "least"), [(400, 24), (272, 24), (208, 12), (160, 1), (96, 0)])
def test_how_small_a_label_may_be(tmp_path, across_px, least):
    """Labels so many pixels wide, 24 photographs each; none is ever read as another number."""
    from smallgauge.office.labels import read_labels

    number, label = reel_number(417, 3), label_picture(reel_number(417, 3))
    read = []
    for seed in range(24):
        draw_photograph(tmp_path / "one.jpg", [label], seed=seed, across_px=across_px)
        read.append(read_labels(cv2.imread(str(tmp_path / "one.jpg"), cv2.IMREAD_GRAYSCALE)))
    print(f"{across_px} pixels wide: {read.count((number,))} of 24 read")
    assert set(read) <= {(number,), ()} and read.count((number,)) >= least

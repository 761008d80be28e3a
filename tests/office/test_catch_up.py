"""What the papers say is entered in the book with digests, once; a paper that was altered is not."""

import json
import re
import shutil
from concurrent.futures import ThreadPoolExecutor

import pytest
from shop import AT, open_shop, parcel, reel

from smallgauge import cli
from smallgauge.media.whole import digest_file
from smallgauge.office.book import Book, check_book
from smallgauge.office.catch_up import catch_up, reels_on
from smallgauge.office.ledger import hand_back
from smallgauge.office.place import BOOK_FILE

NUMBER = "0000013-R01-3"


@pytest.fixture(scope="module")
def finished(made_reel):
    """A shelf with one reel that was taken to its package."""
    return made_reel / "shelf"


@pytest.fixture
def shelf(finished, tmp_path):
    """The same with a book that knows the reel."""
    place = tmp_path / "shelf"
    shutil.copytree(finished, place)
    with open_shop(place) as book:
        reel(book, parcel(book))
    return place


def told(capsys, shelf, *rest):
    """Run one command of the book; its exit code and JSON document."""
    capsys.readouterr()
    code = cli.main([*rest, "--shelf", str(shelf), "--json"])
    return code, json.loads(capsys.readouterr().out)


def test_the_papers_are_entered_once(shelf, capsys):
    (folder,) = reels_on(shelf)
    code, first = told(capsys, shelf, "office", "catch-up", "--by", "mk")
    assert code == 0 and first["refused"] == []
    said = {each["what"]: each["words"] for each in first["entered"]}
    assert {"measured", "rendered", "proved", "packed"} == set(said)
    assert json.loads((folder / "capture.json").read_text())["digest"] in said["measured"]
    assert digest_file(folder / "render.json") in said["rendered"]
    assert digest_file(folder / "proof.json") in said["proved"]
    assert digest_file(folder / "package" / "SHA256SUMS") in said["packed"]
    events = told(capsys, shelf, "reel", "show", NUMBER)[1]["events"]
    assert [each["words"] for each in events][-4:] == [each["words"] for each in first["entered"]]
    code, again = told(capsys, shelf, "office", "catch-up", "--by", "mk")
    assert code == 0 and again["entered"] == again["refused"] == []
    assert told(capsys, shelf, "office", "check")[0] == 0


def test_a_paper_that_was_altered_is_named_and_not_entered(shelf, capsys):
    (folder,) = reels_on(shelf)
    paper = folder / "proof.json"
    paper.write_text(paper.read_text().replace('"made"', '"made" ', 1))
    code, found = told(capsys, shelf, "office", "catch-up", "--by", "mk")
    assert code == 4 and "proof.json must be the file that was written" in found["refused"][0]["why"]
    assert {each["what"] for each in found["entered"]} == {"measured", "rendered", "packed"}


def test_a_reel_that_is_in_no_book_is_passed_by(finished, tmp_path):
    with open_shop(tmp_path) as book:
        parcel(book)
        assert catch_up(book, reels_on(finished), at=AT, by="mk") == ([], [])
        assert check_book(book).faults == ()


def test_made_again_as_before_is_entered_again(shelf):
    (folder,) = reels_on(shelf)
    with open_shop(shelf) as book:
        catch_up(book, (folder,), at=AT, by="mk")
        with book.write(at=AT, by="mk") as entry:
            entry.tell("proved", order=1, reel=NUMBER, words="another proof, made since")
        entered, _ = catch_up(book, (folder,), at=AT, by="mk")
        assert [each.what for each in entered] == ["proved"]


def test_a_client_is_not_named_and_a_film_that_went_back_is_told_of(shelf, capsys):
    (folder,) = reels_on(shelf)
    assert cli.main(["deliver", str(folder), "--handed-over", "Wim Oster", "--on", "2026-03-09"]) == 0
    with open_shop(shelf) as book:
        hand_back(book, at=AT, by="mk", order=1, reels=[NUMBER], counts={}, to="Wim Oster", part=True)
        entered, refused = catch_up(book, reels_on(shelf), at=AT, by="mk")
        assert refused == [] and entered[-1].what == "handed over"
        assert re.fullmatch(r"delivery 1 on 2026-03-09; list of the package [0-9a-f]{64}", entered[-1].words)
        assert not any("Wim" in each.words for each in entered)
        kept = folder / "delivery-1" / "SHA256SUMS"
        kept.unlink()  # it may be a second name of the package's own list
        kept.write_text("altered\n")
        assert "must be the list that was handed over" in catch_up(book, (folder,), at=AT, by="mk")[1][0][1]


def test_a_folder_behind_a_link_is_no_reel_of_the_shelf(shelf, finished):
    (shelf / "elsewhere").symlink_to(reels_on(finished)[0], target_is_directory=True)
    assert [place.name for place in reels_on(shelf)] == [reels_on(finished)[0].name]


@pytest.mark.parametrize("where", ["file", "server"])
def test_two_benches_at_once_enter_each_paper_once(finished, tmp_path, request, where):
    place = tmp_path / BOOK_FILE if where == "file" else request.getfixturevalue("database")
    with Book(place, make=True) as book:
        reel(book, parcel(book))

    def bench(name):
        with Book(place) as own:
            return catch_up(own, reels_on(finished), at=AT, by=name)

    with ThreadPoolExecutor(4) as pool:
        told = list(pool.map(bench, ("mk", "jo", "an", "li")))
    assert [refused for _, refused in told] == [[]] * 4
    assert sorted(each.what for entered, _ in told for each in entered) == [
        "measured", "packed", "proved", "rendered",
    ]  # fmt: skip
    with Book(place) as book:
        assert check_book(book).faults == ()

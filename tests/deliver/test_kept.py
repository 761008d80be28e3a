"""A family's package without archive copy and finished film, unless they were ordered."""

import re

import pytest
from reel_papers import make_reel

from smallgauge.deliver.contact import write_contact_sheet
from smallgauge.deliver.film_names import film_file_name
from smallgauge.deliver.kept import is_master, kept_words
from smallgauge.deliver.package import build_package
from smallgauge.deliver.papers import read_papers
from smallgauge.deliver.report import build_report
from smallgauge.deliver.start_page import write_start_page
from smallgauge.errors import MaterialError
from smallgauge.line import Settings, deliver_folder
from smallgauge.record.files import read_json
from smallgauge.record.journal import Journal
from smallgauge.record.order import Order

SHOP = '[keeping]\nplace = "the shop\'s shelf 3"\ndays = 90\n'


def packed(reel):
    write_start_page(reel)
    build_report(reel)
    build_package(reel)
    pages = [(reel / "package" / name).read_text(encoding="utf-8") for name in PAGES]
    return {p.name for p in (reel / "package").rglob("*")}, [re.sub(r"\s+", " ", page) for page in pages]


PAGES = ("Start here.html", "Read me first.txt", "Report.html")


def made(tmp_path, masters=None):
    folder = make_reel(tmp_path / "shelf" / "reel", masters=masters)
    write_contact_sheet(folder)
    return folder


@pytest.fixture
def reel(tmp_path):
    return made(tmp_path)


@pytest.mark.parametrize("masters", [None, False])
def test_as_shipped_they_stay_in_the_shop_and_every_page_says_where_and_how_long(tmp_path, masters):
    reel = made(tmp_path, masters)
    (reel.parent / "shop.toml").write_text(SHOP)
    names, pages = packed(reel)
    assert not names & {"archive.mkv", "archive.wav", "finished.mkv"}
    assert {"proof.json", "viewing.mp4", "capture.json", "frames.parquet"} <= names
    for page in pages:
        plain = page.replace("&#39;", "'")
        assert "shop's shelf 3" in plain and "for 90 days after you received" in plain


def test_without_the_shops_word_the_pages_say_to_ask(reel):
    _, pages = packed(reel)
    assert all("kept by the shop; ask before they are deleted" in page for page in pages)


def test_ordered_they_are_in_the_package_and_no_page_says_otherwise(tmp_path):
    reel = made(tmp_path, True)
    names, pages = packed(reel)
    assert {"archive.mkv", "archive.wav", "finished.mkv"} <= names
    assert not any("were not ordered" in page for page in pages)
    assert kept_words(read_papers(reel)) == ""


def test_the_command_lines_word_is_kept_as_the_order_and_the_last_one_holds(tmp_path):
    reel = made(tmp_path)
    shop = Settings(at="2026-01-17T10:00:00Z", workers=1)
    for masters in (True, None, False, None):
        outcome = deliver_folder(reel, shop, masters=masters, by="mk" if masters is not None else "")
        assert "deliver" in outcome.steps
        ordered = read_json(reel / "order.json", Order)
        names = {p.name for p in (reel / "package").rglob("*")}
        assert ({"archive.mkv", "archive.wav", "finished.mkv"} <= names) == ordered.masters
        page = re.sub(r"\s+", " ", (reel / "package" / "Start here.html").read_text(encoding="utf-8"))
        assert ("were not ordered" in page) == (not ordered.masters)
        assert read_json(reel / "package" / "For later" / "order.json", Order) == ordered
    assert ordered.by == "mk", "what was ordered keeps who ordered it"
    assert not ordered.masters and Journal(reel).lines["order.json"].step == "deliver"


@pytest.mark.parametrize("lost", ["finished.mkv", "archive.mkv"])
def test_a_page_never_says_that_something_is_kept_that_is_not_there(reel, lost):
    write_start_page(reel)
    build_report(reel)
    (reel / lost).unlink()
    with pytest.raises(MaterialError, match=lost):
        build_package(reel)


@pytest.mark.parametrize(
    ("text", "mistake"),
    [
        ("[keeping]\ndays = 0", "keeping.days"),
        ("[keeping]\ndays = true", "keeping.days"),
        ("[keeping]\nplace = 3", "keeping.place"),
        ("[keeping]\nplace = ' '", "keeping.place"),
        ("[keeping]\nuntil = 3", "keeping.until is not known"),
    ],
)
def test_the_shops_word_is_checked(reel, text, mistake):
    (reel.parent / "shop.toml").write_text(text)
    with pytest.raises(MaterialError, match=mistake):
        read_papers(reel)


def test_papers_of_a_joined_reels_captures_are_no_masters():
    assert not is_master("captures/0/frames.parquet") and is_master("captures/1/archive/a.jpg")
    assert is_master("archive-broadcast.wav") and not is_master("whole.json")


@pytest.mark.parametrize("words", ["Archive copy of the sea", "sea (FINISHED)", "unfinished archives", "sea"])
def test_a_film_to_watch_is_never_called_finished_or_archive(words):
    name = film_file_name("0004171-R03-7", words).lower()
    assert "finished" not in name and "archive" not in name and name.startswith("0004171-r03-7")

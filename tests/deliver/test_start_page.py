"""The page that a family opens first: it works from a stick, loads nothing from outside, and links to what is there."""

import re
from dataclasses import replace
from html.parser import HTMLParser
from urllib.parse import unquote

import pytest
from reel_papers import make_reel

from smallgauge.deliver.contact import write_contact_sheet
from smallgauge.deliver.package import build_package
from smallgauge.deliver.papers import read_papers
from smallgauge.deliver.start_page import scene_links, start_html, write_start_page


class Links(HTMLParser):
    """Every address that a page names, and its text."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.found += [value for name, value in attrs if name in ("href", "src", "poster") and value]


@pytest.fixture(scope="module")
def package(tmp_path_factory):
    reel = make_reel(tmp_path_factory.mktemp("made") / "reel", box_words='Garden: "summer" & <sea> 1968')
    write_contact_sheet(reel)
    for name in ("report.html", "report.pdf"):
        (reel / name).write_text("a report", encoding="utf-8")
    write_start_page(reel)
    build_package(reel)
    return reel / "package"


def test_every_link_leads_to_a_file_of_the_package(package):
    page = (package / "Start here.html").read_text(encoding="utf-8")
    links = Links()
    links.feed(page)
    assert len(links.found) > 10
    for link in links.found:
        assert ":" not in link.split("/")[0], link  # no scheme, no drive
        assert (package / unquote(link.split("#")[0])).exists(), link


def test_it_has_no_script_and_asks_nobody(package):
    page = (package / "Start here.html").read_text(encoding="utf-8")
    assert not re.search(r"<script|javascript:|https?://|@import|url\(", page, re.IGNORECASE)
    assert "<sea>" not in page and "&lt;sea&gt;" in page


def test_a_scene_begins_where_the_copy_shows_its_first_frame(package):
    papers = read_papers(package.parent)
    links = scene_links(papers, "Watch these/film.mp4")
    rendered = papers.rendered
    assert len(links) == papers.scenes and links[0].link.endswith("#t=0.0")
    second = int((rendered["scene"] == 1).argmax())
    seconds = float(links[1].link.rpartition("=")[2])
    assert (
        abs(seconds - second / float(papers.rate)) <= 1 / 25 + 0.05
    )  # one frame of 25 a second, and the rounding


def test_the_same_papers_give_the_same_page(package):
    before = (package / "Start here.html").read_bytes()
    write_start_page(package.parent)
    assert (package.parent / "start-here.html").read_bytes() == before


def test_scenes_are_called_as_they_are_in_the_films(package):
    """The names of the chapters, as `render.json` holds them; a scene without one keeps its number."""
    papers = read_papers(package.parent)
    named = replace(papers, summary=replace(papers.summary, scene_titles=("Scene 1", "Sea & <sand>")))
    assert [link.name for link in scene_links(named, "film.mp4")][:3] == [
        "Scene 1",
        "Sea & <sand>",
        "Scene 3",
    ]
    assert "Sea &amp; &lt;sand&gt;" in start_html(named)

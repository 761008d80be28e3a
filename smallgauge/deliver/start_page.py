"""`Start here.html`: the page that a family opens on a stick: the film, its scenes, its pictures, how to keep it.

start_html   papers -> the page; it loads nothing but files that lie beside it in the package

A function of the papers alone, like the report.
"""

from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

import numpy as np

from smallgauge.deliver.content import report_content
from smallgauge.deliver.film_names import (
    PICTURES,
    WATCH,
    film_file_name,
    later_words,
    ordered_copies,
    smooth_file_name,
)
from smallgauge.deliver.kept import kept_words
from smallgauge.deliver.papers import Papers, read_papers, still_places
from smallgauge.deliver.report import page_environment
from smallgauge.gauge.rates import running_time_text
from smallgauge.record.files import write_text
from smallgauge.record.recipe import SMOOTH
from smallgauge.record.rendertable import COPY_COLUMNS
from smallgauge.record.table import read_table

WATCHED = "television.mp4"  # the copy of the reel that the package shows to a family


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneLink:
    """A scene of the film: what it is called, when it begins, its picture, and the place in the film as a link."""

    name: str
    begins: str
    picture: str  # "": none
    link: str


def start_html(papers: Papers) -> str:
    """The page: HTML without scripts, every link of which leads to a file of the same package."""
    film = f"{WATCH}/{film_file_name(papers.reel.number, papers.reel.box_words)}"
    scenes = scene_links(papers, film)
    smooth = smooth_file_name(film)
    page = (
        page_environment()
        .get_template("start.html")
        .render(
            r=report_content(papers),
            film=quote(film),
            film_name=film,
            ordered=[
                (quote(copy.place), Path(copy.place).name, copy.words.what) for copy in ordered_copies(papers)
            ],
            smooth=quote(smooth) if (papers.folder / SMOOTH.file).is_file() else "",
            scenes=scenes,
            kept=kept_words(papers),
            later=later_words(papers),
            poster=next((scene.picture for scene in scenes if scene.picture), ""),
            printed=(papers.folder / "report.pdf").is_file(),
        )
    )
    return str(page)


def scene_links(papers: Papers, film: str) -> tuple[SceneLink, ...]:
    """The scenes with the time at which each begins in the film that a family watches, as its table of frames has it."""
    shown = papers.folder / "copies.parquet"
    copy = (
        next((each for each in papers.summary.copies if each.file == WATCHED), None)
        if papers.summary
        else None
    )
    if papers.rendered is None or copy is None or not shown.is_file():
        return ()
    table = read_table(shown, COPY_COLUMNS, "copies")
    finished = table["finished_frame"][table["copy"] == WATCHED]
    scene = papers.rendered["scene"][finished]
    pictures = {still.scene: still.path.name for still in still_places(papers.folder)}
    links = []
    for first in np.flatnonzero(np.r_[True, scene[1:] != scene[:-1]]).tolist():
        number = int(scene[first]) + 1
        name = pictures.get(number, "")
        links.append(
            SceneLink(
                name=papers.scene_title(number),
                begins=running_time_text(first, copy.rate),
                picture=quote(f"{PICTURES}/{name}") if name else "",
                link=f"{quote(film)}#t={float(first / copy.rate):.1f}",
            )
        )
    return tuple(links)


def write_start_page(folder: Path) -> None:
    """Write `start-here.html` in a reel's folder."""
    write_text(folder / "start-here.html", start_html(read_papers(folder)))

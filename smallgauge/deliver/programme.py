"""The page and the package of a programme: what is in it, what is not and by whose word, and how it was proved.

deliver_programme   folder, paper, proof -> `start-here.html`, and `package/` with its list of digests
"""

from pathlib import Path
from urllib.parse import quote

from smallgauge import __version__
from smallgauge.deliver.film_names import LATER, WATCH, film_file_name
from smallgauge.deliver.package import PACKAGE
from smallgauge.deliver.programme_words import (
    left_out_words,
    level_words,
    rate_words,
    story_words,
    trim_words,
)
from smallgauge.deliver.report import page_environment
from smallgauge.deliver.swap import building, fill
from smallgauge.deliver.words import check_sentence, client_sentence
from smallgauge.gauge.rates import running_time_text
from smallgauge.media.whole import write_whole_bytes
from smallgauge.record.files import write_text
from smallgauge.record.finding import Proof
from smallgauge.record.package import PackageList, PackagePart, sums_text
from smallgauge.record.programme import FILM, PAPER, TABLE, WISHES, ProgrammePaper
from smallgauge.record.work import Progress

PAGE = "start-here.html"


def deliver_programme(folder: Path, paper: ProgrammePaper, proof: Proof, progress: Progress) -> PackageList:
    """Write the page and make the package anew; the one before stands until the new one is whole."""
    film = f"{WATCH}/{film_file_name(paper.title, '')}"
    write_text(folder / PAGE, programme_html(paper, proof, film))
    parts = (
        PackagePart(place="Start here.html", of=PAGE),
        PackagePart(place=film, of=FILM),
        *(PackagePart(place=f"{LATER}/{name}", of=name) for name in (PAPER, TABLE, WISHES, "proof.json")),
    )
    listed = PackageList(reel=paper.title, parts=tuple(sorted(parts, key=lambda part: part.place)))
    proved = {file.name: file.sha256 for file in proof.files}
    with building(folder, PACKAGE, listed) as part:
        sums = fill(folder, part, listed.parts, proved, progress)
        write_whole_bytes(part / listed.manifest, sums_text(sums, listed.manifest).encode())
    return listed


def programme_html(paper: ProgrammePaper, proof: Proof, film: str) -> str:
    """The page: HTML without scripts; every link leads to a file of the same package."""
    reels = [
        {
            "title": reel.title,
            "number": reel.number,
            "begins": running_time_text(reel.shown_first, paper.rate),
            "lines": (
                rate_words(reel, paper),
                level_words(reel, paper),
                *(trim_words(trim).capitalize() + "." for trim in reel.trims),
            ),
        }
        for reel in paper.reels
    ]
    chapters = [
        {
            "title": title,
            "begins": running_time_text(first, paper.rate),
            "link": f"{quote(film)}#t={float(first / paper.rate):.1f}",
        }
        for first, _, title in paper.chapters
    ]
    told = [client_sentence(finding) for finding in proof.findings]
    return str(
        page_environment()
        .get_template("programme.html")
        .render(
            p=paper,
            program=f"smallgauge {__version__}",
            story=story_words(paper),
            length=running_time_text(paper.frames, paper.rate),
            film=quote(film),
            film_name=film,
            reels=reels,
            chapters=chapters,
            left_out=[left_out_words(reel) for reel in paper.left_out],
            cards=[each.card for each in paper.cards],
            told=[text for text in dict.fromkeys(told) if text],
            checks=[check_sentence(check) for check in proof.checks],
            good=proof.good,
        )
    )

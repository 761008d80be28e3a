"""The report of a reel: a page that any browser shows, and a PDF that prints, from the papers alone.

build_report   reel folder -> report.html, one file with everything in it
build_pdf      reel folder -> report.pdf, the family's part and the checks

Both are functions of the papers: the same papers give the same bytes, on whatever day they are made. The
page loads nothing from anywhere; pictures are inside it, reduced. The PDF is set with the fonts that come
with the typesetter, and with no others.
"""

import base64
from dataclasses import asdict
from pathlib import Path
from typing import Any

from smallgauge.deliver.content import ReportContent, report_content
from smallgauge.deliver.papers import read_papers
from smallgauge.deliver.pictures import reduced_jpeg
from smallgauge.deliver.typeset import typeset
from smallgauge.media.whole import write_whole_bytes

TEMPLATES = Path(__file__).parent / "templates"
STILL_WIDTH = (
    480  # of a picture inside the report, pixels: sharp at a third of A4; common practice, no source
)
STILL_QUALITY = 82  # JPEG; common practice, no source


def build_report(folder: Path) -> None:
    """Write `report.html` in a reel folder.

    Parameters
    ----------
    folder : Path
        The reel folder. `capture.json` and `reel.json` must be there; whatever else is not there yet is
        said in the report.

    Raises
    ------
    MaterialError
        Where a paper is missing or not whole.
    """
    folder = Path(folder)
    write_whole_bytes(folder / "report.html", report_html(report_content(read_papers(folder))).encode())


def page_environment() -> Any:
    """The templates of all pages: text is escaped, and a name that is not there is a mistake."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(TEMPLATES, encoding="utf-8"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def report_html(content: ReportContent) -> str:
    """The page of a report's content."""
    pictures = [
        {**_inside(still.path), "caption": still.caption, "alt": still.alt} for still in content.stills
    ]
    pairs = [
        {
            "caption": pair.caption,
            "before": {**_inside(pair.before), "alt": pair.alt_before},
            "after": {**_inside(pair.after), "alt": pair.alt_after},
        }
        for pair in content.pairs
    ]
    return str(
        page_environment().get_template("report.html").render(r=content, pictures=pictures, pairs=pairs)
    )


def _inside(path: Path) -> dict[str, object]:
    """A picture as the page holds it, with its size."""
    jpeg, width, height = reduced_jpeg(path, width=STILL_WIDTH, quality=STILL_QUALITY)
    data = "data:image/jpeg;base64," + base64.b64encode(jpeg).decode("ascii")
    return {"data": data, "width": width, "height": height}


def build_pdf(folder: Path) -> None:
    """Write `report.pdf` in a reel folder: the family's part and the checks, tagged, as PDF/A-2a.

    Raises
    ------
    MaterialError
        Where a paper is missing or not whole.
    """
    folder = Path(folder)
    write_whole_bytes(folder / "report.pdf", report_pdf(report_content(read_papers(folder))))


def report_pdf(content: ReportContent) -> bytes:
    """The PDF of a report's content; its only date is that of the latest decision."""
    plain = asdict(content)
    del plain["plots"], plain["colour_plots"]
    for still in plain["stills"]:
        jpeg, _, _ = reduced_jpeg(still["path"], width=STILL_WIDTH, quality=STILL_QUALITY)
        still["path"] = list(jpeg)  # the typesetter takes bytes as numbers
    for pair in plain["pairs"]:
        for which in ("before", "after"):
            pair[which] = list(reduced_jpeg(pair[which], width=STILL_WIDTH, quality=STILL_QUALITY)[0])
    return typeset(TEMPLATES / "report.typ", plain, archival=bool(content.decided_on))  # PDF/A needs a date

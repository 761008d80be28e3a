"""The pictures of queue, agreed and release for the guide, of an invented shop: `python tools/make_office_pictures.py`."""

import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT / "tests" / "workbench"), str(ROOT / "tests" / "office")]

from served import browser, chromium, page_of, serve  # noqa: E402
from shop import AT, open_shop, parcel, write_film  # noqa: E402

from smallgauge import cli  # noqa: E402
from smallgauge.office import ledger, queue  # noqa: E402

PICTURES = ROOT / "docs" / "pictures"
NUMBER, CAPTURE = "0000013-R01-3", "garden"
TARIFF = """
currency = "florin"
unit = "0.05"
scan_rate = 12
megabytes_per_frame = "9.5"
[price.standard-8]
per_reel = "6.00"
per_foot = "0.22"
[extra.repair]
each = "1.50"
words = "splice made again"
[extra.cleaning]
per_foot = "0.04"
[extra.rush]
percent = "25"
"""


def fill(shelf: Path, films: Path) -> None:
    """One order whose first reel is done, and three captures that wait for the night."""
    film = write_film(films / CAPTURE, 12)
    paper = film / "capture.toml"
    paper.write_text(f'{paper.read_text()}reel = "{NUMBER}"\n')
    cli.main(["finish", str(film), "--out", str(shelf), "--quiet"])
    (shelf / "tariff.toml").write_text(TARIFF)
    with open_shop(shelf) as book:
        order = parcel(book, reels=3)
        asked = {"at": AT, "by": "mk", "order": order}
        for words in ("garden 1968", "lake, summer", "the big parade"):
            ledger.take_in(
                book,
                **asked,
                gauge="standard 8",
                box_words=words,
                forbids="nothing",
                decides="Wim Oster",
                feet="50",
            )
        ledger.note_consent(
            book, **asked, to="six more splices", given_by="Wim Oster", how="by telephone", read_back_by="mk"
        )
        ledger.note_extra(book, **asked, what="rush", number=1)
        ledger.note_extra(book, **asked, what="repair", number=6, reel="0000013-R02-1", consent=1)
        ledger.hand_back(book, **asked, reels=[NUMBER], counts={}, to="Wim Oster", part=True)
        for name in ("0000013-R02-1", "0000013-R03-7", "0000021-R01-8"):
            queue.add_job(book, at=AT, by="mk", shelf=str(shelf.resolve()), reel=name, capture=str(film))


def take_pictures(shelf: Path) -> None:
    """Each page as it stands."""
    with serve(shelf) as served, browser() as started, page_of(started, served, height=700) as page:
        page.goto(f"{served.origin}/queue")
        page.fill("#by", "mk")
        page.click("button[aria-label='first: job 3']")
        page.wait_for_selector("#told:has-text('comes earlier')")
        page.screenshot(path=PICTURES / "queue.jpg", type="jpeg", quality=82, full_page=True)
        page.goto(f"{served.origin}/release")
        page.wait_for_selector("[data-may=true]")
        page.click("summary")
        page.screenshot(path=PICTURES / "release.jpg", type="jpeg", quality=82, full_page=True)
        page.goto(f"{served.origin}/counter")
        page.click("button:has-text('0000013')")
        page.click("#agreed summary")
        page.wait_for_selector("table.money")
        page.screenshot(path=PICTURES / "agreed.jpg", type="jpeg", quality=82, full_page=True)


def main() -> int:
    """Take the pictures."""
    if chromium() is None:
        print("There is no chromium on this system, so no picture was made.")
        return 1
    with tempfile.TemporaryDirectory() as place:
        shelf, films = Path(place) / "shelf", Path(place) / "films"
        shelf.mkdir()
        films.mkdir()
        fill(shelf, films)
        take_pictures(shelf)
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""The picture of the counter for docs/guide/intake.md, of an invented shop: `python tools/make_counter_picture.py`."""

import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "workbench"))

from served import browser, chromium, page_of, serve  # noqa: E402

PICTURE = ROOT / "docs" / "pictures" / "counter.jpg"
SHOP = """
[holds]
lifter = "Jo Bell"
[transports.gentle]
gauges = ["super-8", "16mm"]
most_shrinkage = "2.0"
brittle = false
"""
WORDS = ("garden 1968", "lake, summer", "the big parade")


def take_picture(shelf: Path) -> None:
    """One order of four reels on the counter; the last one taken in was looked at."""
    (shelf / "shop.toml").write_text(SHOP)
    with serve(shelf) as served, browser() as started, page_of(started, served, height=1100) as page:
        page.goto(f"{served.origin}/counter")
        page.fill("#by", "mk")
        page.click("summary")
        for name, words in (
            ("client", "Wim Oster"),
            ("reach", "by post"),
            ("delete_on", "2027-03-02"),
            ("reels", "4"),
            ("boxes", "1"),
            ("notes", "2"),
            ("signed_by", "Wim Oster"),
        ):
            page.fill(f"#parcel [name={name}]", words)
        page.keyboard.press("Enter")
        page.select_option("#gauge", "super-8")
        for at, words in enumerate(WORDS):
            page.fill("#box-words", words)
            page.keyboard.press("Enter")
            page.wait_for_selector(f".order .reels li >> nth={at}")
        page.fill("#scan", "SG0000013-R03-7")
        page.keyboard.press("Enter")
        page.wait_for_selector("#reel")
        for subject, words in (("mould", "dry, at the head"), ("shrinkage", "0.7..0.9")):
            page.select_option("#reel [name=subject]", subject)
            page.fill("#reel [data-what=condition] [name=words]", words)
            page.keyboard.press("Enter")
            page.wait_for_selector(f"#reel dt:has-text('{subject}')")
        page.screenshot(path=PICTURE, type="jpeg", quality=82, full_page=True)


def main() -> int:
    """Take the picture."""
    if chromium() is None:
        print("There is no chromium on this system, so no picture was made.")
        return 1
    with tempfile.TemporaryDirectory() as place:
        take_picture(Path(place))
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""The contact sheet: one photograph from each scene, with the number and the time at which it comes.

write_contact_sheet   reel folder -> stills/contact-sheet.jpg
"""

from fractions import Fraction
from pathlib import Path

import numpy as np

from smallgauge.deliver.papers import Papers, StillPlace, read_papers, still_places
from smallgauge.deliver.pictures import Picture, jpeg_of, read_picture, reduced
from smallgauge.gauge.rates import running_time_text
from smallgauge.media.photograph_out import with_srgb_profile
from smallgauge.media.whole import write_whole_bytes

# The look of the sheet: common practice, no source. Neutral grey around pictures, so that colour is judged fairly.
_CELL_WIDTH = 380
_GAP = 24
_CAPTION = 40
_HEAD = 92
_GROUND, _INK = 236, 30
_QUALITY = 90


def write_contact_sheet(folder: Path) -> None:
    """Write `stills/contact-sheet.jpg` from the stills of a reel folder; without stills nothing is written.

    Raises
    ------
    MaterialError
        Where a paper or a still is not whole.
    """
    papers = read_papers(Path(folder))
    places = still_places(papers.folder)
    if places:
        sheet = contact_sheet(papers, places)
        write_whole_bytes(
            papers.folder / "stills" / "contact-sheet.jpg",
            with_srgb_profile(jpeg_of(sheet, quality=_QUALITY)),
        )


def contact_sheet(papers: Papers, places: tuple[StillPlace, ...]) -> Picture:
    """The sheet as a picture: rows of photographs on neutral grey, the reel's number at its head."""
    columns = 2 if len(places) <= 4 else 3 if len(places) <= 12 else 4
    cells = [reduced(read_picture(place.path), width=_CELL_WIDTH) for place in places]
    tallest = max(cell.shape[0] for cell in cells)
    rows = -(-len(cells) // columns)
    width = _GAP + columns * (_CELL_WIDTH + _GAP)
    height = _HEAD + rows * (tallest + _CAPTION + _GAP)
    sheet = np.full((height, width, 3), _GROUND, np.uint8)
    _print(sheet, f"Reel {papers.reel.number}", x=_GAP, y=44, size=0.9)
    said = _ascii(papers.reel.box_words)
    if said:
        _print(sheet, said, x=_GAP, y=70, size=0.55)
    for number, (place, cell) in enumerate(zip(places, cells)):
        row, column = divmod(number, columns)
        x = _GAP + column * (_CELL_WIDTH + _GAP)
        y = _HEAD + row * (tallest + _CAPTION + _GAP)
        sheet[y : y + cell.shape[0], x : x + cell.shape[1]] = cell
        _print(sheet, _caption(place, papers.rate), x=x, y=y + tallest + 24, size=0.55)
    return sheet


def _caption(place: StillPlace, rate: Fraction | None) -> str:
    at = f"   {running_time_text(place.finished_frame, rate)}" if rate else ""
    return f"{place.scene}   frame {place.finished_frame}{at}"


def _ascii(text: str) -> str:
    """The words on the box as far as the drawn letters go; "" where they would be unreadable."""
    words = " ".join(text.split())
    return words if words.isascii() else ""


def _print(sheet: Picture, text: str, *, x: int, y: int, size: float) -> None:
    import cv2

    ink = (_INK, _INK, _INK)
    cv2.putText(sheet, text, (x, y), cv2.FONT_HERSHEY_DUPLEX, size, ink, 1, cv2.LINE_AA)

"""The sheet of photographs: all that were asked for, small, with their captions and file names, as a PDF.

write_still_sheet   reel folder, its stills.json -> stills/photographs.pdf
"""

from pathlib import Path

from smallgauge.deliver.pictures import reduced_jpeg
from smallgauge.deliver.still_words import still_caption
from smallgauge.deliver.typeset import typeset
from smallgauge.media.whole import write_whole_bytes
from smallgauge.record.keptstills import FUSED_JPEG, SHEET, KeptStills

TEMPLATE = Path(__file__).parent / "templates" / "stills.typ"
WIDTH, QUALITY = 720, 88  # of a picture on the sheet: sharp at half of A4; common practice, no source


def write_still_sheet(folder: Path, paper: KeptStills) -> None:
    """Write the sheet of a reel's photographs; where there is none left the sheet is taken away."""
    if not paper.stills:
        (folder / SHEET).unlink(missing_ok=True)
        return
    write_whole_bytes(folder / SHEET, still_sheet(folder, paper))


def still_sheet(folder: Path, paper: KeptStills) -> bytes:
    """The sheet as a PDF; its only date is that of the latest photograph."""
    cells = []
    for still in paper.stills:
        jpeg, _, _ = reduced_jpeg(folder / f"{still.name}{FUSED_JPEG}", width=WIDTH, quality=QUALITY)
        cells.append(
            {
                "picture": list(jpeg),  # the typesetter takes bytes as numbers
                "caption": still_caption(still),
                "place": f"scene {still.scene}, film frame {still.film_position}",
                "file": Path(still.name).name,
                "alt": f"A photograph from scene {still.scene} of the film",
            }
        )
    day = max(still.at for still in paper.stills)[:10]
    content = {"reel": paper.reel, "day": [int(part) for part in day.split("-")], "stills": cells}
    return typeset(TEMPLATE, content)

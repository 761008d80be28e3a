"""An invented shop that the tests of the office share."""

from smallgauge.media.specimen_out import write_capture_frame
from smallgauge.office.book import Book
from smallgauge.office.ledger import new_order, take_in
from smallgauge.office.place import book_place
from smallgauge.picture.synthetic import draw_frame, specimen_truth

AT = "2026-03-02T09:00:00Z"


def open_shop(folder):
    """A new book."""
    return Book(book_place(folder), make=True)


def parcel(book, *, reels=2, boxes=1, client="Wim Oster", **changes):
    """One order that came in."""
    counts = {"reels": reels, "boxes": boxes}
    asked = {
        "client": client,
        "reach": "by post",
        "delete_on": "2027-03-02",
        "signed_by": client,
        "counts": counts,
    }
    return new_order(book, at=AT, by="mk", **(asked | changes))


def reel(book, order, **changes):
    """One reel of it, taken in."""
    asked = {"gauge": "Super 8", "box_words": "garden", "forbids": "nothing", "decides": "Wim Oster"}
    return take_in(book, at=AT, by="mk", order=order, **(asked | changes))


def write_film(folder, frames):
    """A small capture of standard 8."""
    truth = specimen_truth("standard 8", width=384, height=288, frames=frames, fast_noise=True)
    folder.mkdir()
    for number in range(frames):
        samples = draw_frame(truth, number).samples
        write_capture_frame(folder / f"frame_{number:06d}.png", samples, bits=truth.bits)
    (folder / "capture.toml").write_text('code_values = "linear"\ngauge = "standard 8"\n')
    return folder

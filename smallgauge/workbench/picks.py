"""Grey and skin pointed at in the picture: what the film's density there would make of the colour, before it is recorded.

pick_addresses   the twin that reads a spot and tells what it would change
pick_paper       a spot of the drawn picture, joined to those pointed at before

A pick is the place that decisions on fading and inversion know already; it is recorded as one of those.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from starlette.requests import Request

from smallgauge.deliver.words import subject_words, value_words
from smallgauge.errors import CallerError
from smallgauge.record.decided_colour import places_in
from smallgauge.render.pick import Place
from smallgauge.workbench.addresses import TEXT, Address, Asked, number
from smallgauge.workbench.decide import Asked as Field
from smallgauge.workbench.decide import drafted, value_at
from smallgauge.workbench.looks import LOOKS

if TYPE_CHECKING:
    from smallgauge.record.notes import CaptureNotes
    from smallgauge.workbench.app import Bench
    from smallgauge.workbench.opened import OpenReel

GREY, SKIN = "grey", "skin"


def pick_addresses(bench: Bench) -> tuple[Address, ...]:
    """What a spot of the drawn picture would change, said to be grey or skin."""
    return (
        Address(
            path="/api/reel/{reel}/pick/{row:int}",
            says="What a spot of the drawn picture that somebody says is grey, or skin, would change, from the capture.",
            answer=bench.twin(lambda request: _picked(bench, request)),
            asks=(
                Asked(name="x", says="pixel across; 0 unless said"),
                Asked(name="y", says="pixel along; 0 unless said"),
                Asked(
                    name="look",
                    says="which look the pixels are of; the capture unless said",
                    schema={"type": "string", "enum": ["", "capture", *LOOKS]},
                ),
                Asked(
                    name="kind",
                    says="what the spot is; grey unless said",
                    schema={"type": "string", "enum": [GREY, SKIN]},
                ),
                Asked(
                    name="earlier", says="the text of spots pointed at before; none unless said", schema=TEXT
                ),
            ),
            gives={
                "row": "integer",
                "subject": "string",
                "text": "string",
                "place": "string",
                "density": "array",
                "now": "string",
                "then": "string",
            },
        ),
    )


def pick_paper(
    reel: OpenReel, row: int, x: float, y: float, *, look: str, kind: str, earlier: str
) -> dict[str, Any]:
    """A spot of the drawn picture; `x` and `y` are pixels of the capture, or of the finished frame where `look` shows that."""
    subject, word = _subject(reel.capture.notes, kind)
    place = _place(reel, row, x, y, look)
    _refuse_other_length(reel, place, earlier)
    density = reel.density(place)
    text = _joined(earlier, word, str(place))
    tried = drafted(reel, Field(subject=subject, text=text, row=row))
    now = value_at(reel, subject, row)
    return {
        "row": row,
        "kind": kind,
        "subject": subject,
        "title": subject_words(subject).capitalize(),
        "text": text,
        "spots": len(places_in(text)),
        "place": str(place),
        "density": list(density),
        "now": value_words(subject, now) if now is not None else "nothing is done",
        "then": value_words(subject, tried.value),
    }


def _subject(notes: CaptureNotes, kind: str) -> tuple[str, str]:
    """The decision that a pick becomes, and the word for it there."""
    if notes.is_black_and_white:
        raise CallerError(
            "This is black-and-white film: what is grey or skin in it tells nothing of its colour."
        )
    if not notes.is_negative:
        return "fading", kind
    if kind == SKIN:
        raise CallerError(
            "A negative is printed by what was grey; skin is not known well enough. Point at something grey."
        )
    return "inversion", "greys"


def _place(reel: OpenReel, row: int, x: float, y: float, look: str) -> Place:
    """The place of the finished picture that a pixel shows."""
    plan, shown = reel.plan()
    if reel.check_row(row) not in shown:
        raise CallerError(f"Frame {row} is not in the finished film; point at a frame that is.")
    frame = plan.frames[shown[row]]
    if look not in LOOKS:
        move = frame.move
        whole = move.a * move.e - move.b * move.d
        across, along = x - move.c, y - move.f
        x, y = (move.e * across - move.b * along) / whole, (move.a * along - move.d * across) / whole
    share_x, share_y = round(x / (plan.width - 1), 5), round(y / (plan.height - 1), 5)
    if not (0.0 <= share_x <= 1.0 and 0.0 <= share_y <= 1.0):
        raise CallerError("That spot lies outside the finished picture; point at something that is shown.")
    return Place(position=frame.film_position, x=share_x, y=share_y)


def _refuse_other_length(reel: OpenReel, place: Place, earlier: str) -> None:
    lengths = reel.decided().lengths
    for written, position, _, _ in places_in(earlier):
        if any((position in each) != (place.position in each) for each in lengths):
            raise CallerError(
                f"{written} lies on another length of stock, and fading is decided for one; record that pick first, or forget it."
            )


def _joined(earlier: str, word: str, place: str) -> str:
    """The words of all spots, each kind once.

    Examples
    --------
    >>> _joined("grey 1@0.5,0.5 skin 2@0.1,0.1", "grey", "3@0.2,0.2")
    'grey 1@0.5,0.5 3@0.2,0.2 skin 2@0.1,0.1'
    """
    found: dict[str, list[str]] = {}
    kind = word
    for part in earlier.split():
        if places_in(part):
            found.setdefault(kind, []).append(part)
        elif part in (GREY, SKIN, "greys"):
            kind = part
        else:
            raise CallerError(f"Earlier spots are words such as 'grey 120@0.42,0.61', found '{part[:40]}'.")
    found.setdefault(word, []).append(place)
    return " ".join(f"{kind} {' '.join(places)}" for kind, places in found.items())


def _picked(bench: Bench, request: Request) -> dict[str, Any]:
    asked = request.query_params
    return pick_paper(
        bench.reel(request),
        int(request.path_params["row"]),
        number(request, "x", 0),
        number(request, "y", 0),
        look=asked.get("look", ""),
        kind=asked.get("kind", GREY),
        earlier=asked.get("earlier", ""),
    )

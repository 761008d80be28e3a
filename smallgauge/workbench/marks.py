"""Still marks at the bench: the drawn frame is marked to be kept as a still, or its mark is taken off."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from starlette.requests import Request

from smallgauge.errors import CallerError
from smallgauge.lock import ReelLock
from smallgauge.record.files import write_json
from smallgauge.record.marks import MARKS, StillMark, read_marks, with_mark, without_mark
from smallgauge.workbench.addresses import TEXT, WHOLE, YES_NO, Address, change
from smallgauge.workbench.decide import check_stamp
from smallgauge.workbench.papers import file_of

if TYPE_CHECKING:
    from smallgauge.workbench.app import Bench
    from smallgauge.workbench.opened import OpenReel

MOST_WORDS = 500  # characters beside a mark


def mark_addresses(bench: Bench) -> tuple[Address, ...]:
    """The marks of a reel, and setting or taking off one."""
    gives = {"marks": "array"}
    return (
        Address(
            path="/api/reel/{reel}/marks",
            says="The frames that are marked to be kept as stills, in film order.",
            answer=bench.twin(lambda request: marks_paper(bench.reel(request))),
            gives=gives,
        ),
        Address(
            path="/api/reel/{reel}/mark",
            says="Mark the drawn frame to be kept as a still, or take its mark off; refused where the drawn picture was another.",
            answer=bench.twin(lambda request: _marked(bench, request)),
            takes=change(
                ("row", "stamp", "by", "keep"), row=WHOLE, stamp=TEXT, by=TEXT, keep=YES_NO, words=TEXT
            ),
            gives=gives,
        ),
    )


def marks_paper(reel: OpenReel) -> dict[str, Any]:
    """The marks with the row and the scanner's own file name of each; row null where the reel no longer shows the frame."""
    told = []
    for mark in read_marks(reel.folder):
        row = reel.row_of(mark.capture, mark.frame)
        told.append(
            {
                "row": row,
                "file": file_of(reel, row) if row is not None else "",
                "film_position": mark.film_position,
                "by": mark.by,
                "at": mark.at,
                "words": mark.words,
            }
        )
    return {"marks": told}


def _marked(bench: Bench, request: Request) -> dict[str, Any]:
    reel, body = bench.reel(request), request.state.body
    row, by, words = reel.check_row(body["row"]), body["by"].strip(), " ".join(body.get("words", "").split())
    check_stamp(reel, row, body["stamp"])
    if not by:
        raise CallerError("A mark needs the initials of who sets it; write them in the field 'Who decides'.")
    if len(words) > MOST_WORDS:
        raise CallerError(f"Words beside a mark are at most {MOST_WORDS} characters, found {len(words)}.")
    capture, frame = int(reel.frames["capture"][row]), int(reel.frames["frame"][row])
    position = int(reel.decided().running["film_position"][row])
    with ReelLock(reel.folder):
        marks = read_marks(reel.folder)
        if body["keep"]:
            mark = StillMark(
                film_position=position, frame=frame, capture=capture, by=by, at=bench.now(), words=words
            )
            marks = with_mark(marks, mark)
        else:
            marks = without_mark(marks, capture=capture, frame=frame)
        write_json(reel.folder / MARKS, marks)
    return marks_paper(reel)

"""Notes on frames at the bench: written on the drawn frame, ticked for the family or not, taken away by who wrote them."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from starlette.requests import Request

from smallgauge.deliver.phrases import moment_words
from smallgauge.lock import ReelLock
from smallgauge.record.files import write_json
from smallgauge.record.framenotes import (
    FRAME_NOTES,
    FrameNote,
    FrameNotes,
    for_family,
    read_frame_notes,
    with_note,
    without_note,
)
from smallgauge.workbench.addresses import TEXT, WHOLE, YES_NO, Address, change
from smallgauge.workbench.decide import check_stamp
from smallgauge.workbench.papers import file_of

if TYPE_CHECKING:
    from smallgauge.workbench.app import Bench
    from smallgauge.workbench.opened import OpenReel


def note_addresses(bench: Bench) -> tuple[Address, ...]:
    """The notes of a reel; writing, ticking and taking away one."""
    gives = {"notes": "array"}
    return (
        Address(
            path="/api/reel/{reel}/notes",
            says="What was noted of single frames, in film order.",
            answer=bench.twin(lambda request: notes_paper(bench.reel(request))),
            gives=gives,
        ),
        Address(
            path="/api/reel/{reel}/note",
            says="Note something of the drawn frame; refused where the drawn picture was another.",
            answer=bench.twin(lambda request: _noted(bench, request)),
            takes=change(
                ("row", "stamp", "by", "words"), row=WHOLE, stamp=TEXT, by=TEXT, words=TEXT, family=YES_NO
            ),
            gives=gives,
        ),
        Address(
            path="/api/reel/{reel}/note-family",
            says="Tick a note of one's own for the family's report, or take the tick off.",
            answer=bench.twin(lambda request: _ticked(bench, request)),
            takes=change(("number", "by", "family"), number=WHOLE, by=TEXT, family=YES_NO),
            gives=gives,
        ),
        Address(
            path="/api/reel/{reel}/note-away",
            says="Take away a note of one's own.",
            answer=bench.twin(lambda request: _taken_away(bench, request)),
            takes=change(("number", "by"), number=WHOLE, by=TEXT),
            gives=gives,
        ),
    )


def notes_paper(reel: OpenReel) -> dict[str, Any]:
    """The notes, each with the row that shows its frame; null where the reel no longer does."""
    told = []
    for note in read_frame_notes(reel.folder).notes:
        row = reel.row_of(note.capture, note.frame)
        told.append(
            {
                "number": note.number,
                "row": row,
                "file": file_of(reel, row) if row is not None else "",
                "film_position": note.film_position,
                "by": note.by,
                "when": moment_words(note.at),
                "words": note.words,
                "family": note.family,
            }
        )
    return {"notes": told}


def _changed(reel: OpenReel, to: Callable[[FrameNotes], FrameNotes]) -> dict[str, Any]:
    with ReelLock(reel.folder):
        write_json(reel.folder / FRAME_NOTES, to(read_frame_notes(reel.folder)))
    return notes_paper(reel)


def _noted(bench: Bench, request: Request) -> dict[str, Any]:
    reel, body = bench.reel(request), request.state.body
    row = reel.check_row(body["row"])
    check_stamp(reel, row, body["stamp"])
    note = FrameNote(
        number=0,
        film_position=int(reel.decided().running["film_position"][row]),
        frame=int(reel.frames["frame"][row]),
        capture=int(reel.frames["capture"][row]),
        by=body["by"],
        at=bench.now(),
        words=body["words"],
        family=body.get("family", False),
    )
    return _changed(reel, lambda notes: with_note(notes, note))


def _ticked(bench: Bench, request: Request) -> dict[str, Any]:
    body = request.state.body
    return _changed(
        bench.reel(request),
        lambda notes: for_family(notes, body["number"], by=body["by"], family=body["family"]),
    )


def _taken_away(bench: Bench, request: Request) -> dict[str, Any]:
    body = request.state.body
    return _changed(bench.reel(request), lambda notes: without_note(notes, body["number"], by=body["by"]))

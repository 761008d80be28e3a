"""The value of one field for chosen scenes at the bench: all of them in one act, or none.

scene_addresses   the list to choose from, and recording
scenes_paper      every scene with what stands there now
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from starlette.requests import Request

from smallgauge.deliver.words import subject_words, value_words
from smallgauge.errors import CallerError
from smallgauge.line import store_decisions
from smallgauge.lock import ReelLock
from smallgauge.record.anchors import AnchorAsked, anchor_of
from smallgauge.record.files import read_decisions
from smallgauge.record.journal import Journal
from smallgauge.record.treatment import BY_SCENE, PROGRAM, Decision, Wish, decide_together
from smallgauge.workbench.addresses import TEXT, WHOLE, Address, change, or_nothing
from smallgauge.workbench.addresses import Asked as Word
from smallgauge.workbench.decide import (
    Asked,
    asked_value,
    check_revision,
    check_stamp,
    checked_by,
    checked_why,
    scene_at,
    scene_names,
    value_at,
)
from smallgauge.workbench.papers import scenes_of

if TYPE_CHECKING:
    from smallgauge.workbench.app import Bench
    from smallgauge.workbench.opened import OpenReel

SHARED = tuple(each for each in BY_SCENE if each != "scene_name")  # a name is that of one scene
MOST_SCENES = 1000


def scene_addresses(bench: Bench) -> tuple[Address, ...]:
    """The scenes that a value can be used for, and recording it for the chosen ones."""
    reel = "/api/reel/{reel}"
    subject = {"type": "string", "enum": list(SHARED)}
    return (
        Address(
            path=f"{reel}/scenes/{{row:int}}",
            says="Every scene, with what stands there on one subject, to choose those that a drawn scene's value is used for.",
            answer=bench.twin(lambda request: _listed(bench, request)),
            asks=(Word(name="subject", says="what is decided; primary unless said", schema=subject),),
            gives={
                "row": "integer",
                "revision": "integer",
                "subject": "string",
                "value": "string or null",
                "scenes": "array",
            },
        ),
        Address(
            path=f"{reel}/decide-scenes",
            says="Record a value for chosen scenes in one act, all or nothing: the text's, or the drawn scene's without one.",
            answer=bench.twin(lambda request: _recorded(bench, request)),
            takes=change(
                ("subject", "scenes", "row", "stamp", "revision", "by", "why"),
                subject=subject,
                text=or_nothing(TEXT),
                scenes={"type": "array", "items": WHOLE, "maxItems": MOST_SCENES},
                row=WHOLE,
                stamp=TEXT,
                revision=WHOLE,
                by=TEXT,
                why=TEXT,
            ),
            gives={"revision": "integer", "scenes": "integer"},
        ),
    )


def scenes_paper(reel: OpenReel, row: int, subject: str) -> dict[str, Any]:
    """The scenes in the order of the rows; a scene is named by the film position of its first row."""
    decided, names = reel.decided(), scene_names(reel)
    here = int(decided.running["scene"][reel.check_row(row)])
    position = int(decided.running["film_position"][row])
    length = next((each for each in decided.lengths if position in each), None)
    value = value_at(reel, subject, row)
    stands = _stands(reel, subject)
    told = []
    for scene in scenes_of(decided.running):
        mine = stands(scene["scene"], scene["film_position"])
        told.append(
            {
                **scene,
                "name": names.get(str(scene["scene"]), ""),
                "here": scene["scene"] == here,
                "same_length": length is None or scene["film_position"] in length,
                "value": value_words(subject, mine.value) if mine is not None else "as measured",
                "who": mine.by if mine is not None else "",
            }
        )
    return {
        "row": row,
        "revision": decided.treatment.revision,
        "subject": subject,
        "value": value_words(subject, value) if value is not None else None,
        "scenes": told,
    }


def _stands(reel: OpenReel, subject: str) -> Callable[[int, int], Decision | None]:
    """What says which operator's decision holds for a scene, by its number and a film position in it: the nearest anchor's."""
    decided = reel.decided()
    mine = [
        each.decision
        for each in decided.treatment.in_force
        if each.decision.subject == subject and each.decision.by != PROGRAM
    ]
    own = {scene_at(decided.running, int(d.anchor[6:])): d for d in mine if d.anchor.startswith("scene@")}
    lengths = [
        (each, d)
        for d in mine
        if d.anchor.startswith("length@")
        for each in decided.lengths
        if int(d.anchor[7:]) in each
    ]
    whole = next((d for d in mine if d.anchor == "reel"), None)

    def stands(scene: int, position: int) -> Decision | None:
        held = next((d for length, d in lengths if position in length), whole)
        return own.get(scene, held)

    return stands


def _listed(bench: Bench, request: Request) -> dict[str, Any]:
    row = int(request.path_params["row"])
    return scenes_paper(bench.reel(request), row, request.query_params.get("subject", SHARED[1]))


def _recorded(bench: Bench, request: Request) -> dict[str, Any]:
    """The value for every chosen scene, in one revision."""
    reel, body = bench.reel(request), request.state.body
    subject, row = body["subject"], body["row"]
    check_stamp(reel, row, body["stamp"])
    by, why = checked_by(body["by"]), checked_why(body["why"])
    check_revision(reel, body["revision"])
    text = body.get("text")
    value = (
        value_at(reel, subject, row)
        if text is None
        else asked_value(reel, Asked(subject=subject, text=text, row=row))
    )
    if value is None:
        raise CallerError(
            f"Nothing is decided on {subject_words(subject)} for the drawn scene that could be used for others."
        )
    places = _one_each(reel, body["scenes"])
    with ReelLock(reel.folder):
        before = read_decisions(reel.folder / "decisions.jsonl")
        silent = reel.capture.sound is None
        anchors = [
            anchor_of(AnchorAsked(scene=at), subject, silent=silent, frames=reel.frames, log=before)
            for at in places
        ]
        wishes = [Wish(subject=subject, anchor=anchor, value=value, why=why) for anchor in anchors]
        after = decide_together(before, wishes, by=by, at=bench.now(), revision_seen=body["revision"])
        treatment = store_decisions(reel.folder, Journal(reel.folder), before, after)
    return {"revision": treatment.revision, "scenes": len(after) - len(before)}


def _one_each(reel: OpenReel, positions: list[int]) -> list[int]:
    """One film position of each scene that is named; CallerError where there is none, or no such scene."""
    running = reel.decided().running
    found: dict[int, int] = {}
    for at in positions:
        scene = scene_at(running, at)
        if scene < 0:
            raise CallerError(f"No scene of this reel holds film position {at}; choose scenes from the list.")
        found.setdefault(scene, at)
    if not found:
        raise CallerError("No scene is chosen; tick those that the value is to be used for.")
    return list(found.values())

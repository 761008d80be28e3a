"""Undo and redo at the bench: what an operator would take back or put back next, and doing it.

back_addresses   the twin that tells it, and the change that does it
back_paper       both steps in words
"""

from __future__ import annotations

from collections.abc import Hashable
from typing import TYPE_CHECKING, Any

from starlette.requests import Request

from smallgauge.deliver.phrases import count_words, list_words, moment_words
from smallgauge.deliver.words import subject_words, value_words
from smallgauge.errors import CallerError
from smallgauge.line import store_decisions
from smallgauge.lock import ReelLock
from smallgauge.record.files import read_decisions
from smallgauge.record.journal import Journal
from smallgauge.record.treatment import Decision
from smallgauge.record.undo import Overtaken, PlaceOf, Step, redo_step, step_taken, undo_step
from smallgauge.workbench.addresses import TEXT, WHOLE, Address, Asked, change, operator_of
from smallgauge.workbench.decide import check_revision, checked_by, scene_at

if TYPE_CHECKING:
    from smallgauge.workbench.app import Bench
    from smallgauge.workbench.opened import OpenReel

UNDO, REDO = "undo", "redo"
STEPS = {UNDO: undo_step, REDO: redo_step}
MOST_TOLD = 5  # decisions of others in one sentence


def back_addresses(bench: Bench) -> tuple[Address, ...]:
    """What would be taken back, or put back, next; and doing it."""
    path, gives = "/api/reel/{reel}/back", {"revision": "integer", UNDO: "object", REDO: "object"}
    return (
        Address(
            path=path,
            says="What an operator would take back of their own decisions next, and what they would put back.",
            answer=bench.twin(lambda request: _told(bench, request)),
            asks=(Asked(name="by", says="the operator's initials", schema=TEXT),),
            gives=gives,
        ),
        Address(
            path=path,
            says="Take back the operator's own last decision, or put back what was taken back last; refused where somebody decided "
            "since the revision that was seen. A decision of somebody else stands.",
            answer=bench.twin(lambda request: _step_taken(bench, request)),
            takes=change(
                ("way", "by", "revision"),
                way={"type": "string", "enum": [UNDO, REDO]},
                by=TEXT,
                revision=WHOLE,
            ),
            gives={**gives, "said": "string"},
        ),
    )


def back_paper(reel: OpenReel, by: str) -> dict[str, Any]:
    """Both steps of an operator in words; "can" says whether there is one."""
    log, place_of = reel.decisions(), place_in(reel)
    steps = {way: find(log, by, place_of) for way, find in STEPS.items()} if by else {}
    return {
        "revision": reel.treatment().revision,
        **{way: _step_paper(reel, way, steps.get(way)) for way in STEPS},
    }


def place_in(reel: OpenReel) -> PlaceOf:
    """The place of a decision in this reel, whatever film position names its scene or length."""
    decided = reel.decided()

    def place_of(decision: Decision) -> Hashable:
        kind, _, at = decision.anchor.partition("@")
        if kind == "scene":
            scene = scene_at(decided.running, int(at))
            return decision.subject, kind, scene if scene >= 0 else decision.anchor
        if kind == "length":
            held = next((each.anchor for each in decided.lengths if int(at) in each), decision.anchor)
            return decision.subject, kind, held
        return decision.subject, decision.anchor

    return place_of


def _step_paper(reel: OpenReel, way: str, step: Step | None) -> dict[str, Any]:
    if step is None:
        return {"can": False, "words": "Write your initials first."}
    return {"can": bool(step.changes), "words": _next_words(reel, way, step)}


def _next_words(reel: OpenReel, way: str, step: Step) -> str:
    """What a step would do, and whose decisions stand in its way."""
    verb = "taken back" if way == UNDO else "put back"
    if not step.changes:
        return f"Nothing of yours is left to be {verb}." + _stand_words(reel, step.overtaken)
    first = step.changes[0]
    where = _where(reel, first.place)
    if len(step.changes) > 1:
        where = f"{count_words(len(step.changes), 'scene')}, {where} first"
    then = "as measured" if first.then is None or first.then.value is None else _value(first.then)
    now = "as measured" if first.now is None or first.now.value is None else _value(first.now)
    return (
        f"{subject_words(first.place.subject).capitalize()} for {where}: {now}, then {then}."
        + _stand_words(reel, step.overtaken)
    )


def _value(decision: Decision) -> str:
    return value_words(decision.subject, decision.value)


def _stand_words(reel: OpenReel, overtaken: tuple[Overtaken, ...]) -> str:
    """Whose decisions stand where the operator's was, so that it is left as it is."""
    if not overtaken:
        return ""
    told = [
        f"{each.now.by} decided on {subject_words(each.now.subject)} for {_where(reel, each.now)} "
        f"({_value(each.now)}; {moment_words(each.now.at)})"
        for each in overtaken
    ]
    return f" Left as it is: after you, {list_words(told, most=MOST_TOLD)}."


def _where(reel: OpenReel, decision: Decision) -> str:
    kind, _, at = decision.anchor.partition("@")
    if kind == "scene":
        scene = scene_at(reel.decided().running, int(at))
        return f"scene {scene + 1}" if scene >= 0 else f"the scene at film position {at}"
    return "the reel" if kind == "reel" else f"the length of stock at film position {at}"


def _told(bench: Bench, request: Request) -> dict[str, Any]:
    by = operator_of(request) or request.query_params.get("by", "")
    return back_paper(bench.reel(request), by.strip())


def _step_taken(bench: Bench, request: Request) -> dict[str, Any]:
    """One step, recorded as one act."""
    reel, body = bench.reel(request), request.state.body
    by, way = checked_by(body["by"]), body["way"]
    check_revision(reel, body["revision"])
    with ReelLock(reel.folder):
        before = read_decisions(reel.folder / "decisions.jsonl")
        step = STEPS[way](before, by, place_in(reel))
        words = _next_words(reel, way, step)
        if not step.changes:
            raise CallerError(words)
        after = step_taken(before, step, by=by, at=bench.now(), revision_seen=body["revision"])
        store_decisions(reel.folder, Journal(reel.folder), before, after)
    return {**back_paper(reel, by), "said": f"{step.why.capitalize()}: {words}"}

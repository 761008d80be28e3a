"""The addresses of work in hand: what goes on, as a document and as a stream of events, and what may be done about it."""

from __future__ import annotations

import json
import os
from collections.abc import AsyncIterator, Callable
from functools import partial
from typing import TYPE_CHECKING, Any

import anyio
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from smallgauge.line import STEPS
from smallgauge.workbench.addresses import EVENTS, TEXT, Address, change
from smallgauge.workbench.hand import Task, step_named

if TYPE_CHECKING:
    from smallgauge.workbench.app import Bench

RUN_WORKERS = max(1, (os.cpu_count() or 2) - 1)  # of a run: one core is left to the bench
LOOK_S = 0.1  # between two looks for news of a stream of events
ALIVE_S = 15.0  # without news: a sign of life
COME_BACK_MS = 1000  # before a page that lost its stream asks again
_ITEM = {
    "id": "integer",
    "reel": "string",
    "title": "string",
    "state": "string",
    "words": "string",
    "findings": "array",
}


def hand_addresses(bench: Bench) -> tuple[Address, ...]:
    """Runs and packs: what goes on, and what may be done about it."""
    acts = (
        ("pause", "Let a run rest where it is.", bench.hand.pause),
        ("go-on", "Let a paused run go on.", bench.hand.go_on),
        ("stop", "End a run; what is whole is kept.", bench.hand.stop),
        (
            "again",
            "Start a run again that was stopped or failed.",
            lambda n: bench.hand.again(n, bench.now()),
        ),
        ("put-away", "Take a run that has ended off the list.", bench.hand.put_away),
    )
    return (
        Address(
            path="/api/hand",
            says="Work in hand: runs that wait, run, pause or have ended, and packs being made.",
            answer=bench.twin(lambda request: bench.hand.paper()),
            gives={"event": "string", "items": "array", "steps": "array"},
        ),
        Address(
            path="/api/hand/events",
            says="The same as numbered events, each with the runs that changed; a page that comes back says Last-Event-ID.",
            answer=partial(_events, bench),
            gives=EVENTS,
        ),
        Address(
            path="/api/hand/start",
            says="Put a reel in hand: all steps up to one, or what of them is not made yet.",
            answer=bench.twin(partial(_started, bench)),
            takes=change(("name", "upto"), name=TEXT, upto={"type": "string", "enum": list(STEPS)}),
            gives=_ITEM,
        ),
        *(
            Address(
                path=f"/api/hand/{{number:int}}/{act}",
                says=says,
                answer=bench.twin(_with_number(do)),
                takes=change(),
                gives=_ITEM,
            )
            for act, says, do in acts
        ),
    )


def _started(bench: Bench, request: Request) -> dict[str, Any]:
    name, upto = request.state.body["name"], step_named(request.state.body["upto"])
    folder, capture = bench.shelf.material(name)
    return bench.hand.start(
        Task(
            reel=folder.name,
            shelf=folder.parent,
            upto=upto,
            capture=capture,
            at=bench.now(),
            workers=RUN_WORKERS,
        )
    )


async def _events(bench: Bench, request: Request) -> Response:
    last = request.headers.get("last-event-id", "")

    async def stream() -> AsyncIterator[str]:
        seen, quiet = last, 0.0
        yield f"retry: {COME_BACK_MS}\n\n"
        while not bench.hand.closing:
            for event, told in bench.hand.events_after(seen):
                seen = event
                yield f"id: {seen}\nevent: work\ndata: {json.dumps(told)}\n\n"
                quiet = 0.0
            await anyio.sleep(LOOK_S)
            quiet += LOOK_S
            if quiet >= ALIVE_S:
                quiet = 0.0
                yield ": the bench is there\n\n"

    return StreamingResponse(stream(), media_type=EVENTS)


def _with_number(do: Callable[[int], Any]) -> Callable[[Request], Any]:
    return lambda request: do(int(request.path_params["number"]))

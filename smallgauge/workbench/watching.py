"""The finished film at the bench: played with its sound, which of it really ran and before whose eyes, and the verdict.

The page plays the viewing copy as a family would see it. Only what ran at no more than its own speed counts as watched, and
the server believes no stretch that took less time than it lasts.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import FileResponse, Response

from smallgauge.deliver.phrases import moment_words
from smallgauge.errors import CallerError, MaterialError
from smallgauge.record.files import read_json
from smallgauge.record.rendertable import RenderSummary
from smallgauge.record.treatment import StaleDecision
from smallgauge.record.watching import (
    FILM,
    SEAM,
    VERDICTS,
    Judgement,
    WatchedStretch,
    film_digest,
    note_judged,
    note_watched,
    read_judged,
    read_watched,
    second_persons,
    unwatched,
    watched_in_full_by,
)
from smallgauge.workbench.addresses import TEXT, WHOLE, Address, change

if TYPE_CHECKING:
    from smallgauge.workbench.app import Bench
    from smallgauge.workbench.opened import OpenReel

MP4 = "video/mp4"
FASTEST = 1.1  # times its own speed at which a film may run and still be watched; common practice, no source
_STATE = {
    "film": "string or null",
    "frames": "integer",
    "rate": "string",
    "revision": "integer",
    "watched": "array",
    "unwatched": "array",
    "full_by": "array",
    "judged": "object or null",
    "out_of_date": "string",
}


def watching_addresses(bench: Bench) -> tuple[Address, ...]:
    """The film, what of it was watched, and the verdict."""
    reel = "/api/reel/{reel}"
    return (
        Address(
            path=f"{reel}/film",
            says="The viewing copy of the finished film, to be played; parts of it by Range.",
            answer=lambda request: _film(bench, request),
            gives=MP4,
        ),
        Address(
            path=f"{reel}/watching",
            says="Which frames of the finished film were watched and by whom, and what was judged.",
            answer=bench.twin(lambda request: watching_paper(bench.reel(request))),
            gives=_STATE,
        ),
        Address(
            path=f"{reel}/watched",
            says="Note that finished frames [first, stop) ran before somebody's eyes, in so many milliseconds.",
            answer=bench.twin(lambda request: _noted(bench, request)),
            takes=change(
                ("by", "film", "first", "stop", "milliseconds"),
                by=TEXT,
                film=TEXT,
                first=WHOLE,
                stop=WHOLE,
                milliseconds=WHOLE,
            ),
            gives=_STATE,
        ),
        Address(
            path=f"{reel}/judge",
            says="Record a verdict on the finished film that was seen.",
            answer=bench.twin(lambda request: _judged(bench, request)),
            takes=change(
                ("by", "verdict", "why", "film", "revision"),
                by=TEXT,
                verdict={"type": "string", "enum": list(VERDICTS)},
                why=TEXT,
                film=TEXT,
                revision=WHOLE,
            ),
            gives=_STATE,
        ),
    )


def watching_paper(reel: OpenReel) -> dict[str, Any]:
    """What is known of the finished film's being watched."""
    folder, decisions = reel.folder, reel.decisions()
    film, summary = film_digest(folder), _summary(folder)
    judged = read_judged(folder)
    revision = reel.treatment().revision
    if not film or summary is None:
        frames, rate, made_of = 0, "", -1
    else:
        frames, rate, made_of = summary.frames, str(summary.rate), summary.revision
    stretches = read_watched(folder)
    mine = [each for each in stretches if film and each.film == film]
    full = watched_in_full_by(mine, film=film, frames=frames) if film else ()
    last = judged[-1] if judged else None
    return {
        "film": film or None,
        "frames": frames,
        "rate": rate,
        "revision": made_of if film else revision,
        "watched": [{"by": each.by, "first": each.first, "stop": each.stop} for each in mine],
        "unwatched": [list(gap) for gap in unwatched(mine, film=film, frames=frames)] if film else [],
        "full_by": [{"by": name, "second": name in second_persons(full, decisions)} for name in full],
        "judged": _judgement(last) if last is not None else None,
        "out_of_date": _out_of_date(last, film, made_of, revision),
    }


def _judgement(last: Judgement) -> dict[str, Any]:
    return {"by": last.by, "when": moment_words(last.at), "verdict": last.verdict, "why": last.why}


def _out_of_date(last: Judgement | None, film: str, made_of: int, revision: int) -> str:
    """Why the verdict, or the film itself, is not of today; "" where nothing has changed."""
    if film and made_of != revision:
        return f"The film was made of revision {made_of}, and the treatment is at {revision}: finish it again before you judge."
    if last is not None and last.film != film:
        return "The verdict is on a film that has been made anew since."
    return ""


def _summary(folder: Path) -> RenderSummary | None:
    path = folder / "render.json"
    return read_json(path, RenderSummary) if path.is_file() else None


async def _film(bench: Bench, request: Request) -> Response:
    reel = bench.reel(request)
    refuse_held(bench, reel)
    path = reel.folder / FILM
    if not path.is_file():
        raise MaterialError("There is no finished film of this reel yet; put it in hand up to render.")
    return FileResponse(path, media_type=MP4)


def refuse_held(bench: Bench, reel: OpenReel) -> None:
    """Refuse what shows finished files while the shop's book holds them."""
    held = bench.hand.held
    number = reel.capture.notes.reel or reel.capture.name
    why = held(reel.folder.resolve().parent, number, "files") if held is not None else ""
    if why:
        raise MaterialError(f"The files of this reel are on hold in the shop's book: {why}.")


def _noted(bench: Bench, request: Request) -> dict[str, Any]:
    """A stretch of the very film that stands, believed only where it took as long as it lasts."""
    reel, body = bench.reel(request), request.state.body
    paper = _of_today(reel, body)
    first, stop = body["first"], body["stop"]
    if not 0 <= first < stop <= paper["frames"]:
        raise CallerError(
            f"The film has frames 0 to {paper['frames'] - 1}, named were {first} to {stop - 1}."
        )
    up, _, down = paper["rate"].partition("/")
    lasts_ms = 1000 * max(0, stop - first - SEAM) * int(down or 1) / int(up)
    if body["milliseconds"] * FASTEST < lasts_ms:
        raise CallerError(
            f"{stop - first} frames last {lasts_ms / 1000:.1f} s and ran in {body['milliseconds'] / 1000:.1f} s; what runs "
            "faster than the film itself is not watched."
        )
    stretch = WatchedStretch(by=_who(body), at=bench.now(), film=body["film"], first=first, stop=stop)
    note_watched(reel.folder, stretch)
    return watching_paper(reel)


def _judged(bench: Bench, request: Request) -> dict[str, Any]:
    """A verdict, with its reason where it is not plainly ready."""
    reel, body = bench.reel(request), request.state.body
    paper = _of_today(reel, body)
    if body["revision"] != paper["revision"] or paper["revision"] != reel.treatment().revision:
        raise StaleDecision(
            f"The film that you saw is not of today's treatment (revision {reel.treatment().revision}); finish it, and look again."
        )
    if body["verdict"] != VERDICTS[0] and not body["why"].strip():
        raise CallerError(f"'{body['verdict']}' needs a reason; say what is to be done, or what is remarked.")
    note_judged(
        reel.folder,
        Judgement(
            by=_who(body),
            at=bench.now(),
            verdict=body["verdict"],
            why=body["why"].strip(),
            revision=body["revision"],
            film=body["film"],
        ),
    )
    return watching_paper(reel)


def _of_today(reel: OpenReel, body: dict[str, Any]) -> dict[str, Any]:
    """The paper, where the film that the page played is the one that stands."""
    paper = watching_paper(reel)
    if paper["film"] is None or body["film"] != paper["film"]:
        raise StaleDecision(
            "The finished film was made anew meanwhile; load the page again and watch that one."
        )
    return paper


def _who(body: dict[str, Any]) -> str:
    by = str(body["by"]).strip()
    if not by:
        raise CallerError("Say who watches: fill in 'Who decides'.")
    return by

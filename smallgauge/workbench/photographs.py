"""Photographs seen at the bench: each beside the one frame alone, with what went into it and whether it shows the look of today.

photograph_addresses   the twin and the two pictures
photographs_paper      `stills.json` in the bench's words
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any

from starlette.requests import Request

from smallgauge.errors import CallerError, FixityError
from smallgauge.record.keptstills import (
    ALONE_JPEG,
    FUSED_JPEG,
    KeptStill,
    KeptStills,
    read_stills,
    still_file_name,
)
from smallgauge.record.signature import digest_look
from smallgauge.workbench.addresses import JPEG, Address
from smallgauge.workbench.watching import refuse_held

if TYPE_CHECKING:
    from smallgauge.workbench.app import Bench
    from smallgauge.workbench.opened import OpenReel

_PICTURES = {"fused": FUSED_JPEG, "alone": ALONE_JPEG}


def photograph_addresses(bench: Bench) -> tuple[Address, ...]:
    """The photographs of a reel, and the pictures of one."""
    return (
        Address(
            path="/api/reel/{reel}/photographs",
            says="The photographs that were made of a reel, in film order, and whether they show the look of today.",
            answer=bench.twin(lambda request: photographs_paper(bench.reel(request))),
            gives={"photographs": "array", "of_today": "boolean"},
        ),
        Address(
            path="/api/reel/{reel}/photograph/{position:int}/{which}",
            says="A photograph by its film position: fused, or the one frame alone.",
            answer=bench.data(lambda request: _picture(bench, request), kind=JPEG),
            gives=JPEG,
        ),
    )


def photographs_paper(reel: OpenReel) -> dict[str, Any]:
    """Each photograph with its row, which is null where the reel no longer shows that frame."""
    paper = read_stills(reel.folder)
    if paper is None:
        return {"photographs": [], "of_today": True}
    return {
        "photographs": [_told(reel, each) for each in paper.stills],
        "of_today": paper.look == digest_look(reel.capture, reel.treatment()),
    }


def _told(reel: OpenReel, still: KeptStill) -> dict[str, Any]:
    shown = next(each for each in still.frames if each.film_position == still.film_position)
    return {
        "row": reel.row_of(shown.capture, shown.frame),
        "film_position": still.film_position,
        "scene": still.scene,
        "words": still.words,
        "dated": still.dated,
        "by": still.by,
        "at": still.at,
        "frames": len(still.frames),
        "alone_share": still.alone_share,
    }


def _picture(bench: Bench, request: Request) -> bytes:
    """The bytes of a photograph's JPEG, refused while a hold lies on the files or where they are not those that were made."""
    reel = bench.reel(request)
    refuse_held(bench, reel)
    position, which = request.path_params["position"], request.path_params["which"]
    if which not in _PICTURES:
        raise CallerError(f"A photograph is shown {' or '.join(_PICTURES)}.")
    paper = read_stills(reel.folder)
    still = _find(paper, position)
    if still is None:
        raise CallerError(f"There is no photograph of film position {position}.")
    name = still_file_name(position) + _PICTURES[which]  # never a name out of the paper
    digest = next((file.sha256 for file in still.files if file.name == name), "")
    path = reel.folder / name
    data = path.read_bytes() if path.is_file() else b""
    if hashlib.sha256(data).hexdigest() != digest:
        raise FixityError(
            f"{name} is missing or is not the file that was made; make this photograph again with `smallgauge stills`."
        )
    return data


def _find(paper: KeptStills | None, position: int) -> KeptStill | None:
    return next((each for each in paper.stills if each.film_position == position), None) if paper else None

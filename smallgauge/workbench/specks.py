"""Specks at the bench: how many a frame has, which of them are repaired as things stand, and by whose word some are left.

speck_counts   of every row: what the strip shows
specks_of      of one row: what is outlined, and what was decided for its scene; scratches and hairs among them

A refusal is a decision on dirt like any other, recorded by `decide.record`.
"""

from dataclasses import asdict
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.dirt_kinds import DIRT, KINDS, LINES, SORTS, DirtDecision, solve_dirt, solve_lines
from smallgauge.picture.hair_kinds import KINDS as HAIR_KINDS
from smallgauge.picture.scratches import KINDS as LINE_KINDS
from smallgauge.picture.scratches import SIDES
from smallgauge.record.decided_dirt import dirt_decisions
from smallgauge.record.dirttable import runs_of
from smallgauge.record.table import Table
from smallgauge.workbench.opened import OpenReel


@lru_cache(maxsize=8)
def speck_counts(frames: Table, dirt: Table) -> NDArray[np.float64]:
    """Specks of each row that lie on one frame only."""
    found = dirt["kind"] == DIRT
    keys = [
        table["capture"].astype(np.int64) << 32 | table["frame"].astype(np.int64) for table in (frames, dirt)
    ]
    frame, count = np.unique(keys[1][found], return_counts=True)
    counts = dict(zip(frame.tolist(), count.tolist(), strict=True))
    return np.array([counts.get(key, 0) for key in keys[0].tolist()], np.float64)


def specks_of(reel: OpenReel, row: int) -> tuple[list[dict[str, Any]], dict[str, Any] | None]:
    """The specks of a row with what becomes of them, and the decision in force for its scene; None where dirt was not looked for.

    Nothing is repaired before the program or an operator has decided on dirt.
    """
    dirt = reel.dirt()
    if dirt is None:
        return [], None
    known = reel.decided()
    own, others, _ = dirt_decisions(known.treatment, known.scenes)
    scene = int(known.running["scene"][row])
    decision = own.get(scene, others)
    number, frame = int(reel.frames["capture"][row]), int(reel.frames["frame"][row])
    at = np.flatnonzero((dirt["capture"] == number) & (dirt["frame"] == frame))
    blobs = {name: column[at] for name, column in dirt.values.items()}
    decided = known.treatment.find("dirt") is not None
    wanted = solve_dirt(blobs, np.full(len(at), scene), own, others) & decided
    specks = [
        {
            "name": f"{frame}:{int(blobs['blob'][n])}",
            **{side: int(blobs[side][n]) for side in ("left", "top", "width", "height")},
            "kind": str(blobs["kind"][n]),
            "words": KINDS.get(str(blobs["kind"][n]), ""),
            "sorts": [sort for sort, holds in SORTS.items() if holds(blobs)[n]],
            "repaired": bool(wanted[n]),
        }
        for n in range(len(at))
    ]
    specks += _lines_of(reel, (number, frame, scene), own, others, decided) + _hairs_of(reel, number, frame)
    return specks, {**asdict(decision), "sorts": [*SORTS, LINES]}


def _lines_of(
    reel: OpenReel,
    at: tuple[int, int, int],
    own: dict[int, DirtDecision],
    others: DirtDecision,
    decided: bool,
) -> list[dict[str, Any]]:
    """The scratches of a captured frame; `at` are its capture, number and scene."""
    table = reel.finds.lines()
    if table is None:
        return []
    number, frame, scene = at
    named = np.isin(table["kind"], ("scratch", "disputed"))
    rows = np.flatnonzero((table["capture"] == number) & (table["frame"] == frame) & named)
    lines = {name: column[rows] for name, column in table.values.items()}
    wanted = solve_lines(lines, np.full(len(rows), scene), own, others) & decided
    out = []
    for n in range(len(rows)):
        runs = np.array(runs_of(str(lines["runs"][n]), 0, 0), np.int64)
        if not len(runs):
            continue
        left, top = int(runs[:, 0].min()), int(runs[:, 1].min())
        out.append(
            {
                "name": f"line:{int(lines['track'][n])}",
                "left": left,
                "top": top,
                "width": int(runs[:, 0].max()) + 1 - left,
                "height": int(runs[:, 2].max()) - top,
                "kind": str(lines["kind"][n]),
                "words": f"{LINE_KINDS[str(lines['kind'][n])]}; {SIDES.get(str(lines['side'][n]), '')}",
                "sorts": [LINES],
                "repaired": bool(wanted[n]),
            }
        )
    return out


def _hairs_of(reel: OpenReel, number: int, frame: int) -> list[dict[str, Any]]:
    """The hairs of a captured frame; those in doubt are not among them. None is ever repaired."""
    table = reel.finds.hairs()
    if table is None:
        return []
    here = (table["capture"] == number) & (table["frame"] == frame) & (table["kind"] != "unsure")
    return [
        {
            "name": f"hair:{int(table['track'][n])}",
            **{side: int(table[side][n]) for side in ("left", "top", "width", "height")},
            "kind": f"hair, {table['kind'][n]}" if table["kind"][n] != "hair" else "hair",
            "words": HAIR_KINDS.get(str(table["kind"][n]), ""),
            "sorts": [],
            "repaired": False,
        }
        for n in np.flatnonzero(here).tolist()
    ]

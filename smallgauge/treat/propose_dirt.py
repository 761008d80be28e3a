"""The program's proposals for dirt: for the reel, and for each scene that is better left alone."""

import numpy as np

from smallgauge.picture.dirt_kinds import DIRT, DirtDecision, propose_dirt
from smallgauge.record.loading import in_running_order, loading_of
from smallgauge.record.table import Table
from smallgauge.record.treatment import PROGRAM, Decision, propose, treatment_of


def propose_dirts(
    dirt: Table, frames: Table, decisions: tuple[Decision, ...], *, at: str
) -> tuple[Decision, ...]:
    """The log with a proposal for the reel, and one for each scene in which more is found than dirt explains.

    A scene that an earlier proposal named and that is calm now is proposed to be repaired.
    """
    running = in_running_order(frames, loading_of(treatment_of(decisions)))
    rows = list(zip(running["capture"].tolist(), running["frame"].tolist(), strict=True))
    scene_of = dict(zip(rows, running["scene"].tolist(), strict=True))
    keys = zip(dirt["capture"].tolist(), dirt["frame"].tolist(), strict=True)
    scene = np.array([scene_of.get(key, -1) for key in keys], np.int64)
    left: dict[str, str] = {}
    specks, scenes = 0, np.unique(running["scene"])
    for each in scenes.tolist():
        own = running["scene"] == each
        kinds = dirt["kind"][scene == each].tolist()
        decision, why = propose_dirt(kinds, frames=int(own.sum()))
        if decision.repair:
            specks += kinds.count(DIRT)
        else:
            left[f"scene@{int(running['film_position'][own].min())}"] = why
    why = f"{specks} specks that lie on one frame only"
    why += f"; {len(left)} of {len(scenes)} scenes are left whole" if left else ""
    decisions = propose(decisions, subject="dirt", value=_value(DirtDecision()), at=at, why=why)
    stale = {
        decision.anchor
        for decision in decisions
        if (decision.by, decision.subject) == (PROGRAM, "dirt") and decision.anchor not in ("reel", *left)
    }
    for anchor, reason in left.items():
        value = _value(DirtDecision(repair=False))
        decisions = propose(decisions, subject="dirt", anchor=anchor, value=value, at=at, why=reason)
    for anchor in sorted(stale):
        reason = "no more is found there than dirt explains, or the scene begins elsewhere"
        value = _value(DirtDecision())
        decisions = propose(decisions, subject="dirt", anchor=anchor, value=value, at=at, why=reason)
    return decisions


def leave_dirt(decisions: tuple[Decision, ...], *, at: str, why: str) -> tuple[Decision, ...]:
    """The log with the proposal that no dirt is repaired."""
    return propose(decisions, subject="dirt", value=_value(DirtDecision(repair=False)), at=at, why=why)


def _value(decision: DirtDecision) -> dict[str, object]:
    return {"repair": decision.repair}

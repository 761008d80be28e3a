"""The program's proposals for flicker: for the reel, and for each scene whose exposure flickers."""

from collections.abc import Sequence

import numpy as np

from smallgauge.picture.flicker import LEAST_FRAMES, SHORT_FRAMES, FlickerEvidence, propose_flicker, scenes_of
from smallgauge.record.capture import Capture
from smallgauge.record.decided_flicker import proposed_value
from smallgauge.record.exposures import flicker_evidence_of, lamps_of
from smallgauge.record.loading import in_running_order, loading_of
from smallgauge.record.table import Table
from smallgauge.record.treatment import PROGRAM, Decision, propose, treatment_of


def propose_flickers(
    captures: Sequence[Capture], frames: Table, decisions: tuple[Decision, ...], *, at: str
) -> tuple[Decision, ...]:
    """The log with a proposal for the reel and one for each scene that flickers.

    A scene that an earlier proposal named and that flickers no longer is proposed to be left alone.
    """
    if not len(frames):
        return decisions
    lamps, _ = lamps_of(captures, frames)
    evidence = flicker_evidence_of(frames, lamps)
    running = in_running_order(frames, loading_of(treatment_of(decisions)))
    position = running["film_position"]
    scenes = scenes_of(evidence.scene)
    wanted: dict[str, tuple[dict[str, object], str]] = {}
    least = _least_frames(evidence, scenes)
    for first, stop in scenes:
        decision, why = propose_flicker(evidence, first=first, stop=stop, least_frames=least)
        if decision.on:
            wanted[f"scene@{int(np.min(position[first:stop]))}"] = proposed_value(decision), why
    count = len(wanted)
    why = f"{count} of {len(scenes)} scenes flicker" if count else "no scene flickers"
    decisions = propose(decisions, subject="flicker", value={"on": bool(count)}, at=at, why=why)
    for anchor, (value, reason) in wanted.items():
        decisions = propose(decisions, subject="flicker", anchor=anchor, value=value, at=at, why=reason)
    stale = {
        decision.anchor
        for decision in decisions
        if (decision.by, decision.subject) == (PROGRAM, "flicker")
        and decision.anchor not in ("reel", *wanted)
    }
    for anchor in sorted(stale):
        nothing: dict[str, object] = {"on": False}
        reason = "the scene flickers no longer, or begins elsewhere"
        decisions = propose(decisions, subject="flicker", anchor=anchor, value=nothing, at=at, why=reason)
    return decisions


def _least_frames(evidence: FlickerEvidence, scenes: tuple[tuple[int, int], ...]) -> int:
    """How long a scene must be to tell: less where most of the film in longer ones flickers, as one camera's film does."""
    told = [
        (stop - first, propose_flicker(evidence, first=first, stop=stop)[0].on)
        for first, stop in scenes
        if stop - first >= LEAST_FRAMES
    ]
    flickers = sum(frames for frames, on in told if on)
    return SHORT_FRAMES if 2 * flickers > sum(frames for frames, _ in told) else LEAST_FRAMES

"""The program's proposals for colour: one rendering for each length of stock, and lifts for dark scenes that wait."""

import numpy as np

from smallgauge.picture.primary import propose_lift
from smallgauge.picture.rendering import propose_rendering
from smallgauge.record.capture import Capture
from smallgauge.record.loading import in_running_order, loading_of
from smallgauge.record.table import Table
from smallgauge.record.treatment import HOUSE_VALUE, WAITING, Decision, Treatment, propose, treatment_of

Triple = tuple[float, float, float]
ENDS = (
    "fading",
    "inversion",
    "black_and_white",
)  # decisions that say where a length's clear base and deepest density lie


def propose_colour(
    capture: Capture, frames: Table, decisions: tuple[Decision, ...], *, at: str
) -> tuple[Decision, ...]:
    """The log with one rendering for each length of stock, and a waiting lift for each dark scene."""
    decisions = _rendering(decisions, at)
    return _lifts(capture, frames, decisions, at)


def _rendering(decisions: tuple[Decision, ...], at: str) -> tuple[Decision, ...]:
    """White and black from what the decisions on each length say of its ends; of the open gate where none does."""
    ends = _ends(treatment_of(decisions))
    for anchor, (clear, deepest, exact) in (ends or {"reel": (None, None, False)}).items():
        decision, why = propose_rendering(clear=clear, deepest=deepest, exact=exact)
        value: dict[str, object] = {"white": list(decision.white), "black": list(decision.black)}
        basis = HOUSE_VALUE if clear is None and deepest is None else None
        if exact:
            value, why = {**value, "of": "negative"}, "the film is a negative: its base prints black"
        decisions = propose(
            decisions, subject="rendering", anchor=anchor, value=value, at=at, why=why, basis=basis
        )
    return decisions


def _ends(treatment: Treatment) -> dict[str, tuple[Triple | None, Triple | None, bool]]:
    """Clear base and deepest density as scanned, by the anchor of the decision that holds them; was the base seen bare?"""
    found: dict[str, tuple[Triple | None, Triple | None, bool]] = {}
    for entry in treatment.in_force:
        value = entry.decision.value
        if entry.decision.subject not in ENDS or value is None:
            continue
        seen = value.get("clear_seen", True)
        clear = _three(value.get("clear", value.get("base"))) if seen else None
        deepest = _three(value.get("border"))
        if clear is not None or deepest is not None:
            found[entry.decision.anchor] = (clear, deepest, entry.decision.subject == "inversion")
    return found


def _three(value: object) -> Triple | None:
    """Three densities out of a decision's value; None where it holds none."""
    if not isinstance(value, (list, tuple)) or len(value) != 3:
        return None
    if not all(isinstance(each, (int, float)) and np.isfinite(each) for each in value):
        return None
    red, green, blue = (float(each) for each in value)
    return red, green, blue


def _lifts(capture: Capture, frames: Table, decisions: tuple[Decision, ...], at: str) -> tuple[Decision, ...]:
    """A lift in printer-light points for each dark scene; it waits. A scene that is no longer dark loses its proposal."""
    treatment = treatment_of(decisions)
    whites = [each for each in treatment.anchored("rendering") if isinstance(each.value.get("white"), list)]
    white = float(np.mean(_three(whites[-1].value["white"]) or 0.0)) if whites else 0.0
    running = in_running_order(frames, loading_of(treatment))
    order = np.argsort(running["film_position"], kind="stable")
    scene, position = running["scene"][order], running["film_position"][order]
    light = running["picture_light"][order]
    dark: set[str] = set()
    for number in np.unique(scene[scene >= 0]):
        mine = scene == number
        points = float(propose_lift(light[mine], white=white))
        if points == 0.0 or capture.notes.is_negative:
            continue
        anchor = f"scene@{int(position[mine].min())}"
        dark.add(anchor)
        decisions = propose(
            decisions,
            subject="primary",
            anchor=anchor,
            value={"points": [points] * 3},
            at=at,
            why=f"the scene is dark: its pictures let through {100 * float(np.exp(np.nanmedian(light[mine]))):.1f} % of the light",
            basis=WAITING,
        )
    for entry in treatment.in_force:
        waiting = entry.decision if entry.decision.waits else entry.proposal
        if (
            waiting is not None
            and waiting.waits
            and waiting.subject == "primary"
            and waiting.anchor not in dark
        ):
            nothing: dict[str, object] = {"points": [0.0, 0.0, 0.0]}
            why = "the scene is no longer dark"
            decisions = propose(
                decisions, subject="primary", anchor=waiting.anchor, value=nothing, at=at, why=why
            )
    return decisions

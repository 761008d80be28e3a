"""Decisions on dirt: what is in force for each scene, and what an operator's words mean."""

import re

from smallgauge.errors import CallerError
from smallgauge.picture.dirt_kinds import LINES, SORTS, DirtDecision
from smallgauge.record.by_scene import Value, scene_layers
from smallgauge.record.files import structured
from smallgauge.record.finding import Finding
from smallgauge.record.treatment import PROGRAM, Treatment


def dirt_value(text: str) -> Value:
    """The value of a decision on dirt: repair, leave, or repair all but some.

    What is left is named by captured frame and blob (as `dirt.parquet` counts them), by sort, or, of lines along the film, by track
    (as `scratches.parquet` counts them), or all of them.

    Examples
    --------
    >>> dirt_value("leave"), dirt_value("repair but 431:0 light")
    ({'repair': False}, {'repair': True, 'but': ['431:0', 'light']})
    """
    act, _, rest = text.strip().partition(" but ")
    words = rest.split()
    if act in ("repair", "leave") and not rest and " but" not in text:
        return {"repair": act == "repair"}
    if (
        act == "repair"
        and words
        and all(
            word in (*SORTS, LINES) or re.fullmatch(r"\d{1,9}:\d{1,4}|line:\d{1,6}", word) for word in words
        )
    ):
        return {"repair": True, "but": list(dict.fromkeys(words))}
    raise CallerError(
        f"dirt needs 'repair', 'leave', or 'repair but' and what is left: single blobs as FRAME:BLOB, single lines as "
        f"line:TRACK, or {', '.join((*SORTS, LINES))}, such as 'repair but 431:0 light'; found '{text}'."
    )


def dirt_decisions(
    treatment: Treatment, scenes: dict[int, int]
) -> tuple[dict[int, DirtDecision], DirtDecision, tuple[Finding, ...]]:
    """The decision of each scene that has one of its own, that of all others, and what there is to say.

    `scenes` leads from film position to scene.
    """
    layers, base = scene_layers(treatment, "dirt", scenes), _of_the_program(treatment)
    own = {scene: _merged((base, *values)) for scene, values in layers.own.items()}
    return own, _merged((base, *layers.others)), layers.findings


def _of_the_program(treatment: Treatment) -> Value:
    """What the program proposes for the reel: here it counts, since an order may leave dirt altogether."""
    entry = treatment.find("dirt")
    if entry is None:
        return {}
    proposed = entry.decision if entry.decision.by == PROGRAM else entry.proposal
    return dict(proposed.value or {}) if proposed is not None else {}


def _merged(values: tuple[Value, ...]) -> DirtDecision:
    merged: Value = {}
    for value in values:
        merged |= value
    return structured(merged, DirtDecision, where="dirt")

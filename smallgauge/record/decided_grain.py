"""Decisions on grain: how much less of it there is in each scene, and what an operator's words mean."""

from smallgauge.errors import CallerError
from smallgauge.picture.grain_reduction import MOST, USUAL, GrainDecision
from smallgauge.record.by_scene import Value, scene_layers
from smallgauge.record.files import structured
from smallgauge.record.finding import Finding
from smallgauge.record.treatment import Treatment


def grain_value(text: str) -> Value:
    """The value of a decision on grain: leave, reduce, or reduce by so many per cent of its deviation at most.

    Examples
    --------
    >>> grain_value("leave"), grain_value("reduce"), grain_value("reduce 40")
    ({'reduce': 0.0}, {'reduce': 0.3}, {'reduce': 0.4})
    """
    words = text.split()
    if words == ["leave"]:
        return {"reduce": 0.0}
    if words and words[0] == "reduce" and len(words) <= 2:
        share = words[1] if len(words) == 2 else f"{100 * USUAL:.0f}"
        if share.isdecimal() and 0 < int(share) <= 100 * MOST:
            return {"reduce": int(share) / 100}
    raise CallerError(
        f"grain needs 'leave', 'reduce', or 'reduce' and whole per cent of its deviation up to {100 * MOST:.0f}, such as "
        f"'reduce 30'; found '{text}'."
    )


def grain_decisions(
    treatment: Treatment, scenes: dict[int, int]
) -> tuple[dict[int, GrainDecision], GrainDecision, tuple[Finding, ...]]:
    """The decision of each scene that has one of its own, that of all others, and what there is to say.

    `scenes` leads from film position to scene. Nobody's word leaves the grain.
    """
    layers = scene_layers(treatment, "grain", scenes)
    own = {scene: _merged(values) for scene, values in layers.own.items()}
    return own, _merged(layers.others), layers.findings


def _merged(values: tuple[Value, ...]) -> GrainDecision:
    merged: Value = {}
    for value in values:
        merged |= value
    return structured(merged, GrainDecision, where="grain")

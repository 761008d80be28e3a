"""Decisions on flicker: what is in force for each scene, and what an operator's words mean."""

from collections.abc import Iterable
from dataclasses import asdict

from smallgauge.errors import CallerError
from smallgauge.picture.flicker import FlickerDecision
from smallgauge.record.by_scene import scene_layers
from smallgauge.record.files import structured
from smallgauge.record.finding import Finding
from smallgauge.record.treatment import Treatment

MOST_LIMIT_LN = 2.0  # three stops; common practice, no source


def flicker_value(text: str) -> dict[str, object]:
    """The value of a decision on flicker: on, off, or a limit of the change, natural logarithm of light.

    Examples
    --------
    >>> flicker_value("off"), flicker_value("limit 0.6"), flicker_value("on limit 0.6")
    ({'on': False}, {'limit_ln': 0.6}, {'on': True, 'limit_ln': 0.6})
    """
    value: dict[str, object] = {}
    words = text.split()
    if words and words[0] in ("on", "off"):
        value["on"] = words.pop(0) == "on"
    if len(words) == 2 and words[0] == "limit":
        try:
            limit = float(words[1])
        except ValueError:
            limit = 0.0
        if 0 < limit <= MOST_LIMIT_LN:
            return {**value, "limit_ln": limit}
    elif value and not words:
        return value
    raise CallerError(
        f"flicker needs on, off, or 'limit' and a natural logarithm of light up to {MOST_LIMIT_LN:g}, such as "
        f"'limit 0.6' or 'on limit 0.6', found '{text}'."
    )


def proposed_value(decision: FlickerDecision) -> dict[str, object]:
    """What is recorded of a proposal: only what it turns on, and the limit.

    Examples
    --------
    >>> proposed_value(FlickerDecision(on=True, contrast=True))
    {'on': True, 'contrast': True, 'limit_ln': 0.35}
    >>> proposed_value(FlickerDecision(on=False))
    {'on': False}
    """
    if not decision.on:
        return {"on": False}
    return {key: value for key, value in asdict(decision).items() if value is not False}


def flicker_decisions(
    treatment: Treatment, scenes: dict[int, int]
) -> tuple[dict[int, FlickerDecision], FlickerDecision, tuple[Finding, ...]]:
    """The decision of each scene that has one of its own, that of all others, and what there is to say.

    `scenes` leads from film position to scene. Over what the program proposes for a scene goes what the operator decided for
    the reel, and over that what they decided for the scene. Two differing decisions of the operator in one scene are
    both kept, and neither is applied.
    """
    layers = scene_layers(treatment, "flicker", scenes)
    decided = {scene: _merged(values) for scene, values in layers.own.items()}
    return decided, _merged(layers.others), layers.findings


def _merged(values: Iterable[dict[str, object]]) -> FlickerDecision:
    merged: dict[str, object] = {"on": False}
    for value in values:
        merged |= value
    return structured(merged, FlickerDecision, where="flicker")

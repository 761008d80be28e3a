"""Decisions on flicker: what is in force for each scene, and what an operator's words mean."""

from collections.abc import Iterable
from dataclasses import asdict

from smallgauge.errors import CallerError
from smallgauge.picture.flicker import FlickerDecision
from smallgauge.record.files import structured
from smallgauge.record.finding import Finding
from smallgauge.record.treatment import PROGRAM, Treatment

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
    program: dict[int, dict[str, object]] = {}
    operator: dict[int, list[tuple[int, dict[str, object]]]] = {}
    reel: dict[str, object] = {}  # the operator's; the program's only says whether any scene flickers
    for entry in treatment.in_force:
        decision = entry.decision
        if decision.subject != "flicker" or decision.value is None:
            continue
        mine, proposal = decision.by != PROGRAM, entry.proposal
        theirs = proposal.value if mine and proposal is not None else None if mine else decision.value
        kind, _, at = decision.anchor.partition("@")
        if kind == "reel":
            reel = decision.value if mine else {}
            continue
        scene = scenes.get(int(at))
        if scene is None:
            continue
        if theirs is not None:
            program[scene] = theirs
        if mine:
            operator.setdefault(scene, []).append((int(at), decision.value))
    found: list[Finding] = []
    decided: dict[int, FlickerDecision] = {}
    for scene in sorted({*program, *operator}):
        own = operator.get(scene, [])
        if len({str(value) for _, value in own}) > 1:
            values: dict[str, object] = {"subject": "flicker", "positions": sorted(at for at, _ in own)}
            found.append(
                Finding(code="two decisions in one scene", where=f"scene {scene + 1}", values=values)
            )
            own = []
        last = own[-1][1] if own else {}
        decided[scene] = _merged((program.get(scene, {}), reel, last))
    return decided, _merged((reel,)), tuple(found)


def _merged(values: Iterable[dict[str, object]]) -> FlickerDecision:
    merged: dict[str, object] = {"on": False}
    for value in values:
        merged |= value
    return structured(merged, FlickerDecision, where="flicker")

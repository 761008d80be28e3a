"""An operator's decision on fading: the program's proposal taken up, nothing done, or shares of the operator's own."""

import math

from smallgauge.errors import CallerError
from smallgauge.record.treatment import PROGRAM, Decision

AS_PROPOSED, NOTHING = "as proposed", "none"
LAYERS = ("cyan", "magenta", "yellow")


def fading_value(text: str) -> dict[str, object]:
    """What is left of each layer as an operator writes it; `completed_fading` adds what was measured.

    Examples
    --------
    >>> fading_value("cyan 0.6 magenta 0.95 yellow 0.8")
    {'left': [0.6, 0.95, 0.8]}
    >>> fading_value("none"), fading_value("as proposed")
    ({'left': [1.0, 1.0, 1.0]}, {})
    """
    if text == AS_PROPOSED:
        return {}
    if text == NOTHING:
        return {"left": [1.0, 1.0, 1.0]}
    words = text.split()
    shares: dict[str, float] = {}
    for name, number in zip(words[0::2], words[1::2]):
        try:
            shares[name] = float(number)
        except ValueError:
            shares[name] = math.nan
    if len(words) % 2 or not set(shares) <= set(LAYERS) or not shares:
        shares = {"": math.nan}
    if not all(0.05 <= share <= 1.5 for share in shares.values()):
        raise CallerError(
            "fading needs 'as proposed', 'none', or shares left from 0.05 to 1.5 such as 'cyan 0.6 magenta 0.95 yellow 0.8', "
            f"found '{text}'."
        )
    return {"left": [shares.get(layer, 1.0) for layer in LAYERS]}


def completed_fading(
    value: dict[str, object], *, log: tuple[Decision, ...], anchor: str, by: str
) -> dict[str, object]:
    """The whole value: what the program measured of that length, with the operator's shares in it.

    Examples
    --------
    >>> mine = Decision(id=1, revision=1, by="program", at="", subject="fading", anchor="length@0", why="",
    ...                 value={"left": [0.5, 1.0, 1.0], "sigma": [0.1] * 3, "source": ["border"] * 3, "light": "narrow"})
    >>> completed_fading({"left": [0.6, 1.0, 1.0]}, log=(mine,), anchor="length@0", by="m.k.")
    {'left': [0.6, 1.0, 1.0], 'source': ['m.k.', 'm.k.', 'm.k.'], 'light': 'narrow'}
    """
    measured = [
        each.value
        for each in log
        if (each.subject, each.anchor, each.by) == ("fading", anchor, PROGRAM) and each.value is not None
    ]
    if not measured:
        raise CallerError(
            f"Fading can be decided where its ends were measured, found nothing at {anchor.replace('@', ' at film position ')}; "
            "run `smallgauge treat` first, and give --length a film position of colour reversal film."
        )
    whole = {**measured[-1], **value, "source": [by] * 3}
    if "left" in value:
        whole.pop("sigma", None)
    return whole

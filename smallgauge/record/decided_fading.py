"""An operator's decision on fading: the program's proposal taken up, nothing done, or shares of the operator's own."""

import math
from dataclasses import asdict

from smallgauge.errors import CallerError
from smallgauge.picture.border_length import LengthBorder
from smallgauge.picture.dyefade import LOWER_LIMIT, FadingDecision, Picks, propose_fading
from smallgauge.record.files import structured
from smallgauge.record.treatment import PROGRAM, Decision

READING = 0.02  # density: what a border is read with, where its own error is no longer at hand; common practice, no source
PICKED = ("grey", "skin")
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
    >>> fading_value("grey 0.52 0.91 0.80  0.8 1.4 1.2")  # places of the picture are densities by now
    {'grey': [[0.52, 0.91, 0.8], [0.8, 1.4, 1.2]]}
    """
    if text == AS_PROPOSED:
        return {}
    if text == NOTHING:
        return {"left": [1.0, 1.0, 1.0]}
    words = text.split()
    if words and words[0] in PICKED:
        return _picks(words, text)
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
            "fading needs 'as proposed', 'none', shares left from 0.05 to 1.5 such as 'cyan 0.6 magenta 0.95 yellow 0.8', or "
            f"places that were grey or skin such as 'grey 120@0.42,0.61 skin 300@0.5,0.4', found '{text}'."
        )
    return {"left": [shares.get(layer, 1.0) for layer in LAYERS]}


def _picks(words: list[str], text: str) -> dict[str, object]:
    """Densities red, green, blue of what the operator says was grey, or skin."""
    found: dict[str, list[float]] = {}
    kind = ""
    for word in words:
        if word in PICKED:
            kind = word
            found.setdefault(kind, [])
            continue
        try:
            found[kind].append(float(word))
        except ValueError:
            found[kind].append(math.nan)
    for numbers in found.values():
        if not numbers or len(numbers) % 3 or not all(0.0 <= each <= 5.0 for each in numbers):
            raise CallerError(
                "grey and skin need places of the picture such as 120@0.42,0.61, or three densities of red, green and blue "
                f"each, found '{text}'."
            )
    return {kind: [numbers[n : n + 3] for n in range(0, len(numbers), 3)] for kind, numbers in found.items()}


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
    if set(value) & set(PICKED):
        return _picked(measured[-1], value)
    whole = {**measured[-1], **value, "source": [by] * 3}
    if "left" in value:
        whole.pop("sigma", None)
    return whole


def _picked(measured: dict[str, object], picked: dict[str, object]) -> dict[str, object]:
    """What the border says, joined to what the operator says was grey or skin."""
    known = structured(measured, FadingDecision, where="fading")
    picks = structured(picked, Picks, where="fading")
    nothing = (math.nan,) * 3
    limited = tuple(each == LOWER_LIMIT for each in known.source)
    border = LengthBorder(
        state="measured" if known.border is not None else "not seen",
        density=known.border or nothing,
        sigma=(READING,) * 3,
        limited=(limited[0], limited[1], limited[2]),
        clear=known.clear,
        clear_sigma=READING,
        clear_seen=known.clear_seen,
        frames=0,
        fogged=0,
    )
    fading, _ = propose_fading(border, light=known.light, picks=picks, flare=known.flare)
    told = [bool(picks.grey or picks.skin) and each == "picks" for each in fading.source]
    if not any(told) and known.border is None:
        raise CallerError(
            "What was picked as grey or skin is too light to tell of the dyes: pick places of density 0.3 or more above the "
            "clear film."
        )
    return {
        key: list(each) if isinstance(each, tuple) else each
        for key, each in asdict(fading).items()
        if each is not None
    }

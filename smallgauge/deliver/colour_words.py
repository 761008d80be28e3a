"""Sentences of colour: decisions on it, findings, and what a family reads of both. `words.py` takes them up."""

import math
from collections.abc import Callable

from smallgauge.deliver import fading_words
from smallgauge.deliver.phrases import (
    Values,
    count_words,
    moment_words,
    number_words,
)
from smallgauge.record.treatment import Decision

_Say = Callable[[Values], str]
# How a thing is known, as a report says it beside each fact of colour.
MEASURED, ESTIMATED, TOLD = "measured", "estimated", "told to us"
NOT_KNOWN, WAITS = "not known", "a proposal, not applied"
HOW_KNOWN = (
    "Measured: read from the film itself. Estimated: worked out from what is usual for such film. Told to us: said by a person "
    "who knows the film, or chosen by our technician by eye. A proposal is not applied unless somebody decides so."
)
# A step of a look, by its name in `render.json` -> what was done.
STEP_WORDS = {
    "fade": "fading undone",
    "negative": "negative printed",
    "mono": "one density of silver",
    "points": "printer points",
    "output": "the film's own white and black",
    "decision_list": "slope, offset, power, saturation",
    "hues": "correction by hue",
}


def source_words(source: str) -> str:
    """How the share left of a dye is known, from what its decision rests on; anything else is an operator's word.

    Examples
    --------
    >>> source_words("border"), source_words("lower limit"), source_words("m.k.")
    ('measured', 'estimated', 'told to us')
    """
    return {
        "border": MEASURED,
        "border and picks": f"{MEASURED} and {TOLD}",
        "lower limit": ESTIMATED,
        "statistics": ESTIMATED,
        "nothing": NOT_KNOWN,
    }.get(source, TOLD)


def fading_fact(state: str, value: Values, count: int, of: int) -> str:
    """What a family reads of fading that was undone, is none, waits or can't be told, in `count` of `of` lengths.

    `value` is that of the decision on the length that lost most.

    Examples
    --------
    >>> fading_fact("whole", Values({"left": [1.0, 1.0, 0.99]}), 1, 1)
    'The dyes of this film have not faded, as far as it tells. Its colours were left alone.'
    """
    where = "this film" if count == of == 1 else f"{count:,} of the {of:,} lengths of film on this reel"
    if state == "whole":
        its = "Its" if count == of == 1 else "Their"
        tells = "it tells" if count == of == 1 else "they tell"
        return f"The dyes of {where} have not faded, as far as {tells}. {its} colours were left alone."
    if state == "perhaps whole":
        return (
            f"The dyes of {where} seem not to have faded, but that is not sure. The colours were left alone."
        )
    if state == "not told":
        return f"Whether the dyes of {where} have faded can't be told from it. The colours were left as they are."
    left = fading_words.shares(value)
    most = f"{left} {'are' if count == 1 else 'are, where it is worst,'} left"
    if state == "waits":
        return (
            f"The dyes of {where} may have faded: perhaps {most}. That is not sure enough to act on, so nothing was done "
            "about it; our technician can decide it."
        )
    return f"The dyes of {where} have faded: {most}. The finished film shows the colours as they were, as near as that tells."


def _day_words(on: str) -> str:
    """A moment in words, without an hour where only the day was stated."""
    words = moment_words(on)
    return words.partition(",")[0] if len(on) == 10 else words


def _not_signed(v: Values) -> str:
    who, on = v.text("who", ""), v.text("on", "")
    before = (
        f"{who} signed for another look on {moment_words(on)}; the look has changed since. " if who else ""
    )
    return (
        f"This film is a negative and nobody has signed for its look of today, so it is not finished. {before}Show "
        "approval.mp4 to the producer, best in the room, then run `smallgauge sign-off` and finish it again."
    )


def _flicker_words(v: Values) -> str:
    """Whether flicker is taken out, and how."""
    limit = v.number("limit_ln")
    most = (
        f"a picture changed by {number_words(100 * (math.exp(limit) - 1), decimals=0)} % at most"
        if limit
        else ""
    )
    if "on" not in v.values:
        return most or "as proposed"
    if not v.values.get("on"):
        return "left as it is"
    parts = [
        words
        for key, words in (
            ("surface", "unevenness over the picture"),
            ("contrast", "contrast"),
            ("channels", "red, green and blue each by itself"),
        )
        if v.values.get(key)
    ]
    said = f"taken out{', with ' + ', '.join(parts) if parts else ''}"
    return f"{said}; {most}" if most else said


def _primary_words(v: Values) -> str:
    """Printer points and slope, offset, power of a decision."""
    said = []
    for key, neutral in (("points", 0.0), ("slope", 1.0), ("offset", 0.0), ("power", 1.0)):
        three = _three_numbers(v, key)
        if three and any(each != neutral for each in three):
            same = len(set(three)) == 1
            told = f"{three[0]:+g}" if same else ", ".join(f"{each:+g}" for each in three)
            if key == "points":
                said.append(f"{told} printer-light points of 0.025 D{'' if same else ' (red, green, blue)'}")
            else:
                told = f"{three[0]:g}" if same else " ".join(f"{each:g}" for each in three)
                said.append(f"{key} {told}")
    saturation = v.number("saturation")
    if saturation is not None and saturation != 1.0:
        said.append(f"saturation {saturation:g}")
    return ", ".join(said) or "none"


def _selective_words(v: Values) -> str:
    """What is done inside each hue window."""
    windows = v.values.get("windows")
    if not isinstance(windows, list) or not windows:
        return "none"
    names = {
        "turn_deg": "turned by {:g} degrees",
        "saturation": "saturation {:g}",
        "lightness": "lightness {:g}",
    }
    said = []
    for window in windows:
        did = [words.format(window[key]) for key, words in names.items() if key in window]
        said.append(
            f"hue {window.get('centre_deg', 0):g} degrees, width {window.get('width_deg', 60):g}: "
            f"{', '.join(did) or 'as it is'}"
        )
    return "; ".join(said)


def _rendering_words(v: Values) -> str:
    """Where white and black of the finished picture lie."""
    if v.text("show", "film") == "as captured":
        return "light as captured, relative to the open gate"
    if v.text("of", "") == "negative":
        return "black is what the base of the negative prints, white the clear end of its print; light linear between"
    white, black = _three_numbers(v, "white"), _three_numbers(v, "black")

    def told(three: list[float]) -> str:
        return " ".join(f"{each:.2f}" for each in three)

    ends = [
        f"white at density {told(white)}" if white and any(white) else "white at the open gate",
        f"black at density {told(black)}" if black and min(black) < 6.0 else "black where no light comes",
    ]
    return f"{', '.join(ends)} (red, green, blue); light linear between"


def _inversion_words(v: Values) -> str:
    """How a negative is printed."""
    base = _three_numbers(v, "base")
    told = (
        f"base of density {' '.join(f'{each:.2f}' for each in base)} (red, green, blue)"
        if base
        else "base not known"
    )
    said = [f"{told} taken off", f"contrast {v.number('contrast') or 2.9:g}"]
    greys = v.values.get("greys")
    if isinstance(greys, list | tuple) and greys:
        said.append(f"layers brought in step by {count_words(len(greys), 'grey')}")
    if _three_numbers(v, "card"):
        said.append("timed on a grey card")
    return ", ".join(said)


def _signature_words(v: Values) -> str:
    """Who signed for a look, when and where."""
    where = "in the room" if v.values.get("in_room") is True else "from an approval copy, not in the room"
    look = v.text("look", "")
    named = f"; look {look[:12]}" if look else ""
    return f"{v.text('who', 'somebody')} saw the look on {_day_words(v.text('on', 'a day not noted'))}, {where}{named}"


def _lift(v: Values) -> str:
    three = _three_numbers(v, "points")
    return f"{three[0]:+g}" if three else "some"


def _three_numbers(v: Values, key: str) -> list[float]:
    """Three numbers of a value; empty where it has none."""
    found = v.values.get(key)
    if isinstance(found, (list, tuple)) and all(isinstance(each, (int, float)) for each in found):
        return [float(each) for each in found]
    return []


def client_look(subject: str, value: Values) -> str:
    """Negative, black-and-white, and who agreed to the look."""
    if subject == "inversion":
        return (
            "The film is a negative. It is shown as a print of it would look, from the colour of its clear edge, with the "
            "choices that were agreed."
        )
    if subject == "black_and_white":
        kept = value.text("look", "") != "neutral"
        return (
            "The film is black and white; the warm or cold colour that it has of its own was kept."
            if kept
            else "The film is black and white; its own warm or cold colour was left out."
        )
    return (
        f"How the film looks was agreed by {value.text('who', 'its producer')} on "
        f"{_day_words(value.text('on', 'a day not noted'))}."
    )


def client_colour(decision: Decision) -> str | None:
    """A decision on colour as a family reads it; None where it does not concern them."""
    if decision.waits:
        return None
    if decision.subject == "fading":
        return fading_words.client_fading(Values(decision.value or {}))
    if decision.subject == "rendering":
        value = Values(decision.value or {})
        if value.text("show", "film") == "as captured" or value.text("of", "") == "negative":
            return None
        return (
            "Colours and brightness are those of the film: its clearest part is white, its darkest black, and dark scenes "
            "were left dark."
        )
    if decision.subject == "flicker":
        if not (decision.value or {}).get("on", True):
            return "Where light flickers from one picture to the next, it was left as it is."
        return "Where light flickered from one picture to the next, it was evened. Fades that were filmed are still there."
    where = "One scene of the film" if decision.anchor.startswith("scene") else "The film"
    return f"{where} was made lighter, darker or another shade by our technician, by eye."


# Subject -> what its value says, and the keys that it says.
VALUES: dict[str, tuple[_Say, set[str]]] = {
    "flicker": (_flicker_words, {"on", "surface", "contrast", "channels", "limit_ln"}),
    "primary": (_primary_words, {"points", "slope", "offset", "power", "saturation"}),
    "selective": (_selective_words, {"windows"}),
    "rendering": (_rendering_words, {"show", "white", "black", "shoulder", "matrix", "of"}),
    "inversion": (_inversion_words, {"base", "unmixing", "greys", "card", "contrast", "grey"}),
    "black_and_white": (
        lambda v: (
            "a neutral copy, tint and tone taken away"
            if v.text("look", "") == "neutral"
            else "tint and tone of the film kept"
        ),
        {"look", "clear", "border"},
    ),
    "sign_off": (_signature_words, {"who", "on", "in_room", "look"}),
    "fading": (fading_words.fading_words, fading_words.KEYS),
}


SENTENCES: dict[str, _Say] = {
    "dark scene": lambda v: (
        f"It is dark. A lift of {_lift(v)} printer-light points (0.025 D each) is proposed and waits for "
        "you; nothing was done about it. Look at the scene: night stays night unless you decide primary for it."
    ),
    "lamp level filled in": lambda v: (
        f"The lamp's level was not measured in {v.frames()}, because the perforation was clipped, covered or out of view; "
        "there the level of the frames around was used. A lamp that flashed unevenly may show in them."
    ),
    "negative left as captured": lambda v: (
        "The film is a negative and some of it is shown as captured, not turned into a positive: its unexposed border was not "
        "seen, so the density of its base is not known. Decide inversion with the base, and it is turned."
    ),
    "colour in black-and-white": lambda v: (
        "The film is stated as black-and-white and holds colour that is neither the tint of its base nor the tone of its image: "
        "hand colouring, a tinted title, or colour film after all. One density shows none of it. Look at it, and state "
        'film = "reversal" if that colour is to stay.'
    ),
    "negative not signed": _not_signed,
}

# What a family reads, where it concerns them.
CLIENT: dict[str, _Say] = {
    "negative left as captured": lambda v: (
        "This film is a negative: dark is light and colours are reversed. It is shown as it was scanned."
    ),
    "negative not signed": lambda v: (
        "This film is a negative, and how it is to look has to be seen and agreed before we finish it. Please look at the "
        "copy that is marked NOT SIGNED, best together with us."
    ),
}

"""Sentences of the fading of dyes: what is left of each, how surely, and what waits. `words.py` takes them up."""

from collections.abc import Callable

from smallgauge.deliver.phrases import Values, list_words
from smallgauge.record.treatment import UNFADED

_Say = Callable[[Values], str]
LAYERS = ("cyan", "magenta", "yellow")
KEYS = {"light", "left", "sigma", "source", "clear", "base", "border", "flare", "clear_seen"}
WHOLE = UNFADED


def _numbers(v: Values, key: str) -> list[float]:
    found = v.values.get(key)
    if isinstance(found, (list, tuple)) and all(isinstance(each, (int, float)) for each in found):
        return [float(each) for each in found]
    return []


def shares(v: Values) -> str:
    """What is left of each layer, with its standard error where that is known.

    Examples
    --------
    >>> shares(Values({"left": [0.55, 0.93, 0.8], "sigma": [0.06, 0.05, 0.07]}))
    '55 % (± 6) of cyan, 93 % (± 5) of magenta and 80 % (± 7) of yellow'
    """
    left, sigma = _numbers(v, "left"), _numbers(v, "sigma")
    if len(left) != 3:
        return "shares that are not noted"
    errors = [f" (± {100 * each:.0f})" for each in sigma] if len(sigma) == 3 else ["", "", ""]
    return list_words(
        [
            f"{100 * share:.0f} %{error} of {layer}"
            for share, error, layer in zip(left, errors, LAYERS, strict=True)
        ]
    )


def fading_words(v: Values) -> str:
    """The value of a decision on fading."""
    source = v.values.get("source")
    rests = sorted({str(each) for each in source}) if isinstance(source, (list, tuple)) else []
    if _unfaded(v):
        return f"taken as not faded ({list_words(rests) or 'no source noted'})"
    return f"dyes taken as faded to {shares(v)}, by {list_words(rests) or 'no source noted'}"


def _unfaded(v: Values) -> bool:
    left = _numbers(v, "left")
    return len(left) == 3 and min(left) >= WHOLE


def _undone(v: Values) -> str:
    if _unfaded(v):
        return f"The dyes have not faded, as far as the film tells{v.plain(': ', 'why')}. Its colours were left alone."
    return (
        f"The dyes have faded to {shares(v)}; the fading was undone in the finished film{v.plain(': ', 'why')}. Look at a grey "
        "in it, and decide fading for this length where your eye knows better."
    )


def _seems_none(v: Values) -> str:
    return (
        f"The dyes seem not to have faded, but the evidence is not enough to be sure{v.plain(': ', 'why')}. The colours were "
        "left alone; decide fading for this length where your eye knows better."
    )


def _waits(v: Values) -> str:
    return (
        f"The dyes may have faded to {shares(v)}, but the evidence is not enough to act on{v.plain(': ', 'why')}. Nothing was "
        "done about it. Look at the stills, then decide fading for this length: 'as proposed', 'none', or shares of your own."
    )


def _not_told(v: Values) -> str:
    return (
        f"Whether the dyes have faded is not told by the film{v.plain(': ', 'why')}. Its colours were left as they are; decide "
        "fading for this length where your eye knows better."
    )


SENTENCES: dict[str, _Say] = {
    "fading undone": _undone,
    "fading waits": _waits,
    "fading seems none": _seems_none,
    "fading not told": _not_told,
}


def client_fading(v: Values) -> str | None:
    """What a family reads of a decision on fading; nothing where the film has kept its colours."""
    if _unfaded(v):
        return None
    return (
        "The colours of this film have faded with age. We measured how much of each dye is left, and the finished film shows the "
        "colours as they were, as near as that tells. The untouched copy of the scan shows them as they are now."
    )

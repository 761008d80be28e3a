"""What a technician and a client read of the faults of the sound; part of `words.py`.

repairs_words, clicks_words          what was done to the finished sound; what was found
HUM_ACTS, equalisation_words         the values of decisions
client_fault, sound_left_words       a decision, and what was left, to a family
"""

from collections.abc import Mapping

from smallgauge.deliver.phrases import Values, count_words, list_words
from smallgauge.record.rendertable import NOTHING_REPAIRED, SoundSummary

HUM_ACTS = {
    "take out": "taken out, that of the film and that of the capture chain",
    "take out chain": "that of the capture chain is taken out, that of the film stays",
    "take out film": "that of the film is taken out, that of the capture chain stays",
    "leave": "left as it is",
}


def equalisation_words(v: Values) -> str:
    """Which replay curve is changed, from the value of its decision."""
    replayed, recorded = v.text("replayed", ""), v.text("recorded", "")
    if not replayed:
        return "left as it is"
    if recorded in ("", replayed):
        return f"the curve of {replayed} microseconds put right for the speed of the capture"
    return f"from the machine's curve of {replayed} to {recorded} microseconds, for the speed of the capture"


def repairs_words(done: Mapping[str, object]) -> str:
    """What was done to the finished sound; "" for nothing.

    Examples
    --------
    >>> repairs_words({"hum": ["film"], "hum_lines": 4, "clicks": 2, "flutter": False})
    '4 lines of hum of the film were taken out and 2 clicks filled'
    """
    v = Values(done)
    clocks = ["the capture chain" if clock == "chain" else "the film" for clock in v.items("hum")]
    told = []
    if clocks:
        told.append(
            f"{count_words(v.count('hum_lines') or 0, 'line')} of hum of {list_words(clocks)} were taken out"
        )
    if done.get("flutter") is True:
        told.append("flutter of the recording was taken out")
    if v.count("clicks") or v.count("thumps"):
        told.append(f"{clicks_words(v).lower()} filled")
    if done.get("equalised") is True:
        told.append("the replay curve was put right")
    if v.number("hiss_db"):
        told.append(f"hiss was lowered by {v.number('hiss_db'):g} dB at most")
    return list_words(told)


def clicks_words(v: Values) -> str:
    """How many clicks and thumps, with an upper-case beginning where nothing is counted."""
    clicks, thumps = v.count("clicks"), v.count("thumps")
    told = [count_words(clicks, "click")] if clicks else []
    told += [count_words(thumps, "dull thump of splices", "dull thumps of splices")] if thumps else []
    return list_words(told) or "Clicks"


_CLIENT_FAULTS = {
    "hum": (
        "Hum in the sound was left as it is.",
        "Electric hum was taken out of the sound, and nothing else with it.",
    ),
    "flutter": (
        "The pitch of the sound wavers as it did when it was recorded.",
        "The sound was steadied: its pitch no longer wavers as it did.",
    ),
    "clicks": (
        "Clicks in the sound were left as they are.",
        "Clicks in the sound were filled from what is heard just before and after.",
    ),
    "equalisation": (
        "High and low notes sound as the scanner gave them.",
        "High and low notes were brought back to the balance of the recording.",
    ),
    "hiss": ("Hiss was left, so that nothing that lies under it is lost.", "Hiss was made softer."),
}


def client_fault(subject: str, v: Values) -> str | None:
    """What a decision on a fault of the sound means to a family; None for other subjects.

    Examples
    --------
    >>> client_fault("hum", Values({"act": "leave"}))
    'Hum in the sound was left as it is.'
    """
    if subject not in _CLIENT_FAULTS:
        return None
    left, taken = _CLIENT_FAULTS[subject]
    is_left = {
        "equalisation": not v.text("replayed", ""),
        "hiss": not v.number("reduce_db"),
    }.get(subject, v.text("act", "leave") == "leave")
    return left if is_left else taken


def sound_left_words(made: SoundSummary | None) -> str:
    """Which faults of the sound were left in it, for a family; None says that nothing was rendered.

    Examples
    --------
    >>> sound_left_words(None)
    'Hum, hiss and clicks of the sound were not taken out.'
    """
    done = made.repairs if made is not None else NOTHING_REPAIRED
    taken = {"hum": done.hum, "hiss": done.hiss_db, "clicks": done.clicks + done.thumps}
    left = [name for name, how_much in taken.items() if not how_much]
    if not left:
        return "Of the sound's hum, hiss and clicks, what could be told apart from the recording was made less or filled."
    words = list_words(left)
    return f"{words[:1].upper()}{words[1:]} of the sound {'was' if left in (['hum'], ['hiss']) else 'were'} not taken out."

"""Words of copies by order: what each is called to a family, and sentences of what was found of them.

copy_words    a copy by order -> what it is, in plain words, and how it is opened
CODING_NAMES  a codec -> what the trade calls it
SENTENCES     codes of findings -> a technician's sentence; CHECKS -> what was compared
"""

from collections.abc import Callable
from dataclasses import dataclass

from smallgauge.deliver.phrases import Values, rate_words
from smallgauge.record.rendertable import CopySummary

_Say = Callable[[Values], str]
CODING_NAMES = {"h264": "H.264", "hevc": "HEVC", "av1": "AV1", "prores": "ProRes 422"}
_ANY = "Double-click it; any player, telephone or television of the last ten years should show it."
_RECENT = "Players of recent years; where one does not know it, take the film to watch."


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyWords:
    """A copy by order: the words in brackets in its file's name, what it is, how it is opened."""

    name: str
    what: str
    how: str


def copy_words(copy: CopySummary) -> CopyWords:
    """What a copy by order is to a person.

    Examples
    --------
    >>> from fractions import Fraction
    >>> size = {"frames": 50, "width": 1920, "height": 1080, "picture_width": 1440, "picture_height": 1080}
    >>> copy_words(CopySummary(file="hd-25.mp4", rate=Fraction(25), order="hd 25", **size)).name
    'wide screen, 25 pictures a second'
    """
    kind, _, more = copy.order.partition(" ")
    shown = f"{rate_words(copy.rate)} pictures a second"
    repeats = "pictures are repeated evenly for it, none is invented"
    if kind == "viewing":
        return CopyWords(
            name="own speed", what="The film at its own speed.", how="Any computer or telephone."
        )
    if kind == "television":
        return CopyWords(name=shown, what=f"The film at {shown}: {repeats}.", how=_ANY)
    if kind == "hd":
        bars = "The film on a wide screen, with black at both sides so that nothing is cut off"
        name = f"wide screen, {shown}" if more else "wide screen"
        return CopyWords(name=name, what=f"{bars}{f'; {repeats}' if more else ''}.", how=_ANY)
    if kind == "hevc":
        name, what = ("HEVC", "HEVC, with finer steps of brightness") if not more else ("HEVC 8-bit", "HEVC")
        return CopyWords(name=name, what=f"The film coded as {what}: a smaller file.", how=_RECENT)
    if kind == "av1":
        return CopyWords(
            name="AV1",
            what="The film coded as AV1: the smallest file. Some of the film's grain is smoothed away in it.",
            how=_RECENT,
        )
    return CopyWords(
        name=f"editing, {shown}",
        what=f"For film editors: every picture stands by itself, with time code and uncoded sound, at {shown}. The list beside "
        "it names the film frame that each picture shows.",
        how="Editing programs. It is large.",
    )


SENTENCES: dict[str, _Say] = {
    "coding differs": lambda v: (
        f"{v.text('file', 'A copy')} is not coded as it is to be{v.plain(': found ', 'found')}"
        f"{v.plain(' where needed is ', 'needed')}. Run render again, then prove."
    ),
    "key frames lacking": lambda v: (
        f"Only {v.text('found', 'some')} of {v.text('needed', 'all')} frames of {v.text('file', 'an editing copy')} stand by "
        "themselves. Run render again, then prove."
    ),
    "time code differs": lambda v: (
        f"The time code of {v.text('file', 'an editing copy')} is not what it is to be{v.plain(': found ', 'found')}"
        f"{v.plain(' where needed is ', 'needed')}. Run render again, then prove."
    ),
    "list of frames differs": lambda v: (
        f"{v.text('file', 'A list of frames')} does not say what the tables say{v.plain(', from row ', 'row', ' on')}. "
        "Run render again, then prove."
    ),
    "copy leaves frames out": lambda v: (
        f"{v.text('file', 'A copy')} runs slower than the film{v.plain(': at ', 'rate', ' frames a second')}, so it does not show "
        f"{v.plain('', 'frames', ' frames') or 'some frames'} of it. Its speed is right; where every frame is wanted, order a "
        "copy of a higher rate."
    ),
}

CHECKS: dict[str, tuple[str, str, str]] = {
    "coding": ("coding", "codings", "as ordered, colour tags and square pixels included"),
    "key frames": ("frame", "frames", "standing by itself"),
    "time code": ("time code track", "time code tracks", "counting every frame as it should"),
    "list of frames": ("row of the list", "rows of the list", "saying what the tables say"),
}

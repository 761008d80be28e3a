"""Where film can hurt people: what to say, from where, and the sentence that defers to those who know the place."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from smallgauge.office.ledger import NOT_LOOKED_AT
from smallgauge.office.triage import BY_NAME

DEFERRING = (
    "This is general information, not a safety procedure. Local fire, building, waste, transport and workplace law, the current "
    "safety data sheets, and the judgement of qualified or licensed people come before anything shown here. If in doubt, stop "
    "and ask them."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """What to say of one danger; `sources` are keys of the one list of sources, or "common practice".

    It is shown by `notice_words`, never without the deferring sentence.
    """

    subject: str
    said: str
    sources: tuple[str, ...]


NOTICES: tuple[Notice, ...] = (
    Notice(
        subject="nitrate",
        said=(
            "Nitrate film burns fiercely, is hard to put out, gives toxic smoke, and is worse as it ages. Never test by burning, "
            "do not run it, do not heat it, do not send it by ordinary post; keep it cool and apart, and get qualified help."
        ),
        sources=("INDG469", "H182"),
    ),
    Notice(
        subject="vinegar",
        said=(
            "A smell of vinegar is acetic acid, which irritates eyes and airways: ventilate, wear gloves, keep the reel apart from "
            "other film. The limits named are 10 ppm over a working day and 15 ppm for 15 minutes; the smell is noticed well below."
        ),
        sources=("NIOSH",),
    ),
    Notice(
        subject="mould",
        said=(
            "Treat mould as a breathing hazard: extraction or a fume cupboard, disposable gloves, wash hands, keep it away from "
            "other film."
        ),
        sources=("NFSAHAZ",),
    ),
    Notice(
        subject="solvents",
        said=(
            "All cleaning solvents are toxic to some degree: extraction away from the operator, gloves, below the statutory limit. "
            "Never carbon tetrachloride, petrol or methylated spirit. Check that the solvent suits the base, the dyes and the "
            "magnetic stripe first."
        ),
        sources=("FAOLCLEAN", "NFSACLEAN"),
    ),
    Notice(
        subject="cement",
        said=(
            "Film cement holds acetone, dioxane or chlorinated solvents: flammable or harmful, and it does not work on polyester. "
            "Splicer blades cut; rewinds catch hair, sleeves and fingers."
        ),
        sources=("common practice",),
    ),
)


def notice_words(notices: Iterable[Notice]) -> tuple[str, ...]:
    """Notices as they are shown: each with its sources, and below them all, once, the sentence that defers.

    >>> [words[:30] for words in notice_words(NOTICES[1:3])]
    ['A smell of vinegar is acetic a', 'Treat mould as a breathing haz', 'This is general information, n']
    >>> notice_words(())
    ()
    """
    said = tuple(f"{each.said} ({', '.join(each.sources)})" for each in notices)
    return (*said, DEFERRING) if said else ()


_SIGNS = {
    "nitrate": BY_NAME["nitrate"].sign,
    "vinegar": r"vinegar|acetic|\bsour|\bacid|strip level ([1-3])",
    "mould": BY_NAME["mould"].sign,
    "solvents": r"solvent|cleaner|wet clean|weeping|\bstripe (?!not looked)",
    "cement": r"cement|splices? [1-9]",
}


def seen_words(condition: Mapping[str, str]) -> str:
    """What was looked at and not found clear, as words that notices are chosen by.

    The subject stands before what was seen of it: somebody who writes "white dots" under mould does not write mould again.

    >>> seen_words({"mould": "white dots", "warp": "none", "strip level": "1.5"})
    'mould white dots strip level 1.5'
    """
    clear = ("none", "no ", "nothing", NOT_LOOKED_AT)
    return " ".join(
        f"{subject} {seen}" for subject, seen in condition.items() if not seen.casefold().startswith(clear)
    )


def notices_for(words: str, gauge: str) -> tuple[Notice, ...]:
    """The notices that words on a reel call for; film of a gauge that nobody is sure of gets that on nitrate too."""
    found = {subject for subject, sign in _SIGNS.items() if re.search(sign, words, re.IGNORECASE)}
    if gauge == "not sure":
        found.add("nitrate")
    return tuple(notice for notice in NOTICES if notice.subject in found)

"""What follows from what was told or seen of a reel: advice with its source, and the holds that the rules place.

REASONS             what forbids running or handing out, with the holds it places; each has one key at the counter
reasons_in          the reasons that a person's words name
reasons_seen        the reasons that follow from what was seen of one subject
advice_of           what to know of a reel in its condition, each with its source
strip_advice, shrinkage_advice   one row of a published table

A reading of what nobody looked at is never made: where a subject is *not looked at*, nothing follows from it.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from smallgauge.errors import CallerError

PRACTICE = "common practice, no source"
MEMORY = "from memory, not checked"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why a reel must not run, or its files must not leave; `kinds` are the holds that follow."""

    name: str
    key: str  # at the counter
    why: str
    kinds: tuple[str, ...]
    sign: str  # words that name it, as a regular expression
    say: str  # what to do about it


REASONS: tuple[Reason, ...] = (
    Reason(
        name="mould",
        key="m",
        why="mould",
        kinds=("film",),
        sign=r"mou?ld|fung|mildew",
        say="Keep it apart from other film, and let whoever is named decide what is cleaned, and where.",
    ),
    Reason(
        name="nitrate",
        key="f",
        why="perhaps nitrate base",
        kinds=("film",),
        sign=r"nitrat|celluloid|(?<!non)(?<!non-)(?<!non )(?<!not )(?<!in)flammable|\b17[.,]5\b|\b35 ?mm",
        say="Don't run it, don't heat it, don't test by burning, don't post it; get qualified help.",
    ),
    Reason(
        name="unprocessed",
        key="u",
        why="exposed, not processed",
        kinds=("film",),
        sign=r"unprocessed|not processed|undeveloped|not developed|unexposed",
        say="Never open it and never run it: keep it in the dark and ask the client whether it is to be processed.",
    ),
    Reason(
        name="two gauges",
        key="t",
        why="two gauges on one spool",
        kinds=("film",),
        sign=r"two gauges|mixed gauges?",
        say="It comes apart at the bench first, with the client's leave; each part gets its own number.",
    ),
    Reason(
        name="negative",
        key="g",
        why="negative: no producer's visit is booked, and it is not signed",
        kinds=("film", "files"),
        sign=r"(?<!not a )(?<!no )negative",
        say="A negative has no look of its own: book the producer's visit, then lift the hold on the film; lift the one on the "
        "files when it is signed.",
    ),
    Reason(
        name="consent",
        key="c",
        why="the client's consent is missing",
        kinds=("film",),
        sign=r"consent|not agreed",
        say="Ask, note the consent with `smallgauge order consent`, then let whoever is named lift the hold.",
    ),
    Reason(
        name="private",
        key="p",
        why="private matter",
        kinds=("film", "files"),
        sign=r"private|troubling|intimate",
        say="Stop. Tell only the person whom the shop names, follow the shop's written rule and local law, and show it to nobody "
        "else.",
    ),
    Reason(
        name="rights",
        key="r",
        why="bought print: the rights are not asked for",
        kinds=("files",),
        sign=r"bought print|\brights\b|cartoon|newsreel|feature film",
        say="It holds somebody else's work: ask before copying.",
    ),
)
BY_NAME: dict[str, Reason] = {reason.name: reason for reason in REASONS}


def reasons_in(words: str) -> tuple[Reason, ...]:
    """The reasons that a person's words name.

    Examples
    --------
    >>> [each.name for each in reasons_in("active mould, and a bought print")]
    ['mould', 'rights']
    >>> reasons_in("Safety film, non-flammable")
    ()
    """
    return tuple(each for each in REASONS if re.search(each.sign, words, re.IGNORECASE))


def holds_for(words: str) -> tuple[tuple[str, str], ...]:
    """What was answered to *what forbids running*: each hold that follows, as its kind and the reason's name.

    A reason's own words place its own holds. Any other words keep the film off the machine, whatever they say, and
    the files in the shop where they name a reason that does.

    Examples
    --------
    >>> holds_for("rights"), holds_for("torn, a bought print")
    ((('files', 'rights'),), (('film', ''), ('files', 'rights')))
    """
    plain = words.strip().casefold()
    exact = [each for each in REASONS if plain in (each.name, each.why.casefold())]
    named = exact or reasons_in(words)
    found = dict.fromkeys((kind, each.name) for each in named for kind in each.kinds)
    if not exact and not any(kind == "film" for kind, _ in found):
        return (("film", ""), *found)
    return tuple(found)


CLEAR = ("none", "no ", "nothing", "not present")


def is_clear(seen: str) -> bool:
    """Whether somebody looked and found nothing.

    Examples
    --------
    >>> is_clear("none seen"), is_clear("dry, at the head")
    (True, False)
    """
    return seen.strip().casefold().startswith(CLEAR)


_BY_SUBJECT = {
    "mould": "mould",
    "base": "nitrate",
    "kind": "negative",
    "processing": "unprocessed",
    "spool": "two gauges",
}
_OF_CONTENT = ("private", "rights")


def reasons_seen(subject: str, seen: str) -> tuple[Reason, ...]:
    """The reasons that follow from what was seen of one subject.

    Examples
    --------
    >>> [each.name for each in reasons_seen("mould", "dry, at the head")], reasons_seen("mould", "none seen")
    (['mould'], ())
    """
    if is_clear(seen):
        return ()
    if subject == "mould":
        return (BY_NAME["mould"],)
    wanted = _OF_CONTENT if subject == "content" else (_BY_SUBJECT.get(subject, ""),)
    return tuple(each for each in reasons_in(seen) if each.name in wanted)


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """What to know of one subject, with where it stands: keys of the list of sources, or the words of confidence."""

    subject: str
    said: str
    source: str

    @property
    def words(self) -> str:
        """The advice as it is shown."""
        return f"{self.subject}: {self.said} ({self.source})"


def advice_on(whys: Iterable[str], *, private_rule: str = "") -> tuple[Advice, ...]:
    """What to do about holds, each reason once; `private_rule` is the shop's own, and is said first.

    Examples
    --------
    >>> [each.subject for each in advice_on(["mould: at the rim", "mould", "torn"])]
    ['mould']
    """
    named = dict.fromkeys(reason for why in whys for reason in reasons_in(why))
    found = [Advice(subject=each.name, said=each.say, source=PRACTICE) for each in named]
    if private_rule and BY_NAME["private"] in named:
        found.insert(0, Advice(subject="private", said=private_rule, source="the shop's own rule"))
    return tuple(found)


# Level, state of the film and what is advised: IPI2001's table, seen in text for 0 to 2 and the first words of 3.
STRIP_LEVELS: tuple[tuple[Decimal, str, str, str], ...] = (
    (Decimal("0"), "good, no deterioration", "cool or cold storage", "IPI2001"),
    (
        Decimal("1"),
        "fair to good, deterioration starting",
        "cold storage, and look again often",
        "IPI2001",
    ),
    (
        Decimal("1.5"),
        "rapid degradation starting, the autocatalytic point",
        "cold storage, or freeze",
        "IPI2001",
    ),
    (Decimal("2"), "poor, actively degrading", "freeze; copying is advisable", "IPI2001"),
    (
        Decimal("3"),
        "critical; shrinkage and warping are imminent, and handling may be a hazard",
        "freeze at once, and copy",
        f"IPI2001 for its first word; the rest {MEMORY}",
    ),
)


def _number(text: str, what: str, least: Decimal, most: Decimal, such: str) -> Decimal:
    found = re.search(r"-?\d+(?:\.\d+)?", text)
    try:
        value = Decimal(found.group()) if found is not None else Decimal(-999)
    except InvalidOperation:
        value = Decimal(-999)
    if not least <= value <= most:
        raise CallerError(f"{what} is a number of {least} to {most}, found '{text}'; write {such}.")
    return value


def strip_level(text: str) -> Decimal:
    """The level that was read from an acid-detection strip, 0 to 3."""
    return _number(text, "A strip's level", Decimal(0), Decimal(3), "1.5")


def strip_advice(level: Decimal) -> Advice:
    """What a strip's level says; between two levels the lower row is shown with the one it is on the way to.

    Notes
    -----
    Source: IPI2001 (table of levels).

    Examples
    --------
    >>> strip_advice(Decimal("1.5")).said
    'level 1.5: rapid degradation starting, the autocatalytic point; cold storage, or freeze'
    """
    at = max(place for place, row in enumerate(STRIP_LEVELS) if row[0] <= level)
    low, state, advised, source = STRIP_LEVELS[at]
    said = f"level {level}: {state}; {advised}"
    if low < level:
        high, worse, more, _ = STRIP_LEVELS[at + 1]
        said = f"level {level}, above {low} ({state}) and on the way to {high}: {worse}; {more}"
    return Advice(subject="strip level", said=said, source=source)


def shrinkage_percent(text: str) -> tuple[Decimal, Decimal]:
    """Least and most of a shrinkage as a person wrote it, in per cent: 0.7, or 0.5..0.9 where it is a range."""
    first, _, last = text.replace("%", "").partition("..")
    low = _number(first, "Shrinkage in per cent", Decimal(0), Decimal(10), "0.7, or 0.5..0.9 for a range")
    high = _number(
        last or first, "Shrinkage in per cent", low, Decimal(10), "0.7, or 0.5..0.9 for a range, least first"
    )
    return low, high


_BAND_WORDS = {
    "usual": "usual for aged acetate; it may be transferred as usual",
    "limit": "about the limit for ordinary projection",
    "above": "don't project it; a laboratory or a gentle transport only",
    "severe": "nearly impossible to copy on ordinary machines; ask a specialist",
}


def shrinkage_advice(percent: Decimal) -> Advice:
    """The band that a shrinkage lies in; on a border it is the band below.

    Notes
    -----
    Source: DARTMOUTH for the limits at 0.8 and 2 %; that at 0.5 % is common practice.

    Examples
    --------
    >>> shrinkage_advice(Decimal("0.9")).said
    "0.9 %: don't project it; a laboratory or a gentle transport only"
    """
    from smallgauge.picture.shrinkage import BANDS  # here, because most commands of the office need no arrays

    for name, limit, source in BANDS:
        if percent <= (Decimal(str(limit)) * 100 if limit != float("inf") else Decimal("Infinity")):
            told = PRACTICE if source == "common practice" else source
            return Advice(subject="shrinkage", said=f"{percent} %: {_BAND_WORDS[name]}", source=told)
    raise AssertionError(percent)


# The house's grade of perforation damage; no published grade in numbers was found.
PERFORATION_GRADES = (
    "none",
    "nicked or strained edges, holes whole",
    "cracked corners",
    "torn, up to two holes together",
    "torn or missing, three or more together",
    "running tear into the picture",
)


def perforation_grade(text: str) -> int:
    """The grade that stands before the words: `3, at 40 ft, 2 holes`."""
    return int(
        _number(text, "The grade of the perforations", Decimal(0), Decimal(5), "'3, at 40 ft, 2 holes'")
    )


def check_seen(subject: str, seen: str) -> None:
    """Refuse a reading that is no reading."""
    if subject == "strip level":
        strip_level(seen)
    elif subject == "strip hours":
        _number(seen, "The hours of a strip in the can", Decimal("0.5"), Decimal(720), "24")
    elif subject == "strip temperature":
        _number(seen, "The temperature beside a strip", Decimal(-30), Decimal(110), "'21 C'")
    elif subject == "shrinkage":
        shrinkage_percent(seen)
    elif subject == "perforations" and not is_clear(seen):
        perforation_grade(seen)


def advice_of(condition: Mapping[str, str]) -> tuple[Advice, ...]:
    """What to know of a reel, from the subjects that were looked at; `condition` leaves out those that were not."""
    found = []
    if "shrinkage" in condition:
        low, high = shrinkage_percent(condition["shrinkage"])
        found.append(shrinkage_advice(high))
        if low < Decimal("0.3"):
            found.append(
                Advice(
                    subject="shrinkage",
                    said="less than 0.3 % is never called shrunk: new film of the short pitch reads up to 0.21 %",
                    source="derived from ST149 and ST239",
                )
            )
    if "strip level" in condition:
        found.append(strip_advice(strip_level(condition["strip level"])))
    if "perforations" in condition and not is_clear(condition["perforations"]):
        grade = perforation_grade(condition["perforations"])
        found.append(
            Advice(
                subject="perforations", said=f"grade {grade}: {PERFORATION_GRADES[grade]}", source=PRACTICE
            )
        )
    if "stripe" in condition and not is_clear(condition["stripe"]):
        said = (
            "a solvent can lift the stripe: no wet cleaning before it was tried where no sound lies; the tape of a stripe that "
            "lifts is not rubbed"
        )
        found.append(Advice(subject="stripe", said=said, source=PRACTICE))
    found += [
        Advice(subject=reason.name, said=reason.say, source=PRACTICE)
        for subject, seen in condition.items()
        for reason in reasons_seen(subject, seen)
    ]
    return tuple(found)

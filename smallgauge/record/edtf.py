"""Honest dates: as much of a date as somebody stated, in the Extended Date/Time Format, and in words.

read_edtf   "1962~"                    -> Edtf, or a refusal
edtf_words  Edtf                       -> "about 1962"

A day is a full day only where somebody stated one: `full_day` is None for everything else, and nothing is ever made of it.
"""

import re
from dataclasses import dataclass
from datetime import date

from smallgauge.errors import CallerError

_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip
_SEASONS = {21: "spring", 22: "summer", 23: "autumn", 24: "winter"}
_DATE = re.compile(
    r"(?P<year>\d{4}|\d{3}X|\d{2}XX)(?:-(?P<month>\d{2}|XX)(?:-(?P<day>\d{2}|XX))?)?(?P<doubt>[?~%]?)"
)
_DOUBT = {"": "", "?": "perhaps ", "~": "about ", "%": "perhaps about "}
OPEN, UNKNOWN = "..", ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Edtf:
    """A date as it was stated; `full_day` only where it is one day without doubt."""

    text: str
    full_day: date | None


def read_edtf(text: str) -> Edtf:
    """A stated date.

    Parameters
    ----------
    text : str
        A day, a month, a season or a year of four digits, with X for what is not known ("196X", "1962-12-XX"), and with "?" for
        uncertain, "~" for about, "%" for both; or two of them with a stroke between, ".." for an open end, nothing for an
        unknown one.

    Raises
    ------
    CallerError
        For another form, or a day that no calendar has.

    Notes
    -----
    Source: EDTF, levels 0 and 1 without times, years of more than four digits and years before the year 0, which no film has.

    Examples
    --------
    >>> read_edtf("1962-12-24").full_day
    datetime.date(1962, 12, 24)
    >>> read_edtf("1962~").full_day is None, read_edtf("1962-12-24?").full_day is None
    (True, True)
    """
    said = text.strip()
    parts = said.split("/")
    day = None
    if len(parts) == 2:
        known = [part for part in parts if part not in (OPEN, UNKNOWN)]
        fits = bool(known) and all(_fits(part) for part in known)
    else:
        fits = len(parts) == 1 and _fits(said)
        match = _DATE.fullmatch(said)
        if fits and match is not None and re.fullmatch(r"\d{4}-\d{2}-\d{2}", said):
            day = date.fromisoformat(said)
    if not fits:
        raise CallerError(
            f"A date of a film is written as far as it is known: 1962-12-24, 1962-12, 1962, 1962~ for about, 1962? for perhaps, "
            f"196X for the sixties, 1962/1964 for from to; found '{text}'."
        )
    return Edtf(text=said, full_day=day)


def _fits(text: str) -> bool:
    match = _DATE.fullmatch(text)
    if match is None:
        return False
    year, month, day = match["year"], match["month"], match["day"]
    if month is None:
        return True
    if "X" in year or (month == "XX" and day not in (None, "XX")):
        return False  # a known part after an unknown one is of level 2
    if month == "XX":
        return True
    number = int(month)
    if number in _SEASONS:
        return day is None
    if not 1 <= number <= 12:
        return False
    if day in (None, "XX"):
        return True
    try:
        date(int(year), number, int(day))
    except ValueError:
        return False
    return True


def edtf_words(edtf: Edtf) -> str:
    """The date as people say it.

    Examples
    --------
    >>> [edtf_words(read_edtf(text)) for text in ("1962-12-24", "1962~", "196X", "1962-12-XX?", "1962/1964~")]
    ['24 December 1962', 'about 1962', 'the 1960s', 'perhaps a day of December 1962', 'from 1962 to about 1964']
    >>> [edtf_words(read_edtf(text)) for text in ("19XX", "1962-22", "1962/..", "/1962", "1962-XX")]
    ['between 1900 and 1999', 'summer 1962', '1962 or later', 'until 1962', 'a month of 1962']
    """
    first, stroke, last = edtf.text.partition("/")
    if not stroke:
        return _words(first)
    if first in (OPEN, UNKNOWN):
        return f"until {_words(last)}"
    if last in (OPEN, UNKNOWN):
        return f"{_words(first)} or later"
    return f"from {_words(first)} to {_words(last)}"


def _words(text: str) -> str:
    match = _DATE.fullmatch(text)
    if match is None:
        raise CallerError(f"'{text}' is no date that was read.")
    year, month, day, doubt = match["year"], match["month"], match["day"], _DOUBT[match["doubt"]]
    if year.endswith("XX"):
        return f"{doubt}between {year[:2]}00 and {year[:2]}99"
    if year.endswith("X"):
        return f"{doubt}the {year[:3]}0s"
    if month is None:
        return f"{doubt}{year}"
    if month == "XX":
        return f"{doubt}a {'month' if day is None else 'day'} of {year}"
    name = _SEASONS.get(int(month)) or _MONTHS[int(month) - 1]
    if day is None:
        return f"{doubt}{name} {year}"
    return f"{doubt}a day of {name} {year}" if day == "XX" else f"{doubt}{int(day)} {name} {year}"

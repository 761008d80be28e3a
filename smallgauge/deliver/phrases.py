"""Small pieces that sentences are made of: counts, lists, lengths, times and rates as a person says them.

Values        the numbers of a finding, each of which may be missing
count_words   "1 frame", "3,600 frames"
list_words    "a, b and c", cut off with a count where it is long
rate_words, running_words, length_words, moment_words

English only, and from nothing but what is handed in: no locale, no clock.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction

from smallgauge.errors import MaterialError
from smallgauge.gauge.gauges import Gauge, gauge_named
from smallgauge.gauge.rates import feet_from_frames, metres_from_frames, running_time_s

_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)
_LISTED = 6  # names in a sentence before it says "and so many more"; common practice, no source


def count_words(count: int, one: str, many: str = "") -> str:
    """A count with its noun.

    Examples
    --------
    >>> count_words(1, "frame"), count_words(3600, "frame"), count_words(2, "copy", "copies")
    ('1 frame', '3,600 frames', '2 copies')
    """
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def list_words(items: Sequence[object], *, most: int = _LISTED) -> str:
    """Items in a row as a sentence holds them; a long list is cut and the rest counted.

    Examples
    --------
    >>> list_words(["a", "b", "c"]), list_words(range(9), most=2)
    ('a, b and c', '0, 1 and 7 more')
    """
    words = [str(item) for item in items]
    if len(words) > most:
        words = [*words[:most], f"{len(words) - most:,} more"]
    return words[0] if len(words) == 1 else " and ".join([", ".join(words[:-1]), words[-1]]) if words else ""


def number_words(value: float, *, decimals: int = 2) -> str:
    """A number with at most so many decimals and no zeros at its end.

    Examples
    --------
    >>> number_words(18.0), number_words(0.125), number_words(-0.0001)
    ('18', '0.12', '0')
    """
    text = f"{value:,.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


def rate_words(rate: Fraction) -> str:
    """A rate as the trade says it, exact where it is short.

    Examples
    --------
    >>> rate_words(Fraction(18)), rate_words(Fraction(50, 3)), rate_words(Fraction(1673, 100))
    ('18', '16\xa02/3', '16.73')
    """
    if rate.denominator == 1:
        return str(rate.numerator)
    if rate == round(rate, 3):
        return number_words(float(rate), decimals=3)
    whole, rest = divmod(rate.numerator, rate.denominator)
    return f"{whole}\u00a0{rest}/{rate.denominator}" if rate.denominator < 10 else f"{float(rate):.3f}"


def running_words(frames: int, rate: Fraction) -> str:
    """How long so many frames last, in words.

    Examples
    --------
    >>> running_words(3600, Fraction(18)), running_words(200, Fraction(18))
    ('3 minutes 20 seconds', '11 seconds')
    """
    seconds = int(running_time_s(frames, rate) + Fraction(1, 2))
    minutes, rest = divmod(seconds, 60)
    parts = [count_words(minutes, "minute")] if minutes else []
    if rest or not minutes:
        parts.append(count_words(rest, "second"))
    return " ".join(parts)


def length_words(gauge: Gauge, frames: int) -> str:
    """Length of so many frames in feet and metres, by the trade's count (ENCFOOT).

    Examples
    --------
    >>> length_words(gauge_named("super 8"), 3600)
    '50 feet (15.2 metres)'
    """
    feet = float(feet_from_frames(gauge, frames))
    metres = float(metres_from_frames(gauge, frames))
    said = number_words(feet, decimals=0 if feet >= 20 else 1)
    return f"{said} {'foot' if said == '1' else 'feet'} ({metres:.1f} metres)"


def moment_words(at: str) -> str:
    """An ISO 8601 moment as a person reads it; text that is none is handed back as it is.

    Examples
    --------
    >>> moment_words("2026-01-17T10:05:00Z"), moment_words("some day")
    ('17 January 2026, 10:05 UTC', 'some day')
    """
    try:
        moment = datetime.fromisoformat(at.replace("Z", "+00:00"))
    except ValueError:
        return at
    zone = "" if moment.tzinfo is None else " UTC" if moment.utcoffset() == timedelta(0) else f" {moment:%z}"
    return f"{moment.day} {_MONTHS[moment.month - 1]} {moment.year}, {moment:%H:%M}{zone}"


def gauge_words(name: str) -> str:
    """A gauge as a person names it: "super-8" is "Super 8"; an unknown name is handed back.

    Examples
    --------
    >>> gauge_words("super-8"), gauge_words("11 mm")
    ('Super 8', '11 mm')
    """
    try:
        return gauge_named(name).name
    except MaterialError:
        return name


@dataclass(frozen=True, slots=True)
class Values:
    """The numbers of one finding. Any of them may be missing, and a sentence must stand without it."""

    values: Mapping[str, object]
    where: str = ""

    def text(self, key: str, without: str) -> str:
        """The value as text, or `without`."""
        value = self.values.get(key)
        if value is None or value == "" or value == [] or value == ():
            return without
        if isinstance(value, list | tuple):
            return list_words(value)
        if isinstance(value, float):
            return number_words(value, decimals=3)
        return f"{value:,}" if isinstance(value, int) and not isinstance(value, bool) else str(value)

    def plain(self, before: str, key: str, after: str = "") -> str:
        """`before`, the value and `after`; nothing at all where the value is missing."""
        value = self.text(key, "")
        return f"{before}{value}{after}" if value else ""

    def number(self, key: str) -> float | None:
        """The value as a number; None where it is missing or none."""
        value = self.values.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or value != value:
            return None
        return float(value)

    def items(self, key: str) -> tuple[object, ...]:
        """The value as a list; empty where it is missing."""
        value = self.values.get(key)
        return tuple(value) if isinstance(value, list | tuple) else ()

    def count(self, key: str) -> int | None:
        """The value as a count: a whole number, or how many a list holds."""
        value = self.values.get(key)
        if isinstance(value, list | tuple):
            return len(value)
        number = self.number(key)
        return None if number is None else int(number)

    def frames(self, key: str = "frames", without: str = "some frames", noun: str = "frame") -> str:
        """How many frames, of how many: "12 of 200 frames", "1 frame"."""
        count, of = self.count(key), self.count("of")
        if count is None:
            return without
        if of is None:
            return count_words(count, noun)
        return f"all {of:,} {noun}s" if count == of > 1 else f"{count:,} of {count_words(of, noun)}"

    def seconds(self, key: str) -> str:
        """A length of time: "2.5 seconds", or nothing where it is missing or 0."""
        value = self.number(key)
        if value is None or abs(value) < 0.0005:
            return ""
        said = number_words(abs(value), decimals=2 if abs(value) >= 0.01 else 3)
        return f"{said} second{'' if said == '1' else 's'}"

    def rate(self, key: str, without: str) -> str:
        """A rate, exact."""
        try:
            return rate_words(Fraction(str(self.values[key])))
        except (KeyError, ValueError, ZeroDivisionError):
            return without

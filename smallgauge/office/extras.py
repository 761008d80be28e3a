"""What is charged beside the transfer: repair, cleaning, rush, sound, a medium, by the names of the shop's tariff.

price_extras    extras of an order, and what its reels come to -> a price for each, and those that can't be priced, with why

    [extra.splice]              # one table an extra; the names are the shop's own
    each = "1.50"               # a piece
    words = "splice made again"
    [extra.cleaning]
    per_foot = "0.04"           # of its reel, or of every reel of the order
    [extra.rush]
    percent = "25"              # of all other lines of its reel, or of the order

Each price is exact until it is rounded once, to the tariff's smallest unit, a half upwards. Per cents are of the lines as they
are printed, and never of one another.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any

from smallgauge.errors import CallerError
from smallgauge.office.models import Extra

EACH, PER_FOOT, PERCENT = "each", "per_foot", "percent"
WAYS = (EACH, PER_FOOT, PERCENT)
NAME = re.compile(r"[a-z][a-z0-9-]{0,39}")


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtraPrice:
    """What an extra costs: `way` is one of `WAYS`."""

    way: str
    price: Decimal
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtraLine:
    """One extra that is charged, `reel` empty where it is of the order as a whole; `price` is least and most."""

    reel: str
    what: str
    words: str
    number: int
    consent: int
    price: tuple[Decimal, Decimal]


def read_extras(tables: object, decimal: Any, mistakes: list[str]) -> dict[str, ExtraPrice]:
    """The tables `extra` of a tariff; `decimal` reads a number and adds to the mistakes."""
    found: dict[str, ExtraPrice] = {}
    if not isinstance(tables, dict):
        mistakes.append("extra must hold a table for each extra, such as [extra.cleaning]")
        return found
    for name, table in tables.items():
        ways = [way for way in WAYS if isinstance(table, dict) and way in table]
        words = table.get("words", name) if isinstance(table, dict) else name
        if not NAME.fullmatch(name):
            mistakes.append(
                f"extra.{name} needs a name of small letters, digits and hyphens, at most 40 characters"
            )
        elif not isinstance(table, dict) or len(ways) != 1 or set(table) - {*ways, "words"}:
            mistakes.append(
                f"extra.{name} must hold one of {', '.join(WAYS)}, words where wanted, and nothing else"
            )
        elif not isinstance(words, str) or not words.strip() or not words.isprintable():
            mistakes.append(f"extra.{name}.words must be words in one line, found {words!r}")
        else:
            price = decimal(table[ways[0]], f"extra.{name}.{ways[0]}", mistakes)
            found[name] = ExtraPrice(way=ways[0], price=price, words=words.strip())
    return found


def half_up(value: Fraction) -> int:
    """The nearest whole number of a value from 0 on, a half upwards.

    Examples
    --------
    >>> half_up(Fraction(5, 2)), half_up(Fraction(12, 5))
    (3, 2)
    """
    return (2 * value.numerator + value.denominator) // (2 * value.denominator)


def price_extras(
    extras: list[Extra],
    known: Mapping[str, ExtraPrice],
    *,
    unit: Decimal,
    feet: Mapping[str, Fraction],
    prices: Mapping[str, Decimal],
) -> tuple[dict[tuple[str, str], Decimal], tuple[tuple[str, str], ...]]:
    """The price of each extra by its reel and name, and those that can't be priced, with why.

    `feet` and `prices` are of the reels that are charged, by their numbers.
    """
    found: dict[tuple[str, str], Decimal] = {}
    left_out: list[tuple[str, str]] = []
    turns = {EACH: 0, PER_FOOT: 0, PERCENT: 1}  # per cents last: they are of the others
    for extra in sorted(extras, key=lambda e: turns[known[e.what].way] if e.what in known else 0):
        try:
            exact = _exact(extra, known, feet, prices, found)
        except CallerError as error:
            left_out.append((f"{extra.what} of {extra.reel or 'the order'}", str(error)))
            continue
        found[extra.reel, extra.what] = half_up(exact / Fraction(unit)) * unit
    return found, tuple(left_out)


def _exact(
    extra: Extra,
    known: Mapping[str, ExtraPrice],
    feet: Mapping[str, Fraction],
    prices: Mapping[str, Decimal],
    others: Mapping[tuple[str, str], Decimal],
) -> Fraction:
    price = known.get(extra.what)
    if price is None:
        raise CallerError("the tariff has no such extra")
    if price.way != EACH and extra.reel and extra.reel not in prices:
        raise CallerError("its reel has no price")
    if price.way != EACH and not prices:
        raise CallerError("nothing that it is counted on has a price yet")
    times = Fraction(price.price) * extra.number
    if price.way == EACH:
        return times
    if price.way == PER_FOOT:
        return times * sum((f for number, f in feet.items() if extra.reel in ("", number)), Fraction(0))
    mine = [p for number, p in prices.items() if extra.reel in ("", number)]
    mine += [
        p for (reel, what), p in others.items() if extra.reel in ("", reel) and known[what].way != PERCENT
    ]
    return times * Fraction(sum(mine, Decimal(0))) / 100

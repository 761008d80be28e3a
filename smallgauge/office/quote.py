"""What a reel will be: footage, frames, running time, time at the machine, storage, and price from the shop's own tariff.

A length that is a guess stays a range to the end. Frames and times are whole numbers and fractions, money is Decimal, and
each price is rounded once, to the tariff's smallest unit.

    currency = "florin"             # by name
    unit = "0.01"                   # the smallest that is charged
    scan_rate = 12                  # frames a second at the machine
    megabytes_per_frame = "9.5"     # of the captured frames, 10^6 bytes

    [price.super-8]                 # one table a gauge that the shop takes
    per_reel = "6.00"
    per_foot = "0.22"

What may be ordered beside it stands in tables `extra` (`extras.py`).
"""

import json
import tomllib
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal, InvalidOperation
from fractions import Fraction
from pathlib import Path
from typing import Any

from smallgauge.errors import CallerError, MaterialError
from smallgauge.gauge.gauges import GAUGES, gauge_named
from smallgauge.gauge.rates import frames_from_feet, parse_rate, running_time_text
from smallgauge.office.extras import ExtraLine, ExtraPrice, half_up, price_extras, read_extras
from smallgauge.office.models import Extra, Reel

TEMPLATE = Path(__file__).parent / "quote.typ"
_KEYS = ("currency", "unit", "scan_rate", "megabytes_per_frame", "price")
_MAY = ("extra",)
SLOWEST, FASTEST = 3, 25  # frames a second at which the scanner runs


@dataclass(frozen=True, slots=True, kw_only=True)
class Price:
    """What a gauge costs."""

    per_reel: Decimal
    per_foot: Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class Tariff:
    """The shop's own prices and what its machine does."""

    currency: str
    unit: Decimal
    scan_rate: Fraction
    megabytes_per_frame: Decimal
    prices: dict[str, Price]
    extras: dict[str, ExtraPrice] = field(default_factory=dict)


def _decimal(value: object, what: str, mistakes: list[str], *, above: bool = False) -> Decimal:
    try:
        if isinstance(value, bool) or not isinstance(value, (str, int)):
            raise InvalidOperation
        found = Decimal(value)
    except InvalidOperation:
        found = Decimal("NaN")
    if not found.is_finite() or found < 0 or (above and found == 0):
        mistakes.append(
            f"{what} must be a number {'above' if above else 'of at least'} 0 in quotation marks, found {value!r}"
        )
        return Decimal(1)
    return found


def read_tariff(text: str, *, where: str) -> Tariff:
    """The tariff in `text`; all mistakes come at once, as one MaterialError."""
    try:
        document: dict[str, Any] = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise MaterialError(f"{where} must be TOML, but {error}; mend that line.") from None
    mistakes = [
        f"'{key}' is not known; the keys are {', '.join((*_KEYS, *_MAY))}"
        for key in document
        if key not in (*_KEYS, *_MAY)
    ]
    mistakes += [f"{key} is missing" for key in _KEYS if key not in document]
    if mistakes:
        raise MaterialError(f"{where}: {'; '.join(mistakes)}; mend them.")
    currency = document["currency"]
    if not isinstance(currency, str) or not currency.strip():
        mistakes.append(f"currency must be a name in words, found {currency!r}")
    rate = Fraction(1)
    try:
        rate = parse_rate(str(document["scan_rate"]))
        if not SLOWEST <= rate <= FASTEST:
            mistakes.append(f"scan_rate must be {SLOWEST} to {FASTEST} frames a second, found {rate}")
    except CallerError as error:
        mistakes.append(f"scan_rate: {str(error).rstrip('.')}")
    prices = _prices(document["price"], mistakes)
    tariff = Tariff(
        currency=str(currency),
        unit=_decimal(document["unit"], "unit", mistakes, above=True),
        scan_rate=rate,
        megabytes_per_frame=_decimal(
            document["megabytes_per_frame"], "megabytes_per_frame", mistakes, above=True
        ),
        prices=prices,
        extras=read_extras(document.get("extra", {}), _decimal, mistakes),
    )
    if mistakes:
        raise MaterialError(f"{where}: {'; '.join(mistakes)}; mend them.")
    return tariff


def _prices(tables: object, mistakes: list[str]) -> dict[str, Price]:
    known = [gauge.key for gauge in GAUGES]
    prices: dict[str, Price] = {}
    for key, table in tables.items() if isinstance(tables, dict) else ():
        if key not in known:
            mistakes.append(f"price.{key} is no gauge; those are {', '.join(known)}")
        elif not isinstance(table, dict) or set(table) != {"per_reel", "per_foot"}:
            mistakes.append(f"price.{key} must hold per_reel and per_foot, and nothing else")
        else:
            prices[key] = Price(
                per_reel=_decimal(table["per_reel"], f"price.{key}.per_reel", mistakes),
                per_foot=_decimal(table["per_foot"], f"price.{key}.per_foot", mistakes),
            )
    if not prices and not mistakes:
        mistakes.append("price holds no gauge")
    return prices


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One reel of a quote; every pair is least and most, equal where the length is known."""

    number: str
    gauge: str
    box_words: str
    feet: tuple[Decimal, Decimal]
    frames: tuple[int, int]
    running: tuple[tuple[str, str, str], ...]  # rate, least, most: minutes:seconds at each usual speed
    scan_s: tuple[int, int]
    gigabytes: tuple[Decimal, Decimal]
    price: tuple[Decimal, Decimal]


@dataclass(frozen=True, slots=True, kw_only=True)
class Quote:
    """All reels of an order, those that can't be quoted with the reason, and the sum."""

    currency: str
    lines: tuple[Line, ...]
    left_out: tuple[tuple[str, str], ...]
    price: tuple[Decimal, Decimal]
    extras: tuple[ExtraLine, ...] = ()


def _up(value: Fraction) -> int:
    return -(-value.numerator // value.denominator)


def quote_reel(reel: Reel, tariff: Tariff) -> Line:
    """One reel by the tariff.

    Raises
    ------
    CallerError
        Where gauge, length or price is not known: nothing is guessed.
    """
    if reel.gauge == "not sure":
        raise CallerError("its gauge is not sure")
    if not reel.feet_from:
        raise CallerError("its length was not told or measured")
    if reel.gauge not in tariff.prices:
        raise CallerError(f"the tariff has no price for {reel.gauge}")
    gauge, price = gauge_named(reel.gauge), tariff.prices[reel.gauge]
    feet = (Decimal(reel.feet_from), Decimal(reel.feet_to))
    frames = [_up(frames_from_feet(gauge, Fraction(each))) for each in feet]
    running = tuple(
        (str(rate), running_time_text(frames[0], rate), running_time_text(frames[1], rate))
        for rate in gauge.usual_rates
    )
    exact = [Fraction(price.per_reel) + Fraction(price.per_foot) * Fraction(each) for each in feet]
    money = [half_up(each / Fraction(tariff.unit)) * tariff.unit for each in exact]
    space = [
        (tariff.megabytes_per_frame * each / 1000).quantize(Decimal("0.1"), ROUND_HALF_UP) for each in frames
    ]
    return Line(
        number=reel.number,
        gauge=gauge.name,
        box_words=reel.box_words,
        feet=feet,
        frames=(frames[0], frames[1]),
        running=running,
        scan_s=(_up(frames[0] / tariff.scan_rate), _up(frames[1] / tariff.scan_rate)),
        gigabytes=(space[0], space[1]),
        price=(money[0], money[1]),
    )


def quote_reels(reels: list[Reel], tariff: Tariff, extras: list[Extra] | None = None) -> Quote:
    """Every reel of an order, and its extras; what can't be quoted is named with its reason and is in no sum."""
    lines, left_out = [], []
    for reel in reels:
        try:
            lines.append(quote_reel(reel, tariff))
        except CallerError as error:
            left_out.append((reel.number, str(error)))
    charged, without = _extra_lines(extras or [], lines, tariff)
    every = [*(line.price for line in lines), *(line.price for line in charged)]
    nothing = Decimal(0).quantize(tariff.unit)
    return Quote(
        currency=tariff.currency,
        lines=tuple(lines),
        left_out=(*left_out, *without),
        price=(sum((low for low, _ in every), nothing), sum((high for _, high in every), nothing)),
        extras=charged,
    )


def _extra_lines(
    extras: list[Extra], lines: list[Line], tariff: Tariff
) -> tuple[tuple[ExtraLine, ...], tuple[tuple[str, str], ...]]:
    """Each extra with its least and most, by those of the reels."""
    ends: list[dict[tuple[str, str], Decimal]] = []
    without: tuple[tuple[str, str], ...] = ()
    for end in (0, 1):
        feet = {line.number: Fraction(line.feet[end]) for line in lines}
        prices = {line.number: line.price[end] for line in lines}
        found, without = price_extras(extras, tariff.extras, unit=tariff.unit, feet=feet, prices=prices)
        ends.append(found)
    return extra_lines(extras, tariff, ends[0], ends[1]), without


def extra_lines(
    extras: list[Extra],
    tariff: Tariff,
    low: dict[tuple[str, str], Decimal],
    high: dict[tuple[str, str], Decimal],
) -> tuple[ExtraLine, ...]:
    """The extras that have a price, as lines."""
    return tuple(
        ExtraLine(
            reel=extra.reel,
            what=extra.what,
            words=tariff.extras[extra.what].words,
            number=extra.number,
            consent=extra.consent,
            price=(low[extra.reel, extra.what], high[extra.reel, extra.what]),
        )
        for extra in extras
        if (extra.reel, extra.what) in low
    )


def span(pair: tuple[Any, Any]) -> str:
    """Least and most as a person reads them; one value where they are equal."""
    return str(pair[0]) if pair[0] == pair[1] else f"{pair[0]} to {pair[1]}"


def extra_words(line: ExtraLine, currency: str) -> str:
    """One extra in words."""
    agreed = f", consent {line.consent}" if line.consent else ""
    return f"{line.reel or 'the order'}  {line.number} x {line.words}{agreed}; {span(line.price)} {currency}"


def quote_lines(quote: Quote) -> tuple[str, ...]:
    """The quote in words."""
    said = []
    for line in quote.lines:
        times = ", ".join(f"{span((low, high))} at {rate}" for rate, low, high in line.running)
        said.append(
            f"{line.number}  {line.gauge}, {span(line.feet)} ft, {span(line.frames)} frames; {times}; "
            f"{span(line.scan_s)} s at the machine; {span(line.gigabytes)} GB; {span(line.price)} {quote.currency}"
        )
    said += [extra_words(line, quote.currency) for line in quote.extras]
    said += [f"{number}  not quoted: {why}" for number, why in quote.left_out]
    return (*said, together_words(quote))


def together_words(quote: Quote) -> str:
    """The sum of a quote; where nothing could be quoted there is none, since 0.00 reads as free of charge."""
    if not quote.lines and not quote.extras:
        return "Nothing can be quoted yet."
    rest = ", without what is not quoted" if quote.left_out else ""
    return f"Together {span(quote.price)} {quote.currency}{rest}"


def quote_pdf(quote: Quote, *, order: str, client: str, day: str) -> bytes:
    """The quote as a PDF."""
    import typst

    plain = {
        "order": order,
        "client": client,
        "day": day,
        "currency": quote.currency,
        "together": together_words(quote),
        "left_out": [list(each) for each in quote.left_out],
        "extras": [[e.reel or "the order", e.words, str(e.number), span(e.price)] for e in quote.extras],
        "lines": [
            [
                line.number,
                line.gauge,
                line.box_words,
                span(line.feet),
                span(line.frames),
                "; ".join(f"{span((low, high))} at {rate}" for rate, low, high in line.running),
                span(line.price),
            ]
            for line in quote.lines
        ],
    }
    return bytes(
        typst.compile(
            TEMPLATE.read_bytes(),
            ignore_system_fonts=True,
            format="pdf",
            sys_inputs={"quote": json.dumps(plain)},
        )
    )

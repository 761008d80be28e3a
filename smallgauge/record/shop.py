"""`shop.toml` beside the reels: what the shop itself has settled.

    [house_speeds]          frames a second where nothing speaks for another speed
    super-8 = 18
    16mm-sound = "25"
    standard-8 = "50/3"

    [loudness]              of the viewing copies
    target_lufs = -23

    [copies]
    television_rate = 25    # of the shop's country: 24, 25, 30, 50 or 60

    [keeping]               archive copy and finished film that a family did not order
    place = "the shop's own archive"
    days = 90               after film went back, package was received, or the client accepted it, whichever is last
    notice_days = 14        between notice to the client and the removal of all files (14 unless said)

    [office]                where the book is, in a shop with several benches
    database = "postgresql://bench@server/office"

    [holds]                 who may lift a hold; and what may run on which transport: see smallgauge/office/house.py
    lifter = "Jo Bell"
    [transports.sprocketless]
    gauges = ["super-8"]

What the file does not name keeps the value that the program comes with.
"""

import tomllib
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from smallgauge.errors import MaterialError
from smallgauge.gauge.gauges import GAUGES
from smallgauge.gauge.mains import HOUSE_SPEEDS, HouseSpeed
from smallgauge.record.ordered import TELEVISION_RATES
from smallgauge.sound.loudness import SHIPPED_TARGET_LUFS, TARGETS_LUFS

SHOP_FILE = "shop.toml"
_KINDS = tuple(f"{gauge.key}{end}" for gauge in GAUGES for end in ("", "-sound"))
_TABLES = (
    "house_speeds",
    "loudness",
    "copies",
    "keeping",
    "office",
    "holds",
    "transports",
)  # office: read by smallgauge/office/place.py; holds and transports: by smallgauge/office/house.py
TELEVISION_RATE = Fraction(25)  # where the shop says nothing: 50 Hz countries; common practice, no source
NOTICE_DAYS = 14  # for the client to answer; common practice, no source
MOST_DAYS = 36500  # of keeping; a larger number is a slip of the pen


@dataclass(frozen=True, slots=True, kw_only=True)
class Shop:
    """The shop's own values, or those as shipped; a source of "common practice" marks the latter."""

    house_speeds: tuple[HouseSpeed, ...] = HOUSE_SPEEDS
    loudness_lufs: float = SHIPPED_TARGET_LUFS
    loudness_source: str = "common practice"
    television_rate: Fraction = TELEVISION_RATE
    kept_at: str = ""  # where what was not ordered is kept; "": not said
    kept_days: int | None = None
    notice_days: int = NOTICE_DAYS


def read_shop(text: str, *, where: str) -> Shop:
    """The values as shipped, with those of the shop in their place.

    All mistakes come at once, as one MaterialError.

    Examples
    --------
    >>> shop = read_shop('[house_speeds]\\nsuper-8 = "50/3"\\n[loudness]\\ntarget_lufs = -23', where="shop.toml")
    >>> [(each.key, str(each.rate), each.source) for each in shop.house_speeds if each.key == "super-8"]
    [('super-8', '50/3', 'shop.toml')]
    >>> shop.loudness_lufs, shop.loudness_source
    (-23.0, 'shop.toml')
    """
    try:
        document: dict[str, Any] = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise MaterialError(f"{where} must be TOML, but {error}; mend that line.") from None
    known = ", ".join(_TABLES)
    mistakes = [f"'{name}' is not known; the tables are {known}" for name in document if name not in _TABLES]
    tables: dict[str, dict[str, Any]] = {}
    for name in _TABLES:
        table = document.get(name, {})
        if not isinstance(table, dict):
            mistakes.append(f"{name} must be a table")
            table = {}
        tables[name] = table
    speeds = _house_speeds(tables["house_speeds"], mistakes)
    target = _target(tables["loudness"], mistakes)
    kept_at, kept_days, notice_days = _keeping(tables["keeping"], mistakes)
    rate = _television_rate(tables["copies"], mistakes)
    if mistakes:
        raise MaterialError(f"{where}: {'; '.join(mistakes)}. Mend these and run the command again.")
    shop = Shop(
        house_speeds=speeds,
        kept_at=kept_at,
        kept_days=kept_days,
        notice_days=notice_days,
        television_rate=rate,
    )
    return shop if target is None else replace(shop, loudness_lufs=target, loudness_source=SHOP_FILE)


def _keeping(table: dict[str, Any], mistakes: list[str]) -> tuple[str, int | None, int]:
    """Where and for how many days the shop keeps what was not ordered, and how long a client has to answer a notice."""
    mistakes += [
        f"keeping.{key} is not known; it holds place, days and notice_days"
        for key in table
        if key not in ("place", "days", "notice_days")
    ]
    place, days = table.get("place", ""), _days(table, "days", mistakes)
    notice = _days(table, "notice_days", mistakes)
    if not isinstance(place, str) or not place.isprintable() or ("place" in table and not place.strip()):
        mistakes.append(f"keeping.place must be words in one line, found {place!r}")
        place = ""
    return place.strip(), days, NOTICE_DAYS if notice is None else notice


def _days(table: dict[str, Any], key: str, mistakes: list[str]) -> int | None:
    days = table.get(key)
    whole = isinstance(days, int) and not isinstance(days, bool) and 1 <= days <= MOST_DAYS
    if days is not None and not whole:
        mistakes.append(f"keeping.{key} must be a whole number of 1 to {MOST_DAYS}, found {days!r}")
        return None
    return days


def _television_rate(table: dict[str, Any], mistakes: list[str]) -> Fraction:
    """The rate of the shop's country."""
    mistakes += [
        f"copies.{key} is not known; it holds television_rate" for key in table if key != "television_rate"
    ]
    value = table.get("television_rate", int(TELEVISION_RATE))
    if isinstance(value, bool) or value not in TELEVISION_RATES:
        rates = ", ".join(map(str, TELEVISION_RATES))
        mistakes.append(f"copies.television_rate must be one of {rates}, found {value!r}")
        return TELEVISION_RATE
    return Fraction(value)


def _house_speeds(table: dict[str, Any], mistakes: list[str]) -> tuple[HouseSpeed, ...]:
    speeds = {each.key: each for each in HOUSE_SPEEDS}
    for kind, value in table.items():
        if kind not in _KINDS:
            mistakes.append(f"'{kind}' is no kind of film; known are {', '.join(_KINDS)}")
            continue
        try:
            rate = Fraction(str(value))
        except (ValueError, ZeroDivisionError):
            rate = Fraction(0)
        if isinstance(value, bool) or not 1 <= rate <= 200:
            mistakes.append(f'{kind} must be frames a second such as 18 or "50/3", found {value!r}')
            continue
        speeds[kind] = HouseSpeed(key=kind, rate=rate, source=SHOP_FILE)
    return tuple(speeds.values())


def _target(table: dict[str, Any], mistakes: list[str]) -> float | None:
    """The loudness that the shop wants; None where it says nothing."""
    mistakes += [
        f"loudness.{key} is not known; it holds target_lufs" for key in table if key != "target_lufs"
    ]
    value = table.get("target_lufs")
    low, high = TARGETS_LUFS
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        mistakes.append(
            f"target_lufs must lie between {low:g} and {high:g}, such as -18 or -23, found {value!r}"
        )
        return None
    return float(value)

"""`shop.toml` beside the reels: what the shop itself has settled.

    [house_speeds]          frames a second where nothing speaks for another speed
    super-8 = 18
    16mm-sound = "25"
    standard-8 = "50/3"

    [loudness]              of the viewing copies
    target_lufs = -23

What the file does not name keeps the value that the program comes with.
"""

import tomllib
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from smallgauge.errors import MaterialError
from smallgauge.gauge.gauges import GAUGES
from smallgauge.gauge.mains import HOUSE_SPEEDS, HouseSpeed
from smallgauge.sound.loudness import SHIPPED_TARGET_LUFS, TARGETS_LUFS

SHOP_FILE = "shop.toml"
_KINDS = tuple(f"{gauge.key}{end}" for gauge in GAUGES for end in ("", "-sound"))
_TABLES = ("house_speeds", "loudness")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shop:
    """The shop's own values, or those as shipped; a source of "common practice" marks the latter."""

    house_speeds: tuple[HouseSpeed, ...] = HOUSE_SPEEDS
    loudness_lufs: float = SHIPPED_TARGET_LUFS
    loudness_source: str = "common practice"


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
    except tomllib.TOMLDecodeError as error:
        raise MaterialError(f"{where} must be TOML, but {error}; mend that line.") from None
    known = " and ".join(_TABLES)
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
    if mistakes:
        raise MaterialError(f"{where}: {'; '.join(mistakes)}. Mend these and run the command again.")
    if target is None:
        return Shop(house_speeds=speeds)
    return Shop(house_speeds=speeds, loudness_lufs=target, loudness_source=SHOP_FILE)


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

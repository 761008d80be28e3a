"""`shop.toml` beside the reels: what the shop itself has settled.

    [house_speeds]          frames a second where nothing speaks for another speed
    super-8 = 18
    16mm-sound = "25"
    standard-8 = "50/3"

A kind of film that the file does not name keeps the value that the program comes with.
"""

import tomllib
from fractions import Fraction
from typing import Any

from smallgauge.errors import MaterialError
from smallgauge.gauge.gauges import GAUGES
from smallgauge.gauge.mains import HOUSE_SPEEDS, HouseSpeed

SHOP_FILE = "shop.toml"
_KINDS = tuple(f"{gauge.key}{end}" for gauge in GAUGES for end in ("", "-sound"))


def read_house_speeds(text: str, *, where: str) -> tuple[HouseSpeed, ...]:
    """The house values as shipped, with those of the shop in their place.

    All mistakes come at once, as one MaterialError.

    Examples
    --------
    >>> speeds = read_house_speeds('[house_speeds]\\nsuper-8 = "50/3"', where="shop.toml")
    >>> [(each.key, str(each.rate), each.source) for each in speeds if each.key == "super-8"]
    [('super-8', '50/3', 'shop.toml')]
    """
    try:
        document: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise MaterialError(f"{where} must be TOML, but {error}; mend that line.") from None
    table = document.pop("house_speeds", {})
    mistakes = [f"'{name}' is not known; the one table is house_speeds" for name in document]
    speeds = {each.key: each for each in HOUSE_SPEEDS}
    if not isinstance(table, dict):
        mistakes, table = [*mistakes, "house_speeds must be a table"], {}
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
    if mistakes:
        raise MaterialError(f"{where}: {'; '.join(mistakes)}. Mend these and run the command again.")
    return tuple(speeds.values())

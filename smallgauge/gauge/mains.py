"""The mains: its two frequencies, how far a grid wanders, and the camera speeds that hum can speak for.

grid figures   GRID_SHARE, GRID_LIMIT
house speeds   HouseSpeed, HOUSE_SPEEDS, house_key: what is taken where nothing speaks for a speed
"""

from dataclasses import dataclass
from fractions import Fraction

MAINS_HZ = (50, 60)
GRID_SHARE = 0.002  # how far a grid wanders, nearly always [grid frequency]
GRID_LIMIT = 0.01  # at the outside, 99.5 % of a year [EN 50160]

# Projectors and cameras locked to 50 Hz television ran three frames to five fields [memory].
LOCKED_TO_TELEVISION = Fraction(50, 3)


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseSpeed:
    """The speed that a shop takes for a kind of film where nothing speaks for another.

    `key` is the gauge's key, with "-sound" behind it where it holds only for film with recorded sound.

    Examples
    --------
    >>> {each.key: str(each.rate) for each in HOUSE_SPEEDS}["super-8"]
    '18'
    """

    key: str
    rate: Fraction
    source: str  # key in SOURCES


HOUSE_SPEEDS: tuple[HouseSpeed, ...] = (
    HouseSpeed(key="standard-8", rate=Fraction(16), source="ENC8"),
    HouseSpeed(key="unslit-double-8", rate=Fraction(16), source="ENC8"),
    HouseSpeed(key="9.5mm", rate=Fraction(16), source="ENC8"),
    HouseSpeed(key="super-8", rate=Fraction(18), source="ENC8"),
    HouseSpeed(key="16mm", rate=Fraction(18), source="ISO26"),
    HouseSpeed(key="16mm-sound", rate=Fraction(24), source="ISO26"),
    HouseSpeed(key="16mm-two-rows", rate=Fraction(18), source="ISO26"),
    HouseSpeed(key="16mm-two-rows-sound", rate=Fraction(24), source="ISO26"),
)


def house_speed(speeds: tuple[HouseSpeed, ...], gauge_key: str, *, with_sound: bool) -> HouseSpeed:
    """The house value of a gauge: that for film with sound where there is one and the film has sound.

    Raises KeyError for a gauge that has none: a fault of the program, never of the material.

    Examples
    --------
    >>> [str(house_speed(HOUSE_SPEEDS, "16mm", with_sound=sound).rate) for sound in (False, True)]
    ['18', '24']
    """
    named = {each.key: each for each in speeds}
    if with_sound and f"{gauge_key}-sound" in named:
        return named[f"{gauge_key}-sound"]
    return named[gauge_key]

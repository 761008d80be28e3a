"""Film on spools: capacities by diameter, thickness of film, and length from the diameters of a wound pack.

A length from diameters is an estimate to be shown as a range: its error is that of the thickness, and no
thickness was confirmed in a published text. A shop finds its own by `thickness_mm_from_pack` on a reel of
known length. A spool's rated length is an upper bound and not the length of the film on it.
"""

import math
from dataclasses import dataclass

from smallgauge.errors import CallerError
from smallgauge.gauge.facts import Confidence, Fact


@dataclass(frozen=True, slots=True, kw_only=True)
class Spool:
    """What a spool of a given diameter holds when full.

    Examples
    --------
    >>> [spool.feet.value for spool in SPOOLS if spool.feet.may_be_limit]
    [1200.0]
    """

    gauge: str  # key of the gauge
    diameter_mm: float  # of the spool's flange
    hub_mm: float | None  # None: not known
    feet: Fact


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmThickness:
    """Base and emulsion together, with the range that is met.

    Examples
    --------
    >>> THICKNESSES[0].film, THICKNESSES[0].thickness_mm.value, THICKNESSES[0].from_mm
    ('acetate', 0.15, 0.135)
    """

    film: str  # which film, in plain words
    thickness_mm: Fact
    from_mm: float
    to_mm: float


def _spool(
    gauge: str,
    diameter_mm: float,
    feet: float,
    hub_mm: float | None = None,
    source: str = "memory",
    confidence: Confidence = "from memory, not checked",
    note: str = "",
) -> Spool:
    capacity = Fact(value=feet, tolerance=None, source=source, confidence=confidence, note=note)
    return Spool(gauge=gauge, diameter_mm=diameter_mm, hub_mm=hub_mm, feet=capacity)


def _sixteen(diameter_mm: float, hub_mm: float, feet: float) -> Spool:
    return _spool("16mm", diameter_mm, feet, hub_mm, "PH22.11", "from memory of standard, not seen")


SPOOLS: tuple[Spool, ...] = (
    _spool("super-8", 75.0, 50.0, note="sizes from 75 to 312 mm stand in an ISO title"),
    _spool("super-8", 100.0, 100.0, note="the sizes of STREEL start here"),
    _spool("super-8", 130.0, 200.0, note="STREEL has a size 13"),
    _spool("super-8", 150.0, 300.0),
    _spool("super-8", 180.0, 400.0),
    _spool("super-8", 210.0, 600.0),
    _spool("super-8", 250.0, 800.0),
    _spool(
        "super-8", 312.0, 1200.0, None, "STREEL", "published, seen in text", "312 mm and 360 m in its scope"
    ),
    _spool("standard-8", 76.0, 50.0),
    _spool("standard-8", 127.0, 200.0),
    _spool("standard-8", 178.0, 400.0),
    _spool("16mm", 92.0, 100.0, note="daylight spool"),
    _sixteen(178.0, 63.5, 400.0),
    _sixteen(267.0, 123.8, 800.0),
    _sixteen(311.0, 123.8, 1200.0),
    _sixteen(349.0, 123.8, 1600.0),
    _sixteen(381.0, 117.5, 2000.0),
)


def _thickness(film: str, thickness_mm: float, from_mm: float, to_mm: float, note: str = "") -> FilmThickness:
    fact = Fact(
        value=thickness_mm, tolerance=None, source="memory", confidence="from memory, not checked", note=note
    )
    return FilmThickness(film=film, thickness_mm=fact, from_mm=from_mm, to_mm=to_mm)


THICKNESSES: tuple[FilmThickness, ...] = (
    _thickness("acetate", 0.15, 0.135, 0.165, "acetate and triacetate, 8 and 16 mm; 0.0055 to 0.006 in"),
    _thickness("polyester print", 0.14, 0.125, 0.15, "base about 0.12 mm"),
    _thickness("thin polyester Super 8", 0.105, 0.09, 0.115),
    _thickness("magnetic stripe, added to the film", 0.012, 0.008, 0.018),
)


def _check(outer_mm: float, inner_mm: float, other: float, other_name: str) -> None:
    if not (math.isfinite(outer_mm) and 0 < inner_mm < outer_mm and math.isfinite(other) and other > 0):
        raise CallerError(
            f"A film pack needs an outer diameter above its inner one and {other_name} above 0, got "
            f"{outer_mm} mm, {inner_mm} mm and {other}: measure the film, not the flange."
        )


def length_m_from_pack(*, outer_mm: float, inner_mm: float, thickness_mm: float) -> float:
    """Length of film on a spool, metres: pi (outer^2 - inner^2) / (4 thickness).

    Exact for a tight, flat pack; a loose wind reads long.

    Parameters
    ----------
    outer_mm, inner_mm : float
        Diameters of the pack of film: its outside, and the hub it is wound on.
    thickness_mm : float
        Of base, emulsion and stripe together.

    Raises
    ------
    CallerError
        If a diameter or the thickness cannot be.

    Notes
    -----
    Source: derived (the area of the ring is length times thickness).

    Examples
    --------
    >>> round(length_m_from_pack(outer_mm=120, inner_mm=31, thickness_mm=0.15), 3)
    70.366
    """
    _check(outer_mm, inner_mm, thickness_mm, "a thickness")
    return math.pi * (outer_mm**2 - inner_mm**2) / (4 * thickness_mm) / 1000


def turns_from_pack(*, outer_mm: float, inner_mm: float, thickness_mm: float) -> float:
    """Turns of film on a spool: (outer - inner) / (2 thickness).

    Parameters and errors are those of `length_m_from_pack`. Source: derived.

    Examples
    --------
    >>> round(turns_from_pack(outer_mm=170, inner_mm=63.5, thickness_mm=0.15), 1)
    355.0
    """
    _check(outer_mm, inner_mm, thickness_mm, "a thickness")
    return (outer_mm - inner_mm) / (2 * thickness_mm)


def thickness_mm_from_pack(*, outer_mm: float, inner_mm: float, length_m: float) -> float:
    """Thickness of film, from a pack whose length is known: how a shop calibrates its estimates.

    Parameters and errors are those of `length_m_from_pack`, with the length in metres. Source: derived.

    Examples
    --------
    >>> round(thickness_mm_from_pack(outer_mm=120, inner_mm=31, length_m=70.366), 3)
    0.15
    """
    _check(outer_mm, inner_mm, length_m, "a length")
    return math.pi * (outer_mm**2 - inner_mm**2) / (4 * length_m * 1000)

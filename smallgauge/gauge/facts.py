"""A published value, where it comes from and how surely: the one type that all gauge data is made of.

Fact          a number with tolerance, source and confidence
RunningRate   a camera or projection rate as an exact fraction, with the same two
"""

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

Confidence = Literal[
    "published, seen in text",
    "published, seen second-hand",
    "from memory of standard, not seen",
    "from memory, not checked",
    "derived here by arithmetic",
    "common practice, no source",
]
Rank = Literal["usual", "second", "slow setting", "slow motion", "other"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A number about film, with what is known of its origin.

    Only a value whose confidence starts "published, seen in text" may be used as a limit that material
    passes or fails; every other value is a starting estimate, to be replaced by measurement.

    Examples
    --------
    >>> pitch = Fact(value=7.62, tolerance=0.013, source="Z22.5", confidence="published, seen in text")
    >>> pitch.may_be_limit, f"{pitch.low:.3f} to {pitch.high:.3f}"
    (True, '7.607 to 7.633')
    """

    value: float  # in the unit that the name of the field holding the fact says
    tolerance: float | None  # plus or minus, same unit; None: none was seen
    source: str  # key in SOURCES: the text that the value was taken from
    confidence: Confidence
    also: tuple[str, ...] = ()  # keys in SOURCES of texts that agree, or that carry the value on
    note: str = ""  # what a reader must know before relying on it: disagreements, roundings

    @property
    def may_be_limit(self) -> bool:
        """True where the value was read in the published text itself."""
        return self.confidence.startswith("published, seen in text")

    @property
    def low(self) -> float:
        """Value less tolerance; the value itself where no tolerance was seen."""
        return self.value - (self.tolerance or 0.0)

    @property
    def high(self) -> float:
        """Value plus tolerance; the value itself where no tolerance was seen."""
        return self.value + (self.tolerance or 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunningRate:
    """A rate at which cameras or projectors of a gauge ran.

    Examples
    --------
    >>> RunningRate(
    ...     rate=Fraction(18), rank="usual", where="silent", source="ENC8",
    ...     confidence="published, seen second-hand",
    ... ).rate
    Fraction(18, 1)
    """

    rate: Fraction  # frames a second
    rank: Rank
    where: str  # which cameras or projectors, in plain words
    source: str  # key in SOURCES
    confidence: Confidence
    tolerance: float | None = None  # plus or minus, frames a second
    note: str = ""

"""What a table column and a frame flag are; each declares itself where it is measured."""

from dataclasses import dataclass
from typing import Literal

ColumnType = Literal["int32", "int64", "float32", "float64", "bool", "text"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a table, with what a reader in twenty years needs to know of it.

    Examples
    --------
    >>> Column(name="light", unit="1", type="float64", meaning="Mean light.", source="definition").unit
    '1'
    """

    name: str  # snake_case, never renamed
    unit: str  # "1", "px", "mm", "s", "Hz", "dB"; "1" for a pure number, "" for text
    type: ColumnType
    meaning: str  # one sentence; becomes the documentation
    source: str  # key in SOURCES
    tolerance: float = 0.0  # how far another back end may differ
    halo: int = 0  # frames before and after that the value depends on


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """One bit of the `flags` column: one thing that can be doubtful about a frame.

    Examples
    --------
    >>> Flag(bit=3, name="torn", meaning="A side of the perforation is torn.").mask
    8
    """

    bit: int
    name: str
    meaning: str

    @property
    def mask(self) -> int:
        """The bit as a number to test with `&`."""
        return 1 << self.bit

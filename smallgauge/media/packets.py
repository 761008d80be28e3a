"""What lies in a stream of a film, told without decoding."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Packets:
    """How many packets, the stamps of those that have one, in order, and how many of these are key frames.

    Stamps are whole numbers of the stream's own unit of time.
    """

    count: int
    stamps: tuple[int, ...]
    keys: int

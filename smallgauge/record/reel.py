"""`reel.json`: the reel's number, the words on its box, and its runs of captured frames in film order."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A run of captured frames that belongs to the reel, `first` to `stop` (half open).

    `turn` is 0 or 180 degrees, `mirror` and `backwards` say how the film was loaded.
    """

    capture: int
    capture_digest: str
    first: int
    stop: int
    turn: int = 0
    mirror: bool = False
    backwards: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Reel:
    """One reel of a client's film and where its frames lie."""

    version: int = 1
    number: str
    box_words: str
    runs: tuple[Run, ...]

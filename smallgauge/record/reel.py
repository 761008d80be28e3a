"""`reel.json`: the reel's number, the words on its box, and its runs of captured frames in film order.

The usual reel is one capture from end to end. A joined reel has runs of several captures, whose own papers lie in
`captures/0`, `captures/1` ... below its folder. A divided reel is a part of a capture: its tables keep the numbers that
the frames have in the capture, and its archive copy begins with the run's first frame.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A run of captured frames that belongs to the reel, `first` to `stop` (half open).

    `turn` is 0 or 180 degrees, `mirror` and `backwards` say how the film was loaded. `folder` is where the capture's
    papers lie, below the reel's folder; "" is that folder itself. `begins` is the captured frame that its archive
    copy there begins with.
    """

    capture: int
    capture_digest: str
    first: int
    stop: int
    turn: int = 0
    mirror: bool = False
    backwards: bool = False
    folder: str = ""
    begins: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """Where the film goes on in another capture.

    Film position p of `later` is film position `offset` + p of `earlier`. `common` film frames are in both;
    `lost` between them are in neither, None where nobody knows how many. `by` is "program", or who stated it.
    """

    earlier: int
    later: int
    offset: int
    common: int
    lost: int | None
    by: str
    at: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reel:
    """One reel of a client's film and where its frames lie."""

    version: int = 1
    number: str
    box_words: str
    runs: tuple[Run, ...]
    joints: tuple[Joint, ...] = ()
    part: bool = False  # of a capture that was divided

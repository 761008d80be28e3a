"""`reel.json`: the reel's number, the words on its box, and its runs of captured frames in film order.

The usual reel is one capture from end to end. A joined reel has runs of several captures, whose own papers lie in
`captures/0`, `captures/1` ... below its folder. A reel that was divided off has a stretch of a capture as its own: its
frames count from 0, and `origin` says where they lie in the capture. One of the two films of unslit double 8 has a `half`:
its frames are those of the capture, of each only its own part.
"""

from dataclasses import dataclass

from smallgauge.media.frame import Region


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A run of captured frames that belongs to the reel, `first` to `stop` (half open).

    `folder` is where the capture's papers lie, below the reel's folder; "" is that folder itself. How the film was
    loaded is a decision, `loading`.
    """

    capture: int
    capture_digest: str
    first: int
    stop: int
    folder: str = ""


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
class Origin:
    """The stretch of a capture that a reel was divided off from: its frame 0 is the capture's frame `first`."""

    capture_digest: str
    first: int
    stop: int
    of: int  # frames of the capture


@dataclass(frozen=True, slots=True, kw_only=True)
class Half:
    """One of the two films of unslit double 8: where it lies in every frame of which capture.

    Film 1 lies on the left of the captured picture. `mirror` says that the roll lay on its other face; `face_stated` that
    the operator said so, or said that it did not.
    """

    film: int  # 1 or 2
    capture: str  # number of the unslit capture
    capture_digest: str
    region: Region
    mirror: bool = False
    face_stated: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Reel:
    """One reel of a client's film and where its frames lie."""

    version: int = 1
    number: str
    box_words: str
    runs: tuple[Run, ...]
    joints: tuple[Joint, ...] = ()
    origin: Origin | None = None
    half: Half | None = None

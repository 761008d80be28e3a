"""What a finished film, a viewing copy and a still are to be."""

from dataclasses import dataclass
from fractions import Fraction

SEGMENT_FRAMES = 100  # film positions in a segment: docs/decisions/0003


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishedRecipe:
    """The finished film: display picture, BT.709 primaries, light = code^2.4, full range."""

    file: str = "finished.mkv"
    bits: int = 12
    encoding: str = "RGB, BT.709 primaries, full range, light = (code/maximum)^2.4 (BT.1886), white 1.0"


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyRecipe:
    """A copy that plays; `rate` None is the film's own rate, otherwise frames are repeated evenly.

    `order` is the word that asked for it, "" for what every reel gets; `coding` a key of `media/copy_out.py`'s CODERS;
    `widescreen` puts the picture into the middle of 16:9; `time_code` is that of the first frame, "" for none.
    """

    file: str
    rate: Fraction | None
    largest_height: int = 1080
    quality: int = 19  # H.264 constant rate factor; the reference's range is 18 to 20
    order: str = ""
    coding: str = "h264"
    widescreen: bool = False
    time_code: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StillRecipe:
    """Photographs: the sharpest frame of each scene, as the finished picture shows it."""

    folder: str = "stills"
    before: str = "now-"  # of the name of the same frame without a correction
    quality: int = 92
    most: int = 60


FINISHED = FinishedRecipe()
STILLS = StillRecipe()
SMOOTH = CopyRecipe(file="smooth-synthetic-frames.mp4", rate=None)  # only where it is decided


def copies(television_rate: Fraction) -> tuple[CopyRecipe, ...]:
    """The viewing copy at the film's own rate and the television copy by even repeats.

    Examples
    --------
    >>> [copy.file for copy in copies(Fraction(25))]
    ['viewing.mp4', 'television.mp4']
    """
    return (
        CopyRecipe(file="viewing.mp4", rate=None),
        CopyRecipe(file="television.mp4", rate=television_rate),
    )

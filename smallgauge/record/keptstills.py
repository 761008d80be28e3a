"""`stills.json`: the photographs that were asked for, what went into each, and the digests of its files."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from smallgauge.record.files import read_json
from smallgauge.record.finding import FileDigest

STILLS_PAPER = "stills.json"
SHEET = "stills/photographs.pdf"
FUSED_JPEG, FUSED_TIFF = "-fused.jpg", "-fused.tif"
ALONE_JPEG, ALONE_TIFF = "-alone.jpg", "-alone.tif"
ENDINGS = (FUSED_JPEG, FUSED_TIFF, ALONE_JPEG, ALONE_TIFF)

Asked = Literal["frame", "scene", "mark"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameShare:
    """A frame that went into a photograph: where it lies, the scanner's file, and its mean weight, 0 to 1."""

    film_position: int
    capture: int
    frame: int
    file: str
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptStill:
    """One photograph. `film_position` is that of the frame it shows, `asked_position` of the one asked for.

    `scene` counts from 1. `dated` is the film's date as stated, in the Extended Date/Time Format, "" where nobody stated one, and
    `dated_by` who did. `grain` is the deviation of the frame's grain, of 255, None where there was nothing to measure it from;
    `alone_share` the share of pixels where no other frame agreed.
    """

    name: str  # of its files in the reel's folder, without their endings
    film_position: int
    asked_position: int
    asked: Asked
    scene: int
    scene_name: str
    words: str
    by: str
    at: str
    dated: str
    dated_by: str
    kept_grain: float
    grain: float | None
    alone_share: float
    frames: tuple[FrameShare, ...]
    files: tuple[FileDigest, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptStills:
    """`stills.json`. `look` is the digest of the decisions that the photographs show."""

    version: int = 1
    reel: str
    capture_digest: str
    look: str
    width: int
    height: int
    stills: tuple[KeptStill, ...]

    def with_still(self, still: KeptStill) -> "KeptStills":
        """The paper with one more, in film order; it takes the place of one of the same frame."""
        others = [each for each in self.stills if each.name != still.name]
        return replace(self, stills=tuple(sorted((*others, still), key=lambda each: each.film_position)))


def still_file_name(film_position: int) -> str:
    """Name of a photograph's files below the reel's folder, without their endings.

    Examples
    --------
    >>> still_file_name(37)
    'stills/frame-000037'
    """
    return f"stills/frame-{film_position:06d}"


def read_stills(folder: Path) -> KeptStills | None:
    """The photographs of a reel; None where none were asked for."""
    path = folder / STILLS_PAPER
    return read_json(path, KeptStills) if path.is_file() else None

"""`recovered.parquet` and `recovery.json`: the film frames taken out of a video, and what it was found to be."""

from dataclasses import dataclass
from fractions import Fraction

from smallgauge.columns import Column

ORDERS = ("frames", "upper field first", "lower field first")

_c = Column
RECOVERED_COLUMNS: tuple[Column, ...] = (
    _c(name="film_frame", unit="1", type="int32", meaning="Film frame, from 0.", source="definition"),
    _c(
        name="first",
        unit="1",
        type="int32",
        meaning="First picture (frame or field) of the video that shows it.",
        source="definition",
    ),
    _c(name="stop", unit="1", type="int32", meaning="The picture after its last.", source="definition"),
    _c(
        name="frame",
        unit="1",
        type="int32",
        meaning="Frame of the video that it was taken from; its upper rows where it was woven.",
        source="definition",
    ),
    _c(
        name="other_frame",
        unit="1",
        type="int32",
        meaning="Frame of the video that its lower rows, or the second mixture, come from; -1 when none.",
        source="definition",
    ),
    _c(
        name="kind",
        unit="",
        type="text",
        meaning="whole (a frame of the video as it is), woven (two fields), unmixed (taken out of two mixtures), "
        "or mixed (a mixture as it is: nothing better is there).",
        source="definition",
    ),
    _c(
        name="confidence",
        unit="1",
        type="float64",
        meaning="How sure it is that a film frame begins and ends there, 0.5 to 1.",
        source="derived",
    ),
    _c(
        name="digest",
        unit="",
        type="text",
        meaning="Digest of the frame as written; of a whole one that of the video's decoded frame.",
        source="definition",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovered:
    """`recovery.json`: what a video was found to be, and what was taken out of it."""

    version: int = 1
    program: str
    video: str
    video_sha256: str
    read_as: str  # one of ORDERS
    combed_share: float
    picture_rate: Fraction
    film_rate: Fraction
    next_rate: Fraction | None
    fit: float
    lead: float
    pictures: int
    film_frames: int
    whole: int
    woven: int
    unmixed: int
    mixed: int
    doubtful: int

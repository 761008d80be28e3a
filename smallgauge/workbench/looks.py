"""What a look is made of: the parts of `opened.py` that know no reel.

Shown, Shot, HeldLight, Planned   a picture for the page, what makes a finished frame, its light, the plan of one revision
read_captured, only_looks, true_factor, encode_true
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.frame import black_samples
from smallgauge.media.picture_in import CaptureListing, FrameReader, UnreadableFrame, open_picture
from smallgauge.picture.colour import FrameColour
from smallgauge.record.recipe import FINISHED
from smallgauge.record.treatment import Decision
from smallgauge.render.plan import FramePlan, Plan

TRUE_QUALITY = 92
STEADIED, CORRECTED = "steadied", "corrected"
LOOKS = (STEADIED, CORRECTED)
BY_LOOK = (
    "primary",
    "selective",
    "rendering",
    "inversion",
    "black_and_white",
    "fading",
)  # change colour alone


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A picture for the page: JPEG, its stamp, and what it is."""

    jpeg: bytes
    stamp: str
    label: str  # "rough look" or "true look"
    reduced_by: int  # whole factor from the captured or the finished frame


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shot:
    """What makes a finished frame of a captured one."""

    plan: FramePlan
    width: int
    height: int
    colour: FrameColour | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeldLight:
    """Light of a finished frame before its points, rendering and decision list; the capture's size."""

    light: NDArray[np.float32]
    captured: tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Planned:
    """The plan of the decisions up to one revision, the finished frame of each row that is shown, the scene of each position."""

    log: tuple[Decision, ...]
    revision: int
    plan: Plan
    shown: dict[int, int]
    scenes: dict[int, int]


def only_looks(before: tuple[Decision, ...], now: tuple[Decision, ...]) -> bool:
    """Whether nothing but decisions on looks came since."""
    return now[: len(before)] == before and all(each.subject in BY_LOOK for each in now[len(before) :])


def read_captured(listing: CaptureListing, key: tuple[int, int], readers: dict[int, FrameReader]) -> Any:
    """Code values of a frame of a capture; black where it can't be read."""
    reader = readers.get(key[0])
    if reader is None:
        reader = readers[key[0]] = open_picture(listing)
    try:
        return reader.read(key[1]).samples
    except UnreadableFrame:
        return black_samples(listing.width, listing.height, listing.encoding)


def true_factor(width: int, height: int) -> int:
    """By which whole number a finished frame is reduced for the picture window: to 1280 x 960 or below.

    Examples
    --------
    >>> true_factor(2048, 1536), true_factor(1024, 768)
    (2, 1)
    """
    return max(1, -(-width // 1280), -(-height // 960))


def encode_true(small: NDArray[np.uint16]) -> bytes:
    """A finished frame as JPEG, colour at full resolution. Source: ITU-T T.81, JPEG."""
    import imagecodecs

    eight = (small >> (FINISHED.bits - 8)).astype(np.uint8)
    return bytes(imagecodecs.jpeg8_encode(eight, level=TRUE_QUALITY, subsampling="444"))

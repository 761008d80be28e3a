"""The density of one place of the film, read from its capture where somebody points at the finished picture.

read_density     a reel's folder and a place -> density, from its archive copy
patch_density    samples of a captured frame and a place -> density
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.media.picture_in import open_picture
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.light import table_for
from smallgauge.record.material import Stretch, material_of
from smallgauge.record.table import Table, read_table
from smallgauge.record.track import TRACK_PAPER, TrackPaper
from smallgauge.record.treatment import Treatment
from smallgauge.render.plan import FramePlan, plan_rendering

PATCH_SHARE = 0.008  # half the side of what is read, share of the finished width; common practice, no source
MOST_CLIPPED = 0.02  # share of a patch's pixels at an end of the code values; common practice, no source
LEAST_LIGHT = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A place of the finished picture: film position, and shares of its width and height from the upper left."""

    position: int
    x: float
    y: float

    def __str__(self) -> str:
        return f"{self.position}@{_share(self.x)},{_share(self.y)}"


def _share(value: float) -> str:
    """A share as an operator writes it, with no exponent: `places_in` reads it back."""
    return f"{value:.5f}".rstrip("0").rstrip(".")


def read_density(folder: Path, treatment: Treatment, place: Place) -> tuple[float, float, float]:
    """Mean density of a small patch of film, R, G, B, the lamp of that frame divided out, nothing corrected."""
    capture = read_json(folder / "capture.json", Capture)
    frames = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
    material = material_of(folder)
    track = read_json(folder / TRACK_PAPER, TrackPaper) if capture.sound is not None else None
    plan = plan_rendering(capture, frames, treatment, material, track)
    frame = frame_at({each.film_position: each for each in plan.frames}, place)
    stretch = material.stretches[frame.capture]
    with open_picture(stretch.listing) as reader:
        samples = reader.read(frame.frame).samples
    return patch_density(samples, stretch, frame, (plan.width, plan.height), place, frames)


def frame_at(shown: dict[int, FramePlan], place: Place) -> FramePlan:
    """The frame of a place, from the frames by film position; CallerError where the film shows none."""
    frame = shown.get(place.position)
    if frame is None or not (0.0 <= place.x <= 1.0 and 0.0 <= place.y <= 1.0):
        raise CallerError(
            f"A place of the film needs a film position that the film shows and two shares from 0 to 1, found {place}."
        )
    return frame


def patch_density(
    samples: Any, stretch: Stretch, frame: FramePlan, size: tuple[int, int], place: Place, frames: Table
) -> tuple[float, float, float]:
    """Mean density of a small patch of a captured frame, R, G, B, the lamp of that frame divided out, nothing corrected.

    `size` is the finished picture's width and height. CallerError outside the camera's picture, and where code values lie
    at an end of their scale, so that the film may be lighter or darker than they say.
    """
    x, y = frame.move.place(place.x * (size[0] - 1), place.y * (size[1] - 1))
    _refuse_outside(frames, frame.source, place, x, y)
    reach = max(2, round(PATCH_SHARE * size[0] * abs(frame.move.a)))
    left, top = round(x) - reach, round(y) - reach
    patch = samples[max(0, top) : top + 2 * reach + 1, max(0, left) : left + 2 * reach + 1]
    if not patch.size:
        raise CallerError(f"{place} lies outside the capture; point at the picture.")
    table = table_for(stretch.capture.light, stretch.capture.encoding)
    _refuse_clipped(patch, None if table is None else (1 << stretch.capture.light.bits) - 1, place)
    light = np.asarray(patch, np.float64) if table is None else table[np.minimum(patch, len(table) - 1)]
    mean = np.broadcast_to(light.reshape(patch.shape[0] * patch.shape[1], -1).mean(axis=0), (3,))
    lamp = np.asarray(frame.colour.lamp or (1.0, 1.0, 1.0))
    red, green, blue = (-np.log10(np.maximum(mean / lamp, LEAST_LIGHT))).round(4).tolist()
    return red, green, blue


def _refuse_outside(frames: Table, row: int, place: Place, x: float, y: float) -> None:
    """Refuse what lies beyond a side of the camera's picture that was seen."""
    left, top, right, bottom = (
        float(frames[f"gate_{side}_px"][row]) for side in ("left", "top", "right", "bottom")
    )
    if x < left or y < top or x > right or y > bottom:  # never true of a side that is not known
        raise CallerError(
            f"{place} lies outside the camera's picture (in the capture at {x:.0f}, {y:.0f}); point at something that was filmed."
        )


def _refuse_clipped(patch: NDArray[Any], peak: int | None, place: Place) -> None:
    """Refuse a patch whose code values lie at an end of their scale; `peak` None is floating point, which has no upper end."""
    pixels = patch.reshape(patch.shape[0] * patch.shape[1], -1)
    dark = ~(pixels > 0).all(axis=1)
    light = (pixels >= peak).any(axis=1) if peak is not None else np.zeros_like(dark)
    for share, word in ((light.mean(), "light"), (dark.mean(), "dark")):
        if share > MOST_CLIPPED:
            raise CallerError(
                f"{place} is too {word} for the capture: {share:.0%} of its pixels there stand at the end of the code values, so "
                "its density is not known; point at another place."
            )

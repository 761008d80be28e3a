"""The density of one place of the film, read from its archive copy where somebody points at the finished picture."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from smallgauge.errors import CallerError
from smallgauge.media.picture_in import open_picture
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.light import table_for
from smallgauge.record.material import material_of
from smallgauge.record.table import read_table
from smallgauge.record.track import TRACK_PAPER, TrackPaper
from smallgauge.record.treatment import Treatment
from smallgauge.render.plan import plan_rendering

PATCH_SHARE = 0.008  # half the side of what is read, share of the finished width; common practice, no source
LEAST_LIGHT = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A place of the finished picture: film position, and shares of its width and height from the upper left."""

    position: int
    x: float
    y: float


def read_density(folder: Path, treatment: Treatment, place: Place) -> tuple[float, float, float]:
    """Mean density of a small patch of film, R, G, B, the lamp of that frame divided out, nothing corrected."""
    capture = read_json(folder / "capture.json", Capture)
    frames = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
    material = material_of(folder)
    track = read_json(folder / TRACK_PAPER, TrackPaper) if capture.sound is not None else None
    plan = plan_rendering(capture, frames, treatment, material, track)
    shown = {frame.film_position: frame for frame in plan.frames}
    frame = shown.get(place.position)
    if frame is None or not (0.0 <= place.x <= 1.0 and 0.0 <= place.y <= 1.0):
        raise CallerError(
            f"A place of the film needs a film position that the film shows and two shares from 0 to 1, found "
            f"{place.position}@{place.x:g},{place.y:g}."
        )
    stretch = material.stretches[frame.capture]
    with open_picture(stretch.listing) as reader:
        samples = reader.read(frame.frame).samples
    table = table_for(stretch.capture.light, stretch.capture.encoding)
    x, y = frame.move.place(place.x * (plan.width - 1), place.y * (plan.height - 1))
    reach = max(2, round(PATCH_SHARE * plan.width * abs(frame.move.a)))
    left, top = round(x) - reach, round(y) - reach
    patch = samples[max(0, top) : top + 2 * reach + 1, max(0, left) : left + 2 * reach + 1]
    if not patch.size:
        raise CallerError(
            f"{place.position}@{place.x:g},{place.y:g} lies outside the capture; point at the picture."
        )
    light = np.asarray(patch, np.float64) if table is None else table[np.minimum(patch, len(table) - 1)]
    mean = np.broadcast_to(light.reshape(patch.shape[0] * patch.shape[1], -1).mean(axis=0), (3,))
    lamp = np.asarray(frame.colour.lamp or (1.0, 1.0, 1.0))
    red, green, blue = (-np.log10(np.maximum(mean / lamp, LEAST_LIGHT))).round(4).tolist()
    return red, green, blue

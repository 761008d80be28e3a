"""A copy beside the finished film: does each of its frames show what belongs there, and does it say what was made?"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from smallgauge.prove.shown import TileFile
from smallgauge.record.recipe import SMOOTH
from smallgauge.record.rendertable import REAL, SYNTHETIC
from smallgauge.record.table import Table


@dataclass(frozen=True, slots=True)
class CopyLimits:
    """By how much a copy's small picture may differ from the finished film's: the mean of a frame, and one tile."""

    mean: float
    tile: float


# Coding loss and fewer bits, by coding. Measured on drawn reels and specimens (docs/benchmarks.md): each limit is more
# than twice what the worst frame had.
COPY_LIMITS = {
    "h264": CopyLimits(0.012, 0.08),
    "hevc": CopyLimits(0.012, 0.08),
    "hevc 8-bit": CopyLimits(0.012, 0.08),
    "av1": CopyLimits(0.012, 0.10),
    "prores": CopyLimits(0.006, 0.06),
}
SAID = "synthetic"

Small = NDArray[np.float32]


def wrong_frames(
    shown: Small, finished: Small | TileFile, rows: Table, limits: CopyLimits = COPY_LIMITS["h264"]
) -> NDArray[np.intp]:
    """Frames of a copy that do not show what their rows say, by small pictures (frames, rows, columns, 3), 0 to 1.

    A real frame is the finished frame. A synthetic one is no further from either neighbour than they are from one
    another, coding loss allowed. A picture that could not be decoded is NaN, and wrong.
    """
    at, beyond = rows["finished_frame"], rows["next_frame"]
    off = np.abs(shown - finished[at])
    right = (off.mean(axis=(1, 2, 3)) <= limits.mean) & (off.max(axis=(1, 2, 3)) <= limits.tile)
    for n in np.flatnonzero(rows["kind"] == SYNTHETIC):
        before, after = finished[at[n]], finished[beyond[n]]
        apart = np.abs(after - before).mean()
        right[n] = max(np.abs(shown[n] - end).mean() for end in (before, after)) <= apart + limits.mean
    return np.flatnonzero(~right)


@dataclass(slots=True, eq=False)
class Compared:
    """What came of a copy's frames so far: how many, the worst tile of a real one (NaN: none told), and those that are wrong."""

    frames: int = 0
    worst: float = float("nan")
    wrong: list[int] = field(default_factory=list)

    def add(
        self, first: int, shown: Small, finished: Small | TileFile, rows: Table, limits: CopyLimits
    ) -> None:
        """One stretch, from frame `first` on: its small pictures beside those that its rows name."""
        real = rows["kind"] != SYNTHETIC
        off = np.abs(shown[real] - finished[rows["finished_frame"][real]])
        self.worst = float(np.fmax(self.worst, np.fmax.reduce(off, axis=None, initial=np.nan)))
        self.wrong += (wrong_frames(shown, finished, rows, limits) + first).tolist()
        self.frames += len(shown)


def wrong_kinds(rows: Table, render: Table) -> NDArray[np.intp]:
    """Rows of the smooth copy that can't be: a synthetic frame not between two captured neighbours of one scene."""
    at, beyond, share = rows["finished_frame"], rows["next_frame"], rows["share"]
    synthetic = rows["kind"] == SYNTHETIC
    last = len(render) - 1
    inside = (at >= 0) & (at < last)
    one, two = np.clip(at, 0, last), np.clip(at + 1, 0, last)
    follows = inside & (beyond == at + 1) & (render["scene"][one] == render["scene"][two])
    follows &= render["film_position"][two] - render["film_position"][one] == 1
    follows &= (render["kind"][one] == "captured") & (render["kind"][two] == "captured")
    good = np.where(
        synthetic,
        follows & (share > 0) & (share < 1),
        (rows["kind"] == REAL) & (beyond == -1) & (share == 0),
    )
    return np.flatnonzero(~good)


def said_synthetic(file: str, tags: dict[str, str], synthetic: int) -> bool:
    """Whether a copy with synthetic frames says so in its name, its title and its comment."""
    told = (file, tags.get("TITLE", ""), tags.get("COMMENT", ""))
    return all(SAID in word for word in told) and str(synthetic) in told[2].split() and file == SMOOTH.file

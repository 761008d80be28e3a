"""The same drawn film captured twice, as sheets: grain is the film's, weave, lamp and noise are each capture's own."""

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

import numpy as np

from smallgauge.gauge.gauges import gauge_named
from smallgauge.gauge.geometry import picture_offset_mm
from smallgauge.picture.overlap import OverlapSheet, make_overlap_layout, make_overlap_sheet
from smallgauge.picture.resample import Move, apply_move
from smallgauge.picture.synthetic import ReelTruth, SceneTruth, draw_frame, frame_truth, specimen_truth

SIZE = (200, 150)
LAYOUT = make_overlap_layout(SIZE, px_per_mm=35.0)
MOVING = (SceneTruth(kind="garden", first=0, stop=40), SceneTruth(kind="sea", first=40, stop=400))
STILL = (SceneTruth(kind="garden", first=0, stop=400),)
STOPPED = Fraction(1_000_000)  # a camera so quick that nothing moves: a tripod shot of nothing


@dataclass(frozen=True)
class Run:
    """One capture of the film: its truth, the film frame that it begins with, and what the scanner saw otherwise.

    `scale` enlarges what was drawn, grain and all, as a lens nearer by would; `off` is an error of the box, px.
    """

    truth: ReelTruth
    first: int
    scale: float = 1.0
    off: tuple[float, float] = (0.0, 0.0)

    def light(self, number: int) -> np.ndarray:
        """Linear light of a captured frame."""
        samples = draw_frame(self.truth, number).samples
        light = (samples / np.float32((1 << self.truth.bits) - 1)).astype(np.float32)
        if self.scale == 1.0:
            return light
        height, width = light.shape[:2]
        return apply_move(light, move=self.move(), width=width, height=height)

    def move(self) -> Move:
        """From a captured pixel to the drawn one."""
        k = 1 / self.scale
        return Move(a=k, c=(1 - k) * (self.truth.width - 1) / 2, e=k, f=(1 - k) * (self.truth.height - 1) / 2)

    def place(self, x: float, y: float) -> tuple[float, float]:
        """A drawn place in the capture."""
        move = self.move()
        return (x - move.c) / move.a, (y - move.f) / move.e

    def box(self, number: int) -> tuple[float, float, float, float]:
        """Where the picture lies, from the film reference: nominal size, off by `off`."""
        true, gauge = frame_truth(self.truth, number), gauge_named(self.truth.gauge)
        k = true.pixels_per_mm
        x, y = true.film_reference_px
        x += picture_offset_mm(gauge)[0] * k
        half = gauge.camera_image_width_mm.value * k / 2, gauge.camera_image_height_mm.value * k / 2
        left, top = self.place(x - half[0], y - half[1])
        right, bottom = self.place(x + half[0], y + half[1])
        return left + self.off[0], top + self.off[1], right + self.off[0], bottom + self.off[1]


def capture(
    first: int,
    stop: int,
    *,
    seed: int = 7,
    scale: float = 1.0,
    off: tuple[float, float] = (0.0, 0.0),
    **changes: object,
) -> Run:
    """Film frames `first` to `stop` captured; equal seeds are the same film."""
    values = {"width": 320, "height": 240, "bits": 10, "scenes": MOVING, "fast_noise": True, **changes}
    missing = (*range(first), *values.pop("missing", ()))
    truth = specimen_truth("super 8", seed=seed, frames=stop - first, missing=missing, **values)
    return Run(truth, first, scale, off)


@lru_cache(maxsize=16)
def sheets_of(run: Run) -> list[OverlapSheet]:
    """Sheets of all frames of a capture; drawn once where tests share it."""
    return [
        make_overlap_sheet(run.light(n), position=n, box=run.box(n), size=SIZE, layout=LAYOUT)
        for n in range(run.truth.frames)
    ]

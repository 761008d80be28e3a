"""Line-up figures of a capture, from its tables: is the scanner straight, sharp and well exposed."""

import math

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.lineup import measure_lineup
from smallgauge.record.capture import Capture, LineUpFigure
from smallgauge.record.finding import Finding
from smallgauge.record.table import Table


def line_up(capture: Capture, frames: Table, perforations: Table) -> tuple[LineUpFigure, ...]:
    """The figures that could be measured; those of the perforations are left out where none is in view."""
    survey, area = capture.survey, capture.picture_area
    found = measure_lineup(
        frame_size_px=(capture.width, capture.height),
        tilt=survey.tilt if survey else math.nan,
        across_px_per_mm=survey.across_px_per_mm if survey else math.nan,
        along_px_per_mm=survey.along_px_per_mm if survey else math.nan,
        pitch_px=survey.pitch_px if survey else math.nan,
        holes=_best_holes(capture, len(frames), perforations),
        reference=np.stack([frames["perforation_x_px"], frames["perforation_y_px"]], axis=1),
        picture_area=(area.left, area.top, area.right, area.bottom),
        blur_left_px=frames["perforation_blur_left_px"],
        blur_right_px=frames["perforation_blur_right_px"],
        sharpness_left=frames["sharpness_left"],
        sharpness_right=frames["sharpness_right"],
        light=frames["light"],
        light_evenness=frames["light_evenness"],
        perforation_full_scale=frames["perforation_full_scale"],
        clipped_high=frames["clipped_high"],
        clipped_low=frames["clipped_low"],
    )
    return tuple(
        LineUpFigure(name=f.name, value=f.value, unit=f.unit, word=f.word)
        for f in found.figures
        if math.isfinite(f.value)
    )


def line_up_findings(figures: tuple[LineUpFigure, ...]) -> tuple[Finding, ...]:
    """A finding for each figure that is bad."""
    return tuple(
        Finding(
            code="line-up",
            where="capture",
            values={"name": f.name, "value": f.value, "unit": f.unit, "word": f.word},
        )
        for f in figures
        if f.word == "bad"
    )


def _best_holes(capture: Capture, count: int, perforations: Table) -> NDArray[np.float64]:
    """Centre and size of each frame's surest perforation, px; NaN where it has none."""
    holes = np.full((count, 4), np.nan)
    if capture.survey is None:
        return holes
    surest = np.full(count, -1.0)
    for frame, x, y, sure in zip(
        perforations["frame"],
        perforations["x_px"],
        perforations["y_px"],
        perforations["confidence"],
        strict=True,
    ):
        if sure > surest[frame]:
            surest[frame] = sure
            holes[frame] = x, y, capture.survey.width_px, capture.survey.height_px
    return holes

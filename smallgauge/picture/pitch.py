"""Pitch: from one perforation to the next along the film, frame by frame.

measure_next_perforation  fixes of one frame  ->  the step to the next perforation   (analyse)

Added up along the reel these steps place perforations that are no longer in view (`registration`).
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from smallgauge.columns import Column
from smallgauge.picture.perforation_fix import PerforationFix, PerforationSurvey

LEAST_CONFIDENCE = 0.2  # below it nothing counts as a measurement
MOST_CHANGE = 0.02  # of the pitch: neighbours further from it are not neighbours; common practice, no source

COLUMNS: tuple[Column, ...] = (
    Column(
        name="next_perforation_x_px", unit="px", type="float64", source="definition", tolerance=0.02,
        meaning="From the perforation before the picture's middle to the next along the film, across; NaN unless this "
        "frame shows both.",
    ),
    Column(
        name="next_perforation_y_px", unit="px", type="float64", source="definition", tolerance=0.02,
        meaning="The same along the film: this one pitch.",
    ),
)  # fmt: skip


def measure_next_perforation(
    fixes: Sequence[PerforationFix], *, survey: PerforationSurvey
) -> tuple[float, float]:
    """From the perforation before the picture's middle to the next along the film: this one pitch.

    Where perforations stand beside the middle of the frame it is counted from that one.

    Parameters
    ----------
    fixes : sequence of PerforationFix
        From `find_perforations`, one frame.
    survey : PerforationSurvey

    Returns
    -------
    (x, y) : float, float
        px, of the first row; NaN unless both were measured.

    Notes
    -----
    Source: "definition".
    """
    sound = sorted(
        (
            each
            for each in fixes
            if each.row == 0 and each.confidence >= LEAST_CONFIDENCE and np.isfinite(each.x_px + each.y_px)
        ),
        key=lambda each: each.y_px,
    )
    half = 0.5 if survey.holes_at == "frame line" else 0.0
    for one, two in pairwise(sound):
        pitch = two.y_px - one.y_px
        phase = (one.y_px - survey.usual_y_px) / survey.pitch_px + half
        if abs(pitch / survey.pitch_px - 1.0) < MOST_CHANGE and abs(phase) < 0.5:
            return two.x_px - one.x_px, pitch
    return float("nan"), float("nan")

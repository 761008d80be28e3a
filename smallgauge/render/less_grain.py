"""Captured samples of a frame as a finished frame is made from them: dirt repaired, and less grain where that was decided."""

from collections.abc import Callable
from dataclasses import dataclass
from math import nan
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.device import PROCESSOR, flow_finder
from smallgauge.picture.grain_reduction import apply_less_grain
from smallgauge.render.mend import mended_samples
from smallgauge.render.plan import FramePlan


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prepared:
    """A frame's samples, how many captured pixels were repaired, and what was taken of its grain.

    `grain_taken` is the share of its deviation, NaN where nobody decided on less; `grain_likeness` that of what was taken
    with the picture's edges.
    """

    samples: Any
    touched: int
    grain_taken: float = nan
    grain_likeness: float = nan


def prepared_samples(
    read: Callable[[int], Any],
    plan: FramePlan,
    table: NDArray[np.float32] | None,
    *,
    device: str = PROCESSOR,
) -> Prepared:
    """A frame's captured samples, as `read` gives them by number, prepared; how grain moves is searched on `device`."""
    samples, touched = mended_samples(read, plan, table)
    grain = plan.grain
    if grain is None:
        return Prepared(samples=samples, touched=touched)
    beside = (
        read(plan.frame - 1) if grain.before else None,
        read(plan.frame + 1) if grain.after else None,
    )
    flow = flow_finder(device)
    less = apply_less_grain(samples, beside, table=table, reduce=grain.reduce, box=grain.box, flow=flow)
    return Prepared(
        samples=less.samples, touched=touched, grain_taken=less.taken, grain_likeness=less.likeness
    )

"""How much less grain each finished frame has, by what was decided for its scene, and which frames beside it help."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.grain_reduction import LEAST_SIDE_PX
from smallgauge.picture.resample import Move
from smallgauge.record.capture import Capture
from smallgauge.record.decided_grain import grain_decisions
from smallgauge.record.finding import Finding
from smallgauge.record.table import Table
from smallgauge.record.treatment import Treatment


@dataclass(frozen=True, slots=True, kw_only=True)
class GrainPlan:
    """Of one captured frame: the share of its grain's deviation that may be taken, whether the frames before and after it
    are of its scene and can be read, and the picture in the capture (left, top, right, bottom; the last two not in it).
    """

    reduce: float
    before: bool
    after: bool
    box: tuple[int, int, int, int]


def plan_grain(
    running: Table,
    treatment: Treatment,
    *,
    readable: NDArray[np.bool_],
    moves: Sequence[Move],
    size: tuple[int, int],
    captures: Sequence[Capture],
) -> tuple[dict[tuple[int, int], GrainPlan], tuple[Finding, ...]]:
    """Plans by capture and frame, of the scenes in which somebody decided on less grain, and what there is to say.

    `running` has its scenes in running order; `readable` and `moves` are its rows', `size` is the finished picture's.
    """
    if not any(entry.decision.subject == "grain" for entry in treatment.in_force):
        return {}, ()
    scenes = dict(zip(running["film_position"].tolist(), running["scene"].tolist(), strict=True))
    own, others, found = grain_decisions(treatment, scenes)
    keys = list(zip(running["capture"].tolist(), running["frame"].tolist(), strict=True))
    scene_of = dict(zip(keys, running["scene"].tolist(), strict=True))
    whole = {key for key, good in zip(keys, readable.tolist(), strict=True) if good}
    plans: dict[tuple[int, int], GrainPlan] = {}
    for (capture, frame), move in zip(keys, moves, strict=True):
        scene = scene_of[capture, frame]
        reduce = own.get(scene, others).reduce
        box = _picture(move, size, (captures[capture].width, captures[capture].height))
        if not reduce or min(box[2] - box[0], box[3] - box[1]) < LEAST_SIDE_PX:
            continue
        before, after = (
            (capture, frame + step) in whole and scene_of[capture, frame + step] == scene for step in (-1, 1)
        )
        plans[capture, frame] = GrainPlan(reduce=reduce, before=before, after=after, box=box)
    return plans, found


def _picture(move: Move, size: tuple[int, int], captured: tuple[int, int]) -> tuple[int, int, int, int]:
    """Where the finished picture lies in the captured frame, as far as it lies there."""
    corners = [(x, y) for x in (0, size[0] - 1) for y in (0, size[1] - 1)]
    xs = [move.a * x + move.b * y + move.c for x, y in corners]
    ys = [move.d * x + move.e * y + move.f for x, y in corners]
    return (
        max(0, floor(min(xs))), max(0, floor(min(ys))),
        min(captured[0], ceil(max(xs)) + 1), min(captured[1], ceil(max(ys)) + 1),
    )  # fmt: skip

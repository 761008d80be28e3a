"""Which specks and lines of each finished frame are repaired: from what was found and what was decided for its scene."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.dirt_kinds import DIRT, solve_dirt, solve_lines
from smallgauge.picture.dirt_repair import DirtRepair, Run
from smallgauge.picture.scratch_repair import ScratchRepair
from smallgauge.record.by_scene import scenes_by_position
from smallgauge.record.decided_dirt import dirt_decisions
from smallgauge.record.dirttable import DirtSummary, repair_of, rows_by_frame, runs_at
from smallgauge.record.finding import Finding
from smallgauge.record.scratchtable import line_repair_of
from smallgauge.record.table import Table
from smallgauge.record.treatment import Treatment


@dataclass(frozen=True, slots=True, kw_only=True)
class DirtPlan:
    """Repairs of one captured frame, what dirt hides of the frames before and after it, and its lines that are repaired."""

    repairs: tuple[DirtRepair, ...]
    hidden: tuple[tuple[Run, ...], tuple[Run, ...]]
    lines: tuple[ScratchRepair, ...] = ()


def plan_dirt(
    dirt: Table | None, running: Table, treatment: Treatment, lines: Table | None = None
) -> tuple[dict[tuple[int, int], DirtPlan], DirtSummary | None, tuple[Finding, ...]]:
    """Repairs by capture and frame, the figures, and what there is to say; `running` has its scenes in running order.

    `lines` are those along the film, where they were looked for.
    """
    if dirt is None:
        return {}, None, ()
    scenes = scenes_by_position(running)
    own, others, found = dirt_decisions(treatment, scenes)
    if treatment.find("dirt") is None:
        return {}, None, found
    rows = list(zip(running["capture"].tolist(), running["frame"].tolist(), strict=True))
    scene_of = dict(zip(rows, running["scene"].tolist(), strict=True))

    def scenes_at(table: Table) -> NDArray[np.int64]:
        keys = zip(table["capture"].tolist(), table["frame"].tolist(), strict=True)
        return np.array([scene_of.get(key, -1) for key in keys], np.int64)

    scene = scenes_at(dirt)
    wanted = solve_dirt(dirt.values, scene, own, others)
    plans = _plans(dirt, wanted)
    here = scene >= 0
    kinds = dirt["kind"][here].tolist()
    summary = DirtSummary(
        found=len(kinds),
        repaired=int(np.count_nonzero(wanted & here)),
        left_by_decision=int(np.count_nonzero((dirt["kind"] == DIRT) & ~wanted & here)),
        left={kind: kinds.count(kind) for kind in sorted(set(kinds)) if kind != DIRT},
        scenes_left=tuple(sorted(each for each, decision in own.items() if not decision.repair)),
    )
    if lines is not None and len(lines):
        scene = scenes_at(lines)
        wanted = solve_lines(lines.values, scene, own, others) & (scene >= 0)
        _with_lines(plans, lines, wanted)
        tracks = list(zip(lines["capture"].tolist(), lines["track"].tolist(), strict=True))
        scratches = (lines["kind"] == "scratch") & (scene >= 0)
        summary = replace(
            summary,
            lines_found=len({tracks[n] for n in np.flatnonzero(scratches).tolist()}),
            lines_repaired=len({tracks[n] for n in np.flatnonzero(wanted).tolist()}),
        )
    return plans, summary, found


def _with_lines(plans: dict[tuple[int, int], DirtPlan], lines: Table, wanted: NDArray[np.bool_]) -> None:
    """Lines that are repaired, put beside the specks of their frames."""
    nothing = DirtPlan(repairs=(), hidden=((), ()))
    for key, part in rows_by_frame(lines).items():
        repairs = tuple(line_repair_of(lines, int(row)) for row in part if wanted[row])
        if repairs:
            plans[key] = replace(plans.get(key, nothing), lines=repairs)


def _plans(dirt: Table, wanted: NDArray[np.bool_]) -> dict[tuple[int, int], DirtPlan]:
    """The plan of every frame that has something to repair; only the rows that it needs are read."""
    parts = rows_by_frame(dirt)

    def hides(capture: int, frame: int) -> tuple[Run, ...]:
        rows = parts.get((capture, frame), ())
        return tuple(
            run for row in rows if dirt["kind"][row] in (DIRT, "edge") for run in runs_at(dirt, int(row))
        )

    return {
        (capture, frame): DirtPlan(
            repairs=tuple(repair_of(dirt, int(row)) for row in part if wanted[row]),
            hidden=(hides(capture, frame - 1), hides(capture, frame + 1)),
        )
        for (capture, frame), part in parts.items()
        if wanted[part].any()
    }

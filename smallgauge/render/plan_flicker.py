"""The flicker correction of each finished frame: from the columns, what was decided for its scene, and where it lies."""

from collections.abc import Sequence
from dataclasses import dataclass

from smallgauge.picture.flicker import FlickerCorrection, FlickerFigure, scenes_of, solve_flicker
from smallgauge.picture.resample import Move
from smallgauge.record.by_scene import scenes_by_position
from smallgauge.record.capture import Capture
from smallgauge.record.decided_flicker import flicker_decisions
from smallgauge.record.exposures import flicker_evidence_of, lamps_of, picture_boxes
from smallgauge.record.finding import Finding
from smallgauge.record.rendertable import SceneFlicker
from smallgauge.record.table import Table
from smallgauge.record.treatment import Treatment


@dataclass(frozen=True, slots=True, kw_only=True)
class FlickerTold:
    """Flicker of one row of the frame table: its correction, and the path of its level before and after."""

    correction: FlickerCorrection | None
    before_ln: float
    after_ln: float


def plan_flicker(
    captures: Sequence[Capture],
    running: Table,
    treatment: Treatment,
    *,
    moves: Sequence[Move],
    size: tuple[int, int],
) -> tuple[tuple[FlickerTold, ...], tuple[SceneFlicker, ...], tuple[Finding, ...]]:
    """Flicker of each row of the reel's frame table, the figures of its scenes, and what there is to say.

    `running` has its film positions and scenes in running order; `moves` lead from the finished picture of `size` to
    each row's captured frame.
    """
    lamps, _ = lamps_of(captures, running)
    evidence = flicker_evidence_of(running, lamps)
    scenes = scenes_by_position(running)
    own, others, found = flicker_decisions(treatment, scenes)
    decisions = tuple(own.get(int(evidence.scene[first]), others) for first, _ in scenes_of(evidence.scene))
    boxes = picture_boxes(captures, running)
    places = tuple(_place(move, box, size) for move, box in zip(moves, boxes.tolist(), strict=True))
    solution = solve_flicker(evidence, decisions, places=places)
    told = tuple(
        FlickerTold(correction=correction, before_ln=round(before, 6), after_ln=round(after, 6))
        for correction, before, after in zip(
            solution.corrections, solution.before_ln.tolist(), solution.after_ln.tolist(), strict=True
        )
    )
    figures = (_of_scene(figure, int(evidence.scene[figure.first])) for figure in solution.figures)
    return told, tuple(sorted(figures, key=lambda each: each.scene)), found


def _of_scene(figure: FlickerFigure, scene: int) -> SceneFlicker:
    return SceneFlicker(
        scene=scene,
        frames=figure.stop - figure.first,
        on=figure.on,
        before_ln=figure.before_ln,
        after_ln=figure.after_ln,
        share=figure.share,
    )


def _place(
    move: Move, box: list[float], size: tuple[int, int]
) -> tuple[float, float, float, float, float, float]:
    """From -1 to 1 over the finished picture to -1 to 1 over the picture area in the capture."""
    left, top, wide, high = box
    width, height = size
    x, y = (width - 1) / 2, (height - 1) / 2  # the finished picture's middle
    return (
        move.a * width / wide,
        move.b * height / wide,
        2 * (move.a * x + move.b * y + move.c - left) / wide - 1,
        move.d * width / high,
        move.e * height / high,
        2 * (move.d * x + move.e * y + move.f - top) / high - 1,
    )

"""Which frames a photograph is made of: the one that it shows, and its neighbours in the same scene that help it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.fusion import PARTNERS, solve_sharpest
from smallgauge.record.keptstills import Asked
from smallgauge.render.plan import FramePlan, Plan

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class StillWish:
    """A photograph that is asked for: by film position, or by the captured frame of a mark."""

    asked: Asked
    film_position: int
    key: tuple[int, int] | None = None  # capture and frame of a mark
    words: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StillPlan:
    """A photograph, planned: its frames in film order, and which of them it shows."""

    wish: StillWish
    frames: tuple[FramePlan, ...]
    base: int

    @property
    def shown(self) -> FramePlan:
        """The frame that the photograph shows."""
        return self.frames[self.base]


def scene_wishes(plan: Plan, sharpness: Floats, scenes: Sequence[int] | None) -> tuple[StillWish, ...]:
    """The best frame of each scene, counted from 1; of all scenes where `scenes` is None."""
    there = sorted({frame.scene + 1 for frame in plan.frames if frame.scene >= 0})
    lacking = [number for number in scenes or () if number not in there]
    if lacking:
        raise CallerError(
            f"This film has scenes {there[0]} to {there[-1]}, found {lacking[0]}; look into the report."
        )
    wishes = []
    for number in scenes or there:
        of_scene = [f for f in plan.frames if f.scene + 1 == number and f.kind == "captured"]
        known = [f for f in of_scene if np.isfinite(sharpness[f.source])] or of_scene
        if known:
            best = max(known, key=lambda f: (np.nan_to_num(sharpness[f.source], nan=-1.0), -f.finished))
            wishes.append(StillWish(asked="scene", film_position=best.film_position))
    return tuple(wishes)


def plan_stills(
    plan: Plan, sharpness: Floats, wishes: Sequence[StillWish], *, reach: int
) -> tuple[StillPlan, ...]:
    """The frames of each photograph; `reach` is how far from a frame that was asked for by its number another may be taken.

    Raises
    ------
    CallerError
        Where the finished film does not show a frame that was asked for.
    """
    by_position = {frame.film_position: frame for frame in plan.frames if frame.kind == "captured"}
    by_key = {(frame.capture, frame.frame): frame for frame in plan.frames if frame.kind == "captured"}
    out = []
    for wish in wishes:
        asked = by_key.get(wish.key) if wish.key is not None else by_position.get(wish.film_position)
        if asked is None:
            raise CallerError(
                f"The finished film shows no captured picture at film frame {wish.film_position}; ask for another frame, or "
                "take the mark off."
            )
        row = [
            frame
            for frame in plan.frames[
                max(0, asked.finished - 2 * PARTNERS - reach) : asked.finished + 2 * PARTNERS + reach + 1
            ]
            if (frame.scene, frame.capture, frame.kind) == (asked.scene, asked.capture, "captured")
        ]
        chosen = solve_sharpest(
            [float(sharpness[frame.source]) for frame in row],
            asked=row.index(asked),
            reach=reach if wish.asked == "frame" else 0,
        )
        used = sorted((chosen.base, *chosen.partners))
        out.append(StillPlan(wish=wish, frames=tuple(row[n] for n in used), base=used.index(chosen.base)))
    return tuple(out)

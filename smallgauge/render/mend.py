"""Captured samples of a frame with its dirt and scratches repaired, before anything else is done to them."""

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.dirt_repair import apply_dirt_repair
from smallgauge.picture.scratch_repair import apply_scratch_repair
from smallgauge.render.plan import FramePlan


def mended_samples(
    read: Callable[[int], Any], plan: FramePlan, table: NDArray[np.float32] | None
) -> tuple[Any, int]:
    """A frame's captured samples as `read` gives them by number, its specks and lines repaired, and how many pixels changed."""
    samples = read(plan.frame)
    if plan.dirt is None:
        return samples, 0
    repairs, lines = plan.dirt.repairs, plan.dirt.lines
    mended = apply_scratch_repair(samples, lines, table=table) if lines else samples
    if repairs:
        # A line lies on the frames beside it too, as good as at its own place.
        before, after = (
            apply_scratch_repair(each, lines, table=table) if lines else each
            for each in (read(plan.frame - 1), read(plan.frame + 1))
        )
        mended = apply_dirt_repair(mended, before, after, repairs, table=table, hidden=plan.dirt.hidden)
    differs = mended != samples
    touched = np.count_nonzero(differs if differs.ndim == 2 else differs.any(axis=2))
    return mended, int(touched)


class Window:
    """The last few frames of a reader, so that a frame's neighbours are decoded once."""

    def __init__(self, read: Callable[[int], Any]) -> None:
        self._read, self._kept = read, dict[int, Any]()

    def __call__(self, number: int) -> Any:
        """Samples of a frame."""
        if number not in self._kept:
            self._kept[number] = self._read(number)
            for far in [n for n in self._kept if abs(n - number) > 2]:
                del self._kept[far]
        return self._kept[number]

"""What can be taken back of a long log: time of one look, on 10,000 decisions of two people on a reel of 300 scenes.

Run `python -m benchmarks.undo`. Prints user CPU seconds of the next step back and the next step forth, median of 5.
"""

import os
import random

import numpy as np

from smallgauge.record.treatment import Decision
from smallgauge.record.undo import redo_step, undo_step

DECISIONS, FRAMES, SCENE = 10_000, 30_000, 100


def long_log(chance: random.Random) -> tuple[Decision, ...]:
    """Decisions of two people, scene by scene."""
    return tuple(
        Decision(
            id=number + 1,
            revision=number + 1,
            by=chance.choice(["mk", "ot"]),
            at="2026-01-17T10:00:00Z",
            subject=chance.choice(["primary", "flicker"]),
            anchor=f"scene@{chance.randrange(0, FRAMES, SCENE)}",
            value={"n": number},
            why="drawn",
        )
        for number in range(DECISIONS)
    )


def main() -> None:
    """Print the two medians."""
    log, positions = long_log(random.Random(1)), np.arange(FRAMES)

    def place_of(decision: Decision) -> tuple[str, int]:
        row = np.flatnonzero(positions == int(decision.anchor.removeprefix("scene@")))[-1]
        return decision.subject, int(row) // SCENE

    for step in (undo_step, redo_step):
        taken = []
        for _ in range(5):
            before = os.times().user
            step(log, "mk", place_of)
            taken.append(os.times().user - before)
        print(f"{step.__name__}: {sorted(taken)[2]:.2f} user CPU s over {DECISIONS:,} decisions")


if __name__ == "__main__":
    main()

"""Less grain by `apply_less_grain` and by OpenCV's `fastNlMeansDenoisingMulti`, and the measured noise curve against the truth.

The frames of benchmarks/moved_photographs.py, 300 px high. Both get three frames; the baseline is told the true grain, and
is laid over the frame by the share that leaves as much grain in the median pixel as ours does, so that both take the same amount.

Figures: grain left (median of absolute error over that of the one frame) at 50 % asked for; gain of PSNR over the one
frame, dB; slope of three slanted edges over the true slope; the likeness of what was taken with the true picture's edges (the
reference's limit is 0.05); largest error of a mean over 3 x 3 px where the subject is in other frames, deviations of the grain.
Run: `python -m benchmarks.grain`.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.moved_photographs import BASE, CASES, Moved, draw_moved
from benchmarks.stills import edge_slope, ghost, psnr
from smallgauge.picture.grain_reduction import apply_less_grain

Floats = NDArray[np.float32]
ASKED = 0.5


def ours(moved: Moved) -> Floats:
    """The base frame with less grain, values 0 to 255."""
    frames = [np.asarray((np.clip(each, 0, 255) / 255) ** 2.4, np.float32) for each in moved.frames]
    high, wide = frames[BASE].shape[:2]
    less = apply_less_grain(
        frames[BASE], (frames[BASE - 1], frames[BASE + 1]), table=None, reduce=ASKED, box=(0, 0, wide, high)
    )
    return np.asarray(255 * less.samples ** (1 / 2.4), np.float32)


def baseline(moved: Moved, left: float) -> Floats:
    """The baseline, over the frame by the share that leaves this much grain."""
    eight = [np.rint(each).astype(np.uint8) for each in moved.frames]
    done = cv2.fastNlMeansDenoisingMulti(eight, BASE, 3, None, float(moved.grain.mean()), 7, 21)
    own = moved.frames[BASE]
    shares = np.linspace(0, 1, 41, dtype=np.float32)
    laid = [np.asarray(own + share * (done - own), np.float32) for share in shares]
    return min(laid, key=lambda each: abs(grain_left(each, moved) - left))


def grain_left(picture: Floats, moved: Moved) -> float:
    """Median absolute error over that of the one frame."""
    error, before = (np.abs(each - moved.truth) for each in (picture, moved.frames[BASE]))
    return float(np.median(error) / np.median(before))


def likeness(picture: Floats, moved: Moved) -> float:
    """Correlation of the size of what was taken, over the grain, with the true picture's gradient."""
    taken = (np.abs(picture - moved.frames[BASE]) / moved.grain).mean(axis=2)
    down, across = np.gradient(moved.truth.mean(axis=2))
    return float(np.corrcoef(taken.ravel(), np.hypot(down, across).ravel())[0, 1])


def main() -> None:
    """Print the table."""
    print(
        "picture | grain | left: ours, baseline | gain | slope | likeness with edges | ghost: one frame, ours, baseline"
    )
    for case in CASES:
        moved = draw_moved(case, height=300)
        one = ours(moved)
        two = baseline(moved, grain_left(one, moved))
        before, true = psnr(moved.frames[BASE], moved.truth), edge_slope(moved.truth, moved.card)
        pairs = [
            [grain_left(each, moved) for each in (one, two)],
            [psnr(each, moved.truth) - before for each in (one, two)],
            [edge_slope(each, moved.card) / true for each in (one, two)],
            [likeness(each, moved) for each in (one, two)],
        ]
        ghosts = [ghost(each, moved) for each in (moved.frames[BASE], one, two)]
        cells = [" | ".join(f"{value:.3f}" for value in pair) for pair in pairs]
        print(
            " | ".join([case.name, f"{case.grain:g}", *cells, *(f"{value:.1f}" for value in ghosts)]),
            flush=True,
        )


if __name__ == "__main__":
    main()

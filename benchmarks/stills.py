"""Fused stills and OpenCV's `fastNlMeansDenoisingMulti`, against the picture without grain.

Nine frames of a photograph or a drawing that pans by parts of a pixel, trembles, and has a ball running before it, with
grain of several sizes and sorts (benchmarks/moved_photographs.py). Both get the same nine frames, in the same run. The
baseline is told the true grain and takes the best of three strengths, chosen by the truth; ours is told nothing.

Figures: PSNR, dB, 12 px of the rim left out, of one frame, of the baseline, of the fusion without any grain kept and as
shipped (a fifth of it, of coarse grain less); slope of three slanted edges over the true slope; on the places that the
subject crosses in other frames, the largest error of a mean over 3 x 3 pixels in deviations of the grain (one frame alone,
baseline, fusion, fusion as shipped). Run: `python -m benchmarks.stills [--json]`.
"""

import argparse
import json
import time
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import curve_fit
from scipy.special import erf

from benchmarks.moved_photographs import BASE, CASES, EDGE_SLOPE, Case, Moved, draw_moved
from smallgauge.picture.focus import measure_sharpness
from smallgauge.picture.fusion import Fused, apply_fusion, solve_kept_grain, solve_sharpest

EDGE = 12
BITS = 16
STRENGTHS = (0.8, 1.0, 1.3)  # of the true grain, for the baseline

Floats = NDArray[np.float32]


def psnr(picture: Floats, truth: Floats) -> float:
    """Peak signal over rms difference, dB."""
    off = (picture - truth)[EDGE:-EDGE, EDGE:-EDGE].astype(np.float64)
    return float(20 * np.log10(255 / np.sqrt(np.mean(off**2))))


def fusion_of(moved: Moved, *, kept_grain: float | None) -> Fused:
    """The fusion of the frames that `solve_sharpest` chooses."""
    codes = [np.rint(each * (((1 << BITS) - 1) / 255)).astype(np.uint16) for each in moved.frames]
    sharp = [
        measure_sharpness(np.asarray((each / 255) ** 2.4, np.float32)).sharpness for each in moved.frames
    ]
    chosen = solve_sharpest(sharp, asked=BASE, reach=0)
    places = sorted((chosen.base, *chosen.partners))
    return apply_fusion(
        [codes[n] for n in places], base=places.index(chosen.base), bits=BITS, kept_grain=kept_grain
    )


def fused(moved: Moved, *, kept_grain: float | None) -> Floats:
    """The same, values 0 to 255."""
    return _values(fusion_of(moved, kept_grain=kept_grain))


def _values(done: Fused) -> Floats:
    return np.asarray(done.picture * np.float32(255 / ((1 << BITS) - 1)), np.float32)


def baseline(moved: Moved) -> Floats:
    """`cv2.fastNlMeansDenoisingMulti` over all frames, the best of three strengths."""
    eight = [np.rint(each).astype(np.uint8) for each in moved.frames]
    usual = float(moved.grain.mean())
    tried = [
        cv2.fastNlMeansDenoisingMulti(eight, BASE, len(eight), None, usual * k, 7, 21).astype(np.float32)
        for k in STRENGTHS
    ]
    return max(tried, key=lambda each: psnr(each, moved.truth))


def edge_slope(picture: Floats, card: tuple[float, float, float]) -> float:
    """Slope of the three edges on the card: step over sigma of the error function that fits, mean of the three."""
    left, top, half = card
    y, x = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]].astype(np.float32)
    across = ((x - left) + EDGE_SLOPE * (y - top)) / np.float32(np.hypot(1, EDGE_SLOPE))
    grey = picture.mean(axis=2)
    slopes = []
    for n in (-1, 0, 1):
        u = across - n * half / 2
        on = (np.abs(u) < 0.22 * half) & (np.abs(y - top) < 0.8 * half)
        fit, _ = curve_fit(
            lambda at, mean, step, place, sigma: mean + step * erf((at - place) / (np.sqrt(2) * sigma)),
            u[on],
            grey[on],
            p0=(130.0, 60.0, 0.0, 1.0),
        )
        slopes.append(abs(fit[1] / fit[3]))
    return float(np.mean(slopes))


def ghost(picture: Floats, moved: Moved) -> float:
    """Largest error of a mean over 3 x 3 pixels where the subject is in other frames, in deviations of the grain."""
    off = np.abs(cv2.blur(picture - moved.truth, (3, 3)) / moved.grain)
    inner = np.zeros_like(moved.crossed)
    inner[EDGE:-EDGE, EDGE:-EDGE] = True
    where = moved.crossed & inner
    return float(off[where].max()) if where.any() else 0.0


def measured(case: Case) -> dict[str, Any]:
    """All figures of a case."""
    moved = draw_moved(case)
    theirs = baseline(moved)
    begun = time.process_time()
    done = fusion_of(moved, kept_grain=0.0)
    ours = _values(done)
    cost = time.process_time() - begun
    kept = solve_kept_grain(done.noise)
    shipped = ours + np.float32(kept) * (moved.frames[BASE] - ours)
    true = edge_slope(moved.truth, moved.card)
    return {
        "picture": case.name,
        "grain": case.grain,
        "one_frame_db": psnr(moved.frames[BASE], moved.truth),
        "baseline_db": psnr(theirs, moved.truth),
        "fusion_db": psnr(ours, moved.truth),
        "gain_db": psnr(ours, moved.truth) - psnr(theirs, moved.truth),
        "shipped_gain_db": psnr(shipped, moved.truth) - psnr(theirs, moved.truth),
        "baseline_slope": edge_slope(theirs, moved.card) / true,
        "slope": edge_slope(ours, moved.card) / true,
        "shipped_slope": edge_slope(shipped, moved.card) / true,
        "one_frame_ghost": ghost(moved.frames[BASE], moved),
        "baseline_ghost": ghost(theirs, moved),
        "ghost": ghost(ours, moved),
        "shipped_ghost": ghost(shipped, moved),
        "kept": kept,
        "cpu_s": cost,
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("pictures", nargs="*", help="names of cases; all where none is given")
    options = parser.parse_args()
    rows = [measured(case) for case in CASES if not options.pictures or case.name in options.pictures]
    if options.json:
        print(json.dumps(rows, indent=1))
        return
    print("picture | grain | one frame | baseline | fusion | gain | gain shipped | slope: baseline, fusion, shipped | "
          "ghost: one frame, baseline, fusion, shipped | kept | CPU s")  # fmt: skip
    for row in rows:
        print(
            "{picture} | {grain:g} | {one_frame_db:.1f} | {baseline_db:.1f} | {fusion_db:.1f} | {gain_db:+.1f} | "
            "{shipped_gain_db:+.1f} | {baseline_slope:.3f} {slope:.3f} {shipped_slope:.3f} | {one_frame_ghost:.1f} "
            "{baseline_ghost:.1f} {ghost:.1f} {shipped_ghost:.1f} | {kept:.2f} | {cpu_s:.1f}".format(**row)
        )


if __name__ == "__main__":
    main()

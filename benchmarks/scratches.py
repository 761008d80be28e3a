"""Scratches drawn over photographs that move, and posts that are none: how many are found, and how many lines are false.

Drawn: six lines a reel, 1 to 3 px wide at 360 rows, of 12 to 60 per cent of the light, wandering by 0.08 px a frame; *broken*:
half of them over 0.65 to 0.95 of the height only, half on 0.6 to 0.9 of the frames only. Posts: 1 to 7 px, over the whole height,
nearer than what is behind them, so that they move by themselves. A column counts once a frame. *contrast*: how much a line
changes lightness at its middle, mean over its height, in deviations of the grain there. *left*: of what found lines change (mean
over the height, columns within their width, the middle frame) how much is there after the repair. Run:
`python -m benchmarks.scratches [--height 1080] [--frames 25] [--seeds 41 42 43] [--faint]`; `--faint`: lines of 2 to 12 per cent.
"""

import argparse
import copy
import time
from collections import Counter
from itertools import pairwise

import cv2
import numpy as np

from benchmarks.moving_pictures import moving_scene, with_grain
from smallgauge.picture.scratch_lines import find_scratch_lines
from smallgauge.picture.scratch_repair import ScratchRepair, apply_scratch_repair, line_runs
from smallgauge.picture.scratches import SIDES, make_scratch_sheet, measure_scratch_step
from smallgauge.picture.synthetic_scratches import Scratches, draw_scratched, draw_scratches

SCRATCHED = ("pan", "fast", "still", "flag", "posts, pan", "posts, locked", "posts, slow pan")
CLEAN = ("pan", "still", "fast", "rain", "flag", "snow", "posts, pan", "posts, locked", "posts, slow pan")
POSTS = 4  # of a scene with posts
LIMITS = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0, 99.0)  # of contrasts
BASE, EMULSION, _ = SIDES


def posts_scene(frames, height, seed, *, speed):
    """A photograph that moves with posts and a door frame before it, upright over the whole height."""
    random = np.random.default_rng([seed, 77])
    width, scale = height * 4 // 3, height / 360
    at = random.uniform(-0.2, 1.2, POSTS * (2 if speed else 1)) * width
    wide = random.uniform(1.2, 7.0, len(at)) * scale
    light = random.choice([0.02, 0.04, 0.5, 0.7], len(at))
    for n, seen in enumerate(moving_scene("still", frames, height=height, seed=seed)):
        shake = random.normal(0, 0.35 * scale)
        move = speed * scale * (n - frames / 2) + shake
        carry = np.array([[1, 0, move], [0, 1, 0]], np.float64)
        seen = cv2.warpAffine(seen, carry, (width, height), borderMode=cv2.BORDER_REFLECT)
        column = np.arange(width)
        for x, w, value in zip(at, wide, light, strict=True):
            cover = np.clip(0.5 + (w / 2 - np.abs(column - x - move)) / (0.9 * scale), 0, 1)[None, :, None]
            seen = seen * (1 - cover) + value * cover
        yield np.asarray(seen, np.float32)


def drawn_scene(kind, frames, height, seed):
    """A scene by its name."""
    if "posts" in kind:
        speed = {"posts, pan": 3.0, "posts, slow pan": 0.6}.get(kind, 0.0)
        return posts_scene(frames, height, seed, speed=speed)
    return moving_scene(kind, frames, height=height, seed=seed)


def searched(scene, scratches, seed):
    """All lines, CPU seconds a frame, each drawn line's contrast in deviations of the grain; the middle frame, and clean."""
    random = np.random.default_rng([seed, 5])
    sheets, steps, spent = [], [], 0.0
    strength, middle = np.zeros(0), None
    for n, light in enumerate(scene):
        if scratches is not None:
            behind, light = light, draw_scratched(light, scratches, n)
            if n == len(scratches.places) // 2:
                strength = contrasts(behind, light, scratches, n)
                clean = with_grain(behind, copy.deepcopy(random))
                middle = with_grain(light, copy.deepcopy(random)), clean
        shown = np.asarray(255 * with_grain(light, random) ** np.float32(1 / 2.4), np.float32)
        begin = time.process_time()
        sheets.append(make_scratch_sheet(shown))
        steps.append(measure_scratch_step(*sheets[-2:]) if n else None)
        spent += time.process_time() - begin
    begin = time.process_time()
    lines = find_scratch_lines(sheets, steps)
    spent += time.process_time() - begin
    return lines, spent / len(sheets), strength, middle


def left_over(lines, scratches, middle):
    """What found lines change on the middle frame, before and after the repair."""
    n, (dirty, clean) = len(scratches.places) // 2, middle
    size = (dirty.shape[1], dirty.shape[0])
    found = [line for line in lines if line.kind == "scratch" and line.present[n]]
    repairs = [
        ScratchRepair(
            x=line.x[n],
            profile=line.profile,
            colours=line.colours,
            runs=line_runs(line.x[n], len(line.profile), line.bands, size),
        )
        for line in found
    ]
    mended = apply_scratch_repair(dirty, repairs, table=None)
    change = [np.abs((each ** (1 / 2.4) - clean ** (1 / 2.4)).mean(axis=(0, 2))) for each in (dirty, mended)]
    total = np.zeros(2)
    for place, width in zip(scratches.places[n], scratches.widths, strict=True):
        if np.isfinite(place) and any(abs(line.x[n] - place) < 2 * width for line in found):
            part = slice(max(0, round(place - width)), round(place + width) + 1)
            total += [each[part].sum() for each in change]
    return total


def contrasts(behind, light, scratches, n):
    """How much each line changes lightness at its middle, in deviations of the grain."""
    column = np.clip(np.nan_to_num(scratches.places[n]).round().astype(int), 0, light.shape[1] - 1)
    one, two = (np.clip(each[:, column].mean(axis=2), 0, 1) ** (1 / 2.4) for each in (behind, light))
    sigma = 6 / 255 * (0.35 + 2.6 * one * (1 - one))
    return np.abs((two - one) / sigma).mean(axis=0) / np.maximum(np.ptp(scratches.spans, axis=1), 1e-3)


def told(lines, scratches, scale):
    """Of each drawn line: frames drawn, found, and with the right side; false lines; columns listed without being drawn."""
    taken = [line for line in lines if line.kind == "scratch"]
    false, over, rows = set(range(len(taken))), 0, []
    if scratches is not None:
        for k in range(scratches.places.shape[1]):
            drawn, hit, right = 0, 0, 0
            for n, place in enumerate(scratches.places[:, k]):
                near = [
                    m
                    for m, line in enumerate(taken)
                    if abs(line.x[n] - np.nanmean(scratches.places[:, k]))
                    < 2.0 * scale + 0.5 * scratches.widths[k]
                ]
                false -= set(near)
                here = [m for m in near if taken[m].present[n]]
                drawn += np.isfinite(place)
                hit += bool(here) and np.isfinite(place)
                over += bool(here) and not np.isfinite(place)
                if here:
                    colours = np.array(taken[here[0]].colours)
                    side = np.ptp(colours) > 0.3 * np.abs(colours).max()
                    right += side == scratches.emulsion[k] and np.isfinite(place)
            rows.append((drawn, hit, right))
    return rows, [taken[m] for m in false], over


def fainter(lines, seed):
    """The same lines with a tenth to four tenths of their density."""
    weaker = np.random.default_rng(seed + 1000).uniform(0.1, 0.4, 6)[:, None]
    return Scratches(
        places=lines.places,
        widths=lines.widths,
        gains=(lines.gains**weaker).astype(np.float32),
        emulsion=lines.emulsion,
        spans=lines.spans,
    )


def main():
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--height", type=int, default=360)
    parser.add_argument("--frames", type=int, default=25)
    parser.add_argument("--seeds", type=int, nargs="+", default=[41, 42, 43])
    parser.add_argument("--faint", action="store_true")
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    print("| scene | found, of columns drawn | side right | left | false lines in frames | CPU s a frame |")
    print("| --- | --- | --- | --- | --- | --- |")
    scale = args.height / 360
    cases = [(kind, "scratched") for kind in SCRATCHED] + [("pan", "broken"), ("still", "broken")]
    cases += [(kind, "") for kind in (() if args.faint else CLEAN)]
    by_contrast = Counter()
    for kind, dirty in cases:
        total, spent, false, change = np.zeros(3, int), 0.0, 0, np.zeros(2)
        for seed in args.seeds:
            random, width = np.random.default_rng(seed), args.height * 4 // 3
            broken = 0.5 if dirty == "broken" else 0.0
            lines = draw_scratches(random, width, args.frames, 6, scale=scale, broken=broken)
            lines = fainter(lines, seed) if args.faint else lines
            scene = drawn_scene(kind, args.frames, args.height, seed)
            found, each, strength, middle = searched(scene, lines if dirty else None, seed)
            change += left_over(found, lines, middle) if dirty else 0
            rows, wrong, _ = told(found, lines if dirty else None, scale)
            spent += each / len(args.seeds)
            false += len(wrong)
            for n, row in enumerate(rows):
                total += row
                group = int(np.searchsorted(LIMITS, strength[n], side="right")) - 1
                by_contrast[group, "drawn"] += row[0]
                by_contrast[group, "hit"] += row[1]
                if args.verbose and row[1] < 0.8 * row[0]:
                    near = [
                        line for line in found if abs(line.x[0] - np.nanmean(lines.places[:, n])) < 4 * scale
                    ]
                    print(
                        "  missed",
                        kind,
                        seed,
                        round(float(strength[n]), 2),
                        row,
                        [brief(line) for line in near],
                    )
            if args.verbose:
                for line in wrong:
                    print("  false", kind, seed, brief(line))
        drawn, hit, right = total
        share = f"{hit / drawn:.3f} of {drawn}" if drawn else "-"
        rest = f"{change[1] / change[0]:.2f}" if change[0] else "-"
        sides = f"{right / max(hit, 1):.3f}" if drawn else "-"
        name = kind + (f", {dirty}" if dirty else "")
        print(
            f"| {name} | {share} | {sides} | {rest} | {false} in {args.frames * len(args.seeds)} | {spent:.3f} |",
            flush=True,
        )
    print_by_contrast(by_contrast)


def print_by_contrast(by_contrast):
    """Print how many columns are found at each contrast."""
    print("\n| contrast, deviations of the grain | found, of columns drawn |\n| --- | --- |")
    for n, (low, high) in enumerate(pairwise(LIMITS)):
        drawn = by_contrast[n, "drawn"]
        if drawn:
            print(
                f"| {low} to {high if high < 99 else 'more'} | {by_contrast[n, 'hit'] / drawn:.3f} of {drawn} |"
            )


def brief(line):
    """A line in few words."""
    numbers = (
        line.x[0],
        line.width,
        line.depth,
        line.depth / line.doubt,
        line.contrast,
        line.frames_alike,
        line.bands_alike,
        line.misfit,
        line.explained,
    )
    return line.kind, [round(float(v), 3) for v in numbers], sum(line.bands), sum(line.present)


if __name__ == "__main__":
    main()

"""Scratches drawn over photographs that move, and posts that are none: how many are found, and how many lines are false."""

import argparse
import time

import cv2
import numpy as np

from benchmarks.moving_pictures import moving_scene, with_grain
from smallgauge.picture.scratches import MEMORY, find_scratch_lines, find_scratches, make_scratch_sheet
from smallgauge.picture.synthetic_scratches import Scratches, draw_scratched, draw_scratches

SCRATCHED = ("pan", "fast", "still")
CLEAN = ("pan", "still", "rain", "flag", "snow")
POSTS = 4  # of a scene with posts


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


def searched(scene, scratches, seed, frames):
    """Rows of all lines, and CPU seconds a frame."""
    random = np.random.default_rng([seed, 5])
    rows, before, spent = [], [], 0.0
    for n, light in enumerate(scene):
        size = (light.shape[1], light.shape[0])
        if scratches is not None:
            light = draw_scratched(light, scratches, n)
        shown = 255 * with_grain(light, random) ** np.float32(1 / 2.4)
        begin = time.process_time()
        sheet = make_scratch_sheet(np.asarray(shown, np.float32))
        for line in find_scratch_lines(before, sheet):
            rows.append((n, line.x, line.width, line.agree, line.depth, *line.colours, line.scene_px))
        spent += time.process_time() - begin
        before = [*before, sheet][-MEMORY:]
    names = ("frame", "x", "width", "agree", "depth", "blue", "green", "red", "scene_px")
    values = np.array(rows, np.float64).reshape(-1, len(names))
    lines = {name: values[:, k] for k, name in enumerate(names)}
    lines["frame"] = lines["frame"].astype(np.int64)
    track, kind, side = find_scratches(lines, scene=np.zeros(frames, np.int64), size=size)
    return lines | {"track": track, "kind": kind, "side": side}, spent / frames


def told(lines, scratches: Scratches | None, scale):
    """Scratched columns found and drawn, sides told rightly, columns found or unsure, tracks that are false."""
    taken = lines["kind"] == "scratch"
    listed = np.isin(lines["kind"], ("scratch", "unsure"))
    hit = right = seen = 0
    good = np.zeros(len(taken), bool)
    drawn = 0 if scratches is None else scratches.places.size
    if scratches is not None:
        for n, places in enumerate(scratches.places):
            here = np.flatnonzero(taken & (lines["frame"] == n))
            for k, place in enumerate(places):
                near = here[np.abs(lines["x"][here] - place) < 2.0 * scale + 0.5 * scratches.widths[k]]
                good[near] = True
                hit += bool(len(near))
                away = np.abs(lines["x"][listed & (lines["frame"] == n)] - place)
                seen += bool((away < 2.0 * scale + 0.5 * scratches.widths[k]).any())
                wanted = "emulsion side" if scratches.emulsion[k] else "base side"
                right += bool(len(near)) and lines["side"][near[0]] == wanted
    return hit, drawn, right, seen, len(set(lines["track"][taken & ~good].tolist()))


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--height", type=int, default=360)
    parser.add_argument("--frames", type=int, default=20)
    parser.add_argument("--seeds", type=int, nargs="+", default=[31, 32, 33])
    args = parser.parse_args()
    print(
        "| scene | found, of columns drawn | found or unsure | side right | false lines in frames | CPU s a frame |"
    )
    print("| --- | --- | --- | --- | --- | --- |")
    scale = args.height / 360
    cases = [(kind, True) for kind in SCRATCHED] + [(kind, False) for kind in CLEAN]
    cases += [
        ("posts, pan", False),
        ("posts, locked", False),
        ("posts, slow pan", False),
        ("posts, pan", True),
    ]
    for kind, dirty in cases:
        total = np.zeros(5, int)
        spent = 0.0
        for seed in args.seeds:
            width = args.height * 4 // 3
            lines = draw_scratches(np.random.default_rng(seed), width, args.frames, 6, scale=scale)
            speed = {"posts, pan": 3.0, "posts, slow pan": 0.6}.get(kind, 0.0)
            scene = (
                posts_scene(args.frames, args.height, seed, speed=speed)
                if "posts" in kind
                else moving_scene(kind, args.frames, height=args.height, seed=seed)
            )
            found, each = searched(scene, lines if dirty else None, seed, args.frames)
            total += told(found, lines if dirty else None, scale)
            spent += each / len(args.seeds)
        hit, drawn, right, seen, false = total
        share = f"{hit / drawn:.3f} of {drawn}" if drawn else "-"
        either = f"{seen / drawn:.3f}" if drawn else "-"
        sides = f"{right / max(hit, 1):.3f}" if drawn else "-"
        name = kind + (", scratched" if dirty else "")
        print(
            f"| {name} | {share} | {either} | {sides} | {false} in {args.frames * len(args.seeds)} | {spent:.3f} |",
            flush=True,
        )


if __name__ == "__main__":
    main()

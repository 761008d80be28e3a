"""Hairs drawn in the scanner's and the camera's gate over photographs that move: how many are found, told apart, and false.

Drawn: one hair a reel, 2 to 5 px thick and 30 to 110 px long at 360 rows, of 80 to 98 per cent of the light, from any side; the
film wanders in the capture by `--weave` px from frame to frame (a normal deviation, at 360 rows) and the camera by half of it.
*sway*: it bends by up to 0.25 radians. *late*: there on the last 12 of 25 frames. *twig*: a thread of the scene before a camera
on a stand, which must be no more than unsure. *found*: on frames on which it is drawn. Run:
`python -m benchmarks.hairs [--height 360] [--frames 25] [--seeds 51 52 53 54] [--weave 1.5]`
"""

import argparse
import time

import cv2
import numpy as np

from benchmarks.moving_pictures import moving_scene, with_grain
from benchmarks.scratches import drawn_scene
from smallgauge.picture.hair_kinds import KINDS, find_hair_kinds
from smallgauge.picture.hairs import find_hairs, make_hair_sheet
from smallgauge.picture.scratches import make_scratch_sheet, measure_scratch_step
from smallgauge.picture.synthetic_hairs import draw_hair, draw_haired

SCENES = ("pan", "fast", "flag", "rain", "cut", "still", "posts, pan")
CLEAN = (
    "pan",
    "fast",
    "still",
    "rain",
    "snow",
    "glitter",
    "birds",
    "flag",
    "posts, pan",
    "posts, locked",
    "cut",
)
BORDER = 0.08  # of the height, around the picture in the capture
BASE = 0.004  # light through what was never exposed


def scene_of(kind, frames, height, seed):
    """A scene by its name; "cut" is two."""
    if kind == "cut":
        half = frames // 2
        yield from moving_scene("still", half, height=height, seed=seed)
        yield from moving_scene("still", frames - half, height=height, seed=seed + 1000)
    elif kind == "locked":
        seen = next(iter(moving_scene("still", 1, height=height, seed=seed)))
        yield from (seen for _ in range(frames))
    else:
        yield from drawn_scene(kind, frames, height, seed)


def gate_of(height, width):
    """The camera's gate: 1 inside, with round corners."""
    cover = np.zeros((height, width), np.float32)
    radius, inner = round(0.1 * height), round(0.006 * height)
    cv2.rectangle(cover, (inner + radius, inner), (width - 1 - inner - radius, height - 1 - inner), 1.0, -1)
    cv2.rectangle(cover, (inner, inner + radius), (width - 1 - inner, height - 1 - inner - radius), 1.0, -1)
    for x in (inner + radius, width - 1 - inner - radius):
        for y in (inner + radius, height - 1 - inner - radius):
            cv2.circle(cover, (x, y), radius, 1.0, -1)
    return cv2.GaussianBlur(cover, (0, 0), 0.004 * height)[..., None]


def captured(kind, frames, height, seed, *, whose, weave, sway=0.0, late=False):
    """Captured frames, where the film's picture lies in each, and on which of them the hair is."""
    random = np.random.default_rng([seed, 9])
    width, scale, border = height * 4 // 3, height / 360, round(BORDER * height)
    side = ("left", "top", "right", "bottom")[int(random.integers(4))]
    thick, length = random.uniform(2, 5) * scale, random.uniform(30, 110) * scale
    opacity, gate = random.uniform(0.8, 0.98), gate_of(height, width)
    present = np.arange(frames) >= (frames - 12 if late else 0)
    for n, light in enumerate(scene_of(kind, frames, height, seed)):
        place = border + random.normal(0, weave * scale, 2)
        shake = random.normal(0, weave * scale / 2, 2)

        hair = draw_hair(
            np.random.default_rng([seed, 3]), (height, width), side, length_px=length, thick_px=thick,
            sway=sway * np.sin(n / 4), soft_px=0.8 * scale,
        )  # fmt: skip
        behind = np.maximum(light, BASE) * gate + BASE * (1 - gate)
        if whose in ("camera", "twig") and present[n]:
            behind = draw_haired(behind, hair, opacity=opacity)
        canvas = np.full((height + 2 * border, width + 2 * border, 3), BASE, np.float32)
        at = np.array([[1, 0, place[0] + shake[0]], [0, 1, place[1] + shake[1]]])
        canvas = cv2.warpAffine(
            behind, at, canvas.shape[1::-1], borderMode=cv2.BORDER_CONSTANT, borderValue=(BASE,) * 3
        )
        if whose == "scanner" and present[n]:
            cover = np.zeros(canvas.shape[:2], np.float32)
            cover[border:-border, border:-border] = hair
            canvas = draw_haired(canvas, cover, opacity=opacity)
        yield canvas, place, present[n]


def kinds_of(hairs, *, size):
    """The kind of each of the hairs that were found together, "" where nothing tells it."""
    if not hairs:
        return []
    times = [sum(hair.present) for hair in hairs]
    lines = {
        name: np.repeat([getattr(hair, name) for hair in hairs], times)
        for name in ("side", "at", "with_film", "doubt", "moved", "cuts")
    }
    lines["frame"] = np.concatenate([np.flatnonzero(hair.present) for hair in hairs])
    lines["found"] = np.repeat(np.arange(len(hairs)), times)
    _, kinds = find_hair_kinds(lines, size=size)
    return kinds[np.searchsorted(lines["found"], np.arange(len(hairs)))].tolist()


def searched(frames, height, seed):
    """Hairs of the frames, their kinds, CPU seconds a frame, frames on which one is drawn."""
    random, width = np.random.default_rng([seed, 5]), height * 4 // 3
    sheets, upright, moves, drawn, spent = [], [], [], [], 0.0
    for canvas, place, present in frames:
        shown = np.asarray(255 * with_grain(canvas, random) ** np.float32(1 / 2.4), np.float32)
        left, top = (round(float(v)) for v in place)
        part = np.ascontiguousarray(shown[top : top + height, left : left + width])
        upright.append(make_scratch_sheet(part))
        moves.append(measure_scratch_step(*upright[-2:]).scene_px if len(upright) > 1 else None)
        begin = time.process_time()
        sheets.append(make_hair_sheet(part, corner=(left, top)))
        spent += time.process_time() - begin
        drawn.append(present)
    begin = time.process_time()
    hairs = find_hairs(sheets, moves)
    spent += time.process_time() - begin
    kinds = kinds_of(hairs, size=(width, height))
    told = [n for n, kind in enumerate(kinds) if kind]
    return [hairs[n] for n in told], [kinds[n] for n in told], spent / len(sheets), np.array(drawn)


def main():
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--height", type=int, default=360)
    parser.add_argument("--frames", type=int, default=25)
    parser.add_argument("--seeds", type=int, nargs="+", default=[51, 52, 53, 54])
    parser.add_argument("--weave", type=float, default=1.5)
    parser.add_argument("--verbose", action="store_true")
    parser.add_argument("--only", default="")
    args = parser.parse_args()
    cases = [(scene, whose, "") for whose in ("scanner", "camera") for scene in SCENES]
    cases += [("pan", whose, how) for whose in ("scanner", "camera") for how in ("sway", "late")]
    cases += [("locked", "twig", ""), *((scene, "", "") for scene in CLEAN)]
    print(f"| scene | hair | found, of frames drawn | {' | '.join(KINDS)} | CPU s a frame |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for scene, whose, how in cases:
        name = f"{whose or 'none'}{', ' + how if how else ''}"
        if args.only not in f"{scene} {name}":
            continue
        hit = of = 0
        kinds, spent = [], 0.0
        for seed in args.seeds:
            frames = captured(
                scene, args.frames, args.height, seed, whose=whose, weave=args.weave,
                sway=0.25 if how == "sway" else 0.0, late=how == "late",
            )  # fmt: skip
            hairs, told, each, drawn = searched(frames, args.height, seed)
            spent += each / len(args.seeds)
            kinds += told
            seen = np.any([hair.present for hair in hairs], axis=0) if hairs else np.zeros(len(drawn), bool)
            if whose:
                hit, of = hit + int((seen & drawn).sum()), of + int(drawn.sum())
            if args.verbose:
                for hair, kind in zip(hairs, told, strict=True):
                    print("  ", seed, kind, hair.side, [round(float(v), 2) for v in (
                        hair.at, hair.length, hair.thick, hair.depth, hair.with_film, hair.doubt, hair.moved, hair.cuts)],
                        sum(hair.present), hair.boxes[0])  # fmt: skip
        found = f"{hit / of:.3f} of {of}" if of else "-"
        counts = " | ".join(str(kinds.count(kind)) for kind in KINDS)
        print(f"| {scene} | {name} | {found} | {counts} | {spent:.4f} |", flush=True)


if __name__ == "__main__":
    main()

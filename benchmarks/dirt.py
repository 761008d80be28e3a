"""Dirt: what is found and what is harmed, beside FFmpeg's `tmedian` and a spatial median; and things that are no dirt.

Drawn specks (2 to 15 px, fibres; a fifth of them holes in the emulsion; others on every frame) over photographs that move by
known amounts, with grain of 6/255. *still* and *pan*: an unsteady camera, a pan with a zoom. *fast*: the same with a ball of 17 to
40 px a frame at 360 rows, a spinning bar and a waving arm. A speck counts where it changes lightness by so much of 255
and lies 4 px or more inside the picture; frames with a neighbour on one side only are left out. *worse*: pixels that lie further
from the clean picture than before, by more than 25/255, a frame; the spatial median is 5 px wide at 360 rows. The other scenes
are clean; *touched* is the share of their pixels that a repair would reach, in the worst seed.
Run: `python -m benchmarks.dirt [--height 1080] [--seeds 31 32] [--frames 9] [--json]`.
"""

import argparse
import json
import time
from collections.abc import Iterator
from fractions import Fraction
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.moving_pictures import CLEAN_KINDS, moving_scene, with_grain
from smallgauge.picture.device import PROCESSOR, searcher
from smallgauge.picture.dirt import make_dirt_sheet
from smallgauge.picture.dirt_blobs import Blob
from smallgauge.picture.dirt_kinds import DIRT, blob_columns, find_dirt_kinds
from smallgauge.picture.dirt_repair import DirtRepair, apply_dirt_repair
from smallgauge.picture.synthetic_dirt import draw_dirty, draw_specks

LIMITS = (25, 32, 40, 50, 64)
HARM = 25
SPECKS = 12
DIRTY_KINDS = ("still", "pan", "fast")
RATE = Fraction(1, 25)
TABLE = np.linspace(0, 1, 65536, dtype=np.float32)

Floats = NDArray[np.float32]


def lightness(light: Floats) -> Floats:
    """Display lightness 0 to 255, one plane."""
    display = np.clip(light, 0, 1) ** np.float32(1 / 2.4) * np.float32(255)
    return np.ascontiguousarray(display @ np.array([0.25, 0.5, 0.25], np.float32))


def drawn(
    kind: str, frames: int, height: int, seed: int
) -> Iterator[tuple[Floats, Floats, NDArray[np.int32]]]:
    """Clean frame, the same with dirt, labels of its specks."""
    random, scale = np.random.default_rng(seed), height / 360
    dirty = kind in DIRTY_KINDS
    for light in moving_scene(kind, frames, height=height, seed=seed):
        clean = with_grain(light, random, soft_px=0.6 * scale)
        size = scale**0.5
        specks = draw_specks(random, clean.shape[:2], SPECKS if dirty else 0, scale=size, soft_px=0.8 * size)
        yield clean, draw_dirty(clean, specks), specks.labels


def searched(seen: list[Floats], device: str = PROCESSOR) -> list[list[tuple[Blob, str]]]:
    """What is found on the frames between the first and the last, frame by frame, each with its kind."""
    sheets = [make_dirt_sheet(lightness(light)) for light in seen]
    search = searcher(device)
    moves = [search.find_moves(*pair) for pair in pairwise(sheets)]
    found = [
        search.find(sheets[n - 1], sheets[n], sheets[n + 1], moves=(moves[n - 1], moves[n]))
        for n in range(1, len(seen) - 1)
    ]
    columns = blob_columns([(n, blob) for n, own in enumerate(found, 1) for blob in own])
    height, width = seen[0].shape[:2]
    kinds = iter(find_dirt_kinds(columns, scene=np.zeros(len(seen), int), size=(width, height)).tolist())
    return [[(blob, next(kinds)) for blob in own] for own in found]


def under(blob: Blob, labels: NDArray[np.int32]) -> set[int]:
    """The drawn specks that a blob lies on."""
    return {int(v) for y, first, stop in blob.runs for v in labels[y, first:stop]} - {0}


def dirty_case(kind: str, frames: int, height: int, seed: int) -> dict[str, Any]:
    """Figures of one scene with dirt."""
    clean, seen, labels = (list(part) for part in zip(*drawn(kind, frames, height, seed)))
    codes = [(np.clip(light, 0, 1) * 65535).round().astype(np.uint16) for light in seen]
    begin = time.process_time()
    found = searched(seen)
    spent = (time.process_time() - begin) / len(found)
    runs = {n: tuple(run for blob, _ in own for run in blob.runs) for n, own in enumerate(found, 1)}
    told: list[tuple[float, bool]] = []
    false, worse, mending = 0, [0, 0, 0], 0.0
    looked = range(2, frames - 2)
    medians = temporal_medians([lightness(light) for light in seen])
    for n in looked:
        truth, dirty = lightness(clean[n]), lightness(seen[n])
        mine = [blob for blob, kind in found[n - 1] if kind == DIRT]
        hits = [under(blob, labels[n]) for blob in mine]
        got = set().union(*hits)
        false += sum(not hit for hit in hits)
        for label in range(1, int(labels[n].max()) + 1):
            where = labels[n] == label
            if where.any() and where[4:-4, 4:-4].sum() == where.sum():
                told.append((float(np.abs(dirty - truth)[where].max()), label in got))
        begin = time.process_time()
        repairs = [DirtRepair(runs=blob.runs, before=blob.before, after=blob.after) for blob in mine]
        hidden = runs.get(n - 1, ()), runs.get(n + 1, ())
        mended = apply_dirt_repair(codes[n], codes[n - 1], codes[n + 1], repairs, table=TABLE, hidden=hidden)
        mending += time.process_time() - begin
        spatial = cv2.medianBlur(dirty.round().astype(np.uint8), 5 * max(1, height // 360)).astype(np.float32)
        for k, picture in enumerate((lightness(mended / np.float32(65535)), medians[n], spatial)):
            worse[k] += int((np.abs(picture - truth) - np.abs(dirty - truth) > HARM).sum())
    count = len(looked)
    return {
        "kind": kind,
        "told": told,
        "false": false / count,
        "worse": [each / count for each in worse],
        "seconds": [spent, mending / count],
    }


def temporal_medians(planes: list[Floats]) -> list[Floats]:
    """The planes through FFmpeg's `tmedian`, radius 1."""
    import av

    high, wide = planes[0].shape
    graph = av.filter.Graph()
    source = graph.add_buffer(width=wide, height=high, format=av.VideoFormat("gray"), time_base=RATE)
    middle, sink = graph.add("tmedian", "radius=1"), graph.add("buffersink")
    source.link_to(middle)
    middle.link_to(sink)
    graph.configure()
    out: list[Floats] = []
    for n, plane in enumerate([*planes, None]):
        if plane is not None:
            frame = av.VideoFrame.from_ndarray(plane.round().astype(np.uint8), format="gray")
            frame.pts, frame.time_base = n, RATE
            graph.push(frame)
        else:
            graph.push(None)
        while True:
            try:
                out.append(graph.pull().to_ndarray().astype(np.float32))
            except (av.error.BlockingIOError, av.error.EOFError):
                break
    assert len(out) == len(planes) - 2  # none of the first and the last frame
    return [planes[0], *out, planes[-1]]


def clean_case(kind: str, frames: int, height: int, seed: int) -> float:
    """Share of a clean scene's pixels that a repair would touch."""
    seen = [light for light, _, _ in drawn(kind, frames, height, seed)]
    found = searched(seen)
    touched = sum(blob.area_px for own in found for blob, kind in own if kind == DIRT)
    return touched / (len(found) * seen[0].shape[0] * seen[0].shape[1])


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--height", type=int, default=1080)
    parser.add_argument("--frames", type=int, default=9)
    parser.add_argument("--seeds", type=int, nargs="+", default=[31, 32])
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    cases = [dirty_case(kind, args.frames, args.height, seed) for kind in DIRTY_KINDS for seed in args.seeds]
    touched = {
        kind: max(clean_case(kind, args.frames, args.height, seed) for seed in args.seeds)
        for kind in ("pan", *CLEAN_KINDS)
    }
    rows = []
    for kind in (*DIRTY_KINDS, "all"):
        own = [case for case in cases if kind in (case["kind"], "all")]
        told = np.array([each for case in own for each in case["told"]])
        shares = [(limit, told[told[:, 0] >= limit, 1]) for limit in LIMITS]
        rows.append(
            {
                "scenes": kind,
                **{f"found {limit}": [round(float(hit.mean()), 3), len(hit)] for limit, hit in shares},
                "false": round(float(np.mean([case["false"] for case in own])), 2),
                "worse": [round(float(np.mean([case["worse"][k] for case in own])), 1) for k in range(3)],
                "seconds": [round(float(np.mean([case["seconds"][k] for case in own])), 3) for k in range(2)],
            }
        )
    if args.json:
        print(json.dumps({"rows": rows, "touched": touched}))
        return
    head = " | ".join(f"found, {limit}" for limit in LIMITS)
    print(
        f"| scenes | {head} | false a frame | worse: ours | tmedian | medianBlur | find, CPU s | repair, CPU s |"
    )
    print("|" + " --- |" * (len(LIMITS) + 7))
    for row in rows:
        found = " | ".join(f"{row[f'found {limit}'][0]} of {row[f'found {limit}'][1]}" for limit in LIMITS)
        tail = " | ".join(str(each) for each in (row["false"], *row["worse"], *row["seconds"]))
        print(f"| {row['scenes']} | {found} | {tail} |")
    print("\n| clean scene | touched, % |\n| --- | --- |")
    for kind, share in touched.items():
        print(f"| {kind} | {100 * share:.4f} |")


if __name__ == "__main__":
    main()

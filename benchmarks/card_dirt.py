"""Dirt, dense flow and less grain on an NVIDIA card beside one core: how near they are, and frames a second.

Flow: photographs with grain of 6/255 that shift, turn and grow by known amounts; distances from OpenCV's flow and from the truth,
px of the small pictures that are searched, away from a margin of 24 px. Dirt: the scenes of `benchmarks.dirt`; the same blobs,
pixels and kinds, and the largest difference of what is told of one. Time: frames of one scene, one after the other, everything
there and back, as `analyse` asks for it; OpenCV and the compiled loops on one thread.
Run: `python -m benchmarks.card_dirt [--height 1080] [--frames 9] [--seeds 31 32]`.
"""

import argparse
import time
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.dirt import DIRTY_KINDS, drawn, lightness, searched, under
from benchmarks.moving_pictures import CLEAN_KINDS, PHOTOGRAPHS, photograph, with_grain
from smallgauge.picture.device import CARD, PROCESSOR, flow_finder, searcher
from smallgauge.picture.dirt import DirtSheet, make_dirt_sheet
from smallgauge.picture.dirt_blobs import STEP, Blob
from smallgauge.picture.dirt_kinds import DIRT
from smallgauge.picture.grain_reduction import apply_less_grain

MARGIN_PX = 24
TIMED = 12  # frames of the scene that is timed

Floats = NDArray[np.float32]


def moved_pair(name: str, height: int, seed: int) -> tuple[DirtSheet, DirtSheet, Floats]:
    """Two sheets of a photograph, and where each pixel of the first's small picture lies in the second, less its own place."""
    random = np.random.default_rng(seed)
    picture, width = photograph(name), height * 4 // 3
    zoom = 1.25 * max(width / picture.shape[1], height / picture.shape[0])
    sheets, matrices = [], []
    for n in range(2):
        turn, grown = n * random.uniform(-0.006, 0.006), zoom * (1 + n * random.uniform(-0.006, 0.006))
        a, b = grown * np.cos(turn), grown * np.sin(turn)
        middle = np.array([picture.shape[1] / 2, picture.shape[0] / 2])
        shift = n * random.uniform(-9, 9, 2) * height / 1080
        x, y = (
            np.array([width / 2, height / 2])
            - [a * middle[0] - b * middle[1], b * middle[0] + a * middle[1]]
            + shift
        )
        matrices.append(np.array([[a, -b, x], [b, a, y], [0, 0, 1]]))
        seen = cv2.warpAffine(
            picture, matrices[n][:2], (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
        )
        soft = cv2.GaussianBlur(seen, (0, 0), max(0.7, 0.6 * height / 360))
        light = np.asarray(np.clip(soft, 0, 0.95), np.float32)
        sheets.append(make_dirt_sheet(lightness(with_grain(light, random, soft_px=0.6 * height / 360))))
    there = matrices[1] @ np.linalg.inv(matrices[0])
    high, wide = sheets[0].small.shape
    y, x = (each * STEP + (STEP - 1) / 2 for each in np.mgrid[0:high, 0:wide].astype(np.float64))
    across, down = (there[n, 0] * x + there[n, 1] * y + there[n, 2] for n in (0, 1))
    return sheets[0], sheets[1], np.stack([across - x, down - y], axis=2).astype(np.float32) / STEP


def fetched(values: Any) -> Floats:
    """An array from wherever it lies."""
    return np.asarray(values.get() if hasattr(values, "get") else values, np.float32)


def spread(off: NDArray[Any]) -> str:
    """Median, 99th per cent and largest length of vectors away from the margin."""
    inner = np.hypot(*off[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX].transpose(2, 0, 1))
    return f"{np.median(inner):.2g}, {np.quantile(inner, 0.99):.2g}, {inner.max():.2g}"


def flow_rows(height: int, seeds: list[int], device: str) -> None:
    """How near both flows are to one another and to the truth."""
    print(
        "| photograph | card to OpenCV: median, 99 %, most | back, the same | OpenCV to the truth | card to the truth |"
    )
    print("| --- | --- | --- | --- | --- |")
    for name in PHOTOGRAPHS:
        for seed in seeds:
            first, second, truth = moved_pair(name, height, seed)
            own, other = (searcher(each).find_moves(first, second) for each in (PROCESSOR, device))
            there, back = (fetched(other.there) - own.there, fetched(other.back) - own.back)
            cells = (
                spread(there),
                spread(back),
                spread(own.there - truth),
                spread(fetched(other.there) - truth),
            )
            print(f"| {name}, {seed} | {' | '.join(cells)} |", flush=True)


def far_apart(one: Blob, two: Blob) -> float:
    """Largest difference of what is told of a blob, as a share of it (of 1 where it is less)."""
    told = [
        (getattr(one, name), getattr(two, name))
        for name in ("depth", "peak", "lightness", "restless", "apart", "torn", "turn_deg", "long")
    ]
    told += [*zip(one.before, two.before), *zip(one.after, two.after)]
    return max(abs(a - b) / max(1.0, abs(a)) for a, b in told if np.isfinite(a))


def dirt_rows(height: int, frames: int, seeds: list[int], device: str) -> None:
    """Whether the same dirt is found."""
    print(
        "\n| scene | blobs, one core | card | the same pixels | of one kind | largest difference | specks found | false |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for kind in (*DIRTY_KINDS, *CLEAN_KINDS):
        counts, same, kinds, off = [0, 0], 0, 0, 0.0
        specks, false = [0, 0], [0, 0]
        for seed in seeds:
            seen, labels = (list(part) for part in list(zip(*drawn(kind, frames, height, seed)))[1:])
            both = [searched(seen, each) for each in (PROCESSOR, device)]
            for n, (own, other) in enumerate(zip(*both), 1):
                by_runs = {blob.runs: (blob, told) for blob, told in other}
                for blob, told in own:
                    if blob.runs in by_runs:
                        same += 1
                        kinds += told == by_runs[blob.runs][1]
                        off = max(off, far_apart(blob, by_runs[blob.runs][0]))
                for k, found in enumerate((own, other)):
                    counts[k] += len(found)
                    hits = [under(blob, labels[n]) for blob, told in found if told == DIRT]
                    specks[k] += len(set().union(*hits))
                    false[k] += sum(not hit for hit in hits)
        cells = (
            kind,
            *counts,
            same,
            kinds,
            f"{off:.1g}",
            f"{specks[0]}, {specks[1]}",
            f"{false[0]}, {false[1]}",
        )
        print("| " + " | ".join(str(each) for each in cells) + " |", flush=True)


def timed(sheets: list[DirtSheet], device: str) -> list[float]:
    """Wall and CPU milliseconds a frame: moves, then dirt."""
    search = searcher(device)
    spent = np.zeros((2, 2))
    for _ in range(2):  # the second counts
        spent[:] = 0
        before = None
        for n, (one, other) in enumerate(pairwise(sheets)):
            began = time.perf_counter(), time.process_time()
            moves = search.find_moves(one, other)
            fetched(moves.there[:1, :1])  # waits for the card
            spent[0] += (time.perf_counter() - began[0], time.process_time() - began[1])
            began = time.perf_counter(), time.process_time()
            if before is not None:
                search.find(sheets[n - 1], one, other, moves=(before, moves))
            spent[1] += (time.perf_counter() - began[0], time.process_time() - began[1])
            before = moves
    spent[0] /= len(sheets) - 1
    spent[1] /= len(sheets) - 2
    return [1e3 * float(each) for each in spent.ravel()]


def time_rows(height: int, device: str) -> None:
    """Frames a second."""
    cv2.setNumThreads(1)
    sheets = [make_dirt_sheet(lightness(seen)) for _, seen, _ in drawn("pan", TIMED, height, 31)]
    print("\n| where | moves, ms (CPU) | dirt, ms (CPU) | frames a second |")
    print("| --- | --- | --- | --- |")
    for each in (PROCESSOR, device):
        moves, moves_cpu, dirt, dirt_cpu = timed(sheets, each)
        name = searcher(each).name
        print(
            f"| {name} | {moves:.1f} ({moves_cpu:.1f}) | {dirt:.1f} ({dirt_cpu:.1f}) | {1e3 / (moves + dirt):.1f} |",
            flush=True,
        )


def grain_rows(height: int, device: str) -> None:
    """Less grain with either flow: seconds a frame, and codes of 12 bits that differ."""
    frames = [
        np.rint(np.clip(light, 0, 1) * 4095).astype(np.uint16) for _, light, _ in drawn("pan", 3, height, 31)
    ]
    told: dict[str, Any] = {"table": np.linspace(0, 1, 4096, dtype=np.float32), "reduce": 0.4}
    told["box"] = (0, 0, frames[0].shape[1], height)
    print("\n| less grain, flow by | flow, ms | frame, ms | other codes, most |")
    print("| --- | --- | --- | --- |")
    samples = {}
    for each in (PROCESSOR, device):
        find, times = flow_finder(each), []

        def flow(*pictures: Any, find: Any = find, times: list[float] = times, **numbers: int) -> Floats:
            began = time.perf_counter()
            found: Floats = find(*pictures, **numbers)
            times.append(time.perf_counter() - began)
            return found

        for _ in range(2):  # the second counts
            times.clear()
            began = time.perf_counter()
            samples[each] = apply_less_grain(frames[1], (frames[0], frames[2]), flow=flow, **told).samples
            whole = time.perf_counter() - began
        off = np.abs(samples[each].astype(int) - samples[PROCESSOR])
        cells = (
            each,
            f"{1e3 * sum(times):.1f}",
            f"{1e3 * whole:.1f}",
            f"{(off > 0).mean():.1g}, {off.max()}",
        )
        print("| " + " | ".join(cells) + " |", flush=True)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--height", type=int, default=1080)
    parser.add_argument("--frames", type=int, default=9)
    parser.add_argument("--seeds", type=int, nargs="+", default=[31, 32])
    parser.add_argument("--device", default=CARD)
    args = parser.parse_args()
    time_rows(args.height, args.device)
    grain_rows(args.height, args.device)
    flow_rows(args.height, args.seeds, args.device)
    dirt_rows(args.height, args.frames, args.seeds, args.device)


if __name__ == "__main__":
    main()

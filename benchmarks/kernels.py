"""The compiled loops alone, each beside a general-purpose call that does the same: pytest-benchmark, CPU time of one thread.

    python -m benchmarks.kernels [--write]

Frames of 2048 x 1536; three channels of 12 bits where nothing else is said. Five rounds each, after one that compiles. This file is
also the tests that pytest-benchmark runs. With --write the table goes into docs/benchmarks.md.
"""

import json
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from benchmarks.page import load, machine, write_part
from benchmarks.resample import lanczos_weights
from smallgauge.media.kernels_planes import lay_planes
from smallgauge.picture.density import light_table
from smallgauge.picture.kernels import finish_frame, reduce_frame
from smallgauge.picture.kernels_edges import count_ends
from smallgauge.picture.kernels_light import look_up_planes
from smallgauge.picture.resample import Move
from smallgauge.picture.source_fit import make_box_means

WIDTH, HEIGHT = 2048, 1536
ROUNDS = 5
TABLE = np.pad(light_table(bits=12, code_values="linear"), (0, 65536 - 4096), mode="edge")
CODES = np.random.default_rng(0).integers(200, 4000, (HEIGHT, WIDTH, 3)).astype(np.uint16)
LIGHT = TABLE[CODES]
PLANES = np.ascontiguousarray(CODES.transpose(2, 0, 1))
ROOM = np.empty_like(CODES)
LIGHT_ROOM = np.empty((3, HEIGHT, WIDTH), np.float32)
TURN = Move(b=-0.004, c=10.3, d=0.004, f=5.4)
PART = (0, HEIGHT, 1, 0, WIDTH)  # all of a frame
EDGES = (np.arange(0, HEIGHT + 1, 8), np.arange(0, WIDTH + 1, 8))


def _finished(move: Move) -> Callable[[], Any]:
    return lambda: finish_frame(
        CODES, TABLE, move=move, width=WIDTH, height=HEIGHT, bits=12, frame=1, out=ROOM
    )


def _turned_by_opencv() -> Any:
    matrix = np.array([[TURN.a, TURN.b, TURN.c], [TURN.d, TURN.e, TURN.f]])
    return cv2.warpAffine(LIGHT, matrix, (WIDTH, HEIGHT), flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP)


def _reduced() -> Any:
    return reduce_frame(CODES, bits=12, width=1024, height=768, canvas_width=1024, canvas_height=768, frame=1)


def _ends_by_numpy() -> Any:
    return np.stack([(CODES <= 200).sum(axis=(0, 1)), (CODES >= 3999).sum(axis=(0, 1))])


# What is done: ours, the general-purpose call, and what that one is.
PAIRS: dict[str, tuple[Callable[[], Any], Callable[[], Any], str]] = {
    "moved, light to codes": (
        _finished(Move(c=10.3, f=5.4)),
        lambda: cv2.sepFilter2D(LIGHT, cv2.CV_32F, lanczos_weights(0.3), lanczos_weights(0.4)),
        "OpenCV sepFilter2D, 8 taps, light to light",
    ),
    "turned, light to codes": (
        _finished(TURN),
        _turned_by_opencv,
        "OpenCV warpAffine, 8 x 8 taps, light to light",
    ),
    "reduced to a half, 8 bits": (
        _reduced,
        lambda: cv2.resize(CODES, (1024, 768), interpolation=cv2.INTER_AREA),
        "OpenCV resize by area, 16 bits, no dither",
    ),
    "codes to planes of light": (
        lambda: look_up_planes(CODES.reshape(HEIGHT, -1), TABLE, LIGHT_ROOM),
        lambda: np.take(TABLE, CODES.transpose(2, 0, 1)),
        "NumPy take",
    ),
    "planes laid to pixels": (
        lambda: lay_planes(*PLANES, ROOM.reshape(HEIGHT, -1)),
        lambda: cv2.merge(list(PLANES)),
        "OpenCV merge",
    ),
    "means of boxes of 8 x 8": (
        lambda: make_box_means(CODES, *EDGES),
        lambda: cv2.resize(CODES, (WIDTH // 8, HEIGHT // 8), interpolation=cv2.INTER_AREA),
        "OpenCV resize by area",
    ),
    "clipped codes counted": (
        lambda: count_ends(CODES.reshape(HEIGHT, -1), 3, PART, 200.0, 3999.0, np.zeros((2, 3), np.int64)),
        _ends_by_numpy,
        "NumPy comparisons and sums",
    ),
}


@pytest.mark.parametrize("who", ["ours", "theirs"])
@pytest.mark.parametrize("work", PAIRS)
def test_kernel(benchmark: Any, work: str, who: str) -> None:
    """One of a pair, five rounds."""
    ours, theirs, _ = PAIRS[work]
    cv2.setNumThreads(1)
    benchmark.pedantic(ours if who == "ours" else theirs, rounds=ROUNDS, warmup_rounds=1)


def main() -> None:
    """Have pytest-benchmark run this file, and print its medians beside each other."""
    begun = load()
    with tempfile.TemporaryDirectory() as folder:
        told = Path(folder) / "told.json"
        options = ["--benchmark-only", "--benchmark-timer=time.process_time", f"--benchmark-json={told}"]
        command = [sys.executable, "-m", "pytest", "-q", "-p", "no:xdist", *options, __file__]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        found = json.loads(told.read_text(encoding="utf-8"))["benchmarks"]
    ms = {(each["params"]["work"], each["params"]["who"]): 1000 * each["stats"]["median"] for each in found}
    lines = [
        "## The compiled loops alone",
        "",
        f"`python -m benchmarks.kernels`: {WIDTH} x {HEIGHT}, one thread; CPU ms, median of {ROUNDS} by pytest-benchmark. "
        f"{machine()}. Load {begun:.1f}.",
        "",
        "| work | ours, ms | beside it, ms | what that is |",
        "| --- | --- | --- | --- |",
    ]
    lines += [
        f"| {work} | {ms[work, 'ours']:.1f} | {ms[work, 'theirs']:.1f} | {theirs} |"
        for work, (_, _, theirs) in PAIRS.items()
    ]
    text = "\n".join(lines)
    print(text)
    if "--write" in sys.argv:
        write_part("kernels", text)


if __name__ == "__main__":
    main()

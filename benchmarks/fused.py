"""The pixel program beside a bare separable shift of eight taps, OpenCV calls in sequence, OpenColorIO and plain NumPy.

    python -m benchmarks.fused [--write]

One frame of 2048 x 1536, 12 bits in and out, one thread. Bare: `cv2.sepFilter2D` of single-precision light with eight taps each
way, and nothing else. Each turn measures all rows one after the other; a ratio is the median of the turns' ratios, so that other
work on the machine weighs on both alike. Colour: lamp, flicker, fade, printer points, rendering. With --write the table goes into
docs/benchmarks.md.
"""

import statistics
import sys
import time
from collections.abc import Callable
from functools import partial
from typing import Any

import cv2
import numpy as np

from benchmarks.colour import HEIGHT, WIDTH, cases
from benchmarks.page import load, machine, write_part
from benchmarks.resample import lanczos_weights
from smallgauge.picture.colour import apply_colour
from smallgauge.picture.density import light_of_samples, light_table
from smallgauge.picture.display import apply_display
from smallgauge.picture.kernels import finish_frame
from smallgauge.picture.resample import Move, apply_move

TURNS = 5
BARE = "bare separable shift, 8 taps, single precision"
MOVES = {
    "translation": (Move(c=10.3, f=5.4), 2.2),
    "rotation": (Move(b=-0.004, c=10.3, d=0.004, f=5.4), 3.5),
    "rotation and two scales": (Move(a=1.01, b=-0.004, c=10.3, d=0.004, e=0.99, f=5.4), 6.0),
}
COLOUR = cases()["flicker, fading, printer points"]


def works() -> dict[str, Callable[[], Any]]:
    """What is timed, by its name."""
    samples = np.random.default_rng(0).integers(200, 4000, (HEIGHT + 40, WIDTH + 40, 3)).astype(np.uint16)
    table = np.pad(light_table(bits=12, code_values="linear"), (0, 65536 - 4096), mode="edge")
    light = np.ascontiguousarray(light_of_samples(samples, table)[:HEIGHT, :WIDTH])
    across, down = lanczos_weights(0.3), lanczos_weights(0.4)
    out = np.empty((HEIGHT, WIDTH, 3), np.uint16)
    found: dict[str, Callable[[], Any]] = {BARE: lambda: cv2.sepFilter2D(light, cv2.CV_32F, across, down)}
    ours = partial(finish_frame, table=table, width=WIDTH, height=HEIGHT, bits=12, frame=1, out=out)
    for name, (move, _) in MOVES.items():
        found[f"ours, {name}"] = partial(ours, samples, move=move)
        found[f"ours, {name}, colour"] = partial(ours, samples, move=move, colour=COLOUR)
    dark = partial(ours, samples // 500, move=MOVES["translation"][0])
    found["ours, translation, colour, all of it near black"] = partial(dark, colour=COLOUR)
    matrix, curve = np.float32([[1, 0.1, 0], [0.1, 1, 0.1], [0, 0.1, 1]]), np.arange(65536).astype(np.uint16)

    def in_sequence() -> Any:
        moved = cv2.sepFilter2D(light, cv2.CV_32F, across, down)
        density = cv2.log(np.maximum(moved, 1e-4))
        shown = cv2.exp(cv2.transform(density, matrix))
        return curve[np.clip(shown * 65535, 0, 65535).astype(np.uint16)]

    found["OpenCV: sepFilter2D, log, transform, exp, curve"] = in_sequence
    found["OpenColorIO: densities, matrix, slope and saturation, exponent; no move"] = open_colour_io(light)

    def plain() -> Any:
        moved = apply_move(
            light_of_samples(samples, table), move=MOVES["translation"][0], width=WIDTH, height=HEIGHT
        )
        assert COLOUR is not None
        return apply_display(apply_colour(moved, COLOUR), bits=12, frame=1)

    found["the plain functions in NumPy: translation, colour"] = plain
    return found


def open_colour_io(light: Any) -> Callable[[], Any]:
    """The formulas through OpenColorIO's CPU processor, in place on a copy of the light."""
    import PyOpenColorIO as ocio

    group = ocio.GroupTransform()
    group.appendTransform(ocio.LogTransform(base=10.0))
    group.appendTransform(
        ocio.MatrixTransform(matrix=[1, 0.1, 0, 0, 0.1, 1, 0.1, 0, 0, 0.1, 1, 0, 0, 0, 0, 1])
    )
    group.appendTransform(ocio.LogTransform(base=10.0, direction=ocio.TRANSFORM_DIR_INVERSE))
    group.appendTransform(ocio.CDLTransform(slope=[1.1, 1.0, 0.9], sat=1.1))
    group.appendTransform(ocio.ExponentTransform(value=[1 / 2.4, 1 / 2.4, 1 / 2.4, 1.0]))
    processor = ocio.Config.CreateRaw().getProcessor(group).getDefaultCPUProcessor()
    floored = np.maximum(light, 1e-4)
    return lambda: processor.applyRGB(floored.copy())


def main() -> None:
    """Measure and print."""
    cv2.setNumThreads(1)
    begun, timed = load(), works()
    taken: dict[str, list[float]] = {name: [] for name in timed}
    for turn in range(TURNS + 1):
        for name, work in timed.items():
            begin = time.process_time()
            work()
            if turn:  # the first one compiles and loads
                taken[name].append(time.process_time() - begin)
    lines = [
        "## The pixel program beside a bare shift",
        "",
        f"`python -m benchmarks.fused`: one frame of {WIDTH} x {HEIGHT}, 12 bits, one thread; CPU ms, median of {TURNS}, and the "
        f"median of the turns' ratios. {machine()}. Load {begun:.1f}.",
        "",
        "| work | ms | times the bare shift | limit |",
        "| --- | --- | --- | --- |",
    ]
    for name, seconds in taken.items():
        ratio = statistics.median(mine / bare for mine, bare in zip(seconds, taken[BARE], strict=True))
        limit = next((most for word, (_, most) in MOVES.items() if name == f"ours, {word}, colour"), None)
        met = "" if limit is None else f"{limit}: {'met' if ratio <= limit else '**not met**'}"
        lines.append(f"| {name} | {1000 * statistics.median(seconds):.1f} | {ratio:.2f} | {met} |")
    text = "\n".join(lines)
    print(text)
    if "--write" in sys.argv:
        write_part("fused", text)


if __name__ == "__main__":
    main()

"""The pixel program on an NVIDIA card beside the same on one core: microseconds a frame, share of the card's copy bandwidth.

2048 x 1536, three moves, without colour and with lamp, flicker, fade and points, 12 bits out. Sixteen different frames lie on the
card, ten times what its caches hold, and are made one after the other and in four streams at once, as one graph, by the card's own
clock. The share is of copy bandwidth: the time of the same sixteen frames copied in as many streams, over theirs. Frames: a drawn
picture (soft shapes over two and a half decades of light, grain of 2 %) stored in 12 bits and in 16, and samples by chance, which
no film has: the worst for tables of light and for the bound near black. With the frame sent there and back, one core, and OpenCV's
warpAffine (8 x 8 Lanczos, float) stand beside. Every result is compared.
Run: `python -m benchmarks.card`.
"""

import time
from collections.abc import Callable
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.colour import FrameColour
from smallgauge.picture.dyefade import FadeCorrection
from smallgauge.picture.flicker import FlickerCorrection
from smallgauge.picture.kernels import finish_frame
from smallgauge.picture.kernels_cuda import Card
from smallgauge.picture.primary import PrinterPoints
from smallgauge.picture.rendering import OutputRendering
from smallgauge.picture.resample import Move

WIDTH, HEIGHT = 2048, 1536
FRAMES, ROUNDS, STREAMS = 16, 15, 4
ONE = (
    (0.0, 1.0, 0.02, 0.0, *(0.0,) * 6),
    (0.0, 0.03, 1.0, 0.01, *(0.0,) * 6),
    (0.0, 0.0, 0.02, 1.0, *(0.0,) * 6),
)
COLOUR = FrameColour(
    lamp=(0.9, 0.92, 0.88),
    flicker=FlickerCorrection(terms=((0.01,) * 7,) * 3, middle=(0.8, 0.8, 0.8)),
    fade=FadeCorrection(before=ONE, gain=(1.3, 1.1, 1.2), after=ONE),
    points=PrinterPoints(red=2.0),
    output=OutputRendering(),
)
MOVES = {
    "displaced": Move(c=0.37, f=-0.21),
    "turned": Move(a=1.0, b=-0.004, c=2.3, d=0.004, e=1.0, f=-1.2),
    "turned, two scales": Move(a=1.01, b=-0.004, c=2.3, d=0.004, e=0.99, f=-1.2),
}


def on_card(card: Card, calls: list[Callable[[], Any]], count: int) -> float:
    """Microseconds of a call by the card's clock, median of graphs that hold them all, in `count` streams."""
    cuda = card._cupy.cuda
    streams = [cuda.Stream(non_blocking=True) for _ in range(count)]
    main = streams[0]
    for stream in streams:  # each kernel is loaded before anything is recorded
        with stream:
            calls[0]()
        stream.synchronize()
    with main:
        main.begin_capture()
        for stream in streams[1:]:
            stream.wait_event(main.record())
        for n, call in enumerate(calls):
            with streams[n % count]:
                call()
        for stream in streams[1:]:
            main.wait_event(stream.record())
        graph = main.end_capture()
    begin, end = cuda.Event(), cuda.Event()
    times = []
    for _ in range(ROUNDS):
        begin.record(main)
        graph.launch(main)
        end.record(main)
        end.synchronize()
        times.append(cuda.get_elapsed_time(begin, end))
    return 1e3 * float(np.median(times[3:])) / len(calls)


def timed(call: Callable[[], Any], rounds: int) -> float:
    """Milliseconds of a call, median."""
    call()
    times = []
    for _ in range(rounds):
        began = time.perf_counter()
        call()
        times.append(time.perf_counter() - began)
    return 1e3 * float(np.median(times))


def finished(make: Any, samples: Any, table: Any, move: Move, colour: FrameColour | None) -> Any:
    """A finished frame."""
    return make(samples, table, move=move, width=WIDTH, height=HEIGHT, bits=12, frame=7, colour=colour)


def drawn(random: np.random.Generator) -> NDArray[np.uint16]:
    """A picture in 16 bits, coded by a power of light of 1 / 2.2."""
    density = cv2.resize(random.uniform(0.0, 2.5, (9, 12, 3)), (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)
    light = 10.0**-density * (1.0 + 0.02 * random.normal(size=density.shape))
    return np.rint(np.clip(light, 0.0, 1.0) ** (1 / 2.2) * 65535).astype(np.uint16)


def main() -> None:
    """Print the table."""
    card = Card()
    cupy = card._cupy
    random = np.random.default_rng(1)
    table = (np.linspace(0, 1, 65536) ** 2.2).astype(np.float32)
    short = (np.linspace(0, 1, 4096) ** 2.2).astype(np.float32)
    picture = drawn(random)
    captures = {
        "drawn, 12 bits": (picture >> 4, short),
        "drawn, 16 bits": (picture, table),
        "by chance, 16 bits": (random.integers(0, 65536, picture.shape).astype(np.uint16), table),
    }
    there = [cupy.asarray(np.roll(picture, 41 * n, axis=0)) for n in range(FRAMES)]
    copies = [partial(cupy.copyto, cupy.empty_like(each), each) for each in there]
    copied = [on_card(card, copies, count) for count in (1, STREAMS)]
    speeds = [2 * picture.nbytes / time / 1e3 for time in copied]
    print(
        f"{card.name}: a frame copied {copied[0]:.1f} us ({speeds[0]:.0f} GB/s), "
        f"in {STREAMS} streams {copied[1]:.1f} us ({speeds[1]:.0f} GB/s)"
    )
    nothing = (cupy.empty((0, 0, 1), cupy.float32),) * 2
    for kind, (samples, light) in captures.items():
        there = [cupy.asarray(np.roll(samples, 41 * n, axis=0)) for n in range(FRAMES)]
        for name, move in MOVES.items():
            for colour in (None, COLOUR):
                if kind != "drawn, 12 bits" and name != "displaced":
                    continue
                told = (samples, light, move, colour)
                off = np.abs(finished(card.finish_frame, *told).astype(int) - finished(finish_frame, *told))
                ready = [
                    card.prepare(each, nothing, light, move, (WIDTH, HEIGHT), 12, 7, colour) for each in there
                ]
                calls = [launch for _, launch in ready]
                each, together = (on_card(card, calls, count) for count in (1, STREAMS))
                whole = timed(partial(finished, card.finish_frame, *told), 7)
                core = timed(partial(finished, finish_frame, *told), 3)
                shares = [copied[0] / each, copied[1] / together]
                print(
                    f"{kind}: {name}{', colour' if colour else ''}: {each:.1f} us ({shares[0]:.0%} of copy bandwidth), "
                    f"in {STREAMS} streams {together:.1f} us ({shares[1]:.0%}), there and back {whole:.1f} ms, "
                    f"one core {core:.1f} ms; off by at most {off.max()} code, in {(off > 0).mean():.1e} of samples",
                    flush=True,
                )
    matrix = np.float64([[1, 0, 0.37], [0, 1, -0.21]])
    flags = cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP
    cv2.setNumThreads(1)
    warp = timed(partial(cv2.warpAffine, table[picture], matrix, (WIDTH, HEIGHT), flags=flags), 5)
    print(f"OpenCV warpAffine of light, one core: {warp:.1f} ms")


if __name__ == "__main__":
    main()

"""The pixel program on an NVIDIA card beside the same on one core: milliseconds a frame, share of the card's copy bandwidth.

2048 x 1536, 16 bits, three moves, without colour and with lamp, flicker, fade and points. On the card: kernels alone by the
card's own clock, and with the frame sent there and back. The share is bytes of samples read and codes written a second, of what a
plain copy on the card moves. OpenCV's warpAffine (8 x 8 Lanczos, float) on the processor stands beside. Every result is compared.
Run: `python -m benchmarks.card`.
"""

import time
from collections.abc import Callable
from functools import partial
from typing import Any

import cv2
import numpy as np

from smallgauge.picture.colour import FrameColour
from smallgauge.picture.dyefade import FadeCorrection
from smallgauge.picture.flicker import FlickerCorrection
from smallgauge.picture.kernels import finish_frame
from smallgauge.picture.kernels_cuda import Card
from smallgauge.picture.primary import PrinterPoints
from smallgauge.picture.rendering import OutputRendering
from smallgauge.picture.resample import Move

WIDTH, HEIGHT = 2048, 1536
ROUNDS = 50
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


def on_card(card: Card, call: Callable[[], Any]) -> float:
    """Milliseconds of a call by the card's clock, mean of many."""
    cupy = card._cupy
    for _ in range(5):
        call()
    begin, end = cupy.cuda.Event(), cupy.cuda.Event()
    begin.record()
    for _ in range(ROUNDS):
        call()
    end.record()
    end.synchronize()
    return float(cupy.cuda.get_elapsed_time(begin, end)) / ROUNDS


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


def main() -> None:
    """Print the table."""
    card = Card()
    cupy = card._cupy
    random = np.random.default_rng(1)
    samples = random.integers(0, 65536, (HEIGHT, WIDTH, 3)).astype(np.uint16)
    table = (np.linspace(0, 1, 65536) ** 2.2).astype(np.float32)
    large, other = (cupy.zeros(1 << 28, cupy.uint8) for _ in range(2))
    copy_ms = on_card(card, lambda: cupy.copyto(other, large))
    bandwidth = 2 * large.nbytes / copy_ms / 1e6
    print(f"{card.name}: a copy moves {bandwidth:.0f} GB/s")
    moved = 2 * samples.nbytes
    nothing = (cupy.empty((0, 0, 1), cupy.float32),) * 2
    there = cupy.asarray(samples)
    for name, move in MOVES.items():
        for colour in (None, COLOUR):
            told = (samples, table, move, colour)
            same = np.array_equal(finished(card.finish_frame, *told), finished(finish_frame, *told))
            _, launch = card.prepare(there, nothing, table, move, (WIDTH, HEIGHT), 12, 7, colour)
            kernel = on_card(card, launch)
            whole = timed(partial(finished, card.finish_frame, *told), 20)
            core = timed(partial(finished, finish_frame, *told), 7)
            share = moved / kernel / 1e6 / bandwidth
            print(
                f"{name}{', colour' if colour else ''}: kernels {kernel:.3f} ms ({share:.0%} of copy bandwidth), there and back "
                f"{whole:.1f} ms, one core {core:.1f} ms, the same bytes: {same}"
            )
    matrix = np.float64([[1, 0, 0.37], [0, 1, -0.21]])
    flags = cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP
    light = table[samples]
    cv2.setNumThreads(1)
    warp = timed(partial(cv2.warpAffine, light, matrix, (WIDTH, HEIGHT), flags=flags), 5)
    print(f"OpenCV warpAffine of light, one core: {warp:.1f} ms")


if __name__ == "__main__":
    main()

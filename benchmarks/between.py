"""Pictures between two frames: ours, FFmpeg's `minterpolate`, and the plain repeat, against what was really there.

Drawn scenes are drawn at any moment, so the true picture of each moment between two frames is known. Film at 18 frames
a second, copy at 50. *pan*: a flat scene under a steady pan (no parallax), the shift known exactly. The others are the
drawn scenes with people, water, a car; their grain differs from frame to frame as film's does, and the truth has none.
Figures: PSNR in decibels over the pictures between frames (mean, and the worst), red, green and blue together, 16 px of
the edge left out; the share of them that ours refused (a repeat stands there); processor seconds a picture of the copy.
Run: `python -m benchmarks.between [--json]`.
"""

import argparse
import json
import time
from collections.abc import Iterator
from fractions import Fraction
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.between import apply_between, solve_between_places
from smallgauge.picture.synthetic_scenes import draw_scene
from smallgauge.picture.synthetic_shapes import View

FILM, COPY = Fraction(18), Fraction(50)
HEIGHT, WIDTH = 360, 480
FRAMES = 10
EDGE = 16
BITS = 12
PAN_PX = 11.3  # a film frame
GRAIN = 0.02  # rms of code values, about 8 mm at this size; common practice, no source

Codes = NDArray[np.uint16]


def encoded(light: NDArray[Any]) -> NDArray[np.float64]:
    """Light to code values, 0 to 1, as the finished film has them."""
    return np.clip(np.asarray(light, np.float64), 0.0, 1.0) ** (1 / 2.4)


def drawn(kind: str, begins_s: float) -> Any:
    """A scene as a function of film frames, a fraction of one too."""
    if kind == "pan":
        wide = encoded(drawn_scene("garden", 0.0, WIDTH + 200))

        def panned(place: float) -> NDArray[np.float64]:
            import cv2

            x = np.arange(WIDTH, dtype=np.float32)[None, :].repeat(HEIGHT, axis=0) + np.float32(
                PAN_PX * place
            )
            y = np.arange(HEIGHT, dtype=np.float32)[:, None].repeat(WIDTH, axis=1)
            return np.asarray(cv2.remap(wide, x, y, cv2.INTER_LANCZOS4))

        return panned
    return lambda place: encoded(drawn_scene(kind, begins_s + place / float(FILM), WIDTH))


def drawn_scene(kind: Any, time_s: float, width: int) -> NDArray[np.float64]:
    """One scene in light, (height, width, 3)."""
    view = View(x_px=(width - 1) / 2, y_px=(HEIGHT - 1) / 2, scale_px=float(HEIGHT))
    planes = draw_scene(kind, time_s, view, (HEIGHT, width), half_width=width / HEIGHT / 2, seed=1)
    return np.moveaxis(np.asarray(planes, np.float64), 0, 2)


def codes_of(picture: NDArray[np.float64]) -> Codes:
    """Code values of a finished film."""
    return np.rint(np.clip(picture, 0, 1) * ((1 << BITS) - 1)).astype(np.uint16)


def psnr(one: Codes, truth: Codes) -> float:
    """Peak signal over rms difference, dB."""
    inner = (slice(EDGE, -EDGE), slice(EDGE, -EDGE))
    off = one[inner].astype(np.float64) - truth[inner]
    return float(20 * np.log10(((1 << BITS) - 1) / max(np.sqrt(np.mean(off**2)), 1e-9)))


def minterpolated(frames: list[Codes]) -> list[Codes]:
    """FFmpeg's motion-compensated interpolation at its best setting, 8 bits."""
    graph = av.filter.Graph()
    source = graph.add_buffer(width=WIDTH, height=HEIGHT, format=av.VideoFormat("rgb24"), time_base=1 / FILM)
    steps = [
        graph.add("format", "yuv444p"),
        graph.add("minterpolate", f"fps={COPY}:mi_mode=mci:mc_mode=aobmc:me_mode=bidir:vsbmc=1:scd=none"),
        graph.add("format", "rgb24"),
        graph.add("buffersink"),
    ]
    for before, after in zip([source, *steps], steps, strict=False):
        before.link_to(after)
    graph.configure()
    out: list[Codes] = []

    def take() -> None:
        while True:
            try:
                got = graph.pull().to_ndarray(format="rgb24")
            except (av.error.BlockingIOError, av.error.EOFError):
                return
            out.append(np.rint(got * (((1 << BITS) - 1) / 255)).astype(np.uint16))

    for number, frame in enumerate(frames):
        picture = av.VideoFrame.from_ndarray((frame >> (BITS - 8)).astype(np.uint8), format="rgb24")
        picture.pts, picture.time_base = number, 1 / FILM
        graph.push(picture)
        take()
    graph.push(None)
    take()
    return out


def ours(frames: list[Codes]) -> Iterator[tuple[int, Codes, bool]]:
    """Each picture of the copy between two frames: its number, what is shown, and whether it was made."""
    at, shares = solve_between_places([(len(frames), FILM)], copy_rate=COPY)
    for n in range(len(frames) - 1):
        shown = [j for j in np.flatnonzero(at == n).tolist() if shares[j]]
        between = apply_between(frames[n], frames[n + 1], bits=BITS, shares=[float(shares[j]) for j in shown])
        for k, j in enumerate(shown):
            made = bool(between.pictures)
            yield j, between.pictures[k] if made else frames[n], made


def measure() -> list[dict[str, Any]]:
    """Rows of the table."""
    rows = []
    cases = [("pan", 0.0), ("garden", 1.6), ("road", 1.0), ("birthday", 1.0), ("sea", 1.0)]
    for grain in (0.0, GRAIN):
        for kind, begins_s in cases:
            truth = drawn(kind, begins_s)
            random = np.random.default_rng(5)
            clean = [truth(n) for n in range(FRAMES)]
            frames = [codes_of(each + grain * random.standard_normal(each.shape)) for each in clean]
            at, shares = solve_between_places([(FRAMES, FILM)], copy_rate=COPY)
            began = time.process_time()
            made = list(ours(frames))
            own_s = time.process_time() - began
            began = time.process_time()
            other = minterpolated(frames)
            other_s = time.process_time() - began
            figures: dict[str, list[float]] = {"ours": [], "minterpolate": [], "repeat": []}
            for j, picture, _ in made:
                if j >= len(other):
                    continue  # minterpolate gives none behind the last frames
                wanted = codes_of(truth(int(at[j]) + float(shares[j])))
                figures["ours"].append(psnr(picture, wanted))
                figures["minterpolate"].append(psnr(other[j], wanted))
                figures["repeat"].append(psnr(frames[int(at[j])], wanted))
            row: dict[str, Any] = {"scene": kind, "grain": grain, "pictures": len(figures["ours"])}
            for name, each in figures.items():
                row[name] = f"{np.mean(each):.1f} ({min(each):.1f})"
            row["refused"] = f"{np.mean([not ok for _, _, ok in made]):.0%}"
            row["s a picture, ours"] = round(own_s / len(made), 3)
            row["s a picture, minterpolate"] = round(other_s / max(len(other), 1), 3)
            rows.append(row)
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    rows = measure()
    if parser.parse_args().json:
        print(json.dumps(rows, indent=1))
        return
    print("| " + " | ".join(rows[0]) + " |")
    for row in rows:
        print("| " + " | ".join(str(value) for value in row.values()) + " |")


if __name__ == "__main__":
    main()

"""Flicker taken out of drawn scenes and drawn film, against the truth, beside FFmpeg's `deflicker` in the same run.

Run `python -m benchmarks.flicker`. All figures are natural logarithms of light in the green channel: rms error from frame to
frame (of the whole picture, and of cells of 6 x 8), rms error, and the largest error from frame to frame at the first and
last two frames of a scene. The bound is what white flicker leaves in any path that may follow slow changes as ours may.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.flicker import (
    FlickerCorrection,
    FlickerDecision,
    FlickerEvidence,
    apply_flicker,
    propose_flicker,
    scenes_of,
    solve_flicker,
)
from smallgauge.picture.flicker_pairs import FlickerReading, make_flicker_sheet, measure_flicker
from smallgauge.picture.flicker_path import BEND
from smallgauge.picture.scenes import make_proxies
from smallgauge.picture.synthetic import SceneTruth, draw_frame, specimen_truth
from smallgauge.picture.synthetic_flicker import PlainScene, draw_flicker, draw_flickered, draw_plain_scene
from smallgauge.picture.synthetic_scenes import SCENE_KINDS

Planes = NDArray[np.float32]
Floats = NDArray[np.float64]
SIZE = (240, 320)
SCENES = (50, 40)  # frames, a cut between
FADE = (15, 35)  # frames of the first scene over which light falls to half
GREEN = 1
SEEDS = 6
FILTERS = (("am", 5), ("pm", 5), ("median", 9))  # modes and sizes of `deflicker`, the first its default


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """Frames as scanned, as flickered without grain, and true; logarithms of light but for the first."""

    scanned: list[Planes]
    flickered: list[Planes]
    clean: list[Planes]
    scene: NDArray[np.int64]


def draw_case(seed: int, *, fade: bool = False, **flicker: float) -> Case:
    """Two drawn scenes with a cut."""
    random = np.random.default_rng(seed)
    clean = [f for count in SCENES for f in draw_plain_scene(random, PlainScene(frames=count, size=SIZE))]
    if fade:
        gains = np.log(np.interp(np.arange(SCENES[0]), FADE, [1.0, 0.5])).astype(np.float32)
        clean[: SCENES[0]] = [frame + gain for frame, gain in zip(clean, gains, strict=False)]
    scanned, flickered = draw_flickered(random, clean, draw_flicker(random, sum(SCENES), **flicker))
    return Case(
        scanned=scanned, flickered=flickered, clean=clean, scene=np.repeat(np.arange(len(SCENES)), SCENES)
    )


def draw_film(kind: str, frames: int = 48, **flicker: float) -> Case:
    """A drawn reel whose exposure flickers, through the film's own curve; the same reel without flicker is the truth."""
    scenes = (SceneTruth(kind=kind, first=0, stop=1000),)  # type: ignore[arg-type]
    calm = specimen_truth(
        "super-8", width=512, height=384, frames=frames, scenes=scenes, start_exposures=(), flicker=0.0
    )
    scanned, flickered, clean = [], [], []
    for n in range(frames):
        pair = [draw_frame(reel, n) for reel in (replace(calm, **flicker), calm)]  # type: ignore[arg-type]
        corners = np.array(pair[1].gate_corners_px)
        wide, high = (round(0.93 * float(np.ptp(corners[:, k]))) for k in (0, 1))
        left, top = (round(c - s / 2) for c, s in zip(pair[1].picture_centre_px, (wide, high), strict=True))
        lights = [
            np.asarray(each.samples, np.float32)[top : top + high, left : left + wide]
            / np.float32(65535 * calm.open_gate_level)
            for each in pair
        ]
        scanned.append(lights[0])
        flickered.append(np.log(np.maximum(lights[0], 0.002)))
        clean.append(np.log(np.maximum(lights[1], 0.002)))
    return Case(scanned=scanned, flickered=flickered, clean=clean, scene=np.zeros(frames, np.int64))


def evidence_from(readings: list[FlickerReading], scene: NDArray[np.int64]) -> FlickerEvidence:
    """The evidence of a reel from its readings."""
    names = ("level", "level_sigma", "contrast", "contrast_sigma", "surface", "surface_sigma", "middle")
    columns = {name: np.array([getattr(each, name) for each in readings], np.float64) for name in names}
    return FlickerEvidence(**columns, scene=scene, lamp=np.zeros((len(readings), 3)))


def read_case(case: Case) -> FlickerEvidence:
    """Every frame measured against the one before."""
    box = (0.0, 0.0, float(case.scanned[0].shape[1]), float(case.scanned[0].shape[0]))
    sheets = [make_flicker_sheet(make_proxies(frame, box=box)[1]) for frame in case.scanned]
    readings = [measure_flicker(each, sheets[n - 1] if n else None) for n, each in enumerate(sheets)]
    return evidence_from(readings, case.scene)


def ours(case: Case, forced: FlickerDecision | None = None) -> list[Planes]:
    """Logarithm of light once our corrections are applied."""
    evidence = read_case(case)
    decisions = tuple(
        forced or propose_flicker(evidence, first=first, stop=stop)[0]
        for first, stop in scenes_of(evidence.scene)
    )
    solution = solve_flicker(evidence, decisions)
    return [_applied(frame, c) for frame, c in zip(case.flickered, solution.corrections, strict=True)]


def _applied(logarithm: Planes, correction: FlickerCorrection | None) -> Planes:
    if correction is None:
        return logarithm
    density = (logarithm / np.float32(-np.log(10))).astype(np.float32)
    return np.asarray(apply_flicker(density, correction) * np.float32(-np.log(10)), np.float32)


def deflicker(case: Case, mode: str, size: int) -> list[Planes]:
    """Logarithm of light after FFmpeg's filter on the green channel, as a display picture of 16 bits."""
    import av
    from av.filter import Graph

    height, width = case.flickered[0].shape[:2]
    graph = Graph()
    source = graph.add_buffer(width=width, height=height, format="gray16le", time_base="1/18")
    step = graph.add("deflicker", f"size={size}:mode={mode}")
    sink = graph.add("buffersink")
    source.link_to(step)
    step.link_to(sink)
    graph.configure()
    out: list[Planes] = []

    def pull() -> None:
        while True:
            try:
                got = graph.pull()
            except (av.error.BlockingIOError, av.error.EOFError):
                return
            code = got.to_ndarray().astype(np.float64) / 65535  # type: ignore[union-attr]
            out.append((2.4 * np.log(np.maximum(code, 1e-4))).astype(np.float32)[:, :, None])

    for n, frame in enumerate(case.flickered):
        code = np.clip(np.exp(frame[:, :, GREEN] / 2.4), 0, 1)
        picture = av.VideoFrame.from_ndarray(np.rint(65535 * code).astype(np.uint16), format="gray16le")
        picture.pts = n
        graph.push(picture)
        pull()
    graph.push(None)
    pull()
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """What is left, natural logarithm of light."""

    step: float
    cell_step: float
    error: float
    ends: float
    most: float

    def __str__(self) -> str:
        return (
            f"{self.step:.4f} | {self.cell_step:.4f} | {self.error:.4f} | {self.ends:.3f} | {self.most:.3f}"
        )


def figures(case: Case, made: list[Planes]) -> Figures:
    """Errors of frames against the truth."""
    import cv2

    green = [
        each[:, :, min(GREEN, each.shape[2] - 1)] - true[:, :, GREEN]
        for each, true in zip(made, case.clean, strict=True)
    ]
    cells = np.array([cv2.resize(each, (8, 6), interpolation=cv2.INTER_AREA) for each in green], np.float64)
    error = cells.mean(axis=(1, 2))
    steps, cell_steps = np.diff(error), np.diff(cells, axis=0)
    inside = np.diff(case.scene) == 0
    ends = sorted({n for first, stop in scenes_of(case.scene) for n in (first, stop - 2)})
    return Figures(
        step=_rms(steps[inside]),
        cell_step=_rms(cell_steps[inside]),
        error=_rms(error),
        ends=float(np.abs(steps[ends]).max()),
        most=float(np.abs(error).max()),
    )


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def bound(level: float) -> float:
    """Rms error that white flicker leaves in a path which follows slow changes as ours does, over the drawn scenes.

    From the smoother's own rows: each smoothed value is a weighted sum of independent flicker, so its variance is the
    sum of the squared weights. Whoever wants less must follow a fade less closely.
    """
    power = 0.0
    for frames in SCENES:
        second = np.diff(np.eye(frames), 2, axis=0)
        rows = np.linalg.inv(np.eye(frames) + (level / BEND) ** 2 * second.T @ second)
        power += float(np.sum(rows**2))
    return level * float(np.sqrt(power / sum(SCENES)))


METHODS: tuple[tuple[str, Callable[[Case], list[Planes]]], ...] = (
    ("as it was", lambda case: case.flickered),
    ("ours, as proposed", ours),
    *(
        (f"deflicker {mode}, size {size}", lambda case, mode=mode, size=size: deflicker(case, mode, size))
        for mode, size in FILTERS
    ),
)


def print_table(
    title: str, cases: list[Case], methods: tuple[tuple[str, Callable[[Case], list[Planes]]], ...] = METHODS
) -> None:
    """One row a method, root mean squares over cases, the worst of ends and largest errors."""
    print(f"\n{title}, {len(cases)} draws\n")
    print("| | frame to frame | cell, frame to frame | error | at a scene's ends | largest |")
    print("| --- | --- | --- | --- | --- | --- |")
    for name, method in methods:
        found = [figures(case, method(case)) for case in cases]
        total = Figures(
            step=_rms(np.array([f.step for f in found])),
            cell_step=_rms(np.array([f.cell_step for f in found])),
            error=_rms(np.array([f.error for f in found])),
            ends=max(f.ends for f in found),
            most=max(f.most for f in found),
        )
        print(f"| {name} | {total} |", flush=True)


def print_cost() -> None:
    """Processor time of measuring, one thread."""
    import cv2

    cv2.setNumThreads(1)
    case = draw_case(1)
    box = (0.0, 0.0, float(SIZE[1]), float(SIZE[0]))
    small = [make_proxies(frame, box=box)[1] for frame in case.scanned[:40]]
    start = time.process_time()
    sheets = [make_flicker_sheet(each) for each in small]
    for n in range(1, 40):
        measure_flicker(sheets[n], sheets[n - 1])
    print(
        f"\nMeasuring: {1000 * (time.process_time() - start) / 39:.1f} ms of processor time a frame, one thread"
    )
    start = time.process_time()
    evidence = read_case(case)
    measured = time.process_time()
    for _ in range(20):
        solve_flicker(evidence, (FlickerDecision(on=True, surface=True, contrast=True, channels=True),) * 2)
    each = (time.process_time() - measured) / 20 / len(case.scanned)
    print(f"Solving: {1000 * each:.2f} ms a frame")


def main() -> None:
    """Print the tables."""
    seeds = range(SEEDS)
    whole = FlickerDecision(on=True, surface=True, contrast=True, channels=True)
    print(f"Bound of the error for white flicker of 0.1: {bound(0.1):.4f}")
    print_table("White flicker of 0.1", [draw_case(seed) for seed in seeds])
    print_table(
        "White flicker of 0.1, and a fade to half light", [draw_case(seed, fade=True) for seed in seeds]
    )
    mixed = {"level": 0.08, "surface": 0.04, "contrast": 0.04}
    print_table(
        "Flicker of 0.08, surface terms and contrast of 0.04", [draw_case(seed, **mixed) for seed in seeds]
    )
    forced = ("ours, forced on", lambda case: ours(case, whole))
    print_table(
        "No flicker, a 20-frame fade to half light",
        [draw_case(seed, fade=True, level=0.0) for seed in seeds],
        (METHODS[1], forced, *METHODS[2:]),
    )
    film = [draw_film(kind, camera_flicker=0.1) for kind in SCENE_KINDS]
    print_table(f"Exposure flicker of 0.1 through the film's curve ({', '.join(SCENE_KINDS)})", film)
    calm = [draw_film(kind) for kind in SCENE_KINDS]
    print_table("Film without flicker", calm, (METHODS[1], forced, *METHODS[2:]))
    print_cost()


if __name__ == "__main__":
    main()

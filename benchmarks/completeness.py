"""Dropped, repeated and swapped frames found on drawn reels of known faults, against plain differences.

Run `python benchmarks/completeness.py [seeds]`. For each kind of reel it prints how many faults of each sort
were found, false alarms, frames of which nothing is known, and the cost a frame; beside them what a plain
mean difference of frames finds with the best threshold that the truth allows. Reels: scenes of 8 to 60
frames, live or on a tripod (nothing moves but grain, camera unsteadiness and scanner weave), well and
poorly exposed, weave, drift, flicker.
"""

import math
import sys
import time
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from smallgauge.gauge.gauges import gauge_named
from smallgauge.picture.completeness import Ledger, find_links, measure_ledger
from smallgauge.picture.repetition import (
    GrainLayout,
    find_grain_layout,
    make_grain,
    measure_repetition,
    measure_step,
)
from smallgauge.picture.scenes import make_proxy
from smallgauge.picture.synthetic import (
    DrawnFrame,
    ReelTruth,
    SceneTruth,
    draw_frame,
    film_frame_of,
    frame_times_s,
    frame_truth,
    specimen_truth,
)

STILL = Fraction(1_000_000)  # camera rate at which nothing in the scene moves
GRAIN = ("match", "match_skip", "follows", "follows_skip", "precedes", "precedes_skip")


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """What a drawn reel is like."""

    name: str = "as captured"
    gauge: str = "super-8"
    size: tuple[int, int] = (400, 300)
    frames: int = 200
    tripod: bool = False
    light: float = 1.0  # exposure of all scenes against a good one
    faults: int = 12  # of all three sorts together
    jpeg: int = 0  # quality, 0: not compressed
    overlap: bool = True  # False: only the picture is compared, as where the neighbours are not in view
    stamps: bool = False  # time stamps handed over
    changes: dict[str, object] = field(default_factory=dict)  # fields of ReelTruth


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawn:
    """Columns of a drawn reel, and its faults: (sort, captured frame)."""

    columns: dict[str, NDArray[np.float64]]
    film: NDArray[np.int64]
    faults: frozenset[tuple[str, int]]
    difference: NDArray[np.float64]  # plain mean difference of display values from the frame before
    cost_s: float  # CPU a frame


def draw_truth(kind: Kind, *, seed: int) -> tuple[ReelTruth, list[int], frozenset[tuple[str, int]]]:
    """A reel, the order in which its frames are captured, and its faults."""
    random = np.random.default_rng(seed)
    scenes = []
    first = 0
    while first < kind.frames + 40:
        stop = first + int(random.integers(8, 60))
        name = ("garden", "sea", "birthday", "road")[int(random.integers(4))]
        light = kind.light * float(np.exp(random.normal(0.0, 0.35)))
        begins = float(random.uniform(0, 20))
        scenes.append(SceneTruth(kind=name, first=first, stop=stop, exposure=light, begins_s=begins))  # type: ignore[arg-type]
        first = stop
    places = 6 + 8 * np.sort(random.permutation((kind.frames - 16) // 8)[: kind.faults])  # film frames
    sorts = [("captured twice", "missing", "swapped")[i % 3] for i in range(places.size)]
    lost: list[int] = []
    twice: list[int] = []
    swaps: list[int] = []
    for place, sort in zip(places.tolist(), sorts, strict=True):
        if sort == "missing":
            lost += range(place, place + int(random.integers(1, 4)))
        else:
            (twice if sort == "captured twice" else swaps).append(place)
    truth = specimen_truth(
        kind.gauge,
        width=kind.size[0],
        height=kind.size[1],
        frames=kind.frames,
        seed=seed,
        scenes=tuple(scenes),
        missing=tuple(lost),
        repeated=tuple(twice),
        **{"camera_rate": STILL if kind.tripod else Fraction(18), "stamp_jitter_s": 0.0005, **kind.changes},
    )
    film = [film_frame_of(truth, number) for number in range(kind.frames)]
    order = list(range(kind.frames))
    faults = {("captured twice", film.index(each) + 1) for each in twice}
    faults |= {("missing", t) for t in range(1, kind.frames) if film[t] - film[t - 1] > 1}
    for each in swaps:
        at = film.index(each)
        order[at], order[at + 1] = at + 1, at
        faults.add(("swapped", at))
    return truth, order, frozenset(faults)


def layout_of(truth: ReelTruth) -> tuple[tuple[float, float, float, float], GrainLayout]:
    """Picture area from the film reference, and where grain is compared, from the truth of frame 0."""
    true = frame_truth(truth, 0)
    corners, reference = np.array(true.gate_corners_px), np.array(true.film_reference_px)
    left, top = (corners[[0, 3], 0].mean(), corners[:2, 1].mean()) - reference
    right, bottom = (corners[1:3, 0].mean(), corners[2:, 1].mean()) - reference
    facts = gauge_named(truth.gauge)
    area = (float(left), float(top), float(right), float(bottom))
    layout = find_grain_layout(
        frame_px=(truth.width, truth.height),
        reference_px=true.film_reference_px,
        area_px=area,
        pitch_px=facts.pitch_long_mm.value * true.pixels_per_mm,
        px_per_mm=true.pixels_per_mm,
        tilt_rad=-math.radians(truth.tilt_deg),
        spread_px=25 / truth.micrometres_per_pixel,
    )
    return area, layout


def light_of(drawn: DrawnFrame, jpeg: int) -> NDArray[np.float32]:
    """Green light of a drawn frame; compressed at 8 bits, curve 2.2, when a quality is given."""
    assert drawn.samples is not None
    if not jpeg:
        return (drawn.samples[..., 1] / np.float32(65535)).astype(np.float32)
    import cv2

    codes = (np.clip(drawn.samples / np.float32(65535), 0, 1) ** (1 / 2.2) * 255 + 0.5).astype(np.uint8)
    packed = cv2.imencode(".jpg", codes[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, jpeg])[1]
    opened = np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR))
    return np.asarray((opened[..., 1].astype(np.float32) / 255) ** np.float32(2.2))


def measure_reel(kind: Kind, *, seed: int, reference_sigma_px: float = 0.05) -> Drawn:
    """Draw a reel and measure its columns; the film reference is known to `reference_sigma_px`."""
    truth, order, faults = draw_truth(kind, seed=seed)
    area, layout = layout_of(truth)
    random = np.random.default_rng((seed, 1))
    rows: list[dict[str, float]] = []
    sheets: list[object] = [None, None]
    proxies: list[object] = [None, None]
    before: NDArray[np.float32] | None = None
    difference, cost = [], 0.0
    for number in order:
        drawn = draw_frame(truth, number)
        light = light_of(drawn, kind.jpeg)
        x, y = np.array(drawn.film_reference_px) + random.normal(0, reference_sigma_px, 2)
        box = (x + area[0], y + area[1], x + area[2], y + area[3])
        proxy = make_proxy(light, box=box)
        began = time.process_time()
        sheet = make_grain(light, reference_px=(x, y), layout=layout)
        reading = measure_repetition(sheet, sheets[1], sheets[0], layout=layout)  # type: ignore[arg-type]
        step = measure_step(proxy, proxies[1], proxies[0])  # type: ignore[arg-type]
        cost += time.process_time() - began
        sheets, proxies = [sheets[1], sheet], [proxies[1], proxy]
        rows.append({name: getattr(each, name) for each in (reading, step) for name in type(each).__slots__})
        left, top = round(box[0]), round(box[1])
        shown = np.sqrt(light[top : round(box[3]), left : round(box[2])])
        difference.append(math.nan if before is None else _mean_difference(shown, before))
        before = shown
    columns = {name: np.array([row[name] for row in rows]) for name in rows[0]}
    columns["time_s"] = frame_times_s(truth)[order]
    columns["position_px"] = np.array([frame_truth(truth, n).film_reference_px[1] for n in order])
    columns["pitch_px"] = np.full(len(order), math.nan)
    if not kind.overlap:
        for name in columns:
            if "follows" in name or "precedes" in name:
                columns[name][:] = math.nan
    if not kind.stamps:
        columns["time_s"][:] = math.nan
    film = np.array([film_frame_of(truth, n) for n in order])
    return Drawn(
        columns=columns, film=film, faults=faults, difference=np.array(difference), cost_s=cost / len(order)
    )


def _mean_difference(one: NDArray[np.float32], other: NDArray[np.float32]) -> float:
    rows, columns = min(one.shape[0], other.shape[0]), min(one.shape[1], other.shape[1])
    return float(np.abs(one[:rows, :columns] - other[:rows, :columns]).mean())


def account(drawn: Drawn) -> Ledger:
    """The ledger of a drawn reel's columns."""
    columns = drawn.columns
    links = find_links(
        **{name: columns[f"grain_{name}"] for name in GRAIN}, edge_strength=columns["edge_grain_strength"]
    )
    return measure_ledger(
        links,
        match=columns["grain_match"],
        time_s=columns["time_s"],
        position_px=columns["position_px"],
        pitch_px=columns["pitch_px"],
        step=columns["picture_step"],
        step_skip=columns["picture_step_skip"],
    )


def found_in(ledger: Ledger) -> set[tuple[str, int]]:
    """Faults of a ledger as (sort, captured frame)."""
    return {
        (run.kind, run.first) for run in ledger.runs if run.kind in ("captured twice", "missing", "swapped")
    }


def best_by_threshold(series: NDArray[np.float64], truth: set[int], *, low: bool) -> float:
    """Best F1 that any one threshold reaches, chosen with the truth in hand."""
    best = 0.0
    known = series[np.isfinite(series)]
    for level in np.unique(np.quantile(known, np.linspace(0, 1, 600))):
        found = set(np.flatnonzero(series <= level if low else series >= level).tolist())
        best = max(best, 2 * len(found & truth) / max(len(found) + len(truth), 1))
    return best


KINDS = (
    Kind(),
    Kind(name="tripod", tripod=True),
    Kind(name="standard 8", gauge="standard-8"),
    Kind(name="16 mm, tripod", gauge="16", tripod=True),
    Kind(name="negative", changes={"film": "negative"}),
    Kind(name="three stops under, tripod", tripod=True, light=0.125),
    Kind(name="splices and dirt", changes={"splices": (30, 70, 110, 150), "dirt_per_frame": 6.0}),
    Kind(name="JPEG 95, tripod", tripod=True, jpeg=95),
    Kind(name="JPEG 85, tripod", tripod=True, jpeg=85),
    Kind(name="JPEG 60, tripod", tripod=True, jpeg=60),
    Kind(name="neighbours not in view, stamps", overlap=False, stamps=True),
    Kind(name="neighbours not in view, tripod, stamps", overlap=False, tripod=True, stamps=True),
    Kind(name="neighbours not in view, no stamps", overlap=False),
)


def main() -> None:
    """Print the table."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 2
    print("found of drawn (false alarms); F1 of plain difference at its best threshold; ms of CPU a frame")
    for kind in KINDS:
        reels = [measure_reel(kind, seed=1000 + seed) for seed in range(seeds)]
        print(f"{kind.name:40}", *_line(reels), f"{1000 * np.mean([reel.cost_s for reel in reels]):.1f} ms")


def _line(reels: list[Drawn]) -> list[str]:
    ledgers = [account(reel) for reel in reels]
    found = [found_in(ledger) for ledger in ledgers]
    words = []
    for sort in ("captured twice", "missing", "swapped"):
        ours = [{fault for fault in each if fault[0] == sort} for each in found]
        true = [{fault for fault in reel.faults if fault[0] == sort} for reel in reels]
        right = sum(len(a & b) for a, b in zip(ours, true, strict=True))
        false = sum(len(a - b) for a, b in zip(ours, true, strict=True))
        words.append(f"{sort} {right}/{sum(len(each) for each in true)} ({false})")
    for sort, low in (("captured twice", True), ("missing", False)):
        scores = [
            best_by_threshold(reel.difference, {f[1] for f in reel.faults if f[0] == sort}, low=low)
            for reel in reels
        ]
        words.append(f"plain {np.mean(scores):.2f}")
    unknown = sum(ledger.not_known for ledger in ledgers)
    return [*words, f"not known {unknown} of {sum(ledger.captured for ledger in ledgers)}"]


if __name__ == "__main__":
    main()

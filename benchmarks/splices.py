"""Splices told from cuts made in camera on drawn reels, against taking every change of scene for a splice.

Run `python -m benchmarks.splices`. Each reel has two splices, one between scenes and one within a scene, and three
cuts made in camera; gauges, kinds, amounts of step, dirt, edge print and stripe vary. Scene changes are given as they
are, so that the baseline has the best of it.
"""

import numpy as np

from smallgauge.gauge.gauges import GAUGES, gauge_named
from smallgauge.picture.gauge_reading import find_gauge
from smallgauge.picture.perforations import find_perforations, measure_reference
from smallgauge.picture.splice_evidence import SpliceReading, measure_splice_evidence
from smallgauge.picture.splices import find_splices
from smallgauge.picture.synthetic import ReelTruth, SceneTruth, draw_frame, specimen_truth

FRAMES = 30
STARTS = (0, 6, 12, 18, 26)
SPLICES = (12, 22)  # 22 lies within a scene; 6, 18 and 26 are cuts made in camera
KINDS = ("garden", "sea", "birthday", "road", "sea")


def draw_reel(gauge: str, kind: str, seed: int, *, splices: tuple[int, ...] = SPLICES) -> ReelTruth:
    """What is so about one reel; seeds set the steps, every second reel has dirt, edge print and stripe."""
    rough = {"dirt_per_frame": 30.0, "edge_print": "SAFETY FILM", "striped": gauge != "16mm"}
    return specimen_truth(
        gauge, frames=FRAMES, seed=seed, width=640, height=480, fast_noise=True, splices=splices,
        scenes=tuple(
            SceneTruth(kind=scene, first=first, stop=stop)  # type: ignore[arg-type]
            for scene, first, stop in zip(KINDS, STARTS, (*STARTS[1:], 10**6), strict=True)
        ),
        splice_kind=kind, splice_shift_um=15.0 * (seed % 5), splice_lateral_um=10.0 * (seed % 4),
        **(rough if seed % 2 else {}),
    )  # fmt: skip


def find_in(truth: ReelTruth) -> list[tuple[int, str]]:
    """Frames that follow a splice, and its kind, as the program tells them."""
    light = [np.float32(draw_frame(truth, n).samples) / np.float32(65535) for n in range(truth.frames)]
    survey = find_gauge(light[::2], gauges=GAUGES, stated=truth.gauge, polarity="bright hole").survey
    readings = []
    for each in light:
        plane = np.ascontiguousarray(each[:, :, survey.channel])
        fixes = find_perforations(plane, survey=survey)
        place = measure_reference(fixes, survey=survey)
        readings.append(measure_splice_evidence(plane, fixes, reference=place, survey=survey))
    columns: dict[str, list[float]] = {
        name.removeprefix("splice_"): [getattr(each, name) for each in readings]
        for name in SpliceReading.__slots__
    }
    found = find_splices(range(truth.frames), scene_starts=STARTS, gauge=gauge_named(truth.gauge), **columns)
    return [(int(row), found.kind[row]) for row in np.flatnonzero(found.splice)]


def main() -> None:
    """Print the table."""
    print("| gauge | reels | splices | F1 ours | false | missed | kind right | F1, every change of scene |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for gauge in ("super-8", "standard-8", "16mm"):
        right = false = missed = kinds = plain_right = plain_false = plain_missed = reels = 0
        for kind in ("tape", "cement"):
            for seed in (51, 52, 53):
                for splices in (SPLICES, ()) if seed == 51 else (SPLICES,):
                    found = find_in(draw_reel(gauge, kind, seed, splices=splices))
                    rows = {row for row, _ in found}
                    reels, right = reels + 1, right + len(rows & set(splices))
                    false, missed = false + len(rows - set(splices)), missed + len(set(splices) - rows)
                    kinds += sum(told == kind for row, told in found if row in splices)
                    changes = set(STARTS[1:])
                    plain_right += len(changes & set(splices))
                    plain_false += len(changes - set(splices))
                    plain_missed += len(set(splices) - changes)
        print(
            f"| {gauge} | {reels} | {right + missed} | {2 * right / (2 * right + false + missed):.3f} | {false} "
            f"| {missed} | {kinds} | {2 * plain_right / (2 * plain_right + plain_false + plain_missed):.2f} |",
            flush=True,
        )


if __name__ == "__main__":
    main()

"""The account of frames through the whole of `analyse`: files, finder and all, on drawn reels of known faults.

Run `python -m benchmarks.account [clean reels] [faulty reels]`. Reels of 400 frames, 320 x 240 pixels; every
second one on a tripod; one perforation in twelve is damaged, two splices. `completeness` measures the same
functions with the film's place known; here the finder gives it. Prints faults found and false alarms.
"""

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from benchmarks.completeness import Kind, draw_truth
from smallgauge.demo import write_specimen
from smallgauge.gauge.gauges import gauge_named
from smallgauge.line import Settings, finish
from smallgauge.picture.synthetic import PerforationDamage, ReelTruth
from smallgauge.record.files import read_json
from smallgauge.record.filmstate import FILM_PAPER, FilmState

FRAMES = 400
DAMAGE = ("torn", "claw", "elongated", "chipped", "crack", "tape", "specks")


def damaged(truth: ReelTruth, seed: int) -> ReelTruth:
    """The reel with one perforation in twelve damaged and two splices."""
    random = np.random.default_rng((seed, 7))
    film = FRAMES + 40
    numbers = np.sort(random.permutation(film)[: film // 12]).tolist()
    kinds = random.permutation(len(numbers)) % len(DAMAGE)
    amounts = random.uniform(0.1, 0.35, len(numbers))
    damage = tuple(
        PerforationDamage(film_perforation=n, kind=DAMAGE[k], amount_mm=float(a))  # type: ignore[arg-type]
        for n, k, a in zip(numbers, kinds.tolist(), amounts.tolist(), strict=True)
    )
    return replace(truth, damage=damage, splices=(FRAMES // 3, 2 * FRAMES // 3))


def analysed(kind: Kind, *, seed: int) -> tuple[FilmState, frozenset[tuple[str, int]]]:
    """A reel's paper as `analyse` writes it, and its true faults."""
    truth, order, faults = draw_truth(kind, seed=seed)
    truth = damaged(truth, seed)
    with tempfile.TemporaryDirectory() as base:
        capture = Path(base) / "capture"
        write_specimen(capture, truth, format="png", sound=False, reel="account", box_words="", processes=1)
        moved = {t: n for n, t in enumerate(order) if t != n}
        for t in moved:
            (capture / f"frame_{t:06d}.png").rename(capture / f"moved_{t:06d}")
        for t, n in moved.items():
            (capture / f"moved_{t:06d}").rename(capture / f"frame_{n:06d}.png")
        if not kind.stamps:
            (capture / "frames.csv").unlink()
        settings = Settings(at="2026-01-17T10:00:00Z", workers=1, last_step="analyse")
        outcome = finish(capture, Path(base) / "shelf", settings)
        return read_json(Path(outcome.folder) / FILM_PAPER, FilmState), faults


def main() -> None:
    """Print a line a reel and the sum."""
    clean, faulty = (int(word) for word in (*sys.argv[1:], "25", "10")[:2])
    sums = dict.fromkeys(("frames", "faults", "found", "false", "not known"), 0)
    for n in range(clean + faulty):
        gauge = ("super-8", "standard-8", "16")[n % 3]
        kind = Kind(
            gauge=gauge_named(gauge).key,
            size=(320, 240),
            frames=FRAMES,
            tripod=n % 2 == 1,
            faults=0 if n < clean else 24,
            stamps=n % 4 == 0,
            changes={"bits": 8, "code_values": "gamma"},
        )
        state, true = analysed(kind, seed=5000 + n)
        runs = [r for r in state.ledger.runs if r.kind in ("captured twice", "missing", "swapped")]
        found = {(run.kind, run.first) for run in runs}
        row = {
            "frames": state.ledger.captured,
            "faults": len(true),
            "found": len(found & true),
            "false": len(found - true),
            "not known": state.ledger.not_known,
        }
        print(n, gauge, "tripod" if kind.tripod else "live", row, sorted(found ^ true), flush=True)
        sums = {name: sums[name] + row[name] for name in sums}
    print("sum", sums)


if __name__ == "__main__":
    main()

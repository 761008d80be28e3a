"""Sound with its own clock beside general methods, in one run: wild tapes on a guide, and separate runs by splices.

*Wild tape*: 24 drawn tapes of 150 s (mean speed within 3 %, sagging by up to 1.2 %, wandering by 0.3 %), each beside a guide
with an echo as strong as the direct sound and noise 10 dB below, as strong as, or 5 dB above the programme. General methods:
one offset for all by `scipy.signal.correlate` of the samples, and one straight line (`scipy.stats.theilslopes`) through the
places of pieces of 10 s, each by `scipy.signal.correlate` of the levels over the whole tape.
*Separate run*: 48 drawn runs of a minute, four splices, clock 0.1 % off, start unknown; ordinary talk, loud talk over faint
knocks, and the same with five frames cut away at each splice after recording. General methods: one offset by
`scipy.signal.correlate` of splices and knocks, and a straight line through the strongest knock within 0.3 s of each splice
from there.
Run: `python -m benchmarks.wild [--json]`.
"""

import argparse
import json
import time
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.sound.fixes import BAND_SIGMAS, FILM_RUN, TAPE_RUN, Fix, FixedMap, solve_fixes
from smallgauge.sound.jumps import find_hum_jumps
from smallgauge.sound.knocks import Knock, find_knocks
from smallgauge.sound.runs import RunReading, find_recorded, find_run
from smallgauge.sound.separate import splice_fixes
from smallgauge.sound.speed import read_array
from smallgauge.sound.synthetic import TapeTruth, TrackTruth, draw_tape, draw_track, tape_time_s
from smallgauge.sound.wild import find_guide

Floats = NDArray[np.float64]
RATE = 8000
TAPE_SECONDS = 150.0
GUIDE_DB = (10.0, 0.0, -5.0)
FRAMES, AHEAD = 1080, 18.0  # of the runs: a minute of Super 8
SHARED_S = 0.5 / 18  # one standard error of the separation's tolerance
# What is drawn: whether the talk is loud and the splices faint, and how many frames were cut away after recording.
RUNS = {
    "ordinary talk": (False, 0.0),
    "loud talk, faint splices": (True, 0.0),
    "loud talk, faint splices, cut after recording": (True, 5.0),
}
WRONG_SETS = 30  # of splices at wrong places, a run


def random_of(*seed: int) -> np.random.Generator:
    return np.random.Generator(np.random.SFC64(np.random.SeedSequence(seed)))


# ------------------------------------------------------------------------------------------------- wild tapes


def tapes(count: int, base: int) -> list[TapeTruth]:
    """Drawn tapes, the guide's noise in turn."""
    drawn = []
    for k in range(count):
        random = random_of(base, 900 + k)
        speed, sag, start = random.uniform(0.97, 1.03), random.uniform(-0.012, 0.012), random.uniform(-3, 8)
        drawn.append(
            TapeTruth(
                seconds=TAPE_SECONDS,
                speed=float(speed),
                sag=float(sag),
                start_s=float(start),
                guide_noise_db=GUIDE_DB[k % 3],
                seed=base * 100 + k + 1,
            )
        )
    return drawn


def one_offset(tape: Floats, guide: Floats, at: Floats) -> Floats:
    from scipy.signal import correlate

    line = correlate(tape, guide, mode="full", method="fft")
    return at + (int(np.argmax(np.abs(line))) - (len(guide) - 1)) / RATE


def level(x: Floats) -> Floats:
    """RMS of blocks of 10 ms, less its mean."""
    blocks = np.sqrt(np.mean(x[: len(x) // 80 * 80].reshape(-1, 80) ** 2, axis=1))
    return np.asarray(blocks - blocks.mean())


def one_line(tape: Floats, guide: Floats, at: Floats) -> Floats:
    from scipy.signal import correlate
    from scipy.stats import theilslopes

    loud, piece = level(tape), 1000
    heard = level(guide)
    middles = np.arange(0, len(heard) - piece + 1, piece)
    found = [
        int(np.argmax(correlate(loud, heard[m : m + piece], mode="valid", method="fft"))) for m in middles
    ]
    slope, start, *_ = theilslopes(np.array(found) / 100.0, middles / 100.0)
    return np.asarray(start + slope * at)


def ours_on_guide(tape: Floats, guide: Floats) -> FixedMap | None:
    found = find_guide(
        read_array(tape),
        read_array(guide),
        tape_samples=len(tape),
        tape_rate=RATE,
        guide_samples=len(guide),
        guide_rate=RATE,
    )
    if found.refusal:
        return None
    fixes = [Fix(u, s, found.sigma_s) for u, s in zip(found.guide_s, found.tape_s, strict=True)]
    return solve_fixes(fixes, rate=1.0, transport=TAPE_RUN)


def wild_rows(count: int, base: int) -> list[dict[str, Any]]:
    """One row a tape and method: 95 % and largest error in ms, whether laid and inside the stated band."""
    rows = []
    at = np.arange(0.0, TAPE_SECONDS, 0.25)
    for truth in tapes(count, base):
        tape, guide = (track[:, 0] for track in draw_tape(truth))
        true = tape_time_s(truth, at)
        begun = time.process_time()
        laid = ours_on_guide(tape, guide)
        row = {"db": truth.guide_noise_db, "cpu_s": time.process_time() - begun}
        if laid is None:
            rows.append(row | {"method": "ours", "laid": False})
        else:
            second, _, sigma = laid.at(at)
            off = np.abs(second - true)
            inside = bool(np.all(off <= BAND_SIGMAS * sigma))
            rows.append(row | {"method": "ours", "laid": True, "inside": inside} | errors(off))
        for name, method in (("one offset", one_offset), ("one line", one_line)):
            off = np.abs(method(tape, guide, at) - true)
            rows.append({"db": truth.guide_noise_db, "method": name, "laid": True} | errors(off))
    return rows


def errors(off: Floats) -> dict[str, float]:
    return {"p95_ms": 1000 * float(np.quantile(off, 0.95)), "max_ms": 1000 * float(off.max())}


# ---------------------------------------------------------------------------------------------- separate runs


@dataclass(frozen=True)
class DrawnRun:
    """A run: its knocks, and the truth."""

    knocks: tuple[Knock, ...]
    recorded_s: tuple[float, float]
    splices: tuple[int, ...]
    start_s: float
    clock: float
    seconds: float
    jump_odds: tuple[float, ...]

    def truly(self, n: Floats) -> Floats:
        return np.asarray(self.start_s + (n - AHEAD) / 18 * self.clock)

    def found(self, splices: list[int]) -> RunReading:
        return find_run(
            self.knocks,
            splices=splices,
            confidence=[0.8] * len(splices),
            rates=[Fraction(18)],
            seconds=self.seconds,
            frames=FRAMES,
            ahead_frames=AHEAD,
            recorded_s=self.recorded_s,
            jump_odds=self.jump_odds,
        )


def draw_run(seed: int, *, loud: bool, cut: float) -> DrawnRun:
    random = random_of(seed, 444)
    start, clock = float(random.uniform(3, 12)), 1 + float(random.choice([-1, 1])) * 0.001
    places = tuple(sorted(random.choice(np.arange(40, FRAMES - 40), 4, replace=False).tolist()))
    splices = places if seed > 8 else (90, 300, 610, 980)
    seconds = FRAMES / 18 * clock + start + 3
    truth = TrackTruth(
        camera_rate=Fraction(18),
        ahead_frames=AHEAD,
        head_offset_frames=0.0,
        sample_rate=RATE,
        splices=splices,
        clap_frames=(131, 420),
        seed=seed,
        stripe_hiss_level=0.002,
        recorded_s=(0.0, (FRAMES + len(splices) * cut) / 18),
        cut_frames=cut,
        content_level=0.3 if loud else 0.22,
        knock_level=0.25 if loud else 0.35,
    )
    samples = draw_track(truth, lambda t: (t - start) * 18 / clock, start_s=0.0, samples=int(seconds * RATE))
    read = read_array(samples)
    knocks = find_knocks(read, in_samples=len(samples), sound_rate=RATE)
    return DrawnRun(
        knocks=knocks,
        recorded_s=find_recorded(read, in_samples=len(samples), sound_rate=RATE),
        splices=splices,
        start_s=start,
        clock=clock,
        seconds=seconds,
        jump_odds=find_hum_jumps(read, in_samples=len(samples), sound_rate=RATE, knocks=knocks),
    )


def knock_offset(run: DrawnRun) -> float:
    """Second at which film time 0 is heard, by correlating splices with the strength of knocks on a grid of 1 ms."""
    from scipy.signal import correlate

    heard = np.zeros(int(run.seconds * 1000) + 1)
    for knock in run.knocks:
        heard[int(knock.sound_s * 1000)] += knock.strength_db
    seen = np.zeros(FRAMES * 1000 // 18 + 1)
    for splice in run.splices:
        seen[int((splice - 0.5) / 18 * 1000)] = 1.0
    wide = np.ones(61)  # 30 ms to either side
    line = correlate(np.convolve(heard, wide, "same"), seen, mode="full", method="fft")
    return (int(np.argmax(line)) - (len(seen) - 1)) / 1000


def knock_line(run: DrawnRun) -> tuple[float, float]:
    start = knock_offset(run)
    u = (np.array(run.splices) - 0.5) / 18
    t = np.array([knock.sound_s for knock in run.knocks])
    strength = np.array([knock.strength_db for knock in run.knocks])
    picked = []
    for own in u:
        near = np.where(np.abs(t - start - own) <= 0.3, strength, -np.inf)
        picked.append(float(t[int(np.argmax(near))]))
    slope, begin = np.polyfit(u, picked, 1)
    return float(begin), float(slope)


def run_rows() -> tuple[list[dict[str, Any]], dict[str, int]]:
    """One row a run and method: laid, largest error in ms, inside the band; and how wrong sets of splices fared."""
    rows: list[dict[str, Any]] = []
    wrong = {"tried": 0, "believed": 0}
    random = random_of(4)
    n = np.arange(0.0, FRAMES, 5.0)
    for kind, (loud, cut) in RUNS.items():
        for seed in range(1, 17):
            run = draw_run(seed, loud=loud, cut=cut)
            own = {"kind": kind, "seed": seed}
            found = run.found(list(run.splices))
            row = own | {"method": "ours", "laid": not found.refusal}
            if not found.refusal:
                fixes = splice_fixes(found.heard, ahead_frames=AHEAD, rate=18.0)
                laid = solve_fixes(fixes, rate=18.0, transport=FILM_RUN, shared_sigma_s=SHARED_S)
                second, _, sigma = laid.at(n)
                off = np.abs(second - run.truly(n))
                row |= errors(off) | {"inside": bool(np.all(off <= BAND_SIGMAS * sigma))}
            rows.append(row)
            start = knock_offset(run)
            rows.append(
                own
                | {"method": "one offset", "laid": True}
                | errors(np.abs(start + (n - AHEAD) / 18 - run.truly(n)))
            )
            start, slope = knock_line(run)
            rows.append(
                own
                | {"method": "one line", "laid": True}
                | errors(np.abs(start + slope * (n - AHEAD) / 18 - run.truly(n)))
            )
            for _ in range(WRONG_SETS):
                count = int(random.integers(3, 8))
                places = np.setdiff1d(
                    random.choice(np.arange(20, FRAMES - 20), count, replace=False), run.splices
                )
                if len(places) >= 3:
                    wrong["tried"] += 1
                    wrong["believed"] += not run.found(places.tolist()).refusal
    return rows, wrong


# ------------------------------------------------------------------------------------------------------ tables


def print_wild(rows: list[dict[str, Any]]) -> None:
    print(
        "| guide: programme over noise | method | median of 95 %, ms | largest, ms | within 3 and 10 ms | inside the band |"
    )
    print("|---|---|---|---|---|---|")
    for db in GUIDE_DB:
        for method in ("ours", "one line", "one offset"):
            own = [row for row in rows if row["db"] == db and row["method"] == method]
            laid = [row for row in own if row["laid"]]
            good = sum(row["p95_ms"] <= 3 and row["max_ms"] <= 10 for row in laid)
            band = f"{sum(row['inside'] for row in laid)} of {len(laid)}" if method == "ours" else "says none"
            typical = f"{np.median([row['p95_ms'] for row in laid]):,.1f}"
            worst = f"{max(row['max_ms'] for row in laid):,.1f}"
            print(f"| {db:+.0f} dB | {method} | {typical} | {worst} | {good} of {len(own)} | {band} |")


def print_runs(rows: list[dict[str, Any]], wrong: dict[str, int]) -> None:
    print("| runs | method | laid | within 20 ms everywhere | largest where laid, ms | inside the band |")
    print("|---|---|---|---|---|---|")
    for kind in RUNS:
        for method in ("ours", "one line", "one offset"):
            own = [row for row in rows if row["kind"] == kind and row["method"] == method]
            laid = [row for row in own if row["laid"]]
            good = sum(row["max_ms"] <= 20 for row in laid)
            band = f"{sum(row['inside'] for row in laid)} of {len(laid)}" if method == "ours" else "says none"
            worst = f"{max((row['max_ms'] for row in laid), default=0.0):,.1f}"
            print(f"| {kind} | {method} | {len(laid)} of {len(own)} | {good} | {worst} | {band} |")
    print(
        f"\nSets of splices at places where none was heard: {wrong['tried']} tried, {wrong['believed']} believed."
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--tapes", type=int, default=24)
    parser.add_argument("--base", type=int, default=0, help="seed of the tapes")
    options = parser.parse_args()
    wild = wild_rows(options.tapes, options.base)
    runs, wrong = run_rows()
    if options.json:
        print(json.dumps({"wild": wild, "runs": runs, "wrong": wrong}))
        return
    print_wild(wild)
    cpu = np.median([row["cpu_s"] for row in wild if row["method"] == "ours"])
    print(f"\nOurs: {cpu:.1f} CPU seconds a tape of {TAPE_SECONDS:.0f} s (median).\n")
    print_runs(runs, wrong)


if __name__ == "__main__":
    main()

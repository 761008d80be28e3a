"""How cost and memory grow with the reel: passes of a small reel and of a long one, each a command of its own.

    python -m benchmarks.growth [FRAMES ...] [--workers N] [--folder FOLDER] [--write]

draws 300 small frames once and makes captures of 300, 3,000 and 30,000 frames of them by hard links (unless other lengths are
named), takes each through `analyse`, `treat`, `render` and `prove`, and prints CPU of all processes and the peak of memory of
the whole tree of processes. A frame's cost is what each frame more costs, from one length to the next, so that starting does
not count. With --write the table goes into docs/benchmarks.md.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import psutil

from benchmarks.page import load, machine, write_part
from smallgauge.demo import write_specimen
from smallgauge.picture.synthetic import SceneTruth, specimen_truth

DRAWN = 300
SIZE = (256, 192)
STEPS = ("analyse", "treat", "render", "prove")
REEL = "0004171-R01-3"
# The line as far as the treatment: what was analysed is looked at again (every file hashed), and proposals are made.
TREAT = """
import sys
from pathlib import Path
from smallgauge.line import Settings, finish
finish(Path(sys.argv[1]), Path(sys.argv[2]), Settings(at="2026-01-17T10:00:00Z", workers=1, last_step="treat"))
"""
GROWTH, MEMORY, TREAT_S = 0.05, 1.1, 20.0


@dataclass(frozen=True, slots=True)
class Cost:
    """CPU seconds, wall seconds, and the peak of memory in bytes (proportional share, all processes)."""

    cpu: float
    wall: float
    peak: int


def draw(folder: Path) -> Path:
    """The small reel: silent, four scenes."""
    capture = folder / "drawn"
    if not (folder / "drawn.done").exists():
        kinds = ("garden", "sea", "birthday", "road")
        scenes = tuple(SceneTruth(kind=kind, first=75 * n, stop=75 * (n + 1)) for n, kind in enumerate(kinds))
        truth = specimen_truth(
            "super 8", width=SIZE[0], height=SIZE[1], frames=DRAWN, bits=10, code_values="log", fast_noise=True, scenes=scenes
        )  # fmt: skip
        write_specimen(capture, truth, format="dpx", sound=False, reel=REEL, processes=1)
        (folder / "drawn.done").touch()
    return capture


def lengthen(drawn: Path, target: Path, frames: int) -> Path:
    """A capture of as many frames by hard links, the drawn ones over and over."""
    if not (target / "capture.toml").is_file():
        target.mkdir(parents=True, exist_ok=True)
        for number in range(frames):
            (target / f"frame_{number:06d}.dpx").hardlink_to(drawn / f"frame_{number % DRAWN:06d}.dpx")
        (target / "frames.csv").write_text(
            "frame,time_s\n" + "".join(f"{n},{n / 18:.6f}\n" for n in range(frames)), encoding="utf-8"
        )
        words = (drawn / "capture.toml").read_text(encoding="utf-8")
        (target / "capture.toml").write_text(words + 'dirt = "leave"\n', encoding="utf-8")
    return target


def tree_memory(process: psutil.Process) -> int:
    """Memory of a process and all below it, pages shared with others by share."""
    total = 0
    for each in [process, *process.children(recursive=True)]:
        try:
            total += each.memory_full_info().pss
        except psutil.Error:
            continue
    return total


def run(arguments: list[str]) -> Cost:
    """A command of the program, measured."""
    return measured([sys.executable, "-m", "smallgauge", *arguments, "--quiet"])


def measured(words: list[str]) -> Cost:
    """Any command, measured."""
    before, begin, peak = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter(), [0]
    command = subprocess.Popen(words, stdout=subprocess.DEVNULL)
    ended = threading.Event()

    def watch() -> None:
        while not ended.wait(0.25):
            try:
                peak[0] = max(peak[0], tree_memory(psutil.Process(command.pid)))
            except psutil.Error:
                return

    watcher = threading.Thread(target=watch)
    watcher.start()
    code = command.wait()
    ended.set()
    watcher.join()
    if code:
        raise SystemExit(f"{' '.join(words)} ended with {code}.")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Cost(cpu, time.perf_counter() - begin, peak[0])


def passes(folder: Path, capture: Path, workers: int) -> dict[str, Cost]:
    """Each pass of one reel."""
    with tempfile.TemporaryDirectory(dir=folder) as shelf:
        found = {}
        many = ["--workers", str(workers)]
        commands = {
            "analyse": ["-m", "smallgauge", "analyse", str(capture), "--out", shelf, *many, "--quiet"],
            "treat": ["-c", TREAT, str(capture), shelf],
            "render": ["-m", "smallgauge", "render", str(capture), "--out", shelf, *many, "--quiet"],
            "prove": ["-m", "smallgauge", "prove", str(Path(shelf) / REEL), *many, "--quiet"],
        }
        for step in STEPS:
            found[step] = measured([sys.executable, *commands[step]])
            print(
                f"{capture.name}: {step} {found[step].cpu:.1f} s CPU, {found[step].peak / 1e6:.0f} MB",
                flush=True,
            )
        return found


def table(found: dict[int, dict[str, Cost]], workers: int, begun: float) -> str:
    """The part of the page."""
    lengths = sorted(found)
    lines = [
        "## Growth with the length of the reel",
        "",
        f"`python -m benchmarks.growth {' '.join(map(str, lengths))} --workers {workers}`: frames of {SIZE[0]} x {SIZE[1]}, each "
        f"pass a command of its own. {machine()}. Load {begun:.1f} at the start, {load():.1f} at the end. *A frame more*: CPU ms "
        "that each frame beyond the length before costs.",
        "",
        "| pass | " + " | ".join(f"{n:,} frames: CPU s, peak MB" for n in lengths) + " | "
        + " | ".join(f"a frame more, {a:,} to {b:,}" for a, b in pairwise(lengths)) + " |",
        "| --- |" + " --- |" * (2 * len(lengths) - 1),
    ]  # fmt: skip
    for step in STEPS:
        costs = [found[n][step] for n in lengths]
        cells = [f"{cost.cpu:.1f}, {cost.peak / 1e6:.0f}" for cost in costs]
        more = [
            1000 * (b.cpu - a.cpu) / (m - n)
            for (n, a), (m, b) in pairwise(list(zip(lengths, costs, strict=True)))
        ]
        lines.append(f"| {step} | " + " | ".join([*cells, *(f"{each:.2f}" for each in more)]) + " |")
    first, last = found[lengths[0]], found[lengths[-1]]
    whole = [sum(found[n][step].cpu for step in STEPS) for n in lengths]
    more = [1000 * (b - a) / (m - n) for (n, a), (m, b) in pairwise(list(zip(lengths, whole, strict=True)))]
    memory = max(last[step].peak for step in STEPS) / max(first[step].peak for step in STEPS)
    growth = more[-1] / more[0] - 1 if len(more) > 1 else float("nan")
    told = f"grows by {100 * growth:+.1f} % (limit 5)" if len(more) > 1 else "needs three lengths to be told"
    lines += [
        "",
        f"Memory of the longest over the shortest: {memory:.2f} (limit {MEMORY}). A frame's cost in all passes {told}. Treatment "
        f"of {lengths[-1]:,} frames: {last['treat'].cpu:.1f} s CPU, with the program's start and the analysis looked at again "
        f"(limit {TREAT_S:.0f} for 30,000).",
    ]
    return "\n".join(lines)


def main() -> None:
    """Draw, run, print."""
    words = argparse.ArgumentParser(prog="python -m benchmarks.growth")
    words.add_argument("frames", type=int, nargs="*", default=[300, 3000, 30000])
    words.add_argument("--workers", type=int, default=min(2, os.cpu_count() or 1))
    words.add_argument("--folder", type=Path)
    words.add_argument("--write", action="store_true")
    asked = words.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        drawn, begun = draw(folder), load()
        passes(folder, lengthen(drawn, folder / "frames-20", 20), asked.workers)  # kernels are compiled once
        found = {
            n: passes(folder, lengthen(drawn, folder / f"frames-{n}", n), asked.workers) for n in asked.frames
        }
    text = table(found, asked.workers, begun)
    print(text)
    if asked.write:
        write_part("growth", text)


if __name__ == "__main__":
    main()

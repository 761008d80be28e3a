"""Two workers against one, and a cluster of two: wall clock and digests of the same reel.

    python -m benchmarks.workers [--frames 400] [--apart] [--folder FOLDER] [--write]

A 2048 x 1536 reel in 16 bits, DPX, through `finish` with one worker, with two, and with two worker processes of a Dask cluster
on this computer. Wall clock says something only on a machine that does nothing else: at a load of 0.3 or more it is not measured,
and that is said. Beside them stands what the machine itself gives: two processes that only encode and decode frames of the reel,
at the same time, against one; where two processors are halves of one core, that is less than 2. With --apart the three run at the
same time, each bound to two processor cores of its own, on a machine of eight or more. With --write the table goes into
docs/benchmarks.md.
"""

import argparse
import contextlib
import multiprocessing
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from pathlib import Path
from typing import Any

from distributed import Client

from benchmarks.growth import Cost, run
from benchmarks.page import load, machine, write_part
from benchmarks.passes import REEL, draw
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.media.picture_out import create_lossless
from smallgauge.media.whole import digest_file

QUIET = 0.3
CODED = 24  # frames that are only encoded and decoded
LIMITS = {"two workers": 1.85, "cluster of two": 1.8}
PEAK = 2 * 1024**3
PORT = "18788"
# What docs/cluster.md asks for on each computer that works.
WORKS_WITH = {
    "DASK_DISTRIBUTED__WORKER__MEMORY__SPILL": "false",
    "DASK_DISTRIBUTED__WORKER__MEMORY__TARGET": "false",
    "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "false",
    "MALLOC_ARENA_MAX": "1",
}
FILES = ("archive.mkv", "finished.mkv", "viewing.mp4", "television.mp4", "frames.parquet", "render.parquet")


@contextlib.contextmanager
def cluster(folder: Path) -> Iterator[str]:
    """A scheduler and two workers on this computer; gives the address."""
    address = f"tcp://127.0.0.1:{PORT}"
    commands = (
        ["scheduler", "--host", "127.0.0.1", "--port", PORT, "--no-dashboard"],
        [
            "worker",
            address,
            "--nworkers",
            "2",
            "--nthreads",
            "1",
            "--no-dashboard",
            "--local-directory",
            str(folder / "dask"),
        ],
    )
    with (folder / "dask.txt").open("w") as told:
        started = [
            subprocess.Popen(
                [sys.executable, "-m", "dask", *words],
                stdout=told,
                stderr=told,
                env={**os.environ, **WORKS_WITH},
            )
            for words in commands
        ]
    try:
        with Client(address, timeout=60, set_as_default=False) as client:
            client.wait_for_workers(2, timeout=60)  # they are there before the clock runs
        yield address
    finally:
        for process in reversed(started):
            process.terminate()
            process.wait(30)


def bound(cores: set[int]) -> None:
    """Bind this thread, and what it starts, to some cores."""
    if cores:
        os.sched_setaffinity(0, cores)


def finished(folder: Path, capture: Path, name: str, arguments: list[str]) -> tuple[Cost, list[str]]:
    """One run, and the digests of what it made."""
    shelf = folder / name
    cost = run(["finish", str(capture), "--out", str(shelf), *arguments])
    made = [digest_file(shelf / REEL / file) for file in FILES]
    shutil.rmtree(shelf)  # each begins with as much room, and as much of the reel in memory
    return cost, made


def code(capture: Path, place: Path, together: Any, told: Any) -> None:
    """Frames of the reel encoded as FFV1 and decoded again, once all are ready to begin; tells the seconds."""
    listing = list_capture(capture)
    with open_picture(listing) as reader:
        pictures = [reader.read(number).samples for number in range(min(CODED, listing.count))]
    encoding = listing.encoding
    writer = create_lossless(
        place, width=listing.width, height=listing.height, bits=encoding.bits, layout=encoding.layout, rate=Fraction(18)
    )  # fmt: skip
    together.wait()
    begin = time.perf_counter()
    with writer:
        for samples in pictures:
            writer.write(samples)
    made = list_capture(place)
    with open_picture(made) as reader:
        for _ in reader.decoded(0, made.count):
            pass
    told.put(time.perf_counter() - begin)
    place.unlink()


def machine_gain(folder: Path, capture: Path) -> float:
    """How much more two such processes get done at the same time than one."""
    context, took = multiprocessing.get_context("spawn"), []
    for count in (1, 2):
        together, told = context.Barrier(count), context.Queue()
        processes = [
            context.Process(target=code, args=(capture, folder / f"coded-{n}.mkv", together, told))
            for n in range(count)
        ]
        for process in processes:
            process.start()
        took.append(max(told.get() for _ in processes))
        for process in processes:
            process.join()
    return 2 * took[0] / took[1]


def main() -> None:
    """Draw, run, print."""
    words = argparse.ArgumentParser(prog="python -m benchmarks.workers")
    words.add_argument("--frames", type=int, default=400)
    words.add_argument("--apart", action="store_true")
    words.add_argument("--folder", type=Path)
    words.add_argument("--write", action="store_true")
    asked = words.parse_args()
    lines = ["## Two workers, and a cluster of two", ""]
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        if asked.apart and len(os.sched_getaffinity(0)) < 8:
            raise SystemExit(
                "--apart needs eight cores: two for each run, and two for what else the machine does."
            )
        begun = load()
        if begun >= QUIET:
            lines.append(
                f"Not measured: load {begun:.2f} at the start (`python -m benchmarks.workers` needs less than {QUIET})."
            )
        else:
            lines += measured(folder, draw(folder, asked.frames, 16), asked.frames, begun, apart=asked.apart)
    text = "\n".join(lines)
    print(text)
    if asked.write:
        write_part("workers", text)


def measured(folder: Path, capture: Path, frames: int, begun: float, *, apart: bool) -> list[str]:
    """The table's lines."""
    runs = {"one worker": ["--workers", "1"], "two workers": ["--workers", "2"], "cluster of two": []}

    def one(name: str, cores: set[int]) -> tuple[Cost, list[str]]:
        bound(cores)
        place = name.replace(" ", "-")
        if runs[name]:
            return finished(folder, capture, place, runs[name])
        with cluster(folder) as address:
            return finished(folder, capture, place, ["--cluster", address])

    if apart:
        mine = sorted(os.sched_getaffinity(0))
        with ThreadPoolExecutor(len(runs)) as threads:
            asked = {
                name: threads.submit(one, name, set(mine[2 * n : 2 * n + 2])) for n, name in enumerate(runs)
            }
            found = {name: each.result() for name, each in asked.items()}
    else:
        found = {name: one(name, set()) for name in runs}
    alone, digests = found["one worker"]
    how = ", each on two cores of its own at the same time" if apart else ""
    lines = [
        f"`python -m benchmarks.workers --frames {frames}{' --apart' if apart else ''}`: {frames} frames of 2048 x 1536 "
        f"in 16 bits, from DPX to the package{how}. {machine()}. Load {begun:.2f} at the start.",
        "",
        "| who works | wall s | times one worker | limit | peak of memory, MB | the same digests |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for name, (cost, made) in found.items():
        limit = LIMITS.get(name)
        times = alone.wall / cost.wall
        met = "" if limit is None else f"{limit}: {'met' if times >= limit else '**not met**'}"
        peak = "(its workers are no children)" if name.startswith("cluster") else f"{cost.peak / 1e6:.0f}"
        lines.append(
            f"| {name} | {cost.wall:.0f} | {times:.2f} | {met} | {peak} | {'yes' if made == digests else '**no**'} |"
        )
    peak = found["two workers"][0].peak
    gain = machine_gain(folder, capture)
    lines += [
        "",
        f"Two processes that only encode and decode {CODED} of these frames, at the same time, get {gain:.2f} times as much done "
        "as one.",
        f"Two workers need {peak / 1024**3:.2f} GiB at most (limit 2: {'met' if peak < PEAK else '**not met**'}).",
    ]
    return lines


if __name__ == "__main__":
    main()

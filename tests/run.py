"""`make test`: every check and every test, slice by slice, each within its allowance of processor time.

    python tests/run.py            all of it
    python tests/run.py --quick    without the static checks; for a second look at failing tests

Runs ruff, mypy, the compiling of the kernels and a first collection of the tests beside each other, then pytest
once, in one process more than there are processors (at most four), a file of tests to a process.
`tests/budget.toml` says which slice a test counts to and how many user seconds the slice may use. Exits 1 if a
check or a test fails, a slice is over its share, or pytest breaks off. The last line counts, with the checks and
the slices over their allowance in it.
"""

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

import psutil

ROOT = Path(__file__).resolve().parent.parent
MOST_PROCESSES = 4
ROOM = 10 << 30  # bytes that must be free in memory to work there: the tests leave some 4 GB lying

_WARM = """
import doctest
import importlib
from smallgauge.crew import prepare_kernels

prepare_kernels()  # kept where the program looks for them, and the tests too (tests/conftest.py)
for name in (
    "smallgauge.picture.kernels",
    "smallgauge.picture.kernels_proof",
    "smallgauge.picture.kernels_dirt",
    "smallgauge.picture.kernels_edges",
    "smallgauge.picture.kernels_focus",
    "smallgauge.picture.kernels_follow",
    "smallgauge.picture.kernels_gate",
    "smallgauge.picture.kernels_pairs",
    "smallgauge.picture.kernels_light",
    "smallgauge.picture.kernels_scratches",
    "smallgauge.picture.kernels_standing",
    "smallgauge.picture.kernels_votes",
    "smallgauge.media.kernels_planes",
):
    importlib.import_module(name).warm()
    print(name, "compiled")
for name in (  # whose examples run loops that nothing above does
    "smallgauge.picture.exposure",
    "smallgauge.picture.repetition",
    "smallgauge.picture.splice_evidence",
    "smallgauge.picture.kernels_look",
    "smallgauge.sound.speed",
):
    assert doctest.testmod(importlib.import_module(name)).failed == 0
    print(name, "run")
"""

COMMANDS = {  # in the order in which they are started: the longest first
    "kernels": ["-c", _WARM],
    "mypy": ["-m", "mypy"],
    # What pytest makes of the test files is kept, for every process of it: each would make the same at the same time.
    "collection": [
        "-m",
        "pytest",
        "--collect-only",
        "-p",
        "no:terminal",
        "-p",
        "no:benchmark",
        "-o",
        "addopts=",
    ],
    "ruff check": ["-m", "ruff", "check", "."],
    "ruff format": ["-m", "ruff", "format", "--check", "."],
}
STATIC = ("ruff check", "ruff format", "mypy")


@dataclass
class Slice:
    """One part of the run: what counts to it, what it may use, what it used."""

    name: str
    user_s: float
    commands: list[str] = field(default_factory=list)
    tests: list[str] = field(default_factory=list)
    rest: bool = False
    used_s: float = 0.0
    passed: int = 0
    failed: int = 0
    skipped: int = 0

    def claims(self, nodeid: str) -> bool:
        """Whether a test belongs here by its path."""
        path = nodeid.split("::")[0]
        return any(path == each or path.startswith(each.rstrip("/") + "/") for each in self.tests)


def processors() -> int:
    """Processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def read_slices() -> list[Slice]:
    """The slices of tests/budget.toml; exactly one must take the rest."""
    text = (ROOT / "tests" / "budget.toml").read_text(encoding="utf-8")
    slices = [Slice(**each) for each in tomllib.loads(text)["slice"]]
    if sum(each.rest for each in slices) != 1:
        sys.exit("tests/budget.toml: exactly one slice must say `rest = true`.")
    return slices


def without_waiting() -> dict[str, str]:
    """What of the environment makes the same tests wait less.

    The program flushes every file that it writes, on purpose; in a file system in memory that costs nothing. Commands are
    started by the hundred: what one of them has compiled (of the program itself) the next one finds.
    """
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    memory = Path("/dev/shm")
    roomy = memory.is_dir() and shutil.disk_usage(memory).free > ROOM
    if (
        "TMPDIR" not in environment
        and roomy
        and os.access(memory, os.W_OK)
        and psutil.virtual_memory().available > 2 * ROOM
    ):
        folder = tempfile.mkdtemp(prefix="smallgauge-tests-", dir=memory)
        Path(folder).chmod(0o711)  # a database server that runs as another user has its folder in it
        environment["TMPDIR"] = folder
    return environment


def run(
    arguments: list[str], environment: dict[str, str], output: IO[bytes] | None = None
) -> tuple[int, float]:
    """Run Python with arguments in the repository: exit code, user seconds with those of its children."""
    with subprocess.Popen(
        [sys.executable, *arguments],
        cwd=ROOT,
        env=environment,
        stdout=output,
        stderr=None if output is None else subprocess.STDOUT,
    ) as process:
        if not hasattr(os, "wait4"):
            return process.wait(), 0.0
        _, status, used = os.wait4(process.pid, 0)  # of this one alone, whatever runs beside it
        process.returncode = os.waitstatus_to_exitcode(status)
        return process.returncode, used.ru_utime


def run_commands(slices: list[Slice], environment: dict[str, str], *, quick: bool) -> None:
    """The checks that are no tests, beside each other: each uses one processor. What one says is shown when it has ended."""

    def run_one(name: str) -> tuple[int, float, str]:
        with tempfile.TemporaryFile() as said:
            code, used_s = run(COMMANDS[name], environment, said)
            said.seek(0)
            return code, used_s, said.read().decode("utf-8", "replace")

    wanted = [(part, name) for part in slices for name in part.commands if not (quick and name in STATIC)]
    wanted.sort(key=lambda each: list(COMMANDS).index(each[1]))
    with ThreadPoolExecutor(processors()) as pool:
        running = {pool.submit(run_one, name): (part, name) for part, name in wanted}
        for done in as_completed(running):
            part, name = running[done]
            code, used_s, said = done.result()
            part.used_s += used_s
            part.passed += code == 0
            part.failed += code != 0
            print(f"== {name}{' FAILED' if code else ''}\n{said}", end="", flush=True)


def run_tests(slices: list[Slice], environment: dict[str, str], arguments: list[str]) -> bool:
    """All tests in one run of pytest; False if it broke off before it had reported."""
    # One more than there are processors: browsers, servers and waits leave them idle now and then.
    processes = min(MOST_PROCESSES, processors() + 1)
    rest = next(each for each in slices if each.rest)
    with tempfile.TemporaryDirectory() as folder:
        times = Path(folder) / "times.json"
        spread = ["-n", str(processes), "--dist", "loadfile"] if processes > 1 else []
        print(f"== pytest, {processes} processes", flush=True)
        code, used_s = run(
            ["-m", "pytest", "-q", "-p", "no:benchmark", *spread, *arguments],
            environment | {"SMALLGAUGE_TEST_TIMES": str(times)},
        )
        tests = json.loads(times.read_text(encoding="utf-8")) if times.is_file() else {}
    for nodeid, test in tests.items():
        part = next((each for each in slices if each.claims(nodeid)), rest)
        part.used_s += test["user_s"]
        part.passed += test["outcome"] == "passed"
        part.failed += test["outcome"] == "failed"
        part.skipped += test["outcome"] == "skipped"
    # Starting, importing and collecting belong to no test; the slice that takes the rest takes them too.
    rest.used_s += max(0.0, used_s - sum(test["user_s"] for test in tests.values()))
    counted = any(test["outcome"] == "failed" for test in tests.values())
    return bool(tests) and (code == 0 or (code == 1 and counted))


def print_table(slices: list[Slice]) -> int:
    """Slice, user seconds used and allowed; the number of slices over their allowance."""
    over = 0
    print(f"\n{'slice':<32}{'used s':>9}{'allowed s':>11}{'passed':>9}{'failed':>9}{'skipped':>9}")
    for each in slices:
        too_much = each.used_s > each.user_s
        over += too_much
        figures = f"{each.used_s:>9.1f}{each.user_s:>11.0f}{each.passed:>9}{each.failed:>9}{each.skipped:>9}"
        print(f"{each.name:<32}{figures}{'  OVER ITS ALLOWANCE' if too_much else ''}")
    return over


def main() -> int:
    """Run everything; the exit code."""
    parser = argparse.ArgumentParser(description="Run every check and every test within its allowance.")
    parser.add_argument("--quick", action="store_true", help="leave out ruff and mypy")
    options, arguments = parser.parse_known_args()  # what is left goes to pytest
    began = time.monotonic()
    slices = read_slices()
    # One thread a process: the processes already use every processor, and user time stays comparable.
    threads = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"), "1")
    environment = threads | without_waiting() | {"PYTHONUNBUFFERED": "1"}
    try:
        run_commands(slices, environment, quick=options.quick)
        whole = run_tests(slices, environment, arguments)
    finally:
        if "TMPDIR" not in os.environ and "TMPDIR" in environment:
            shutil.rmtree(environment["TMPDIR"], ignore_errors=True)
    over = print_table(slices)
    passed = sum(each.passed for each in slices)
    failed = sum(each.failed for each in slices) + over + (not whole)
    skipped = sum(each.skipped for each in slices)
    if not whole:
        print("pytest broke off, or ran no test: see above")
    if over:
        print(f"{over} slices are over their allowance: see tests/budget.toml")
    print(f"{time.monotonic() - began:.0f} s in all, {skipped} tests skipped (their reasons stand above)")
    print(f"{passed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())

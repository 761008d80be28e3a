"""What every test shares: specimens, settings of the property tests, the count of processor time."""

import gc
import json
import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings

from smallgauge.crew import prepare_kernels

ROOT = Path(__file__).resolve().parent.parent
SPECIMENS = ROOT.parent / "shared" / "specimens"

# Compiled code is kept in one place, that of the program: what a command compiles no test compiles again.
prepare_kernels()

# Nothing of what is loaded and collected is garbage: the collector of garbage is not asked again and again before the end of that.
gc.disable()

# The same examples on every run: a test that fails once fails again.
settings.register_profile("house", derandomize=True, database=None, deadline=None)
settings.load_profile("house")


@pytest.fixture(scope="session")
def specimens() -> Path:
    """The folder of captures from an independent renderer, which is not part of the repository."""
    if not SPECIMENS.is_dir():
        pytest.skip("left out: the specimens are not at ../shared/specimens")
    return SPECIMENS


@pytest.fixture(scope="session")
def made_once(tmp_path_factory) -> Callable[[str, Callable[[Path], object]], Path]:
    """Gives the folder `name` that one worker of this run makes and all others find: making it costs more than its tests.

    Nobody changes what lies there; a test that would copies it first.
    """
    base = tmp_path_factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        base = base.parent  # that of all workers

    def get(name: str, make: Callable[[Path], object]) -> Path:
        place, made, failed = base / name, base / f"{name}-made", base / f"{name}-failed"
        try:
            place.mkdir()
        except FileExistsError:
            until = time.monotonic() + 600
            while not made.exists():
                assert not failed.exists(), f"another worker could not make {name!r}"
                assert time.monotonic() < until, f"another worker began to make {name!r}, and did not end"
                time.sleep(0.2)
            return place
        try:
            make(place)
        except BaseException:
            failed.touch()
            raise
        made.touch()
        return place

    return get


def user_seconds() -> float:
    """User time of this process and of its children that have ended."""
    times = os.times()
    return times.user + times.children_user


class ProcessorTime:
    """Writes outcome and user time of each test to the file that tests/run.py names.

    Each phase of a test carries the time since the phase before it on its report, so that it also reaches
    the first process when tests run in several.
    """

    def __init__(self, path: str | None) -> None:
        self.path = path
        self.mark = user_seconds()
        self.tests: dict[str, dict[str, object]] = {}

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_protocol(self, item, nextitem):
        self.mark = user_seconds()
        return (yield)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_makereport(self, item, call):
        report = yield
        now = user_seconds()
        report.user_s = now - self.mark
        self.mark = now
        return report

    def pytest_runtest_logreport(self, report):
        test = self.tests.setdefault(report.nodeid, {"user_s": 0.0, "outcome": "passed"})
        test["user_s"] += getattr(report, "user_s", 0.0)
        if report.failed or (report.skipped and test["outcome"] == "passed"):
            test["outcome"] = report.outcome

    def pytest_sessionfinish(self):
        if self.path:
            Path(self.path).write_text(json.dumps(self.tests), encoding="utf-8")


def pytest_collection_finish():
    """What was loaded and collected stays to the end: the collector of garbage need not walk through it again and again."""
    gc.collect()
    gc.freeze()
    gc.enable()


def pytest_configure(config):
    worker = hasattr(config, "workerinput")
    path = None if worker else os.environ.get("SMALLGAUGE_TEST_TIMES")
    config.pluginmanager.register(ProcessorTime(path), "processor-time")

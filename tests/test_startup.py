"""Help comes at once: nothing heavy is imported before a command needs it."""

import os
import statistics
import subprocess
import sys
from importlib.util import find_spec

import pytest

HEAVY = (
    "numpy",
    "numba",
    "scipy",
    "cv2",
    "polars",
    "av",
    "imagecodecs",
    "tifffile",
    "OpenImageIO",
    "sqlalchemy",
    "alembic",
)
ALLOWED_USER_S = 0.25  # the limit of the task: start-up under 0.25 s
RUNS = 5

pytestmark = pytest.mark.skipif(
    find_spec("smallgauge.cli") is None, reason="smallgauge/cli.py is not written yet"
)


def run_python(*arguments: str) -> subprocess.CompletedProcess:
    return subprocess.run(
        [sys.executable, *arguments], capture_output=True, encoding="utf-8", check=True, env=dict(os.environ)
    )


def test_help_starts_within_a_quarter_of_a_second():
    run_python("-m", "smallgauge", "--help")  # compiles what is not compiled yet
    used = []
    for _ in range(RUNS):
        before = os.times().children_user
        shown = run_python("-m", "smallgauge", "--help")
        used.append(os.times().children_user - before)
        assert "finish" in shown.stdout
    assert statistics.median(used) < ALLOWED_USER_S, f"user time of {RUNS} starts: {used}"


def test_the_command_line_imports_nothing_heavy():
    code = f"import smallgauge.cli, sys; print([name for name in {HEAVY!r} if name in sys.modules])"
    assert run_python("-c", code).stdout.strip() == "[]"


def test_reading_a_treatment_loads_no_compiler_and_no_image_library():
    code = (
        "import sys, smallgauge.record.treatment\n"
        "print([name for name in ('numba', 'scipy', 'cv2') if name in sys.modules])"
    )
    assert run_python("-c", code).stdout.strip() == "[]"

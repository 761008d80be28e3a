"""The runner of `make test` counts right and can fail: a slice over its allowance, a run that breaks off."""

import importlib.util
import json
import os
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

TESTS = Path(__file__).resolve().parent
spec = importlib.util.spec_from_file_location("smallgauge_test_run", TESTS / "run.py")
run = importlib.util.module_from_spec(spec)
sys.modules[spec.name] = run  # dataclasses look their module up
spec.loader.exec_module(run)


def slices():
    return [
        run.Slice(name="house", user_s=10, commands=["ruff check"], tests=["tests/test_docs.py"]),
        run.Slice(name="units", user_s=10, tests=["tests/gauge"], rest=True),
    ]


def finish(monkeypatch, parts, tests, code, whole_s):
    """Pretend that pytest ended with a code and wrote these tests; whether the run counts as whole."""

    def pretend(arguments, environment):
        if tests is not None:
            Path(environment["SMALLGAUGE_TEST_TIMES"]).write_text(json.dumps(tests), encoding="utf-8")
        return code, whole_s

    monkeypatch.setattr(run, "run", pretend)
    return run.run_tests(parts, {}, [])


def test_tests_count_to_their_slice(monkeypatch, capsys):
    parts = slices()
    tests = {
        "tests/test_docs.py::test_a": {"user_s": 2.0, "outcome": "passed"},
        "tests/gauge/test_rates.py::test_b[1]": {"user_s": 3.0, "outcome": "failed"},
        "tests/new/test_new.py::test_c": {"user_s": 1.0, "outcome": "skipped"},
    }
    assert finish(monkeypatch, parts, tests, 1, 8.0)
    house, units = parts
    assert (house.used_s, house.passed, house.failed, house.skipped) == (2.0, 1, 0, 0)
    assert (units.used_s, units.passed, units.failed, units.skipped) == (
        6.0,
        0,
        1,
        1,
    )  # 2 s belong to no test
    assert run.print_table(parts) == 0


def test_a_slice_over_its_allowance_is_counted(monkeypatch, capsys):
    parts = slices()
    assert finish(
        monkeypatch, parts, {"tests/test_docs.py::t": {"user_s": 10.1, "outcome": "passed"}}, 0, 10.1
    )
    assert run.print_table(parts) == 1
    assert "OVER ITS ALLOWANCE" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("tests", "code"),
    [
        (None, 3),  # pytest died
        ({}, 5),  # no test was found
        (
            {"tests/a.py::t": {"user_s": 0.1, "outcome": "passed"}},
            2,
        ),  # interrupted, or a file could not be read
        ({"tests/a.py::t": {"user_s": 0.1, "outcome": "passed"}}, 1),  # failed, but no test says so
    ],
)
def test_a_run_that_breaks_off_is_no_run(monkeypatch, tests, code, capsys):
    assert not finish(monkeypatch, slices(), tests, code, 1.0)


def test_a_failed_check_is_counted(monkeypatch, capsys):
    parts = slices()
    monkeypatch.setattr(run, "run", lambda arguments, environment, output: (1, 0.5))
    run.run_commands(parts, {}, quick=False)
    assert (parts[0].failed, parts[0].used_s) == (1, 0.5)


def test_what_runs_beside_is_not_counted_to_a_command():
    busy = "import os\nwhile os.times().user < 0.4: pass"
    with ThreadPoolExecutor(2) as pool:
        idle = pool.submit(run.run, ["-c", "import time; time.sleep(0.6)"], dict(os.environ))
        code, used_s = pool.submit(run.run, ["-c", busy], dict(os.environ)).result()
        # The command reads its time in ticks of a hundredth of a second, the kernel ours in microseconds.
        assert code == 0 and used_s > 0.35
        assert idle.result()[1] < 0.3


def test_the_budget_can_be_read():
    parts = run.read_slices()
    assert all(name in run.COMMANDS for part in parts for name in part.commands)
    assert len({part.name for part in parts}) == len(parts)

"""The examples in the docstrings of every module of the package, found by walking it."""

import doctest
import importlib
from pathlib import Path

import numpy as np
import pytest

import smallgauge

ROOT = Path(smallgauge.__file__).parent
MODULES = sorted(
    ".".join(("smallgauge", *path.relative_to(ROOT).with_suffix("").parts)).removesuffix(".__init__")
    for path in ROOT.rglob("*.py")
    if path.name != "__main__.py"
    and "migrations" not in path.parts  # a migration runs only when it is called
)


@pytest.mark.parametrize("name", MODULES)
def test_examples(name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # an example that writes a file writes it here
    with np.printoptions(
        legacy=False
    ):  # a library of the tests sets another way of printing when it is imported
        result = doctest.testmod(importlib.import_module(name), raise_on_error=False)
    assert result.failed == 0, (
        f"{result.failed} of {result.attempted} examples of {name} fail (printed above)"
    )


def test_the_walk_finds_the_rooms():
    for name in ("smallgauge.gauge.gauges", "smallgauge.errors", "smallgauge.record.flags"):
        assert name in MODULES

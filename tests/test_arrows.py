"""Rooms import one way only: the contracts of pyproject.toml, and that they do catch a breach."""

import ast
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

ARROWS = "The arrows run one way"
ARRAYS = "Gauge, picture and sound know arrays only"
FFMPEG = "Only media knows FFmpeg"
TREAT = "Treat opens no picture or sound file"

# Breaches: the file to add a line to, the line, and the contract that must catch it.
BREACHES = [
    ("prove/__init__.py", "import smallgauge.render", ARROWS),
    ("picture/__init__.py", "import smallgauge.record", ARROWS),
    ("picture/__init__.py", "import smallgauge.sound", ARROWS),
    ("errors.py", "import smallgauge.sources", ARROWS),
    ("gauge/__init__.py", "import pathlib", ARRAYS),
    ("analyse/__init__.py", "import av", FFMPEG),
    ("treat/__init__.py", "import smallgauge.media.picture_in", TREAT),
]


def lint_imports(folder: Path) -> subprocess.CompletedProcess:
    """Run import-linter in a folder that holds pyproject.toml and the package."""
    code = "from importlinter.cli import lint_imports_command as run; run(['--no-cache'])"
    return subprocess.run(
        [sys.executable, "-c", code],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        encoding="utf-8",
        check=False,
    )


def test_the_arrows_run_one_way():
    ran = lint_imports(ROOT)
    assert ran.returncode == 0, ran.stdout + ran.stderr


@pytest.mark.parametrize(("name", "line", "contract"), BREACHES)
def test_a_breach_is_caught(name, line, contract, tmp_path):
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    shutil.copytree(
        ROOT / "smallgauge", tmp_path / "smallgauge", ignore=shutil.ignore_patterns("__pycache__")
    )
    path = tmp_path / "smallgauge" / name
    path.write_text(path.read_text(encoding="utf-8") + f"\n{line}\n", encoding="utf-8")
    ran = lint_imports(tmp_path)
    assert ran.returncode == 1 and f"{contract} BROKEN" in ran.stdout, ran.stdout + ran.stderr


def test_rooms_hold_a_docstring_and_nothing_else():
    for path in sorted((ROOT / "smallgauge").glob("*/__init__.py")):
        body = ast.parse(path.read_text(encoding="utf-8")).body
        assert len(body) == 1 and isinstance(body[0], ast.Expr), f"{path.parent.name}/__init__.py does more"

"""Each pass calls its own verbs of `picture` and `sound`, and no others."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import smallgauge

ROOT = Path(smallgauge.__file__).parent
VERBS = {"find", "measure", "propose", "solve", "apply", "compose", "draw"}
SUBJECTS = ("smallgauge.picture", "smallgauge.sound")
PASSES = {"analyse", "treat", "render", "prove"}


def allowed_in(path: str) -> set[str]:
    """The verbs that a file of a pass may import; `path` is relative to the package, with slashes."""
    if path in (
        "render/plan.py",
        "render/plan_colour.py",
        "render/plan_flicker.py",
        "render/plan_sound.py",
        "render/plan_repairs.py",
        "render/plan_dirt.py",
        "render/plan_stills.py",
    ):
        return {"solve", "compose"}
    return {
        "analyse": {"find", "measure"},
        "treat": {"propose"},
        "render": {"apply"},
        "prove": {"find", "measure"},
    }[path.split("/")[0]]


def breaches(path: str, text: str) -> Iterator[str]:
    """Every import of a file that breaks the rule."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith(SUBJECTS):
            if node.module in SUBJECTS:  # a whole module, whose verbs could not be seen
                yield f"{path}: import the names of {node.names[0].name}.py, not the module"
            for name in node.names:
                verb = name.name.split("_")[0]
                if verb in VERBS - allowed_in(path):
                    yield f"{path}: {name.name}"
        elif isinstance(node, ast.Import):
            for name in node.names:
                if name.name.startswith(SUBJECTS):
                    yield f"{path}: import the names of {name.name}, not the module"


def test_each_pass_keeps_to_its_verbs():
    wrong = []
    for room in sorted(PASSES):
        paths = sorted((ROOT / room).glob("**/*.py"))
        assert paths, f"no file in {room}: the layout has moved"
        for path in paths:
            wrong += breaches(path.relative_to(ROOT).as_posix(), path.read_text(encoding="utf-8"))
    assert wrong == [], "\n".join(wrong)


@pytest.mark.parametrize(
    ("path", "line", "caught"),
    [
        ("analyse/rows.py", "from smallgauge.picture.resample import apply_move", True),
        ("analyse/rows.py", "from smallgauge.picture.focus import measure_sharpness", False),
        ("treat/propose.py", "from smallgauge.picture.registration import solve_registration", True),
        ("treat/propose.py", "from smallgauge.picture.registration import RegistrationDecision", False),
        ("render/plan.py", "from smallgauge.picture.resample import apply_move", True),
        ("render/plan.py", "from smallgauge.picture.resample import compose_moves", False),
        ("render/frame.py", "from smallgauge.sound.sync import solve_sync", True),
        ("render/paint.py", "from smallgauge.picture.dirt import find_dirt", True),
        ("prove/finished.py", "def run():\n    from smallgauge.picture.resample import apply_move", True),
        ("prove/finished.py", "from smallgauge.picture import resample", True),
        ("prove/finished.py", "import smallgauge.picture.resample as resample", True),
        ("prove/finished.py", "from smallgauge.picture.synthetic import draw_frame", True),
    ],
)
def test_a_breach_is_caught(path, line, caught):
    assert bool(list(breaches(path, line))) is caught

"""Every code of a finding that the program writes has a weight, and every weight's code is written somewhere."""

import ast
from pathlib import Path

from smallgauge.record.finding import FINDING_WEIGHTS

PACKAGE = Path(__file__).resolve().parents[2] / "smallgauge"


def written_words():
    """All text constants of the program outside the table of weights and the files of sentences."""
    for path in PACKAGE.rglob("*.py"):
        if path.name == "finding.py" or path.name.endswith("words.py"):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                yield node.value


def test_codes_in_calls_have_a_weight():
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Finding":
                for word in node.keywords:
                    if word.arg == "code" and isinstance(word.value, ast.Constant):
                        assert word.value.value in FINDING_WEIGHTS, f"{path.name}: {word.value.value}"


def test_no_weight_is_left_over():
    words = set(written_words())
    assert {code for code in FINDING_WEIGHTS if code not in words} == set()

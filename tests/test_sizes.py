"""A file over 500 lines or a function over 60 explains itself at its head, or is cut."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
MOST_FILE_LINES = 500  # common practice, no source
MOST_FUNCTION_LINES = 60  # common practice, no source; the docstring is not counted
REASON = "Why this is long:"
FOLDERS = ("smallgauge", "tools", "tests", "benchmarks")


def statements(tree: ast.Module) -> Iterator[ast.AST]:
    """Every statement, without what stands inside it: a function is never part of an expression."""
    rest: list[ast.AST] = [tree]
    while rest:
        node = rest.pop()
        yield node
        for name in ("body", "orelse", "finalbody", "handlers", "cases"):
            inside = getattr(node, name, None)
            rest += inside if isinstance(inside, list) else []  # the body of a lambda is an expression


def too_long(path: str, text: str) -> Iterator[str]:
    """What is too long in a file without saying why."""
    tree = ast.parse(text)
    lines = len(text.splitlines())
    if lines > MOST_FILE_LINES and REASON not in (ast.get_docstring(tree) or ""):
        yield f"{path}: {lines} lines"
    for node in statements(tree):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            said = ast.get_docstring(node)
            first = node.body[1] if said is not None and len(node.body) > 1 else node.body[0]
            length = (node.end_lineno or node.lineno) - first.lineno + 1
            if length > MOST_FUNCTION_LINES and REASON not in (said or ""):
                yield f"{path}: {node.name}, {length} lines"


def test_what_is_long_says_why():
    wrong = []
    for folder in FOLDERS:
        for path in sorted((ROOT / folder).rglob("*.py")):
            wrong += too_long(path.relative_to(ROOT).as_posix(), path.read_text(encoding="utf-8"))
    assert wrong == [], "\n".join(wrong)


@pytest.mark.parametrize(
    ("text", "caught"),
    [
        ("x = 1\n" * 501, True),
        ("x = 1\n" * 500, False),
        ('"""Head.\n\nWhy this is long: data.\n"""\n' + "x = 1\n" * 501, False),
        ("def f():\n" + "    x = 1\n" * 61, True),
        ("def f():\n" + "    x = 1\n" * 60, False),
        ('def f():\n    """Words.\n' + "    more\n" * 70 + '    """\n    return 1\n', False),
        ("class A:\n    if x:\n        async def f():\n" + "            x = 1\n" * 61, True),
        ("try:\n    x = 1\nexcept E:\n    def f():\n" + "        x = 1\n" * 61, True),
        ("match x:\n    case 1:\n        def f():\n" + "            x = 1\n" * 61, True),
        ('def f():\n    """Why this is long: a table."""\n' + "    x = 1\n" * 61, False),
    ],
)
def test_length_is_caught(text, caught):
    assert bool(list(too_long("a.py", text))) is caught

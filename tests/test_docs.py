"""What the documents say is what the code says, and every number names a source that is listed."""

import ast
import importlib
import importlib.util
import pkgutil
import re
from pathlib import Path

import pytest

import smallgauge
from smallgauge.columns import Column, Flag
from smallgauge.gauge.facts import Fact, RunningRate
from smallgauge.gauge.gauges import GAUGES, gauge_named
from smallgauge.gauge.rates import frames_from_feet, running_time_text
from smallgauge.gauge.spools import SPOOLS, THICKNESSES
from smallgauge.sources import SOURCES

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = Path(smallgauge.__file__).parent
COMMON_TYPES = {"int32", "int64", "float32", "float64", "bool", "text"}

spec = importlib.util.spec_from_file_location("make_docs", ROOT / "tools" / "make_docs.py")
make_docs = importlib.util.module_from_spec(spec)
spec.loader.exec_module(make_docs)


def package_texts():
    """Path and text of every file of the package but the list of sources itself."""
    for path in sorted(PACKAGE.rglob("*.py")):
        if path != PACKAGE / "sources.py":
            yield path, path.read_text(encoding="utf-8")


def declared(kind):
    """Every object of a kind that stands in a module-level tuple anywhere in the package."""
    found = []
    for each in pkgutil.walk_packages(smallgauge.__path__, "smallgauge."):
        if each.name.rsplit(".", 1)[-1] in ("__main__", "kernels"):
            continue
        for name, value in vars(importlib.import_module(each.name)).items():
            if isinstance(value, tuple) and value and all(isinstance(one, kind) for one in value):
                found += [(f"{each.name}.{name}", one) for one in value]
    return found


def facts_in(thing):
    """Every fact or rate inside a dataclass or tuple, however deep."""
    if isinstance(thing, (Fact, RunningRate)):
        yield thing
    elif isinstance(thing, tuple):
        for each in thing:
            yield from facts_in(each)
    elif hasattr(thing, "__dataclass_fields__"):
        for name in thing.__dataclass_fields__:
            yield from facts_in(getattr(thing, name))


@pytest.mark.parametrize("page", list(make_docs.PAGES))
def test_pages_are_what_the_code_makes(page):
    if page == "commands.md" and importlib.util.find_spec("smallgauge.cli") is None:
        pytest.skip("smallgauge/cli.py is not written yet")
    assert make_docs.differing([page]) == [], f"docs/{page}: run `make docs` and commit the page"


def test_columns_explain_themselves():
    columns = declared(Column)
    assert columns
    for where, column in columns:
        assert re.fullmatch(r"[a-z][a-z0-9_]*", column.name), where
        assert column.type in COMMON_TYPES, f"{where}: {column.name}"
        assert column.meaning.endswith(".") and len(column.meaning) > 10, f"{where}: {column.name}"
        assert (column.unit == "") == (column.type == "text"), (
            f"{where}: {column.name} has unit {column.unit!r}"
        )
        assert column.source in SOURCES, f"{where}: {column.name} cites {column.source!r}"
        assert column.tolerance >= 0 and column.halo >= 0, f"{where}: {column.name}"


def test_columns_of_a_table_have_one_name_each():
    tables = {}
    for where, column in declared(Column):
        tables.setdefault(where, []).append(column.name)
    for where, names in tables.items():
        assert len(names) == len(set(names)), where


def test_flags_explain_themselves():
    tables = {}
    for where, flag in declared(Flag):
        assert flag.meaning.endswith(".") and len(flag.meaning) > 10, f"{where}: {flag.name}"
        tables.setdefault(where, []).append(flag)
    assert tables
    for where, flags in tables.items():
        assert len({flag.bit for flag in flags}) == len(flags) == len({flag.name for flag in flags}), where
        assert all(0 <= flag.bit < 63 for flag in flags), where


def test_facts_name_a_listed_source():
    facts = list(facts_in((*GAUGES, *SPOOLS, *THICKNESSES)))
    assert len(facts) > 150
    for fact in facts:
        for key in (fact.source, *getattr(fact, "also", ())):
            assert key in SOURCES, fact
        if fact.confidence == "common practice, no source":
            assert fact.source == "common practice"
        if fact.confidence == "published, seen in text":
            assert not SOURCES[fact.source].seen.startswith("not seen"), fact


def test_listed_sources_are_used():
    texts = [text for _, text in package_texts()]
    made = {ROOT / "docs" / name for name in make_docs.PAGES}
    texts += [path.read_text(encoding="utf-8") for path in (ROOT / "docs").rglob("*.md") if path not in made]
    everything = "\n".join(texts)
    # The key stands first in each pattern, so that the search for it is one for plain text.
    unused = [
        key
        for key in SOURCES
        if not re.search(rf"{re.escape(key)}(?<![\w.]{re.escape(key)})(?!\w)", everything)
    ]
    assert unused == [], "cite them beside the number that rests on them, or take them out of sources.py"


def test_no_source_is_listed_twice():
    tree = ast.parse((PACKAGE / "sources.py").read_text(encoding="utf-8"))
    keys = [
        key.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Dict)
        for key in node.keys
        if key is not None
    ]
    assert sorted(keys) == sorted(set(keys))
    assert set(keys) == set(SOURCES)


def test_links_between_documents_lead_somewhere():
    wrong = []
    for path in sorted([*(ROOT / "docs").rglob("*.md"), *ROOT.glob("*.md")]):
        for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", path.read_text(encoding="utf-8")):
            if (
                "://" not in target
                and not target.startswith("mailto:")
                and not (path.parent / target).exists()
            ):
                wrong.append(f"{path.relative_to(ROOT)}: {target}")
    assert wrong == [], "\n".join(wrong)


def test_running_times_in_the_handbook_are_those_of_the_code():
    text = (ROOT / "docs" / "guide" / "gauges.md").read_text(encoding="utf-8")
    rows = re.findall(
        r"^\| ([^|]+), (\d+) ft \| (\d+) \| ([\d:]+) \| ([\d:]+) \| ([\d:]+) \|$", text, re.MULTILINE
    )
    assert len(rows) == 5
    for name, feet, frames, *times in rows:
        counted = frames_from_feet(gauge_named(name), int(feet))
        assert counted == int(frames)
        assert [running_time_text(counted, rate) for rate in (16, 18, 24)] == times


def test_every_public_name_explains_itself():
    wrong = []
    for path, text in package_texts():
        for node in ast.parse(text).body:
            public = isinstance(node, (ast.FunctionDef, ast.ClassDef)) and not node.name.startswith("_")
            if public and not ast.get_docstring(node):
                wrong.append(f"{path.relative_to(PACKAGE).as_posix()}: {node.name}")
    assert wrong == [], "\n".join(wrong)

"""A paper, table or list of words that a newer version of the program wrote is refused in words, whatever its kind."""

import importlib
import json
import pkgutil
from dataclasses import MISSING, dataclass, fields, is_dataclass
from fractions import Fraction

import polars as pl
import pytest

import smallgauge.analyse
import smallgauge.record
from smallgauge.errors import MaterialError
from smallgauge.record.files import read_json
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.notes import read_notes
from smallgauge.record.table import read_table, table_of, write_table
from smallgauge.record.upgrade import FIRST_VERSION, STEPS


def kinds():
    """Every class of a document that states its version."""
    found = {}
    for package in (smallgauge.record, smallgauge.analyse):
        for module in pkgutil.iter_modules(package.__path__):
            for value in vars(importlib.import_module(f"{package.__name__}.{module.name}")).values():
                if isinstance(value, type) and is_dataclass(value):
                    stated = [f for f in fields(value) if f.name == "version" and isinstance(f.default, int)]
                    if stated:
                        found[value.__name__] = (value, stated[0].default)
    return found


KINDS = kinds()


def test_the_kinds_are_found():
    assert {"Capture", "Reel", "FilmState", "TrackPaper", "RenderSummary", "Order"} <= KINDS.keys()
    assert len(KINDS) >= 19


@pytest.mark.parametrize("name", [name for name in KINDS if name != "Table"])
def test_a_newer_paper_is_refused_and_left_as_it_is(name, tmp_path):
    kind, known = KINDS[name]
    path = tmp_path / "paper.json"
    path.write_text(json.dumps({"version": known + 1, "something new": [1, 2]}))
    was = path.read_bytes()
    with pytest.raises(
        MaterialError, match=f"newer version of the program \\(paper {known + 1}, this one knows {known}\\)"
    ):
        read_json(path, kind)
    assert path.read_bytes() == was


@pytest.mark.parametrize("name", [name for name in KINDS if name != "Table"])
def test_a_paper_without_a_version_is_of_the_first(name, tmp_path):
    kind, _ = KINDS[name]
    path = tmp_path / "paper.json"
    path.write_text("{}")
    needed = [f for f in fields(kind) if f.default is MISSING and f.default_factory is MISSING]
    if needed:
        with pytest.raises(MaterialError, match="is not as this program writes it"):
            read_json(path, kind)
    else:
        assert read_json(path, kind).version == 1


def test_a_newer_table_is_refused(tmp_path):
    path = tmp_path / "frames.parquet"
    write_table(path, table_of("frames", FRAME_COLUMNS, []))
    metadata = pl.read_parquet_metadata(path)
    assert metadata["version"] == "1"
    pl.read_parquet(path).write_parquet(path, metadata={**metadata, "version": "2"})
    with pytest.raises(MaterialError, match="newer version"):
        read_table(path, FRAME_COLUMNS, "frames")


def test_newer_notes_are_refused():
    with pytest.raises(MaterialError, match="format must be 1"):
        read_notes("format = 2\n", where="capture.toml")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tin:
    """A made-up paper in its fourth version."""

    version: int = 4
    feet: Fraction
    words: tuple[str, ...]
    seen: str = ""


# Version 2 called the length "feet" and counted whole ones in text, 3 keeps every word, 4 states who has seen it.
TIN_STEPS = {
    1: lambda old: {"feet": str(int(old["length"])), "word": old["word"]},
    2: lambda old: {"feet": old["feet"], "words": [old["word"]]},
    3: lambda old: {**old, "seen": "not said"},
}
TINS = [
    ({"length": 50, "word": "lake"}, "not said"),  # of the first version: it states none
    ({"version": 1, "length": 50, "word": "lake"}, "not said"),
    ({"version": 2, "feet": "50", "word": "lake"}, "not said"),
    ({"version": 3, "feet": "50", "words": ["lake"]}, "not said"),
    ({"version": 4, "feet": "50", "words": ["lake"], "seen": "mk"}, "mk"),
]


@pytest.mark.parametrize(("plain", "seen"), TINS)
def test_an_older_paper_is_brought_up_a_step_at_a_time_and_its_file_left(plain, seen, tmp_path, monkeypatch):
    monkeypatch.setitem(STEPS, "Tin", TIN_STEPS)
    path = tmp_path / "tin.json"
    path.write_text(json.dumps(plain))
    was = path.read_bytes()
    assert read_json(path, Tin) == Tin(feet=Fraction(50), words=("lake",), seen=seen)
    assert path.read_bytes() == was


@pytest.mark.parametrize(
    ("plain", "words"),
    [
        (
            {"version": 5, "feet": "50", "words": []},
            "newer version of the program .paper 5, this one knows 4.",
        ),
        ({"version": 0, "feet": "50", "words": []}, "from 1 to 4, and no step leads on from its version 0"),
        ({"version": -(10**30), "feet": "50", "words": []}, "no step leads on"),
        ({"version": 1, "word": "lake"}, "from version 1 to 2, but KeyError..length"),
        ({"version": 1, "length": "fifty", "word": "lake"}, "from version 1 to 2, but ValueError"),
        ({"version": "2", "feet": "x", "words": []}, "is not as this program writes it"),
    ],
)
def test_what_no_step_leads_from_is_refused_in_words(plain, words, tmp_path, monkeypatch):
    monkeypatch.setitem(STEPS, "Tin", TIN_STEPS)
    path = tmp_path / "tin.json"
    path.write_text(json.dumps(plain))
    with pytest.raises(MaterialError, match=words):
        read_json(path, Tin)


def test_every_kind_of_paper_has_all_its_steps():
    for name, (_, known) in KINDS.items():
        assert sorted(STEPS.get(name, {})) == list(range(FIRST_VERSION, known)), name
    assert STEPS.keys() <= KINDS.keys()

"""A paper, table or list of words that a newer version of the program wrote is refused in words, whatever its kind."""

import importlib
import json
import pkgutil
from dataclasses import MISSING, fields, is_dataclass

import polars as pl
import pytest

import smallgauge.analyse
import smallgauge.record
from smallgauge.errors import MaterialError
from smallgauge.record.files import read_json
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.notes import read_notes
from smallgauge.record.table import read_table, table_of, write_table


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

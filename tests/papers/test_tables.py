"""Tables in Parquet: what is written comes back, with its name, and what is not a table is refused."""

import json

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from smallgauge.columns import Column
from smallgauge.errors import MaterialError
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.table import join_tables, read_table, table_of, write_table

COLUMNS = tuple(
    Column(name=name, unit="1", type=kind, meaning="A value.", source="definition")
    for name, kind in (("frame", "int32"), ("light", "float64"), ("word", "text"), ("good", "bool"))
)


@settings(max_examples=25)
@given(
    st.lists(
        st.fixed_dictionaries(
            {
                "frame": st.integers(-(2**31), 2**31 - 1),
                "light": st.floats(),
                "word": st.text(st.characters(exclude_categories=["Cs"]), max_size=8),
                "good": st.booleans(),
            }
        ),
        max_size=6,
    )
)
def test_what_is_written_comes_back(tmp_path_factory, rows):
    path = tmp_path_factory.mktemp("tables") / "t.parquet"
    table = table_of("some", COLUMNS, rows, capture_digest="ab")
    write_table(path, table)
    back = read_table(path, COLUMNS, "some")
    assert back.capture_digest == "ab"
    assert len(back) == len(rows)
    for column in COLUMNS:
        assert np.array_equal(table[column.name], back[column.name], equal_nan=column.type == "float64")
    first = path.read_bytes()
    write_table(path, table)
    assert path.read_bytes() == first


def test_the_file_explains_itself_to_another_reader(tmp_path):
    write_table(tmp_path / "t.parquet", table_of("frames", FRAME_COLUMNS, [{"frame": 0}]))
    metadata = pl.read_parquet_metadata(tmp_path / "t.parquet")
    assert metadata["table"] == "frames" and metadata["program"].startswith("smallgauge ")
    explained = json.loads(metadata["columns"])
    assert [c["name"] for c in explained] == pl.read_parquet(tmp_path / "t.parquet").columns
    assert all(c["meaning"] and c["source"] for c in explained)


def test_a_column_that_an_older_file_lacks_is_empty(tmp_path):
    write_table(tmp_path / "t.parquet", table_of("some", COLUMNS[:1], [{"frame": 3}]))
    back = read_table(tmp_path / "t.parquet", COLUMNS, "some")
    assert back["frame"].tolist() == [3]
    assert np.isnan(back["light"][0]) and back["word"][0] == ""


def test_another_table_and_a_torn_file_are_refused_in_words(tmp_path):
    path = tmp_path / "t.parquet"
    write_table(path, table_of("some", COLUMNS, [{"frame": 3}]))
    with pytest.raises(MaterialError, match="must hold the table 'other', found 'some'"):
        read_table(path, COLUMNS, "other")
    path.write_bytes(path.read_bytes()[:-9])
    with pytest.raises(MaterialError, match="whole Parquet table"):
        read_table(path, COLUMNS, "some")


def test_tables_join_in_order():
    one, two = (table_of("some", COLUMNS, [{"frame": n}, {"frame": n + 1}]) for n in (0, 2))
    assert join_tables([one, two])["frame"].tolist() == [0, 1, 2, 3]

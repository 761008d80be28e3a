"""A table in memory and in Parquet: columns that explain themselves, with the paper's name in the file."""

import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge import __version__
from smallgauge.columns import Column
from smallgauge.errors import MaterialError
from smallgauge.media.whole import write_whole_bytes
from smallgauge.record.upgrade import refuse_newer

_NUMPY = {
    "int32": np.int32,
    "int64": np.int64,
    "float32": np.float32,
    "float64": np.float64,
    "bool": np.bool_,
    "text": object,
}


VERSION = 1  # of every table


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """Columns of equal length by name; `name` and `version` say which paper it is."""

    name: str
    columns: tuple[Column, ...]
    values: Mapping[str, NDArray[Any]]
    version: int = VERSION
    capture_digest: str = ""

    def __len__(self) -> int:
        return len(self.values[self.columns[0].name])

    def __getitem__(self, column: str) -> NDArray[Any]:
        return self.values[column]


def table_of(
    name: str, columns: tuple[Column, ...], rows: Sequence[Mapping[str, object]], *, capture_digest: str = ""
) -> Table:
    """A table from rows; a value that a row lacks is NaN, "" or 0 by type.

    Examples
    --------
    >>> from smallgauge.columns import Column
    >>> light = Column(name="light", unit="1", type="float64", meaning="Light.", source="definition")
    >>> table_of("frames", (light,), [{"light": 0.5}, {}])["light"]
    array([0.5, nan])
    """
    empty: dict[str, object] = {
        "float32": np.nan,
        "float64": np.nan,
        "text": "",
        "bool": False,
        "int32": 0,
        "int64": 0,
    }
    values: dict[str, NDArray[Any]] = {
        c.name: np.array([row.get(c.name, empty[c.type]) for row in rows], dtype=_NUMPY[c.type])
        for c in columns
    }
    return Table(name=name, columns=columns, values=values, capture_digest=capture_digest)


def write_table(path: Path, table: Table) -> None:
    """Write a table as Parquet under its name only when whole; metadata explain every column."""
    import polars as pl

    types = {
        "int32": pl.Int32,
        "int64": pl.Int64,
        "float32": pl.Float32,
        "float64": pl.Float64,
        "bool": pl.Boolean,
        "text": pl.String,
    }
    frame = pl.DataFrame(
        [
            pl.Series(
                c.name, table[c.name].tolist() if c.type == "text" else table[c.name], dtype=types[c.type]
            )
            for c in table.columns
        ]
    )
    metadata = {
        "table": table.name,
        "version": str(table.version),
        "program": f"smallgauge {__version__}",
        "capture_digest": table.capture_digest,
        "columns": json.dumps([asdict(c) for c in table.columns], sort_keys=True),
    }
    buffer = io.BytesIO()
    frame.write_parquet(buffer, compression="zstd", metadata=metadata, statistics=False)
    write_whole_bytes(path, buffer.getvalue())


def read_table(path: Path, columns: tuple[Column, ...], name: str) -> Table:
    """Read a table written by `write_table`; columns that an older file lacks are empty."""
    import polars as pl

    try:
        frame = pl.read_parquet(path)
        metadata = pl.read_parquet_metadata(path)
    except (OSError, pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
        raise MaterialError(
            f"{path.name} must be a whole Parquet table, but {str(error).splitlines()[0]} in {path.parent}; "
            "run the pass that writes it again."
        ) from None
    if metadata.get("table") != name:
        raise MaterialError(
            f"{path.name} must hold the table '{name}', found '{metadata.get('table', 'none')}' in {path.parent}."
        )
    stated = str(metadata.get("version", "1"))
    if not stated.isdecimal() or len(stated) > 9:
        raise MaterialError(
            f"{path.name} must state its version as a number, found '{stated[:20]}' in {path.parent}."
        )
    refuse_newer(int(stated), known=VERSION, path=path)
    rows = frame.height
    blank = {"float32": np.nan, "float64": np.nan, "text": "", "bool": False, "int32": 0, "int64": 0}
    values: dict[str, NDArray[Any]] = {}
    for c in columns:
        if c.name not in frame.columns:
            values[c.name] = np.full(rows, blank[c.type], dtype=_NUMPY[c.type])
            continue
        try:
            values[c.name] = np.asarray(
                frame[c.name].to_list() if c.type == "text" else frame[c.name].to_numpy(),
                dtype=_NUMPY[c.type],
            )
        except (ValueError, TypeError, OverflowError, pl.exceptions.PolarsError) as error:
            raise MaterialError(
                f"{path.name} must hold {c.type} in its column {c.name}, but {str(error).splitlines()[0]} in {path.parent}; "
                "run the pass that writes it again."
            ) from None
    return Table(
        name=name,
        columns=columns,
        values=values,
        version=int(stated),
        capture_digest=metadata["capture_digest"],
    )


def join_tables(tables: Sequence[Table]) -> Table:
    """Tables of the same columns one after the other."""
    first = tables[0]
    values = {c.name: np.concatenate([t[c.name] for t in tables]) for c in first.columns}
    return Table(
        name=first.name,
        columns=first.columns,
        values=values,
        version=first.version,
        capture_digest=first.capture_digest,
    )

"""Carry whole frames into tables: columns checked by name, text without gaps, numbers without NaN."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.store.sql import ROW_GROUP, identifier, literal

if TYPE_CHECKING:
    from collections.abc import Mapping

    import duckdb

_NUMBERS = {"DOUBLE", "FLOAT", "BIGINT", "INTEGER"}


def append(
    connection: duckdb.DuckDBPyConnection,
    table: str,
    frame: pd.DataFrame,
    *,
    same: Mapping[str, object] | None = None,
    number_from: tuple[str, int] | None = None,
    nullable: frozenset[str] = frozenset(),
) -> int:
    """Append a frame to a table, in the order of its rows.

    Parameters
    ----------
    connection : open for writing, in a transaction.
    table : its columns decide what is taken; all of them must be given or be text or optional numbers.
    frame : a column the table does not have goes, as JSON, into the table's `other`; without `other`
        it is a fault of the program.
    same : values that are the same in every row.
    number_from : (column, first number) of a column of running numbers.
    nullable : text columns in which a gap means "does not apply" and stays NULL; elsewhere it becomes ''.

    Returns
    -------
    number of rows appended, as counted by the database.

    Raises
    ------
    ValueError : a column the table does not know.
    """
    if frame.empty:
        return 0
    same = same or {}
    types = columns_of(connection, table)
    frame = frame[[column for column in frame.columns if column not in same]]
    unknown = [column for column in frame.columns if column not in types]
    if unknown and "other" not in types:
        raise ValueError(f"table {table} has no column for {', '.join(map(str, unknown))}")
    # A column that says nothing costs the database as much as any other; what it would hold is the default below.
    known = [name for name in types if name in frame]
    told = [name for name in known if not _says_nothing(frame[name], blank=name not in nullable)] or known
    columns = {name: _column(frame[name], types[name], may_miss=name in nullable) for name in told}
    if number_from:
        name, first = number_from
        columns[name] = pa.array(np.arange(first, first + len(frame)))
    expressions = {name: identifier(name) for name in columns}
    expressions |= dict.fromkeys(same, "?")
    unknown = [name for name in unknown if not _says_nothing(frame[name], blank=True)]
    if unknown:
        columns |= {f"other {place}": _text(frame[name], may_miss=False) for place, name in enumerate(unknown)}
        expressions["other"] = _as_json(unknown)
    selected = [
        expressions.get(name, "''" if kind == "VARCHAR" and name not in nullable else "NULL")
        for name, kind in types.items()
    ]
    parameters = [same[name] for name in types if name in same]
    return _insert(connection, table, pa.table(columns), selected, parameters)


def _insert(
    connection: duckdb.DuckDBPyConnection,
    table: str,
    arrow: pa.Table,
    selected: list[str],
    parameters: list[object],
) -> int:
    row_groups = pa.Table.from_batches(arrow.to_batches(max_chunksize=ROW_GROUP))
    connection.register("incoming", row_groups)
    [(counted,)] = connection.execute(
        f"INSERT INTO {identifier(table)} SELECT {', '.join(selected)} FROM incoming",  # noqa: S608 - names only
        parameters,
    ).fetchall()
    # Not after an error: a broken transaction would refuse this too and hide what happened.
    connection.unregister("incoming")
    if counted != arrow.num_rows:
        raise RuntimeError(f"{table}: {arrow.num_rows} rows given, {counted} stored")
    return int(arrow.num_rows)


def columns_of(connection: duckdb.DuckDBPyConnection, table: str) -> dict[str, str]:
    """Give the columns of a table and their types, in order."""
    found = connection.execute(
        "SELECT column_name, data_type FROM duckdb_columns() "
        "WHERE database_name = current_database() AND table_name = ? ORDER BY column_index",
        [table],
    ).fetchall()
    return dict(found)


def _column(series: pd.Series, kind: str, *, may_miss: bool) -> pa.Array | pa.ChunkedArray:
    """Turn one column into Arrow: NaN to NULL, times to UTC without zone, gaps in text to ''."""
    if kind == "VARCHAR":
        return _text(series, may_miss=may_miss)
    array = pa.array(series, from_pandas=True)
    if kind == "TIMESTAMP":
        return pc.cast(array, pa.timestamp("us"), safe=False)
    if kind in _NUMBERS and pa.types.is_dictionary(array.type):
        return array.dictionary_decode()
    return array


def _text(series: pd.Series, *, may_miss: bool) -> pa.Array | pa.ChunkedArray:
    if isinstance(series.dtype, pd.CategoricalDtype):
        array = pa.array(series, from_pandas=True)
        if array.null_count == 0 or may_miss:
            return array
        return pc.fill_null(array.dictionary_decode().cast(pa.string()), "")
    if pd.api.types.is_datetime64_any_dtype(series):
        series = series.dt.strftime("%Y-%m-%dT%H:%M:%S").str.removesuffix("T00:00:00")
    array = pa.array(series.astype("str"), from_pandas=True)
    return array if may_miss or array.null_count == 0 else pc.fill_null(array, "")


def _says_nothing(series: pd.Series, *, blank: bool) -> bool:
    """Tell whether nothing is stated in any row; with ``blank`` an empty text states nothing."""
    if blank and isinstance(series.dtype, pd.StringDtype):
        return not pc.max(pc.binary_length(pa.array(series, from_pandas=True))).as_py()
    return bool(series.isna().all())


def _as_json(names: list[Any]) -> str:
    """Write the columns a table has no place for as one JSON object; empty cells are left out."""
    members = [f"{literal(str(name))}, nullif({identifier(f'other {place}')}, '')" for place, name in enumerate(names)]
    return f"CAST(json_merge_patch('{{}}', json_object({', '.join(members)})) AS VARCHAR)"


def next_number(connection: duckdb.DuckDBPyConnection, table: str, column: str) -> int:
    """Give the number behind the highest of a column of running numbers."""
    [(highest,)] = connection.execute(f"SELECT coalesce(max({column}), 0) FROM {table}").fetchall()  # noqa: S608 - names only
    return int(highest) + 1

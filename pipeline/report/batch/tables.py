"""Write frames as CSV files that a spreadsheet can open without running anything."""

from __future__ import annotations

from typing import TYPE_CHECKING, BinaryIO, Final

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv

from pipeline.visible import COMMANDING, visible

if TYPE_CHECKING:
    from pathlib import Path

# A spreadsheet takes a cell that begins like this for a formula, some also a line within a cell [OWASP-CSV].
_FORMULA: Final = r"(^|\n)([=+\-@\t\r])"
_SUSPECT: Final = rf"{_FORMULA}|[{COMMANDING}]"
_ROWS: Final = 100_000  # rows written at a time, so that a long table is never held twice
_BATCH: Final = 4_096  # rows turned into text at a time: costs half of what the writer's own choice does


def write_csv(frame: pd.DataFrame, sink: Path | BinaryIO) -> None:
    """Write a frame as UTF-8 CSV with a header line.

    Text cells that begin like a formula get a leading apostrophe, signs that command a terminal become visible;
    numbers are never changed.

    Parameters
    ----------
    frame : any frame; times become ISO 8601, missing values empty cells.
    sink : the file to write, or what takes its bytes.
    """
    first = _table(frame.iloc[:_ROWS])
    with csv.CSVWriter(sink, first.schema, write_options=csv.WriteOptions(batch_size=_BATCH)) as writer:
        writer.write_table(first)
        for start in range(_ROWS, len(frame), _ROWS):
            writer.write_table(_table(frame.iloc[start : start + _ROWS]))


def _table(frame: pd.DataFrame) -> pa.Table:
    return pa.table({str(name): _escaped(frame[name]) for name in frame.columns})


def _escaped(column: pd.Series) -> pa.Array:
    if pd.api.types.is_numeric_dtype(column) or isinstance(column.dtype, pd.DatetimeTZDtype):
        return _array(column)
    if isinstance(column.dtype, pd.CategoricalDtype):
        distinct = _text(pa.array(column.cat.categories.astype("str"), type=pa.string()))
        codes = pa.array(column.cat.codes.to_numpy(), mask=column.isna().to_numpy())
        return distinct.take(codes)
    return _text(pa.chunked_array(pa.array(column.astype("str"), from_pandas=True)))


def _array(column: pd.Series) -> pa.Array:
    array = pa.array(column, from_pandas=True)
    if pa.types.is_timestamp(array.type):
        # Without a zone: Arrow looks for a database of zones otherwise, which not every system has.
        moments = array.cast(pa.timestamp("s"), safe=False).dictionary_encode()
        return pc.strftime(moments.dictionary, format="%Y-%m-%dT%H:%M:%SZ").take(moments.indices)
    return array


def _text(array: pa.Array) -> pa.Array:
    # Most columns of a large table are empty; that is seen at once.
    if not pc.max(pc.binary_length(array)).as_py() or not pc.any(pc.match_substring_regex(array, _SUSPECT)).as_py():
        return array
    coded = array.combine_chunks() if isinstance(array, pa.ChunkedArray) else array
    coded = coded.dictionary_encode()
    shown = pa.array([None if text is None else visible(text) for text in coded.dictionary.to_pylist()], pa.string())
    return pc.replace_substring_regex(shown, pattern=_FORMULA, replacement=r"\1'\2").take(coded.indices)

"""Put the samples, readings and findings of a batch into their tables: the three that need more than their rows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.store.frames import append, columns_of, next_number
from pipeline.store.sql import ROW_GROUP
from pipeline.texts import first_rows, numbered

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    import duckdb
    import numpy.typing as npt

_MAY_MISS: Final = frozenset({"sample_id", "file_sha256"})
_ROWS_AT_ONCE: Final = 2 * ROW_GROUP  # readings, so that what the database is given takes little memory


def append_samples(connection: duckdb.DuckDBPyConnection, samples: pd.DataFrame, same: Mapping[str, object]) -> None:
    """Add samples; one that is there already has its row replaced."""
    if not len(samples):
        return
    connection.register("incoming_samples", samples[["sample_id"]])
    connection.execute("DELETE FROM sample WHERE sample_id IN (SELECT sample_id FROM incoming_samples)")
    connection.unregister("incoming_samples")
    append(connection, "sample", samples, same=same)


def append_readings(connection: duckdb.DuckDBPyConnection, readings: pd.DataFrame) -> int:
    """Store each kind of reading once and every reading's own numbers beside it. Returns the first number."""
    base = next_number(connection, "reading_value", "reading_id")
    if not len(readings):
        return base
    readings = readings.drop(columns="counts", errors="ignore")
    named = [column for column in columns_of(connection, "reading_kind") if column in readings]
    kind = numbered([(np.zeros(len(readings), dtype="int8"), 1), *_varied(readings[name] for name in named)])
    start = next_number(connection, "reading_kind", "kind_id")
    append(connection, "reading_kind", readings[named].iloc[first_rows(kind)], number_from=("kind_id", start))
    own = readings.drop(columns=named).assign(kind_id=kind + start)
    for begin in range(0, len(own), _ROWS_AT_ONCE):
        part = own.iloc[begin : begin + _ROWS_AT_ONCE]
        append(connection, "reading_value", part, number_from=("reading_id", base + begin))
    return base


def superseded_by(readings: pd.DataFrame, first: int) -> pd.DataFrame:
    """List the readings, numbered from ``first``, that a later report of their own batch replaces."""
    counts = readings["counts"].to_numpy(dtype="bool") if "counts" in readings else np.ones(len(readings), dtype="bool")
    return pd.DataFrame({"reading_id": np.flatnonzero(~counts) + first})


def _varied(columns: Iterable[pd.Series]) -> Iterator[tuple[npt.NDArray[np.int64], int]]:
    """Give the entries of the columns in which rows differ as numbers, gaps 0, and how many there may be."""
    for column in columns:
        code = column.cat.codes.to_numpy() if isinstance(column.dtype, pd.CategoricalDtype) else pd.factorize(column)[0]
        if code.min() != code.max():
            yield code.astype("int64") + 1, int(code.max()) + 2


def append_findings(
    connection: duckdb.DuckDBPyConnection, findings: pd.DataFrame, same: Mapping[str, object], first_reading: int
) -> None:
    """Add findings, numbered on; readings of the batch, numbered from ``first_reading``, are named by their place."""
    if not len(findings):
        return
    if "reading_ids" in findings:
        findings = findings.assign(reading_ids=_stored_ids(findings["reading_ids"], first_reading))
    first = next_number(connection, "finding", "finding_id")
    append(connection, "finding", findings, same=same, number_from=("finding_id", first), nullable=_MAY_MISS)


def _stored_ids(lists: pd.Series, first_reading: int) -> pd.Series:
    """Turn −k (row k of this batch) into the number the row gets; lists are separated by blanks."""
    words = pa.table({"ids": pa.array(lists.astype("str"), pa.string(), from_pandas=True)})["ids"].combine_chunks()
    split = pc.split_pattern(words.fill_null(""), " ")
    texts = split.values  # noqa: PD011 - the flat values of an Arrow list
    given = pc.cast(pc.if_else(pc.equal(texts, ""), None, texts), pa.int64())
    stored = pc.if_else(pc.less(given, 0), pc.subtract(first_reading - 1, given), given)
    numbers = pa.ListArray.from_arrays(split.offsets, pc.cast(stored, pa.string()).fill_null(""))
    return pd.Series(pc.binary_join(numbers, " ").to_pandas(), dtype="str").set_axis(lists.index)

"""Write a batch: everything in one transaction, the books balanced before and after."""

from __future__ import annotations

import json
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.store import faults
from pipeline.store.batch_record import check_books, check_columns, ready, utc
from pipeline.store.frames import append, columns_of, next_number
from pipeline.store.read import known_files
from pipeline.texts import first_rows, numbered
from schemas.fields import names
from schemas.stored import BATCH, NEEDED, TABLE_OF

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping
    from concurrent.futures import Executor, Future

    import duckdb
    import numpy.typing as npt

    from pipeline.store.batch_record import BatchRecord
    from pipeline.store.database import Store

_MAY_MISS: Final = frozenset({"sample_id", "file_sha256"})


def write_batch(store: Store, record: BatchRecord) -> None:
    """Store a batch whole or not at all.

    A sample that gets further readings has its row replaced; readings, findings, set-aside entries
    and decisions are only ever added.

    Parameters
    ----------
    store : open for writing.
    record : the batch; its files are archived already (``archive.keep``).

    Raises
    ------
    AlreadyStoredError : one of the files was stored in the meantime; nothing was written.
    KettlestoneError : no room, or the store cannot be written; nothing was written.
    ValueError : the books do not balance or a frame is not in order (a fault of the program).
    """
    with writing(store, str(record.batch["batch_id"]), record.source_files, record.readings) as begun:
        begun.complete(record)


class Writing:
    """A batch on its way into the store, in one open transaction: rows go in beside the work on the rest."""

    def __init__(self, store: Store, batch_id: str, readings: pd.DataFrame, beside: Executor) -> None:
        """Begin with the readings. ``beside`` does one thing after the other."""
        self._store = store
        self._same = {"batch_id": batch_id}
        self._beside = beside
        self._base = beside.submit(append_readings, store.connection, readings)
        self._ahead: list[Future[None]] = []
        self._given: Counter[str] = Counter()

    def ahead(self, frames: Callable[[], Mapping[str, pd.DataFrame]]) -> None:
        """Begin to append what nothing more comes to, beside the work on the rest.

        Parameters
        ----------
        frames : gives, in its turn, frames by their names in ``BatchRecord``, or some of their rows. All readings
            are on their way already.
        """
        self._ahead.append(self._beside.submit(self._append, frames))

    def complete(self, record: BatchRecord) -> None:
        """Append everything else: the frames of the record hold what was not given ahead."""
        self.settle()
        append_rest(self._store, record, self._base.result(), given=self._given)

    def settle(self) -> None:
        """Wait for what was begun, and raise what went wrong with it."""
        self._base.result()
        for appended in self._ahead:
            appended.result()

    def _append(self, frames: Callable[[], Mapping[str, pd.DataFrame]]) -> None:
        given = {name: ready(name, frame) for name, frame in frames().items()}
        for name, frame in given.items():
            check_columns(name, frame)
        _append_frames(self._store.connection, given, self._same, self._base.result())
        self._given.update({name: len(frame) for name, frame in given.items()})


@contextmanager
def writing(store: Store, batch_id: str, source_files: pd.DataFrame, readings: pd.DataFrame) -> Iterator[Writing]:
    """Store a batch whole or not at all, beginning with its readings while the rest is still worked out.

    The batch is stored when the block ends without an error. Inside the block the store is not to be used
    otherwise.

    Parameters
    ----------
    store : open for writing.
    batch_id, source_files, readings : of the batch, as in its ``BatchRecord``.

    Raises
    ------
    what ``write_batch`` raises, from the functions of ``Writing`` or at the end of the block.
    """
    with store.transaction() as connection, ThreadPoolExecutor(1) as beside:
        _refuse_stored(store, source_files)
        if connection.execute("SELECT 1 FROM batch WHERE batch_id = ?", [batch_id]).fetchall():
            raise ValueError(f"batch {batch_id} is stored already")
        begun = Writing(store, batch_id, readings, beside)
        try:
            yield begun
        except BaseException:
            connection.interrupt()
            raise
        begun.settle()


def append_rest(store: Store, record: BatchRecord, base: int, given: Mapping[str, int] = MappingProxyType({})) -> None:
    """Add the rows of a batch whose readings, numbered from ``base``, are there already, in a transaction.

    ``given`` are the numbers of rows by frame that are there already as well, and not in the record.
    """
    connection = store.connection
    same = {"batch_id": str(record.batch["batch_id"])}
    frames = {name: ready(name, getattr(record, name)) for name in ("samples", *NEEDED) if name != "readings"}
    check_books(record, frames, given)
    append(connection, "batch", _batch_row(record.batch))
    append(connection, "superseded", _superseded(record, base), same=same)
    _append_frames(connection, frames, same, base)


def _append_frames(
    connection: duckdb.DuckDBPyConnection, frames: Mapping[str, pd.DataFrame], same: Mapping[str, object], base: int
) -> None:
    """Append frames, each to its table, in the order of writing."""
    if "samples" in frames:
        _replace_samples(connection, frames["samples"], same)
    if "findings" in frames:
        _append_findings(connection, frames["findings"], same, base)
    for name, table in TABLE_OF.items():
        if name in frames:
            append(connection, table, frames[name], same=same)


def _batch_row(batch: Mapping[str, Any]) -> pd.DataFrame:
    row = {name: batch[name] for name in names(BATCH)}
    row |= {name: utc(row[name]) for name in ("started_at", "finished_at")}
    if not isinstance(row["settings"], str):
        row["settings"] = json.dumps(row["settings"], ensure_ascii=False, default=str)
    return pd.DataFrame([row])


def _superseded(record: BatchRecord, base: int) -> pd.DataFrame:
    """List the readings that no longer count: of this batch by position, of earlier ones by number."""
    stored = record.superseded["reading_id"] if len(record.superseded) else pd.Series(dtype="int64")
    if "counts" not in record.readings:
        return pd.DataFrame({"reading_id": stored})
    own = np.flatnonzero(~record.readings["counts"].to_numpy(dtype="bool")) + base
    return pd.DataFrame({"reading_id": np.concatenate([stored.to_numpy(dtype="int64"), own])})


def _refuse_stored(store: Store, source_files: pd.DataFrame) -> None:
    if len(source_files) and (known := known_files(store, source_files["file_sha256"])):
        raise faults.AlreadyStoredError(sorted(known))


def _replace_samples(connection: duckdb.DuckDBPyConnection, samples: pd.DataFrame, same: Mapping[str, object]) -> None:
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
    readings = ready("readings", readings)
    check_columns("readings", readings)
    named = [column for column in columns_of(connection, "reading_kind") if column in readings]
    kind = numbered([(np.zeros(len(readings), dtype="int8"), 1), *_varied(readings[name] for name in named)])
    start = next_number(connection, "reading_kind", "kind_id")
    append(connection, "reading_kind", readings[named].iloc[first_rows(kind)], number_from=("kind_id", start))
    own = readings.drop(columns=named).assign(kind_id=kind + start)
    append(connection, "reading_value", own, number_from=("reading_id", base))
    return base


def _varied(columns: Iterable[pd.Series]) -> Iterator[tuple[npt.NDArray[np.int64], int]]:
    """Give the entries of the columns in which rows differ as numbers, gaps 0, and how many there may be."""
    for column in columns:
        code = column.cat.codes.to_numpy() if isinstance(column.dtype, pd.CategoricalDtype) else pd.factorize(column)[0]
        if code.min() != code.max():
            yield code.astype("int64") + 1, int(code.max()) + 2


def _append_findings(
    connection: duckdb.DuckDBPyConnection, findings: pd.DataFrame, same: Mapping[str, object], base: int
) -> None:
    if not len(findings):
        return
    if "reading_ids" in findings:
        findings = findings.assign(reading_ids=_stored_ids(findings["reading_ids"], base))
    first = next_number(connection, "finding", "finding_id")
    append(connection, "finding", findings, same=same, number_from=("finding_id", first), nullable=_MAY_MISS)


def _stored_ids(lists: pd.Series, base: int) -> pd.Series:
    """Turn −k (row k of this batch) into the number the row gets; lists are separated by blanks."""
    words = pa.table({"ids": pa.array(lists.astype("str"), pa.string(), from_pandas=True)})["ids"].combine_chunks()
    split = pc.split_pattern(words.fill_null(""), " ")
    texts = split.values  # noqa: PD011 - the flat values of an Arrow list
    given = pc.cast(pc.if_else(pc.equal(texts, ""), None, texts), pa.int64())
    stored = pc.if_else(pc.less(given, 0), pc.subtract(base - 1, given), given)
    numbers = pa.ListArray.from_arrays(split.offsets, pc.cast(stored, pa.string()).fill_null(""))
    return pd.Series(pc.binary_join(numbers, " ").to_pandas(), dtype="str").set_axis(lists.index)

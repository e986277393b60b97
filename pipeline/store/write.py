"""Write a batch: everything in one transaction, the books balanced before and after."""

from __future__ import annotations

import hashlib
import json
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.ingest.categories import first_rows, numbered
from pipeline.normalise.uncertainty import with_uncertainty
from pipeline.problems import messages
from pipeline.store import faults
from pipeline.store.frames import append, columns_of
from pipeline.store.read import known_files
from schemas.columns import WIDE_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    import duckdb

    from pipeline.store.database import Store

# Columns without which a frame says nothing; the rest may be left out and is then '' or NULL.
_REQUIRED: Final[dict[str, tuple[str, ...]]] = {
    "source_files": ("file_sha256", "name", "bytes"),
    "samples": ("sample_id", "label", "stage", "verdict", "file_sha256"),
    "readings": (
        "sample_id",
        "analyte",
        "value",
        "unit",
        "basis",
        "raw_text",
        "file_sha256",
        "line",
        "column",
    ),
    "findings": ("sample_id", "check_id", "severity", "message"),
    "set_aside": ("file_sha256", "line", "column", "raw_text", "problem"),
    "notices": ("file_sha256", "line", "column", "raw_text", "problem"),
    "check_runs": ("check_id", "evaluated", "not_evaluated", "flagged"),
    "assessments": ("sample_id", "quantity", "value"),
    "explanations": ("sample_id", "rank", "mistake"),
    "patterns": ("file_sha256", "mistake", "message"),
    "advice": ("client", "site", "decision"),
    "sites": ("client", "site"),
    "machines": ("client", "site", "machine"),
    "treatments": ("client", "site", "treatment"),
}
# Frame → table, in the order of writing.
_TABLES: Final[dict[str, str]] = {
    "source_files": "source_file",
    "set_aside": "set_aside",
    "notices": "notice",
    "check_runs": "check_run",
    "assessments": "assessment",
    "explanations": "explanation",
    "patterns": "pattern",
    "advice": "advice",
    "sites": "site",
    "machines": "machine",
    "treatments": "treatment",
}
_BATCH_FIELDS: Final = (
    "batch_id",
    "started_at",
    "finished_at",
    "version",
    "settings",
    "entries_read",
    "entries_accepted",
    "entries_set_aside",
)
# What other stages carry along and the tables hold elsewhere.
_ELSEWHERE: Final[dict[str, list[str]]] = {
    "samples": WIDE_COLUMNS,
    "readings": ["row", "reading_id", "new", "counts"],
    "set_aside": ["name"],
    "notices": ["name"],
}
_MAY_MISS: Final = frozenset({"sample_id", "file_sha256"})


def _empty() -> pd.DataFrame:
    return pd.DataFrame()


@dataclass(frozen=True)
class BatchRecord:
    """Everything one run leaves in the store.

    Attributes
    ----------
    batch : `batch_id started_at finished_at version settings` (JSON text or plain values) `entries_read
        entries_accepted entries_set_aside`; times in UTC, or as ISO text.
    source_files : one row per input file: `file_sha256 name bytes`, `layout encoding delimiter
        decimal_mark lines entries`.
    samples : one row per sample, `sample_id` as index or column: ABOUT_COLUMNS, `verdict
        not_evaluated file_sha256 line`; columns the table does not have are kept as JSON in `other`,
        WIDE_COLUMNS are left to the readings.
    readings : one row per accepted entry, in the order of the files, with `sample_id file_sha256`;
        where `counts` is False a declared later report replaces the reading.
    superseded : `reading_id` of stored readings that a report of this batch replaces.
    findings : FINDING_COLUMNS, optionally `analyte`. In `reading_ids` a number above zero is a stored
        `reading_id`; −k stands for row k (from 1) of ``readings``, which has no number yet.
    set_aside, notices : PROBLEM_COLUMNS, optionally `message` (else rendered here).
    check_runs : `check_id evaluated not_evaluated flagged`, counts of samples.
    assessments, explanations, advice : results by sample, columns as in the tables.
    patterns : mistakes of whole files, columns as in the table.
    sites, machines, treatments : rows of registers as written.
    """

    batch: Mapping[str, Any]
    source_files: pd.DataFrame = field(default_factory=_empty)
    samples: pd.DataFrame = field(default_factory=_empty)
    readings: pd.DataFrame = field(default_factory=_empty)
    superseded: pd.DataFrame = field(default_factory=_empty)
    findings: pd.DataFrame = field(default_factory=_empty)
    set_aside: pd.DataFrame = field(default_factory=_empty)
    notices: pd.DataFrame = field(default_factory=_empty)
    check_runs: pd.DataFrame = field(default_factory=_empty)
    assessments: pd.DataFrame = field(default_factory=_empty)
    explanations: pd.DataFrame = field(default_factory=_empty)
    patterns: pd.DataFrame = field(default_factory=_empty)
    advice: pd.DataFrame = field(default_factory=_empty)
    sites: pd.DataFrame = field(default_factory=_empty)
    machines: pd.DataFrame = field(default_factory=_empty)
    treatments: pd.DataFrame = field(default_factory=_empty)


@dataclass(frozen=True)
class Decision:
    """What a person answered to a finding. ``action``: accept, reject, correct or repeat.

    A correction names the quantity and its value in the canonical unit; ``raw_text`` and ``raw_unit`` are
    the number and the unit as they were given, ``reading_id`` the reading it replaces.
    """

    finding_id: int
    action: str
    decided_by: str
    decided_at: datetime
    why: str
    reading_id: int | None = None
    analyte: str = ""
    value: float | None = None
    unit: str = ""
    basis: str = ""
    raw_text: str = ""
    raw_unit: str = ""


def new_batch_id(started_at: datetime, hashes: Iterable[str]) -> str:
    """Name a batch so that names sort by time: UTC second, then a short hash of the time and the files.

    Example
    -------
    >>> from datetime import UTC, datetime
    >>> new_batch_id(datetime(2026, 3, 5, 14, 7, 9, tzinfo=UTC), ["ab"]).rpartition("-")[0]
    '20260305T140709Z'
    """
    text = "\n".join([started_at.isoformat(), *sorted(hashes)])
    return f"{_utc(started_at):%Y%m%dT%H%M%SZ}-{hashlib.sha256(text.encode()).hexdigest()[:8]}"


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
    with writing(store, record.source_files, record.readings) as complete:
        complete(record)


@contextmanager
def writing(
    store: Store, source_files: pd.DataFrame, readings: pd.DataFrame
) -> Iterator[Callable[[BatchRecord], None]]:
    """Store a batch whole or not at all, beginning with its readings while the rest is still worked out.

    Gives a function that adds the rest; the batch is stored when the block ends without an error. Inside
    the block the store is not to be used otherwise.

    Parameters
    ----------
    store : open for writing.
    source_files, readings : of the batch, as in its ``BatchRecord``.

    Raises
    ------
    what ``write_batch`` raises, from the function or at the end of the block.
    """
    with store.transaction() as connection, ThreadPoolExecutor(1) as beside:
        _refuse_stored(store, source_files)
        # One thread, so that the work beside it keeps a processor.
        connection.execute("SET threads TO 1")
        appended = beside.submit(_append_readings, connection, readings)

        def complete(record: BatchRecord) -> None:
            base = appended.result()
            connection.execute("RESET threads")
            _append(store, record, base)

        try:
            yield complete
        except BaseException:
            connection.interrupt()
            raise
        appended.result()


def _append(store: Store, record: BatchRecord, base: int) -> None:
    """Add the rows of a batch whose readings, numbered from ``base``, are there already, in a transaction."""
    connection = store.connection
    same = {"batch_id": str(record.batch["batch_id"])}
    if connection.execute("SELECT 1 FROM batch WHERE batch_id = ?", [same["batch_id"]]).fetchall():
        raise ValueError(f"batch {same['batch_id']} is stored already")
    frames = {name: _ready(name, getattr(record, name)) for name in ("samples", *_REQUIRED) if name != "readings"}
    _check(record, frames)
    append(connection, "batch", _batch_row(record.batch))
    _replace_samples(connection, frames["samples"], same)
    append(connection, "superseded", _superseded(record, base), same=same)
    _append_findings(connection, frames["findings"], same, base)
    for name, table in _TABLES.items():
        append(connection, table, frames[name], same=same)


def _ready(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Leave out what is held elsewhere and put in what the frame means by its index or code."""
    if name == "samples" and "sample_id" not in frame and frame.index.name == "sample_id":
        frame = frame.reset_index()
    frame = frame.drop(columns=_ELSEWHERE.get(name, []), errors="ignore")
    if name in ("set_aside", "notices") and "message" not in frame and len(frame):
        return frame.assign(message=messages(frame))
    return frame


def _batch_row(batch: Mapping[str, Any]) -> pd.DataFrame:
    row = {name: batch[name] for name in _BATCH_FIELDS}
    row |= {name: _utc(row[name]) for name in ("started_at", "finished_at")}
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


def write_decision(
    store: Store, decision: Decision, recheck: Callable[[int], BatchRecord | None] = lambda _: None
) -> int:
    """Add what a person decided about a finding; earlier decisions stay. Returns `decision_id`.

    A correction adds a reading that points at the one it replaces; that one stays as it was read.

    Parameters
    ----------
    store : open for writing.
    decision : the answer.
    recheck : called with the decision's number when it is in place; what it returns (the sample checked
        anew) is stored with it, whole or not at all.

    Raises
    ------
    ValueError : there is no such finding.
    KettlestoneError : the store cannot be written; nothing was changed.
    """
    with store.transaction() as connection:
        found = connection.execute(
            "SELECT sample_id FROM finding WHERE finding_id = ?", [decision.finding_id]
        ).fetchall()
        if not found:
            raise ValueError(f"there is no finding {decision.finding_id}")
        sample_id = found[0][0]
        number = _next(connection, "decision", "decision_id")
        replaced = decision.reading_id
        if decision.action == "correct" and replaced is None:
            replaced = _counting(connection, sample_id, decision.analyte)
        connection.execute(
            "INSERT INTO decision VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                number,
                decision.finding_id,
                sample_id,
                decision.action,
                decision.decided_by,
                _utc(decision.decided_at),
                decision.why,
                replaced,
                decision.analyte,
                decision.value,
                decision.unit,
                decision.basis,
            ],
        )
        if decision.action == "correct":
            _append_correction(connection, sample_id, decision, number, replaced)
        record = recheck(number)
        if record is not None:
            _append(store, record, _append_readings(connection, record.readings))
    return number


def _counting(connection: duckdb.DuckDBPyConnection, sample_id: str, analyte: str) -> int | None:
    """Find the reading of a quantity that holds: of a correction, the reading it replaced."""
    found = connection.execute(
        """
        SELECT CASE WHEN decision_id IS NULL THEN reading_id ELSE corrects END
        FROM v_reading WHERE sample_id = ? AND analyte = ? AND counts
        ORDER BY decision_id IS NULL, preference, uncertainty NULLS LAST, line, reading_id LIMIT 1
        """,
        [sample_id, analyte],
    ).fetchall()
    return found[0][0] if found else None


def _append_correction(
    connection: duckdb.DuckDBPyConnection, sample_id: str, decision: Decision, number: int, replaced: int | None
) -> None:
    """Add the corrected reading; where it was measured, and how, it takes from the reading it replaces."""
    before = connection.execute("SELECT * FROM reading WHERE reading_id = ?", [replaced]).df()
    if before.empty:
        place = connection.execute("SELECT file_sha256, line FROM sample WHERE sample_id = ?", [sample_id]).df()
        before = place.assign(method="unknown", column="", instrument="")
    kept = before[["file_sha256", "line", "column", "method", "instrument"]]
    row = kept.assign(
        sample_id=sample_id,
        analyte=pd.Categorical([decision.analyte]),
        method=pd.Categorical(kept["method"].astype("str")),
        value=decision.value,
        limit=np.nan,
        qualifier="",
        unit=decision.unit,
        basis=decision.basis,
        uncertainty=np.nan,
        value_low=np.nan,
        value_high=np.nan,
        form="corrected",
        raw_text=decision.raw_text or f"{decision.value:g}",
        raw_unit=decision.raw_unit or decision.unit,
        note=f"corrected by decision {number}",
        corrects=pd.array([replaced], dtype="Int64"),
        decision_id=number,
    )
    _append_readings(connection, with_uncertainty(row))


def _check(record: BatchRecord, frames: Mapping[str, pd.DataFrame]) -> None:
    """Balance the books: entries read = accepted + set aside, and each of them is there as a row."""
    read, accepted, aside = (int(record.batch[f"entries_{part}"]) for part in ("read", "accepted", "set_aside"))
    if read != accepted + aside:
        raise ValueError(f"{read} entries read are not {accepted} accepted + {aside} set aside")
    if (accepted, aside) != (len(record.readings), len(frames["set_aside"])):
        raise ValueError(
            f"{accepted} accepted and {aside} set aside, but {len(record.readings)} and {len(frames['set_aside'])} rows"
        )
    for name, frame in frames.items():
        _check_columns(name, frame)
    for name, key in (("samples", "sample_id"), ("source_files", "file_sha256")):
        keys = frames[name][key] if len(frames[name]) else pd.Series(dtype="str")
        if twice := sorted(set(keys[keys.duplicated() & (keys != "")])):
            raise ValueError(f"{name} has {key} {twice[0]} twice")


def _check_columns(name: str, frame: pd.DataFrame) -> None:
    absent = [column for column in _REQUIRED[name] if column not in frame]
    if len(frame) and absent:
        raise ValueError(f"{name} lacks the columns {', '.join(absent)}")


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


def _append_readings(connection: duckdb.DuckDBPyConnection, readings: pd.DataFrame) -> int:
    """Store each kind of reading once and every reading's own numbers beside it. Returns the first number."""
    base = _next(connection, "reading_value", "reading_id")
    if not len(readings):
        return base
    readings = _ready("readings", readings)
    _check_columns("readings", readings)
    named = [column for column in columns_of(connection, "reading_kind") if column in readings]
    coded = (_coded(readings[name]) for name in named)
    kind = numbered((code + 1, distinct + 1) for code, distinct in coded)
    start = _next(connection, "reading_kind", "kind_id")
    append(connection, "reading_kind", readings[named].iloc[first_rows(kind)], number_from=("kind_id", start))
    own = readings.drop(columns=named).assign(kind_id=kind + start)
    append(connection, "reading_value", own, number_from=("reading_id", base))
    return base


def _coded(column: pd.Series) -> tuple[np.ndarray, int]:
    """Give the distinct entries of a column numbers, gaps -1, and count them."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column.cat.codes.to_numpy(dtype="int64"), len(column.cat.categories)
    code, distinct = pd.factorize(column)
    return code, len(distinct)


def _append_findings(
    connection: duckdb.DuckDBPyConnection, findings: pd.DataFrame, same: Mapping[str, object], base: int
) -> None:
    if not len(findings):
        return
    if "reading_ids" in findings:
        findings = findings.assign(reading_ids=_stored_ids(findings["reading_ids"], base))
    first = _next(connection, "finding", "finding_id")
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


def _next(connection: duckdb.DuckDBPyConnection, table: str, column: str) -> int:
    [(highest,)] = connection.execute(f"SELECT coalesce(max({column}), 0) FROM {table}").fetchall()  # noqa: S608 - names only
    return int(highest) + 1


def _utc(time: datetime | str) -> datetime:
    """Return the time in UTC without a zone, as the store keeps it."""
    moment = datetime.fromisoformat(time) if isinstance(time, str) else time
    return moment.astimezone(UTC).replace(tzinfo=None) if moment.tzinfo else moment

"""What a run leaves in the store: its frames, what they must hold, and the balance of its books."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pandas as pd

from pipeline.problems import messages
from schemas.contracts import breaches
from schemas.stored import ELSEWHERE, FRAMES, NEEDED

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping


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


def new_batch_id(started_at: datetime, hashes: Iterable[str]) -> str:
    """Name a batch so that names sort by time: UTC second, then a short hash of the time and the files.

    Example
    -------
    >>> from datetime import UTC, datetime
    >>> new_batch_id(datetime(2026, 3, 5, 14, 7, 9, tzinfo=UTC), ["ab"]).rpartition("-")[0]
    '20260305T140709Z'
    """
    text = "\n".join([started_at.isoformat(), *sorted(hashes)])
    return f"{utc(started_at):%Y%m%dT%H%M%SZ}-{hashlib.sha256(text.encode()).hexdigest()[:8]}"


def utc(time: datetime | str) -> datetime:
    """Return the time in UTC without a zone, as the store keeps it."""
    moment = datetime.fromisoformat(time) if isinstance(time, str) else time
    return moment.astimezone(UTC).replace(tzinfo=None) if moment.tzinfo else moment


def ready(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Leave out what is held elsewhere and put in what the frame means by its index or code."""
    if name == "samples" and "sample_id" not in frame and frame.index.name == "sample_id":
        frame = frame.reset_index()
    frame = frame.drop(columns=list(ELSEWHERE.get(name, ())), errors="ignore")
    if name in ("set_aside", "notices") and "message" not in frame and len(frame):
        return frame.assign(message=messages(frame))
    return frame


def check_books(record: BatchRecord, frames: Mapping[str, pd.DataFrame], given: Mapping[str, int]) -> None:
    """Balance the books: entries read = accepted + set aside, and each of them is there as a row.

    ``given`` are the numbers of rows by frame that are stored already.
    """
    read, accepted, aside = (int(record.batch[f"entries_{part}"]) for part in ("read", "accepted", "set_aside"))
    if read != accepted + aside:
        raise ValueError(f"{read} entries read are not {accepted} accepted + {aside} set aside")
    rows = len(record.readings), len(frames["set_aside"]) + given.get("set_aside", 0)
    if (accepted, aside) != rows:
        raise ValueError(f"{accepted} accepted and {aside} set aside, but {rows[0]} and {rows[1]} rows")
    for name, frame in frames.items():
        check_columns(name, frame)
    for name, key in (("samples", "sample_id"), ("source_files", "file_sha256")):
        keys = frames[name][key] if len(frames[name]) else pd.Series(dtype="str")
        if twice := sorted(set(keys[keys.duplicated() & (keys != "")])):
            raise ValueError(f"{name} has {key} {twice[0]} twice")


def check_columns(name: str, frame: pd.DataFrame) -> None:
    """Refuse a frame of a ``BatchRecord`` that lacks a column, or holds what its contract forbids.

    Readings were held against their own contract when they were read.
    """
    if not len(frame):
        return
    if absent := [column for column in NEEDED[name] if column not in frame]:
        raise ValueError(f"{name} lacks the columns {', '.join(absent)}")
    if name != "readings" and (found := breaches(FRAMES[name], frame)):
        raise ValueError(f"{name} breaks its contract: {'; '.join(found)}")

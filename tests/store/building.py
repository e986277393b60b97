"""Small batches for the tests of the store."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipeline.store.decide import add_decision

if TYPE_CHECKING:
    from pipeline.store.database import Store
    from pipeline.store.decide import StoredDecision

START = datetime(2026, 3, 5, 14, 7, 9, tzinfo=UTC)


def sha(text: str) -> str:
    """Return the SHA-256 of a text."""
    return hashlib.sha256(text.encode()).hexdigest()


def samples(rows: list[dict[str, Any]], file: str = "march.csv") -> pd.DataFrame:
    """Lay out samples: what a row does not say is empty."""
    usual = {
        "label": "",
        "client": "Client A",
        "site": "Site 1",
        "sampling_point": "bar tap",
        "stage": "raw",
        "activity": "routine",
        "region": "North",
        "country": "DE",
        "verdict": "ok",
        "not_evaluated": "",
        "collected_at": "2026-03-01T08:00:00Z",
        "file_sha256": sha(file),
        "line": 2,
    }
    frame = pd.DataFrame([usual | row for row in rows])
    frame["collected_at"] = pd.to_datetime(frame["collected_at"], utc=True).astype("datetime64[us, UTC]")
    return frame.set_index("sample_id")


def readings(rows: list[tuple[str, str, float]], file: str = "march.csv", **same: Any) -> pd.DataFrame:  # noqa: ANN401 - columns
    """Lay out readings given as (sample, analyte, value)."""
    frame = pd.DataFrame(rows, columns=["sample_id", "analyte", "value"])
    usual: dict[str, Any] = {
        "unit": "mg/L",
        "basis": "",
        "qualifier": "",
        "limit": np.nan,
        "uncertainty": 1.0,
        "method": "laboratory",
        "raw_unit": "mg/l",
        "raw_text": frame["value"].astype("str"),
        "file_sha256": sha(file),
        "line": np.arange(2, 2 + len(frame), dtype="int32"),
        "column": frame["analyte"],
    }
    frame = frame.assign(**(usual | same))
    return frame.astype({"analyte": "category", "unit": "category", "method": "category"})


def findings(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Lay out findings."""
    usual = {
        "file_sha256": pd.NA,
        "check_id": "ion-balance",
        "severity": "hold",
        "observed": 12.0,
        "low": -5.0,
        "high": 5.0,
        "unit": "%",
        "message": "the ions do not balance",
        "evidence": "{}",
        "reading_ids": "",
        "analyte": "",
    }
    return pd.DataFrame([usual | row for row in rows])


@dataclass(frozen=True)
class Batch:
    """A small batch: its name, its row, and its frames by name."""

    name: str
    row: dict[str, Any]
    source_files: pd.DataFrame = field(default_factory=pd.DataFrame)
    samples: pd.DataFrame = field(default_factory=pd.DataFrame)
    readings: pd.DataFrame = field(default_factory=pd.DataFrame)
    superseded: pd.DataFrame = field(default_factory=pd.DataFrame)
    findings: pd.DataFrame = field(default_factory=pd.DataFrame)
    set_aside: pd.DataFrame = field(default_factory=pd.DataFrame)
    notices: pd.DataFrame = field(default_factory=pd.DataFrame)
    check_runs: pd.DataFrame = field(default_factory=pd.DataFrame)
    explanations: pd.DataFrame = field(default_factory=pd.DataFrame)
    sites: pd.DataFrame = field(default_factory=pd.DataFrame)
    machines: pd.DataFrame = field(default_factory=pd.DataFrame)
    treatments: pd.DataFrame = field(default_factory=pd.DataFrame)

    def frames(self) -> dict[str, pd.DataFrame]:
        """Give the frames by name."""
        return {one.name: getattr(self, one.name) for one in fields(self) if one.name not in ("name", "row")}


def write(store: Store, given: Batch) -> None:
    """Store a batch."""
    with store.batch(given.name) as appender:
        for name, frame in given.frames().items():
            appender.add(name, frame)
        appender.close(given.row)


def batch(name: str = "b1", file: str = "march.csv", **frames: pd.DataFrame) -> Batch:
    """Put a batch together; the counts are taken from the frames."""
    accepted = len(frames.get("readings", ()))
    aside = len(frames.get("set_aside", ()))
    row = {
        "started_at": START,
        "finished_at": START,
        "version": "0.1.0",
        "settings": {"time_zone": "UTC"},
        "entries_read": accepted + aside,
    }
    source = {"file_sha256": [sha(file)], "name": [file], "bytes": [100], "status": ["read"]}
    return Batch(name, row, **({"source_files": pd.DataFrame(source)} | frames))


def decided(store: Store, decision: StoredDecision) -> int:
    """Add a decision in a transaction of its own."""
    with store.transaction():
        return add_decision(store, decision)

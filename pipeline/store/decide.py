"""Write what a person decided about a finding, and the corrected reading beside the one it replaces."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.normalise.uncertainty import with_uncertainty
from pipeline.store.batch_record import utc
from pipeline.store.batch_rows import append_readings
from pipeline.store.frames import next_number

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    import duckdb

    from pipeline.store.database import Store


@dataclass(frozen=True)
class StoredDecision:
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


def write_decision(store: Store, decision: StoredDecision, consequence: Callable[[int], None] = lambda _: None) -> int:
    """Add what a person decided about a finding; earlier decisions stay. Returns `decision_id`.

    A correction adds a reading that points at the one it replaces; that one stays as it was read.

    Parameters
    ----------
    store : open for writing.
    decision : the answer.
    consequence : called with the decision's number when it is in place; what it writes (the sample proved
        anew) is stored with the decision, whole or not at all.

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
        number = next_number(connection, "decision", "decision_id")
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
                utc(decision.decided_at),
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
        consequence(number)
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
    connection: duckdb.DuckDBPyConnection, sample_id: str, decision: StoredDecision, number: int, replaced: int | None
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
    append_readings(connection, with_uncertainty(row))

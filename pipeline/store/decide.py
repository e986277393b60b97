"""Write what a person decided about findings: the decision, how far it reaches, and what it corrects."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import pandas as pd

from pipeline.normalise.uncertainty import with_uncertainty
from pipeline.store.batch_record import utc
from pipeline.store.batch_rows import append_readings
from pipeline.store.frames import append, next_number

if TYPE_CHECKING:
    from datetime import datetime

    import duckdb

    from pipeline.store.database import Store

_READING = (
    "sample_id", "analyte", "value", "unit", "basis", "qualifier", "limit", "uncertainty", "method", "drops",
    "raw_text", "raw_unit", "file_sha256", "line", "column", "value_low", "value_high", "form", "degree_per_drop",
    "nominal_ml", "used_ml", "raw_basis", "instrument", "ambiguous", "status", "corrects",
)  # fmt: skip
_CODED = ("analyte", "method")


class CorrectedFact(NamedTuple):
    """A fact of a sample that a decision corrects: `name` is its column, times as ISO text in UTC."""

    sample_id: str
    name: str
    before: str
    after: str


@dataclass(frozen=True)
class StoredDecision:
    """What a person answered to a finding, and what comes of it.

    Attributes
    ----------
    finding_id, action, decided_by, decided_at, why : of the answer.
    analyte, value, unit, basis : of a correction of one quantity, in the canonical unit.
    detail : what the answer did, in words.
    also : further findings it answers.
    readings : new readings; `corrects` is the one that each of them replaces.
    withdrawn : readings that do not count while the decision is in force.
    facts : of samples.
    said : the answer as it was given, as JSON.
    """

    finding_id: int
    action: str
    decided_by: str
    decided_at: datetime
    why: str
    analyte: str = ""
    value: float | None = None
    unit: str = ""
    basis: str = ""
    detail: str = ""
    also: tuple[int, ...] = ()
    readings: pd.DataFrame = field(default_factory=pd.DataFrame)
    withdrawn: tuple[int, ...] = ()
    facts: tuple[CorrectedFact, ...] = ()
    said: str = ""


def add_decision(store: Store, decision: StoredDecision) -> int:
    """Add a decision in the open transaction of a store; earlier ones stay. Returns `decision_id`.

    Parameters
    ----------
    store : in a transaction.
    decision : the answer. Its readings are added beside those they replace, which stay as they were read.

    Raises
    ------
    ValueError : there is no such finding.
    """
    connection = store.connection
    found = connection.execute("SELECT sample_id FROM finding WHERE finding_id = ?", [decision.finding_id]).fetchall()
    if not found:
        raise ValueError(f"there is no finding {decision.finding_id}")
    number = next_number(connection, "decision", "decision_id")
    replaced = decision.readings["corrects"].iloc[0] if len(decision.readings) == 1 else None
    connection.execute(
        "INSERT INTO decision VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            number,
            decision.finding_id,
            found[0][0],
            decision.action,
            decision.decided_by,
            utc(decision.decided_at),
            decision.why,
            None if pd.isna(replaced) else int(replaced),
            decision.analyte,
            decision.value,
            decision.unit,
            decision.basis,
            decision.detail,
            decision.said,
        ],
    )
    append(
        connection, "withdrawn", pd.DataFrame({"reading_id": list(decision.withdrawn)}), same={"decision_id": number}
    )
    reach_further(store, number, decision.also, decision.facts, decision.readings)
    return number


def reach_further(
    store: Store, number: int, also: tuple[int, ...], facts: tuple[CorrectedFact, ...], readings: pd.DataFrame
) -> None:
    """Let a decision answer further findings and correct further facts and readings, in the open transaction.

    Parameters
    ----------
    store : in a transaction.
    number : of the decision.
    also, facts, readings : as ``StoredDecision`` has them.
    """
    connection, same = store.connection, {"decision_id": number}
    append(connection, "answered_too", pd.DataFrame({"finding_id": list(also)}), same=same)
    append(connection, "corrected_fact", pd.DataFrame(facts, columns=CorrectedFact._fields), same=same)
    if len(readings):
        _append_corrections(connection, readings, number)


def counting_readings(store: Store, where: str, parameters: list[object]) -> pd.DataFrame:
    """Return the readings that count, whole, the preferred one of each sample and quantity first.

    Parameters
    ----------
    store : open.
    where : SQL over ``r``, the view `reading`, with ? for each of ``parameters``; never a person's text.
    """
    return store.connection.execute(
        f"""
        SELECT r.* FROM reading AS r JOIN v_reading AS v USING (reading_id) WHERE v.counts AND ({where})
        ORDER BY r.sample_id, r.analyte, r.decision_id IS NULL, v.preference, r.uncertainty NULLS LAST, r.line,
            r.reading_id
        """,  # noqa: S608 - conditions of this program
        parameters,
    ).df()


def corrections_of(replaced: pd.DataFrame) -> pd.DataFrame:
    """Lay readings out as corrections of themselves: `corrects` is the reading that each was made from."""
    origin = replaced["corrects"].where(replaced["decision_id"].notna(), replaced["reading_id"])
    return replaced.assign(corrects=origin.astype("Int64")).reindex(columns=list(_READING))


def _append_corrections(connection: duckdb.DuckDBPyConnection, readings: pd.DataFrame, number: int) -> None:
    rows = readings.assign(note=f"corrected by decision {number}", decision_id=number).reset_index(drop=True)
    for name in _CODED:
        rows[name] = pd.Categorical(rows[name].astype("str"))
    append_readings(connection, with_uncertainty(rows))

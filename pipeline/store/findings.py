"""Findings of a store, with the decisions in force."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.errors import KettlestoneError

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.store.database import Store


def finding(store: Store, finding_id: int) -> pd.Series:
    """Return one finding with its sample and the decision in force (a row of view `v_finding`).

    Raises
    ------
    KettlestoneError : there is no such finding.
    """
    found = store.connection.execute("SELECT * FROM v_finding WHERE finding_id = ?", [finding_id]).df()
    if found.empty:
        raise KettlestoneError(
            f"there is no finding {finding_id}.\n"
            "  Nothing was changed.\n"
            "  List the findings and their numbers with kettlestone findings."
        )
    return found.iloc[0]


def findings(
    store: Store,
    *,
    batch_id: str | None = None,
    sample_id: str | None = None,
    check_id: str | None = None,
    severity: str | None = None,
    current: bool = True,
) -> pd.DataFrame:
    """Return findings with their samples and decisions (view `v_finding`), the worst first.

    Parameters
    ----------
    batch_id, sample_id, check_id, severity : keep those that match; None = any.
    current : leave out findings about a state of a sample that a later batch has replaced.
    """
    wanted = {"batch_id": batch_id, "sample_id": sample_id, "check_id": check_id, "severity": severity}
    given = {name: value for name, value in wanted.items() if value is not None}
    conditions = [f"{name} = ${name}" for name in given] + (["is_current"] if current else [])
    where = f"WHERE {' AND '.join(conditions)}" if conditions else ""
    return store.connection.execute(
        f"SELECT * FROM v_finding {where} "  # noqa: S608 - column names only; values are parameters
        "ORDER BY list_position(['reject', 'hold', 'note'], severity), finding_id",
        given,
    ).df()


def corrected(store: Store, finding_id: int) -> bool:
    """Tell whether a correction decided on for a finding is in force."""
    found = store.connection.execute("SELECT 1 FROM v_correction WHERE finding_id = ?", [finding_id]).fetchall()
    return bool(found)

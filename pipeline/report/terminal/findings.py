"""Answers to `findings` and `decide`: the findings of the store with their numbers, and what a decision led to."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.report import causes
from pipeline.report.wording import SIGNS
from pipeline.store.database import Store
from pipeline.store.findings import findings
from pipeline.store.samples import find_sample
from schemas.columns import ANALYTES, OPEN

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.deciding import DecisionOutcome
    from pipeline.settings import Settings

_SHOWN: Final = 200
_COLUMNS: Final = [
    "finding_id", "current_severity", "severity", "check_id", "sample_id", "called", "label", "client",
    "site", "analyte", "observed", "low", "high", "unit", "message", "decision", "decided_by", "decided_at", "why",
    "batch_id", "file",
]  # fmt: skip


def list_findings(
    settings: Settings, sample: str | None, check_id: str | None, batch_id: str | None, *, everything: bool
) -> pd.DataFrame:
    """Look up findings, the worst first.

    Parameters
    ----------
    settings : where the store is.
    sample : identifier or label; None = all.
    check_id, batch_id : keep those that match; None = any.
    everything : notes and settled findings too; else only what waits for an answer.

    Raises
    ------
    KettlestoneError : no store, no such sample, or several with that label.
    """
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        sample_id = find_sample(store, sample) if sample else None
        found = findings(store, batch_id=batch_id, sample_id=sample_id, check_id=check_id, current=False)
    # What was decided stays listed with --all, also where the sample was checked anew since.
    kept = found["is_current"] | (found["decision"].notna() & everything) | (batch_id is not None)
    found = found[kept.astype("bool")]
    waiting = found["current_severity"].isin(OPEN)
    return found[_COLUMNS] if everything else found.loc[waiting, _COLUMNS]


def findings_json(found: pd.DataFrame) -> str:
    """Write findings down for other programs."""
    return str(found.to_json(orient="records", date_format="iso", force_ascii=False))


def show_findings(found: pd.DataFrame, console: Console | None = None) -> None:
    """Print findings as a table with their numbers."""
    screen = console or Console()
    if found.empty:
        screen.print("There is no such finding; with --all the notes and the settled ones are listed too.")
        return
    table = Table(box=None, pad_edge=False, show_edge=False, header_style="bold")
    table.add_column("no.", justify="right")
    for heading in ("", "sample", "finding", "decision"):
        table.add_column(heading, overflow="fold")
    for row in found.head(_SHOWN).to_dict("records"):
        severity = str(row["current_severity"])
        named = row["called"]
        decided = f"{row['decision']}, {row['decided_by']}: {row['why']}" if isinstance(row["decision"], str) else ""
        table.add_row(
            str(row["finding_id"]),
            Text(f"{SIGNS[severity]} {severity}"),
            Text(str(named)),
            Text(f"{row['message']}  [{row['check_id']}]"),
            Text(decided),
        )
    screen.print(table)
    if len(found) > _SHOWN:
        screen.print(f"{len(found) - _SHOWN} more findings; --json prints all of them.")


def outcome_text(outcome: DecisionOutcome) -> str:
    """Say what a decision led to."""
    lines = [f"Decision {outcome.decision_id}: finding {outcome.finding_id}, {outcome.action}."]
    if outcome.value is not None:
        amount = " ".join(
            part
            for part in (causes.significant(outcome.value), causes.printed_unit(outcome.unit), outcome.basis)
            if part
        )
        title = ANALYTES[outcome.analyte].title
        lines.append(f"  {title} {amount} counts from now on; what was read stays beside it.")
    if outcome.sample_id:
        named = outcome.label or outcome.sample_id
        lines.append(f"  {named}: {outcome.verdict_before} before, {outcome.verdict_after} now.")
    return "\n".join(lines)


def outcome_json(outcome: DecisionOutcome) -> str:
    """Write a decision down for other programs."""
    return json.dumps(outcome.plain(), ensure_ascii=False)

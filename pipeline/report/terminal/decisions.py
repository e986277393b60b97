"""Answer to `decide`: what the decisions led to."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

from pipeline.report import causes
from pipeline.words import capitalised
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.deciding import DecisionOutcome

_SHOWN: Final = 20


def outcomes_text(outcomes: Sequence[DecisionOutcome]) -> str:
    """Say what decisions led to."""
    lines = [line for outcome in outcomes[:_SHOWN] for line in _lines(outcome)]
    if len(outcomes) > _SHOWN:
        lines.append(f"… and {len(outcomes) - _SHOWN} more; kettlestone history --since today lists all of them.")
    return "\n".join(lines)


def outcomes_json(outcomes: Sequence[DecisionOutcome], *, alone: bool) -> str:
    """Write decisions down for other programs: an object where one number was given, else a list."""
    plain = [outcome.plain() for outcome in outcomes]
    return json.dumps(plain[0] if alone else plain, ensure_ascii=False)


def _lines(outcome: DecisionOutcome) -> list[str]:
    more = outcome.findings - 1
    reach = f" and {more} more that {'asks' if more == 1 else 'ask'} the same" if more else ""
    lines = [f"Decision {outcome.decision_id}: finding {outcome.finding_id}{reach}, {outcome.action}."]
    if outcome.value is not None:
        amount = " ".join(
            part
            for part in (causes.significant(outcome.value), causes.printed_unit(outcome.unit), outcome.basis)
            if part
        )
        lines.append(f"  {ANALYTES[outcome.analyte].title} {amount} counts from now on; what was read stays beside it.")
    if outcome.detail:
        lines.append(f"  {capitalised(outcome.detail)}.")
    if outcome.sample_id:
        lines.append(f"  {outcome.called}: {outcome.verdict_before} before, {outcome.verdict_after} now.")
    if not outcome.sample_id or more:
        lines.append(
            f"  On hold or rejected among its samples: {outcome.open_before} before, {outcome.open_after} now."
        )
    return lines

"""Answer to `decide`: what the decisions led to."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

from pipeline.report import causes
from pipeline.report.sentences import decimal_marks, other_language, quantity_said
from pipeline.report.wording import VERDICT_WORDS
from pipeline.words import capitalised
from pipeline.words.labels import label_in, plural_in

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.deciding import DecisionOutcome

_SHOWN: Final = 20


def outcomes_text(outcomes: Sequence[DecisionOutcome], language: str = "en") -> str:
    """Say what decisions led to."""
    lines = [line for outcome in outcomes[:_SHOWN] for line in _lines(outcome, language)]
    if len(outcomes) > _SHOWN:
        more = "… and {n} more; kettlestone history --since today lists all of them."
        lines.append(label_in(more, language, n=len(outcomes) - _SHOWN))
    return "\n".join(lines)


def outcomes_json(outcomes: Sequence[DecisionOutcome], *, alone: bool) -> str:
    """Write decisions down for other programs: an object where one number was given, else a list."""
    plain = [outcome.plain() for outcome in outcomes]
    return json.dumps(plain[0] if alone else plain, ensure_ascii=False)


def _lines(outcome: DecisionOutcome, language: str) -> list[str]:
    more = outcome.findings - 1
    reach = plural_in(more, " and {n} more that asks the same", " and {n} more that ask the same", language)
    lines = [
        label_in(
            "Decision {number}: finding {finding}{reach}, {action}.",
            language,
            number=outcome.decision_id,
            finding=outcome.finding_id,
            reach=reach if more else "",
            action=label_in(outcome.action, language),
        )
    ]
    if outcome.value is not None:
        parts = (
            causes.significant(outcome.value),
            causes.printed_unit(outcome.unit),
            label_in(outcome.basis, language),
        )
        amount = decimal_marks(" ".join(part for part in parts if part), language)
        said = "{quantity} {amount} counts from now on; what was read stays beside it."
        lines.append(f"  {label_in(said, language, quantity=quantity_said(outcome.analyte, language), amount=amount)}")
    if outcome.detail and not other_language(language):
        lines.append(f"  {capitalised(outcome.detail)}.")
    if outcome.sample_id:
        before, after = (
            label_in(VERDICT_WORDS[word], language) for word in (outcome.verdict_before, outcome.verdict_after)
        )
        said = "{called}: {before} before, {after} now."
        lines.append(f"  {label_in(said, language, called=outcome.called, before=before, after=after)}")
    if not outcome.sample_id or more:
        said = "On hold or rejected among its samples: {before} before, {after} now."
        lines.append(f"  {label_in(said, language, before=outcome.open_before, after=outcome.open_after)}")
    return lines

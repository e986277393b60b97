"""Answer to `enter`: verdict of the sample, its likeliest cause where it is on hold, and the advice for the site."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, NamedTuple

from pipeline.errors import EXIT_CLEAN, EXIT_FINDINGS
from pipeline.report import causes
from pipeline.report.client.answer import Asked, Reply, advise_on
from pipeline.report.terminal.explain import why
from pipeline.report.wording import SIGNS, VERDICT_WORDS
from schemas.columns import OPEN

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from pipeline.report.terminal.explain import Why
    from pipeline.settings import Settings


class VisitReply(NamedTuple):
    """Text for the screen, the exit code, and what went wrong beside it."""

    text: str
    exit_code: int
    trouble: str = ""


def entered_text(
    settings: Settings, sample_id: str, site: str, remarks: Sequence[str], now: datetime, language: str
) -> VisitReply:
    """Word what came of a visit.

    Parameters
    ----------
    settings : where the store is.
    sample_id : of the visit's sample.
    site : as it is found in the store, "" where the sample belongs to no place that is advised on.
    remarks : what is to be said first.
    now : UTC.
    language : of the advice.
    """
    reasons = why(settings, sample_id, now)
    advice = _advice(settings, site, now, language, as_json=False)
    text = "\n".join([*remarks, *_verdict(reasons), "", *([advice.text] if advice else [])]).rstrip()
    return VisitReply(text, _exit_code(reasons, advice), advice.trouble if advice else "")


def entered_json(
    settings: Settings, sample_id: str, site: str, remarks: Sequence[str], now: datetime, language: str
) -> VisitReply:
    """Lay out what came of a visit for other programs; parameters as for `entered_text`."""
    reasons = why(settings, sample_id, now)
    advice = _advice(settings, site, now, language, as_json=True)
    data = {
        "sample": reasons.sample,
        "verdict": reasons.sample["current_verdict"],
        "findings": reasons.findings,
        "notes": reasons.notes,
        "cause": reasons.explanation["causes"][0] if _held(reasons) else None,
        "questions": reasons.explanation["questions"] if _held(reasons) else [],
        "remarks": list(remarks),
        "advice": json.loads(advice.text) if advice else None,
    }
    text = json.dumps(data, ensure_ascii=False, default=str)
    return VisitReply(text, _exit_code(reasons, advice), advice.trouble if advice else "")


def _advice(settings: Settings, site: str, now: datetime, language: str, *, as_json: bool) -> Reply | None:
    """Advise on the site, if there is one; what stands at a bottle's shelf is nobody's site."""
    return advise_on(settings, site, Asked(language=language), now.date(), as_json=as_json) if site else None


def _held(reasons: Why) -> bool:
    return reasons.sample["current_verdict"] in OPEN


def _verdict(reasons: Why) -> list[str]:
    """Name the sample with its verdict, what is wrong with it, the likeliest cause, and what to ask."""
    verdict = reasons.sample["current_verdict"]
    lines = [f"{SIGNS[verdict]} {VERDICT_WORDS[verdict]}  {reasons.sample['label']}"]
    lines += [f"  {finding['message']}" for finding in reasons.findings]
    lines += [f"  {note}" for note in ([] if _held(reasons) else reasons.notes)]
    first = reasons.explanation["causes"][0]
    if _held(reasons) and first["mistake"] != causes.NOTHING:
        lines.append(f"  → {causes.cause_line(first)}")
        lines += [f"  Ask: {question}" for question in reasons.explanation["questions"]]
    if reasons.findings:
        number = reasons.findings[0]["finding_id"]
        lines.append(f"  Decide: kettlestone decide {number} accept|correct|repeat|reject --by … --why …")
    return lines


def _exit_code(reasons: Why, advice: Reply | None) -> int:
    return EXIT_FINDINGS if _held(reasons) or (advice is not None and advice.exit_code) else EXIT_CLEAN

"""The answer to `retest`: does the treatment of a site do its work, since when not, why, and when to test next."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from pipeline.errors import KettlestoneError
from pipeline.report.fitted import fitted_data
from pipeline.site.answer import answer_of
from pipeline.site.machines import machines_of
from pipeline.store.database import Store
from pipeline.treat.choosing.case import ALKALINITY
from pipeline.treat.processes.treatments import TREATMENTS
from pipeline.words import DECIMAL_COMMA, Said, day, say

if TYPE_CHECKING:
    from datetime import date

    from pipeline.settings import Settings
    from pipeline.site.answer import SiteAnswer
    from pipeline.site.record import Site, Timeline
    from pipeline.site.retest import Retest
    from pipeline.treat.advice import Range
    from pipeline.verify.outcomes import Cause, Compared, Span, Verification

CLEAN, FINDINGS = 0, 1
_SHOWN: Final = 0.01  # causes less probable are not printed; --json has them
_DIGITS: Final = {"ph": 1, "free_chlorine_mg_l": 2}


@dataclass(frozen=True)
class Retested:
    """What was found, as text for people or programs, and the code to leave with."""

    text: str
    exit_code: int


def retest(settings: Settings, site: str, today: date, *, as_json: bool, language: str = "en") -> Retested:
    """Verify the last pair of a site and read its history.

    Parameters
    ----------
    settings : where the store is.
    site : as a person names it.
    today : a next test that lies before it is overdue.
    as_json : data for other programs in place of text.
    language : of the sentences.

    Returns
    -------
    Retested: code 0 where the treatment is proved and nothing changed, else 1.

    Raises
    ------
    KettlestoneError : no store, no such site, no treated sample, or a treatment that is not known.
    """
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        answer = answer_of(store, site, today, machines=machines_of(settings))
    return retest_told(answer, as_json=as_json, language=language)


def retest_told(answer: SiteAnswer, *, as_json: bool, language: str) -> Retested:
    """Word the retest of a site; parameters and errors as for ``retest``."""
    found, course = answer.retest, answer.site.course
    if found is None or course is None:
        raise _nothing_to_verify(answer.site)
    overdue = _overdue(found.overdue_days)
    when = " ".join(say(one, language) for one in (found.next_test.said, *overdue))
    if as_json:
        on = found.next_test.on
        after = {"on": None if on is None else f"{on:%Y-%m-%d}", "overdue_days": found.overdue_days, "why": when}
        text = json.dumps({**_data(answer, found, course, language), "next_test": after}, ensure_ascii=False, indent=1)
    else:
        text = "\n".join([*_lines(answer, found, course, language), "", when])
    clean = found.proved and not answer.site.fitted.notices
    return Retested(text, CLEAN if clean else FINDINGS)


def _overdue(days: int) -> list[Said]:
    if days == 1:
        return [Said("verify.next.overdue_one")]
    return [Said("verify.next.overdue", {"days": days})] if days else []


def _nothing_to_verify(site: Site) -> KettlestoneError:
    if site.course is None:
        return KettlestoneError(
            f"{site.name.name}: the store has no sample from behind a treatment.\n  Nothing was verified.\n"
            "  Import a raw and a treated sample of one visit."
        )
    return KettlestoneError(
        f'{site.name.name}: "{site.facts.fitted_then.written}" is no treatment that is known.\n'
        f"  Nothing was verified.\n"
        f'  Enter it with kettlestone treatment set "{site.name.name}" --treatment NAME --by … --why …;\n'
        f"  names: {', '.join(TREATMENTS)}."
    )


def _lines(answer: SiteAnswer, found: Retest, course: Timeline, language: str) -> list[str]:
    def word(code: str) -> str:
        return say(Said(f"verify.text.{code}"), language)

    title = say(TREATMENTS[found.treatment].title, language) if found.stated else word("unstated")
    lines = [f"{answer.site.name.name}: {title}"]
    if found.verification is None:
        lines += ["", say(Said(_without_pair(course)), language)]
    else:
        pair = [f"{word(side)} {_about(course, name, language)}"
                for side, name in (("raw", course.raw), ("treated", course.treated))]  # fmt: skip
        lines += [", ".join(pair), ""]
        lines += [say(said, language) for said in found.verification.findings]
        lines += ["", *_table(found.verification, language)]
        lines += _causes(found.verification.causes, word("causes"), language)
    notices = answer.site.fitted.notices
    lines += ["", word("fitted"), *(f"  {say(said, language)}" for said in notices)] if notices else []
    lines += ["", word("history"), *(f"  {say(said, language)}" for said in found.course.findings)]
    if found.course.exhausted_on is not None:
        lines.append(f"  {word('since')} {_span(found.course.exhausted_on, language)}")
    if found.verification is None:
        lines += _causes(found.course.causes, word("causes"), language)
    return [*lines, *(["", *(say(said, language) for said in answer.verdict)] if answer.verdict else [])]


def _without_pair(course: Timeline) -> str:
    return "verify.no_second_water" if course.raw else "verify.no_pair"


def _about(course: Timeline, name: str, language: str) -> str:
    when, label = course.samples["collected_at"][name], str(course.samples["label"][name] or name)
    return label if pd.isna(when) else f"{label} ({day(when, language)})"


def _table(found: Verification, language: str) -> list[str]:
    """Lay prediction and measurement of every quantity side by side."""
    heads = [say(Said(f"verify.text.{code}"), language) for code in
             ("quantity", "before", "expected", "measured", "verdict")]  # fmt: skip
    rows = [heads, *(_row(one, language) for one in found.compared)]
    widths = [max(len(row[place]) for row in rows) for place in range(len(heads))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def _row(one: Compared, language: str) -> list[str]:
    digits = _DIGITS.get(one.column, 0)
    # The table is where the German name of the quantity is told once by its other name.
    code = "verify.text.alkalinity" if one.column == ALKALINITY else f"verify.name.{one.column}"
    name = say(Said(code), language)
    unit = "" if one.after.unit == "pH" else f" [{one.after.unit}]"
    low, high = max(one.predicted.value - one.allowed, 0.0), one.predicted.value + one.allowed
    if one.column == "ph" and one.before > one.predicted.value:
        high = one.before + one.allowed
    expected = "" if math.isnan(low) else f"{_figure(low, digits)} – {_figure(high, digits)}"
    verdict = say(Said(f"verify.verdict.{one.verdict.replace(' ', '_')}"), language)
    cells = [name + unit, _figure(one.before, digits), expected, _figure(one.after.value, digits), verdict]
    comma = language in DECIMAL_COMMA
    return [cell.replace(".", ",") if comma and i in (1, 2, 3) else cell for i, cell in enumerate(cells)]


def _figure(value: float, digits: int) -> str:
    return "" if math.isnan(value) else f"{value:.{digits}f}"


def _causes(causes: tuple[Cause, ...], heading: str, language: str) -> list[str]:
    shown = [one for one in causes if one.probability >= _SHOWN]
    return ["", heading, *(f"  {one.percent:3.0f} %  {say(one.said, language)}" for one in shown)] if shown else []


def _span(span: Span, language: str) -> str:
    first, last = day(span.earliest, language), day(span.latest, language)
    days = f"{day(span.day, language)} ({first} – {last})"
    return days if span.litres is None else f"{days}, {span.litres.value:.0f} L"


def _data(answer: SiteAnswer, retested: Retest, course: Timeline, language: str) -> dict[str, Any]:
    found, past = retested.verification, retested.course
    without = [say(Said(_without_pair(course)), language)]
    return {
        "client": answer.site.name.client,
        "site": answer.site.name.site,
        "outcome": answer.outcome,
        "proof": "cannot tell" if found is None else found.outcome,
        "fitted": fitted_data(answer.site.fitted),
        "notices": [say(said, language) for said in answer.site.fitted.notices],
        "treatment": retested.treatment,
        "settings": dict(retested.settings),
        "raw": course.raw,
        "treated": course.treated,
        "findings": without if found is None else [say(said, language) for said in found.findings],
        **_of_pair(found, language),
        "history": {
            "course": past.course,
            "quantity": past.quantity,
            "samples": past.used,
            "share": _range(past.share),
            "exhausted_on": _dates(past.exhausted_on),
            "step_on": _dates(past.step_on),
            "action_on": _dates(past.action_on),
            "source_on": _dates(past.source_on),
            "removed_eq": _known(past.removed_eq),
            "causes": [_cause(one, language) for one in past.causes],
            "findings": [say(said, language) for said in past.findings],
        },
    }


def _of_pair(found: Verification | None, language: str) -> dict[str, Any]:
    """Lay out what the pair shows, empty where there is none."""
    if found is None:
        return {"compared": [], "bypass": None, "bypass_by": {}, "bypass_agrees": None, "rejection": None, "causes": []}
    return {
        "compared": [_compared(one) for one in found.compared],
        "bypass": _range(found.bypass),
        "bypass_by": {name: _range(one) for name, one in found.bypass_by.items()},
        "bypass_agrees": found.bypass_agrees,
        "rejection": None if found.rejection is None else _range(found.rejection),
        "causes": [_cause(one, language) for one in found.causes],
    }


def _compared(one: Compared) -> dict[str, Any]:
    return {
        "quantity": one.column,
        "before": _known(one.before),
        "measured": _range(one.after),
        "predicted": _range(one.predicted),
        "allowed": _known(one.allowed),
        "role": one.role,
        "verdict": one.verdict,
    }


def _cause(one: Cause, language: str) -> dict[str, Any]:
    evidence = [say(said, language) for said in one.evidence]
    return {
        "cause": one.name,
        "detail": one.detail,
        "probability": round(one.probability, 4),
        "said": say(one.said, language),
        "evidence": evidence,
    }


def _range(one: Range) -> dict[str, Any] | None:
    if math.isnan(one.value):
        return None
    return {"value": one.value, "low": _known(one.low), "high": _known(one.high), "unit": one.unit}


def _dates(span: Span | None) -> dict[str, Any] | None:
    if span is None:
        return None
    days = {name: f"{getattr(span, name):%Y-%m-%d}" for name in ("day", "earliest", "latest")}
    return days if span.litres is None else {**days, "litres": _range(span.litres)}


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None

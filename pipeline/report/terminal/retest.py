"""The answer to `retest`: does the treatment of a site do its work, since when not, why, and when to test next."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from pipeline.report.site_course import NONE, SiteCourse, gather, later_reading
from pipeline.store.database import Store
from pipeline.treat.choosing.case import ALKALINITY
from pipeline.treat.processes.treatments import TREATMENTS
from pipeline.verify import history, together, unstated, verify
from pipeline.verify.outcomes import in_percent
from pipeline.words import Said, day, say

if TYPE_CHECKING:
    from datetime import date

    from pipeline.settings import Settings
    from pipeline.treat.advice import Range
    from pipeline.verify.outcomes import Cause, Compared, History, NextTest, Span, Verification

CLEAN, FINDINGS = 0, 1
LIKELIEST: Final = "verify.history.most_likely"
_TO_DO: Final = {
    ("exhausted media", ""): "verify.do.change",
    ("exhausted media", "softener"): "verify.do.regenerate",
    ("failed membrane", ""): "verify.do.membrane",
    ("moved valve", ""): "verify.do.valve",
}
RISEN: Final = "verify.later_up"
_TIED: Final = 1.5  # two causes so close in probability are equal [CP]
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
        course = gather(store, site)
    found = _verified(course)
    past = history(course.samples, course.treatment, course.facts, course.uncertainty)
    found = None if found is None else as_guess(judged_together(found, past), course)
    later = later_reading(course)
    found = None if found is None else replace(found, findings=(*found.findings, *later))
    clean = found is not None and found.outcome == "proved" and past.course in ("steady", "too few samples")
    clean = clean and RISEN not in {said.code for said in later}
    plan = _plan(found, past)
    overdue = 0 if plan.on is None else max((today - plan.on.date()).days, 0)
    said = [plan.said, *([Said("verify.next.overdue", {"days": overdue})] if overdue else [])]
    when = " ".join(say(one, language) for one in said)
    if as_json:
        after = {"on": None if plan.on is None else f"{plan.on:%Y-%m-%d}", "overdue_days": overdue, "why": when}
        text = json.dumps({**_data(course, found, past, language), "next_test": after}, ensure_ascii=False, indent=1)
    else:
        text = "\n".join([*_lines(course, found, past, language), "", when])
    return Retested(text, CLEAN if clean else FINDINGS)


def _verified(course: SiteCourse) -> Verification | None:
    if not course.raw:
        return None
    samples, spread = course.samples.T, course.uncertainty.T
    raw, treated = course.raw, course.treated
    widths: tuple[pd.Series, pd.Series] = (spread[raw], spread[treated])
    return verify(samples[raw], samples[treated], course.treatment, course.settings, widths, visit=course.visit)


def judged_together(found: Verification, past: History) -> Verification:
    """Let pair and course give one answer: the cause that is named first is the one both make likeliest."""
    causes = together(found.causes, past.causes)
    if not causes:
        return found
    top = Said(LIKELIEST, {"cause": causes[0].said, "percent": in_percent(causes[0].probability)})
    tied = [Said("verify.as_likely", {"cause": cause.said}) for cause in causes[1:2]
            if cause.probability * _TIED >= causes[0].probability]  # fmt: skip
    told = [
        [top, *tied, *_what_to_do(found, causes[0])] if said.code == LIKELIEST else [said] for said in found.findings
    ]
    findings = [said for group in told for said in group]
    if causes[0].name == "as set" and past.causes and past.causes[0].name == "source change":
        findings.insert(1, Said("verify.do.source"))
    return replace(found, causes=causes, findings=tuple(findings))


def _what_to_do(found: Verification, cause: Cause) -> list[Said]:
    """Say what the likeliest cause asks for."""
    code = _TO_DO.get((cause.name, found.treatment), _TO_DO.get((cause.name, ""), ""))
    return [Said(code)] if code else []


def as_guess(found: Verification, course: SiteCourse) -> Verification:
    """Where nothing is recorded as fitted there is nothing to prove: say so, and what the pair looks like."""
    if course.treatment != NONE:
        return found
    causes = found.causes if course.stated else unstated(found.causes)
    likeliest = {"cause": causes[0].said, "percent": in_percent(causes[0].probability)} if causes else {}
    first = Said(
        "verify.outcome.none_recorded" if course.stated else "verify.outcome.unstated", {"site": course.site.name}
    )
    likely = tuple(
        Said(LIKELIEST, likeliest) if said.code == LIKELIEST else said
        for said in found.findings
        if not said.code.startswith("verify.outcome.") and said.code != "verify.differs"
    )
    return replace(found, causes=causes, findings=(first, *likely))


def _plan(found: Verification | None, past: History) -> NextTest:
    """Take the earlier of the two days."""
    plans = [past.next_test] if found is None else [found.next_test, past.next_test]
    return min(plans, key=lambda plan: pd.Timestamp.max if plan.on is None else plan.on)


def _lines(course: SiteCourse, found: Verification | None, past: History, language: str) -> list[str]:
    def word(code: str) -> str:
        return say(Said(f"verify.text.{code}"), language)

    title = say(TREATMENTS[course.treatment].title, language) if course.stated else word("unstated")
    lines = [f"{course.site.name}: {title}"]
    if found is None:
        lines += ["", say(Said("verify.no_pair"), language)]
    else:
        pair = [f"{word(side)} {_about(course, name, language)}"
                for side, name in (("raw", course.raw), ("treated", course.treated))]  # fmt: skip
        lines += [", ".join(pair), ""]
        lines += [say(said, language) for said in found.findings]
        lines += ["", *_table(found, language)]
        lines += _causes(found.causes, word("causes"), language)
    lines += ["", word("history"), *(f"  {say(said, language)}" for said in past.findings)]
    if past.exhausted_on is not None:
        lines.append(f"  {word('since')} {_span(past.exhausted_on, language)}")
    if found is None:
        lines += _causes(past.causes, word("causes"), language)
    return lines


def _about(course: SiteCourse, name: str, language: str) -> str:
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
    return [cell.replace(".", ",") if language == "de" and i in (1, 2, 3) else cell for i, cell in enumerate(cells)]


def _figure(value: float, digits: int) -> str:
    return "" if math.isnan(value) else f"{value:.{digits}f}"


def _causes(causes: tuple[Cause, ...], heading: str, language: str) -> list[str]:
    shown = [one for one in causes if one.probability >= _SHOWN]
    return (
        ["", heading, *(f"  {in_percent(one.probability):3.0f} %  {say(one.said, language)}" for one in shown)]
        if shown
        else []
    )


def _span(span: Span, language: str) -> str:
    first, last = day(span.earliest, language), day(span.latest, language)
    days = f"{day(span.day, language)} ({first} – {last})"
    return days if span.litres is None else f"{days}, {span.litres.value:.0f} L"


def _data(course: SiteCourse, found: Verification | None, past: History, language: str) -> dict[str, Any]:
    no_pair = [say(Said("verify.no_pair"), language)]
    return {
        "client": course.site.client,
        "site": course.site.site,
        "treatment": course.treatment,
        "settings": dict(course.settings),
        "raw": course.raw,
        "treated": course.treated,
        "outcome": "cannot tell" if found is None else found.outcome,
        "findings": no_pair if found is None else [say(said, language) for said in found.findings],
        "compared": [] if found is None else [_compared(one) for one in found.compared],
        "bypass": None if found is None else _range(found.bypass),
        "bypass_by": {} if found is None else {name: _range(one) for name, one in found.bypass_by.items()},
        "bypass_agrees": None if found is None else found.bypass_agrees,
        "rejection": None if found is None or found.rejection is None else _range(found.rejection),
        "causes": [] if found is None else [_cause(one, language) for one in found.causes],
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

"""Keep the answers of a person, with who, when and why, and let what follows from them follow."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from pipeline.deciding.answer import READING, refuse_incomplete
from pipeline.deciding.bottles import exchanged_places
from pipeline.deciding.causes import taken_cause
from pipeline.deciding.consequences import Answering, Consequences
from pipeline.deciding.corrections import correct
from pipeline.deciding.proving import prove_anew
from pipeline.deciding.remembering import remember_form
from pipeline.deciding.reports import about_report, use_report
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.store.database import Store, absent
from pipeline.store.decide import StoredDecision, add_decision
from pipeline.store.facts import put_facts_in_place
from pipeline.store.findings import finding
from pipeline.store.journal import Change
from pipeline.store.reach import answered_with, count_open, same_question, samples_of, touched_samples
from pipeline.store.samples import wide_samples

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

    from pipeline.deciding.answer import Answer
    from pipeline.deciding.remembering import Headings
    from pipeline.settings import Settings

_CONSEQUENCES: Final[dict[str, Callable[[Answering], Consequences]]] = {
    "correct": correct,
    "take": taken_cause,
    "exchange": exchanged_places,
    "use-report": use_report,
}
# What changes readings or facts does so once, however many findings of the sample are named.
_OF_SAMPLE: Final = frozenset(_CONSEQUENCES)


@dataclass(frozen=True)
class DecisionOutcome:
    """What a decision led to.

    Attributes
    ----------
    decision_id, finding_id, action : of the decision.
    sample_id, label, called, verdict_before, verdict_after : of the sample, with what people call it; of a whole file
        both name the file.
    analyte, value, unit, basis : the one value that was corrected, canonical; ``value`` is None where there is none.
    detail : what was done, in words.
    findings : how many findings were answered.
    open_before, open_after : of the samples concerned, how many are on hold or rejected.
    """

    decision_id: int
    finding_id: int
    action: str
    sample_id: str
    label: str
    called: str
    verdict_before: str
    verdict_after: str
    analyte: str
    value: float | None
    unit: str
    basis: str
    detail: str
    findings: int
    open_before: int
    open_after: int

    def plain(self) -> dict[str, Any]:
        """Give the outcome as JSON-ready values."""
        return dict(vars(self))


@dataclass(frozen=True)
class _Kept:
    """A decision in place: what is told of it once the samples are proved anew."""

    number: int
    case: Answering
    done: Consequences
    covered: tuple[str, ...]
    verdict: str
    open_before: int


def decide(settings: Settings, answer: Answer, now: datetime) -> DecisionOutcome:
    """Keep one answer; see ``decide_all``."""
    return decide_all(settings, [answer], now)[0]


def decide_all(
    settings: Settings, answers: Sequence[Answer], now: datetime, headings: Headings | None = None
) -> list[DecisionOutcome]:
    """Keep what a person decided about findings, all of it or nothing, and say what follows.

    A finding that is accepted no longer holds its sample; a rejected one rejects it; one to be repeated holds it until
    the new reading comes. What is corrected becomes new readings that point at the old ones, or other facts of the
    samples; these are checked and explained again. ``reopen`` takes the answer in force back. Nothing that was read is
    ever changed. An answer to a whole source or column reaches all its members.

    Parameters
    ----------
    settings : where the store is.
    answers : of the person; one that an earlier one of them has answered already is passed over, and so is a change
        of readings that was made for another finding of the sample.
    now : time of the decision, UTC.
    headings : reads the headings of a stored file, so that what was answered for it holds for later files like it.

    Raises
    ------
    KettlestoneError : no store, no such finding, or an answer is not complete; nothing was changed.
    """
    for answer in answers:
        refuse_incomplete(answer)
    if not settings.store.exists():
        raise absent(settings.store)
    with Store(settings.store, wait_s=settings.lock_wait_s) as store:
        said = {"answers": [asdict(one) for one in answers], "now": now.isoformat(), "headings": headings is not None}
        said["settings"] = settings.plain()
        with store.transaction(Change("decide", said)):
            kept, touched = _kept(store, settings, answers, now)
            if headings is not None:
                for one in kept:
                    remember_form(store, one.case, one.number, headings)
            if touched:
                put_facts_in_place(store, touched)
                prove_anew(store, touched, settings, now, f"decision-{kept[-1].number}")
        return [_outcome(store, one) for one in kept]


def _kept(store: Store, settings: Settings, answers: Sequence[Answer], now: datetime) -> tuple[list[_Kept], set[str]]:
    """Put every decision in place, and name the samples whose readings or facts are other ones now."""
    kept: list[_Kept] = []
    touched: set[str] = set()
    settled: set[int] = set()
    changed: set[str] = set()
    for given in answers:
        answer = about_report(store, given) if given.action == "use-report" else given
        if answer.finding_id in settled:
            continue
        case = _case(store, settings, answer, now)
        if answer.action in _OF_SAMPLE and changed.issuperset(case.samples):
            continue  # an answer to another of its findings has changed these readings already
        done = _CONSEQUENCES.get(answer.action, _plain)(case)
        covered = {answer.finding_id, *case.also, *done.also}
        if answer.action == "reopen":
            covered |= set(answered_with(store, answer.finding_id))
        undone = touched_samples(store, sorted(covered))
        done = replace(done, also=tuple(sorted(covered - {answer.finding_id})), samples=done.samples | undone)
        samples = tuple(sorted({*case.samples, *samples_of(store, sorted(covered)), *done.samples}))
        verdict, count = _verdict(store, case), count_open(store, samples)
        number = add_decision(store, _decision(answer, done, now))
        kept.append(_Kept(number, case, done, samples, verdict, count))
        touched |= done.samples
        settled |= covered
        changed |= done.samples
    return kept, touched


def _case(store: Store, settings: Settings, answer: Answer, now: datetime) -> Answering:
    """Look a finding up, with the findings that ask the same where the answer reaches them."""
    found = finding(store, answer.finding_id)
    of_all = answer.rereads or answer.date_order
    alone = answer.action == "correct" and (answer.value is not None or answer.reach == READING or not of_all)
    also = () if alone and not pd.isna(found["sample_id"]) else tuple(same_question(store, found))
    samples = tuple(samples_of(store, [answer.finding_id, *also]))
    return Answering(store, found, also, samples, answer, settings, now)


def _plain(case: Answering) -> Consequences:
    """Answer without a change of readings: accept, reject, repeat, reopen."""
    if case.answer.action == "reopen" and not isinstance(case.found["decision"], str):
        raise KettlestoneError(
            f"finding {case.answer.finding_id} was not answered; there is nothing to reopen.\n  {UNCHANGED}\n"
            "  kettlestone findings --all lists what was decided."
        )
    return Consequences()


def _decision(answer: Answer, done: Consequences, now: datetime) -> StoredDecision:
    return StoredDecision(
        finding_id=answer.finding_id,
        action=answer.action,
        decided_by=answer.by.strip(),
        decided_at=now,
        why=answer.why.strip(),
        analyte=done.analyte,
        value=done.value,
        unit=done.unit,
        basis=done.basis,
        detail=done.detail,
        also=done.also,
        readings=done.readings,
        withdrawn=done.withdrawn,
        facts=done.facts,
        said=json.dumps(asdict(answer), ensure_ascii=False),
    )


def _verdict(store: Store, case: Answering) -> str:
    if pd.isna(case.found["sample_id"]):
        return ""
    return str(wide_samples(store, [str(case.found["sample_id"])])["current_verdict"].item())


def _outcome(store: Store, kept: _Kept) -> DecisionOutcome:
    found, done = kept.case.found, kept.done
    whole = pd.isna(found["sample_id"])
    return DecisionOutcome(
        decision_id=kept.number,
        finding_id=kept.case.answer.finding_id,
        action=kept.case.answer.action,
        sample_id="" if whole else str(found["sample_id"]),
        label=str(found["file"]) if whole else str(found["label"]),
        called=str(found["file"]) if whole else str(found["called"]),
        verdict_before=kept.verdict,
        verdict_after=_verdict(store, kept.case),
        analyte=done.analyte,
        value=done.value,
        unit=done.unit,
        basis=done.basis,
        detail=done.detail,
        findings=1 + len(done.also),
        open_before=kept.open_before,
        open_after=count_open(store, kept.covered),
    )

"""A person's answer to a finding: kept beside the reading, never in its place; the sample is proven anew."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline import __version__
from pipeline.checks.limits import Limits
from pipeline.checks.record_dates import DateLimits
from pipeline.errors import KettlestoneError
from pipeline.normalise.units import referred_to_25c, resolve
from pipeline.prove import prove
from pipeline.stages import Silent
from pipeline.store import faults
from pipeline.store.appender import appending
from pipeline.store.batch_record import new_batch_id
from pipeline.store.database import Store
from pipeline.store.decide import StoredDecision, write_decision
from pipeline.store.findings import corrected, finding
from pipeline.store.samples import sample_rows, wide_samples
from pipeline.store.table import neighbourhood
from schemas.columns import ANALYTES
from schemas.readings import SIGNED

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.settings import Settings

ACTIONS: Final = ("accept", "reject", "correct", "repeat")
_NOTHING: Final = "  Nothing was changed."


@dataclass(frozen=True)
class Answer:
    """What a person says to a finding; ``value unit basis analyte`` belong to a correction only."""

    finding_id: int
    action: str
    by: str
    why: str
    value: float | None = None
    unit: str = ""
    basis: str = ""
    analyte: str = ""


@dataclass(frozen=True)
class DecisionOutcome:
    """What a decision led to: its number, the sample and its verdict before and after, the corrected value.

    ``value`` is None where nothing was corrected; it is in the canonical ``unit`` and ``basis``.
    """

    decision_id: int
    finding_id: int
    action: str
    sample_id: str
    label: str
    verdict_before: str
    verdict_after: str
    analyte: str
    value: float | None
    unit: str
    basis: str

    def plain(self) -> dict[str, Any]:
        """Give the outcome as JSON-ready values."""
        return dict(vars(self))


def decide(settings: Settings, answer: Answer, now: datetime) -> DecisionOutcome:
    """Keep what a person decided about a finding, and say what follows.

    A finding that is accepted no longer holds its sample; a rejected one rejects it; one to be repeated
    holds it until a new reading comes. A correction is a new reading that points at the old one; with it
    the sample is checked and explained again. Nothing that was read is ever changed.

    Parameters
    ----------
    settings : where the store is.
    answer : of the person.
    now : time of the decision, UTC.

    Raises
    ------
    KettlestoneError : no store, no such finding, or the answer is not complete; nothing was changed.
    """
    _complete(answer)
    if not settings.store.exists():
        raise faults.missing(settings.store)
    with Store(settings.store, wait_s=settings.lock_wait_s) as store:
        found = finding(store, answer.finding_id)
        sample_id = "" if pd.isna(found["sample_id"]) else str(found["sample_id"])
        before = _verdict(store, sample_id)
        decision = _decision(answer, found, now)
        undone = corrected(store, answer.finding_id)

        def consequence(number: int) -> None:
            if sample_id and (answer.action == "correct" or undone):
                prove_anew(store, sample_id, settings, now, f"decision-{number}")

        number = write_decision(store, decision, consequence)
        after = _verdict(store, sample_id)
    return DecisionOutcome(
        decision_id=number,
        finding_id=answer.finding_id,
        action=answer.action,
        sample_id=sample_id,
        label=str(found["label"]) if sample_id else str(found["file"]),
        verdict_before=before,
        verdict_after=after,
        analyte=decision.analyte,
        value=decision.value,
        unit=decision.unit,
        basis=decision.basis,
    )


def prove_anew(store: Store, sample_id: str, settings: Settings, now: datetime, occasion: str) -> None:
    """Prove one stored sample again, beside the samples of its site and its file, and store what is found.

    It becomes a batch without files, within the open transaction: the sample with its verdict, findings and causes.

    Parameters
    ----------
    store : open, in a transaction; the readings that count are those the checks see.
    sample_id : the sample.
    settings : of the run.
    now : time of the check, UTC.
    occasion : why, for the batch's name.
    """
    samples = neighbourhood(store, sample_id)
    proof = prove(
        samples, Limits((DateLimits.at(now),)), lambda _: np.asarray(samples.about.index == sample_id), Silent()
    )
    findings = proof.checked.findings
    row = sample_rows(store, [sample_id]).assign(
        verdict=str(proof.checked.verdict[sample_id]), not_evaluated=str(proof.checked.not_evaluated[sample_id])
    )
    with appending(store, new_batch_id(now, samples.about.index, occasion)) as batch:
        batch.add("samples", row.drop(columns="batch_id"))
        batch.add("findings", findings[(findings["sample_id"] == sample_id).to_numpy()])
        if proof.causes is not None:
            batch.add("explanations", proof.causes.explanations)
        batch.close(
            {
                "started_at": now,
                "finished_at": now,
                "version": __version__,
                "settings": settings.plain(),
                "entries_read": 0,
            }
        )


def _verdict(store: Store, sample_id: str) -> str:
    return str(wide_samples(store, [sample_id])["current_verdict"].item()) if sample_id else ""


def _complete(answer: Answer) -> None:
    """Refuse an answer that says too little or too much."""
    if answer.action not in ACTIONS:
        raise KettlestoneError(f'"{answer.action}" is no decision: {", ".join(ACTIONS)}.\n{_NOTHING}')
    for name, text in (("--by", answer.by), ("--why", answer.why)):
        if not text.strip():
            raise KettlestoneError(f"say who decides and why: {name} is empty.\n{_NOTHING}")
    if answer.action == "correct" and answer.value is None:
        raise KettlestoneError(f"a correction needs its value: --value 14 --unit °dH.\n{_NOTHING}")
    if answer.action != "correct" and (answer.value is not None or answer.unit or answer.basis):
        raise KettlestoneError(
            f'a value goes with "correct" only, not with "{answer.action}".\n{_NOTHING}\n'
            "  Say correct, or leave out --value, --unit and --basis."
        )


def _decision(answer: Answer, found: pd.Series, now: datetime) -> StoredDecision:
    plain = StoredDecision(answer.finding_id, answer.action, answer.by.strip(), now, answer.why.strip())
    if answer.value is None:
        return plain
    if pd.isna(found["sample_id"]):
        raise KettlestoneError(
            f"finding {answer.finding_id} is about a whole file; a value belongs to one sample.\n{_NOTHING}\n"
            "  Correct its samples one by one (kettlestone findings SAMPLE), or send the file again."
        )
    code = _analyte(answer, found)
    value = _canonical(answer, code)
    form = ANALYTES[code]
    return replace(
        plain,
        analyte=code,
        value=value,
        unit=form.unit,
        basis=form.basis,
        raw_text=f"{answer.value:g}",
        raw_unit=answer.unit,
    )


def _analyte(answer: Answer, found: pd.Series) -> str:
    """Find which quantity is corrected: the one named, or the only one of the finding."""
    named = answer.analyte.strip().casefold().replace(" ", "_")
    if named:
        if named in ANALYTES:
            return named
        raise KettlestoneError(
            f'"{answer.analyte}" is not a known quantity.\n{_NOTHING}\n  Known: {", ".join(ANALYTES)}.'
        )
    concerned = [code for code in str(found["analyte"]).split() if code in ANALYTES]
    if len(concerned) == 1:
        return concerned[0]
    choice = ", ".join(concerned or ANALYTES)
    raise KettlestoneError(
        f"finding {answer.finding_id} is not about one quantity alone; say which one is corrected.\n{_NOTHING}\n"
        f"  Add --analyte, one of: {choice}."
    )


def _canonical(answer: Answer, code: str) -> float:
    """Bring the value into the canonical unit of its quantity."""
    meaning = referred_to_25c(resolve(code, answer.unit, answer.basis))
    title = ANALYTES[code].title
    title = title if code == "ph" else f"{title[0].lower()}{title[1:]}"
    if meaning.problem or meaning.ambiguous:
        unclear = meaning.ambiguous or f"no unit of {title} that is known"
        raise KettlestoneError(
            f'"{answer.unit}" is not clear: {unclear}.\n'
            f"{_NOTHING}\n  Give the unit, and the form where there are several: --unit mg/L --basis CaCO3."
        )
    value = meaning.factor * float(answer.value or 0.0) + meaning.offset
    if not math.isfinite(value) or (value < 0 and code not in SIGNED):
        raise KettlestoneError(f"{answer.value:g} {answer.unit} cannot be a {title}.\n{_NOTHING}")
    return value

"""Answer to `explain`: what most likely happened to a sample of the store, worked out from its readings."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from rich.table import Table
from rich.text import Text

from pipeline.checks.limits import Limits
from pipeline.checks.record_dates import DateLimits
from pipeline.errors import KettlestoneError
from pipeline.fault_log import FaultLog
from pipeline.fault_notices import fault_notices
from pipeline.prove import prove
from pipeline.report import causes
from pipeline.report.judgement import explanation_said, finding_said, patterns_said
from pipeline.report.sentences import decimal_marks
from pipeline.report.terminal.screen import Screen
from pipeline.report.wording import SIGNS, VERDICT_WORDS
from pipeline.stages import Silent
from pipeline.store.database import Store
from pipeline.store.files import file_names
from pipeline.store.findings import findings
from pipeline.store.samples import find_sample, wide_samples
from pipeline.store.table import neighbourhood
from pipeline.words.labels import label_in
from schemas.columns import CONTROLS, OPEN

if TYPE_CHECKING:
    from datetime import datetime

    from rich.console import Console

    from pipeline.settings import Settings

_TOLD = ("finding_id", "check_id", "current_severity")
_OFF = "off: standard uncertainties between what was read and what the others make of it; above 2 disagrees"
TWO_QUESTIONS = "Two questions, each with its own 100 %: exchanged bottles can each hold readings that agree."


@dataclass(frozen=True)
class Why:
    """A sample, its verdict, its open findings, what may have happened, and its notes; plain values throughout."""

    sample: dict[str, Any]
    findings: list[dict[str, Any]]
    explanation: dict[str, Any]
    patterns: list[dict[str, Any]]
    notes: list[str]
    faults: list[str]
    language: str = "en"

    @property
    def something(self) -> bool:
        """Tell whether there is something to look at: open findings, a cause found, or a check that failed."""
        likeliest = [cause["mistake"] for cause in self.explanation["causes"][:1]]
        return bool(self.findings or self.faults) or likeliest != [causes.NOTHING]

    def as_json(self) -> str:
        """Write it down for other programs."""
        return json.dumps(vars(self), ensure_ascii=False, default=str)


def why(settings: Settings, text: str, now: datetime) -> Why:
    """Work out what may have happened to a sample, with the corrections in force.

    Parameters
    ----------
    settings : where the store is.
    text : identifier of the sample, or its label where only one has it.
    now : what dates are judged by, UTC.

    Raises
    ------
    KettlestoneError : no store, no such sample, a control of the laboratory, or several with that label.
    """
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        sample_id = find_sample(store, text)
        samples = neighbourhood(store, sample_id)
        stored = wide_samples(store, [sample_id]).iloc[0]
        if stored["activity"] in CONTROLS:
            raise KettlestoneError(
                f'"{text}" is a control of the laboratory ({stored["activity"]}) and no water: nothing is explained.\n'
                "  Its readings are kept in the store, view v_reading."
            )
        listed = findings(store, sample_id=sample_id)
        names = pd.Series(file_names(store), dtype="str")
    own = np.asarray(samples.about.index == sample_id)
    proof = prove(samples, Limits((DateLimits.at(now),)), lambda _: own, Silent(), asked=own, tolerant=True)
    explained, log = proof.causes, FaultLog(settings.out, now, str(settings))
    open_findings = listed[listed["current_severity"].isin(OPEN)]
    facts = ("sample_id", "called", "label", "client", "site", "stage", "collected_at", "verdict", "current_verdict")
    return Why(
        sample={name: str(stored[name]) for name in facts},
        findings=[
            {
                **{name: row[name] for name in _TOLD},
                "message": finding_said(row, settings.language),
            }
            for row in open_findings.to_dict("records")
        ],
        explanation=explanation_said(
            causes.by_sample(explained, pd.Index([sample_id])).get(sample_id), settings.language
        )
        or {"causes": [], "relations": [], "questions": [], "pattern": False},
        notes=[
            finding_said(row, settings.language)
            for row in listed[listed["current_severity"] == "note"].to_dict("records")
        ],
        patterns=patterns_said(causes.patterns(explained, names), settings.language),
        faults=fault_notices(proof.faults, log)["message"].tolist(),
        language=settings.language,
    )


def show_why(answer: Why, console: Console | None = None) -> None:
    """Print the answer."""
    screen = console or Screen()
    sample, explanation, language = answer.sample, answer.explanation, answer.language
    verdict = sample["current_verdict"]
    place = " · ".join(part for part in (sample["client"], sample["site"], sample["stage"]) if part)
    screen.print(
        Text(
            f"{SIGNS[verdict]} {label_in(VERDICT_WORDS[verdict], language)}  {sample['called']}  {place}",
            style="bold",
        )
    )
    for pattern in answer.patterns:
        screen.print(Text(f"{label_in('One mistake, many rows:', language)} {pattern['said']}  {pattern['file']}"))
    _show_causes(explanation["causes"], screen, language)
    if explanation["relations"]:
        screen.print(_relations(explanation["relations"], language))
    for told in (
        *(f"{label_in('Ask:', language)} {question}" for question in explanation["questions"]),
        *answer.faults,
    ):
        screen.print(Text(told, style="bold"))
    for finding in answer.findings:
        sign = SIGNS[finding["current_severity"]]
        screen.print(Text(f"{sign} {finding['finding_id']} {finding['check_id']}: {finding['message']}"))
    if answer.findings:
        how = label_in("kettlestone decide NUMBER accept|take|repeat|reject|correct --why …", language)
        screen.print(Text(f"{label_in('Answer with', language)} {how}"))


def _show_causes(listed: list[dict[str, Any]], screen: Console, language: str) -> None:
    parts = causes.by_question(listed)
    for question, own in parts:
        first = f"about {question}" if len(parts) > 1 else "what may have happened"
        screen.print(_causes(own, label_in(first, language), language))
        screen.print(Text(own[0]["evidence"]))
    if len(parts) > 1:
        screen.print(Text(label_in(TWO_QUESTIONS, language)))


def _causes(listed: list[dict[str, Any]], first: str, language: str) -> Table:
    table = Table(box=None, pad_edge=False, show_edge=False, header_style="bold")
    for heading in (first, label_in("how sure", language), label_in("would change", language)):
        table.add_column(heading, overflow="fold")
    for cause in listed:
        table.add_row(Text(cause["title"]), Text(cause["words"]), Text(cause["change"]))
    return table


def _relations(listed: list[dict[str, Any]], language: str) -> Table:
    table = Table(
        box=None, pad_edge=False, show_edge=False, header_style="bold",
        caption=label_in(_OFF, language),
        caption_justify="left",
    )  # fmt: skip
    table.add_column(label_in("Relation", language), overflow="fold")
    for heading in ("Read", "Expected", "With the change", "Off"):
        table.add_column(label_in(heading, language), justify="right")
    for row in listed:

        def shown(value: float | None, digits: int = 4) -> str:
            return decimal_marks(causes.significant(value, digits), language)

        read_off = row["observed"] is not None
        alone = "" if read_off else f" {row['unit']}"
        table.add_row(
            Text(row["title"]),
            f"{shown(row['observed'])} {row['unit']}".strip() if read_off else "",
            f"{shown(row['before'])}{alone}",
            f"{shown(row['after'])}{alone}",
            f"{shown(row['score_before'], 2)} → {shown(row['score_after'], 2)}",
        )
    return table

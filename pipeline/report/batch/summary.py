"""The summary of a batch as plain data: one source for the terminal, the page and the JSON file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.explain.suspicion import KNOWN_CHECKS
from pipeline.problems import PROBLEMS
from pipeline.reference import gathered
from pipeline.report import causes
from pipeline.report.batch.coverage import coverage, form_questions
from pipeline.report.batch.date_questions import date_questions
from pipeline.report.batch.work_list import work_list
from pipeline.report.judgement import explanation_said, finding_said, patterns_said
from pipeline.report.sentences import other_language, problem_said
from pipeline.texts import TextColumn, first_rows, numbered
from pipeline.words import question_of_check, say
from pipeline.words.labels import label_in
from schemas.columns import ANALYTES, CONTROLS, OPEN, SEVERITIES, VERDICTS

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    from pipeline.fault_log import FaultLog
    from pipeline.report.batch.contents import Batch

SCHEMA_VERSION: Final = 1
MOST_SAMPLES: Final = 200
_MOST_LABELS: Final = 12
_MOST_PLACES: Final = 3  # of a kind of problem in a file
_SHOWN: Final = ("called", "label", "client", "site", "stage", "collected_at", "verdict", "not_evaluated")
_TOLD: Final = [
    "finding_id", "check_id", "severity", "message", "evidence", "observed", "low", "high", "unit", "analyte",
]  # fmt: skip
_LONGEST: Final = 60  # characters of a cell that are repeated
_LEAST_WORRY: Final = "date-form"
_RANK: Final = {verdict: rank for rank, verdict in enumerate(VERDICTS)}


def summarise(batch: Batch, log: FaultLog | None = None, language: str = "en") -> dict[str, Any]:
    """Put a batch into words and counts.

    Parameters
    ----------
    batch : the frames of a finished batch.
    log : takes up what fails at this; that part is empty then, and named under `faults`. Without it it is raised.
    language : of all that is told; codes, numbers and what the stages said in English stand beside it.

    Returns
    -------
    JSON-ready dictionary: `schema_version language batch verdict entries coverage files samples controls checks
    patterns dates source_findings attention work repeat ask assessment set_aside notices faults`. At most 200 samples
    are listed under `attention`; how many there are in all stands beside them, and all of them are in ``findings.csv``.
    """
    waters, findings = batch.waters, batch.numbered_findings
    verdicts = waters["verdict"].value_counts()
    accepted, aside = len(batch.readings), len(batch.set_aside)
    parts = _Parts(log, [fault.subject for fault in batch.faults])
    attention = parts.made("attention", lambda: _attention(batch, language), {"total": 0, "listed": []})
    return {
        "schema_version": SCHEMA_VERSION,
        "language": language,
        "batch": batch.record,
        "verdict": _worst(batch),
        "entries": {"read": accepted + aside, "accepted": accepted, "set_aside": aside},
        "coverage": parts.made(
            "coverage",
            lambda: coverage(batch.set_aside, accepted, batch.waiting, _names(batch), form_questions(batch), language),
            {"cells": accepted + aside, "used": accepted, "set_aside": aside, "waiting": []},
        ),
        "files": _records(batch.files),
        "samples": {"total": len(waters), **{name: int(verdicts.get(name, 0)) for name in VERDICTS}},
        "controls": _controls(batch),
        "checks": parts.made("checks", lambda: _checks(batch), []),
        "patterns": parts.made(
            "patterns", lambda: patterns_said(causes.patterns(batch.explained, _names(batch)), language), []
        ),
        "dates": parts.made("dates", lambda: date_questions(batch, _names(batch), language), []),
        "source_findings": parts.made(
            "source_findings", lambda: _findings(_of_sources(findings, batch).head(MOST_SAMPLES), batch, language), []
        ),
        "attention": attention,
        "work": parts.made("work", lambda: work_list(batch, attention["listed"], language), []),
        "repeat": parts.made("repeat", lambda: _repeat(batch), {"total": 0, "listed": []}),
        "ask": parts.made("ask", lambda: _ask(batch, language), []),
        "assessment": [] if batch.assessment is None else _records(batch.assessment.verdicts.head(MOST_SAMPLES)),
        "set_aside": parts.made("set_aside", lambda: _problems(batch.set_aside, language), []),
        "notices": parts.made("notices", lambda: _problems(batch.notices, language), []),
        "faults": parts.faults,
    }


@dataclass(frozen=True)
class _Parts:
    """The parts of a summary: one that the program fails at is empty and named, and the others are made."""

    log: FaultLog | None
    faults: list[str]

    def made(self, name: str, make: Callable[[], Any], empty: Any) -> Any:  # noqa: ANN401 - JSON
        try:
            return make()
        except Exception as error:
            if self.log is None:
                raise
            self.log.add(f"the part {name} of the summary", error)
            self.faults.append(f"summary: {name}")
            return empty


def _worst(batch: Batch) -> str:
    told = {*batch.waters["verdict"].unique(), *batch.findings["severity"].unique()}
    worst = max((_RANK[name] for name in told), default=0)
    if worst < _RANK["hold"] and len(batch.set_aside):
        worst = max(worst, _RANK["note"])
    return VERDICTS[worst]


def _controls(batch: Batch) -> dict[str, int]:
    """Count the samples that judge the laboratory, by their kind; they are among no other count of samples."""
    kind = TextColumn.of(batch.samples, "activity")
    counted = {name: int(kind.isin([name]).sum()) for name in CONTROLS}
    return {"total": sum(counted.values()), **counted}


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): value for name, value in record.items()} for record in frame.to_dict("records")]


def _checks(batch: Batch) -> list[dict[str, Any]]:
    listed = batch.check_runs.assign(
        title=batch.check_runs["check_id"].map({k: c.title for k, c in KNOWN_CHECKS.items()})
    )
    return _records(listed.sort_values(["flagged", "evaluated"], ascending=False))


def _names(batch: Batch) -> pd.Series[str]:
    named: pd.Series[str] = batch.files.drop_duplicates("file_sha256").set_index("file_sha256")["name"]
    return named


def _findings(findings: pd.DataFrame, batch: Batch, language: str) -> list[dict[str, Any]]:
    names = _names(batch)
    columns = [
        "finding_id",
        "check_id",
        "severity",
        "message",
        "evidence",
        "observed",
        "low",
        "high",
        "unit",
        "analyte",
    ]
    listed = findings[columns].assign(file=findings["file_sha256"].map(names).fillna("").astype("str"))
    told = [{name: None if pd.isna(value) else value for name, value in record.items()} for record in _records(listed)]
    return [{**record, "said": finding_said(record, language)} for record in told]


def _of_sources(findings: pd.DataFrame, batch: Batch) -> pd.DataFrame:
    """Keep the findings about whole sources, and those of controls: many rows may stand on one that fails."""
    control = batch.samples.index[TextColumn.of(batch.samples, "activity").isin(CONTROLS)]
    failed = findings["sample_id"].isin(control) & findings["severity"].isin(OPEN)
    told = findings[findings["sample_id"].isna() | failed].drop_duplicates(["sample_id", "check_id", "message"])
    told = told[told["sample_id"].isna() | ~told.duplicated(["check_id", "message"])]
    owner = batch.samples["file_sha256"].reindex(told["sample_id"]).to_numpy()
    return told.assign(file_sha256=told["file_sha256"].where(told["sample_id"].isna(), owner))


def _attention(batch: Batch, language: str) -> dict[str, Any]:
    """List the samples a person must look at, the worst first, each with its findings and their cause."""
    samples, findings = batch.samples, batch.numbered_findings
    shown = samples[[name for name in samples if name in _SHOWN]]
    chosen = shown.iloc[worst(samples, findings)]
    place = samples.index.get_indexer(pd.Index(findings["sample_id"]))
    listed_in = np.zeros(len(samples) + 1, dtype="bool")  # the last one is for findings about a whole source
    listed_in[samples.index.get_indexer(chosen.index)] = True
    findings = findings[listed_in[place]]
    by_sample: dict[str, list[dict[str, Any]]] = {}
    for sample_id, record in zip(findings["sample_id"], _findings(findings, batch, language), strict=True):
        by_sample.setdefault(str(sample_id), []).append(record)
    explained = causes.by_sample(batch.explained, chosen.index)
    listed = [
        {
            "sample_id": sample_id,
            **{str(name): _plain(value) for name, value in row.items()},
            "findings": by_sample.get(str(sample_id), []),
            "explanation": explanation_said(explained.get(str(sample_id)), language),
        }
        for sample_id, row in chosen.to_dict("index").items()
    ]
    return {"total": int(samples["verdict"].isin(SEVERITIES).sum()), "listed": listed}


def worst(samples: pd.DataFrame, findings: pd.DataFrame) -> npt.NDArray[np.intp]:
    """Give the places of the samples that a summary lists: those a person must look at, the worst first.

    Parameters
    ----------
    samples : (n, …) index `sample_id`, `label verdict`.
    findings : `sample_id check_id` of all findings on them.
    """
    place = samples.index.get_indexer(pd.Index(findings["sample_id"]))
    rank = pd.Categorical(samples["verdict"], categories=VERDICTS).codes
    # A date that could be read two ways is the least of a day's worries: such samples come last of their verdict.
    worried = place[(findings["check_id"] != _LEAST_WORRY).to_numpy() & (place >= 0)]
    count, worries = (np.bincount(rows, minlength=len(samples)) for rows in (place[place >= 0], worried))
    return _first(np.flatnonzero(rank >= _RANK[SEVERITIES[0]]), [-rank, worries == 0, -count], samples["label"])


def _first(places: npt.NDArray[np.intp], keys: list[npt.NDArray[Any]], labels: pd.Series) -> npt.NDArray[np.intp]:
    """Give the first samples by several keys, the last of them the label; only as many labels are sorted as must be."""
    order = places[np.lexsort([key[places] for key in reversed(keys)])]
    if len(order) > MOST_SAMPLES:
        last = order[MOST_SAMPLES - 1]
        later = np.any([key[order] != key[last] for key in keys], axis=0)
        later[:MOST_SAMPLES] = False
        order = order[~later]
    named = {f"key {place}": key[order] for place, key in enumerate(keys)} | {"label": labels.array.take(order)}
    return order[pd.DataFrame(named).sort_values(list(named), kind="stable").index[:MOST_SAMPLES]]


def _plain(value: object) -> object:
    if isinstance(value, pd.Timestamp):
        return value.isoformat()
    return None if value is pd.NaT else value


def _repeat(batch: Batch) -> dict[str, Any]:
    """Say which readings to repeat: the quantities of held and rejected findings, per sample."""
    open_findings = batch.findings[batch.findings["severity"].isin(OPEN)]
    pairs = open_findings[["sample_id", "analyte"]].dropna().drop_duplicates()
    pairs = pairs[pairs["analyte"] != ""]
    if pairs.empty:
        return {"total": 0, "listed": []}
    code, ids = pd.factorize(pairs["sample_id"])
    pairs = pairs[code < MOST_SAMPLES]
    pairs = pairs.assign(analyte=pairs["analyte"].str.split()).explode("analyte").drop_duplicates()
    titles = pairs["analyte"].map({code: analyte.title for code, analyte in ANALYTES.items()}).fillna(pairs["analyte"])
    by_sample = pairs.assign(title=titles).groupby("sample_id", sort=False)["title"].agg(", ".join)
    labels = batch.samples[["called", "label", "client", "site"]].loc[by_sample.index]
    listed = [
        {"sample_id": key, "called": called, "label": label, "client": client, "site": site, "readings": what}
        for key, called, label, client, site, what in zip(
            by_sample.index, labels["called"], labels["label"], labels["client"], labels["site"], by_sample, strict=True
        )
    ]
    return {"total": len(ids), "listed": listed}


def _ask(batch: Batch, language: str) -> list[dict[str, Any]]:
    """List the questions whose answers settle the findings, each with the samples it concerns."""
    open_findings = batch.findings[batch.findings["severity"].isin(OPEN)]
    concerned = open_findings[["check_id", "sample_id"]].drop_duplicates()
    count = concerned.groupby("check_id", sort=False)["sample_id"].count()
    first = concerned.dropna().groupby("check_id").head(_MOST_LABELS)
    named = first.assign(label=batch.samples["called"].reindex(first["sample_id"]).array)
    labels = gathered(named.to_dict("records"), "check_id")
    return [
        {
            "check_id": check_id,
            "question": say(question_of_check(check_id), language),
            "count": number,
            "labels": [row["label"] for row in labels.get(check_id, [])],
        }
        for check_id, number in zip(count.index.tolist(), count.tolist(), strict=True)
    ]


def _problems(problems: pd.DataFrame, language: str) -> list[dict[str, Any]]:
    """Count the problems by kind and file, with one example of each and its first places."""
    if problems.empty:
        return []
    kind = numbered(TextColumn.from_series(problems[name]) for name in ("problem", "name"))
    count = np.bincount(kind)
    order = np.argsort(-count, kind="stable")[:MOST_SAMPLES]
    listed = problems[["problem", "name", "line", "column", "raw_text", "detail", "message"]].iloc[
        first_rows(kind)[order]
    ]
    listed.insert(2, "count", count[order])
    remedies = [PROBLEMS[str(code)].remedy for code in listed["problem"]]
    places = pd.Series(_places(problems, kind, order, language), index=listed.index, dtype=object)
    rows = _records(listed.assign(places=places, remedy=remedies))
    return [{**row, "said": _problem_said(row, language)} for row in rows]


def _problem_said(row: dict[str, Any], language: str) -> str:
    if not other_language(language):
        return str(row["message"])
    told = {"raw_text": row["raw_text"][:_LONGEST], "column": row["column"][:_LONGEST], "detail": row["detail"]}
    return problem_said(row["problem"], told, language)


def _places(
    problems: pd.DataFrame, kind: npt.NDArray[np.int64], wanted: npt.NDArray[np.intp], language: str
) -> list[list[str]]:
    """Give the first places of each wanted kind: "line 5 Eisen"."""
    rows = np.argsort(kind, kind="stable")
    begin = np.searchsorted(kind[rows], wanted)
    end = np.searchsorted(kind[rows], wanted, side="right")
    places, word = [], label_in("line", language)
    for first, last in zip(begin.tolist(), end.tolist(), strict=True):
        shown = problems.iloc[rows[first : min(last, first + _MOST_PLACES)]]
        lines = [f"{word} {line}" if line else "" for line in shown["line"].tolist()]
        columns = shown["column"].astype("str").tolist()
        places.append([" ".join(part for part in pair if part) for pair in zip(lines, columns, strict=True)])
    return places

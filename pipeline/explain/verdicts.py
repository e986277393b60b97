"""One verdict of each sample: what the checks hold and what the weighing of all relations says are one judgement."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks.registry import findings_of, severity_ranks
from pipeline.checks.rollup import rolled_up
from pipeline.explain.check_evidence import INNOCENT, weighed_elsewhere
from pipeline.explain.pairs import PAIR_ANSWERS
from pipeline.explain.record import counted_up
from pipeline.explain.suspicion import SINGLE_MISTAKE, SuspicionLimits, doubts, said_already
from pipeline.normalise.sample_table import places
from pipeline.problems import fill
from pipeline.texts import TextColumn
from schemas.columns import OPEN, VERDICTS

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Places
    from pipeline.checks.limits import Limits
    from pipeline.checks.run import Checked
    from pipeline.explain.rank import Weighed
    from pipeline.explain.tables import Explained
    from pipeline.normalise.sample_table import SampleTable

_NOTE: Final = VERDICTS.index("note")
_HOLD: Final = VERDICTS.index("hold")
_ACQUITTED: Final = "{message} All relations together: no mistake, {innocent:0} %."


def settled(checked: Checked, weighed: Weighed, samples: SampleTable, limits: Limits) -> Checked:
    """Bring the checks and the weighing together to one verdict of each sample.

    A check of two or three figures is evidence and no second court: where it holds a sample by figures that are weighed
    as well, and no mistake is the likelier, its finding becomes a note with both numbers. Where all limits let a record
    pass and all relations together do not, it is held.

    Parameters
    ----------
    checked : what the checks said.
    weighed : every sample that a check holds or a relation speaks against; others may be among them.
    samples : the table both were made from.
    limits : of the checks.

    Returns
    -------
    Checked with the findings of `single-mistake`, one finding about a source in place of those that nearly all of its
    samples share, and the verdicts that follow.
    """
    index = checked.verdict.index
    bounds = limits.of(SuspicionLimits)
    result = doubts(weighed, bounds)
    findings, acquitted = _acquitted(checked.findings, result, bounds)
    verdict = _verdicts(checked, findings, acquitted)
    held = np.isin(verdict, [VERDICTS.index(name) for name in OPEN])
    asked = result[~held[index.get_indexer(result.index)] & ~said_already(result, findings)]
    more, evaluated = findings_of(SINGLE_MISTAKE, asked.drop(columns="innocent"), samples.about.index)
    np.maximum.at(verdict, places(index, more["sample_id"]), severity_ranks(more))
    place = places(index, findings["sample_id"])
    open_findings = pd.concat([findings, more], ignore_index=True)
    told = rolled_up(findings, place, samples, checked.evaluated)
    joined = pd.concat([told, more], ignore_index=True) if len(more) else told
    order = np.argsort(-severity_ranks(joined), kind="stable")
    return replace(
        checked,
        findings=joined.iloc[order].reset_index(drop=True),
        verdict=TextColumn(verdict, VERDICTS).series(index).rename("verdict"),
        runs=_with_run(checked.runs, evaluated, len(more)),
        open_findings=open_findings.loc[severity_ranks(open_findings) >= _HOLD, ["sample_id", "severity", "analyte"]],
    )


def _acquitted(findings: pd.DataFrame, result: pd.DataFrame, bounds: SuspicionLimits) -> tuple[pd.DataFrame, Places]:
    """Make notes of the holds that the weighing does not confirm; give the findings and the places of those rows."""
    rows = np.flatnonzero(TextColumn.from_series(findings["severity"]).isin(OPEN))
    rows = rows[weighed_elsewhere(findings.iloc[rows])]
    innocent = np.append(result["innocent"].to_numpy(), np.nan)[places(result.index, findings["sample_id"].iloc[rows])]
    cleared = innocent >= bounds.acquits_percent
    rows, innocent = rows[cleared], innocent[cleared]
    if not rows.size:
        return findings, rows
    severity, message = findings["severity"].to_numpy(dtype=object), findings["message"].to_numpy(dtype=object)
    severity, message = severity.copy(), message.copy()
    severity[rows] = VERDICTS[_NOTE]
    message[rows] = fill(_ACQUITTED, findings.iloc[rows], {"innocent": pd.Series(innocent, index=findings.index[rows])})
    return findings.assign(
        severity=pd.Series(severity, dtype="str", index=findings.index),
        message=pd.Series(message, dtype="str", index=findings.index),
    ), rows


def _verdicts(checked: Checked, findings: pd.DataFrame, acquitted: Places) -> Places:
    """Give every sample the worst that is left of its findings."""
    index = checked.verdict.index
    old = TextColumn.from_series(checked.verdict)
    verdict = np.array([VERDICTS.index(name) for name in old.texts], dtype="int64")[old.codes]
    if acquitted.size:
        again = np.zeros(len(index), dtype="bool")
        again[places(index, findings["sample_id"].iloc[acquitted])] = True
        place = places(index, findings["sample_id"])
        own = (place >= 0) & again[place]
        verdict[again] = 0
        np.maximum.at(verdict, place[own], severity_ranks(findings[own]))
    return verdict


def _with_run(runs: pd.DataFrame, evaluated: Flags, flagged: int) -> pd.DataFrame:
    seen = int(evaluated.sum())
    own = pd.DataFrame([(SINGLE_MISTAKE.check_id, seen, len(evaluated) - seen, flagged)], columns=runs.columns)
    return pd.concat([runs, own], ignore_index=True).sort_values("check_id", ignore_index=True)


def told_of(explained: Explained, samples: pd.Index, held: pd.Index) -> Explained:
    """Keep what is told of some samples, and the patterns of whole files; of one on hold "no mistake" comes last.

    Parameters
    ----------
    explained : of these samples and others.
    samples : those to tell of.
    held : those on hold or rejected.
    """
    told = explained.explanations
    told = told[places(samples, told["sample_id"]) >= 0]
    mistake, owner = TextColumn.from_series(told["mistake"]), places(samples, told["sample_id"])
    last = mistake.isin(INNOCENT) & ~mistake.isin(PAIR_ANSWERS) & (places(held, told["sample_id"]) >= 0)
    order = np.lexsort((told["rank"].to_numpy(), last, owner))
    told, rank = told.iloc[order], counted_up(owner[order]) + 1
    renamed = pd.Series(rank, index=pd.MultiIndex.from_arrays([told["sample_id"], told["rank"]]))
    relations, questions = (_of_samples(table, samples) for table in (explained.relations, explained.questions))
    before = pd.MultiIndex.from_arrays([relations["sample_id"], relations["rank"]])
    return replace(
        explained,
        explanations=told.assign(rank=rank).reset_index(drop=True),
        relations=relations.assign(rank=renamed.reindex(before).to_numpy()).reset_index(drop=True),
        questions=questions.reset_index(drop=True),
    )


def _of_samples(table: pd.DataFrame, samples: pd.Index) -> pd.DataFrame:
    """Keep the rows of some samples, in the order of these."""
    owner = places(samples, table["sample_id"])
    order = np.argsort(owner, kind="stable")
    kept: pd.DataFrame = table.iloc[order[owner[order] >= 0]]
    return kept


def both_told(some: Explained, more: Explained) -> Explained:
    """Put what is told of some samples and of others, weighed later, into one."""
    tables = ("explanations", "relations", "questions")
    stacked = {name: pd.concat([getattr(some, name), getattr(more, name)], ignore_index=True) for name in tables}
    return replace(more, **stacked)

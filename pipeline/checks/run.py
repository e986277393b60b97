"""Run every check over the samples: findings, verdicts, and what could not be evaluated."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.checks.registry import CHECKS, looked_at, places_of, severity_ranks, table_of
from pipeline.checks.rollup import rolled_up
from pipeline.checks.source import explained_by_source
from pipeline.texts import TextColumn, first_rows, numbered
from schemas.columns import VERDICTS

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.arrays import Places
    from pipeline.checks.limits import Limits
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class Checked:
    """What the checks say of a batch.

    Attributes
    ----------
    findings : FINDING_COLUMNS and `analyte`, sorted worst first.
    verdict : (n,) of VERDICTS per sample: the worst severity found.
    not_evaluated : (n,) ids of the checks that lacked an input, separated by blanks.
    runs : one row per check: `check_id evaluated not_evaluated flagged`.
    open_findings : `sample_id severity analyte` of every hold and reject, also of those that one finding
        about their source now stands for.
    """

    findings: pd.DataFrame
    verdict: pd.Series
    not_evaluated: pd.Series
    runs: pd.DataFrame
    open_findings: pd.DataFrame


def run_all(samples: SampleTable, limits: Limits, progress: Callable[[str], None]) -> Checked:
    """Run all registered checks in the order of their ids.

    Parameters
    ----------
    samples : the filled sample table.
    limits : the limits of all subjects.
    progress : called with the id of each check before it runs.
    """
    samples = replace(samples)  # what the checks work out of the table goes with them
    index = samples.about.index
    parts, runs = [], []
    lacking = np.zeros((len(index), len(CHECKS)), dtype="bool", order="F")
    for position, check_id in enumerate(sorted(CHECKS)):
        progress(check_id)
        raised, evaluated = looked_at(CHECKS[check_id], samples, limits)
        lacking[:, position] = ~evaluated
        missing = int(lacking[:, position].sum())
        runs.append((check_id, len(index) - missing, missing, len(raised["place"]) if raised else 0))
        parts.append(raised)
    findings, place = table_of(parts, index), places_of(parts)
    findings = explained_by_source(findings, place, samples)
    rank = severity_ranks(findings)
    verdict = _verdicts(index, place, rank)
    unsettled = findings.loc[rank > 1, ["sample_id", "severity", "analyte"]]
    judged = {check_id: ~lacking[:, position] for position, check_id in enumerate(sorted(CHECKS))}
    findings = rolled_up(findings, place, samples, judged)
    order = np.argsort(-severity_ranks(findings), kind="stable")
    return Checked(
        findings=findings.iloc[order].reset_index(drop=True),
        verdict=verdict,
        not_evaluated=_names(index, lacking),
        runs=pd.DataFrame(runs, columns=["check_id", "evaluated", "not_evaluated", "flagged"]),
        open_findings=unsettled,
    )


def _verdicts(index: pd.Index, place: Places, rank: Places) -> pd.Series:
    worst = np.zeros(len(index) + 1, dtype="int64")  # the last one is for findings about a whole source
    np.maximum.at(worst, place, rank)
    return TextColumn(worst[:-1], VERDICTS).series(index).rename("verdict")


def _names(index: pd.Index, lacking: np.ndarray) -> pd.Series:
    """Name the checks each sample lacked; equal combinations are worded once."""
    mixed = numbered(lacking.T)
    ids = np.array(sorted(CHECKS), dtype=object)
    return (
        TextColumn(mixed, tuple(" ".join(ids[lacking[row]]) for row in first_rows(mixed)))
        .series(index)
        .rename("not_evaluated")
    )

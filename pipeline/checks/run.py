"""Run every check over the samples: findings, verdicts, and what could not be evaluated."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks.registry import CHECKS, no_findings, run_check
from pipeline.checks.rollup import rolled_up
from pipeline.checks.source import explained_by_source
from schemas.columns import SEVERITIES, VERDICTS

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.checks.limits import Limits
    from pipeline.normalise.sample_table import SampleTable

_RANK: Final[dict[str, int]] = {severity: rank + 1 for rank, severity in enumerate(SEVERITIES)}


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
    index = samples.about.index
    parts, runs = [], []
    lacking = np.zeros((len(index), len(CHECKS)), dtype="bool")
    for position, check_id in enumerate(sorted(CHECKS)):
        progress(check_id)
        findings, evaluated = run_check(CHECKS[check_id], samples, limits)
        lacking[:, position] = ~evaluated
        missing = int(lacking[:, position].sum())
        runs.append((check_id, len(index) - missing, missing, len(findings)))
        if len(findings):
            parts.append(findings)
    findings = pd.concat(parts, ignore_index=True) if parts else no_findings()
    findings = explained_by_source(findings, samples)
    verdict = _verdicts(index, findings["sample_id"], _ranks(findings))
    unsettled = findings.loc[findings["severity"] != SEVERITIES[0], ["sample_id", "severity", "analyte"]]
    judged = {check_id: ~lacking[:, position] for position, check_id in enumerate(sorted(CHECKS))}
    findings = rolled_up(findings, samples, judged)
    order = np.lexsort((np.arange(len(findings)), -_ranks(findings)))
    return Checked(
        findings=findings.iloc[order].reset_index(drop=True),
        verdict=verdict,
        not_evaluated=_names(index, lacking),
        runs=pd.DataFrame(runs, columns=["check_id", "evaluated", "not_evaluated", "flagged"]),
        open_findings=unsettled,
    )


def _ranks(findings: pd.DataFrame) -> np.ndarray:
    return findings["severity"].map(_RANK).to_numpy(dtype="int64")


def _verdicts(index: pd.Index, sample_id: pd.Series, rank: np.ndarray) -> pd.Series:
    place = index.get_indexer(pd.Index(sample_id))
    worst = np.zeros(len(index), dtype="int64")
    np.maximum.at(worst, place[place >= 0], rank[place >= 0])
    words = pd.array(VERDICTS, dtype="str").take(worst)
    return pd.Series(words, index=index, name="verdict", dtype="str")


def _names(index: pd.Index, lacking: np.ndarray) -> pd.Series:
    """Name the checks each sample lacked; equal combinations are worded once."""
    mixed = np.zeros(len(index), dtype="int64")
    for column in lacking.T:
        mixed, _ = pd.factorize(mixed * 2 + column)
    first = np.zeros(mixed.max(initial=-1) + 1, dtype="int64")
    first[mixed[::-1]] = np.arange(len(index))[::-1]
    ids = np.array(sorted(CHECKS), dtype=object)
    texts = pd.Series([" ".join(ids[lacking[row]]) for row in first], dtype="str")
    return pd.Series(texts.array.take(mixed), index=index, name="not_evaluated", dtype="str")

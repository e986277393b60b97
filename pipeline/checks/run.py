"""Run every check over the samples: findings, verdicts, and what could not be evaluated."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks.registry import CHECKS, looked_at, places_of, severity_ranks, table_of
from pipeline.checks.source import explained_by_source
from pipeline.normalise.sample_table import places
from pipeline.texts import TextColumn, first_rows, numbered
from schemas.columns import CONTROLS, VERDICTS

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from pipeline.arrays import Flags, Places
    from pipeline.checks.limits import Limits
    from pipeline.checks.registry import Raised
    from pipeline.normalise.sample_table import SampleTable


_NOTE: Final = VERDICTS.index("note")


@dataclass(frozen=True)
class Checked:
    """What the checks say of a batch.

    Attributes
    ----------
    findings : FINDING_COLUMNS and `analyte`, sorted worst first.
    verdict : (n,) of VERDICTS per sample: the worst severity found, else ok, or unjudged where nothing proves it.
    not_evaluated : (n,) ids of the checks that lacked an input, separated by blanks.
    runs : one row per check: `check_id evaluated not_evaluated flagged`.
    open_findings : `sample_id severity analyte` of every hold and reject, also of those that one finding
        about their source now stands for.
    evaluated : for each check, which samples it could evaluate, (n,) flags.
    failed : the checks at which the program failed: what is missing from the findings may be theirs.
    """

    findings: pd.DataFrame
    verdict: pd.Series
    not_evaluated: pd.Series
    runs: pd.DataFrame
    open_findings: pd.DataFrame
    evaluated: Mapping[str, Flags]
    failed: tuple[str, ...] = ()


def run_all(
    samples: SampleTable,
    limits: Limits,
    progress: Callable[[str], None],
    failed: Callable[[str, Exception], None] | None = None,
) -> Checked:
    """Run all registered checks in the order of their ids; nothing is weighed together yet, see ``explain.verdicts``.

    Parameters
    ----------
    samples : the filled sample table.
    limits : the limits of all subjects.
    progress : called with the id of each check before it runs.
    failed : called with the id of a check at which the program fails, and what was raised: that check is not evaluated,
        and all others are. Without it the failure is raised.
    """
    samples = replace(samples)  # what the checks work out of the table goes with them
    index = samples.about.index
    parts, runs, broken = [], [], []
    lacking = np.zeros((len(index), len(CHECKS)), dtype="bool", order="F")
    for position, check_id in enumerate(sorted(CHECKS)):
        progress(check_id)
        try:
            raised, evaluated = _of_samples(check_id, samples, limits)
        except Exception as error:
            if failed is None:
                raise
            failed(check_id, error)
            broken.append(check_id)
            raised, evaluated = {}, np.zeros(len(index), dtype="bool")
        lacking[:, position] = ~evaluated
        missing = int(lacking[:, position].sum())
        runs.append((check_id, len(index) - missing, missing, len(raised["place"]) if raised else 0))
        parts.append(raised)
    findings, place = table_of(parts, index), places_of(parts)
    findings = explained_by_source(findings, place, samples)
    rank = severity_ranks(findings)
    judged = {check_id: ~lacking[:, position] for position, check_id in enumerate(sorted(CHECKS))}
    verdict = _verdicts(index, place, rank, proved_by_relations(samples, judged))
    verdict = verdict.mask(is_control(samples), "unjudged")
    unsettled = findings.loc[rank > _NOTE, ["sample_id", "severity", "analyte"]]
    order = np.argsort(-rank, kind="stable")
    return Checked(
        findings=findings.iloc[order].reset_index(drop=True),
        verdict=verdict,
        not_evaluated=_names(index, lacking),
        runs=pd.DataFrame(runs, columns=["check_id", "evaluated", "not_evaluated", "flagged"]),
        open_findings=unsettled,
        evaluated=judged,
        failed=tuple(broken),
    )


def _of_samples(check_id: str, samples: SampleTable, limits: Limits) -> tuple[Raised, Flags]:
    """Run a check over the waters, or over the controls as well where it judges these."""
    check = CHECKS[check_id]
    waters = samples.once(_waters)
    if check.controls == "only" and waters is samples:
        return {}, np.zeros(len(samples), dtype="bool")
    if check.controls != "none" or waters is samples:
        return looked_at(check, samples, limits)
    raised, of_waters = looked_at(check, waters, limits)
    at = np.append(np.flatnonzero(~is_control(samples)), -1)  # the last place is for findings about a whole source
    evaluated = np.zeros(len(samples), dtype="bool")
    evaluated[at[:-1]] = of_waters
    return ({**raised, "place": at[raised["place"]]} if raised else raised), evaluated


def _waters(samples: SampleTable) -> SampleTable:
    control = is_control(samples)
    return samples.where(pd.Series(~control)) if control.any() else samples


def is_control(samples: SampleTable) -> Flags:
    """Tell the blanks, standards, duplicates and spikes, which judge the laboratory and no water."""
    return samples.fact("activity").isin(CONTROLS)


def proved_by_relations(samples: SampleTable, evaluated: Mapping[str, Flags]) -> Flags:
    """Tell the samples in which at least two readings could be held against each other, and most of which was read.

    Parameters
    ----------
    samples : `cells_not_read not_read` of ``about`` say what was set aside; a table without them lacks nothing.
    evaluated : for each check, which samples it could evaluate.

    Returns
    -------
    (n,) flags; a relation counts only where none of its quantities was set aside.
    """
    proved = np.zeros(len(samples), dtype="bool")
    not_read = samples.fact("not_read")
    for check_id, flags in evaluated.items():
        if relation := frozenset(CHECKS[check_id].relation):
            proved |= flags & not_read.mask(lambda text, relation=relation: relation.isdisjoint(text.split()))  # type: ignore[misc]
    return proved & ~_mostly_unread(samples)


def _mostly_unread(samples: SampleTable) -> Flags:
    if "cells_not_read" not in samples.about:
        return np.zeros(len(samples), dtype="bool")
    lost = samples.about["cells_not_read"].fillna(0).to_numpy(dtype="int64")
    if not lost.any():
        return lost > 0
    place = places(samples.about.index, samples.readings["sample_id"])
    return np.asarray(lost > np.bincount(place[place >= 0], minlength=len(lost)))


def _verdicts(index: pd.Index, place: Places, rank: Places, proved: Flags) -> pd.Series:
    # The last place is for findings about a whole source.
    worst = np.append(np.where(proved, VERDICTS.index("ok"), VERDICTS.index("unjudged")), 0).astype("int64")
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

"""One finding about a source instead of one about each of its samples, where the cause is the same."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.checks import evidence
from pipeline.problems import fill
from pipeline.texts import TextColumn
from schemas.columns import OPEN

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from pipeline.arrays import Flags, Places
    from pipeline.normalise.sample_table import SampleTable


_FEWEST: Final = 8  # samples of a source before its share means anything [CP]
_SHARE: Final = 0.8  # of the samples a check could evaluate [CP]
_SHARED: Final = "{flagged} of {seen} samples of this source share one finding. The first: {message}"
_PART: Final = " Asked once for the whole source."


def rolled_up(
    findings: pd.DataFrame, place: Places, samples: SampleTable, evaluated: Mapping[str, Flags]
) -> pd.DataFrame:
    """Put a finding that nearly every sample of a source shares into words once.

    Eight holds for one heading are one question. The findings of the samples stay, as notes, so that
    every number can be looked up; their verdicts are not softened by this.

    Parameters
    ----------
    findings : FINDING_COLUMNS and `analyte` of all checks.
    place : position of each finding's sample, -1 for one about a source.
    samples : the samples they belong to.
    evaluated : for each check, which samples it could evaluate.

    Returns
    -------
    A new frame: one further finding per check and source, the findings it stands for turned into notes.
    """
    open_findings = TextColumn.from_series(findings["severity"]).isin(OPEN) & (place >= 0)
    check, of = TextColumn.from_series(findings["check_id"]), evidence.sources(samples)
    added = []
    explained = np.zeros(len(findings), dtype="bool")
    for number in pd.unique(check.codes[open_findings]).tolist():
        mine = np.flatnonzero(open_findings & (check.codes == number))
        own = np.unique(place[mine])
        flagged = np.bincount(of.code[own], minlength=len(of.names))
        seen = of.count(evaluated[check.texts[number]]).astype("int64")
        common = (flagged >= _FEWEST) & (flagged >= _SHARE * seen)
        members = mine[common[of.code[place[mine]]]]
        if len(members):
            explained[members] = True
            first = np.sort(np.unique(of.code[place[members]], return_index=True)[1])
            at = of.code[place[members[first]]]
            added.append(_about_source(findings.iloc[members[first]], of.names[at], flagged[at], seen[at]))
    if not added:
        return findings
    parts = findings.assign(
        severity_alone=findings["severity"].where(explained, ""),
        severity=findings["severity"].mask(explained, "note"),
        message=findings["message"].mask(explained, findings["message"] + _PART),
    )
    joined: pd.DataFrame = pd.concat([*added, parts], ignore_index=True)
    return joined


def _about_source(first: pd.DataFrame, names: npt.NDArray[Any], flagged: Places, seen: Places) -> pd.DataFrame:
    counted = first.assign(flagged=flagged, seen=seen)
    return first.assign(
        severity_alone="",
        sample_id=None,
        file_sha256=names,
        observed=flagged.astype("float64"),
        low=np.nan,
        high=np.nan,
        unit="samples",
        message=fill(_SHARED, counted),
        reading_ids="",
    )

"""One finding about a source instead of one about each of its samples, where the cause is the same."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.problems import fill

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.normalise.sample_table import SampleTable

    Counts = npt.NDArray[np.int64]

_FEWEST: Final = 8  # samples of a source before its share means anything [CP]
_SHARE: Final = 0.8  # of the samples a check could evaluate [CP]
_OPEN: Final = ("hold", "reject")
_SHARED: Final = "{flagged} of {seen} samples of this source share one finding. The first: {message}"
_PART: Final = " Asked once for the whole source."


def rolled_up(
    findings: pd.DataFrame, samples: SampleTable, evaluated: dict[str, npt.NDArray[np.bool_]]
) -> pd.DataFrame:
    """Put a finding that nearly every sample of a source shares into words once.

    Eight holds for one heading are one question. The findings of the samples stay, as notes, so that
    every number can be looked up; their verdicts are not softened by this.

    Parameters
    ----------
    findings : FINDING_COLUMNS and `analyte` of all checks.
    samples : the samples they belong to.
    evaluated : for each check, which samples it could evaluate.

    Returns
    -------
    A new frame: one further finding per check and source, the findings it stands for turned into notes.
    """
    open_findings = findings["severity"].isin(_OPEN).to_numpy() & findings["sample_id"].notna().to_numpy()
    if not open_findings.any():
        return findings
    source, names = pd.factorize(samples.about["file_sha256"])
    place = samples.about.index.get_indexer(pd.Index(findings["sample_id"]))
    of_file = np.append(source, -1)[place]
    added = []
    explained = np.zeros(len(findings), dtype="bool")
    for check_id in findings.loc[open_findings, "check_id"].unique():
        mine = open_findings & (findings["check_id"] == check_id).to_numpy()
        pairs = np.unique(np.stack([of_file[mine], place[mine]]), axis=1)
        flagged = np.bincount(pairs[0], minlength=len(names))
        seen = np.bincount(source[evaluated[check_id]], minlength=len(names))
        common = np.flatnonzero((flagged >= _FEWEST) & (flagged >= _SHARE * seen))
        if len(common):
            members = mine & np.isin(of_file, common)
            explained |= members
            first = findings[members].assign(at=of_file[members]).drop_duplicates("at")
            at = first["at"].to_numpy()
            added.append(_about_source(first, names.to_numpy()[at], flagged[at], seen[at]))
    if not added:
        return findings
    parts = findings.assign(
        severity=findings["severity"].mask(explained, "note"),
        message=findings["message"].mask(explained, findings["message"] + _PART),
    )
    joined: pd.DataFrame = pd.concat([*added, parts], ignore_index=True)
    return joined


def _about_source(first: pd.DataFrame, names: npt.NDArray[Any], flagged: Counts, seen: Counts) -> pd.DataFrame:
    counted = first.assign(flagged=flagged, seen=seen)
    return first.drop(columns="at").assign(
        sample_id=None,
        file_sha256=names,
        observed=flagged.astype("float64"),
        low=np.nan,
        high=np.nan,
        unit="samples",
        message=fill(_SHARED, counted),
        reading_ids="",
    )

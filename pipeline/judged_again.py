"""Stored samples of which new ones have changed the judgement: they are judged again, and that is told."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.texts import TextColumn
from schemas.columns import OPEN

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.checks.run import Checked
    from pipeline.joining import Joined

_TOLD: Final = " An earlier sample, judged again with what came now."


def with_judged_again(joined: Joined, checked: Checked) -> Joined:
    """Count the stored samples among the new ones of which something else is thought now.

    Parameters
    ----------
    joined : the batch, with its company.
    checked : what is thought of all of them now.

    Returns
    -------
    ``joined``; where the program failed at a check no stored sample is judged again: what that check found before
    would be lost. The next samples of its site bring it up.
    """
    before = joined.company
    if before.empty or checked.failed:
        return joined
    now = open_findings(checked.findings).reindex(before.index, fill_value="")
    verdict = checked.verdict.reindex(before.index).astype("str")
    other = ((now != before["held"]) | (verdict != before["verdict"])).to_numpy()
    new = joined.new.copy()
    new[joined.samples.about.index.get_indexer(before.index[other])] = True
    return replace(joined, new=new)


def open_findings(findings: pd.DataFrame) -> pd.Series[str]:
    """Give the open findings of each sample in one text, as `store.company` does; index `sample_id`."""
    held = TextColumn.from_series(findings["severity"]).isin(OPEN) & findings["sample_id"].notna().to_numpy()
    own = findings.loc[held, ["sample_id", "check_id", "analyte"]].fillna("").astype("str")
    own = own.assign(says=own["check_id"] + " " + own["analyte"]).sort_values("says", kind="stable")
    return own.groupby("sample_id")["says"].agg(", ".join).astype("str")


def told_of_earlier(joined: Joined, findings: pd.DataFrame) -> pd.DataFrame:
    """Say of the findings on stored samples that these came before."""
    if joined.company.empty:
        return findings
    earlier = np.asarray(findings["sample_id"].astype("str").isin(joined.company.index), dtype="bool")
    message = findings["message"].astype("str")
    return findings.assign(message=message.mask(earlier, message + _TOLD))

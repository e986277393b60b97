"""Samples of the store as the checks saw them: corrections in force, stand-ins filled in."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.file_names import sample_names
from pipeline.normalise.derived import with_derived
from pipeline.normalise.sample_table import widen
from pipeline.normalise.samples import REISSUED
from pipeline.store.company import company
from pipeline.store.earlier import prior_readings
from pipeline.store.files import file_names
from pipeline.store.samples import neighbours, sample_rows
from schemas.stored import SAMPLE_TIMES

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pipeline.normalise.sample_table import SampleTable
    from pipeline.store.database import Store

_MOST_NEIGHBOURS: Final = 2000  # of its site, and of its file
_TRUE: Final = "True"


def neighbourhood(store: Store, sample_id: str) -> SampleTable:
    """Rebuild a sample together with those it is judged beside: of its site, and of its file."""
    return neighbourhood_of(store, [sample_id])


def neighbourhood_of(store: Store, sample_ids: Iterable[str]) -> SampleTable:
    """Rebuild samples together with those each of them is judged beside, the same as an intake takes."""
    names = neighbours(store, sample_ids, _MOST_NEIGHBOURS)
    about = sample_rows(store, names).set_index("sample_id")
    return sample_table(store, [*names, *company(store, about).index])


def sample_table(store: Store, sample_ids: Sequence[str]) -> SampleTable:
    """Rebuild samples from their stored readings.

    Parameters
    ----------
    store : open.
    sample_ids : stored samples.

    Returns
    -------
    SampleTable, index in the order of ``sample_ids``, without the readings that were replaced.
    """
    rows = sample_rows(store, sample_ids).set_index("sample_id").loc[list(sample_ids)]
    further = pd.DataFrame([json.loads(text or "{}") for text in rows["other"]], index=rows.index)
    about = rows.drop(columns=["other", "verdict", "not_evaluated", "batch_id"]).join(further)
    for name in SAMPLE_TIMES:
        about[name] = about[name].astype("datetime64[us]").dt.tz_localize("UTC")
    if "revisions" in about:
        about["revisions"] = pd.to_numeric(about["revisions"]).fillna(0).astype("int64")
    if "ambiguous_match" in about:
        about["ambiguous_match"] = about["ambiguous_match"] == _TRUE
    about["called"] = sample_names(about, file_names(store))
    readings = prior_readings(store, sample_ids)
    about = _with_open_revisions(about, readings)
    owned = readings.assign(sample_id=pd.Categorical(readings["sample_id"], categories=about.index), new=False)
    return with_derived(widen(about, owned[owned["counts"]].reset_index(drop=True)))


def _with_open_revisions(about: pd.DataFrame, readings: pd.DataFrame) -> pd.DataFrame:
    """Count again the reports that disagree: a decision may have settled which one counts."""
    if "revisions" not in about or not (about["revisions"] > 0).any():
        return about
    mine = readings[readings["counts"] & readings["decision_id"].isna()]
    mine = mine[mine["method"].isin(REISSUED)]
    told = mine.groupby(["sample_id", "analyte"], observed=True).agg(
        reports=("file_sha256", "nunique"), values=("value", "nunique")
    )
    differing = told[(told["reports"] > 1) & (told["values"] > 1)].groupby("sample_id")["reports"].max()
    # Reports within one file are told apart by their numbers, which only the intake of that file saw: they disagree
    # until no quantity has two values that count.
    alike = told["values"].groupby("sample_id").max() <= 1
    settled = pd.Series(about.index).map(alike).fillna(True).to_numpy(dtype="bool")
    files = readings[readings["decision_id"].isna()].groupby("sample_id", observed=True)["file_sha256"].nunique()
    several = pd.Series(about.index).map(files).fillna(0).to_numpy() > 1
    now = pd.Series(about.index).map(differing).fillna(0).to_numpy(dtype="int64")
    return about.assign(revisions=np.where(several, now, np.where(settled, 0, about["revisions"])))

"""Which rows of which files belong to one sample, and what is known of each sample.

A kit sheet, a meter log and a laboratory report often describe one bottle. They meet when
nothing contradicts it: same label within client and site on the same day, or, without a label,
same place and time. A row that lacks a fact joins the one sample that fits; where several fit
it stays alone and a person is asked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.normalise.identity import KEY_FIELDS, attach_keys, group_rows, sample_ids
from pipeline.normalise.placing import with_register
from pipeline.texts import TextColumn, united
from schemas.fields import names, of_kind
from schemas.tables import SITE_REGISTER, SOURCE_ROWS

# Facts of a row that describe its sample: the first row that states one wins.
_TIMED_FACTS: Final = ("collected_at", *of_kind(SOURCE_ROWS, "datetime"))
_NUMBER_FACTS: Final = tuple(of_kind(SOURCE_ROWS, "number"))
_TEXT_FACTS: Final = tuple(of_kind(SOURCE_ROWS, "string"))
_WHERE_NEEDED: Final = ("stage_from", "site_code", "written_place")  # columns of the few batches that have them
_UNWRITTEN: Final = (*_TIMED_FACTS, *_NUMBER_FACTS)  # facts that are no text
REISSUED: Final = ("laboratory", "burette", "photometer")  # methods of which a report issued again is a revision
REGISTER_FACTS: Final[tuple[str, ...]] = tuple(
    names(SITE_REGISTER, without=("client", "site", "site_code", "litres_per_day", "comment"))
)


@dataclass(frozen=True)
class Assembled:
    """Samples and their readings.

    Attributes
    ----------
    about : (n, …) one row per sample, index `sample_id`: facts of the rows plus `file_sha256`, `line`,
        `revisions` (how many reports disagree), `revision_detail`, `ambiguous_match`, `matched_by`.
    readings : (m, …) all accepted readings with `sample_id`, `file_sha256` and `counts` (False where a
        declared later report supersedes them).
    """

    about: pd.DataFrame
    readings: pd.DataFrame


def assemble_samples(
    rows: pd.DataFrame,
    readings: pd.DataFrame,
    sites: pd.DataFrame,
    window_hours: float,
    owners: pd.Series | None = None,
) -> Assembled:
    """Join the rows of all files of a batch into samples.

    Parameters
    ----------
    rows : (r, …) typed rows of all files, RangeIndex, with `file_sha256 line collected_at
        collected_precision` and the text facts ("" where not stated).
    readings : (m, …) accepted readings; `row` is the position in ``rows``, `counts` False where something
        known already replaces one.
    sites : (s, …) site register: `client site` and any of `region country supply machine treatment`.
    window_hours : rows without a label count as one sample within this time [h].
    owners : `sample_id` of the last rows, where the store knows them: samples of which other rows speak as well, and
        samples that are judged together with these.

    Returns
    -------
    Assembled; no row and no reading is dropped.
    """
    fresh = rows if owners is None else rows.iloc[: len(rows) - len(owners)]
    group, keys = group_rows(fresh, readings, window_hours)
    keys, group = attach_keys(keys, group)
    identifiers = pd.Index(sample_ids(keys))
    if owners is not None:
        stored = pd.Index(owners).unique().difference(identifiers, sort=False)
        identifiers, keys = identifiers.append(stored), _with_stored(keys, len(stored))
        group = np.concatenate([group, identifiers.get_indexer(pd.Index(owners))])
    about = _facts(rows, group, len(keys))
    about.index = pd.Index(identifiers, name="sample_id")
    about["ambiguous_match"] = keys["ambiguous"].to_numpy()
    about["matched_by"] = keys["matched_by"].to_numpy()
    about = with_register(_with_written_place(about), sites, REGISTER_FACTS)
    code = group[readings["row"].to_numpy()]
    owned = readings.assign(
        sample_id=pd.Categorical.from_codes(code, categories=about.index),
        file_sha256=pd.Categorical(rows["file_sha256"]).take(readings["row"].to_numpy()),
        counts=readings.get("counts", True),
    )
    return _with_revisions(Assembled(about, owned), rows, group, code)


def _with_stored(keys: pd.DataFrame, count: int) -> pd.DataFrame:
    """Add samples of which no new row speaks: the store has told once how they were matched."""
    stored = pd.DataFrame({"ambiguous": [False] * count, "matched_by": [""] * count})
    return pd.concat([keys, stored], ignore_index=True) if count else keys


def _first_where(group: npt.NDArray[np.int64], mask: npt.NDArray[np.bool_], size: int) -> npt.NDArray[np.int64]:
    """Give the first row of every group at which ``mask`` holds, -1 where there is none."""
    first = np.full(size, -1, dtype="int64")
    rows = np.flatnonzero(mask)[::-1]
    first[group[rows]] = rows
    return first


def _first_stated(column: pd.Series, group: npt.NDArray[np.int64], size: int, empty: str | None) -> pd.Series:
    """Take the first statement of each group in one column; ``empty`` where a group makes none."""
    stated = column.notna().to_numpy() if empty is None else (column != empty).to_numpy()
    if not stated.any():
        return pd.Series(empty, index=pd.RangeIndex(size), dtype=column.dtype)
    found = _first_where(group, stated, size)
    fact = column.take(np.maximum(found, 0)).reset_index(drop=True)
    return fact.where(found >= 0, empty) if (found < 0).any() else fact


def _facts(rows: pd.DataFrame, group: npt.NDArray[np.int64], size: int) -> pd.DataFrame:
    """Collect what the rows of a sample say of it; the first statement wins."""
    first = _first_where(group, np.ones(len(rows), dtype="bool"), size)
    placed = ("written_client", "written_site", "placed_by")
    named = [name for name in (*_TEXT_FACTS, *placed, *_TIMED_FACTS, *_NUMBER_FACTS) if name in rows]
    facts = {name: _first_stated(rows[name], group, size, None if name in _UNWRITTEN else "") for name in named}
    about = pd.DataFrame(facts, index=pd.RangeIndex(size))
    if "collected_precision" in rows:
        about["collected_precision"] = rows["collected_precision"].take(first).array
    for name in ("file_sha256", "line"):
        about[name] = rows[name].take(first).array
    if "cells_not_read" in rows:
        about["cells_not_read"] = np.bincount(group, rows["cells_not_read"], minlength=size).astype("int64")
        about["not_read"] = united(group, TextColumn.of(rows, "not_read"), size).series()
    for name in _TEXT_FACTS:
        if name not in about and name not in _WHERE_NEEDED:
            about[name] = ""
    return about


def _with_written_place(about: pd.DataFrame) -> pd.DataFrame:
    """Keep what the file called a site that the register names otherwise."""
    if "written_site" not in about:
        return about
    written, named = about["written_site"], about["site"]
    changed = (written != "") & (written.str.strip().str.casefold() != named.str.strip().str.casefold())
    about = about.drop(columns=["written_client", "written_site", "placed_by"])
    return about.assign(written_place=written.where(changed, "")) if changed.any() else about


def _of_several_reports(
    sample: npt.NDArray[np.int64], report: npt.NDArray[np.int64], size: int
) -> npt.NDArray[np.bool_]:
    """Tell the samples, numbered below ``size``, of which more than one report speaks."""
    speaking = np.full(size, -1, dtype="int64")
    speaking[sample] = report
    several = np.zeros(size, dtype="bool")
    several[sample[speaking[sample] != report]] = True
    return several


def _with_revisions(
    assembled: Assembled, rows: pd.DataFrame, group: npt.NDArray[np.int64], code: npt.NDArray[np.int64]
) -> Assembled:
    """Find reports that give one sample's laboratory values again with other numbers.

    A report that names the one it replaces (`supersedes`) settles the matter: the older readings
    stay but no longer count. Otherwise `revisions` counts the reports that disagree.
    """
    about, readings = assembled.about, assembled.readings
    about = about.assign(revisions=0, revision_detail="")
    report = TextColumn.of(rows, "report_id").otherwise(TextColumn.of(rows, "file_sha256"))
    report_code = report.codes.astype("int64")
    in_question = _of_several_reports(group, report_code, len(about))
    at = readings["row"].to_numpy()
    counting = readings["counts"].to_numpy(dtype="bool")
    laboratory = np.flatnonzero(in_question[code] & readings["method"].isin(REISSUED).to_numpy() & counting)
    view = pd.DataFrame(
        {
            "sample": code[laboratory],
            "analyte": readings["analyte"].cat.codes.to_numpy()[laboratory],
            "report": report_code[at[laboratory]],
            "value": readings["value"].to_numpy()[laboratory],
        },
        index=laboratory,
    )
    several = view[
        _of_several_reports(view["sample"].to_numpy(), view["report"].to_numpy(), len(about))[view["sample"]]
    ]
    if several.empty:
        return Assembled(about, readings)
    superseded = set(rows.loc[rows["supersedes"] != "", "supersedes"]) if "supersedes" in rows else set()
    replaced = several["report"].isin([number for number, name in enumerate(report.texts) if name in superseded])
    counts = readings["counts"].to_numpy().copy()
    counts[several.index[replaced]] = False
    open_question = several[~replaced]
    spread = open_question.groupby(["sample", "analyte"]).agg(
        reports=("report", "nunique"),
        values=("value", "nunique"),
        low=("value", "min"),
        high=("value", "max"),
    )
    differing = spread[(spread["reports"] > 1) & (spread["values"] > 1)].reset_index()
    names = readings["analyte"].cat.categories
    differing["text"] = (
        pd.Series(names.take(differing["analyte"].to_numpy()), dtype="str")
        + " "
        + differing["low"].round(4).astype("str")
        + " / "
        + differing["high"].round(4).astype("str")
    )
    by_sample = differing.groupby("sample").agg(reports=("reports", "max"), text=("text", ", ".join))
    place = by_sample.index.to_numpy()
    revisions = about["revisions"].to_numpy().copy()
    detail = about["revision_detail"].to_numpy(dtype=object).copy()
    revisions[place], detail[place] = by_sample["reports"].to_numpy(), by_sample["text"].to_numpy()
    about = about.assign(revisions=revisions, revision_detail=pd.array(detail, dtype="str"))
    return Assembled(about, readings.assign(counts=counts))


__all__ = ["KEY_FIELDS", "REGISTER_FACTS", "Assembled", "assemble_samples"]

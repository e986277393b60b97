"""Drop counts and burette readings in the table of readings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.normalise.titrants import titrant_strengths
from pipeline.normalise.titration import value_of_burette, value_of_drops
from pipeline.texts import TextColumn
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Flags, Floats, Places
    from pipeline.normalise.rows import TypedRows

NO_WORTH: Final = "degrees per drop or nominal volume are missing"
_NO_VOLUME: Final = "sample volume taken as the kit's"
_OF_VOLUME: Final = "a drop taken as worth what is stated for the sample volume beside it"
# What is written in a row, cannot be used, and must not be taken for what is usual where nothing is written.
_KIT: Final = {"used_ml": "the sample volume of the row cannot be used"}
_BURETTE: Final = {
    **_KIT,
    **dict.fromkeys(
        ("titrant_normality", "titrant_molarity", "titrant_concentration"),
        "the titrant concentration of the row cannot be used",
    ),
    "titrant_factor": "the titre of the row cannot be used",
    "blank_ml": "the blank of the row cannot be used",
}


def _at(rows: pd.DataFrame, name: str, row: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
    return rows[name].to_numpy(dtype="float64")[row]


def _texts(table: pd.DataFrame, titrated: npt.NDArray[np.bool_], method: str) -> dict[str, TextColumn]:
    """Take the texts of the readings; those of a titration say how it was done, and in which unit it is now."""
    known = {"method": method, "unit": "mg/L", "note": "", "ambiguous": ""}
    columns = {
        name: TextColumn.from_series(table[name]) for name in (*known, "basis", "qualifier", "problem", "detail")
    }
    usual = TextColumn.from_series(table["analyte"]).map(lambda code: ANALYTES[code].basis if code in ANALYTES else "")
    columns["basis"] = usual.over(columns["basis"], titrated)
    return {name: column.where(titrated, known[name]) if name in known else column for name, column in columns.items()}


def _set_aside(texts: dict[str, TextColumn], code: str, faults: dict[str, Flags]) -> dict[str, TextColumn]:
    """Note the first fault of every titration that has no problem yet, with its words as the detail."""
    problem, detail = texts["problem"], texts["detail"]
    for words, where in faults.items():
        detail = detail.where(where & ~problem.stated(), words)
        problem = problem.noted(where, code)
    return {**texts, "problem": problem, "detail": detail}


def _unusable(described: TypedRows, row: Places, titrated: Flags, figures: dict[str, str]) -> dict[str, Flags]:
    faults: dict[str, Flags] = {}
    for name, words in figures.items():
        where = titrated & described.unusable[name][row]
        faults[words] = faults[words] | where if words in faults else where
    return faults


def with_drop_counts(table: pd.DataFrame, described: TypedRows) -> pd.DataFrame:
    """Turn counted drops into values with their interval; the other readings stay as they are.

    Parameters
    ----------
    table : readings in the making: `form row number problem note …`.
    described : typed rows with `drop_mg_l nominal_ml used_ml`.

    Returns
    -------
    A new table with `drops degree_per_drop nominal_ml used_ml`, missing for other forms. A sample volume that
    nobody wrote is the kit's; counts beside one that cannot be used are set aside.
    """
    drops = TextColumn.from_series(table["form"]).isin(["drops"])
    empty = np.full(len(table), np.nan)
    if not drops.any():
        return table.assign(drops=empty.astype("float32"), degree_per_drop=empty, nominal_ml=empty, used_ml=empty)
    rows, row = described.rows, table["row"].to_numpy(dtype="int64")
    count = np.where(drops, table["number"].to_numpy(), np.nan)
    degree = np.where(drops, _at(rows, "drop_mg_l", row), np.nan)
    nominal = np.where(drops, _at(rows, "nominal_ml", row), np.nan)
    used = np.where(drops, _at(rows, "used_ml", row), np.nan)
    stated = drops & np.isnan(nominal) & _worth_of_volume(table, rows["file_sha256"].take(row), degree, used)
    nominal = np.where(stated, used, nominal)
    assumed = drops & np.isnan(used)
    undefined = drops & (np.isnan(degree) | (~np.isnan(used) & np.isnan(nominal)))
    kit = value_of_drops(count, degree, np.where(assumed, 1.0, nominal), np.where(assumed, 1.0, used))
    texts = _texts(table, drops, method="drops")
    broken = drops & ~np.isnan(count) & (count != np.round(count))
    texts["problem"] = texts["problem"].noted(count < 0, "negative-value").noted(broken, "drops-not-whole")
    faults = _unusable(described, row, drops, _KIT)
    faults[NO_WORTH] = undefined
    texts = _set_aside(texts, "kit-undefined", faults)
    texts["qualifier"] = texts["qualifier"].where(drops, "").where(drops & (count == 0), "<")
    texts["note"] = texts["note"].extended(assumed, _NO_VOLUME).extended(stated, _OF_VOLUME)
    replaced = {
        name: np.where(drops, kit[name].to_numpy(), table[name].to_numpy())
        for name in ("value", "limit", "value_low", "value_high", "uncertainty")
    }
    return table.assign(
        **replaced,
        drops=count.astype("float32"),
        degree_per_drop=degree,
        nominal_ml=nominal,
        used_ml=used,
        **{name: column.category() for name, column in texts.items()},
    )


def _worth_of_volume(table: pd.DataFrame, files: pd.Series, degree: Floats, used: Floats) -> Flags:
    """Tell the counts of a test in whose file a drop is worth twice as much in half the water.

    Degrees per drop times sample volume is the reagent in a drop. Where that is the same for two volumes and more,
    the degrees are those of the volume beside them; for one volume they may be those of another that nobody wrote.
    """
    said = np.flatnonzero(~np.isnan(degree * used))
    known = np.zeros(len(used), dtype="bool")
    if len(said):
        names = (files.take(said), table["analyte"].take(said))
        test = [pd.Series(name.astype("str").array) for name in names]
        several = pd.Series(used[said]).groupby(test).transform("nunique") > 1
        one = pd.Series(np.round(degree[said] * used[said], 6)).groupby(test).transform("nunique") == 1
        known[said] = (several & one).to_numpy()
    return known


def with_burettes(table: pd.DataFrame, described: TypedRows) -> pd.DataFrame:
    """Turn burette readings into values.

    Parameters
    ----------
    table : readings in the making.
    described : typed rows with `titrant_normality titrant_molarity titrant_factor blank_ml used_ml`.

    Returns
    -------
    A new table; a titre that nobody wrote counts as 1, a blank as 0 mL; beside one that cannot be used the
    reading is set aside.
    """
    burette = TextColumn.from_series(table["form"]).isin(["titrant_ml"])
    if not burette.any():
        return table
    rows, row = described.rows, table["row"].to_numpy(dtype="int64")
    factor = np.nan_to_num(_at(rows, "titrant_factor", row), nan=1.0)
    blank = np.nan_to_num(_at(rows, "blank_ml", row), nan=0.0)
    sample = _at(rows, "used_ml", row)
    normality, per_meq, faults = titrant_strengths(table, rows, row, burette)
    titrated = value_of_burette(table["number"].to_numpy(), blank, normality, factor, sample, per_meq)
    undefined = burette & (np.isnan(normality) | np.isnan(sample))
    texts = _texts(table, burette, method="burette")
    faults = {**_unusable(described, row, burette, _BURETTE), **faults}
    faults["titrant concentration or sample volume are missing"] = undefined
    texts = _set_aside(texts, "titration-undefined", faults)
    replaced = {
        name: np.where(burette, titrated[name].to_numpy(), table[name].to_numpy())
        for name in ("value", "limit", "uncertainty")
    }
    texts["qualifier"] = texts["qualifier"].where(burette, "").where(burette & ~np.isnan(replaced["limit"]), "<")
    return table.assign(
        **replaced,
        **{name: column.category() for name, column in texts.items()},
    )

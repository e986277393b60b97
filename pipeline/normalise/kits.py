"""Drop counts and burette readings in the table of readings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.chemistry.equivalents import MG_CACO3_PER_MEQ
from pipeline.normalise.categories import add_where, by_category, flagged, set_where
from pipeline.normalise.titration import value_of_burette, value_of_drops

if TYPE_CHECKING:
    import numpy.typing as npt

_NO_VOLUME: Final = "sample volume taken as the kit's"


def _at(rows: pd.DataFrame, name: str, row: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
    return rows[name].to_numpy(dtype="float64")[row]


def counts(table: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Turn counted drops into values with their interval; the other readings stay as they are.

    Parameters
    ----------
    table : readings in the making: `form row number problem note …`.
    rows : typed rows with `drop_mg_l nominal_ml used_ml`.

    Returns
    -------
    A new table with `drops degree_per_drop nominal_ml used_ml`, missing for other forms.
    """
    drops = by_category(table["form"], lambda form: form == "drops")
    empty = np.full(len(table), np.nan)
    if not drops.any():
        return table.assign(drops=empty.astype("float32"), degree_per_drop=empty, nominal_ml=empty, used_ml=empty)
    row = table["row"].to_numpy(dtype="int64")
    count = np.where(drops, table["number"].to_numpy(), np.nan)
    degree = np.where(drops, _at(rows, "drop_mg_l", row), np.nan)
    nominal = np.where(drops, _at(rows, "nominal_ml", row), np.nan)
    used = np.where(drops, _at(rows, "used_ml", row), np.nan)
    assumed = drops & np.isnan(used)
    undefined = drops & (np.isnan(degree) | (~np.isnan(used) & np.isnan(nominal)))
    kit = value_of_drops(count, degree, np.where(assumed, 1.0, nominal), np.where(assumed, 1.0, used))
    problem = flagged(table["problem"], count < 0, "negative-value")
    problem = flagged(problem, drops & ~np.isnan(count) & (count != np.round(count)), "drops-not-whole")
    problem = flagged(problem, undefined, "kit-undefined")
    at_once = drops & (count == 0)
    qualifier = pd.Series(set_where(table["qualifier"], drops, ""))
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
        qualifier=set_where(qualifier, at_once, "<"),
        method=set_where(table["method"], drops, "drops"),
        unit=set_where(table["unit"], drops, "mg/L"),
        basis=set_where(table["basis"], drops, "as CaCO3"),
        note=add_where(pd.Series(set_where(table["note"], drops, "")), assumed, _NO_VOLUME),
        ambiguous=set_where(table["ambiguous"], drops, ""),
        problem=problem,
        detail=set_where(table["detail"], undefined, "degrees per drop or nominal volume are missing"),
    )


def burettes(table: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Turn burette readings into values.

    Parameters
    ----------
    table : readings in the making.
    rows : typed rows with `titrant_normality titrant_factor blank_ml used_ml`.

    Returns
    -------
    A new table; a missing titre counts as 1, a missing blank as 0 mL.
    """
    burette = by_category(table["form"], lambda form: form == "titrant_ml")
    if not burette.any():
        return table
    row = table["row"].to_numpy(dtype="int64")
    factor = np.nan_to_num(_at(rows, "titrant_factor", row), nan=1.0)
    blank = np.nan_to_num(_at(rows, "blank_ml", row), nan=0.0)
    normality, sample = _at(rows, "titrant_normality", row), _at(rows, "used_ml", row)
    titrated = value_of_burette(table["number"].to_numpy(), blank, normality, factor, sample, MG_CACO3_PER_MEQ)
    undefined = burette & (np.isnan(normality) | np.isnan(sample))
    replaced = {
        name: np.where(burette, titrated[name].to_numpy(), table[name].to_numpy()) for name in ("value", "uncertainty")
    }
    return table.assign(
        **replaced,
        method=set_where(table["method"], burette, "burette"),
        unit=set_where(table["unit"], burette, "mg/L"),
        basis=set_where(table["basis"], burette, "as CaCO3"),
        note=set_where(table["note"], burette, ""),
        ambiguous=set_where(table["ambiguous"], burette, ""),
        problem=flagged(table["problem"], undefined, "titration-undefined"),
        detail=set_where(table["detail"], undefined, "titrant concentration or sample volume are missing"),
    )

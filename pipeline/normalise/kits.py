"""Drop counts and burette readings in the table of readings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.chemistry.equivalents import MG_CACO3_PER_MEQ
from pipeline.normalise.titration import value_of_burette, value_of_drops

if TYPE_CHECKING:
    import numpy.typing as npt

_NO_VOLUME = "sample volume taken as the kit's"


def _at(rows: pd.DataFrame, name: str, row: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
    return rows[name].to_numpy(dtype="float64")[row]


def worded(column: pd.Series, where: npt.NDArray[np.bool_], text: str) -> pd.Categorical:
    """Set ``text`` in a category column at the places of a mask; a text already there is kept beside it."""
    code = column.cat.codes.to_numpy().astype("int32").copy()
    names = list(column.cat.categories)
    for old in np.unique(code[where]):
        joined = f"{names[old]}; {text}" if old >= 0 and names[old] else text
        if joined not in names:
            names.append(joined)
        code[where & (code == old)] = names.index(joined)
    return pd.Categorical.from_codes(code, categories=pd.Index(names, dtype="str"))


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
    drops = (table["form"] == "drops").to_numpy()
    empty = np.full(len(table), np.nan)
    if not drops.any():
        return table.assign(
            drops=empty.astype("float32"), degree_per_drop=empty, nominal_ml=empty, used_ml=empty
        )
    row = table["row"].to_numpy(dtype="int64")
    count = np.where(drops, table["number"].to_numpy(), np.nan)
    degree = np.where(drops, _at(rows, "drop_mg_l", row), np.nan)
    nominal = np.where(drops, _at(rows, "nominal_ml", row), np.nan)
    used = np.where(drops, _at(rows, "used_ml", row), np.nan)
    assumed = drops & np.isnan(used)
    undefined = drops & (np.isnan(degree) | (~np.isnan(used) & np.isnan(nominal)))
    volume = np.where(np.isnan(used), 1.0, used)
    kit = value_of_drops(count, degree, np.where(np.isnan(used), 1.0, nominal), volume)
    problem = table["problem"].astype("str").to_numpy(dtype=object).copy()
    good = drops & (problem == "")
    problem[good & (count != np.round(count))] = "drops-not-whole"
    problem[good & undefined] = "kit-undefined"
    problem[good & (count < 0)] = "negative-value"
    censored = drops & (count == 0)
    detail = worded(table["detail"], drops & undefined, "degrees per drop or nominal volume are missing")
    qualifier = table["qualifier"].astype("str").to_numpy(dtype=object).copy()
    qualifier[drops] = np.where(censored[drops], "<", "")
    method = table["method"].cat.add_categories(
        [m for m in ["drops"] if m not in table["method"].cat.categories]
    )
    replaced = {
        name: np.where(drops, kit[name].to_numpy(), table[name].to_numpy())
        for name in ("value", "limit", "value_low", "value_high")
    }
    return table.assign(
        **replaced,
        uncertainty=np.where(drops, kit["uncertainty"].to_numpy(), np.nan),
        drops=count.astype("float32"),
        degree_per_drop=degree,
        nominal_ml=nominal,
        used_ml=used,
        qualifier=pd.Categorical(qualifier, categories=["", "<", ">", "~"]),
        method=method.mask(pd.Series(drops, index=table.index), "drops"),
        unit=_canonical(table["unit"], drops, "mg/L"),
        basis=_canonical(table["basis"], drops, "as CaCO3"),
        note=worded(table["note"], assumed & good, _NO_VOLUME),
        ambiguous=_canonical(table["ambiguous"], drops, ""),
        problem=pd.Categorical(problem),
        detail=detail,
    )


def _canonical(column: pd.Series, where: npt.NDArray[np.bool_], text: str) -> pd.Categorical:
    names = list(column.cat.categories)
    if text not in names:
        names.append(text)
    code = column.cat.codes.to_numpy().astype("int32").copy()
    code[where] = names.index(text)
    return pd.Categorical.from_codes(code, categories=pd.Index(names, dtype="str"))


def burettes(table: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Turn burette readings into values.

    Parameters
    ----------
    table : readings in the making.
    rows : typed rows with `titrant_normality titrant_factor blank_ml used_ml`.
    """
    burette = (table["form"] == "titrant_ml").to_numpy()
    if not burette.any():
        return table
    row = table["row"].to_numpy(dtype="int64")
    factor = np.nan_to_num(_at(rows, "titrant_factor", row), nan=1.0)
    blank = np.nan_to_num(_at(rows, "blank_ml", row), nan=0.0)
    normality, sample = _at(rows, "titrant_normality", row), _at(rows, "used_ml", row)
    titrated = value_of_burette(
        table["number"].to_numpy(), blank, normality, factor, sample, MG_CACO3_PER_MEQ
    )
    problem = table["problem"].astype("str").to_numpy(dtype=object).copy()
    undefined = burette & (np.isnan(normality) | np.isnan(sample))
    problem[undefined & (problem == "")] = "titration-undefined"
    method = table["method"].cat.add_categories(
        [m for m in ["burette"] if m not in table["method"].cat.categories]
    )
    uncertainty = table["uncertainty"].to_numpy() if "uncertainty" in table else np.full(len(table), np.nan)
    return table.assign(
        value=np.where(burette, titrated["value"].to_numpy(), table["value"].to_numpy()),
        uncertainty=np.where(burette, titrated["uncertainty"].to_numpy(), uncertainty),
        method=method.mask(pd.Series(burette, index=table.index), "burette"),
        unit=_canonical(table["unit"], burette, "mg/L"),
        basis=_canonical(table["basis"], burette, "as CaCO3"),
        ambiguous=_canonical(table["ambiguous"], burette, ""),
        problem=pd.Categorical(problem),
        detail=worded(table["detail"], undefined, "titrant concentration or sample volume are missing"),
    )

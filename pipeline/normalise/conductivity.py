"""Conductivities to 25 °C, and the scale of dissolved-solids figures."""

from __future__ import annotations

import re
from typing import Final

import numpy as np
import pandas as pd

from pipeline.chemistry.compensation import EC25_PER_EC20, to_25c
from pipeline.normalise.categories import add_where, set_where

_NONE: Final = frozenset(
    {"none", "no", "off", "nein", "keine", "aus", "non", "sans", "aucune", "nessuna", "no atc", "raw"}
)
_SLOPE: Final = re.compile(r"^(\d+(?:[.,]\d+)?)\s*%")
_SOLIDS: Final[dict[str, str]] = {
    "nacl": "NaCl scale",
    "nacl scale": "NaCl scale",
    "0.5": "NaCl scale",
    "0,5": "NaCl scale",
    "442": "natural-water scale",
    "4-4-2": "natural-water scale",
    "natural water": "natural-water scale",
    "natural-water scale": "natural-water scale",
    "0.7": "natural-water scale",
    "0,7": "natural-water scale",
    "kcl": "KCl scale",
    "kcl scale": "KCl scale",
    "180": "dried at 180 °C",
    "residue": "dried at 180 °C",
    "dried": "dried at 180 °C",
    "dried at 180 °c": "dried at 180 °C",
    "calculated": "calculated",
    "sum of ions": "calculated",
}


def at_25c(table: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Bring conductivities to 25 °C where the file says they are not, and name the scale of TDS.

    Parameters
    ----------
    table : readings in the making; `reference_c` is the temperature a unit named.
    rows : typed rows with the texts `ec_reference temperature_compensation tds_scale`.

    Returns
    -------
    A new table. A value at 20 °C is multiplied by 1.116 [ISO7888]; one taken without compensation is
    brought to 25 °C with the temperature of its row, by the table of ISO 7888 for natural water, or
    by the slope the row names. A reading without compensation and without temperature stays as it is
    and is marked ambiguous. Nothing is compensated twice.
    """
    table = _scaled(table, rows)
    own = (table["analyte"] == "conductivity").to_numpy()
    row = table["row"].to_numpy(dtype="int64")
    reference = _stated(rows["ec_reference"])[row]
    reference = np.where(np.isnan(reference), table["reference_c"].to_numpy(), reference)
    slope, uncompensated = _compensation(rows["temperature_compensation"])
    at_20 = own & (reference == 20.0)  # noqa: PLR2004 - the reference temperature of the standard
    open_ec = own & uncompensated[row] & ~at_20
    if not (at_20.any() or open_ec.any()):
        return table
    temperature = _temperature(table, len(rows))[row]
    value = table["value"]
    ambient = pd.Series(np.where(open_ec, temperature, np.nan), index=table.index)
    by_slope = to_25c(value, ambient, "linear", slope) if slope else to_25c(value, ambient)
    known = open_ec & by_slope.notna().to_numpy()
    how = f"uncompensated, to 25 °C by {slope:.1%} per °C" if slope else "uncompensated, to 25 °C by ISO 7888"
    converted = np.where(at_20, value * EC25_PER_EC20, np.where(known, by_slope, value))
    note = add_where(table["note"], at_20, "from 20 °C to 25 °C, ×1.116")
    note = add_where(pd.Series(note, index=table.index), known, how)
    doubt = add_where(table["ambiguous"], open_ec & ~known, "not compensated and no water temperature given")
    return table.assign(value=converted, note=note, ambiguous=doubt)


def _stated(texts: pd.Series) -> np.ndarray:
    code, distinct = pd.factorize(texts)
    number = pd.Series(distinct, dtype="str").str.extract(r"(\d{2})", expand=False)
    return pd.to_numeric(number, errors="coerce").to_numpy(dtype="float64")[code]


def _compensation(texts: pd.Series) -> tuple[float, np.ndarray]:
    """Find the rows without compensation ("none", "no") and the slope a row asks for ("2 %") [1/°C]."""
    code, distinct = pd.factorize(texts)
    folded = pd.Series(distinct, dtype="str").str.strip().str.casefold()
    slopes = [match.group(1) for text in folded if (match := _SLOPE.match(text))]
    slope = float(slopes[0].replace(",", ".")) / 100.0 if slopes else 0.0
    return slope, (folded.isin(_NONE) | folded.str.match(_SLOPE)).to_numpy(dtype="bool")[code]


def _temperature(table: pd.DataFrame, rows: int) -> np.ndarray:
    found = np.full(rows, np.nan)
    mine = (table["analyte"] == "temperature").to_numpy() & table["value"].notna().to_numpy()
    found[table["row"].to_numpy(dtype="int64")[mine]] = table["value"].to_numpy()[mine]
    return found


def _scaled(table: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    solids = (table["analyte"] == "tds").to_numpy()
    if not solids.any():
        return table
    code, distinct = pd.factorize(rows["tds_scale"])
    scales = [_SOLIDS.get(text.strip().casefold(), "") for text in distinct]
    named = code[table["row"].to_numpy(dtype="int64")]
    basis = table["basis"]
    for position, name in enumerate(scales):
        if name:
            basis = pd.Series(set_where(basis, solids & (named == position), name))
    return table.assign(basis=basis.array)

"""Conductivities to 25 °C, and the scale of dissolved-solids figures."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.chemistry.compensation import EC25_PER_EC20, factor_to_25c
from pipeline.texts import TextColumn, numbered

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats, Places


_NONE: Final = re.compile(r"^(none|no|off|nein|keine|aus|non|sans|aucune|nessuna|nee|geen|raw|なし)\b")
_DONE: Final = re.compile(
    r"^(yes|on|auto|automatic|atc|ja|ein|an|oui|si|sì|sí|automatica|あり|linear|lin|nlf|(?:iso|en) ?\d+)\b"
)
_SLOPE: Final = re.compile(r"(\d+(?:[.,]\d+)?)\s*%")
_CONVERTED: Final = (20.0, 25.0)
COMPENSATED_HERE: Final = "uncompensated, to 25 °C by"  # begins the note of a reading that a computation brought there
_SLOPES: Final = (0.01, 0.03)  # per °C: what natural and treated waters can have [APHA2510]
_BOTTLE: Final = ("label", "client", "site", "collected_on")
_APART_C: Final = 2.0  # nearer to 25 °C two readings do not tell a slope
_UNCOMPENSATED, _UNCLEAR = 1, 2
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
    A new table. A value at 20 °C is multiplied by 1.116 [ISO7888]; one taken without compensation ("none")
    is brought to 25 °C with the temperature of its row, by the table of ISO 7888 for natural water, or
    linearly if the row names a slope ("none, 2 %") or the file shows one: where a line has both a value at 25 °C
    and one without compensation, all such pairs of the file teach its slope (their median). What cannot be brought to
    25 °C stays as it is
    and is marked ambiguous. Nothing is compensated
    twice: "yes", "2 %" or nothing stands for a meter that did it.
    """
    table = _scaled(table, rows)
    own = (table["analyte"] == "conductivity").to_numpy()
    if not own.any():
        return table
    row = table["row"].to_numpy(dtype="int64")
    reference = _stated(rows["ec_reference"])[row]
    reference = np.where(np.isnan(reference), table["reference_c"].to_numpy(), reference)
    state, slope = (values[row] for values in _compensation(rows["temperature_compensation"]))
    at_20 = own & (reference == _CONVERTED[0])
    elsewhere = own & ~np.isnan(reference) & ~np.isin(reference, _CONVERTED)
    unclear = own & (state == _UNCLEAR)
    raw = own & (state == _UNCOMPENSATED) & ~at_20
    doubts = (
        (elsewhere, "reference temperature is neither 20 nor 25 °C"),
        (unclear, "temperature compensation is stated in unknown words"),
    )
    temperature = _temperature(table, len(rows))[row]
    taught = _taught_slope(table, rows, raw & (slope == 0.0), own & (reference == _CONVERTED[1]), temperature)
    factor, notes, lacking = _factors(raw, slope, taught, temperature)
    factor[at_20] = EC25_PER_EC20
    note, doubt = (TextColumn.from_series(table[name]) for name in ("note", "ambiguous"))
    for where, text in ((at_20, "from 20 °C to 25 °C, ×1.116"), *notes):
        note = note.extended(where, text)
    for where, text in (*doubts, (lacking, "not compensated and no water temperature given")):
        doubt = doubt.extended(where, text)
    scaled = {name: table[name] * factor for name in ("value", "limit", "value_low", "value_high", "uncertainty")}
    return table.assign(**scaled, note=note.category(), ambiguous=doubt.category())


def _taught_slope(table: pd.DataFrame, rows: pd.DataFrame, raw: Flags, at_25: Flags, temperature: Floats) -> Floats:
    """Give each raw reading the slope that the pairs of its file show [1/°C], 0 where they show none."""
    slope = np.zeros(len(table))
    if not raw.any() or not at_25.any():
        return slope
    file = pd.factorize(table["file_sha256"])[0].astype("int64")
    place = file * (int(table["line"].max()) + 1) + table["line"].to_numpy(dtype="int64")
    value = table["value"].to_numpy(dtype="float64")
    stated = _beside(value, place, raw, at_25)
    if np.isnan(stated).any():
        # In a long table the two stand on lines of their own: what names the bottle brings them together.
        names = numbered([TextColumn.from_series(rows[name]) for name in _BOTTLE])
        bottle = np.where(rows["label"] != "", names, -1 - np.arange(len(rows)))[table["row"].to_numpy(dtype="int64")]
        of_file = pd.factorize(file * (len(rows) + 1) * 2 + bottle)[0].astype("int64")
        stated = np.where(np.isnan(stated), _beside(value, of_file, raw, at_25), stated)
    ratio = value[raw] / stated
    away = temperature[raw] - _CONVERTED[1]
    shown = np.divide(ratio - 1.0, away, out=np.full(len(away), np.nan), where=np.abs(away) >= _APART_C)
    shown[(shown < _SLOPES[0]) | (shown > _SLOPES[1])] = np.nan
    of_file = pd.Series(shown).groupby(file[raw]).transform("median")
    slope[raw] = np.nan_to_num(np.round(of_file.to_numpy(), 4))
    return slope


def _beside(value: Floats, place: Places, raw: Flags, at_25: Flags) -> Floats:
    """Give each raw reading the one at 25 °C of the same place, missing where there is none or several."""
    known = pd.Series(value[at_25], index=place[at_25])
    single = known[~known.index.duplicated(keep=False)]
    return np.asarray(single.reindex(place[raw]), dtype="float64")


def _factors(
    raw: Flags, slope: Floats, taught: Floats, temperature: Floats
) -> tuple[Floats, list[tuple[Flags, str]], Flags]:
    """Give the factor to 25 °C of each raw conductivity, what was done, and where nothing could be."""
    factor = np.ones(len(raw))
    if not raw.any():
        return factor, [], raw
    notes = []
    used = np.where(slope > 0.0, slope, taught)
    for one in np.unique(used[raw]):
        mine = raw & (used == one)
        ambient = pd.Series(temperature[mine])
        found = factor_to_25c(ambient, "linear", one) if one else factor_to_25c(ambient)
        factor[mine] = found
        done = mine & ~np.isnan(factor)
        how = f"{one:.1%} per °C" if one else "ISO 7888"
        notes.append((done & (slope == used), f"{COMPENSATED_HERE} {how}"))
        notes.append(
            (done & (slope != used), f"{COMPENSATED_HERE} {one:.2%} per °C, as its pairs with values at 25 °C show")
        )
    lacking = np.isnan(factor)
    factor[lacking] = 1.0
    return factor, notes, lacking


def _stated(texts: pd.Series) -> Floats:
    code, distinct = pd.factorize(texts)
    number = pd.Series(distinct, dtype="str").str.extract(r"(\d{1,2}(?:[.]\d+)?)", expand=False)
    return np.asarray(pd.to_numeric(number, errors="coerce"), dtype="float64")[code]


def _compensation(texts: pd.Series) -> tuple[Floats, Floats]:
    """Tell of each row how its meter compensated, and the slope [1/°C] that a raw reading needs."""
    code, distinct = pd.factorize(texts)
    state, slope = np.zeros(len(distinct)), np.zeros(len(distinct))
    for place, text in enumerate(str(said).strip().casefold() for said in distinct):
        percent = _SLOPE.search(text)
        if _NONE.match(text):
            state[place] = _UNCOMPENSATED
            slope[place] = float(percent.group(1).replace(",", ".")) / 100.0 if percent else 0.0
        elif text and not percent and not _DONE.match(text):
            state[place] = _UNCLEAR
    return state[code], slope[code]


def _temperature(table: pd.DataFrame, rows: int) -> Floats:
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
    basis = TextColumn.from_series(table["basis"])
    for position, name in enumerate(scales):
        if name:
            basis = basis.where(solids & (named == position), name)
    return table.assign(basis=basis.category())

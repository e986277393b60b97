"""What the rows say of their titrants: words of a cell put where they belong, and what one mole counts as."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import CHARGE, MG_CACO3_PER_MEQ, MOLAR_MASS
from pipeline.ingest.titrants import Titrant, titrant_of, whole_titrant
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Flags, Floats, Places

_FIELDS: Final = ("titrant_concentration", "titrant_molarity", "titrant_normality")
_ACIDS: Final = {"H2SO4": 2.0, "HCl": 1.0, "HNO3": 1.0}  # protons of a mole
_HARDNESS: Final = ("total_hardness", "calcium_hardness", "magnesium_hardness", "calcium", "magnesium")
_ALKALINITY: Final = ("alkalinity", "phenolphthalein_alkalinity")
EQUIVALENTS_PER_EDTA: Final = 2.0  # [APHA2340C]
# Equivalents of a mole of each titrant, by what can be titrated with it; without a name hardness is titrated with EDTA.
_PER_MOLE: Final[dict[str, dict[str, float]]] = {
    **{name: {"": EQUIVALENTS_PER_EDTA, "EDTA": EQUIVALENTS_PER_EDTA} for name in _HARDNESS},
    **dict.fromkeys(_ALKALINITY, _ACIDS),
    "chloride": {"AgNO3": 1.0},
}
# Milligrams of a milliequivalent, as the quantity is stated.
_PER_MEQ: Final[dict[str, float]] = {
    name: MOLAR_MASS[name] / abs(CHARGE[name]) if name in CHARGE else MG_CACO3_PER_MEQ for name in _PER_MOLE
}
WHICH_SUBSTANCE: Final = "the titrant is given in mol/L and not named: name it (H2SO4, HCl), or write eq/L"
WHICH_UNIT: Final = "the titrant concentration has no unit: write mol/L or eq/L in its heading"
OTHER_SUBSTANCE: Final = "this is not titrated with the titrant that is named"
NO_TITRATION: Final = "how this quantity follows from a volume is not known"


def with_titrants(text: pd.DataFrame) -> pd.DataFrame:
    """Put what cells say of titrants in words where it belongs: "0.01 M EDTA" is a molarity and a substance.

    A unit in the cell goes before that of the heading. What is a number alone, or nothing of a titrant, stays as
    it is written.

    Parameters
    ----------
    text : (r, …) rows as text, with `titrant titrant_concentration titrant_molarity titrant_normality`.
    """
    said = {name: TextColumn.from_series(text[name]) for name in _FIELDS}
    if not any(_in_words(one) for column in said.values() for one in column.texts):
        return text
    moved = dict.fromkeys(("substance", "moles", "equivalents"), TextColumn.constant("", len(text)))
    for name, column in said.items():
        worded = column.mask(_in_words)
        for part in moved:
            own = column.map(lambda one, part=part: getattr(titrant_of(one), part) if _in_words(one) else "")  # type: ignore[misc]
            moved[part] = moved[part].otherwise(own)
        said[name] = column.where(worded, "")
    stated = moved["moles"].stated() | moved["equivalents"].stated()
    columns = {
        "titrant": moved["substance"].otherwise(TextColumn.from_series(text["titrant"])),
        "titrant_concentration": said["titrant_concentration"].where(stated, ""),
        "titrant_molarity": moved["moles"].otherwise(said["titrant_molarity"].where(stated, "")),
        "titrant_normality": moved["equivalents"].otherwise(said["titrant_normality"].where(stated, "")),
    }
    return text.assign(**{name: column.series(text.index) for name, column in columns.items()})


def _in_words(text: str) -> bool:
    return titrant_of(text) != Titrant() and whole_titrant(text)


def titrant_strengths(
    table: pd.DataFrame, rows: pd.DataFrame, row: Places, burette: Flags
) -> tuple[Floats, Floats, dict[str, Flags]]:
    """Give the strength of the titrant of every burette reading, and where it cannot be told.

    What the heading of the volumes says goes before what the row says.

    Returns
    -------
    normality : (n,) of the titrant [eq/L].
    per_meq : (n,) milligrams of a milliequivalent, as the quantity is stated [mg].
    faults : what is wrong, and of which readings.

    Notes
    -----
    One mole of EDTA binds one of calcium or magnesium, two equivalents [APHA2340C]; sulfuric acid gives two protons,
    hydrochloric and nitric acid one [APHA2320B].
    """
    analyte = TextColumn.from_series(table["analyte"])
    of_heading = TextColumn.from_series(table["raw_unit"]).where(~burette, "")
    substance = of_heading.map(lambda text: titrant_of(text).substance)
    substance = substance.otherwise(TextColumn.from_series(rows["titrant"]).take(row))
    moles, normal = (
        np.where(np.isnan(own := _numbers(of_heading, part)), rows[name].to_numpy(dtype="float64")[row], own)
        for part, name in (("moles", "titrant_molarity"), ("equivalents", "titrant_normality"))
    )
    own_moles = ~np.isnan(_numbers(of_heading, "moles"))
    normal = np.where(own_moles, np.nan, normal)
    per_mole, wrong, unnamed = _of_pairs(analyte, substance)
    in_moles = burette & np.isnan(normal) & ~np.isnan(moles)
    bare = burette & np.isnan(normal) & np.isnan(moles) & rows["titrant_concentration"].notna().to_numpy()[row]
    known = analyte.isin(_PER_MOLE)
    faults = {
        NO_TITRATION: burette & ~known,
        OTHER_SUBSTANCE: burette & known & wrong,
        WHICH_SUBSTANCE: in_moles & known & unnamed,
        WHICH_UNIT: bare,
    }
    per_meq = analyte.answers(lambda code: _PER_MEQ.get(code, np.nan)).astype("float64")
    return np.where(in_moles, moles * per_mole, normal), per_meq, faults


def _numbers(texts: TextColumn, part: str) -> Floats:
    return texts.answers(lambda text: float(getattr(titrant_of(text), part) or "nan")).astype("float64")


def _of_pairs(analyte: TextColumn, substance: TextColumn) -> tuple[Floats, Flags, Flags]:
    """Give the equivalents of a mole, and tell the substances that titrate something else and those not named."""
    size = len(analyte)
    per_mole, wrong, unnamed = np.full(size, np.nan), np.zeros(size, dtype="bool"), np.zeros(size, dtype="bool")
    for code in dict.fromkeys(analyte.texts):
        mine = analyte.isin([code])
        for name in dict.fromkeys(substance.texts):
            pair = mine & substance.isin([name])
            worth = _PER_MOLE.get(code, {}).get(name)
            per_mole[pair] = np.nan if worth is None else worth
            wrong |= pair & (worth is None and name != "")
            unnamed |= pair & (worth is None and name == "")
    return per_mole, wrong, unnamed

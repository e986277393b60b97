"""Molar masses, milliequivalents, hardness, alkalinity, ion sums and calculated dissolved solids.

Every figure here is arithmetic on molar masses, so that each conversion factor exists once.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
import pandas as pd

from pipeline.reference import table

_IONS: Final = table("ions")

MOLAR_MASS: Final[dict[str, float]] = dict(  # g/mol [IUPAC2021]
    zip(_IONS["code"], _IONS["molar_mass_g_mol"].astype(float), strict=True)
)
CHARGE: Final[dict[str, int]] = dict(zip(_IONS["code"], _IONS["charge"].astype(int), strict=True))

MG_CACO3_PER_MEQ: Final = MOLAR_MASS["calcium_carbonate"] / 2  # 50.04345
CACO3_PER_CALCIUM: Final = MOLAR_MASS["calcium_carbonate"] / MOLAR_MASS["calcium"]  # 2.4973 [APHA2340B]
CACO3_PER_MAGNESIUM: Final = MOLAR_MASS["calcium_carbonate"] / MOLAR_MASS["magnesium"]  # 4.1180 [APHA2340B]
HCO3_PER_CACO3: Final = MOLAR_MASS["bicarbonate"] / MG_CACO3_PER_MEQ  # 1.21928
ALKALINITY_LEFT_ON_EVAPORATION: Final = 0.6  # mg of carbonate per mg CaCO3, as the standard prints it [APHA1030]

MAJOR_CATIONS: Final = ("calcium", "magnesium", "sodium")
MINOR_CATIONS: Final = ("potassium", "ammonium")
MAJOR_ANIONS: Final = ("chloride", "sulfate")  # and alkalinity
MINOR_ANIONS: Final = ("nitrate", "fluoride")


def column(frame: pd.DataFrame, name: str) -> pd.Series[float]:
    """Take one column as 64-bit floats, all missing where the frame has no such column."""
    if name not in frame.columns:
        return pd.Series(np.nan, index=frame.index, name=name, dtype="float64")
    values = frame[name].to_numpy(dtype="float64", na_value=np.nan)
    return pd.Series(values, index=frame.index, name=name)


def milliequivalents(frame: pd.DataFrame, ion: str) -> pd.Series[float]:
    """Convert an ion's own column from mg/L to meq/L, with the sign of its charge dropped."""
    return column(frame, f"{ion}_mg_l") * (abs(CHARGE[ion]) / MOLAR_MASS[ion])


def alkalinity_meq_l(frame: pd.DataFrame) -> pd.Series[float]:
    """Total alkalinity, from its own column or else from bicarbonate and carbonate.

    A laboratory reports either form; the carbonate solver needs one number.

    Parameters
    ----------
    frame : (n, ...) frame with ``alkalinity_mg_l_caco3``, ``bicarbonate_mg_l``, ``carbonate_mg_l``.

    Returns
    -------
    (n,) series [meq/L]; missing where both alkalinity and bicarbonate are. A missing carbonate
    beside a bicarbonate counts as 0: below pH 8.3 a laboratory does not report it.

    Notes
    -----
    alkalinity = c(CaCO3) / 50.04345, or c(HCO3)/61.0168 + 2 c(CO3)/60.0089 [IUPAC2021].

    Example
    -------
    >>> float(alkalinity_meq_l(pd.DataFrame({"bicarbonate_mg_l": [250.0]})).round(4).item())
    4.0972
    """
    forms = milliequivalents(frame, "bicarbonate") + milliequivalents(frame, "carbonate").fillna(0.0)
    total = column(frame, "alkalinity_mg_l_caco3") / MG_CACO3_PER_MEQ
    return total.fillna(forms).rename("alkalinity_meq_l")


def calcium_and_magnesium(frame: pd.DataFrame) -> pd.DataFrame:
    """Calcium and magnesium, from their own columns or else from the hardness titrations.

    A drop kit gives total and calcium hardness; the difference is the magnesium.

    Parameters
    ----------
    frame : (n, ...) frame with any of ``calcium_mg_l magnesium_mg_l`` and the columns
        ``calcium_hardness magnesium_hardness total_hardness`` ``_mg_l_caco3``.

    Returns
    -------
    (n, 2) frame ``calcium_mg_l magnesium_mg_l``; missing where nothing measured gives it. A
    difference may come out negative: two titrations disagree, and hiding it would help nobody.

    Notes
    -----
    hardness as CaCO3 = 2.4973 Ca + 4.1180 Mg [APHA2340B].

    Example
    -------
    >>> kit = pd.DataFrame({"total_hardness_mg_l_caco3": [249.2], "calcium_hardness_mg_l_caco3": [199.8]})
    >>> calcium_and_magnesium(kit).round(1).to_numpy().tolist()
    [[80.0, 12.0]]
    """
    calcium = (column(frame, "calcium_mg_l") * CACO3_PER_CALCIUM).fillna(column(frame, "calcium_hardness_mg_l_caco3"))
    magnesium = (column(frame, "magnesium_mg_l") * CACO3_PER_MAGNESIUM).fillna(
        column(frame, "magnesium_hardness_mg_l_caco3")
    )
    total = column(frame, "total_hardness_mg_l_caco3")
    both = {"calcium": calcium.fillna(total - magnesium), "magnesium": magnesium.fillna(total - calcium)}
    per_ion = {"calcium": CACO3_PER_CALCIUM, "magnesium": CACO3_PER_MAGNESIUM}
    derived = {f"{ion}_mg_l": hardness / per_ion[ion] for ion, hardness in both.items()}
    own = {name: column(frame, name) for name in derived}
    return pd.DataFrame({name: own[name].fillna(derived[name]) for name in derived})


def meq_per_l(frame: pd.DataFrame) -> pd.DataFrame:
    """Milliequivalents per litre of every ion, and of the alkalinity.

    Parameters
    ----------
    frame : (n, ...) frame with the canonical columns; absent columns count as missing.

    Returns
    -------
    (n, 11) frame [meq/L] without sign: ``calcium_meq_l`` and so on for every ion that carries
    charge, and ``alkalinity_meq_l`` which already holds bicarbonate and carbonate. Calcium and
    magnesium fall back on hardness (`calcium_and_magnesium`).

    Example
    -------
    >>> float(meq_per_l(pd.DataFrame({"calcium_mg_l": [40.078]}))["calcium_meq_l"].item())
    2.0
    """
    hardness = calcium_and_magnesium(frame)
    ions = (*MAJOR_CATIONS, *MINOR_CATIONS, "bicarbonate", "carbonate", *MAJOR_ANIONS, *MINOR_ANIONS)
    sources = {ion: hardness if f"{ion}_mg_l" in hardness else frame for ion in ions}
    columns = {f"{ion}_meq_l": milliequivalents(source, ion) for ion, source in sources.items()}
    return pd.DataFrame({**columns, "alkalinity_meq_l": alkalinity_meq_l(frame)})


def hardness_from_ions(frame: pd.DataFrame) -> pd.Series[float]:
    """Total hardness from the measured calcium and magnesium only.

    It never looks at a titrated hardness, so it can be held against one.

    Parameters
    ----------
    frame : (n, ...) frame with ``calcium_mg_l`` and ``magnesium_mg_l``.

    Returns
    -------
    (n,) series [mg/L as CaCO3]; missing where either ion is.

    Notes
    -----
    2.4973 Ca + 4.1180 Mg, from the molar masses [APHA2340B].

    Example
    -------
    >>> water = pd.DataFrame({"calcium_mg_l": [80.0], "magnesium_mg_l": [12.0]})
    >>> float(hardness_from_ions(water).round(2).item())
    249.2
    """
    hardness = CACO3_PER_CALCIUM * column(frame, "calcium_mg_l")
    return (hardness + CACO3_PER_MAGNESIUM * column(frame, "magnesium_mg_l")).rename("total_hardness_mg_l_caco3")


def cation_sum(frame: pd.DataFrame) -> pd.Series[float]:
    """Sum of the cations, for the ion balance.

    Parameters
    ----------
    frame : (n, ...) frame with the canonical columns.

    Returns
    -------
    (n,) series [meq/L]. Missing where sodium is, or where neither calcium with magnesium nor
    total hardness is known; missing potassium and ammonium count as 0.

    Notes
    -----
    Total hardness carries the charge of calcium and magnesium whatever their split [APHA1030].

    Example
    -------
    >>> water = pd.DataFrame({"total_hardness_mg_l_caco3": [100.0869], "sodium_mg_l": [22.98977]})
    >>> float(cation_sum(water).item())
    3.0
    """
    meq = meq_per_l(frame)
    titrated = column(frame, "total_hardness_mg_l_caco3") / MG_CACO3_PER_MEQ
    hardness = (meq["calcium_meq_l"] + meq["magnesium_meq_l"]).fillna(titrated)
    minor = sum((meq[f"{ion}_meq_l"].fillna(0.0) for ion in MINOR_CATIONS), start=0.0 * hardness)
    return (hardness + meq["sodium_meq_l"] + minor).rename("cations_meq_l")


def anion_sum(frame: pd.DataFrame) -> pd.Series[float]:
    """Sum of the anions, for the ion balance.

    Parameters
    ----------
    frame : (n, ...) frame with the canonical columns.

    Returns
    -------
    (n,) series [meq/L]. Missing where alkalinity (or bicarbonate), chloride or sulfate is;
    missing nitrate and fluoride count as 0 [APHA1030].

    Example
    -------
    >>> ions = {"bicarbonate_mg_l": 61.0168, "chloride_mg_l": 35.453, "sulfate_mg_l": 0.0}
    >>> water = pd.DataFrame([ions])
    >>> float(anion_sum(water).item())
    2.0
    """
    meq = meq_per_l(frame)
    major = sum((meq[f"{ion}_meq_l"] for ion in MAJOR_ANIONS), start=meq["alkalinity_meq_l"])
    minor = sum((meq[f"{ion}_meq_l"].fillna(0.0) for ion in MINOR_ANIONS), start=0.0 * major)
    return (major + minor).rename("anions_meq_l")


def ion_balance_percent(
    cations: pd.Series[float], anions: pd.Series[float], definition: Literal["sum", "half-sum"] = "sum"
) -> pd.Series[float]:
    """Charge balance error: how far the cations exceed the anions.

    Parameters
    ----------
    cations, anions : (n,) series [meq/L].
    definition : ``"sum"`` divides by cations + anions; ``"half-sum"`` by their mean, which
        doubles the figure. Reports use both, so the definition must be named.

    Returns
    -------
    (n,) series [%], positive with too many cations; missing where a sum is, or both are 0.

    Raises
    ------
    ValueError : another definition was asked for.

    Notes
    -----
    100 (C - A) / (C + A) [APHA1030].

    Example
    -------
    >>> float(ion_balance_percent(pd.Series([3.0]), pd.Series([1.0])).item())
    50.0
    """
    if definition not in ("sum", "half-sum"):
        raise ValueError(f'definition {definition!r}: use "sum" or "half-sum"')
    total = cations + anions
    half = 1.0 if definition == "sum" else 2.0
    return (100.0 * half * (cations - anions) / total.where(total > 0)).rename("ion_balance_percent")


def dissolved_solids_calculated(frame: pd.DataFrame) -> pd.DataFrame:
    """Dissolved solids summed from the ions, in both conventions in use.

    A residue weighed at 180 °C has lost half of its bicarbonate as carbon dioxide and water; a
    plain sum of ions has not. The two differ by a quarter on hard water.

    Parameters
    ----------
    frame : (n, ...) frame with the canonical columns.

    Returns
    -------
    (n, 2) frame [mg/L]: ``tds_evaporated_mg_l`` and ``sum_of_ions_mg_l``; missing where a major
    ion or the alkalinity is. Missing potassium, ammonium, nitrate, fluoride and silica count as 0,
    so the figure is then a lower bound.

    Notes
    -----
    evaporated = 0.6 alkalinity(CaCO3) + Ca + Mg + Na + K + NH4 + Cl + SO4 + NO3 + F + SiO3, with
    SiO3 = SiO2 * 76.0838/60.0843 [APHA1030]. Sum of ions: alkalinity as HCO3, silica as SiO2.

    Example
    -------
    >>> ions = {"calcium_mg_l": 80.0, "magnesium_mg_l": 12.0, "sodium_mg_l": 20.0, "bicarbonate_mg_l": 250.0}
    >>> water = pd.DataFrame([{**ions, "chloride_mg_l": 36.0, "sulfate_mg_l": 40.0}])
    >>> dissolved_solids_calculated(water).round(2).to_numpy().tolist()
    [[311.02, 438.0]]
    """
    hardness = calcium_and_magnesium(frame)
    alkalinity = alkalinity_meq_l(frame)
    major = hardness["calcium_mg_l"] + hardness["magnesium_mg_l"] + column(frame, "sodium_mg_l")
    major = sum((column(frame, f"{ion}_mg_l") for ion in MAJOR_ANIONS), start=major)
    minor = (*MINOR_CATIONS, *MINOR_ANIONS)
    ions = sum((column(frame, f"{ion}_mg_l").fillna(0.0) for ion in minor), start=major)
    silica = column(frame, "silica_mg_l").fillna(0.0)
    left = ALKALINITY_LEFT_ON_EVAPORATION * MG_CACO3_PER_MEQ * alkalinity
    silicate = silica * (MOLAR_MASS["silicate"] / MOLAR_MASS["silica"])
    return pd.DataFrame(
        {
            "tds_evaporated_mg_l": ions + left + silicate,
            "sum_of_ions_mg_l": ions + MOLAR_MASS["bicarbonate"] * alkalinity + silica,
        }
    )

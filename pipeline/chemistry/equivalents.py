"""Molar masses, milliequivalents, hardness, alkalinity, ion sums and calculated dissolved solids.

Every figure here is arithmetic on molar masses, so that each conversion factor exists once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import pandas as pd

from pipeline.reference import table

if TYPE_CHECKING:
    from pipeline.arrays import Floats

_SUBSTANCES: Final = table("molar_masses")
_IONS: Final = table("ions")
_DEGREES: Final = table("degrees")

MOLAR_MASS: Final[dict[str, float]] = dict(  # g/mol [IUPAC2021]
    zip(_SUBSTANCES["substance"], _SUBSTANCES["molar_mass_g_mol"], strict=True)
)
CHARGE: Final[dict[str, int]] = dict(zip(_IONS["code"], _IONS["charge"].astype(int), strict=True))

MG_CACO3_PER_MEQ: Final = MOLAR_MASS["calcium_carbonate"] / 2  # 50.04345
CACO3_PER_CALCIUM: Final = MOLAR_MASS["calcium_carbonate"] / MOLAR_MASS["calcium"]  # 2.4973 [APHA2340B]
CACO3_PER_MAGNESIUM: Final = MOLAR_MASS["calcium_carbonate"] / MOLAR_MASS["magnesium"]  # 4.1180 [APHA2340B]
_CACO3_PER: Final = {"calcium": CACO3_PER_CALCIUM, "magnesium": CACO3_PER_MAGNESIUM}
HCO3_PER_CACO3: Final = MOLAR_MASS["bicarbonate"] / MG_CACO3_PER_MEQ  # 1.21928
CACO3_PER_CAO: Final = MOLAR_MASS["calcium_carbonate"] / MOLAR_MASS["calcium_oxide"]  # 1.78480
NITRATE_PER_NITROGEN: Final = MOLAR_MASS["nitrate"] / MOLAR_MASS["nitrogen"]  # 4.4268
SULFATE_PER_SULFUR: Final = MOLAR_MASS["sulfate"] / MOLAR_MASS["sulfur"]  # 2.9959
SILICA_PER_SILICON: Final = MOLAR_MASS["silica"] / MOLAR_MASS["silicon"]  # 2.1393
MG_CACO3_PER_DEGREE: Final[dict[str, float]] = {  # mg/L as CaCO3 of one degree of hardness [DIN-HARDNESS, GRAIN]
    str(degree): MOLAR_MASS["calcium_carbonate"] / MOLAR_MASS[substance] * milligrams / litres
    for degree, milligrams, substance, litres in zip(
        _DEGREES["degree"], _DEGREES["milligrams"], _DEGREES["substance"], _DEGREES["litres"], strict=True
    )
}
DEGREE_PER_MEQ: Final = MG_CACO3_PER_MEQ / MG_CACO3_PER_DEGREE["°dH"]  # 2.804 °dH per mmol/L of acid
ALKALINITY_LEFT_ON_EVAPORATION: Final = 0.6  # mg of carbonate per mg CaCO3, as the standard prints it [APHA1030]

_MEQ_PER_MG: Final = {ion: abs(charge) / MOLAR_MASS[ion] for ion, charge in CHARGE.items()}

MAJOR_CATIONS: Final = ("calcium", "magnesium", "sodium")
MINOR_CATIONS: Final = ("potassium", "ammonium")
MAJOR_ANIONS: Final = ("chloride", "sulfate")  # and alkalinity
MINOR_ANIONS: Final = ("nitrate", "fluoride")
CATIONS: Final = (*MAJOR_CATIONS, *MINOR_CATIONS)
ANIONS: Final = (*MAJOR_ANIONS, *MINOR_ANIONS)


def column(frame: pd.DataFrame, name: str) -> pd.Series[float]:
    """Take one column as 64-bit floats, all missing where the frame has no such column."""
    return pd.Series(numbers(frame, name), index=frame.index, name=name)


def numbers(frame: pd.DataFrame, name: str) -> Floats:
    """Take one column as an array of 64-bit floats, all missing where the frame has no such column."""
    if name not in frame.columns:
        return np.full(len(frame), np.nan)
    return frame[name].to_numpy(dtype="float64", na_value=np.nan)


def zero_if_missing(values: Floats) -> Floats:
    """Let what is missing count as 0."""
    return np.where(np.isnan(values), 0.0, values)


def _first(values: Floats, otherwise: Floats) -> Floats:
    """Fill what is missing from another figure for the same."""
    return np.where(np.isnan(values), otherwise, values)


def milliequivalents(frame: pd.DataFrame, ion: str) -> pd.Series[float]:
    """Convert an ion's own column from mg/L to meq/L, with the sign of its charge dropped."""
    return column(frame, f"{ion}_mg_l") * _MEQ_PER_MG[ion]


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
    A sum by molar masses, exact at any concentration.

    Example
    -------
    >>> float(alkalinity_meq_l(pd.DataFrame({"bicarbonate_mg_l": [250.0]})).round(4).item())
    4.0972
    """
    return pd.Series(_alkalinity(frame), index=frame.index, name="alkalinity_meq_l")


def _alkalinity(frame: pd.DataFrame) -> Floats:
    forms = numbers(frame, "bicarbonate_mg_l") * _MEQ_PER_MG["bicarbonate"]
    forms = forms + zero_if_missing(numbers(frame, "carbonate_mg_l") * _MEQ_PER_MG["carbonate"])
    return _first(numbers(frame, "alkalinity_mg_l_caco3") / MG_CACO3_PER_MEQ, forms)


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
    hardness as CaCO3 = 2.4973 Ca + 4.1180 Mg [APHA2340B]. Exact at any concentration.

    Example
    -------
    >>> kit = pd.DataFrame({"total_hardness_mg_l_caco3": [249.2], "calcium_hardness_mg_l_caco3": [199.8]})
    >>> calcium_and_magnesium(kit).round(1).to_numpy().tolist()
    [[80.0, 12.0]]
    """
    return pd.DataFrame({f"{ion}_mg_l": values for ion, values in _calcium_and_magnesium(frame).items()}, frame.index)


def _calcium_and_magnesium(frame: pd.DataFrame) -> dict[str, Floats]:
    """Give both ions [mg/L], from their own columns or else from the hardness titrations."""
    own = {ion: numbers(frame, f"{ion}_mg_l") for ion in _CACO3_PER}
    part = {
        ion: _first(values * _CACO3_PER[ion], numbers(frame, f"{ion}_hardness_mg_l_caco3"))
        for ion, values in own.items()
    }
    total = numbers(frame, "total_hardness_mg_l_caco3")
    rest = {"calcium": total - part["magnesium"], "magnesium": total - part["calcium"]}
    return {ion: _first(values, _first(part[ion], rest[ion]) / _CACO3_PER[ion]) for ion, values in own.items()}


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
    return pd.DataFrame({f"{ion}_meq_l": values for ion, values in equivalents(frame).items()}, frame.index)


def equivalents(frame: pd.DataFrame) -> dict[str, Floats]:
    """Give the columns of `meq_per_l` [meq/L] as plain arrays, by the name of the ion or ``alkalinity``."""
    hardness = _calcium_and_magnesium(frame)
    ions = (*MAJOR_CATIONS, *MINOR_CATIONS, "bicarbonate", "carbonate", *MAJOR_ANIONS, *MINOR_ANIONS)
    amounts = {ion: hardness[ion] if ion in hardness else numbers(frame, f"{ion}_mg_l") for ion in ions}
    charges = {ion: values * _MEQ_PER_MG[ion] for ion, values in amounts.items()}
    return {**charges, "alkalinity": _alkalinity(frame)}


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
    2.4973 Ca + 4.1180 Mg, from the molar masses [APHA2340B]. Exact at any concentration.

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
    Exact at any concentration.

    Example
    -------
    >>> water = pd.DataFrame({"total_hardness_mg_l_caco3": [100.0869], "sodium_mg_l": [22.98977]})
    >>> float(cation_sum(water).item())
    3.0
    """
    meq = equivalents(frame)
    titrated = numbers(frame, "total_hardness_mg_l_caco3") / MG_CACO3_PER_MEQ
    hardness = _first(meq["calcium"] + meq["magnesium"], titrated)
    minor = sum((zero_if_missing(meq[ion]) for ion in MINOR_CATIONS), start=0.0 * hardness)
    return pd.Series(hardness + meq["sodium"] + minor, index=frame.index, name="cations_meq_l")


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
    meq = equivalents(frame)
    major = sum((meq[ion] for ion in MAJOR_ANIONS), start=meq["alkalinity"])
    minor = sum((zero_if_missing(meq[ion]) for ion in MINOR_ANIONS), start=0.0 * major)
    return pd.Series(major + minor, index=frame.index, name="anions_meq_l")


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
    100 (C - A) / (C + A) [APHA1030], from -100 to 100; missing where both sums are 0.

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
    hardness, alkalinity = _calcium_and_magnesium(frame), _alkalinity(frame)
    major = hardness["calcium"] + hardness["magnesium"] + numbers(frame, "sodium_mg_l")
    major = sum((numbers(frame, f"{ion}_mg_l") for ion in MAJOR_ANIONS), start=major)
    minor = (*MINOR_CATIONS, *MINOR_ANIONS)
    ions = sum((zero_if_missing(numbers(frame, f"{ion}_mg_l")) for ion in minor), start=major)
    silica = zero_if_missing(numbers(frame, "silica_mg_l"))
    left = ALKALINITY_LEFT_ON_EVAPORATION * MG_CACO3_PER_MEQ * alkalinity
    silicate = silica * (MOLAR_MASS["silicate"] / MOLAR_MASS["silica"])
    return pd.DataFrame(
        {
            "tds_evaporated_mg_l": ions + left + silicate,
            "sum_of_ions_mg_l": ions + MOLAR_MASS["bicarbonate"] * alkalinity + silica,
        },
        frame.index,
    )

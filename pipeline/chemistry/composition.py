"""From a table of samples to what the solver needs: totals, scenarios for what is missing, and reasons.

A field analysis is rarely complete. Here it is decided, in the open, what may be assumed (and the
assumption gets words), what can only be bounded (pH, the split of a total hardness) and what stops
a row (and that gets words too).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.chemistry.equivalents import (
    MOLAR_MASS,
    alkalinity_meq_l,
    calcium_and_magnesium,
    numbers,
)

if TYPE_CHECKING:
    from pipeline.arrays import Codes, Flags, Floats, Places

IONS: Final = ("calcium", "magnesium", "sodium", "potassium", "silica", "sulfate",
               "chloride", "nitrate", "fluoride", "ammonium")  # fmt: skip
CHARGE_OF_ION: Final[Floats] = np.array([2.0, 2.0, 1.0, 1.0, 0.0, -2.0, -1.0, -1.0, -1.0, 1.0])
BOUND_ROWS: Final = slice(0, 5)
INERT_ROWS: Final = slice(6, 10)
CALCIUM, MAGNESIUM, SODIUM, _POTASSIUM, SILICA, SULFATE, CHLORIDE = range(7)

MAX_IMBALANCE: Final = 0.30  # of the sum of ions; beyond it the analysis is not a water
NEGLIGIBLE_IMBALANCE: Final = 2e-4  # eq/kg: in nearly pure water any percentage is rounding
STRENGTH_PER_CONDUCTIVITY: Final = 1.6e-5  # mol/kg per µS/cm, natural waters [CP]
TITRATION_OVERLAP: Final = 0.10  # calcium may exceed total hardness by this share: two titrations
LEAST_CALCIUM_SHARE, MOST_CALCIUM_SHARE = 0.5, 1.0  # of total hardness: dolomite … limestone [CP]
DEGASSED_LOG_PCO2, SOIL_LOG_PCO2 = -3.4, -1.5  # atm: open air … upper end of groundwater [AP2005]
DEFAULT_TEMPERATURE_C: Final = 25.0
MAX_TEMPERATURE_C: Final = 150.0
MAX_PH: Final = 14.0

REASONS: Final = (
    "",
    "temperature outside 0–150 °C: check temperature_c",
    "pH outside 0–14: check ph",
    "a concentration is negative or not finite (only alkalinity may be negative): check the ions and hardness",
    "calcium exceeds total hardness by more than 10 %: check both titrations",
    "alkalinity missing: measure alkalinity or bicarbonate",
    "calcium missing: measure calcium or total hardness",
    "cations and anions differ by more than 30 %: check the analysis before using it",
    "pH and alkalinity contradict each other: no carbonate is left at this pH",
    "pH and alkalinity contradict each other: together they need carbon dioxide of more than 10 atm",
    "the equilibrium did not converge or the water is more concentrated than the model allows (1 mol/kg)",
)
(OK, BAD_TEMPERATURE, BAD_PH, BAD_CONCENTRATION, BAD_HARDNESS, NO_ALKALINITY, NO_CALCIUM, IMBALANCE,
 NO_CARBONATE, TOO_MUCH_GAS, NOT_CONVERGED) = range(len(REASONS))  # fmt: skip

ASSUMPTIONS: Final = (
    "temperature taken as 25 °C",
    "pH missing: low for log pCO2 -1.5, high for -3.4 (lime- or soda-dosed water can be higher)",
    "calcium share of hardness missing: low and high from 50 % to 100 %",
    "magnesium taken as 0",
    "sulfate taken as 0",
    "sodium from the ion balance",
    "chloride from the ion balance",
    "sodium and chloride raised to match the conductivity",
)
(A_TEMPERATURE, A_PH, A_SPLIT, A_MAGNESIUM, A_SULFATE, A_SODIUM, A_CHLORIDE, A_CONDUCTIVITY) = (
    1 << bit for bit in range(len(ASSUMPTIONS))
)


def per_water(values: float | pd.Series[float], index: pd.Index, name: str) -> Floats:
    """Spread one value over all waters, or take a series that has the waters' own index.

    Raises
    ------
    ValueError : the series belongs to other rows, so its values would land on the wrong waters.
    """
    if isinstance(values, pd.Series) and not values.index.equals(index):
        raise ValueError(f"{name}: give a series with the index of the waters, in their order")
    return np.broadcast_to(floats(values), (len(index),))


@dataclass(frozen=True)
class Composition:
    """Waters ready to be solved, one column per case; a water with something missing has several.

    ``row`` is the position in the table; ``ions`` (10, m) in the order of `IONS` and ``alkalinity``
    in mol/kg; ``ph`` is missing where ``log_pco2`` is given instead.
    """

    row: Places
    temperature_c: Floats
    ph: Floats
    log_pco2: Floats
    ions: Floats
    alkalinity: Floats

    def take(self, cases: Places | slice) -> Composition:
        """Keep some of the cases."""
        return replace(self, **{part.name: getattr(self, part.name)[..., cases] for part in fields(self)})


@dataclass(frozen=True)
class Prepared:
    """The cases to solve, and per row of the table its reason (index of `REASONS`) and assumptions (bits)."""

    cases: Composition
    reason: Codes
    assumed: Codes


def _totals(waters: pd.DataFrame) -> tuple[Floats, Floats, Floats]:
    """Ions (10, n) and alkalinity in mol/kg, missing as NaN, and the total hardness as mol/kg."""
    hardness = calcium_and_magnesium(waters)
    sources = {ion: hardness if f"{ion}_mg_l" in hardness else waters for ion in IONS}
    ions = np.vstack([numbers(source, f"{ion}_mg_l") / (1e3 * MOLAR_MASS[ion]) for ion, source in sources.items()])
    total = numbers(waters, "total_hardness_mg_l_caco3") / (1e3 * MOLAR_MASS["calcium_carbonate"])
    return ions, floats(alkalinity_meq_l(waters)) / 1e3, total


def _close(ions: Floats, alkalinity: Floats, conductivity: Floats, missing: Flags) -> Codes:
    """Close the charge with the sodium and chloride that were not measured; changes ``ions``."""
    lacks_sodium, lacks_chloride = missing[SODIUM], missing[CHLORIDE]
    excess = CHARGE_OF_ION @ ions - np.nan_to_num(alkalinity)
    ions[SODIUM] += np.where(lacks_sodium, np.maximum(-excess, 0.0), 0.0)
    ions[CHLORIDE] += np.where(lacks_chloride, np.maximum(excess, 0.0), 0.0)
    strength = 0.5 * (np.square(CHARGE_OF_ION) @ ions + np.abs(np.nan_to_num(alkalinity)))
    short = STRENGTH_PER_CONDUCTIVITY * np.nan_to_num(conductivity) - strength
    raised = lacks_sodium & lacks_chloride & (short > 0.0)
    salt = np.where(raised, short, 0.0)
    ions[SODIUM] += salt
    ions[CHLORIDE] += salt
    assumed = A_SODIUM * lacks_sodium + A_CHLORIDE * lacks_chloride + A_CONDUCTIVITY * raised
    return np.asarray(assumed, dtype=np.int64)


def _reasons(temperature_c: Floats, ph: Floats, ions: Floats, alkalinity: Floats, calcium_missing: Flags) -> Codes:
    finite = np.where(np.isfinite(ions), ions, 0.0)
    balance = CHARGE_OF_ION @ finite - alkalinity
    imbalance = np.abs(balance) - MAX_IMBALANCE * (np.abs(CHARGE_OF_ION) @ finite + np.abs(alkalinity))
    tests = {
        BAD_TEMPERATURE: ~((temperature_c >= 0.0) & (temperature_c <= MAX_TEMPERATURE_C)),
        BAD_PH: (ph < 0.0) | (ph > MAX_PH),
        BAD_CONCENTRATION: (ions < 0.0).any(axis=0) | ~np.isfinite(ions).all(axis=0)
        | np.isinf(alkalinity),
        NO_ALKALINITY: np.isnan(alkalinity),
        NO_CALCIUM: calcium_missing,
        IMBALANCE: (imbalance > 0.0) & (np.abs(balance) > NEGLIGIBLE_IMBALANCE),
    }  # fmt: skip
    return np.select(list(tests.values()), list(tests), default=OK).astype(np.int64)


def _clear_titration_overlap(waters: pd.DataFrame, ions: Floats, total: Floats) -> tuple[Codes, Flags]:
    """Magnesium (or calcium) by difference a little below zero is titration noise; changes ``ions``."""
    assumed, refused = np.zeros(len(waters), dtype=np.int64), np.zeros(len(waters), dtype=bool)
    for row, own in ((CALCIUM, "calcium"), (MAGNESIUM, "magnesium")):
        derived = np.isnan(numbers(waters, f"{own}_mg_l")) & np.isnan(numbers(waters, f"{own}_hardness_mg_l_caco3"))
        below = (ions[row] < 0.0) & derived
        small = below & (ions[row] >= -TITRATION_OVERLAP * total)
        ions[row, small] = 0.0
        refused |= below & ~small
        assumed |= (A_MAGNESIUM if row == MAGNESIUM else 0) * small
    return assumed, refused


def prepare(waters: pd.DataFrame) -> Prepared:
    """Turn samples into cases to solve.

    Parameters
    ----------
    waters : (n, ...) frame with the canonical columns; missing values NaN, absent columns missing.

    Returns
    -------
    Prepared. A row that cannot be solved has a reason and no case; a row without pH has two cases,
    without the calcium share of its hardness two, without both four.

    Notes
    -----
    Answered: 0–150 °C, pH 0–14, alkalinity of any sign (below 0 the water holds free mineral acid), an imbalance of
    up to 30 %. 1 L counts as 1 kg of water. Missing K, NO3, F, NH4 and SiO2 count as 0. A measured, complete but
    unbalanced analysis is solved as it is.
    """
    ions, alkalinity, total = _totals(waters)
    temperature = numbers(waters, "temperature_c")
    ph = numbers(waters, "ph")
    missing = np.isnan(ions)
    no_calcium, no_magnesium = missing[CALCIUM], missing[MAGNESIUM]
    split = no_calcium & no_magnesium & ~np.isnan(total)
    ions = np.where(missing, 0.0, ions)
    ions[CALCIUM] = np.where(split, total, ions[CALCIUM])
    overlap, refused = _clear_titration_overlap(waters, ions, total)
    assumed = (
        A_TEMPERATURE * np.isnan(temperature)
        + A_PH * np.isnan(ph)
        + A_SPLIT * split
        + A_MAGNESIUM * (no_magnesium & ~split)
        + A_SULFATE * missing[SULFATE]
    ) | overlap
    conductivity = numbers(waters, "conductivity_us_cm_25c")
    assumed |= _close(ions, alkalinity, conductivity, missing)
    temperature = np.where(np.isnan(temperature), DEFAULT_TEMPERATURE_C, temperature)
    reason = _reasons(temperature, ph, ions, alkalinity, no_calcium & ~split)
    reason[np.isin(reason, (OK, IMBALANCE)) & _negative_form(waters)] = BAD_CONCENTRATION
    reason[refused] = BAD_HARDNESS
    whole = Composition(np.arange(len(waters)), temperature, ph, np.full(len(waters), np.nan), ions, alkalinity)
    return Prepared(_cases(whole.take(np.flatnonzero(reason == OK)), split), reason, assumed)


def _negative_form(waters: pd.DataFrame) -> Flags:
    """Flag a bicarbonate or carbonate below 0: unlike an alkalinity, no acid explains it."""
    forms = [numbers(waters, name) for name in ("bicarbonate_mg_l", "carbonate_mg_l")]
    return np.asarray((forms[0] < 0.0) | (forms[1] < 0.0))


def _cases(whole: Composition, split: Flags) -> Composition:
    """Repeat the rows that can only be bounded, once per corner of what is not known."""
    no_ph, no_split = np.isnan(whole.ph), split[whole.row]
    if not (no_ph.any() or no_split.any()):
        return whole
    count = (1 + no_ph) * (1 + no_split)
    cases = whole.take(np.repeat(np.arange(count.size), count))
    corner = np.arange(cases.row.size) - np.repeat(np.cumsum(count) - count, count)
    no_ph, no_split = np.repeat(no_ph, count), np.repeat(no_split, count)
    degassed = corner % 2 == 1
    log_pco2 = np.where(no_ph, np.where(degassed, DEGASSED_LOG_PCO2, SOIL_LOG_PCO2), np.nan)
    dolomitic = no_split & (np.where(no_ph, corner // 2, corner) == 1)
    share = np.where(dolomitic, LEAST_CALCIUM_SHARE, MOST_CALCIUM_SHARE)
    ions = cases.ions
    ions[MAGNESIUM] += ions[CALCIUM] * (1.0 - share)
    ions[CALCIUM] *= share
    return replace(cases, log_pco2=log_pco2, ions=ions)

"""The conductivity a water must have, from its ions; and the arithmetic of conductivity meters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.chemistry.compensation import factor_to_25c, from_20c, from_25c, to_25c
from pipeline.chemistry.constants import log_k
from pipeline.chemistry.equivalents import (
    CHARGE,
    MAJOR_ANIONS,
    MAJOR_CATIONS,
    MINOR_ANIONS,
    MINOR_CATIONS,
    equivalents,
    numbers,
    zero_if_missing,
)
from pipeline.chemistry.ion_pairs import AT_25, PAIRING_METALS, free_ions, pair_constants
from pipeline.chemistry.remarks import remarks
from pipeline.chemistry.tds_scales import SCALES, from_tds, from_tds_of_unknown_scale, to_tds
from pipeline.reference import records

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.arrays import Flags, Floats


__all__ = [
    "SCALES",
    "Carried",
    "at",
    "carried",
    "expected",
    "factor_to_25c",
    "from_20c",
    "from_25c",
    "from_tds",
    "from_tds_of_unknown_scale",
    "ionic_strength",
    "molal_conductivities",
    "to_25c",
    "to_tds",
]

MAJOR: Final = (*MAJOR_CATIONS, "alkalinity", *MAJOR_ANIONS)
MINOR: Final = (*MINOR_CATIONS, *MINOR_ANIONS)
STRENGTH_RANGE: Final = (0.0004, 0.7)  # mol/kg [MNR2012]
PH_RANGE: Final = (1.0, 9.8)  # [MNR2012]
TEMPERATURE_RANGE_C: Final = (0.0, 95.0)  # [MNR2012]
_MOST_CARBONATE: Final = 1e6  # carbonate per bicarbonate of a water reported without bicarbonate
STRENGTH_LIMIT_SM2510: Final = 0.5  # mol/L [APHA2510]

_MOLAL: Final = {row["ion"]: row for row in records("conductance_25c")}
_COURSE: Final = {row["ion"]: row for row in records("conductance_mccleskey")}
_WHOLE: Final = ("sulfate", "ammonium", "chloride", "nitrate", "fluoride")
_EQUIVALENT: Final = {row["ion"]: row["equivalent_conductivity"] for row in records("conductance_sm2510")}
_CHARGE: Final = {ion: abs(CHARGE.get(ion, 1)) for ion in _EQUIVALENT}  # H+ and OH- have no column of their own


def expected(waters: pd.DataFrame) -> pd.DataFrame:
    """Conductivity at 25 °C that follows from the ions, what goes about as pairs taken off; and a second opinion.

    The strongest single test of an analysis: the meter knows nothing of the titrations, so a
    wrong unit, a lost digit or a swapped column shows as a gap here.

    Parameters
    ----------
    waters : (n, ...) frame with the canonical columns. Needed: calcium, magnesium (or the
        hardnesses that give them), sodium, alkalinity (or bicarbonate), chloride, sulfate.

    Returns
    -------
    (n, 4) frame, index of ``waters``: ``conductivity_us_cm_25c`` and the second opinion
    ``conductivity_us_cm_25c_sm2510`` [µS/cm], missing where not evaluated; ``reason``, why not;
    ``assumption``, what was taken for granted.

    Notes
    -----
    EC = sum lambda_i m_i over the free ions and the pairs of a single charge (`ion_pairs.free_ions`), lambda =
    lambda0 - A sqrt(I)/(1 + B sqrt(I)), with limiting conductivities of the ions and A, B from the tabulated
    conductivities of single salts [CRC97]. Chlorides of potassium, sodium, calcium and magnesium are met within 0.5 %
    up to 0.1 mol/L, sodium sulfate within 0.6 %, calcium and magnesium sulfate within 3 % of PHREEQC up to a
    saturated gypsum, natural waters within 2 % of it [PHREEQC3]. The data file of 2024 stands 2.5 % higher in the
    median, and up to 8 % in waters of much calcium and sulfate [SCCOMP].

    Answered: I up to 0.7 mol/kg, pH 0–14; trusted to 3 % for I 0.0004–0.1 mol/kg and pH 1–9.8 [MNR2012], beyond
    which the assumption says so. 1 L counts as 1 kg. Judge no reading tighter than 8 %: model, meter, compensation.

    Second opinion, pairs left out and therefore high in sulfate waters: EC = k0 y^2, k0 = sum lambda_i meq_i,
    log y = -0.5 (sqrt(I)/(1 + sqrt(I)) - 0.3 I), I up to 0.5 mol/L [APHA2510].

    Example
    -------
    >>> ions = {"calcium_mg_l": 80.0, "magnesium_mg_l": 12.0, "sodium_mg_l": 20.0, "potassium_mg_l": 2.0}
    >>> ions |= {"bicarbonate_mg_l": 250.0, "sulfate_mg_l": 40.0, "chloride_mg_l": 36.0, "nitrate_mg_l": 10.0}
    >>> float(expected(pd.DataFrame([ions]))["conductivity_us_cm_25c"].round(2).item())
    576.53
    """
    ions, strength = _ions_and_strength(waters)
    faults = _faults(waters, strength)
    model = _carried(waters, ions, strength, ~np.any(list(faults.values()), axis=0))
    usable = ~np.isnan(model.conductivity)
    assumed = _assumptions(waters, strength)
    assumed["ionic strength above 0.5 mol/kg: no second opinion"] = ~(strength <= STRENGTH_LIMIT_SM2510)
    return pd.DataFrame(
        {
            "conductivity_us_cm_25c": model.conductivity,
            "conductivity_us_cm_25c_sm2510": model.second_opinion,
            "reason": remarks(faults, waters.index),
            "assumption": remarks({phrase: flag & usable for phrase, flag in assumed.items()}, waters.index),
        },
        index=waters.index,
    )


@dataclass(frozen=True)
class Carried:
    """The figures of `expected`, (n,) each [µS/cm at 25 °C], without a word about them."""

    conductivity: Floats
    held_by_pairs: Floats  # what the same ions would carry more if none of them paired
    second_opinion: Floats  # [APHA2510]


def carried(waters: pd.DataFrame) -> Carried:
    """Work out what the ions carry in both ways; the range and the gaps of `expected`.

    Parameters
    ----------
    waters : (n, ...) frame as for `expected`.
    """
    ions, strength = _ions_and_strength(waters)
    return _carried(waters, ions, strength, ~np.any(list(_faults(waters, strength).values()), axis=0))


def _carried(waters: pd.DataFrame, ions: dict[str, Floats], strength: Floats, usable: Flags) -> Carried:
    first = np.where(usable, _with_pairs(waters, ions), np.nan)
    each = molal_conductivities(strength)
    alone = np.sum([each[ion] * amount for ion, amount in ions.items()], axis=0)
    second_usable = usable & (strength <= STRENGTH_LIMIT_SM2510)
    return Carried(
        first, np.maximum(alone - first, 0.0), np.where(second_usable, _equivalent_sum(ions, strength), np.nan)
    )


def _with_pairs(waters: pd.DataFrame, ions: dict[str, Floats], temperature_c: Floats | float = 25.0) -> Floats:
    """Conductivity [µS/cm] of free ions and charged pairs; the pH counts where it was read, at that temperature."""
    ph, known = _usable_ph(waters)
    ph = np.where(known, ph, np.nan)
    at = (
        AT_25 if isinstance(temperature_c, float) else pair_constants(np.where(temperature_c >= 0, temperature_c, 25.0))
    )
    dissociation = _dissociation(waters)
    totals = {ion: ions[ion] for ion in (*PAIRING_METALS, *_WHOLE)}
    totals["alkalinity"] = ions["bicarbonate"] + 2.0 * ions["carbonate"] + ions["hydroxide"]
    with np.errstate(divide="ignore", invalid="ignore"):
        reported = np.nan_to_num(ions["carbonate"] / ions["bicarbonate"], nan=0.0, posinf=_MOST_CARBONATE)
    free = free_ions(totals, ph, reported, {**at, **dissociation})
    each = molal_conductivities(free.strength, temperature_c)
    return floats(np.sum([each[ion] * amount for ion, amount in free.amounts.items()], axis=0))


def molal_conductivities(strength: Floats, temperature_c: Floats | float = 25.0) -> dict[str, Floats]:
    """Molal conductivity of every ion and charged pair.

    Parameters
    ----------
    strength : (n,) true ionic strength [mol/kg], up to 0.7; fitted to 0.1.
    temperature_c : (n,) or one [°C], 0–95.

    Returns
    -------
    ion or pair -> (n,) [mS/cm per mol/kg], that is µS/cm per mmol/kg.

    Notes
    -----
    At 25 °C from ``conductance_25c.csv`` [CRC97]; the course with temperature, of the limiting value and of the
    slope, is that of the published fit for natural waters [MNR2012].

    Example
    -------
    >>> molal_conductivities(np.array([0.0]))["potassium"].tolist()
    [73.48]
    """
    root = np.sqrt(np.maximum(strength, 0.0))
    found = {}
    for ion, row in _MOLAL.items():
        limiting, slope = row["limiting"], row["slope"]
        if not isinstance(temperature_c, float):
            course = _COURSE[row["like"]]
            limiting, slope = (
                value * _polynomial(course, name, temperature_c) / _polynomial(course, name, 25.0)
                for value, name in ((limiting, "lambda0"), (slope, "a"))
            )
        found[ion] = limiting - slope * root / (1.0 + row["b"] * root)
    return found


def at(waters: pd.DataFrame, temperature_c: pd.Series[float] | float) -> pd.DataFrame:
    """Conductivity that follows from the ions at another temperature, not compensated.

    Parameters
    ----------
    waters : (n, ...) frame as for `expected`.
    temperature_c : (n,) series with the index of ``waters``, or one number [°C], 0–95.

    Returns
    -------
    (n, 3) frame, index of ``waters``: ``conductivity_us_cm`` [µS/cm], ``reason``, ``assumption``.

    Notes
    -----
    As in `expected`, without the second opinion; constants of the pairs at that temperature, course of the molal
    conductivities with temperature [MNR2012]. Elsewhere than at 0–95 °C missing, with a reason.

    Example
    -------
    >>> salt = {"potassium_mg_l": 390.983, "chloride_mg_l": 354.53, "alkalinity_mg_l_caco3": 0.0}
    >>> salt |= {"calcium_mg_l": 0.0, "magnesium_mg_l": 0.0, "sodium_mg_l": 0.0, "sulfate_mg_l": 0.0}
    >>> at(pd.DataFrame([salt]), 5.0)["conductivity_us_cm"].round(1).tolist()
    [895.1]
    """
    given = temperature_c if isinstance(temperature_c, pd.Series) else pd.Series(temperature_c, waters.index)
    degrees = np.asarray(given.reindex(waters.index), dtype=np.float64)
    ions, strength = _ions_and_strength(waters)
    faults = _faults(waters, strength)
    faults["temperature missing or outside 0–95 °C"] = ~_inside(degrees, TEMPERATURE_RANGE_C)
    usable = ~np.any(list(faults.values()), axis=0)
    assumed = _assumptions(waters, strength)
    return pd.DataFrame(
        {
            "conductivity_us_cm": np.where(usable, _with_pairs(waters, ions, degrees), np.nan),
            "reason": remarks(faults, waters.index),
            "assumption": remarks({phrase: flag & usable for phrase, flag in assumed.items()}, waters.index),
        },
        index=waters.index,
    )


def ionic_strength(waters: pd.DataFrame) -> pd.Series[float]:
    """Ionic strength of the total ions, as if none formed pairs.

    Parameters
    ----------
    waters : (n, ...) frame as for `expected`.

    Returns
    -------
    (n,) series [mol/kg]; missing where `expected` is.

    Notes
    -----
    I = 1/2 sum z^2 m [APHA2510]. A sum, exact at any concentration; missing outside the range of `expected`.
    """
    _, strength = _ions_and_strength(waters)
    usable = ~np.any(list(_faults(waters, strength).values()), axis=0)
    return pd.Series(np.where(usable, strength, np.nan), index=waters.index, name="ionic_strength_mol_kg")


def _ions_and_strength(waters: pd.DataFrame) -> tuple[dict[str, Floats], Floats]:
    """Give every ion [mmol/kg], an absent minor one as 0, and the ionic strength [mol/kg]."""
    meq = equivalents(waters)
    carbonate = zero_if_missing(meq["carbonate"])
    hydrogen, hydroxide = _hydrogen_and_hydroxide(waters)
    charges = {ion: meq[ion] for ion in (*MAJOR_CATIONS, *MAJOR_ANIONS)}
    charges |= {ion: zero_if_missing(meq[ion]) for ion in MINOR}
    charges |= {"carbonate": carbonate, "hydrogen": hydrogen, "hydroxide": hydroxide}
    charges["bicarbonate"] = np.maximum(meq["alkalinity"] - carbonate - hydroxide, 0.0)
    finite = {ion: np.where(np.isfinite(values), values, np.nan) for ion, values in charges.items()}
    ions = {ion: values / _CHARGE[ion] for ion, values in finite.items()}
    twice = sum((_CHARGE[ion] ** 2 * values for ion, values in ions.items()), start=np.zeros(len(waters)))
    return ions, twice / 2000.0


def _hydrogen_and_hydroxide(waters: pd.DataFrame) -> tuple[Floats, Floats]:
    """Give H+ and OH- [mmol/kg] from the pH at the temperature it was read, 0 where pH is not usable."""
    ph, known = _usable_ph(waters)
    water = _dissociation(waters)["Kw"]
    safe = np.where(known, ph, 7.0)
    return np.where(known, 10.0 ** (3.0 - safe), 0.0), np.where(known, 10.0 ** (3.0 + safe) * water, 0.0)


def _dissociation(waters: pd.DataFrame) -> dict[str, Floats]:
    """Constants of water and of bicarbonate at the temperature the pH was read at, 25 °C if that is not known."""
    degrees = numbers(waters, "temperature_c")
    unique, rows = np.unique(np.where(_inside(degrees, TEMPERATURE_RANGE_C), degrees, 25.0), return_inverse=True)
    return {name: (10.0 ** log_k(name, unique))[rows] for name in ("Kw", "K2")}


def _usable_ph(waters: pd.DataFrame) -> tuple[Floats, Flags]:
    ph = numbers(waters, "ph")
    return ph, _inside(ph, (0.0, 14.0))


def _inside(values: Floats, bounds: tuple[float, float]) -> Flags:
    return (values >= bounds[0]) & (values <= bounds[1])


def _faults(waters: pd.DataFrame, strength: Floats) -> dict[str, Flags]:
    """Flag every reason for giving no figure."""
    meq = equivalents(waters)
    faults = {f"{ion} missing": np.isnan(meq[ion]) for ion in MAJOR}
    for ion in (*MAJOR, *MINOR, "carbonate"):
        faults[f"{ion} below 0 or infinite"] = (meq[ion] < 0.0) | np.isinf(meq[ion])
    faults["carbonate above the alkalinity"] = meq["carbonate"] - meq["alkalinity"] > 1e-9 * meq["carbonate"]
    faults["ionic strength above 0.7 mol/kg"] = strength > STRENGTH_RANGE[1]
    return faults


def _assumptions(waters: pd.DataFrame, strength: Floats) -> dict[str, Flags]:
    """Flag everything that was taken for granted."""
    ph, known = _usable_ph(waters)
    temperature_known = _inside(numbers(waters, "temperature_c"), TEMPERATURE_RANGE_C)
    assumed = {f"{ion} taken as 0": np.isnan(numbers(waters, f"{ion}_mg_l")) for ion in MINOR}
    assumed["pH missing: H+ and OH- left out"] = np.isnan(ph)
    assumed["pH outside 0–14: H+ and OH- left out"] = ~known & ~np.isnan(ph)
    assumed["pH taken as read at 25 °C"] = known & ~temperature_known
    assumed["pH outside 1–9.8: beyond the fitted range"] = known & ~_inside(ph, PH_RANGE)
    assumed["ionic strength below 0.0004 mol/kg: below the fitted range"] = strength < STRENGTH_RANGE[0]
    return assumed


def _polynomial(row: Mapping[str, float], name: str, temperature_c: Floats | float) -> Floats:
    powers = {"t2": np.square(temperature_c), "t1": temperature_c, "t0": 1.0}
    return floats(sum(row[f"{name}_{power}"] * value for power, value in powers.items()))


def _equivalent_sum(ions: dict[str, Floats], strength: Floats) -> Floats:
    """Add up the equivalent conductivities and correct them for ionic strength [µS/cm] [APHA2510]."""
    limiting = np.zeros_like(strength)
    for ion, molality in ions.items():
        limiting = limiting + _EQUIVALENT[ion] * _CHARGE[ion] * molality
    root = np.sqrt(np.maximum(strength, 0.0))
    log_y = -0.5 * (root / (1.0 + root) - 0.3 * strength)
    corrected: Floats = limiting * 10.0 ** (2.0 * log_y)
    return corrected

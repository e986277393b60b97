"""The conductivity a water must have, from its ions; and the arithmetic of conductivity meters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

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
from pipeline.chemistry.ion_pairs import BICARBONATE, CARBONATE, PAIR_MOBILITY, SULFATE, carbonate_share, paired
from pipeline.chemistry.remarks import remarks
from pipeline.chemistry.tds_scales import SCALES, from_tds, from_tds_of_unknown_scale, to_tds
from pipeline.reference import records

if TYPE_CHECKING:
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
    "lost_to_pairs",
    "to_25c",
    "to_tds",
]

MAJOR: Final = (*MAJOR_CATIONS, "alkalinity", *MAJOR_ANIONS)
MINOR: Final = (*MINOR_CATIONS, *MINOR_ANIONS)
STRENGTH_RANGE: Final = (0.0004, 0.7)  # mol/kg [MNR2012]
PH_RANGE: Final = (1.0, 9.8)  # [MNR2012]
TEMPERATURE_RANGE_C: Final = (0.0, 95.0)  # [MNR2012]
STRENGTH_LIMIT_SM2510: Final = 0.5  # mol/L [APHA2510]

_MOLAL: Final = {row["ion"]: row for row in records("conductance_mccleskey")}
_EQUIVALENT: Final = {row["ion"]: row["equivalent_conductivity"] for row in records("conductance_sm2510")}
_CHARGE: Final = {ion: abs(CHARGE.get(ion, 1)) for ion in _MOLAL}  # H+ and OH- have no column of their own


def expected(waters: pd.DataFrame) -> pd.DataFrame:
    """Conductivity at 25 °C that follows from the ions, in two independent ways.

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
    EC = sum lambda_i m_i, lambda = lambda0(T) - A(T) sqrt(I)/(1 + B sqrt(I)), for 0–95 °C,
    I 0.0004–0.7 mol/kg, pH 1–9.8 [MNR2012]. Second opinion: EC = k0 y^2, k0 = sum lambda_i meq_i,
    log y = -0.5 (sqrt(I)/(1 + sqrt(I)) - 0.3 I), I up to 0.5 mol/L [APHA2510].

    Total ions are used, not the free ones: ion pairs are left out, 1 L counts as 1 kg, and the
    alkalinity is bicarbonate except for what was reported as carbonate and what pH makes hydroxide
    (activity taken as concentration). Against a full model with fitted diffusion coefficients the
    first method stands at a median of +0.2 % (5–95 %: -3 to +6 %), the second at -9 % [SCCOMP]; magnesium
    bicarbonate and magnesium sulfate waters read up to 11 % high. Judge no reading tighter than 8 %.

    Example
    -------
    >>> ions = {"calcium_mg_l": 80.0, "magnesium_mg_l": 12.0, "sodium_mg_l": 20.0, "potassium_mg_l": 2.0}
    >>> ions |= {"bicarbonate_mg_l": 250.0, "sulfate_mg_l": 40.0, "chloride_mg_l": 36.0, "nitrate_mg_l": 10.0}
    >>> float(expected(pd.DataFrame([ions]))["conductivity_us_cm_25c"].round(2).item())
    603.28
    """
    ions, strength = _ions_and_strength(waters)
    faults = _faults(waters, strength)
    usable = ~np.any(list(faults.values()), axis=0)
    first, second = _both(ions, strength, usable)
    assumed = _assumptions(waters, strength)
    assumed["ionic strength above 0.5 mol/kg: no second opinion"] = ~(strength <= STRENGTH_LIMIT_SM2510)
    return pd.DataFrame(
        {
            "conductivity_us_cm_25c": first,
            "conductivity_us_cm_25c_sm2510": second,
            "reason": remarks(faults, waters.index),
            "assumption": remarks({phrase: flag & usable for phrase, flag in assumed.items()}, waters.index),
        },
        index=waters.index,
    )


@dataclass(frozen=True)
class Carried:
    """The figures of `expected` and `lost_to_pairs`, (n,) each [µS/cm at 25 °C], without a word about them."""

    molal: Floats  # [MNR2012]
    equivalent: Floats  # [APHA2510]
    lost: Floats


def carried(waters: pd.DataFrame) -> Carried:
    """Work out what the ions carry in both ways, and what pairs take from it, in one go.

    Parameters
    ----------
    waters : (n, ...) frame as for `expected`.
    """
    ions, strength = _ions_and_strength(waters)
    usable = ~np.any(list(_faults(waters, strength).values()), axis=0)
    ph, known = _usable_ph(waters)
    share = carbonate_share(np.where(known, ph, np.nan), strength)
    return Carried(*_both(ions, strength, usable), _lost(ions, strength, usable, share))


def _both(ions: dict[str, Floats], strength: Floats, usable: Flags) -> tuple[Floats, Floats]:
    first = np.where(usable, _molal_sum(ions, strength, 25.0), np.nan)
    second_usable = usable & (strength <= STRENGTH_LIMIT_SM2510)
    return first, np.where(second_usable, _equivalent_sum(ions, strength), np.nan)


def lost_to_pairs(waters: pd.DataFrame) -> pd.Series[float]:
    """Conductivity that `expected` counts too much, because calcium and magnesium go about as pairs.

    Parameters
    ----------
    waters : (n, ...) frame as for `expected`.

    Returns
    -------
    (n,) series [µS/cm at 25 °C]; missing where `expected` is.

    Notes
    -----
    A pair with sulfate carries nothing and takes the molal conductivities of both ions with it [MNR2012]; one with
    bicarbonate moves as a single charge, 0.43 as well as bicarbonate (diffusion coefficients 5.06e-10 and
    1.18e-9 m²/s [PHREEQC3]); one with the carbonate that the pH makes of the alkalinity carries nothing.
    """
    return pd.Series(carried(waters).lost, index=waters.index, name="lost_us_cm_25c")


def _lost(ions: dict[str, Floats], strength: Floats, usable: Flags, share: Floats) -> Floats:
    metal = (ions["calcium"] + ions["magnesium"]) / 1000.0
    with_sulfate, _, _ = paired(metal, ions["sulfate"] / 1000.0, strength, SULFATE, 8.0)
    left = metal - with_sulfate
    with_bicarbonate, _, _ = paired(left, ions["bicarbonate"] / 1000.0, strength, BICARBONATE, 4.0)
    half = ions["bicarbonate"] / 2000.0
    with_carbonate, _, _ = paired(left - with_bicarbonate, half, strength, CARBONATE * share, 8.0)
    gone = {
        "calcium": 1000.0 * (with_sulfate + with_bicarbonate + with_carbonate),
        "sulfate": 1000.0 * with_sulfate,
        "bicarbonate": 1000.0 * ((1.0 - PAIR_MOBILITY) * with_bicarbonate + 2.0 * with_carbonate),
    }
    return np.where(usable, _molal_sum(gone, strength, 25.0), np.nan)


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
    As in `expected`, first method [MNR2012].

    Example
    -------
    >>> salt = {"potassium_mg_l": 390.983, "chloride_mg_l": 354.53, "alkalinity_mg_l_caco3": 0.0}
    >>> salt |= {"calcium_mg_l": 0.0, "magnesium_mg_l": 0.0, "sodium_mg_l": 0.0, "sulfate_mg_l": 0.0}
    >>> at(pd.DataFrame([salt]), 5.0)["conductivity_us_cm"].round(1).tolist()
    [901.3]
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
            "conductivity_us_cm": np.where(usable, _molal_sum(ions, strength, degrees), np.nan),
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
    I = 1/2 sum z^2 m [APHA2510].
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
    degrees = numbers(waters, "temperature_c")
    read_at = np.where(_inside(degrees, TEMPERATURE_RANGE_C), degrees, 25.0)
    unique, rows = np.unique(read_at, return_inverse=True)
    log_kw = log_k("Kw", unique)[rows]
    safe = np.where(known, ph, 7.0)
    return np.where(known, 10.0 ** (3.0 - safe), 0.0), np.where(known, 10.0 ** (3.0 + safe + log_kw), 0.0)


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


def _molal_sum(ions: dict[str, Floats], strength: Floats, temperature_c: Floats | float) -> Floats:
    """Add up the ionic molal conductivities [µS/cm] [MNR2012]."""
    root = np.sqrt(np.maximum(strength, 0.0))
    powers = {"t2": np.square(temperature_c), "t1": temperature_c, "t0": 1.0}
    total = np.zeros_like(strength)
    for ion, molality in ions.items():
        row = _MOLAL[ion]
        limiting = sum(row[f"lambda0_{power}"] * value for power, value in powers.items())
        slope = sum(row[f"a_{power}"] * value for power, value in powers.items())
        total = total + molality * (limiting - slope * root / (1.0 + row["b"] * root))
    return total


def _equivalent_sum(ions: dict[str, Floats], strength: Floats) -> Floats:
    """Add up the equivalent conductivities and correct them for ionic strength [µS/cm] [APHA2510]."""
    limiting = np.zeros_like(strength)
    for ion, molality in ions.items():
        limiting = limiting + _EQUIVALENT[ion] * _CHARGE[ion] * molality
    root = np.sqrt(np.maximum(strength, 0.0))
    log_y = -0.5 * (root / (1.0 + root) - 0.3 * strength)
    corrected: Floats = limiting * 10.0 ** (2.0 * log_y)
    return corrected

"""Indices the trade quotes: Langelier, Ryznar, Larson–Skold, chloride to sulfate. Notes, not verdicts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.chemistry import conductance
from pipeline.chemistry.constants import log_k
from pipeline.chemistry.equivalents import (
    CACO3_PER_CALCIUM,
    MG_CACO3_PER_MEQ,
    MOLAR_MASS,
    alkalinity_meq_l,
    calcium_and_magnesium,
    column,
    dissolved_solids_calculated,
    meq_per_l,
)
from pipeline.chemistry.index_classes import classes, full_range, highest_bound
from pipeline.chemistry.remarks import remarks

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats


PH_SCALE: Final = (0.0, 14.0)
TEMPERATURE_RANGE_C: Final = (0.0, 95.0)  # the pH of saturation is fitted to 0-90 °C [PB1982]
TDS_PER_CONDUCTIVITY: Final = 0.65  # mg/L per µS/cm, the middle of 0.55-0.75 [HEM1985]
STRENGTH_PER_CONDUCTIVITY: Final = 1.6e-5  # mol/L per µS/cm [APHA2330]
STRENGTH_PER_TDS: Final = 2.5e-5  # mol/L per mg/L [APHA2330]
LOW_ALKALINITY: Final = 50.0  # mg/L as CaCO3; below it Larson and Skold's waters do not reach [CP]
NOTE: Final = "planning note, not a verdict; derived on mild steel in Great Lakes water"
NOTE_LOW_ALKALINITY: Final = f"{NOTE}; this alkalinity is below that of the waters it was derived on"

_KELVIN: Final = 273.15
_SIMPLE: Final = (9.3, -13.12, 34.55, 0.4)  # [SIMPLELSI]


def langelier_and_ryznar(waters: pd.DataFrame) -> pd.DataFrame:
    """Langelier and Ryznar indices in their two published forms, at the temperature of the sample.

    Clients and suppliers quote them; the forms differ by 0.2 to 0.4 on the same water, and
    neither counts ion pairs. Each is given with the range in which the full calculation lies, so
    that nobody argues about a difference the formulas make.

    Parameters
    ----------
    waters : (n, ...) frame with ``ph`` and ``temperature_c`` (the pH must be the pH at that
        temperature), calcium, alkalinity, and dissolved solids, conductivity or all major ions.

    Returns
    -------
    (n, 13) frame, index of ``waters``. For each ``<form>`` of ``simple`` and ``sm2330``:
    ``ph_saturation_<form>``, ``langelier_<form>``, ``langelier_<form>_si_low`` and ``_si_high``
    (where the saturation index of the full speciation lies in 9 waters of 10; missing where that
    is not known), ``ryznar_<form>``; then ``ryznar_class`` (simple form), ``reason``, ``assumption``.

    Notes
    -----
    Langelier = pH - pHs, Ryznar = 2 pHs - pH [LANGELIER1936, RYZNAR1944].

    Simple: pHs = 9.3 + (log TDS - 1)/10 - 13.12 log T + 34.55 - (log Ca - 0.4) - log Alk, both as
    CaCO3 [SIMPLELSI]. Full: pHs = pK2 - pKs + p[Ca] + p[HCO3] + 5 pf,
    pf = A (sqrt(I)/(1 + sqrt(I)) - 0.3 I), A = 1.82e6 (E T)^-1.5, E = 60954/(T + 116) - 68.937,
    [HCO3] = (alk + 10^(pf - pH) - 10^(pH + pf - pKw))/(1 + 0.5 * 10^(pH - pK2)) [APHA2330], with pK2
    and pKs of calcite [PB1982]. Valid 0–95 °C. I from the ions, else 1.6e-5 EC, else 2.5e-5 TDS
    [APHA2330]; TDS as read, else from the ions [APHA1030], else 0.65 EC [HEM1985]. Deviation from
    a full speciation: ``index_deviation.csv`` [SICOMP, SICOMP2].

    Example
    -------
    >>> water = pd.DataFrame([{"ph": 7.4, "temperature_c": 25.0, "calcium_mg_l": 80.0, "tds_mg_l": 338.22,
    ...                        "bicarbonate_mg_l": 250.0}])
    >>> langelier_and_ryznar(water)[["langelier_simple", "ryznar_simple"]].round(3).to_numpy().tolist()
    [[0.074, 7.252]]
    """
    inputs, faults, assumed = _saturation_inputs(waters)
    simple = _ph_saturation_simple(inputs)
    standard = _ph_saturation_standard(inputs)
    no_bicarbonate = ~np.any(list(faults.values()), axis=0) & np.isnan(standard)
    faults["no bicarbonate left at this pH (SM 2330 form)"] = no_bicarbonate
    columns: dict[str, Floats] = {}
    for form, saturation in (("simple", simple), ("sm2330", standard)):
        index = inputs["ph"] - saturation
        low, high = full_range(form, index, inputs["temperature_c"], inputs["ph"])
        columns |= {
            f"ph_saturation_{form}": saturation,
            f"langelier_{form}": index,
            f"langelier_{form}_si_low": low,
            f"langelier_{form}_si_high": high,
            f"ryznar_{form}": 2.0 * saturation - inputs["ph"],
        }
    result = pd.DataFrame(columns, index=waters.index)
    return result.assign(
        ryznar_class=classes(
            "ryznar",
            np.asarray(result["ryznar_simple"], dtype=np.float64),
            MG_CACO3_PER_MEQ * inputs["alkalinity_meq_l"],
        ),
        reason=remarks(faults, waters.index),
        assumption=remarks(assumed, waters.index),
    )


def corrosion_ratios(waters: pd.DataFrame, highest: pd.DataFrame | None = None) -> pd.DataFrame:
    """Larson–Skold ratio, chloride to sulfate mass ratio and the buffer, with their published words.

    Treatment moves them: a decarboniser takes alkalinity and leaves chloride, so a water that was
    kind to steel may stop being so. They start a conversation, they do not end one.

    Parameters
    ----------
    waters : (n, ...) frame with the canonical columns.
    highest : (n, ...) frame of upper bounds with the same index and columns; where sulfate is
        missing ("<") its upper bound gives a lower bound of the mass ratio.

    Returns
    -------
    (n, 8) frame, index of ``waters``: ``larson_skold`` [-], ``larson_skold_class``,
    ``chloride_sulfate_mass_ratio`` [-], ``chloride_sulfate_mass_ratio_low`` [-] (equal to the ratio
    where sulfate is known), ``chloride_sulfate_class``, ``buffer_class``, ``note``, ``reason``.

    Notes
    -----
    Larson–Skold = (Cl + SO4)/(HCO3 + CO3) in meq/L: below 0.8, 0.8–1.2, above 1.2; not valid at low
    alkalinity, nor for copper, brass or stainless steel [LS1958]. Mass ratio Cl/SO4: below 0.2 low,
    0.2–0.5 moderate, above 0.5 moderate with an alkalinity of 50 mg/L as CaCO3 and high below it;
    for joints with lead [BELITZ2016]. Buffer: below 40 and 25 mg/L as CaCO3 [CP].

    Example
    -------
    >>> water = pd.DataFrame([{"chloride_mg_l": 36.0, "sulfate_mg_l": 40.0, "bicarbonate_mg_l": 250.0}])
    >>> corrosion_ratios(water)[["larson_skold", "chloride_sulfate_mass_ratio"]].round(4).to_numpy().tolist()
    [[0.4511, 0.9]]
    """
    meq = meq_per_l(waters)
    alkalinity = meq["alkalinity_meq_l"]
    larson = (meq["chloride_meq_l"] + meq["sulfate_meq_l"]) / alkalinity.where(alkalinity > 0.0)
    chloride, sulfate = column(waters, "chloride_mg_l"), column(waters, "sulfate_mg_l")
    bound = sulfate if highest is None else sulfate.fillna(column(highest, "sulfate_mg_l"))
    ratio = chloride / sulfate.where(sulfate > 0.0)
    at_least = chloride / bound.where(bound > 0.0)
    buffer = np.asarray(alkalinity * MG_CACO3_PER_MEQ, dtype=np.float64)
    negative = (chloride < 0.0) | (sulfate < 0.0) | (alkalinity < 0.0)
    faults = {
        "chloride missing": chloride.isna(),
        "sulfate missing: no Larson–Skold": sulfate.isna(),
        "sulfate missing: mass ratio has no value": ratio.isna() & sulfate.isna() & at_least.isna(),
        "sulfate below its limit: mass ratio is a lower bound": sulfate.isna() & at_least.notna(),
        "sulfate is 0: mass ratio has no bound": sulfate == 0.0,
        "alkalinity missing": alkalinity.isna(),
        "alkalinity is 0: no Larson–Skold": alkalinity == 0.0,
        "a concentration below 0": negative,
    }
    usable = ~negative
    ratio, at_least, larson = ratio.where(usable), at_least.where(usable), larson.where(usable)
    decided = at_least.where(ratio.notna() | (at_least > highest_bound("chloride_sulfate_mass_ratio")))
    return pd.DataFrame(
        {
            "larson_skold": larson,
            "larson_skold_class": classes("larson_skold", np.asarray(larson, dtype=np.float64), buffer),
            "chloride_sulfate_mass_ratio": ratio,
            "chloride_sulfate_mass_ratio_low": at_least,
            "chloride_sulfate_class": classes(
                "chloride_sulfate_mass_ratio",
                np.asarray(decided, dtype=np.float64),
                buffer,
            ),
            "buffer_class": classes("buffer", buffer, buffer),
            "note": np.where(buffer < LOW_ALKALINITY, NOTE_LOW_ALKALINITY, NOTE),
            "reason": remarks({phrase: flag.to_numpy() for phrase, flag in faults.items()}, waters.index),
        },
        index=waters.index,
    )


def _saturation_inputs(waters: pd.DataFrame) -> tuple[dict[str, Floats], dict[str, Flags], dict[str, Flags]]:
    """Collect what both forms need, missing where unusable; what is wrong; what was assumed."""
    conductivity, read = column(waters, "conductivity_us_cm_25c"), column(waters, "tds_mg_l")
    from_ions = dissolved_solids_calculated(waters)["tds_evaporated_mg_l"]
    strength = conductance.ionic_strength(waters)
    solids = read.fillna(from_ions).fillna(TDS_PER_CONDUCTIVITY * conductivity)
    strength_used = strength.fillna(STRENGTH_PER_CONDUCTIVITY * conductivity).fillna(STRENGTH_PER_TDS * solids)
    series = {
        "calcium": calcium_and_magnesium(waters)["calcium_mg_l"],
        "alkalinity": alkalinity_meq_l(waters),
        "dissolved solids (or conductivity, or all major ions)": solids,
    }
    arrays = {name: values.to_numpy(dtype="float64") for name, values in series.items()}
    ph, degrees = (
        np.asarray(column(waters, "ph"), dtype=np.float64),
        np.asarray(column(waters, "temperature_c"), dtype=np.float64),
    )
    warm = (degrees >= TEMPERATURE_RANGE_C[0]) & (degrees <= TEMPERATURE_RANGE_C[1])
    sensible = (ph >= PH_SCALE[0]) & (ph <= PH_SCALE[1])
    faults = {f"{name} missing": np.isnan(values) for name, values in arrays.items()}
    faults |= {f"{name} not above 0": values <= 0.0 for name, values in arrays.items()}
    faults |= {"pH missing": np.isnan(ph), "pH outside 0–14": ~sensible & ~np.isnan(ph)}
    faults |= {
        "temperature missing": np.isnan(degrees),
        "temperature outside 0–95 °C": ~warm & ~np.isnan(degrees),
    }
    assumed = {
        "dissolved solids from the ions": (read.isna() & from_ions.notna()).to_numpy(),
        "dissolved solids from conductivity × 0.65": (read.isna() & from_ions.isna() & solids.notna()).to_numpy(),
        "ionic strength from conductivity": (strength.isna() & conductivity.notna()).to_numpy(),
        "ionic strength from dissolved solids": (
            strength.isna() & conductivity.isna() & strength_used.notna()
        ).to_numpy(),
    }
    positive = [np.where(values > 0.0, values, np.nan) for values in arrays.values()]
    inputs = dict(zip(("calcium_mg_l", "alkalinity_meq_l", "tds_mg_l"), positive, strict=True))
    inputs |= {"ph": np.where(sensible, ph, np.nan), "temperature_c": np.where(warm, degrees, np.nan)}
    return inputs | {"strength": np.maximum(strength_used.to_numpy(), 0.0)}, faults, assumed


def _ph_saturation_simple(inputs: dict[str, Floats]) -> Floats:
    offset, slope, intercept, shift = _SIMPLE
    warmth = slope * np.log10(inputs["temperature_c"] + _KELVIN) + intercept
    calcium = np.log10(CACO3_PER_CALCIUM * inputs["calcium_mg_l"]) - shift
    alkalinity = np.log10(MG_CACO3_PER_MEQ * inputs["alkalinity_meq_l"])
    result: Floats = offset + (np.log10(inputs["tds_mg_l"]) - 1.0) / 10.0 + warmth - calcium - alkalinity
    return result


def _ph_saturation_standard(inputs: dict[str, Floats]) -> Floats:
    kelvin, ph, root = inputs["temperature_c"] + _KELVIN, inputs["ph"], np.sqrt(inputs["strength"])
    dielectric = 60954.0 / (kelvin + 116.0) - 68.937
    pf = 1.82e6 * (dielectric * kelvin) ** -1.5 * (root / (1.0 + root) - 0.3 * inputs["strength"])
    log_k2, log_kw, log_calcite = (log_k(name, inputs["temperature_c"]) for name in ("K2", "Kw", "calcite"))
    excess = 10.0 ** (pf - ph) - 10.0 ** (ph + pf + log_kw)
    bicarbonate = (inputs["alkalinity_meq_l"] / 1000.0 + excess) / (1.0 + 0.5 * 10.0 ** (ph + log_k2))
    calcium = inputs["calcium_mg_l"] / MOLAR_MASS["calcium"] / 1000.0
    left = np.where(bicarbonate > 0.0, bicarbonate, np.nan)
    result: Floats = log_calcite - log_k2 - np.log10(calcium) - np.log10(left) + 5.0 * pf
    return result

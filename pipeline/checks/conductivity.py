"""Conductivity against what must carry it: hardness and alkalinity."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.checks import evidence, slips
from pipeline.checks.columns import either, fitting, within
from pipeline.checks.hardness import SOFTENED_WORDS
from pipeline.checks.registry import check
from pipeline.chemistry.conductance import carried
from pipeline.chemistry.equivalents import (
    CACO3_PER_CALCIUM,
    CACO3_PER_CAO,
    DEGREE_PER_MEQ,
    HCO3_PER_CACO3,
    MG_CACO3_PER_DEGREE,
    MG_CACO3_PER_MEQ,
    MOLAR_MASS,
)

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats
    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class ConductivityLimits:
    """Limits of conductivity against titrations; 10 % of meter and compensation error are in them.

    The three highest ratios of meq/L to conductivity are those of single salts at 20 meq/L, worked
    out with a full model, plus a margin [PHREEQC3].
    """

    highest_hardness: float = 1.25  # 100 · meq/L per µS/cm, bicarbonate and chloride waters [PHREEQC3]
    highest_hardness_sulfate: float = 1.45  # sulfate waters [PHREEQC3]
    sulfate_share: float = 0.5  # of the hardness: from here on a sulfate water [CP]
    highest_alkalinity: float = 1.3  # [PHREEQC3]
    relative: float = 0.03  # least uncertainty of the titration, k = 2 [CP]
    absolute_mg_l_caco3: float = 2.0  # [CP]
    usual_ratio: tuple[float, float] = (1.85, 2.9)  # µS/cm per mg/L as CaCO3, ordinary tap water [CP]
    usual_alkalinity_ratio: tuple[float, float] = (1.6, 3.5)  # the same per alkalinity [CP]
    highest_ratio: float = 4.0  # above: sodium or chloride water, softened, or hardness too low [CP]
    soft_mg_l_caco3: float = 50.0  # below, the ratio rises by itself [CP]
    us_cm_per_mg_sodium: float = 5.5  # 126 µS/cm per meq/L of sodium chloride [APHA2510]
    swapped_tds: tuple[float, float] = (1.35, 2.2)  # TDS/EC when the two were swapped [CP]


_PAIRS_LEAVE: Final = 0.75  # of a conductivity at the least, in the hardest alkaline water [PHREEQC3]
_FULL_MODEL: Final = 0.08  # of the conductivity that all ions carry, k = 2 [SCCOMP]
# Each wrong reading and the factor on EC per hardness that undoes it.
_CANDIDATES: Final = {
    "conductivity in mS/m (× 10)": 10.0,
    "conductivity in mS/cm (× 1000)": 1000.0,
    "half the sample volume not applied (hardness ÷ 2)": 2.0,
    "double the sample volume not applied (hardness × 2)": 0.5,
    "hardness given as Ca (× 2.497)": 1.0 / CACO3_PER_CALCIUM,
}


# Where the file does not say in which degree the hardness was written; gpg and °dH cannot be told apart.
_UNSAID: Final = {
    "hardness in °f typed as °dH (÷ 1.785) or gpg (÷ 1.712)": ("°dH", "°f"),
    "hardness in °dH (× 1.785) or gpg (× 1.712) typed as °f": ("°f", "°dH"),
    "hardness in °Clark typed as °dH (÷ 1.252) or gpg (÷ 1.201)": ("°dH", "°Clark"),
    "hardness in °dH (× 1.252) or gpg (× 1.201) typed as °Clark": ("°Clark", "°dH"),
}


def _other_degree(samples: SampleTable, ratio: Floats, usual: tuple[float, float]) -> dict[str, Flags]:
    """Tell where another degree than the one written brings conductivity and hardness together."""
    place = slips.degree_typed(samples, "total_hardness")
    answers = {}
    for number, (typed, size) in enumerate(MG_CACO3_PER_DEGREE.items()):
        for meant, other in MG_CACO3_PER_DEGREE.items():
            if meant == typed:
                continue
            change = f"÷ {size / other:.4g}" if size > other else f"× {other / size:.4g}"
            fits = (place == number) & within(ratio * size / other, *usual)
            answers[f"hardness in {meant} typed as {typed} ({change})"] = fits
    for words, (typed, meant) in _UNSAID.items():
        factor = MG_CACO3_PER_DEGREE[typed] / MG_CACO3_PER_DEGREE[meant]
        answers[words] = (place < 0) & within(ratio * factor, *usual)
    return answers


def _sulfate_water(samples: SampleTable, hardness: Floats, share: float) -> Flags:
    """Tell where sulfate carries much of the hardness, or may do so as far as is known."""
    sulfate = samples.filled["sulfate_mg_l"].to_numpy() * (2.0 * MG_CACO3_PER_MEQ / MOLAR_MASS["sulfate"])
    alkalinity = samples.filled["alkalinity_mg_l_caco3"].to_numpy()
    at_most = np.where(np.isnan(sulfate), hardness - np.nan_to_num(alkalinity), sulfate)
    return np.asarray(at_most > share * hardness)


@check(
    "conductivity-vs-hardness",
    title="The water conducts what its hardness must conduct",
    source="PHREEQC3",
    limits=ConductivityLimits,
    severity="hold",
    unit="uS/cm",
    message="conductivity {observed:1} µS/cm does not go with total_hardness {hardness:1} mg/L as CaCO3 "
    "(ratio {ratio:2}; tap water 1.85 to 2.9, none below {lowest_ratio:2}). Would fit: {alternative}.",
    relation=("conductivity", "total_hardness"),
)
def conductivity_vs_hardness(samples: SampleTable, limits: ConductivityLimits) -> Cases:
    """Compare conductivity with total hardness.

    Dissolved calcium and magnesium conduct; a water cannot hold hardness without showing it. Too
    little conductivity is impossible, too much only says that sodium or chloride is there as well.

    Parameters
    ----------
    samples : conductivity as read; total hardness as read or from its ions; sodium, sulfate,
        alkalinity, TDS if there are any.
    limits : see ``ConductivityLimits``.

    Returns
    -------
    one row per sample with both; `observed` the conductivity. Below the range it is held, or a note where all
    ions were read and carry what was read; above it a note, where the hardness is at least 50 mg/L, no softener is
    named and sodium does not explain it.

    Notes
    -----
    100 · TH(meq/L)/EC25 reaches 1.17 in pure calcium bicarbonate and 1.33 in magnesium sulfate at
    20 meq/L [PHREEQC3]; limits 1.25 and 1.45, i.e. EC/TH ≥ 1.6 and 1.38 µS/cm per mg/L. The lower end of the
    hardness (its uncertainty, k = 2, and the drop interval) must still be above the limit.
    """
    conductivity = samples.measured["conductivity_us_cm_25c"].to_numpy()
    hardness = evidence.known(samples, "total_hardness_mg_l_caco3", limits.relative, limits.absolute_mg_l_caco3)
    sulfate = _sulfate_water(samples, hardness.value, limits.sulfate_share)
    highest = np.where(sulfate, limits.highest_hardness_sulfate, limits.highest_hardness)
    lowest_ratio = 100.0 / (MG_CACO3_PER_MEQ * highest)
    positive = np.where(hardness.value > 0, hardness.value, np.nan)
    ratio = conductivity / positive
    sodium = np.nan_to_num(samples.filled["sodium_mg_l"].to_numpy())
    softened = evidence.says(samples, ("supply", "treatment", "stage"), (*SOFTENED_WORDS, "permeate"))
    judged = (hardness.value >= limits.soft_mg_l_caco3) & ~softened
    most = limits.highest_ratio * hardness.high + limits.us_cm_per_mg_sodium * sodium
    tds = samples.measured["tds_mg_l"].to_numpy()
    answers = {words: within(ratio * factor, *limits.usual_ratio) for words, factor in _CANDIDATES.items()}
    answers |= _other_degree(samples, ratio, limits.usual_ratio)
    answers["conductivity and TDS swapped"] = within(tds / conductivity, *limits.swapped_tds) & within(
        tds / positive, *limits.usual_ratio
    )
    above = conductivity > most
    lowest = lowest_ratio * hardness.low
    carries = _carried_by_ions(samples, conductivity, lowest)
    answers["a water with much sodium or chloride (measure them)"] = above
    answers["nothing is wrong: the ions together carry what was read"] = carries
    return {
        "observed": np.where(np.isnan(hardness.value), np.nan, conductivity),
        "low": lowest,
        "high": np.where(judged, most, np.nan),
        "severity": either(above | carries, "note", "hold"),
        "analyte": "conductivity total_hardness",
        "hardness": hardness.value,
        "ratio": ratio,
        "lowest_ratio": lowest_ratio,
        "alternative": fitting(len(samples), answers, "no single change; repeat both"),
    }


def _carried_by_ions(samples: SampleTable, conductivity: Floats, lowest: Floats) -> Flags:
    """Tell which readings just below the lowest have a full analysis whose ions, pairs taken off, carry them."""
    suspect = (conductivity < lowest) & (conductivity > _PAIRS_LEAVE * lowest)
    for name in ("calcium_mg_l", "magnesium_mg_l"):
        suspect &= samples.measured[name].notna().to_numpy()
    at = np.flatnonzero(suspect)
    model = carried(samples.filled.iloc[at])
    least, most = ((1.0 + share) * model.conductivity for share in (-_FULL_MODEL, _FULL_MODEL))
    found = np.zeros(len(samples), dtype="bool")
    found[at] = (conductivity[at] >= least) & (conductivity[at] <= most)
    return found


@check(
    "conductivity-vs-alkalinity",
    title="The water conducts what its alkalinity must conduct",
    source="PHREEQC3",
    limits=ConductivityLimits,
    severity="hold",
    unit="uS/cm",
    message="conductivity {observed:1} µS/cm is too little for alkalinity {alkalinity:1} mg/L as CaCO3 "
    "(ratio {ratio:2}, at least {lowest_ratio:2}). Would fit: {alternative}.",
    relation=("conductivity", "alkalinity"),
)
def conductivity_vs_alkalinity(samples: SampleTable, limits: ConductivityLimits) -> Cases:
    """Compare conductivity with alkalinity.

    Bicarbonate never comes without a cation that conducts beside it.

    Parameters
    ----------
    samples : conductivity as read; alkalinity as read or from bicarbonate and carbonate.
    limits : see ``ConductivityLimits``.

    Returns
    -------
    one row per sample with both; `observed` the conductivity, open upwards. A note where all ions were read and
    carry what was read.

    Notes
    -----
    100 · ALK(meq/L)/EC25 reaches 1.19 in pure sodium bicarbonate at 20 meq/L [PHREEQC3]; limit 1.3, that is
    EC/ALK ≥ 1.54 µS/cm per mg/L. Judged by the lower end of the alkalinity.
    """
    conductivity = samples.measured["conductivity_us_cm_25c"].to_numpy()
    alkalinity = evidence.known(samples, "alkalinity_mg_l_caco3", limits.relative, limits.absolute_mg_l_caco3)
    lowest_ratio = 100.0 / (MG_CACO3_PER_MEQ * limits.highest_alkalinity)
    ratio = conductivity / np.where(alkalinity.value > 0, alkalinity.value, np.nan)
    usual = limits.usual_alkalinity_ratio
    lowest = lowest_ratio * alkalinity.low
    carries = _carried_by_ions(samples, conductivity, lowest)
    answers = {
        "conductivity in mS/m (× 10)": within(10.0 * ratio, *usual),
        "conductivity in mS/cm (× 1000)": within(1000.0 * ratio, *usual),
        "alkalinity given as HCO3 (÷ 1.219)": within(HCO3_PER_CACO3 * ratio, *usual),
        "alkalinity in °f typed as °dH (÷ 1.785)": within(CACO3_PER_CAO * ratio, *usual),
        "half the sample volume not applied (alkalinity ÷ 2)": within(2.0 * ratio, *usual),
        "acid capacity typed with the factor for °dH twice (÷ 2.804)": within(DEGREE_PER_MEQ * ratio, *usual),
        "nothing is wrong: the ions together carry what was read": carries,
    }
    return {
        "observed": np.where(np.isnan(alkalinity.value), np.nan, conductivity),
        "low": lowest,
        "high": np.nan,
        "severity": either(carries, "note", "hold"),
        "analyte": "conductivity alkalinity",
        "alkalinity": alkalinity.value,
        "ratio": ratio,
        "lowest_ratio": lowest_ratio,
        "alternative": fitting(len(samples), answers, "no single change; repeat both"),
    }

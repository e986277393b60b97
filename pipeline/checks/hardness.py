"""Hardness against its parts, and alkalinity against hardness."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.checks import evidence
from pipeline.checks.columns import either, fitting, worded
from pipeline.checks.registry import check
from pipeline.checks.summed_hardness import summed_hardness
from pipeline.chemistry.equivalents import (
    CACO3_PER_CALCIUM,
    CACO3_PER_CAO,
    CACO3_PER_MAGNESIUM,
    HCO3_PER_CACO3,
    MG_CACO3_PER_DEGREE,
    MG_CACO3_PER_MEQ,
    MOLAR_MASS,
)

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats
    from pipeline.checks.columns import CaseColumn, Cases
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class HardnessLimits:
    """Limits of the hardness checks."""

    relative: float = 0.03  # least uncertainty of a hardness titration, k = 2 [CP]
    hold_beyond: float = 1.5  # times the expanded uncertainty: k = 3; between the two it is a note [CP]
    absolute_mg_l_caco3: float = 2.0  # the same near zero: 0.05 mL of 0.01 mol/L titrant on 25 mL [CP]
    sodium_share: float = 0.8  # of the sodium an excess of alkalinity needs [CP]
    sodium_relative: float = 0.05  # least uncertainty of sodium and potassium, k = 2 [CP]
    sodium_absolute_mg_l: float = 1.0  # [CP]
    softened_below_mg_l_caco3: float = 20.0  # so little hardness is a softener's mark, not an exchange [CP]
    exchanged_ratio: tuple[float, float] = (1.6, 4.0)  # µS/cm per mg/L of a hardness that took its place [CP]
    us_cm_per_meq: float = 93.0  # conductivity per meq/L of cations in bicarbonate water [CP]


SODIUM_PER_CACO3: Final = MOLAR_MASS["sodium"] / MG_CACO3_PER_MEQ  # 0.4594, one over 2.177 [IUPAC2021]
SODIUM_PER_POTASSIUM: Final = MOLAR_MASS["sodium"] / MOLAR_MASS["potassium"]

SOFTENED_WORDS: Final = ("soften", "enthärt", "adouci", "addolci", "descalcificad", "軟水")
_CHANGED_SINCE: Final = (
    "In most records of this file it is their sum: here one of the three was changed or mistyped after it was computed"
)
_SODIUM_WORDS: Final = (*SOFTENED_WORDS, "soda")


def _part(samples: SampleTable, ion: str, per_ion: float, limits: HardnessLimits) -> evidence.Quantity:
    """Hardness of one ion as it was read: as hardness, or as the ion."""
    floor = (limits.relative, limits.absolute_mg_l_caco3)
    titrated = evidence.measured(samples, f"{ion}_hardness_mg_l_caco3", *floor)
    as_ion = evidence.measured(samples, f"{ion}_mg_l", limits.relative, limits.absolute_mg_l_caco3 / per_ion)
    return titrated.otherwise(as_ion.times(per_ion))


@check(
    "hardness-sum",
    title="Total hardness equals calcium hardness plus magnesium hardness",
    source="APHA2340B",
    limits=HardnessLimits,
    severity="hold",
    unit="mg/L as CaCO3",
    message="total_hardness {observed:1} mg/L as CaCO3 does not fit its parts (calcium {calcium_hardness:1}, "
    "magnesium {magnesium_hardness:1}; {expected:1} ± {allowed:1} expected). {alternative}.",
    relation=("total_hardness", "calcium", "magnesium", "calcium_hardness", "magnesium_hardness"),
)
def hardness_sum(samples: SampleTable, limits: HardnessLimits) -> Cases:
    """Compare titrated total hardness with the hardness of its calcium and magnesium.

    The figures come from separate measurements, so a gap points at a misread end point, a wrong
    unit or a swapped bottle before it points at the water. With one part only, the total can
    still not be smaller than it.

    Parameters
    ----------
    samples : total hardness, and calcium or magnesium (as hardness or as the ion), all as read.
    limits : ``relative`` [-], ``absolute_mg_l_caco3``: least uncertainty (k = 2).

    Returns
    -------
    one row per sample with a total and at least one part; `observed` the total.

    Notes
    -----
    TH = 2.497 Ca + 4.118 Mg, from the molar masses [APHA2340B]; allowed = √(U² of all three), k = 2: one honest
    record in twenty lies outside, so up to k = 3 it is a note.
    A "<" counts as anything from 0 to its limit.
    """
    total = evidence.measured(samples, "total_hardness_mg_l_caco3", limits.relative, limits.absolute_mg_l_caco3)
    calcium = _part(samples, "calcium", CACO3_PER_CALCIUM, limits)
    magnesium = _part(samples, "magnesium", CACO3_PER_MAGNESIUM, limits)
    both = ~np.isnan(calcium.value) & ~np.isnan(magnesium.value)
    one = np.where(np.isnan(calcium.value), magnesium.value, calcium.value)
    expected = np.where(both, calcium.value + magnesium.value, one)
    allowed = evidence.tolerance(
        evidence.Quantity(total.value, total.reach, 0.0 * total.value), calcium.or_zero(), magnesium.or_zero()
    )
    observed = np.clip(expected, total.value - total.slack, total.value + total.slack)
    swapped = calcium.value / CACO3_PER_CALCIUM + magnesium.value
    answers = {
        "It equals the calcium hardness alone: magnesium was left out": np.abs(observed - calcium.value) <= allowed,
        "It is given as Ca (× 2.497 would fit)": np.abs(total.value * CACO3_PER_CALCIUM - expected) <= allowed,
        "It is given as CaO (× 1.785 would fit)": np.abs(total.value * CACO3_PER_CAO - expected) <= allowed,
        "It was typed in °dH (× 17.85 would fit)": np.abs(total.value * MG_CACO3_PER_DEGREE["°dH"] - expected)
        <= allowed,
        "It was typed in °f (× 10 would fit)": np.abs(total.value * 10.0 - expected) <= allowed,
        "It was typed in mmol/L (× 100.1 would fit)": np.abs(total.value * 2 * MG_CACO3_PER_MEQ - expected) <= allowed,
        "It is twice the parts: meq/L read as mmol/L (÷ 2 would fit)": np.abs(total.value / 2 - expected) <= allowed,
        "It is half the parts: half the sample volume, or mmol/L read as meq/L (× 2 would fit)": np.abs(
            total.value * 2 - expected
        )
        <= allowed,
        "Calcium as CaCO3 was typed as Ca": np.abs(observed - swapped) <= allowed,
    }
    answers = {words: fits & both for words, fits in answers.items()}
    answers[_CHANGED_SINCE] = samples.once(summed_hardness) & ~np.logical_or.reduce(list(answers.values()))
    return {
        "observed": np.where(np.isnan(expected), np.nan, observed),
        "severity": either(np.abs(observed - expected) > limits.hold_beyond * allowed, "hold", "note"),
        "low": expected - allowed,
        "high": np.where(both, expected + allowed, np.nan),
        "analyte": "total_hardness calcium magnesium",
        "calcium_hardness": calcium.value,
        "magnesium_hardness": magnesium.value,
        "expected": expected,
        "allowed": allowed,
        "alternative": fitting(len(samples), answers, "No single unit error explains it; repeat the titrations"),
    }


@check(
    "alkalinity-over-hardness",
    title="Alkalinity above the hardness is carried by sodium or potassium",
    source="CP",
    limits=HardnessLimits,
    severity="note",
    unit="mg/L as CaCO3",
    message="alkalinity {alkalinity:1} exceeds total_hardness {hardness:1} by {observed:1} mg/L as CaCO3; "
    "that needs at least {sodium_needed:0} mg/L sodium, {sodium_said}. {alternative}.",
    relation=("alkalinity", "total_hardness"),
)
def alkalinity_over_hardness(samples: SampleTable, limits: HardnessLimits) -> Cases:
    """Ask for the sodium behind an alkalinity that is larger than the hardness.

    Softened houses and natural soda waters look exactly like a mistake here; sodium decides. Not
    an error by itself: held only where sodium was measured and is too little. Where nobody measured it and
    the two titrations exchanged would fit as well, it is said and asked.

    Parameters
    ----------
    samples : alkalinity and total hardness (or what gives them); sodium, potassium, conductivity if read;
        `stage supply treatment comment`.
    limits : see ``HardnessLimits``.

    Returns
    -------
    one row per sample with both; `observed` the excess, `high` what its sodium explains, or the
    uncertainty of the two titrations where sodium is not known.

    Notes
    -----
    Na ≥ (ALK − TH)/2.177 mg/L [IUPAC2021]; less than 0.8 of it is too little [CP]. A hardness
    "<" counts as its limit, so the figure is a lower bound. Second estimate: cations ≈ EC/93 meq/L [CP].
    An exchange fits where the hardness would be at least 20 mg/L and the conductivity, if read, is 1.6 to
    4 µS/cm per mg/L of it; above that the water is rich in sodium or chloride in either order [CP]. An
    agency's data are not typed from a kit and stay a note.
    """
    floor = (limits.relative, limits.absolute_mg_l_caco3)
    alkalinity = evidence.known(samples, "alkalinity_mg_l_caco3", *floor)
    hardness = evidence.known(samples, "total_hardness_mg_l_caco3", *floor)
    sodium = evidence.measured(samples, "sodium_mg_l", limits.sodium_relative, limits.sodium_absolute_mg_l)
    potassium = evidence.measured(samples, "potassium_mg_l", limits.sodium_relative, limits.sodium_absolute_mg_l)
    top = hardness.value + hardness.slack
    excess = alkalinity.value - top
    allowed = evidence.tolerance(
        evidence.Quantity(alkalinity.value, alkalinity.reach, alkalinity.slack),
        evidence.Quantity(hardness.value, hardness.reach, 0.0 * hardness.value),
    )
    found = sodium.value + np.nan_to_num(potassium.value) * SODIUM_PER_POTASSIUM
    found_high = sodium.high + np.nan_to_num(potassium.high) * SODIUM_PER_POTASSIUM
    explained = np.nan_to_num(found_high) / (limits.sodium_share * SODIUM_PER_CACO3)
    conductivity = samples.measured["conductivity_us_cm_25c"].to_numpy()
    from_conductivity = (conductivity / limits.us_cm_per_meq - hardness.value / MG_CACO3_PER_MEQ) * MOLAR_MASS["sodium"]
    high = allowed + explained
    short = ~np.isnan(found) & (excess > high)
    softened = evidence.says(samples, ("supply", "treatment", "comment"), SOFTENED_WORDS)
    exchanged = np.isnan(found) & (excess > high) & _exchange_fits(samples, alkalinity, hardness, limits)
    answers = {
        "Hardness and alkalinity exchanged would fit: ask for the counts; or softened or natural sodium "
        "bicarbonate water: ask for a softener, measure sodium": exchanged,
        "Softened water, as stated: measure sodium": softened & ~short,
        "Softened or natural sodium bicarbonate water would look like this: measure sodium": ~softened
        & ~short
        & ~exchanged,
        "Hardness and alkalinity swapped would fit": short,
        "Alkalinity given as HCO3 (÷ 1.219) would fit": short & (alkalinity.value / HCO3_PER_CACO3 - top <= high),
        "Hardness given as Ca (× 2.497) would fit": short & (alkalinity.value - top * CACO3_PER_CALCIUM <= high),
        "Hardness in °dH typed as °f (× 1.785) would fit": short & (alkalinity.value - top * CACO3_PER_CAO <= high),
    }
    return {
        "observed": excess,
        "low": np.nan,
        "high": high,
        "severity": either(short, "hold", "note"),
        "analyte": "alkalinity total_hardness sodium",
        "alkalinity": alkalinity.value,
        "hardness": top,
        "sodium_needed": np.maximum(excess, 0.0) * SODIUM_PER_CACO3,
        "sodium_found": found,
        "sodium_said": _sodium_words(found, excess > high),
        "sodium_from_conductivity_mg_l": np.maximum(from_conductivity, 0.0),
        "alternative": fitting(len(samples), answers, "Repeat alkalinity, hardness and sodium"),
    }


def _sodium_words(found: Floats, said: Flags) -> CaseColumn:
    """Say how much sodium was read, for the rows that need words."""
    known = ~np.isnan(found)
    words = {"found: {found:0}": said & known, "which was not measured": said & ~known}
    return worded(len(found), {"found": found}, words)


def _exchange_fits(
    samples: SampleTable, alkalinity: evidence.Quantity, hardness: evidence.Quantity, limits: HardnessLimits
) -> Flags:
    """Tell where the two titrations of a raw water may have changed places, as far as anything else says."""
    raw = samples.fact("stage").isin(["raw"])
    stated = evidence.says(samples, ("supply", "treatment", "comment"), _SODIUM_WORDS)
    agency = evidence.obtained(samples, "alkalinity_mg_l_caco3", "public-data")
    ratio = samples.measured["conductivity_us_cm_25c"].to_numpy() / alkalinity.value
    lowest, highest = limits.exchanged_ratio
    carried = np.isnan(ratio) | ((ratio >= lowest) & (ratio <= highest))
    counted = hardness.value - hardness.slack >= limits.softened_below_mg_l_caco3
    return np.asarray(raw & ~stated & ~agency & carried & counted, dtype="bool")

"""The forms of alkalinity against each other and against pH; dissolved carbon dioxide."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks import evidence
from pipeline.checks.columns import either, fitting, worded
from pipeline.checks.registry import check
from pipeline.chemistry.constants import log_k
from pipeline.chemistry.equivalents import DEGREE_PER_MEQ, HCO3_PER_CACO3, MG_CACO3_PER_MEQ, MOLAR_MASS
from pipeline.normalise.derived import CACO3_PER_CARBONATE

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats
    from pipeline.checks.columns import CaseColumn, Cases
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class AlkalinityLimits:
    """Limits of the alkalinity checks."""

    relative: float = 0.03  # least uncertainty of an alkalinity titration, k = 2 [CP]
    absolute_mg_l_caco3: float = 2.0  # [CP]
    electrode_ph: float = 0.3  # pH electrode in the field, k = 2 [CP]
    ionic_strength_ph: float = 0.2  # K2 in tap water lies this much below the one of pure water [PB1982]
    resolution_mg_l_caco3: float = 5.0  # least alkalinity to pH 8.3 a titration shows [CP]
    lowest_ph: float = 4.5  # end point of the alkalinity titration: below it nothing is left [APHA2320]
    counts_above_mg_l_caco3: float = 20.0  # an alkalinity that cannot be there below it [CP]
    carbon_dioxide_mg_l: float = 100.0  # rarely exceeded in a raw tap water [CP]
    carbon_dioxide_ph: float = 0.1  # least uncertainty of the pH behind it, k = 2 [CP]


_HIGHEST_PH: Final = 14.0  # beyond it all alkalinity is carbonate, and powers of ten leave the range of numbers
_USUAL_TEMPERATURE_C: Final = 25.0  # where the sample has none; K1 and K2 move 0.1 and 0.16 to 10 °C
TREATED_STAGES: Final = ("treated", "machine_inlet", "permeate", "bottled", "hot_outlet")


def _log_k(reaction: str, samples: SampleTable) -> Floats:
    """Give log10 K at the temperature of each sample; every temperature is worked out once."""
    temperature = samples.measured["temperature_c"].to_numpy(dtype="float64")
    degrees_c = np.clip(np.where(np.isnan(temperature), _USUAL_TEMPERATURE_C, temperature), 0.0, 100.0)
    codes, degrees = pd.factorize(degrees_c.round(1))
    return np.asarray(log_k(reaction, degrees)[codes], dtype="float64")


@check(
    "alkalinity-forms",
    title="Bicarbonate and alkalinity say the same",
    source="APHA2320",
    limits=AlkalinityLimits,
    severity="hold",
    unit="mg/L as CaCO3",
    message="bicarbonate {bicarbonate:1} mg/L makes an alkalinity of {observed:1} mg/L as CaCO3, but "
    "{alkalinity:1} was measured (ratio {ratio:3}). {alternative}.",
    relation=("bicarbonate", "carbonate", "alkalinity"),
)
def alkalinity_forms(samples: SampleTable, limits: AlkalinityLimits) -> Cases:
    """Compare the alkalinity (or acid capacity to pH 4.3) with the bicarbonate of the same report.

    The two are one measurement in two forms; "as CaCO3" under a heading "HCO3", and the other way
    round, are the commonest mistakes of all and differ by 1.219.

    Parameters
    ----------
    samples : alkalinity and bicarbonate as read; carbonate if there is one.
    limits : ``relative`` [-], ``absolute_mg_l_caco3``.

    Returns
    -------
    one row per sample with both; `observed` the alkalinity that follows from bicarbonate and carbonate.

    Notes
    -----
    ALK = 50.04 · acid capacity [mmol/L]; HCO3 = 61.02 · acid capacity; so ALK = 0.8202 HCO3 + 1.668 CO3
    [IUPAC2021].
    """
    floor = (limits.relative, limits.absolute_mg_l_caco3)
    alkalinity = evidence.measured(samples, "alkalinity_mg_l_caco3", *floor)
    bicarbonate = evidence.measured(samples, "bicarbonate_mg_l", *floor).times(1.0 / HCO3_PER_CACO3)
    carbonate = evidence.measured(samples, "carbonate_mg_l", *floor).times(CACO3_PER_CARBONATE).or_zero()
    forms = bicarbonate.value + carbonate.value
    allowed = evidence.tolerance(alkalinity, bicarbonate, carbonate)
    as_hco3, squared = HCO3_PER_CACO3, HCO3_PER_CACO3**2
    answers = {
        "Bicarbonate given as CaCO3 (× 1.219) would fit, and so would alkalinity given as HCO3 (÷ 1.219): "
        "ask which": np.abs(forms * as_hco3 - alkalinity.value) <= allowed,
        "A conversion made twice would fit (÷ 1.219)": np.abs(forms / as_hco3 - alkalinity.value) <= allowed,
        "A conversion made twice would fit (÷ 1.487)": np.abs(forms / squared - alkalinity.value) <= allowed,
        "Acid capacity in mmol/L typed as °dH (alkalinity × 2.804) would fit": np.abs(
            forms - alkalinity.value * DEGREE_PER_MEQ
        )
        <= allowed,
        "Carbonate hardness capped at the total hardness would fit: use the bicarbonate": _equals_hardness(
            samples, alkalinity.value
        )
        & (forms > alkalinity.value),
    }
    return {
        "observed": forms,
        "low": alkalinity.value - allowed,
        "high": alkalinity.value + allowed,
        "analyte": "bicarbonate alkalinity",
        "bicarbonate": bicarbonate.value * HCO3_PER_CACO3,
        "alkalinity": alkalinity.value,
        "bicarbonate_if_alkalinity_is_right_mg_l": alkalinity.value * HCO3_PER_CACO3,
        "ratio": forms / np.where(alkalinity.value > 0, alkalinity.value, np.nan),
        "alternative": fitting(len(samples), answers, "Repeat the alkalinity titration"),
    }


def _equals_hardness(samples: SampleTable, alkalinity: Floats) -> Flags:
    """Tell where an alkalinity equals the total hardness exactly, as the old definition makes it."""
    return np.asarray(np.abs(alkalinity - samples.measured["total_hardness_mg_l_caco3"].to_numpy()) == 0.0)


@check(
    "phenolphthalein-over-total",
    title="Alkalinity to pH 8.3 is not above the total alkalinity",
    source="APHA2320",
    limits=AlkalinityLimits,
    severity="hold",
    unit="mg/L as CaCO3",
    message="phenolphthalein_alkalinity {observed:1} is above the total alkalinity {alkalinity:1} mg/L as "
    "CaCO3, of which it is a part. {alternative}.",
    relation=("phenolphthalein_alkalinity", "alkalinity"),
)
def phenolphthalein_over_total(samples: SampleTable, limits: AlkalinityLimits) -> Cases:
    """Find an alkalinity to pH 8.3 (P) above the total (M).

    The same titration passes pH 8.3 on its way down to 4.3: P is reached first and is never larger.

    Parameters
    ----------
    samples : both alkalinities as read.
    limits : ``relative`` [-], ``absolute_mg_l_caco3``.

    Returns
    -------
    one row per sample with both; `observed` is P.

    Notes
    -----
    0 ≤ P ≤ M; P = M is pure hydroxide [APHA2320].
    """
    floor = (limits.relative, limits.absolute_mg_l_caco3)
    total = evidence.measured(samples, "alkalinity_mg_l_caco3", *floor)
    partial = evidence.measured(samples, "phenolphthalein_alkalinity_mg_l_caco3", *floor)
    return {
        "observed": np.maximum(partial.value - partial.slack, 0.0),
        "low": np.nan,
        "high": total.value
        + evidence.tolerance(total, evidence.Quantity(partial.value, partial.reach, 0.0 * partial.value)),
        "analyte": "phenolphthalein_alkalinity alkalinity",
        "alkalinity": total.value,
        "alternative": "The two columns swapped would fit, or the burette was refilled in between",
    }


@check(
    "carbonate-vs-ph",
    title="pH and the split of the alkalinity agree",
    source="PB1982",
    limits=AlkalinityLimits,
    severity="hold",
    unit="[pH]",
    message="pH {observed:2} does not go with alkalinity {alkalinity:1}{split} (mg/L as CaCO3). {alternative}.",
    relation=("ph", "bicarbonate", "carbonate", "alkalinity"),
)
def carbonate_vs_ph(samples: SampleTable, limits: AlkalinityLimits) -> Cases:
    """Compare pH with the carbonate part of the alkalinity, and with there being any alkalinity at all.

    Above pH 8.3 carbonate must show, if there is enough of it to be seen; below it there is none; and
    below pH 4.5 the titration acid has already used up all alkalinity.

    Parameters
    ----------
    samples : pH and alkalinity; alkalinity to pH 8.3 or carbonate if read; temperature if read.
    limits : see ``AlkalinityLimits``.

    Returns
    -------
    one row per sample with pH and alkalinity; `observed` the pH, the range from the alkalinity's split:
    open where neither carbonate nor alkalinity to pH 8.3 was read. A pH below 4.5 with an
    alkalinity is rejected, the rest held.

    Notes
    -----
    Carbonate share of the alkalinity s = r/(1 + r), r = 2·10^(pH − pK2); P ≈ s·ALK/2; pK2 at the
    temperature of the sample [PB1982]. Where that P is below a drop or the detection limit nothing
    can be said, so lime-treated soft water at pH 9 passes. Tolerance: 0.3 for the electrode, and
    0.2 more downwards for ionic strength.
    """
    floor = (limits.relative, limits.absolute_mg_l_caco3)
    ph = samples.measured["ph"].to_numpy()
    total = evidence.known(samples, "alkalinity_mg_l_caco3", *floor)
    titrated = evidence.measured(samples, "phenolphthalein_alkalinity_mg_l_caco3", 0.0)
    carbonate = evidence.measured(samples, "carbonate_mg_l", 0.0).times(CACO3_PER_CARBONATE / 2.0)
    partial = titrated.otherwise(carbonate)
    reach = np.maximum(partial.reach, limits.resolution_mg_l_caco3)
    pk2 = -_log_k("K2", samples)
    most = _ph_of_share(2.0 * (partial.value + partial.slack + reach) / total.value, pk2)
    least = _ph_of_share(2.0 * (partial.value - partial.slack - reach) / total.value, pk2)
    high = np.where(most < pk2, most + limits.electrode_ph, np.nan)
    low = np.minimum(least, pk2 - 0.5) - limits.electrode_ph - limits.ionic_strength_ph
    alkaline = total.low > limits.counts_above_mg_l_caco3
    low = np.fmax(low, np.where(alkaline, limits.lowest_ph, np.nan))
    ratio = 2.0 * 10.0 ** (np.minimum(ph, _HIGHEST_PH) - pk2)
    expected = 0.5 * total.value * ratio / (1.0 + ratio)
    impossible = alkaline & (ph < limits.lowest_ph)
    answers = {
        "pH and alkalinity cannot both be right; read the pH again in two buffers": impossible,
        "The alkalinity to pH 8.3 was not titrated, or the pH is too high": ~impossible & (ph > high),
        "The pH is too low (carbon dioxide taken up, electrode), or the end point was overrun": ~impossible
        & ~(ph > high),
    }
    return {
        "observed": np.where(np.isnan(total.value), np.nan, ph),
        "low": low,
        "high": high,
        "severity": either(impossible, "reject", "hold"),
        "analyte": "ph alkalinity",
        "alkalinity": total.value,
        "partial": partial.value,
        "partial_expected": expected,
        "split": _split(partial.value, expected, (ph < low) | (ph > high)),
        "alternative": fitting(len(samples), answers),
    }


def _split(partial: Floats, expected: Floats, said: Flags) -> CaseColumn:
    """Say how much of an alkalinity was read to pH 8.3, where it was."""
    shares = {"partial": partial, "expected": expected}
    words = " of which {partial:1} to pH 8.3 ({expected:1} expected at this pH)"
    return worded(len(partial), shares, {words: said & ~np.isnan(partial)})


def _ph_of_share(share: Floats, pk2: Floats) -> Floats:
    """Give the pH at which carbonate holds this share of the alkalinity; missing for none or all of it."""
    inside = (share > 0.0) & (share < 1.0)
    safe = np.where(inside, share, 0.5)
    ph = pk2 + np.log10(safe / (1.0 - safe) / 2.0)
    return np.where(inside, ph, np.where(share >= 1.0, np.inf, np.nan))


@check(
    "carbon-dioxide",
    title="Dissolved carbon dioxide is what a tap water can hold",
    source="PB1982",
    limits=AlkalinityLimits,
    severity="hold",
    unit="mg/L",
    message="pH {ph:2} with alkalinity {alkalinity:1} mg/L as CaCO3 makes {observed:0} mg/L carbon dioxide, "
    "more than {high:0} mg/L. {alternative}.",
    relation=("ph", "alkalinity"),
)
def carbon_dioxide(samples: SampleTable, limits: AlkalinityLimits) -> Cases:
    """Work out the carbon dioxide that pH and alkalinity imply.

    A raw tap water with more than 100 mg/L would fizz; pH or alkalinity is then wrong, or the sample
    was taken behind a decarboniser, whose water is full of it.

    Parameters
    ----------
    samples : pH and alkalinity; temperature, stage, treatment if stated.
    limits : ``carbon_dioxide_mg_l``, ``carbon_dioxide_ph`` [pH].

    Returns
    -------
    one row per sample with both and pH of at least 4.5 (below, see carbonate-vs-ph); `high` is open for
    treated, bottled and hot water; a finding is a note where the stage is not stated.

    Notes
    -----
    CO2 = ALK/50.04 · 10^(pK1 − pH) · 44.01 mg/L; pK1 6.35 at 25 °C, 6.46 at 10 °C [PB1982]. The
    uncertainty of the pH (at least 0.1) widens the limit of 100 mg/L to 126.
    """
    ph = samples.measured["ph"].to_numpy()
    alkalinity = samples.filled["alkalinity_mg_l_caco3"].to_numpy()
    acid = np.power(10.0, -_log_k("K1", samples) - ph)
    reach = evidence.known(samples, "ph", 0.0, limits.carbon_dioxide_ph).reach
    gas = alkalinity / MG_CACO3_PER_MEQ * acid * MOLAR_MASS["carbon_dioxide"]
    stage = samples.fact("stage")
    raw = stage.isin(["raw"])
    treated = stage.isin(TREATED_STAGES) | (~raw & samples.fact("treatment").stated())
    return {
        "observed": np.where(ph >= limits.lowest_ph, gas, np.nan),
        "low": np.nan,
        "high": np.where(treated, np.nan, limits.carbon_dioxide_mg_l * 10.0**reach),
        "severity": either(raw, "hold", "note"),
        "analyte": "ph alkalinity",
        "ph": ph,
        "alkalinity": alkalinity,
        "ph_at_limit": ph + np.log10(np.where(gas > 0, gas, np.nan) / limits.carbon_dioxide_mg_l),
        "alternative": "Water behind a decarboniser would fit; otherwise repeat pH and alkalinity",
    }

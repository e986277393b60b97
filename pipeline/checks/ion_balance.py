"""The charges of a water must cancel: cations against anions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.checks import evidence
from pipeline.checks.columns import either, fitting
from pipeline.checks.registry import check
from pipeline.chemistry.equivalents import (
    CACO3_PER_CALCIUM,
    CHARGE,
    HCO3_PER_CACO3,
    MG_CACO3_PER_MEQ,
    MINOR_ANIONS,
    MINOR_CATIONS,
    MOLAR_MASS,
    NITRATE_PER_NITROGEN,
    SULFATE_PER_SULFUR,
)

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class IonBalanceLimits:
    """Limits of the ion balance; the bands are those of the standard, by the sum of anions."""

    relative: float = 0.05  # uncertainty (k = 2) of an ion that states none [CP]
    soft_below_meq_l: float = 3.0  # [APHA1030]
    soft_allowed_meq_l: float = 0.2  # [APHA1030]
    medium_below_meq_l: float = 10.0  # [APHA1030]
    medium_percent: float = 2.0  # [APHA1030]
    strong_percent: float = 5.0  # [APHA1030]
    drop_kit_percent: float = 10.0  # with an alkalinity or hardness counted in drops [CP]
    note_within_percent: float = (
        10.0  # outside the band, but common in published analyses; no drop of coffee hangs on it [CP]
    )
    hold_beyond: float = 1.5  # times the expanded uncertainty of the ions: k = 3; between the two it is a note [CP]
    exact_percent: float = 0.2  # closer than any laboratory: an ion was computed from the others [CP]
    exact_share: float = 0.9  # of a source's samples [CP]
    exact_samples: float = 10.0  # before a source says anything [CP]
    bias_samples: float = 20.0  # before a source has a bias [CP]
    bias_percent: float = 2.0  # smaller medians are left alone [CP]


_MAJOR: Final = ("calcium_mg_l", "magnesium_mg_l", "sodium_mg_l", "chloride_mg_l", "sulfate_mg_l")
_DROPS_COUNT: Final = ("alkalinity_mg_l_caco3", "total_hardness_mg_l_caco3", "calcium_hardness_mg_l_caco3")


@dataclass(frozen=True)
class Balance:
    """The charge balance of (n,) samples [meq/L, %]; missing where a major ion is."""

    cations: Floats
    anions: Floats
    allowed: Floats
    alkalinity: Floats
    calcium: Floats
    sulfate: Floats
    nitrate: Floats

    def percent(self, *, anions: Floats | None = None, cations: Floats | None = None) -> Floats:
        """Balance in percent of the sum, with other sums in place of the own ones."""
        plus = self.cations if cations is None else cations
        minus = self.anions if anions is None else anions
        total = plus + minus
        return 100.0 * (plus - minus) / np.where(total > 0, total, np.nan)


def balance(samples: SampleTable, limits: IonBalanceLimits) -> Balance:
    """Sum the charges of every sample with their combined uncertainty.

    Calcium and magnesium count as the ions, else as total hardness; alkalinity or else bicarbonate and
    carbonate; "<" as anything up to its limit. Missing potassium, ammonium, nitrate and fluoride
    count as 0 [APHA1030]; any other missing ion leaves the balance missing.
    """
    relative = limits.relative

    def ion(name: str) -> evidence.Quantity:
        per_mg = abs(CHARGE[name]) / MOLAR_MASS[name]
        return evidence.known(samples, f"{name}_mg_l", relative).times(per_mg)

    calcium, magnesium, sodium = ion("calcium"), ion("magnesium"), ion("sodium")
    chloride, sulfate = ion("chloride"), ion("sulfate")
    per_mg = 1.0 / MG_CACO3_PER_MEQ
    hardness = evidence.known(samples, "total_hardness_mg_l_caco3", relative).times(per_mg)
    alkalinity = evidence.known(samples, "alkalinity_mg_l_caco3", relative).times(per_mg)
    split = ~np.isnan(calcium.value + magnesium.value)
    pair = (calcium, magnesium)
    calcium_magnesium = evidence.Quantity(
        np.where(split, calcium.value + magnesium.value, hardness.value),
        np.where(split, np.hypot(calcium.reach, magnesium.reach), hardness.reach),
        np.where(split, sum(part.slack for part in pair), hardness.slack),
    )
    minor = {name: ion(name).or_zero() for name in (*MINOR_CATIONS, *MINOR_ANIONS)}
    plus = [calcium_magnesium, sodium, *(minor[name] for name in MINOR_CATIONS)]
    minus = [alkalinity, chloride, sulfate, *(minor[name] for name in MINOR_ANIONS)]
    return Balance(
        cations=np.sum([part.value for part in plus], axis=0),
        anions=np.sum([part.value for part in minus], axis=0),
        allowed=evidence.tolerance(*plus, *minus),
        alkalinity=alkalinity.value,
        calcium=calcium.value,
        sulfate=sulfate.value,
        nitrate=minor["nitrate"].value,
    )


def measured_balance(samples: SampleTable, limits: IonBalanceLimits) -> Floats:
    """Balance in percent where it is evidence: missing where an ion was computed from the others.

    Such a balance is 0 by construction. It shows in the method of an ion, or in a source whose
    balance is 0 in nearly every sample.
    """
    percent = samples.once(balance, limits).percent()
    computed = [evidence.obtained(samples, name, "calculated") for name in (*_MAJOR, "bicarbonate_mg_l")]
    exact = np.abs(percent) < limits.exact_percent
    of = evidence.sources(samples)
    known = of.count(~np.isnan(percent))
    by_difference = (of.count(exact) >= limits.exact_share * known) & (known >= limits.exact_samples)
    no_evidence = np.logical_or.reduce(computed) | by_difference[of.code]
    return np.asarray(np.where(no_evidence, np.nan, percent), dtype="float64")


def _allowed_percent(samples: SampleTable, charges: Balance, limits: IonBalanceLimits) -> Floats:
    """Widest of the standard's band, the drop kit's ± 10 % and the combined uncertainty [%]."""
    total = charges.cations + charges.anions
    per_meq = 100.0 / np.where(total > 0, total, np.nan)
    band = np.select(
        [charges.anions < limits.soft_below_meq_l, charges.anions < limits.medium_below_meq_l],
        [limits.soft_allowed_meq_l * per_meq, limits.medium_percent],
        limits.strong_percent,
    )
    counted = [evidence.obtained(samples, name, "drops", "strip") for name in _DROPS_COUNT]
    kit = np.where(np.logical_or.reduce(counted), limits.drop_kit_percent, 0.0)
    widest: Floats = np.maximum(np.maximum(band, kit), charges.allowed * per_meq)
    return widest


@check(
    "ion-balance",
    title="Cations and anions carry the same charge",
    source="APHA1030",
    limits=IonBalanceLimits,
    severity="hold",
    unit="%",
    message="cations {cations:2} and anions {anions:2} meq/L differ by {observed:2} % of their sum "
    "(± {allowed_percent:2} % allowed; {balance_of_half_sum_percent:2} % if divided by half the sum). "
    "{alternative}.",
    relation=(
        "calcium",
        "magnesium",
        "sodium",
        "potassium",
        "bicarbonate",
        "alkalinity",
        "chloride",
        "sulfate",
        "nitrate",
    ),
)
def ion_balance(samples: SampleTable, limits: IonBalanceLimits) -> Cases:
    """Compare the charges of the cations with those of the anions.

    Every water is neutral, so a gap means a wrong, swapped or missing ion, or an alkalinity in the
    wrong form. It cannot say which; the alternatives show single changes that would close the gap.

    Parameters
    ----------
    samples : calcium and magnesium (or total hardness), sodium, alkalinity (or bicarbonate), chloride,
        sulfate; potassium, ammonium, nitrate, fluoride if read.
    limits : see ``IonBalanceLimits``.

    Returns
    -------
    one row per sample; `observed` the balance [%], missing where a major ion is, or where one was
    computed from the others (its method, or a source whose balance is always 0).

    Notes
    -----
    100 (Σcations − Σanions)/(Σcations + Σanions); some reports divide by half the sum, which doubles
    the figure. Allowed: ± 0.2 meq/L below 3 meq/L anions, 2 % to 10, 5 % above [APHA1030], ± 10 % with a
    drop kit [CP], or the combined uncertainty of the ions (k = 2) if that is more [JCGM100]. Up to 10 %, and up to
    three standard uncertainties, it is a note: published analyses lie there again and again.
    """
    charges = samples.once(balance, limits)
    percent = samples.once(measured_balance, limits)
    allowed = _allowed_percent(samples, charges, limits)
    total = charges.cations + charges.anions
    spread = limits.hold_beyond * 100.0 * charges.allowed / np.where(total > 0, total, np.nan)
    noted = np.abs(percent) <= np.fmax(limits.note_within_percent, spread)
    minus, plus = charges.anions, charges.cations
    as_caco3 = charges.percent(anions=minus + charges.alkalinity * (HCO3_PER_CACO3 - 1.0))
    as_hco3 = charges.percent(anions=minus + charges.alkalinity * (1.0 / HCO3_PER_CACO3 - 1.0))
    as_nitrogen = charges.percent(anions=minus + charges.nitrate * (NITRATE_PER_NITROGEN - 1.0))
    as_sulfur = charges.percent(anions=minus + charges.sulfate * (SULFATE_PER_SULFUR - 1.0))
    calcium_as_caco3 = charges.percent(cations=plus + charges.calcium * (1.0 / CACO3_PER_CALCIUM - 1.0))
    answers = {
        "Alkalinity × 1.219 (given as CaCO3 under HCO3) would fit": np.abs(as_caco3) <= allowed,
        "Alkalinity ÷ 1.219 (given as HCO3 under CaCO3) would fit": np.abs(as_hco3) <= allowed,
        "Nitrate × 4.427 (given as N) would fit": np.abs(as_nitrogen) <= allowed,
        "Sulfate × 2.996 (given as S) would fit": np.abs(as_sulfur) <= allowed,
        "Calcium ÷ 2.497 (given as CaCO3) would fit": np.abs(calcium_as_caco3) <= allowed,
    }
    return {
        "observed": percent,
        "low": -allowed,
        "high": allowed,
        "severity": either(noted, "note", "hold"),
        "analyte": "calcium magnesium sodium alkalinity chloride sulfate",
        "cations": plus,
        "anions": minus,
        "balance_of_half_sum_percent": 2.0 * percent,
        "allowed_percent": allowed,
        "balance_if_bicarbonate_is_as_caco3_percent": as_caco3,
        "balance_if_alkalinity_is_as_hco3_percent": as_hco3,
        "alternative": fitting(
            len(samples),
            answers,
            "No single change of form closes it; look for a wrong or missing ion",
        ),
    }

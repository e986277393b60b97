"""Dissolved solids against conductivity and against the sum of the ions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.checks import evidence
from pipeline.checks.columns import either, fitting
from pipeline.checks.registry import check
from pipeline.chemistry.equivalents import dissolved_solids_calculated

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats
    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class DissolvedSolidsLimits:
    """Limits of dissolved solids (TDS)."""

    meter_ratio: tuple[float, float] = (0.45, 0.75)  # TDS/EC on any meter scale [CP]
    weighed_ratio: tuple[float, float] = (0.54, 0.96)  # weighed residue of natural water [HEM1985]
    swapped_ratio: tuple[float, float] = (1.35, 2.2)  # TDS/EC when the two were swapped [CP]
    absolute_mg_l: float = 10.0  # a weighed residue, or a pen in thin water, k = 2 [CP]
    relative: float = 0.05  # least uncertainty of a TDS, k = 2 [CP]
    of_ions: tuple[float, float] = (0.9, 1.2)  # weighed/calculated; standard: from 1.0 [APHA1030]
    same_within: float = 0.01  # of a source's median ratio: TDS is computed [CP]
    same_share: float = 0.9  # of the source's samples [CP]
    same_samples: float = 10.0  # before a source says anything [CP]


_METERED: Final = ("meter", "drops", "strip", "typed", "calculated", "unknown")
_THOUSAND: Final = 1000.0


def multiple_of_conductivity(samples: SampleTable, limits: DissolvedSolidsLimits) -> tuple[Floats, Flags]:
    """Give the median TDS/EC of each source, and whether nearly all its TDS are that multiple of EC."""
    ratio = _ratio(samples)
    of = evidence.sources(samples)
    median = of.median(ratio)
    same = np.abs(ratio / median[of.code] - 1.0) <= limits.same_within
    seen = of.count(~np.isnan(ratio))
    return median, (of.count(same) >= limits.same_share * seen) & (seen >= limits.same_samples)


def _ratio(samples: SampleTable) -> Floats:
    conductivity = samples.measured["conductivity_us_cm_25c"].to_numpy()
    return np.asarray(
        samples.measured["tds_mg_l"].to_numpy() / np.where(conductivity > 0, conductivity, np.nan),
        dtype="float64",
    )


@check(
    "tds-vs-conductivity",
    title="Dissolved solids and conductivity are of one water",
    source="HEM1985",
    limits=DissolvedSolidsLimits,
    severity="note",
    message="tds {tds:1} mg/L over conductivity {conductivity:1} µS/cm is {observed:2}; "
    "{low:2} to {high:2} is usual. {alternative}.",
    relation=("tds", "conductivity"),
)
def tds_vs_conductivity(samples: SampleTable, limits: DissolvedSolidsLimits) -> Cases:
    """Compare dissolved solids with conductivity.

    A pen computes the one from the other, and a weighed residue stays near it; a ratio far off means
    swapped columns, a copied number or the wrong unit. A ratio a little off only means other salts.

    Parameters
    ----------
    samples : TDS and conductivity as read, and the method of the TDS.
    limits : see ``DissolvedSolidsLimits``.

    Returns
    -------
    one row per sample with both; `observed` TDS/EC. Held where the two are swapped (1.35–2.2), the
    same number, or a factor of 1000 apart; a note otherwise.

    Notes
    -----
    Meter scales run from 0.45 to 0.75 [CP]; weighed residues from 0.54 to 0.96 [HEM1985]. Both are
    widened by 10 mg/L, which matters in thin water only. A swapped pair at 0.47–0.52 after the
    swap is a pen on the sodium chloride scale.
    """
    tds = samples.measured["tds_mg_l"].to_numpy()
    conductivity = samples.measured["conductivity_us_cm_25c"].to_numpy()
    ratio = _ratio(samples)
    weighed = ~evidence.obtained(samples, "tds_mg_l", *_METERED)
    wider = limits.absolute_mg_l / np.maximum(conductivity, 1e-3)
    low = np.maximum(limits.meter_ratio[0] - wider, 0.0)
    high = np.where(weighed, limits.weighed_ratio[1], limits.meter_ratio[1]) + wider
    swapped = (ratio >= limits.swapped_ratio[0]) & (ratio <= limits.swapped_ratio[1])
    copied = ratio == 1.0
    thousand = (ratio / _THOUSAND >= limits.meter_ratio[0]) & (ratio / _THOUSAND <= limits.weighed_ratio[1])
    answers = {
        "TDS and conductivity swapped would fit": swapped,
        "Conductivity copied into TDS, or a meter factor of 1.0, would fit": copied,
        "Conductivity in mS/cm (× 1000) would fit": thousand,
    }
    return {
        "observed": ratio,
        "low": low,
        "high": high,
        "severity": either(swapped | copied | thousand, "hold", "note"),
        "analyte": "tds conductivity",
        "tds": tds,
        "conductivity": conductivity,
        "ratio_if_swapped": 1.0 / np.where(ratio > 0, ratio, np.nan),
        "alternative": fitting(len(samples), answers, "Ask for the scale and factor of the meter, or the method"),
    }


@check(
    "tds-vs-ions",
    title="A weighed residue agrees with the sum of the ions",
    source="APHA1030",
    limits=DissolvedSolidsLimits,
    severity="hold",
    unit="mg/L",
    message="tds {observed:0} mg/L is {ratio:2} of the {calculated:0} mg/L its ions make (0.9 to 1.2 usual). "
    "{alternative}.",
    relation=(
        "tds",
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
def tds_vs_ions(samples: SampleTable, limits: DissolvedSolidsLimits) -> Cases:
    """Compare a weighed residue with the one calculated from the ions.

    A residue smaller than its ions is impossible: one ion is too high. A larger one holds something
    that was not analysed.

    Parameters
    ----------
    samples : TDS that is not from a meter; all major ions.
    limits : see ``DissolvedSolidsLimits``.

    Returns
    -------
    one row per sample with both, except where the source's TDS is a constant multiple of its
    conductivity: then it was calculated and proves nothing. Below is held, above a note.

    Notes
    -----
    calculated = 0.6 ALK + Ca + Mg + Na + K + Cl + SO4 + SiO3 + NO3 + F; weighed/calculated 1.0–1.2
    [APHA1030], below 0.9 held. A plain sum of ions, with the bicarbonate whole, is accepted as well.
    """
    tds = evidence.measured(samples, "tds_mg_l", limits.relative, limits.absolute_mg_l)
    of = evidence.sources(samples)
    _, same = samples.once(multiple_of_conductivity, limits)
    weighed = ~evidence.obtained(samples, "tds_mg_l", *_METERED) & ~same[of.code]
    solids = dissolved_solids_calculated(samples.filled)
    calculated = solids["tds_evaporated_mg_l"].to_numpy()
    whole = solids["sum_of_ions_mg_l"].to_numpy()
    allowed = tds.reach + tds.slack
    least = limits.of_ions[0] * calculated - allowed
    most = np.maximum(limits.of_ions[1] * calculated, whole) + allowed
    answers = {
        "One ion is too high (digit, unit or form), or the residue was not dried whole": tds.value < least,
        "Something was not analysed (silica, organic matter, an ion)": tds.value > most,
    }
    return {
        "observed": np.where(weighed & ~np.isnan(calculated), tds.value, np.nan),
        "low": least,
        "high": most,
        "severity": either(tds.value > most, "note", "hold"),
        "analyte": "tds",
        "calculated": calculated,
        "sum_of_ions": whole,
        "ratio": tds.value / np.where(calculated > 0, calculated, np.nan),
        "alternative": fitting(len(samples), answers),
    }


@check(
    "tds-calculated",
    title="Dissolved solids of a source were measured, not computed from conductivity",
    source="CP",
    limits=DissolvedSolidsLimits,
    severity="note",
    message="tds is {observed:3} × conductivity in {samples:0} of {seen:0} samples of this source: it "
    "repeats the conductivity and proves nothing. {alternative}.",
)
def tds_calculated(samples: SampleTable, limits: DissolvedSolidsLimits) -> Cases:
    """Recognise a source whose dissolved solids are its conductivity times a constant.

    Such a TDS is no second measurement; agreement with it says nothing. One note for the whole source.

    Parameters
    ----------
    samples : TDS and conductivity as read, and the source.
    limits : ``same_within`` [-], ``same_share`` [-], ``same_samples``.

    Returns
    -------
    one row per source with at least ten pairs (`observed` the median TDS/EC), and a passing row per sample.

    Notes
    -----
    Within 1 % of the median ratio in 90 % of the samples [CP].
    """
    ratio = _ratio(samples)
    of = evidence.sources(samples)
    median, same = samples.once(multiple_of_conductivity, limits)
    close = np.abs(ratio / median[of.code] - 1.0) <= limits.same_within
    found: Cases = {
        "file_sha256": of.names,
        "observed": median,
        "low": np.nan,
        "high": np.where(same, 0.0, np.nan),
        "analyte": "tds conductivity",
        "samples": of.count(close),
        "seen": of.count(~np.isnan(ratio)),
        "alternative": "Use the conductivity; a pen's factor is its scale, 0.5 or so for sodium chloride",
    }
    return evidence.of_sources(found, np.ones(len(of.names), dtype="bool"), ~np.isnan(ratio))

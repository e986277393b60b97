"""Was the conductivity brought to 25 °C? Judged by the standard solution and by a whole source."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.checks import evidence
from pipeline.checks.columns import fitting, stacked_cases
from pipeline.checks.registry import check
from pipeline.chemistry.compensation import EC25_PER_EC20, factor_to_25c
from pipeline.chemistry.conductance import carried
from pipeline.reference import table

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats
    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class TemperatureLimits:
    """Limits of the check of temperature compensation."""

    standard_within: float = 0.03  # of 1413 µS/cm: this standard, compensated [CP]
    uncompensated_within: float = 0.02  # of the standard's table value at its temperature [CP]
    apart_c: float = 2.0  # from 25 °C before anything can be seen [CP]
    samples: float = 10.0  # before a source says anything [CP]
    looked_at: int = 400  # samples of a source, evenly spread: a pattern shows in these
    ratio_within: float = (
        0.05  # of the median: published parameter sets for conductivity from ions differ by that [SCCOMP]
    )
    spread: float = 0.04  # robust standard deviation of a constant ratio [SCCOMP]
    off_by: float = 0.08  # smaller deviations are not judged [MNR2012]


_STANDARD: Final = table("kcl_standard")
_STANDARD_AT_25: Final = float(np.interp(25.0, _STANDARD["temperature_c"], _STANDARD["conductivity_us_cm"]))
_NEEDED: Final = (
    "total_hardness_mg_l_caco3",
    "sodium_mg_l",
    "alkalinity_mg_l_caco3",
    "chloride_mg_l",
    "sulfate_mg_l",
    "conductivity_us_cm_25c",
)


@check(
    "temperature-compensation",
    title="Conductivity stands at 25 °C",
    source="ISO7888",
    limits=TemperatureLimits,
    severity="note",
    controls="also",
    message="conductivity is {observed:3} of what is expected ({seen:0} readings). {alternative}.",
)
def temperature_compensation(samples: SampleTable, limits: TemperatureLimits) -> Cases:
    """Find conductivities at 20 °C or at the temperature of the water under a heading for 25 °C.

    One reading cannot tell: other salts explain 10 %. But a standard solution can, and so can a source
    whose readings are all short by the same tenth.

    Parameters
    ----------
    samples : conductivity and temperature as read; the ions; `activity` "standard".
    limits : see ``TemperatureLimits``.

    Returns
    -------
    one row per standard solution (`observed` over 1413 µS/cm), one per source with at least ten full analyses
    (`observed` the median of measured over expected), and passing rows for the samples looked at.

    Notes
    -----
    EC25 = 1.116 EC20 and EC25 = f25(T) EC(T), a table for natural water [ISO7888]; the 0.01 mol/L
    potassium chloride standard shows 1278 at 20 and 1413 µS/cm at 25 °C [KCL001]; expected
    conductivity from the ions [CRC97, PHREEQC3], good to 5 % in the median [SCCOMP].
    """
    ratio, chosen = _measured_over_expected(samples, limits)
    of = evidence.sources(samples)
    seen = of.count(~np.isnan(ratio))
    enough = seen >= limits.samples
    found = _of_sources(samples, ratio, of, limits)
    whole = evidence.of_sources(found, enough, chosen & enough[of.code])
    standards = _standards(samples, limits)
    return {**stacked_cases(whole, standards), "evaluated": whole["evaluated"]}


def _measured_over_expected(samples: SampleTable, limits: TemperatureLimits) -> tuple[Floats, Flags]:
    """Divide measured by expected conductivity, for evenly spread samples of each source."""
    complete = np.logical_and.reduce([~np.isnan(samples.filled[name].to_numpy()) for name in _NEEDED])
    code = evidence.sources(samples).code
    places = np.flatnonzero(complete & ~samples.fact("activity").isin(["standard"]))
    places = places[np.argsort(code[places], kind="stable")]  # source by source
    size = np.bincount(code[places], minlength=1)
    rank = np.arange(len(places)) - np.repeat(np.cumsum(size) - size, size)
    step = np.maximum(-(-size // limits.looked_at), 1)
    kept = np.sort(places[rank % np.repeat(step, size) == 0])
    ratio = np.full(len(samples), np.nan)
    waters = samples.filled.iloc[kept]
    ratio[kept] = waters["conductivity_us_cm_25c"].to_numpy() / carried(waters).conductivity
    return ratio, complete


def _of_sources(samples: SampleTable, ratio: Floats, of: evidence.Sources, limits: TemperatureLimits) -> Cases:
    """Judge every source."""
    temperature = samples.measured["temperature_c"]
    factor = factor_to_25c(temperature).to_numpy()
    seen = of.count(~np.isnan(ratio))
    median = of.median(ratio)
    steady = of.spread(ratio) <= limits.spread
    at_20 = steady & (np.abs(median - 1.0 / EC25_PER_EC20) <= limits.ratio_within)
    compensated = ratio * factor
    cold = of.count(~np.isnan(compensated)) >= limits.samples
    fits_better = (np.abs(of.median(compensated) - 1.0) <= limits.ratio_within) & (
        of.spread(compensated) <= limits.spread
    )
    not_compensated = cold & fits_better & (of.median(np.abs(ratio - 1.0)) >= limits.off_by)
    answers = {
        "Conductivity at 20 °C (× 1.116) would fit": at_20,
        "Conductivity at the temperature of the water, without compensation, would fit": not_compensated,
    }
    flagged = at_20 | not_compensated
    return {
        "file_sha256": of.names,
        "observed": median,
        "low": np.where(flagged, 1.0 - limits.ratio_within, np.nan),
        "high": np.where(flagged, 1.0 + limits.ratio_within, np.nan),
        "analyte": "conductivity temperature",
        "seen": seen,
        "alternative": fitting(len(of.names), answers),
    }


def _standards(samples: SampleTable, limits: TemperatureLimits) -> Cases:
    """Hold readings of the potassium chloride standard against 1413 µS/cm; other standards are left out."""
    place = np.flatnonzero(samples.fact("activity").isin(["standard"]))
    conductivity = samples.measured["conductivity_us_cm_25c"].to_numpy()[place]
    temperature = samples.measured["temperature_c"].to_numpy()[place]
    raw = np.interp(
        temperature,
        _STANDARD["temperature_c"],
        _STANDARD["conductivity_us_cm"].astype("float64"),
        left=np.nan,
        right=np.nan,
    )
    ratio = conductivity / _STANDARD_AT_25
    uncompensated = np.abs(conductivity / raw - 1.0) <= limits.uncompensated_within
    uncompensated &= np.abs(temperature - 25.0) >= limits.apart_c
    right = np.abs(ratio - 1.0) <= limits.standard_within
    return {
        "place": place,
        "observed": np.where(right | uncompensated, ratio, np.nan),
        "low": 1.0 - limits.standard_within,
        "high": 1.0 + limits.standard_within,
        "analyte": "conductivity temperature",
        "seen": 1.0,
        "alternative": "The meter does not compensate: 1413 µS/cm is the standard at 25 °C",
    }

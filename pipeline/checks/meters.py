"""Meters against the water: stuck pH, pH in thin water, conductivity in the wrong unit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.checks import record
from pipeline.checks.registry import check

if TYPE_CHECKING:
    from pipeline.checks.limits import Limits
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class MeterLimits:
    """Limits of the meter checks; conductivity per mg/L as CaCO3 from limiting conductances [APHA2510]."""

    lowest_ratio: float = 1.6  # µS/cm per mg/L as CaCO3: no dissolved hardness conducts less [APHA2510]
    highest_usual_ratio: float = 4.0  # above: sodium or chloride water [CP]
    milli_below_us_cm: float = 5.0  # with hardness above the next line [CP]
    milli_hardness_mg_l: float = 20.0  # mg/L as CaCO3 [CP]
    per_metre_us_cm: tuple[float, float] = (5.0, 150.0)  # [CP]
    per_metre_ratio: tuple[float, float] = (0.15, 0.30)  # a tenth of the usual ratio [CP]


@check(
    "stuck-instrument",
    title="The pH meter moves from sample to sample",
    source="CP",
    severity="hold",
    unit="samples",
    message="ph: {observed:0} of {readings:0} samples of this meter read 7.00 ± 0.02. {alternative}.",
)
def stuck_instrument(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Find a pH meter that shows 7.00 whatever it is dipped into.

    A dead electrode and a meter left in its buffer both read 7.00; so does now and then a real water.

    Parameters
    ----------
    samples : `ph`, its method, `instrument` (or the whole source where none is named).
    limits : ``instruments.stuck_ph``, ``stuck_within`` [pH], ``stuck_samples``, ``stuck_share`` [-].

    Returns
    -------
    one row per sample with a pH not read from a strip; `observed` how many of the meter's samples read 7.00.

    Notes
    -----
    At least four samples and half of the meter's readings in the file [CP].
    """
    instruments = limits.instruments
    ph = samples.measured["ph"].where(samples.method["ph"] != "strip")
    near = (ph - instruments.stuck_ph).abs() <= instruments.stuck_within + 1e-9  # 7.02 − 7.00 in binary
    meter = pd.DataFrame({"file": record.source(samples), "of": record.instrument(samples, ("ph",))})
    group = meter.groupby(["file", "of"], sort=False).ngroup().to_numpy()
    stuck = np.bincount(group, weights=near.to_numpy(), minlength=1)[group]
    total = np.bincount(group, weights=ph.notna().to_numpy(), minlength=1)[group]
    high = np.where(stuck >= instruments.stuck_share * total, instruments.stuck_samples, np.nan)
    return pd.DataFrame(
        {
            "observed": np.where(near, stuck, np.where(ph.notna(), 0.0, np.nan)),
            "low": np.nan,
            "high": high,
            "analyte": "ph",
            "readings": total,
            "alternative": "Check the meter in two buffers before its pH is used",
        },
        index=samples.about.index,
    )


@check(
    "ph-low-conductivity",
    title="The water conducts enough for its pH to be read",
    source="ISO10523",
    severity="note",
    unit="uS/cm",
    message="ph {ph:2} was read at {observed:1} µS/cm; below {low:0} µS/cm an electrode may be 0.3 "
    "off or more. {alternative}.",
)
def ph_low_conductivity(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Mark pH readings in water too thin for an ordinary electrode.

    Permeate, rain and softest tap waters leave the junction starved; the value drifts for minutes.

    Parameters
    ----------
    samples : `ph`, `conductivity_us_cm_25c`.
    limits : ``instruments.low_conductivity_us_cm`` [µS/cm].

    Returns
    -------
    one row per sample with both; `observed` the conductivity.

    Notes
    -----
    Below 100 µS/cm expect ±0.3 or worse [ISO10523]; give such a pH little weight.
    """
    ph = samples.measured["ph"]
    return pd.DataFrame(
        {
            "observed": samples.measured["conductivity_us_cm_25c"].where(ph.notna()),
            "low": limits.instruments.low_conductivity_us_cm,
            "high": np.nan,
            "analyte": "ph",
            "ph": ph,
            "alternative": "Stir, wait for a steady value, and give it little weight",
        }
    )


@check(
    "conductivity-unit",
    title="The conductivity is in µS/cm",
    source="APHA2510",
    severity="hold",
    unit="uS/cm",
    message="conductivity: {observed:2} µS/cm is too little for {hardness:0} mg/L as CaCO3 "
    "(at least {low:0}); {alternative}.",
)
def conductivity_unit(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Find conductivities typed in mS/cm, dS/m or mS/m under the heading µS/cm.

    German, Nordic and Japanese reports print mS/m, growers print dS/m; both look like small numbers.

    Parameters
    ----------
    samples : `conductivity_us_cm_25c`; total hardness, or alkalinity where there is none.
    limits : ``meters``.

    Returns
    -------
    one row per sample with both; `observed` the conductivity, `low` the least this hardness allows where
    the pattern of a wrong unit shows.

    Notes
    -----
    1 mS/cm = 1 dS/m = 1000 µS/cm, 1 mS/m = 10 µS/cm. Dissolved calcium bicarbonate gives about
    1.85 µS/cm per mg/L as CaCO3, never below 1.6 [APHA2510].
    """
    meters = limits.meters
    conductivity = samples.measured["conductivity_us_cm_25c"]
    hardness = samples.filled["total_hardness_mg_l_caco3"].fillna(samples.filled["alkalinity_mg_l_caco3"])
    hardness = hardness.where(hardness > 0)
    ratio = conductivity / hardness
    milli = (conductivity < meters.milli_below_us_cm) & (hardness > meters.milli_hardness_mg_l)
    per_metre = conductivity.between(*meters.per_metre_us_cm) & ratio.between(*meters.per_metre_ratio)
    suspect = milli | per_metre
    fits_ten = ratio.between(*meters.per_metre_ratio)
    fits_thousand = (ratio * 1000).between(meters.lowest_ratio, 10 * meters.highest_usual_ratio)
    factor = np.select([fits_ten, fits_thousand], [10.0, 1000.0], default=np.nan)
    result = pd.DataFrame(
        {
            "observed": conductivity.where(hardness.notna()),
            "low": (meters.lowest_ratio * hardness).where(suspect),
            "high": np.nan,
            "analyte": "conductivity",
            "hardness": hardness,
            "ratio": ratio,
            "meant": record.first_that_holds(
                conductivity.index,
                {
                    "mS/m was meant (×10)": fits_ten,
                    "mS/cm or dS/m was meant, or a thousands mark was read as decimal (×1000)": fits_thousand,
                },
            ),
            "alternative_value": conductivity * factor,
            "alternative_ratio": ratio * factor,
        }
    )
    alternative = record.worded(
        result,
        {
            "{meant}: {alternative_value:0} µS/cm would fit (ratio {alternative_ratio:2})": suspect
            & np.isfinite(factor),
            "no usual unit fits, ask for it": suspect & np.isnan(factor),
        },
    )
    return result.drop(columns="meant").assign(alternative=alternative)

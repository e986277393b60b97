"""Meters against the water: stuck pH, pH in thin water, conductivity in the wrong unit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.checks import evidence, record
from pipeline.checks.columns import first_that_holds, within, worded
from pipeline.checks.instruments import InstrumentLimits
from pipeline.checks.registry import check
from pipeline.texts import numbered

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats
    from pipeline.checks.columns import Cases
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
    limits=InstrumentLimits,
    severity="hold",
    unit="samples",
    message="pH: {observed:0} of {readings:0} samples of this meter read 7.00 ± 0.02. {alternative}.",
)
def stuck_instrument(samples: SampleTable, limits: InstrumentLimits) -> Cases:
    """Find a pH meter that shows 7.00 whatever it is dipped into.

    A dead electrode and a meter left in its buffer both read 7.00; so does now and then a real water.

    Parameters
    ----------
    samples : `ph`, its method, `instrument` (or the whole source where none is named).
    limits : ``stuck_ph``, ``stuck_within`` [pH], ``stuck_samples``, ``stuck_share`` [-].

    Returns
    -------
    one row per sample with a pH not read from a strip; `observed` how many of the meter's samples read 7.00.

    Notes
    -----
    At least four samples and half of the meter's readings in the file; or, over the files of a client, four fifths of
    the meter's readings from the first such one to the last, at two sites or more: one water may well keep a pH of 7.0
    from visit to visit [CP].
    """
    ph = np.where(evidence.obtained(samples, "ph", "strip"), np.nan, samples.measured["ph"].to_numpy())
    near = np.abs(ph - limits.stuck_ph) <= limits.stuck_within + 1e-9  # 7.02 − 7.00 in binary
    meter = numbered([samples.fact("file_sha256"), record.instrument(samples, ("ph",))])
    stuck = np.bincount(meter, weights=near, minlength=1)[meter]
    total = np.bincount(meter, weights=~np.isnan(ph), minlength=1)[meter]
    over_files, of = _over_files(samples, ph, near)
    spread = (over_files >= stuck) & (over_files >= limits.stuck_span_share * of)
    stuck, total = np.where(spread, over_files, stuck), np.where(spread, of, total)
    return {
        "observed": np.where(near, stuck, 0.0 * ph),
        "low": np.nan,
        "high": np.where(spread | (stuck >= limits.stuck_share * total), limits.stuck_samples, np.nan),
        "analyte": "ph",
        "readings": total,
        "alternative": "Check the meter in two buffers before its pH is used",
    }


def _over_files(samples: SampleTable, ph: Floats, near: Flags) -> tuple[Floats, Floats]:
    """Count what a client's meter reads near 7.00, and all it reads from the first such reading to the last."""
    client, instrument = samples.fact("client"), record.instrument(samples, ("ph",))
    when = samples.once(record.instants, "collected_at")
    usable = client.stated() & ~np.isnat(when) & ~np.isnan(ph)
    meter = numbered([client, instrument])
    moment = when.astype("int64")
    size = int(meter.max(initial=0)) + 1
    first, last = np.full(size, np.iinfo("int64").max), np.full(size, np.iinfo("int64").min)
    at = np.flatnonzero(near & usable)
    np.minimum.at(first, meter[at], moment[at])
    np.maximum.at(last, meter[at], moment[at])
    within_span = usable & (moment >= first[meter]) & (moment <= last[meter])
    counts = (np.bincount(meter, weights=flags, minlength=size)[meter] for flags in (near & usable, within_span))
    site = samples.fact("site").codes
    lowest, highest = np.full(size, np.iinfo("int64").max), np.full(size, -1)
    np.minimum.at(lowest, meter[at], site[at])
    np.maximum.at(highest, meter[at], site[at])
    usable &= (highest > lowest)[meter]
    read, of = (np.where(usable, count, 0.0) for count in counts)
    return read, of


@check(
    "ph-low-conductivity",
    title="The water conducts enough for its pH to be read",
    source="ISO10523",
    limits=InstrumentLimits,
    severity="note",
    unit="uS/cm",
    message="pH {ph:2} was read at {observed:1} µS/cm; below {low:0} µS/cm an electrode may be 0.3 "
    "off or more. {alternative}.",
)
def ph_low_conductivity(samples: SampleTable, limits: InstrumentLimits) -> Cases:
    """Mark pH readings in water too thin for an ordinary electrode.

    Permeate, rain and softest tap waters leave the junction starved; the value drifts for minutes.

    Parameters
    ----------
    samples : `ph`, `conductivity_us_cm_25c`.
    limits : ``low_conductivity_us_cm`` [µS/cm].

    Returns
    -------
    one row per sample with both; `observed` the conductivity.

    Notes
    -----
    Below 100 µS/cm expect ±0.3 or worse [ISO10523]; give such a pH little weight.
    """
    ph = samples.measured["ph"].to_numpy()
    return {
        "observed": np.where(np.isnan(ph), np.nan, samples.measured["conductivity_us_cm_25c"].to_numpy()),
        "low": limits.low_conductivity_us_cm,
        "high": np.nan,
        "analyte": "ph",
        "ph": ph,
        "alternative": "Stir, wait for a steady value, and give it little weight",
    }


@check(
    "conductivity-unit",
    title="The conductivity is in µS/cm",
    source="APHA2510",
    limits=MeterLimits,
    severity="hold",
    unit="uS/cm",
    message="conductivity: {observed:2} µS/cm is too little for {hardness:0} mg/L as CaCO3 "
    "(at least {low:0}); {alternative}.",
)
def conductivity_unit(samples: SampleTable, limits: MeterLimits) -> Cases:
    """Find conductivities typed in mS/cm, dS/m or mS/m under the heading µS/cm.

    German, Nordic and Japanese reports print mS/m, growers print dS/m; both look like small numbers.

    Parameters
    ----------
    samples : `conductivity_us_cm_25c`; total hardness, or alkalinity where there is none.
    limits : see ``MeterLimits``.

    Returns
    -------
    one row per sample with both; `observed` the conductivity, `low` the least this hardness allows where
    the pattern of a wrong unit shows.

    Notes
    -----
    1 mS/cm = 1 dS/m = 1000 µS/cm, 1 mS/m = 10 µS/cm. Dissolved calcium bicarbonate gives about
    1.85 µS/cm per mg/L as CaCO3, never below 1.6 [APHA2510].
    """
    conductivity = samples.measured["conductivity_us_cm_25c"].to_numpy()
    titrated, alkalinity = (
        samples.filled[f"{name}_mg_l_caco3"].to_numpy() for name in ("total_hardness", "alkalinity")
    )
    known = np.where(np.isnan(titrated), alkalinity, titrated)
    hardness = np.where(known > 0, known, np.nan)
    ratio = conductivity / hardness
    milli = (conductivity < limits.milli_below_us_cm) & (hardness > limits.milli_hardness_mg_l)
    fits_ten = within(ratio, *limits.per_metre_ratio)
    suspect = milli | (within(conductivity, *limits.per_metre_us_cm) & fits_ten)
    fits_thousand = within(ratio * 1000, limits.lowest_ratio, 10 * limits.highest_usual_ratio)
    factor = np.select([fits_ten, fits_thousand], [10.0, 1000.0], default=np.nan)
    meant = first_that_holds(
        len(samples),
        {
            "mS/m was meant (×10)": fits_ten,
            "mS/cm or dS/m was meant, or a thousands mark was read as decimal (×1000)": fits_thousand,
        },
    )
    numbers = {"alternative_value": conductivity * factor, "alternative_ratio": ratio * factor}
    templates = {
        "{meant}: {alternative_value:0} µS/cm would fit (ratio {alternative_ratio:2})": suspect & ~np.isnan(factor),
        "no usual unit fits, ask for it": suspect & np.isnan(factor),
    }
    return {
        "observed": np.where(np.isnan(hardness), np.nan, conductivity),
        "low": np.where(suspect, limits.lowest_ratio * hardness, np.nan),
        "high": np.nan,
        "analyte": "conductivity",
        "hardness": hardness,
        "ratio": ratio,
        **numbers,
        "alternative": worded(len(samples), {"meant": meant, **numbers}, templates),
    }

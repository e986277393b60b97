"""Meters and strips: the end of their range, their calibration, and whose calibration it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks import record
from pipeline.checks.registry import check

if TYPE_CHECKING:
    from pipeline.checks.limits import Limits
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class InstrumentLimits:
    """Limits of the instrument checks; common practice of the trade [CP]."""

    calibration_days: float = 90.0  # a meter in field use [CP]
    stuck_ph: float = 7.00  # the buffer, or a dead electrode [CP]
    stuck_within: float = 0.02  # [CP]
    stuck_samples: float = 3.0  # the fourth is a finding [CP]
    stuck_share: float = 0.5  # of the instrument's readings in the file [CP]
    strip_readings: int = 5  # before a repeated maximum says anything [CP]
    strip_share: float = 0.3  # [CP]
    strip_repeats: int = 3  # [CP]
    low_conductivity_us_cm: float = 100.0  # pH electrodes drift below [ISO10523]


_METERED: Final = ("conductivity", "tds", "turbidity")
_CALIBRATED: Final = ("ph", "conductivity")
_METER_METHODS: Final = ("meter", "photometer", "unknown")
# What a display shows when it has run out of digits [CP].
_FULL_SCALE_TEXT: Final = r"^\s*(?:19[.,]99|199[.,]9|999|1999|3999|9999|19999|1\s*[.,]|1\s+)\s*(?:[^\d.,].*)?$"
_FULL_SCALE: Final = (999.0, 1999.0, 3999.0, 9999.0, 19999.0)


@check(
    "instrument-range",
    title="The reading is not the end of the instrument's range",
    source="CP",
    severity="reject",
    message='{analyte}: "{shown}" is {alternative}.',
)
def instrument_range(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Find displays that ran out of digits and strips read at their last pad.

    A saturated meter shows the same number for every stronger water; the true value is only "more than".

    Parameters
    ----------
    samples : meter readings of conductivity, TDS and turbidity; all strip readings.
    limits : ``instruments.strip_readings``, ``strip_repeats`` [-], ``strip_share`` [-].

    Returns
    -------
    one row per meter reading (`observed` 1 at full scale), one per source and quantity for strips
    (`observed` the number of readings at the highest pad).

    Notes
    -----
    999, 1999, 3999, 9999, 19.99, 199.9 and "1 ." are what such displays print [CP]. A laboratory
    or published value of 999 is not a display and passes.
    """
    readings = samples.readings
    metered = readings["analyte"].isin(_METERED) & readings["method"].isin(_METER_METHODS)
    chosen = readings[metered.to_numpy()]
    written = record.text(chosen, "raw_text")
    codes, words = pd.factorize(written)
    shows_full = pd.Series(words, dtype="str").str.match(_FULL_SCALE_TEXT).to_numpy(dtype="bool")
    silent = np.asarray(words == "", dtype="bool")
    by_value = record.number(chosen, "value").isin(_FULL_SCALE).to_numpy()
    full = np.where(silent[codes], by_value, shows_full[codes]) if len(chosen) else np.zeros(0)
    shown_text = written.where(written != "", "the limit of the display")
    meters = pd.DataFrame(
        {
            "sample_id": chosen["sample_id"],
            "analyte": chosen["analyte"],
            "observed": full.astype("float64"),
            "high": 0.0,
            "shown": shown_text.to_numpy(),
            "severity": "reject",
            "alternative": "what the display shows when the water is beyond its range: more than this",
        }
    )
    return pd.concat([meters, _strips(samples, limits)], ignore_index=True).assign(low=np.nan)


def _strips(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    instruments = limits.instruments
    readings = samples.readings[(samples.readings["method"] == "strip").to_numpy()]
    table = pd.DataFrame(
        {
            "file_sha256": record.of_sample(samples, readings, record.source(samples)),
            "analyte": readings["analyte"].astype("str"),
            "value": record.number(readings, "value"),
        }
    ).dropna(subset=["value"])
    keys = ["file_sha256", "analyte"]
    top = table.groupby(keys)["value"].transform("max")
    groups = (
        table.assign(top=top, at_top=(table["value"] == top) & (top > 0))
        .groupby(keys, as_index=False)
        .agg(observed=("at_top", "sum"), readings=("value", "size"), top=("top", "max"))
    )
    repeated = (groups["observed"] >= instruments.strip_repeats) & (
        groups["observed"] >= instruments.strip_share * groups["readings"]
    )
    groups = groups[(groups["readings"] >= instruments.strip_readings) & (groups["file_sha256"] != "")]
    return groups.assign(
        sample_id=pd.Series(pd.NA, index=groups.index, dtype="str"),
        observed=groups["observed"].astype("float64"),
        high=np.where(repeated.loc[groups.index], 0.0, np.nan),
        shown=groups["top"].astype("str"),
        severity="note",
        alternative="the highest strip value and comes again and again: it may be the last pad, "
        "to be stored as more than this",
    ).drop(columns="top")


@check(
    "uncalibrated-instrument",
    title="The meter was calibrated not long before the reading",
    source="CP",
    severity="note",
    unit="days",
    message="{instrument}: {alternative}: {observed:0}.",
)
def uncalibrated_instrument(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Compare the day of the reading with the day the meter was last calibrated.

    Electrodes age; a reading from a meter nobody has checked for a season is an opinion.

    Parameters
    ----------
    samples : `collected_at`, `calibrated_on`, `instrument`; a source that never names a calibration
        day is not evaluated.
    limits : ``instruments.calibration_days`` [days].

    Returns
    -------
    one row per sample with both days (`observed` days since), and one per source for the samples that
    name an instrument and no day (`observed` their number).

    Notes
    -----
    90 days for a meter in field use [CP].
    """
    about = samples.about
    instrument = record.instrument(samples, _CALIBRATED)
    age = record.days(record.moment(about, "collected_at") - record.moment(about, "calibrated_on"))
    aged = pd.DataFrame(
        {
            "sample_id": about.index,
            "observed": age.to_numpy(),
            "low": -1.0,
            "high": limits.instruments.calibration_days,
            "instrument": instrument.where(instrument != "", "the meter").to_numpy(),
            "alternative": record.first_that_holds(
                about.index,
                {
                    "calibrated after the reading, days": age < 0,
                    "days since calibration": np.ones(len(about), dtype="bool"),
                },
            ).to_numpy(),
        }
    )
    return pd.concat([aged, _no_day(samples, instrument)], ignore_index=True)


def _no_day(samples: SampleTable, instrument: pd.Series) -> pd.DataFrame:
    file = record.source(samples)
    named = record.moment(samples.about, "calibrated_on").notna()
    groups = pd.DataFrame({"file_sha256": file, "silent": ~named & (instrument != ""), "named": named})
    groups = groups[groups["file_sha256"] != ""].groupby("file_sha256", as_index=False).sum()
    groups = groups[groups["named"] > 0]
    return pd.DataFrame(
        {
            "sample_id": pd.Series(pd.NA, index=groups.index, dtype="str"),
            "file_sha256": groups["file_sha256"],
            "observed": groups["silent"].astype("float64"),
            "low": np.nan,
            "high": 0.0,
            "instrument": "This source",
            "alternative": "samples without a day of calibration",
        }
    )


@check(
    "instrument-mismatch",
    title="The calibration belongs to the instrument that was read",
    source="CP",
    severity="hold",
    message='The reading names "{instrument}", the calibration "{calibrated}": {alternative}.',
)
def instrument_mismatch(samples: SampleTable, limits: Limits) -> pd.DataFrame:  # noqa: ARG001 -- no limit to set
    """Compare the instrument of the reading with the instrument of the calibration.

    A calibration of another meter proves nothing about this one.

    Parameters
    ----------
    samples : `instrument` and `instrument_calibration_id`.
    limits : none used.

    Returns
    -------
    one row per sample that names both; `observed` 1 where they differ.

    Notes
    -----
    Letters' case and outer blanks do not count [CP].
    """
    instrument = record.instrument(samples, _CALIBRATED)
    calibrated = record.text(samples.about, "instrument_calibration_id")
    both = (record.stated(samples.about, "instrument_calibration_id")) & (instrument != "").to_numpy()
    differ = np.full(len(both), np.nan)
    differ[both] = instrument[both].str.strip().str.lower() != calibrated[both].str.strip().str.lower()
    return pd.DataFrame(
        {
            "observed": differ,
            "low": np.nan,
            "high": 0.0,
            "instrument": instrument,
            "calibrated": calibrated,
            "alternative": "one of the two is written wrong, or the meter was not calibrated",
        }
    )

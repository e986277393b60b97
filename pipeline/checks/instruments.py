"""Meters and strips: the end of their range, their calibration, and whose calibration it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.checks import evidence, record
from pipeline.checks.columns import either, stacked_cases
from pipeline.checks.registry import check
from pipeline.chemistry.conductance import carried
from pipeline.texts import TextColumn, numbered

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats, Places
    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class InstrumentLimits:
    """Limits of the instrument checks; common practice of the trade [CP]."""

    calibration_days: float = 90.0  # a meter in field use [CP]
    stuck_ph: float = 7.00  # the buffer, or a dead electrode [CP]
    stuck_within: float = 0.02  # [CP]
    stuck_samples: float = 3.0  # the fourth is a finding [CP]
    stuck_share: float = 0.5  # of the instrument's readings in the file [CP]
    stuck_span_share: float = (
        0.8  # of its readings between the first and the last such one, over the files of a client [CP]
    )
    strip_readings: int = 5  # before a repeated maximum says anything [CP]
    strip_share: float = 0.3  # [CP]
    strip_repeats: int = 3  # [CP]
    carried_within: float = 0.08  # a conductivity at the end of a range that the ions carry was read [SCCOMP]
    low_conductivity_us_cm: float = 100.0  # pH electrodes drift below [ISO10523]


_METERED: Final = ("conductivity", "tds", "turbidity")
_CALIBRATED: Final = ("ph", "conductivity")
_METER_METHODS: Final = ("meter", "photometer", "unknown")
# What a display shows when it has run out of digits [CP].
_FULL_SCALE_TEXT: Final = r"^\s*(?:19[.,]99|199[.,]9|999|1999|3999|9999|19999|1\s*[.,]|1\s+)\s*(?:[^\d.,].*)?$"
_BEYOND: Final = 1.001  # times a number, from which a larger one is larger
_FULL_SCALE: Final = (999.0, 1999.0, 3999.0, 9999.0, 19999.0)


@check(
    "instrument-range",
    title="The reading is not the end of the instrument's range",
    source="CP",
    limits=InstrumentLimits,
    severity="reject",
    message='{analyte}: "{shown}" is {alternative}.',
)
def instrument_range(samples: SampleTable, limits: InstrumentLimits) -> Cases:
    """Find displays that ran out of digits and strips read at their last pad.

    A saturated meter shows the same number for every stronger water; the true value is only "more than".

    Parameters
    ----------
    samples : meter readings of conductivity, TDS and turbidity; all strip readings.
    limits : ``strip_readings``, ``strip_repeats`` [-], ``strip_share`` [-].

    Returns
    -------
    one row per meter reading (`observed` 1 at full scale), one per source and quantity for strips
    (`observed` the number of readings at the highest pad).

    Notes
    -----
    999, 1999, 3999, 9999, 19.99, 199.9 and "1 ." are what such displays print [CP]. A laboratory or published value of
    999 without an instrument is not a display and passes. So does a number that the same instrument (in a file that
    names none: the meter of a client) exceeds elsewhere, and a conductivity that the ions of the record carry within
    8 % [SCCOMP].
    """
    by_meter = (
        samples.once(record.said, "method").isin(_METER_METHODS) | samples.once(record.said, "instrument").stated()
    )
    display = samples.once(record.said, "analyte").isin(_METERED) & by_meter
    chosen = np.flatnonzero(display)
    readings = samples.readings
    shown = TextColumn.of(readings.iloc[chosen], "raw_text")
    value = readings["value"].to_numpy(dtype="float64")[chosen]
    by_value = np.isin(value, _FULL_SCALE)
    at_end = np.where(shown.stated(), shown.mentions(_FULL_SCALE_TEXT), by_value)
    at_end &= ~_shows_more(samples, chosen, value) & ~_carried_by_ions(samples, chosen, value, limits)
    meters: Cases = {
        "place": samples.once(record.positions)[chosen],
        "analyte": samples.once(record.said, "analyte").take(chosen),
        "observed": at_end.astype("float64"),
        "high": 0.0,
        "shown": shown.map(lambda text: text or "the limit of the display"),
        "severity": "reject",
        "alternative": "what the display shows when the water is beyond its range: more than this",
    }
    found = stacked_cases(meters, _strips(samples, limits))
    return {**found, "low": np.nan}


def _shows_more(samples: SampleTable, chosen: Places, value: Floats) -> Flags:
    """Tell the readings of an instrument that shows a larger number elsewhere: its range does not end there."""
    place = samples.once(record.positions)[chosen]
    said = [samples.once(record.said, name).take(chosen) for name in ("analyte", "instrument")]
    whose = [
        TextColumn(np.append(fact.codes, len(fact.texts))[place], (*fact.texts, ""))
        for fact in map(samples.fact, ("file_sha256", "client"))
    ]
    whose[1] = whose[1].where(said[1].stated(), "")
    code = numbered([*whose, *said])
    most = np.full(int(code.max(initial=-1)) + 1, -np.inf)
    np.maximum.at(most, code, np.nan_to_num(value, nan=-np.inf))
    return np.asarray(most[code] > _BEYOND * value, dtype="bool")


def _carried_by_ions(samples: SampleTable, chosen: Places, value: Floats, limits: InstrumentLimits) -> Flags:
    """Tell the conductivities that the ions of their record carry."""
    place = samples.once(record.positions)[chosen]
    electric = samples.once(record.said, "analyte").take(chosen).isin(["conductivity"])
    expected = np.append(carried(samples.filled).conductivity, np.nan)[place]
    return np.asarray(electric & (np.abs(value / expected - 1.0) <= limits.carried_within), dtype="bool")


def _strips(samples: SampleTable, limits: InstrumentLimits) -> Cases:
    value = samples.readings["value"].to_numpy(dtype="float64")
    place = samples.once(record.positions)
    chosen = np.flatnonzero(samples.once(record.said, "method").isin(["strip"]) & ~np.isnan(value) & (place >= 0))
    file = samples.fact("file_sha256").in_order()
    analyte = samples.once(record.said, "analyte").in_order()
    width = len(analyte.texts)
    cells, cell = np.unique(file.codes[place[chosen]] * width + analyte.codes[chosen], return_inverse=True)
    value = value[chosen]
    top = np.full(len(cells), -np.inf)
    np.maximum.at(top, cell, value)
    total = np.bincount(cell, minlength=len(cells))
    at_top = np.bincount(cell, weights=(value == top[cell]) & (value > 0), minlength=len(cells))
    repeated = (at_top >= limits.strip_repeats) & (at_top >= limits.strip_share * total)
    of_file = TextColumn(cells // width, file.texts)
    kept = np.flatnonzero((total >= limits.strip_readings) & of_file.stated())
    return {
        "place": np.full(len(kept), -1),
        "file_sha256": of_file.take(kept),
        "analyte": TextColumn(cells % width, analyte.texts).take(kept),
        "observed": at_top[kept],
        "readings": total[kept].astype("float64"),
        "high": np.where(repeated[kept], 0.0, np.nan),
        "shown": top[kept].astype("str").astype(object),
        "severity": "note",
        "alternative": "the highest strip value and comes again and again: it may be the last pad, "
        "to be stored as more than this",
    }


@check(
    "uncalibrated-instrument",
    title="The meter was calibrated not long before the reading",
    source="CP",
    limits=InstrumentLimits,
    severity="note",
    unit="days",
    message="{instrument}: {alternative}: {observed:0}.",
)
def uncalibrated_instrument(samples: SampleTable, limits: InstrumentLimits) -> Cases:
    """Compare the day of the reading with the day the meter was last calibrated.

    Electrodes age; a reading from a meter nobody has checked for a season is an opinion.

    Parameters
    ----------
    samples : `collected_at`, `calibrated_on`, `instrument`; a source that never names a calibration
        day is not evaluated.
    limits : ``calibration_days`` [days].

    Returns
    -------
    one row per sample with both days (`observed` days since), and one per source for the samples that
    name an instrument and no day (`observed` their number).

    Notes
    -----
    90 days for a meter in field use [CP].
    """
    instrument = record.instrument(samples, _CALIBRATED)
    calibrated = samples.once(record.instants, "calibrated_on")
    age = record.days(samples.once(record.instants, "collected_at"), calibrated)
    aged: Cases = {
        "place": np.arange(len(samples)),
        "observed": age,
        "low": -1.0,
        "high": limits.calibration_days,
        "instrument": instrument.map(lambda text: text or "the meter"),
        "alternative": either(age < 0, "calibrated after the reading, days", "days since calibration"),
    }
    return stacked_cases(aged, _no_day(samples, instrument.stated(), ~np.isnat(calibrated)))


def _no_day(samples: SampleTable, instrument: Flags, named: Flags) -> Cases:
    file = samples.fact("file_sha256").in_order()
    of = evidence.Sources(file.codes, np.array(file.texts, dtype=object))
    silent_samples, naming = of.count(~named & instrument), of.count(named)
    kept = np.flatnonzero((naming > 0) & (of.names != ""))
    return {
        "place": np.full(len(kept), -1),
        "file_sha256": of.names[kept],
        "observed": silent_samples[kept],
        "low": np.nan,
        "high": 0.0,
        "instrument": "This source",
        "alternative": "samples without a day of calibration",
    }


@check(
    "instrument-mismatch",
    title="The calibration belongs to the instrument that was read",
    source="CP",
    severity="hold",
    message='The reading names "{instrument}", the calibration "{calibrated}": {alternative}.',
)
def instrument_mismatch(samples: SampleTable) -> Cases:
    """Compare the instrument of the reading with the instrument of the calibration.

    A calibration of another meter proves nothing about this one.

    Parameters
    ----------
    samples : `instrument` and `instrument_calibration_id`.

    Returns
    -------
    one row per sample that names both; `observed` 1 where they differ.

    Notes
    -----
    Letters' case and outer blanks do not count [CP].
    """
    instrument, calibrated = record.instrument(samples, _CALIBRATED), samples.fact("instrument_calibration_id")
    both = np.flatnonzero(instrument.stated() & calibrated.stated())
    read, proven = (
        np.array(texts.map(lambda text: text.strip().lower()).take(both).tolist(), dtype=object)
        for texts in (instrument, calibrated)
    )
    return {
        "place": both,
        "observed": (read != proven).astype("float64"),
        "low": np.nan,
        "high": 0.0,
        "instrument": instrument.take(both),
        "calibrated": calibrated.take(both),
        "alternative": "one of the two is written wrong, or the meter was not calibrated",
    }

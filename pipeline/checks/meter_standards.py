"""Laboratory control of meters: conductivity standards, pH buffers, and the slope between them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks import record
from pipeline.checks.control_cases import (
    ControlLimits,
    control_cases,
    control_table,
    factor_words,
    fails,
    touched_waters,
)
from pipeline.checks.control_rows import control_rows
from pipeline.checks.registry import check
from pipeline.reference import records

if TYPE_CHECKING:
    from pipeline.checks.columns import Cases
    from pipeline.checks.control_rows import ControlRow
    from pipeline.normalise.sample_table import SampleTable


# Conductivity standards by the number that stands on the bottle, at 25 °C [µS/cm].
_CONDUCTIVITIES: Final = (84.0, 147.0, 500.0, 1413.0, 1408.8, 2764.0, 5000.0, 12_880.0, 12_890.0, 111_800.0)
_NEAR_STANDARD: Final = 0.25  # of a standard: a reading farther off is of another one, or in another unit [CP]
_SAME_TEMPERATURE: Final = 0.01  # relative: the reading is the standard's own at its temperature [KCL001]


@check(
    "meter-standard",
    title="A meter reads its standard",
    source="KCL001, BUFFERS, CP",
    limits=ControlLimits,
    severity="hold",
    message="{analyte}: the standard {why} read {observed:2} where {low:2} to {high:2} is allowed. {alternative}.",
    controls="only",
)
def meter_standard(samples: SampleTable, limits: ControlLimits) -> Cases:
    """Compare conductivity standards and pH buffers with what they should read.

    The standard of 1413 µS/cm shows 1278 at 20 °C on a meter that does not compensate: then nothing is wrong with the
    cell. An error of the same share at any temperature is the cell constant.

    Parameters
    ----------
    samples : standards among waters; the number of the label says which one, the temperature beside it counts.
    limits : ``conductivity_percent`` [%], ``buffer_ph`` [-].

    Returns
    -------
    one row per reading of a standard of conductivity or pH, and one per water that stands on it.

    Notes
    -----
    KCl 0.01 mol/L by temperature [KCL001]; buffers at 20 and 25 °C [BUFFERS], between them by a straight line. Within
    3 % and 0.1 pH [CP].
    """
    rows = [r for r in samples.once(control_rows) if r.kind == "standard" and r.analyte in ("conductivity", "ph")]
    true = np.array([true_value(r) for r in rows])
    table = control_table(rows).assign(true=true)
    of_ph = (table["analyte"] == "ph").to_numpy()
    reach = np.where(of_ph, limits.buffer_ph, limits.conductivity_percent / 100.0 * true)
    found = table.assign(observed=table["value"], low=true - reach, high=true + reach, found=table["value"])
    known = found["true"].notna().to_numpy()
    found = found[known]
    words = np.where(of_ph[known], "Calibrate the meter and read the pH again", factor_words(found))
    own = "It is what this standard has at its temperature: the meter does not compensate to 25 °C"
    found = found.assign(alternative=np.where(_uncompensated(found), own, words))
    return control_cases(samples, found, touched_waters(samples, found, outside=fails(found)))


@check(
    "ph-slope",
    title="The electrode spans two buffers",
    source="BUFFERS, CP",
    limits=ControlLimits,
    severity="hold",
    unit="%",
    message="{analyte}: between the buffers {why} the electrode spans {observed:1} % of what it should ({low:0} to "
    "{high:0} % allowed). {alternative}.",
    controls="only",
)
def ph_slope(samples: SampleTable, limits: ControlLimits) -> Cases:
    """Compare the span of an electrode between two buffers with the true one.

    A worn electrode shows too little of every step; one of which the buffers were exchanged shows it backwards.

    Parameters
    ----------
    samples : two buffers or more of one source and day.
    limits : ``slope_percent`` [%].

    Returns
    -------
    one row for the lowest and the highest buffer of a source and day, and one per water that stands on them; `observed`
    the slope.

    Notes
    -----
    100 · (pH₂ − pH₁)/(true₂ − true₁), lowest against highest; 90 to 105 % [CP].
    """
    rows = [r for r in samples.once(control_rows) if r.kind == "standard" and r.analyte == "ph"]
    table = control_table(rows).assign(true=[_true_ph(r) for r in rows]).dropna(subset=["true", "value"])
    file = samples.fact("file_sha256").codes
    day = samples.once(record.instants, "collected_at").astype("datetime64[D]").astype("int64")
    place = table["place"].to_numpy(dtype="int64")
    table = table.assign(file=file[place], day=day[place]).sort_values(["file", "day", "true"], kind="stable")
    first, last = (table.groupby(["file", "day"]).transform(how) for how in ("first", "last"))
    span = (last["true"] - first["true"]).to_numpy()
    ends = (table["true"] == last["true"]) | (table["true"] == first["true"])
    chosen = ends.to_numpy() & (span > limits.least_span)
    found = table.assign(
        observed=100.0 * (last["value"] - first["value"]).to_numpy() / np.where(span > 0, span, np.nan),
        low=limits.slope_percent[0],
        high=limits.slope_percent[1],
        why=first["called"] + " and " + last["called"],
    )[chosen]
    found = found.assign(
        alternative=np.where(
            found["observed"] < 0,
            "The buffers are written in each other's place, or the electrode was calibrated with them exchanged",
            "Clean or replace the electrode, calibrate it, and read the pH again",
        )
    )
    pairs = found.drop_duplicates(["file", "day"])  # a water stands on both buffers by one slope
    return control_cases(samples, found, touched_waters(samples, pairs, outside=fails(pairs)))


def true_value(row: ControlRow) -> float:
    """Give what a standard of conductivity or a pH buffer should have read; missing where nothing says which it is."""
    return _true_conductivity(row) if row.analyte == "conductivity" else _true_ph(row)


def _true_conductivity(row: ControlRow) -> float:
    """Give the standard that a label names, or the one nearest to the reading; missing where none is near."""
    named = [value for value in _CONDUCTIVITIES if np.isclose(value, row.true, rtol=1e-3)]
    near = named or [v for v in _CONDUCTIVITIES if abs(row.value / v - 1.0) <= _NEAR_STANDARD]
    return min(near, key=lambda v: abs(np.log(row.value / v)), default=np.nan) if row.value > 0 else np.nan


def _true_ph(row: ControlRow) -> float:
    """Give the pH of the buffer that a label names, at the temperature beside it; missing where none is named."""
    for one in records("ph_buffers"):
        if np.isclose(float(one["name"]), row.true, atol=1e-6):
            at_25, at_20 = float(one["ph_25c"]), float(one["ph_20c"])
            warm = 25.0 if np.isnan(row.temperature_c) else row.temperature_c
            return at_25 + (at_20 - at_25) * (25.0 - warm) / 5.0
    return np.nan


def _uncompensated(found: pd.DataFrame) -> np.ndarray:
    """Tell the readings that are the KCl standard's own at its temperature."""
    kcl = pd.DataFrame(records("kcl_standard"))
    expected = np.interp(
        found["temperature_c"].to_numpy(dtype="float64"), kcl["temperature_c"], kcl["conductivity_us_cm"],
        left=np.nan, right=np.nan,
    )  # fmt: skip
    own = np.abs(found["value"].to_numpy() / expected - 1.0) <= _SAME_TEMPERATURE
    return np.asarray(own & (found["analyte"] == "conductivity").to_numpy() & np.isclose(found["true"], 1413.0))

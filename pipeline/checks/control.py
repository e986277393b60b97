"""Laboratory control: blanks, check standards, spikes, duplicates, and the standards of meters.

A control that fails is one question about every water that stands on it: of the same source, day and quantity.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks import record
from pipeline.checks.control_rows import control_rows, limits_of_control, stands_on
from pipeline.checks.registry import check
from pipeline.reference import records
from pipeline.texts import TextColumn
from schemas.columns import ANALYTES, OTHER_ANALYTES

if TYPE_CHECKING:
    from pipeline.checks.columns import Cases
    from pipeline.checks.control_rows import ControlRow
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class ControlLimits:
    """Limits of laboratory control."""

    standard_percent: tuple[float, float] = (90.0, 110.0)  # recovery of a check standard [APHA1020]
    spike_percent: tuple[float, float] = (80.0, 120.0)  # recovery of a spike [APHA1020]
    near_loq: float = 5.0  # times LOQ: below, duplicates are compared in the unit and not in percent [CP]
    blank_share: float = 0.1  # of a sample's value: a blank below does not touch it [CP]
    conductivity_percent: float = 3.0  # of a conductivity standard [CP]
    buffer_ph: float = 0.1  # of a buffer [CP]
    slope_percent: tuple[float, float] = (90.0, 105.0)  # of the electrode, between two buffers [CP]
    least_span: float = 1.0  # pH between two buffers that tell a slope [CP]
    added_share: tuple[float, float] = (0.2, 3.0)  # found over added: outside, something else was added [CP]


# Conductivity standards by the number that stands on the bottle, at 25 °C [µS/cm].
_CONDUCTIVITIES: Final = (84.0, 147.0, 500.0, 1413.0, 1408.8, 2764.0, 5000.0, 12_880.0, 12_890.0, 111_800.0)
_NEAR_STANDARD: Final = 0.25  # of a standard: a reading farther off is of another one, or in another unit [CP]
_METERED: Final = ("conductivity", "ph", "tds")
_SAME_TEMPERATURE: Final = 0.01  # relative: the reading is the standard's own at its temperature [KCL001]


@check(
    "blank",
    title="A blank holds nothing that could be measured",
    source="APHA1020, CP",
    limits=ControlLimits,
    severity="hold",
    message="{analyte}: the blank {why} read {observed:3}; up to {high:3} cannot be told from nothing. {alternative}.",
    controls=True,
)
def blank(samples: SampleTable, limits: ControlLimits) -> Cases:
    """Compare blanks with the least that the laboratory can measure.

    What a blank shows came from the glass, the reagent or the water of the laboratory, and is in every
    sample of that day.

    Parameters
    ----------
    samples : blanks among waters.
    limits : ``blank_share`` [-].

    Returns
    -------
    one row per reading of a blank, and one per water of its source and day that is less than ten times it.

    Notes
    -----
    Action above the limit of quantification, or above a tenth of the sample [APHA1020]; the limits of
    quantification are ``reference/control_limits.csv``.
    """
    known = limits_of_control()
    rows = [one for one in samples.once(control_rows) if one.kind == "blank" and one.analyte in known]
    table = _table(rows)
    found = table.assign(
        observed=table["value"],
        low=np.nan,
        high=[known[one.analyte][0] for one in rows],
        alternative="It came from glass, reagent or the laboratory's water: repeat with a clean blank",
    )
    touched = _waters(samples, found, outside=(found["observed"] > found["high"]).to_numpy())
    touched = touched[touched["water"].to_numpy() * limits.blank_share < touched["observed"].to_numpy()]
    return _cases(samples, found, touched)


@check(
    "check-standard",
    title="A check standard comes to its true value",
    source="APHA1020",
    limits=ControlLimits,
    severity="hold",
    unit="%",
    message="{analyte}: the standard {why} came to {observed:1} % of its true value ({found:2} of {true:2}; {low:0} to "
    "{high:0} % allowed). {alternative}.",
    controls=True,
)
def check_standard(samples: SampleTable, limits: ControlLimits) -> Cases:
    """Compare check standards with the value on their bottle.

    A titrant that has aged or a factor that is wrong shifts every sample of the day by the same share.

    Parameters
    ----------
    samples : standards among waters; the true value is the number of the label that the reading can be meant for.
    limits : ``standard_percent`` [%].

    Returns
    -------
    one row per reading of a standard with a true value, and one per water that stands on it; `observed` the recovery.

    Notes
    -----
    Recovery = 100 · found / true; 90 to 110 % [APHA1020]. The factor that would bring it to 100 % is told and never
    applied.
    """
    rows = [r for r in samples.once(control_rows) if r.kind == "standard" and r.analyte not in _METERED]
    table = _table(rows)
    found = table.assign(
        observed=100.0 * table["figure"] / table["true"],
        low=limits.standard_percent[0],
        high=limits.standard_percent[1],
        found=table["figure"],
    )
    return _shifted(samples, found)


@check(
    "spike-recovery",
    title="What was added to a sample is found again",
    source="APHA1020",
    limits=ControlLimits,
    severity="hold",
    unit="%",
    message="{analyte}: of the {added:2} added to {parent} {observed:1} % were found ({found:2} less {unspiked:2}; "
    "{low:0} to {high:0} % allowed), spike {why}. {alternative}.",
    controls=True,
)
def spike_recovery(samples: SampleTable, limits: ControlLimits) -> Cases:
    """Compare what a spike adds to a sample with what was put in.

    A recovery far from 100 % says that something in this water disturbs the method, or that the volume was wrong.

    Parameters
    ----------
    samples : spikes beside the water they were made from; the amount added is the last number of label or comment.
    limits : ``spike_percent`` [%], ``added_share`` [-].

    Returns
    -------
    one row per spike, of the quantity that was added, and one for its water; `observed` the recovery.

    Notes
    -----
    Recovery = 100 · (spiked − unspiked) / added; 80 to 120 % [APHA1020].
    """
    rows = [r for r in samples.once(control_rows) if r.kind == "spike" and r.parent >= 0 and r.analyte != "ph"]
    table = _table(rows)
    share = (table["value"] - table["parent_value"]) / table["added"]
    table = table.assign(observed=100.0 * share, off=np.abs(np.log(share.where(share > 0))))
    possible = table[(share >= limits.added_share[0]) & (share <= limits.added_share[1])]
    possible = possible.sort_values(["place", "off"], kind="stable").drop_duplicates("place")
    found = possible.assign(
        low=limits.spike_percent[0],
        high=limits.spike_percent[1],
        found=possible["value"],
        unspiked=possible["parent_value"],
        alternative="Was the volume right, and does this water disturb the method? Repeat the spike",
        parent_name=record.names_of(samples.about).to_numpy()[possible["parent"].to_numpy(dtype="int64")],
    )
    cases = _cases(samples, found, _of_parents(found))
    return {**cases, "parent": cases["parent_name"]}


@check(
    "duplicate-spread",
    title="Duplicates agree",
    source="APHA1020, CP",
    limits=ControlLimits,
    severity="hold",
    message="{analyte}: {parent} read {one:2} and its duplicate {why} {two:2}, apart by {observed:1} {measure} where "
    "{high:1} is allowed. {alternative}.",
    controls=True,
)
def duplicate_spread(samples: SampleTable, limits: ControlLimits) -> Cases:
    """Compare duplicates with the sample they repeat.

    Two bottles of one water that disagree say how well the work was done that day.

    Parameters
    ----------
    samples : duplicates beside the water that their label names.
    limits : ``near_loq`` [-].

    Returns
    -------
    one row per quantity of a duplicate, and one for its water; `observed` the relative difference [%], near the limit
    of quantification the difference itself.

    Notes
    -----
    RPD = 100 |a − b| / ((a + b)/2), allowed as in ``reference/control_limits.csv``; where one is below five times the
    limit of quantification, |a − b| ≤ LOQ [APHA1020, CP]. pH: 0.1.
    """
    known = limits_of_control()
    rows = [r for r in samples.once(control_rows) if r.kind == "duplicate" and r.analyte in {*known, "ph"}]
    table = _table(rows)
    one, two = table["parent_value"].to_numpy(), table["value"].to_numpy()
    loq = np.array([known.get(r.analyte, (np.inf, np.nan))[0] for r in rows], dtype="float64")
    allowed = np.array([known.get(r.analyte, (np.inf, np.nan))[1] for r in rows], dtype="float64")
    ph = np.isinf(loq)
    near = ph | (np.minimum(one, two) < limits.near_loq * loq)
    middle = (one + two) / 2.0
    apart = np.abs(one - two)
    found = table.assign(
        observed=np.where(near, apart, 100.0 * apart / np.where(middle > 0, middle, np.nan)),
        low=np.nan,
        high=np.where(ph, limits.buffer_ph, np.where(near, loq, allowed)),
        measure=np.where(ph, "", np.where(near, "(in its unit)", "%")),
        one=one,
        two=two,
        alternative="Which of the two is right cannot be told: repeat both",
        parent_name=record.names_of(samples.about).to_numpy()[table["parent"].to_numpy(dtype="int64")]
        if len(table)
        else "",
    )
    cases = _cases(samples, found, _of_parents(found))
    return {**cases, "parent": cases["parent_name"]}


@check(
    "meter-standard",
    title="A meter reads its standard",
    source="KCL001, BUFFERS, CP",
    limits=ControlLimits,
    severity="hold",
    message="{analyte}: the standard {why} read {observed:2} where {low:2} to {high:2} is allowed. {alternative}.",
    controls=True,
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
    true = np.array([_true_conductivity(r) if r.analyte == "conductivity" else _true_ph(r) for r in rows])
    table = _table(rows).assign(true=true)
    of_ph = (table["analyte"] == "ph").to_numpy()
    reach = np.where(of_ph, limits.buffer_ph, limits.conductivity_percent / 100.0 * true)
    found = table.assign(observed=table["value"], low=true - reach, high=true + reach, found=table["value"])
    found = found[found["true"].notna()]
    return _shifted(samples, found)


@check(
    "ph-slope",
    title="The electrode spans two buffers",
    source="BUFFERS, CP",
    limits=ControlLimits,
    severity="hold",
    unit="%",
    message="{analyte}: between the buffers {why} the electrode spans {observed:1} % of what it should ({low:0} to "
    "{high:0} % allowed). {alternative}.",
    controls=True,
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
    table = _table(rows).assign(true=[_true_ph(r) for r in rows]).dropna(subset=["true", "value"])
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
    return _cases(samples, found, _waters(samples, found, outside=_fails(found)))


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


def _shifted(samples: SampleTable, found: pd.DataFrame) -> Cases:
    """Tell what would bring a standard to its true value, beside the waters that stand on it."""
    factor = (found["true"] / found["found"]).to_numpy()
    words = np.array([f"A factor of {value:.3f} would bring it there; nothing is applied" for value in factor])
    words = np.where((found["analyte"] == "ph").to_numpy(), "Calibrate the meter and read the pH again", words)
    own = _uncompensated(found) if len(found) else np.zeros(0, dtype="bool")
    words = np.where(
        own, "It is what this standard has at its temperature: the meter does not compensate to 25 °C", words
    )
    found = found.assign(alternative=words)
    return _cases(samples, found, _waters(samples, found, outside=_fails(found)))


def _table(rows: list[ControlRow]) -> pd.DataFrame:
    """Lay the readings of controls out as a frame; ``why`` names the control, for all that stand on it as well."""
    table = pd.DataFrame([vars(one) for one in rows], columns=list(_COLUMNS))
    day = (" of " + table["day"]).where(table["day"] != "", "")
    return table.assign(why=table["called"] + day).astype({"place": "int64", "parent": "int64"})


_COLUMNS: Final = (
    "place", "kind", "called", "analyte", "value", "figure", "true", "added", "parent", "parent_value", "temperature_c",
    "day",
)  # fmt: skip


def _fails(found: pd.DataFrame) -> np.ndarray:
    return np.asarray((found["observed"] < found["low"]) | (found["observed"] > found["high"]))


def _waters(samples: SampleTable, found: pd.DataFrame, *, outside: np.ndarray) -> pd.DataFrame:
    """Repeat the row of every failed control for each water that stands on it."""
    failed = found[outside].reset_index(drop=True)
    touched = stands_on(samples, failed)
    repeated = failed.take(touched["row"].to_numpy()).reset_index(drop=True)
    return repeated.assign(place=touched["place"].to_numpy(), water=touched["value"].to_numpy())


def _of_parents(found: pd.DataFrame) -> pd.DataFrame:
    """Repeat the rows of failed spikes and duplicates for the waters they were made from."""
    failed = found[_fails(found)]
    return failed.assign(place=failed["parent"], water=failed["parent_value"])


def _cases(
    samples: SampleTable, found: pd.DataFrame, touched: pd.DataFrame
) -> dict[str, np.ndarray | TextColumn | pd.Series | float | str]:
    """Lay the controls and the waters they touch under one another as the rows of a check."""
    both = pd.concat([found, touched], ignore_index=True)
    evaluated = np.zeros(len(samples), dtype="bool")
    evaluated[found.loc[found["observed"].notna(), "place"].to_numpy(dtype="int64")] = True
    evaluated[stands_on(samples, found[["place", "analyte"]])["place"].to_numpy()] = True
    kept = {name: both[name].to_numpy() for name in both.columns if name not in _INNER}
    return {
        **kept,
        "place": both["place"].to_numpy(dtype="int64"),
        "analyte": TextColumn(
            np.array([_QUANTITIES.index(code) for code in both["analyte"]], dtype="int64"), _QUANTITIES
        ),
        "evaluated": evaluated,
    }


_QUANTITIES: Final = (*ANALYTES, *OTHER_ANALYTES)
# What stands in the rows and is no evidence.
_INNER: Final = {*_COLUMNS, "water", "off", "file", "day"} - {"true", "added"}

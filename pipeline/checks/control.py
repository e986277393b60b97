"""Laboratory control: blanks, check standards, spikes and duplicates.

A control that fails is one question about every water that stands on it: of the same source, day and quantity.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.checks import record
from pipeline.checks.control_cases import (
    ControlLimits,
    control_cases,
    control_table,
    factor_words,
    fails,
    touched_parents,
    touched_waters,
)
from pipeline.checks.control_rows import control_rows, limits_of_control
from pipeline.checks.registry import check

if TYPE_CHECKING:
    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable


_METERED: Final = ("conductivity", "ph", "tds")


@check(
    "blank",
    title="A blank holds nothing that could be measured",
    source="APHA1020, CP",
    limits=ControlLimits,
    severity="hold",
    message="{analyte}: the blank {why} read {observed:3}; up to {high:3} cannot be told from nothing. {alternative}.",
    controls="only",
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
    table = control_table(rows)
    found = table.assign(
        observed=table["value"],
        low=np.nan,
        high=[known[one.analyte][0] for one in rows],
        alternative="It came from glass, reagent or the laboratory's water: repeat with a clean blank",
    )
    touched = touched_waters(samples, found, outside=(found["observed"] > found["high"]).to_numpy())
    touched = touched[touched["water"].to_numpy() * limits.blank_share < touched["observed"].to_numpy()]
    return control_cases(samples, found, touched)


@check(
    "check-standard",
    title="A check standard comes to its true value",
    source="APHA1020",
    limits=ControlLimits,
    severity="hold",
    unit="%",
    message="{analyte}: the standard {why} came to {observed:1} % of its true value ({found:2} of {true:2}; {low:0} to "
    "{high:0} % allowed). {alternative}.",
    controls="only",
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
    table = control_table(rows)
    found = table.assign(
        observed=100.0 * table["figure"] / table["true"],
        low=limits.standard_percent[0],
        high=limits.standard_percent[1],
        found=table["figure"],
    )
    found = found.assign(alternative=factor_words(found))
    return control_cases(samples, found, touched_waters(samples, found, outside=fails(found)))


@check(
    "spike-recovery",
    title="What was added to a sample is found again",
    source="APHA1020",
    limits=ControlLimits,
    severity="hold",
    unit="%",
    message="{analyte}: of the {added:2} added to {parent} {observed:1} % were found ({found:2} less {unspiked:2}; "
    "{low:0} to {high:0} % allowed), spike {why}. {alternative}.",
    controls="only",
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
    table = control_table(rows)
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
    cases = control_cases(samples, found, touched_parents(found))
    return {**cases, "parent": cases["parent_name"]}


@check(
    "duplicate-spread",
    title="Duplicates agree",
    source="APHA1020, CP",
    limits=ControlLimits,
    severity="hold",
    message="{analyte}: {parent} read {one:2} and its duplicate {why} {two:2}, apart by {observed:1} {measure} where "
    "{high:1} is allowed. {alternative}.",
    controls="only",
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
    table = control_table(rows)
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
    cases = control_cases(samples, found, touched_parents(found))
    return {**cases, "parent": cases["parent_name"]}

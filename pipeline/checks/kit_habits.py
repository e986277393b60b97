"""Habits at the drop kit: the sample volume, the first drop, and how well repeats agree."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.checks import record
from pipeline.checks.kits import LABORATORY, counts
from pipeline.checks.registry import check
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.checks.kits import KitLimits
    from pipeline.checks.limits import Limits
    from pipeline.normalise.sample_table import SampleTable

_MISSED_FIRST_DROP = (
    r"first drop (?:was )?not|without the first drop|from (?:the )?(?:2nd|second) drop"
    r"|(?:ab|vom) (?:dem )?(?:2\.|zweiten) tropfen|erste[nr]? tropfen nicht"
)


def _beside_laboratory(samples: SampleTable, counted: pd.DataFrame) -> pd.DataFrame:
    """Pair every drop count with a laboratory-grade reading of the same quantity in the same sample."""
    readings = samples.readings if len(counted) else samples.readings.iloc[:0]
    wanted = _cell(samples, counted)
    found = np.full((len(samples) + 1) * (len(ANALYTES) + 1), np.nan)
    needed = np.zeros(len(found), dtype="bool")
    needed[wanted] = True
    cell = _cell(samples, readings)
    graded = needed[cell] & readings["method"].isin(LABORATORY).to_numpy()
    found[cell[graded][::-1]] = readings["value"].to_numpy(dtype="float64")[graded][::-1]
    laboratory = found[wanted]
    known = ~np.isnan(laboratory)
    beside: pd.DataFrame = counted[known].assign(laboratory=laboratory[known])
    return beside


def _cell(samples: SampleTable, rows: pd.DataFrame) -> npt.NDArray[np.int64]:
    return (record.positions(samples, rows) + 1) * (len(ANALYTES) + 1) + record.analyte_codes(rows) + 1


@check(
    "sample-volume",
    title="The sample volume fits the kit and was applied",
    source="CP",
    severity="hold",
    message="{analyte}: {observed:2} times the {compared_with} ({used_ml:1} mL used, kit made for "
    "{nominal_ml:1} mL, {step:2} mg/L per drop): {alternative}.",
)
def sample_volume(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Look for a kit run on a volume it was not made for.

    Half the water makes each drop worth twice as much. Unrecorded, it halves the result; recorded and
    forgotten in the sum, it does so again. More water than nominal is the deliberate way to finer steps.

    Parameters
    ----------
    samples : readings of form `drops`; a laboratory, burette or photometer reading beside them if any.
    limits : ``kits.usual_volumes``, ``kits.volume_tolerance`` [-].

    Returns
    -------
    one row per count for the volume (`observed` = used / nominal) and one per pair with a laboratory
    (`observed` = kit / laboratory; a finding only near 1/2 or 2).

    Notes
    -----
    value = n · d · Vnominal / Vused [CP]. Less than nominal, recorded and applied: note.
    """
    counted = counts(samples.readings)
    recorded = record.flagged_and_passing(samples, _recorded_volume(counted, limits.kits))
    compared = _halved_or_doubled(samples, counted, limits.kits)
    return pd.concat([recorded, compared], ignore_index=True)


def _recorded_volume(counted: pd.DataFrame, kits: KitLimits) -> pd.DataFrame:
    share = 1 / counted["ratio"].where(counted["nominal_ml"].notna())
    smallest, largest = kits.usual_volumes
    odd = (share < smallest) | (share > largest)
    return counted[["sample_id", "analyte", "used_ml", "nominal_ml", "step"]].assign(
        observed=share,
        low=1.0,
        high=largest,
        compared_with="nominal volume",
        severity=record.first_that_holds(counted.index, {"hold": odd, "note": ~odd}),
        alternative=record.first_that_holds(
            counted.index,
            {
                "such a volume is not usual; ask how many mL were taken": odd,
                "less water makes coarser steps; the volume is applied to the value": share < 1,
            },
        ),
    )


def _halved_or_doubled(samples: SampleTable, counted: pd.DataFrame, kits: KitLimits) -> pd.DataFrame:
    pairs = _beside_laboratory(samples, counted)
    share = pairs["counted"] / pairs["laboratory"]
    near = {factor: (share / factor - 1).abs() <= kits.volume_tolerance for factor in (0.5, 2.0)}
    return pairs[["sample_id", "analyte", "used_ml", "nominal_ml", "step"]].assign(
        observed=share,
        low=np.where(near[0.5], 1 / (1 + 4 * kits.volume_tolerance), np.nan),
        high=np.where(near[2.0], 1 + 4 * kits.volume_tolerance, np.nan),
        compared_with="laboratory value",
        severity="hold",
        alternative=record.first_that_holds(
            pairs.index,
            {
                "half the sample volume was used and not recorded (×2 fits)": near[0.5],
                "twice the sample volume was used and not recorded (÷2 fits)": near[2.0],
            },
        ),
    )


@check(
    "first-drop",
    title="The first drop was counted",
    source="CP",
    severity="note",
    unit="drops",
    message="{analyte}: {observed:1} drop missed: {reason}. Counted from the first drop the interval is "
    "{interval_low:1}-{interval_high:1} mg/L as CaCO3. Stored values are not changed.",
)
def first_drop(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Find counts that left out the first drop, by the operator's own words or by comparison.

    One missed drop is 18 mg/L: nothing in hard water, everything in treated water.

    Parameters
    ----------
    samples : readings of form `drops`; `drop_convention` and `comment` in words; `operator`.
    limits : ``kits.bias_pairs`` [-], ``kits.bias_drops`` [drops].

    Returns
    -------
    one row per count of a sample that says how it was counted (`observed` drops missed), and one row
    per source and operator with enough pairs beside a laboratory (`observed` mean drops missed).

    Notes
    -----
    True interval of a count n from the second drop: (n · step, (n + 1) · step]. A habit shows as
    mean(kit − laboratory) of −1 ± 0.3 drops over five pairs or more [CP].
    """
    counted = counts(samples.readings)
    return pd.concat([_declared(samples, counted), _habit(samples, counted, limits.kits)], ignore_index=True)


def _declared(samples: SampleTable, counted: pd.DataFrame) -> pd.DataFrame:
    about = samples.about
    missed = record.mentions(record.text(about, "drop_convention"), _MISSED_FIRST_DROP)
    missed |= record.mentions(record.text(about, "comment"), _MISSED_FIRST_DROP)
    said = record.stated(about, "drop_convention") | missed
    place = record.positions(samples, counted)
    judged = about.index[np.unique(place[said[place]])]
    counted = counted[missed[place]]
    rows = counted[["sample_id", "analyte", "drops", "step"]].assign(
        observed=1.0,
        low=np.nan,
        high=0.0,
        reason="the record says it was left out",
        interval_low=counted["drops"] * counted["step"],
        interval_high=(counted["drops"] + 1) * counted["step"],
        alternative="one more drop",
    )
    return record.with_passing(rows, judged)


def _habit(samples: SampleTable, counted: pd.DataFrame, kits: KitLimits) -> pd.DataFrame:
    pairs = _beside_laboratory(samples, counted)
    who = pd.DataFrame(
        {
            "file_sha256": record.of_sample(samples, pairs, record.source(samples)),
            "operator": record.of_sample(samples, pairs, record.text(samples.about, "operator")),
            "gap": (pairs["counted"] - pairs["laboratory"]) / pairs["step"],
            "step": pairs["step"],
        }
    )
    habits = who.groupby(["file_sha256", "operator"], as_index=False).agg(
        gap=("gap", "mean"), pairs=("gap", "count"), step=("step", "mean")
    )
    least, most = kits.bias_drops
    habits = habits[(habits["pairs"] >= kits.bias_pairs) & (habits["file_sha256"] != "")]
    return habits.assign(
        sample_id=pd.Series(pd.NA, index=habits.index, dtype="str"),
        analyte="all counts",
        observed=-habits["gap"],
        low=np.nan,
        high=np.where(habits["gap"].between(least, most), 0.0, np.nan),
        reason="the mean difference to the laboratory is one drop",
        interval_low=0.0,
        interval_high=habits["step"],
        alternative="one more drop; show the operator where to start counting",
    ).drop(columns="gap")

"""Habits at the drop kit: the sample volume, the first drop, and how well repeats agree."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.checks import record
from pipeline.checks.columns import either, first_that_holds, stacked_cases, within
from pipeline.checks.kits import LABORATORY, DropCounts, KitLimits, drop_counts
from pipeline.checks.registry import check
from pipeline.texts import TextColumn
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats
    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable

_IN_WORDS = ("drop_convention", "comment")
_MISSED_FIRST_DROP = (
    r"first drop (?:was )?not|without the first drop|from (?:the )?(?:2nd|second) drop"
    r"|(?:ab|vom) (?:dem )?(?:2\.|zweiten) tropfen|erste[nr]? tropfen nicht"
)


def _laboratory_pairs(samples: SampleTable) -> tuple[DropCounts, Floats]:
    """Pair every drop count with the first laboratory-grade reading of the same quantity in the same sample."""
    counted = samples.once(drop_counts)
    cell = samples.once(record.positions) * (len(ANALYTES) + 1) + samples.once(record.analyte_codes)
    needed = np.zeros((len(samples) + 1) * (len(ANALYTES) + 1), dtype="bool")
    needed[cell[counted.row]] = True
    graded = np.flatnonzero(samples.once(record.said, "method").isin(LABORATORY) & needed[cell])[::-1]
    found = np.full(len(needed), np.nan)
    found[cell[graded]] = samples.readings["value"].to_numpy(dtype="float64")[graded]
    laboratory = found[cell[counted.row]]
    known = np.flatnonzero(~np.isnan(laboratory))
    return counted.take(known), laboratory[known]


@check(
    "sample-volume",
    title="The sample volume fits the kit and was applied",
    source="CP",
    limits=KitLimits,
    severity="hold",
    message="{analyte}: {observed:2} times the {compared_with} ({used_ml:1} mL used, kit made for "
    "{nominal_ml:1} mL, {step:2} mg/L per drop): {alternative}.",
)
def sample_volume(samples: SampleTable, limits: KitLimits) -> Cases:
    """Look for a kit run on a volume it was not made for.

    Half the water makes each drop worth twice as much. Unrecorded, it halves the result; recorded and
    forgotten in the sum, it does so again. More water than nominal is the deliberate way to finer steps.

    Parameters
    ----------
    samples : readings of form `drops`; a laboratory, burette or photometer reading beside them if any.
    limits : ``usual_volumes``, ``volume_tolerance`` [-].

    Returns
    -------
    one row per count for the volume (`observed` = used / nominal) and one per pair with a laboratory
    (`observed` = kit / laboratory; a finding only near 1/2 or 2).

    Notes
    -----
    value = n · d · Vnominal / Vused [CP]. Less than nominal, recorded and applied: note.
    """
    recorded, compared = _recorded_volume(samples.once(drop_counts), limits), _halved_or_doubled(samples, limits)
    return stacked_cases(recorded, compared)


def _recorded_volume(counted: DropCounts, kits: KitLimits) -> Cases:
    share = np.where(np.isnan(counted.nominal_ml), np.nan, 1 / counted.ratio)
    smallest, largest = kits.usual_volumes
    odd = (share < smallest) | (share > largest)
    answers = {
        "such a volume is not usual; ask how many mL were taken": odd,
        "less water makes coarser steps; the volume is applied to the value": share < 1,
    }
    return {
        "place": counted.place,
        "analyte": counted.analyte,
        "used_ml": counted.used_ml,
        "nominal_ml": counted.nominal_ml,
        "step": counted.step,
        "observed": share,
        "low": 1.0,
        "high": largest,
        "compared_with": "nominal volume",
        "severity": either(odd, "hold", "note"),
        "alternative": first_that_holds(len(share), answers),
    }


def _halved_or_doubled(samples: SampleTable, kits: KitLimits) -> Cases:
    pairs, laboratory = samples.once(_laboratory_pairs)
    share = pairs.counted / laboratory
    halved, doubled = (np.abs(share / factor - 1) <= kits.volume_tolerance for factor in (0.5, 2.0))
    answers = {
        "half the sample volume was used and not recorded (×2 fits)": halved,
        "twice the sample volume was used and not recorded (÷2 fits)": doubled,
    }
    return {
        "place": pairs.place,
        "analyte": pairs.analyte,
        "used_ml": pairs.used_ml,
        "nominal_ml": pairs.nominal_ml,
        "step": pairs.step,
        "observed": share,
        "low": np.where(halved, 1 / (1 + 4 * kits.volume_tolerance), np.nan),
        "high": np.where(doubled, 1 + 4 * kits.volume_tolerance, np.nan),
        "compared_with": "laboratory value",
        "severity": "hold",
        "alternative": first_that_holds(len(share), answers),
    }


@check(
    "first-drop",
    title="The first drop was counted",
    source="CP",
    limits=KitLimits,
    severity="note",
    unit="drops",
    message="{analyte}: {observed:1} drop missed: {reason}. Counted from the first drop the interval is "
    "{interval_low:1}-{interval_high:1} mg/L as CaCO3. Stored values are not changed.",
)
def first_drop(samples: SampleTable, limits: KitLimits) -> Cases:
    """Find counts that left out the first drop, by the operator's own words or by comparison.

    One missed drop is 18 mg/L: nothing in hard water, everything in treated water.

    Parameters
    ----------
    samples : readings of form `drops`; `drop_convention` and `comment` in words; `operator`.
    limits : ``bias_pairs`` [-], ``bias_drops`` [drops].

    Returns
    -------
    one row per count of a sample that says how it was counted (`observed` drops missed), and one row
    per source and operator with enough pairs beside a laboratory (`observed` mean drops missed).

    Notes
    -----
    True interval of a count n from the second drop: (n · step, (n + 1) · step]. A habit shows as
    mean(kit − laboratory) of −1 ± 0.3 drops over five pairs or more [CP].
    """
    missed = np.logical_or.reduce([samples.fact(name).mentions(_MISSED_FIRST_DROP) for name in _IN_WORDS])
    said = samples.fact("drop_convention").stated() | missed
    judged = np.zeros(len(samples), dtype="bool")
    place = samples.once(drop_counts).place
    judged[place[said[place]]] = True
    rows = stacked_cases(_first_drops_missed(samples.once(drop_counts), missed), _habit(samples, limits))
    return {**rows, "evaluated": judged}


def _first_drops_missed(counted: DropCounts, missed: Flags) -> Cases:
    counted = counted.take(missed[counted.place])
    return {
        "place": counted.place,
        "analyte": counted.analyte,
        "drops": counted.drops,
        "step": counted.step,
        "observed": np.ones(len(counted.place)),
        "low": np.nan,
        "high": 0.0,
        "reason": "the record says it was left out",
        "interval_low": counted.drops * counted.step,
        "interval_high": (counted.drops + 1) * counted.step,
        "alternative": "one more drop",
    }


def _habit(samples: SampleTable, kits: KitLimits) -> Cases:
    pairs, laboratory = samples.once(_laboratory_pairs)
    file, operator = samples.fact("file_sha256").in_order(), samples.fact("operator").in_order()
    who, group = np.unique(
        file.codes[pairs.place] * len(operator.texts) + operator.codes[pairs.place], return_inverse=True
    )
    gap = (pairs.counted - laboratory) / pairs.step
    size = np.bincount(group, minlength=len(who))
    of_pairs = np.bincount(group, weights=~np.isnan(gap), minlength=len(who))
    mean = np.bincount(group, weights=np.nan_to_num(gap), minlength=len(who)) / of_pairs
    step = np.bincount(group, weights=pairs.step, minlength=len(who)) / size
    of_file = TextColumn(who // len(operator.texts), file.texts)
    kept = np.flatnonzero((of_pairs >= kits.bias_pairs) & of_file.stated())
    least, most = kits.bias_drops
    return {
        "place": np.full(len(kept), -1),
        "file_sha256": of_file.take(kept),
        "operator": TextColumn(who % len(operator.texts), operator.texts).take(kept),
        "pairs": of_pairs[kept],
        "step": step[kept],
        "analyte": "all counts",
        "observed": -mean[kept],
        "low": np.nan,
        "high": np.where(within(mean[kept], least, most), 0.0, np.nan),
        "reason": "the mean difference to the laboratory is one drop",
        "interval_low": 0.0,
        "interval_high": step[kept],
        "alternative": "one more drop; show the operator where to start counting",
    }

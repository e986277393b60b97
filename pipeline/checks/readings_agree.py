"""Several readings of one quantity in one sample: kit, meter and laboratory side by side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.checks import record, slips
from pipeline.checks.columns import either, worded
from pipeline.checks.registry import SAME_QUANTITY, check
from schemas.columns import ANALYTES
from schemas.methods import METHOD_RANK

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats, Places
    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable
    from pipeline.texts import TextColumn


@dataclass(frozen=True)
class AgreementLimits:
    """Limits of the agreement of readings."""

    left_out: tuple[str, ...] = ("temperature", "tds")  # change with the place, or with the method [CP]
    drifting: tuple[str, ...] = ("ph", "free_chlorine", "total_chlorine")  # change in the bottle [CP]
    ratio_tolerance: float = 0.06  # how close a ratio must come to a known slip [CP]
    tds_tolerance: float = 0.03  # how close a conductivity must come to the TDS it was exchanged with [CP]


_NUMBERS: Final = ("value", "uncertainty", "limit", "degree_per_drop", "nominal_ml", "used_ml")
_SAME_KIT: Final = 1e-6  # mg/L by which two worths of a drop differ in rounding only


@dataclass(frozen=True)
class Beside:
    """The preferred reading of each repeated quantity and each other one of the same sample, (k,) each.

    Attributes
    ----------
    place, analyte : position of the sample, quantity.
    used, other : the value of both; a reading below its limit stands at half the limit ± half the limit.
    used_method, other_method : how they were obtained.
    allowed : √(U1² + U2²), both with k = 2.
    """

    place: Places
    analyte: TextColumn
    used: Floats
    other: Floats
    used_method: TextColumn
    other_method: TextColumn
    allowed: Floats

    @property
    def difference(self) -> Floats:
        """By how much the other lies above the preferred one."""
        return self.other - self.used


def beside(samples: SampleTable, left_out: tuple[str, ...]) -> Beside:
    """Set the preferred reading of each repeated quantity beside the others of the same sample.

    A value typed beside its own count, and two counts with the same kit, have checks of their own.
    """
    row, cell = _repeated(samples, left_out)
    readings = samples.readings.take(row)
    value, spread, limit, degree, nominal, used_ml = (record.as_numbers(readings, name).to_numpy() for name in _NUMBERS)
    below = np.isnan(value) & samples.once(record.said, "qualifier").take(row).isin(["<"])
    value, spread = np.where(below, limit / 2, value), np.where(below, limit / 2, spread)
    ratio = nominal / used_ml
    step = degree * np.where(np.isnan(ratio), 1.0, ratio)
    method = samples.once(record.said, "method").take(row)
    rank = np.array([METHOD_RANK.get(name, len(METHOD_RANK)) for name in method.texts])[method.codes]
    known = np.flatnonzero(~np.isnan(value) & ~np.isnan(spread))
    order = known[np.lexsort([part[known] for part in (readings["line"].to_numpy(), spread, rank, cell)])]
    start = np.append(True, np.diff(cell[order]) != 0)[: len(order)]
    best, each = order[start][np.cumsum(start) - 1], order
    others = np.flatnonzero(~start & ~(np.abs(step[each] - step[best]) < _SAME_KIT))
    best, each = best[others], each[others]
    return Beside(
        place=samples.once(record.positions)[row[each]],
        analyte=samples.once(record.said, "analyte").take(row[each]),
        used=value[best],
        other=value[each],
        used_method=method.take(best),
        other_method=method.take(each),
        allowed=np.hypot(spread[each], spread[best]),
    )


def _repeated(samples: SampleTable, left_out: tuple[str, ...]) -> tuple[Places, Places]:
    """Find the readings that have company: their places, and the cell of sample and quantity each belongs to."""
    sample, analyte = samples.once(record.positions), samples.once(record.analyte_codes)
    counted = (sample >= 0) & (analyte >= 0) & ~samples.once(record.said, "analyte").isin(left_out)
    counted &= ~samples.once(record.said, "form").isin(["typed"])
    if "counts" in samples.readings:
        counted &= samples.readings["counts"].to_numpy()
    cell = np.where(counted, sample * len(ANALYTES) + analyte, len(samples) * len(ANALYTES))
    size = np.bincount(cell)
    row = np.flatnonzero(counted & (size[cell] > 1))
    return row, cell[row]


@check(
    "readings-disagree",
    title="Several readings of one quantity agree within their uncertainties",
    source="JCGM100",
    limits=AgreementLimits,
    severity="hold",
    message="{analyte}: {used_method} {used:2} and {other_method} {other:2} differ by {observed:2} where "
    "±{high:2} is allowed; {alternative}.",
    relation=(SAME_QUANTITY,),
)
def readings_disagree(samples: SampleTable, limits: AgreementLimits) -> Cases:
    """Compare the readings of one quantity in one sample with each other.

    Two methods that disagree by more than both admit mean that one of them is not about this water.

    Parameters
    ----------
    samples : all readings with `value` (or `limit`), `uncertainty` (k = 2) and `method`.
    limits : see ``AgreementLimits``.

    Returns
    -------
    one row per reading beside the preferred one; `observed` other − used, in the unit of the quantity.

    Notes
    -----
    allowed = √(U1² + U2²), both with k = 2 [JCGM100]. pH and chlorine change in the bottle: a
    difference there is a note and the reading on site is to be preferred [CP]. The slip whose ratio
    comes closest is named, among those that can happen to this quantity.
    """
    pair = samples.once(beside, limits.left_out)
    drifts = pair.analyte.isin(limits.drifting)
    quotient = _positive(pair.other) / _positive(pair.used)
    ratio = np.where(quotient >= 1, quotient, 1 / quotient)
    fits = slips.closest(pair.analyte, ratio, limits.ratio_tolerance)
    templates = {
        "no usual slip gives this ratio, repeat the worse of the two": ~drifts,
        "the ratio fits {fits}": ~drifts & fits.stated(),
        "one of them is the TDS of this sample: the two were exchanged or copied": _is_tds(
            samples, pair, limits.tds_tolerance
        ),
        "it changes in the bottle, prefer the reading on site": drifts,
    }
    return {
        "place": pair.place,
        "analyte": pair.analyte,
        "observed": pair.difference,
        "low": -pair.allowed,
        "high": pair.allowed,
        "severity": either(drifts, "note", "hold"),
        "used": pair.used,
        "used_method": pair.used_method,
        "other": pair.other,
        "other_method": pair.other_method,
        "ratio": ratio,
        "alternative": worded(len(ratio), {"fits": fits}, templates),
    }


def _is_tds(samples: SampleTable, pair: Beside, tolerance: float) -> Flags:
    """Tell which of two conductivities is the number that stands as TDS in the same sample."""
    tds = samples.measured["tds_mg_l"].to_numpy()[pair.place]
    same = [np.abs(value / tds - 1) <= tolerance for value in (pair.other, pair.used)]
    told: Flags = pair.analyte.isin(["conductivity"]) & (same[0] | same[1])
    return told


def _positive(values: Floats) -> Floats:
    return np.where(values > 0, values, np.nan)


@check(
    "several-readings",
    title="Each quantity was read once",
    source="CP",
    limits=AgreementLimits,
    severity="note",
    message="{analyte}: {used_method} {used:2} is used, {other_method} {other:2} stands beside it; they "
    "agree within ±{allowed:2}.",
)
def several_readings(samples: SampleTable, limits: AgreementLimits) -> Cases:
    """Say which of several agreeing readings the summary uses.

    Nobody should have to wonder where the other number went.

    Parameters
    ----------
    samples : as for ``readings-disagree``.
    limits : see ``AgreementLimits``.

    Returns
    -------
    one row per reading beside the preferred one; `observed` is its distance [in the unit of the quantity].

    Notes
    -----
    The preferred reading follows the order of ``schemas.methods`` [CP]. Equal numbers need no remark.
    """
    pair = samples.once(beside, limits.left_out)
    gap = np.abs(pair.difference)
    return {
        "place": pair.place,
        "analyte": pair.analyte,
        "observed": gap,
        "low": np.nan,
        "high": np.where(gap <= pair.allowed, 0.0, np.nan),
        "used": pair.used,
        "used_method": pair.used_method,
        "other": pair.other,
        "other_method": pair.other_method,
        "allowed": pair.allowed,
        "alternative": "",
    }

"""What no water can be, whatever the rest of the record says; chlorine and chloride."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.checks import evidence
from pipeline.checks.alkalinity import TREATED_STAGES
from pipeline.checks.columns import fitting
from pipeline.checks.registry import check
from pipeline.reference import table
from schemas.columns import ANALYTES, WIDE_COLUMNS

if TYPE_CHECKING:
    from pipeline.arrays import Floats, Places
    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class PhysicalLimits:
    """Limits beside the table ``reference/physical_limits.csv``."""

    chlorine_absolute_mg_l: float = 0.05  # of a field photometer, k = 2 [CP]
    chlorine_relative: float = 0.10  # [CP]
    chloride_least_mg_l: float = 2.0  # in a water that conducts more than the next line [CP]
    chloride_conductivity_us_cm: float = 300.0  # [CP]


_WORDED: Final = {"[pH]": "", "Cel": " °C", "uS/cm": " µS/cm", "mg/L": " mg/L", "NTU": " NTU"}
_LIMITS: Final = table("physical_limits")
_PLACE: Final = [WIDE_COLUMNS.index(ANALYTES[code].column) for code in _LIMITS["analyte"]]
_UNIT: Final = np.array([_WORDED[ANALYTES[code].unit] for code in _LIMITS["analyte"]], dtype=object)
_TEXTS: Final = {
    name: _LIMITS[name].to_numpy(dtype=object) for name in ("severity", "analyte", "reason", "alternative")
}
_LOW: Final = _LIMITS["low"].to_numpy(dtype="float64")
_HIGH: Final = _LIMITS["high"].to_numpy(dtype="float64")
_NATURAL_ONLY: Final = (_LIMITS["applies_to"] == "natural").to_numpy()


@check(
    "out-of-physical-range",
    title="Every value is one a water can have",
    source="CP",
    severity="hold",
    message="{analyte} {observed}{value_unit} is out of range: {reason}. {alternative}.",
)
def out_of_physical_range(samples: SampleTable) -> Cases:
    """Find values that no water, or no water fit for a coffee machine, can have.

    A lost decimal mark, a wrong unit or a shifted column often leaves the possible altogether. Metals
    in µg/L typed under mg/L are held and never scaled: they are health figures.

    Parameters
    ----------
    samples : every quantity as read.

    Returns
    -------
    one row per value outside its range (the worst range it leaves), and one passing row for every
    other sample. The range of supplied drinking water (a note) does not apply to treated, bottled and
    hot water, whose pH may well be 6.

    Notes
    -----
    Pure water conducts 0.055 µS/cm at 25 °C [ISO3696]; drinking water is supplied at pH 6.5–9.5
    [EU2020]; metals: ten times a health limit or a hundred times an aesthetic one [CP].
    """
    place, limit, observed = _outside(samples)
    return {
        "place": place,
        "observed": observed,
        "low": _LOW[limit],
        "high": _HIGH[limit],
        "value_unit": _UNIT[limit],
        **{name: texts[limit] for name, texts in _TEXTS.items()},
        "evaluated": ~np.isnan(samples.measured.to_numpy()).all(axis=1),
    }


def _outside(samples: SampleTable) -> tuple[Places, Places, Floats]:
    """Find the values outside a range: the sample's place, the row of the worst range left, the value."""
    natural = ~samples.fact("stage").isin(TREATED_STAGES)
    places, rows = [], []
    for row, quantity in enumerate(_PLACE):
        values = samples.measured[WIDE_COLUMNS[quantity]].to_numpy(dtype="float64")
        outside = (values < _LOW[row]) | (values > _HIGH[row])
        found = np.flatnonzero(outside & natural if _NATURAL_ONLY[row] else outside)
        places.append(found)
        rows.append(np.full(len(found), row))
    place, limit = np.concatenate(places), np.concatenate(rows)
    cell = place * len(WIDE_COLUMNS) + np.take(_PLACE, limit)
    _, first = np.unique(cell, return_index=True)  # the table gives the worst range first
    observed = samples.measured.to_numpy(dtype="float64")[place[first], np.take(_PLACE, limit[first])]
    return place[first], limit[first], observed


@check(
    "chlorine-forms",
    title="Total chlorine is not below free chlorine",
    source="CP",
    limits=PhysicalLimits,
    severity="hold",
    unit="mg/L",
    message="total_chlorine {observed:2} mg/L is below free_chlorine {free_chlorine:2} mg/L, "
    "which is a part of it. {alternative}.",
    relation=("free_chlorine", "total_chlorine"),
)
def chlorine_forms(samples: SampleTable, limits: PhysicalLimits) -> Cases:
    """Compare total with free chlorine.

    Total is free plus combined; a smaller total means two pads of a strip or two columns were swapped.

    Parameters
    ----------
    samples : free and total chlorine as read.
    limits : ``chlorine_absolute_mg_l``, ``chlorine_relative`` [-]: uncertainty (k = 2).

    Returns
    -------
    one row per sample with both; `observed` the total.

    Notes
    -----
    total ≥ free, within the combined uncertainty [CP]. A "<" total counts as its limit.
    """
    floor = (limits.chlorine_relative, limits.chlorine_absolute_mg_l)
    free = evidence.measured(samples, "free_chlorine_mg_l", *floor)
    total = evidence.measured(samples, "total_chlorine_mg_l", *floor)
    sure = evidence.Quantity(free.value - free.slack, free.reach, 0.0 * free.slack)
    return {
        "observed": total.value + total.slack,
        "low": sure.value - evidence.tolerance(sure, evidence.Quantity(total.value, total.reach, 0.0 * total.slack)),
        "high": np.nan,
        "analyte": "total_chlorine free_chlorine",
        "free_chlorine": free.value,
        "alternative": "Free and total swapped would fit; repeat both",
    }


@check(
    "chloride-or-chlorine",
    title="Chloride is not chlorine typed under its name",
    source="CP",
    limits=PhysicalLimits,
    severity="note",
    unit="mg/L",
    message="chloride {observed:2} mg/L is very little for a water of {conductivity:0} µS/cm. {alternative}.",
)
def chloride_or_chlorine(samples: SampleTable, limits: PhysicalLimits) -> Cases:
    """Find a chloride so small that chlorine may have been meant.

    "Cl", "Chlor" and "cloro" stand for either; one is a salt, the other a disinfectant. A limestone
    spring does have so little chloride, so this is only a note.

    Parameters
    ----------
    samples : chloride and conductivity as read.
    limits : ``chloride_least_mg_l``, ``chloride_conductivity_us_cm``.

    Returns
    -------
    one row per sample with both; `observed` the chloride.

    Notes
    -----
    Less than 2 mg/L above 300 µS/cm [CP]. A "<" chloride is not looked at: nobody writes chlorine so.
    """
    conductivity = samples.measured["conductivity_us_cm_25c"].to_numpy()
    chloride = samples.measured["chloride_mg_l"].to_numpy()
    known = [~np.isnan(samples.measured[name].to_numpy()) for name in ("free_chlorine_mg_l", "total_chlorine_mg_l")]
    alone = {"Chlorine typed under chloride would fit: ask for the kit or report": ~(known[0] | known[1])}
    answer = fitting(len(samples), alone, "Chlorine is given as well, so it may be true; ask")
    return {
        "observed": np.where(np.isnan(conductivity), np.nan, chloride),
        "low": np.where(conductivity > limits.chloride_conductivity_us_cm, limits.chloride_least_mg_l, np.nan),
        "high": np.nan,
        "analyte": "chloride free_chlorine",
        "conductivity": conductivity,
        "alternative": answer,
    }

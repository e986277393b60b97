"""Readings that were computed from others of the same record: they agree with them whatever is wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.checks import evidence
from pipeline.chemistry.equivalents import CACO3_PER_CALCIUM, CACO3_PER_MAGNESIUM, HCO3_PER_CACO3
from pipeline.reference import records
from pipeline.texts import TextColumn
from schemas.columns import ANALYTES, WIDE_COLUMNS

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats
    from pipeline.normalise.sample_table import SampleTable

_SHOWN: Final = (0.47, 0.73)  # TDS over EC of every scale of a meter: its TDS is its conductivity [CP]
_FACTORS: Final = tuple(sorted({0.55, 0.6, 0.67, *(row["factor"] for row in records("conductance_tds_factors"))}))
_ROUNDED: Final = 3e-4  # relative: what a computed figure is off by, beyond its last printed digit [CP]
_BY_DIFFERENCE: Final = 0.6  # relative, k = 1: an ion that closes the charges says nothing about them [CP]
_IONS: Final = ("calcium", "magnesium", "sodium", "potassium", "bicarbonate", "alkalinity", "chloride", "sulfate")


def computed(samples: SampleTable, values: Floats, laboratory_tds: Flags) -> dict[str, Flags]:
    """Tell which readings follow from others of their record, and are no second witness.

    Parameters
    ----------
    samples : methods, and the scale of dissolved solids where one is stated.
    values : (r, n) readings, the rows of WIDE_COLUMNS first.
    laboratory_tds : (n,) dissolved solids were weighed or summed.

    Returns
    -------
    quantity → (n,) flags: dissolved solids that are conductivity times a factor (of a meter on any of its scales; of a
    laboratory with the factor of a meter or the stated one, to the last digit), and hardness of calcium and
    magnesium, bicarbonate of alkalinity, to the last digit.
    """
    read = {name: values[WIDE_COLUMNS.index(one.column)] for name, one in ANALYTES.items()}
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = read["tds"] / read["conductivity"]
        shown = ~laboratory_tds & (ratio >= _SHOWN[0]) & (ratio <= _SHOWN[1])
        factors = [*(np.full(len(samples), factor) for factor in _FACTORS), _stated(samples)]
        exact = np.any([_same(read["tds"], factor * read["conductivity"], 0.5 * factor) for factor in factors], axis=0)
        hardness = CACO3_PER_CALCIUM * read["calcium"] + CACO3_PER_MAGNESIUM * read["magnesium"]
        found = {
            "tds": shown | exact,
            "total_hardness": _same(read["total_hardness"], hardness, 0.0),
            "bicarbonate": _same(read["bicarbonate"], HCO3_PER_CACO3 * read["alkalinity"], 0.0),
        }
    return {name: np.asarray(flags, dtype="bool") for name, flags in found.items()}


def by_difference(samples: SampleTable) -> dict[str, Flags]:
    """Tell the ions that the file calls calculated: one of them closes the charges, so that these prove nothing."""
    return {name: evidence.obtained(samples, ANALYTES[name].column, "calculated") for name in _IONS}


def loosened(values: Floats, spread: Floats, flags: Flags) -> Floats:
    """Give readings that were computed from the rest so wide an uncertainty that they bind nothing."""
    return np.where(flags, np.fmax(spread, _BY_DIFFERENCE * np.abs(values)), spread)


def _same(value: Floats, reckoned: Floats, beyond: float | Floats) -> Flags:
    """Tell where a value is the reckoned one to its last digit; ``beyond`` is the rounding of what it is from."""
    return np.asarray(
        np.abs(value - reckoned) <= half_digit(value) + beyond + _ROUNDED * np.abs(reckoned), dtype="bool"
    )


def half_digit(values: Floats) -> Floats:
    """Give half of the last digit that numbers were written with, down to hundredths."""
    return np.select([_whole(values), _whole(10.0 * values)], [0.5, 0.05], 0.005)


def _whole(values: Floats) -> Flags:
    return np.abs(values - np.round(values)) < 1e-6 * np.maximum(np.abs(values), 1.0)


def _stated(samples: SampleTable) -> Floats:
    """Read the factor a record states for its dissolved solids; missing where it states none."""
    stated = samples.fact("tds_scale") if "tds_scale" in samples.about else TextColumn.constant("", len(samples))
    numbers = np.full(len(stated.texts), np.nan)
    for place, text in enumerate(stated.texts):
        if text.replace(",", ".").replace(".", "", 1).isdigit():
            numbers[place] = float(text.replace(",", "."))
    return numbers[stated.codes]

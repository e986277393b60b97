"""Habits of a whole source: rounding, and one unit copied down a column that holds two."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.checks import evidence, record
from pipeline.checks.columns import either, first_that_holds, stacked_cases, within
from pipeline.checks.hardness import SOFTENED_WORDS
from pipeline.checks.registry import check
from pipeline.checks.units import UnitLimits
from pipeline.chemistry.equivalents import MG_CACO3_PER_DEGREE, MG_CACO3_PER_MEQ, MOLAR_MASS
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Places
    from pipeline.checks.columns import CaseColumn, Cases
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class DigitLimits:
    """Limits of the rounding habit; common practice of the trade [CP]."""

    fewest_values: int = 20  # of one quantity in one source [CP]
    share: float = 0.6  # ending in 0 or 5; chance gives 0.2 [CP]
    fewest_kit_values: int = 5  # typed from a kit whose drop is known [CP]
    kit_share: float = 0.5  # that are no whole number of drops [CP]
    kit_rounding_mg_l: float = 0.6  # rounding of a typed value [CP]


_ROUNDABLE: Final = (
    "conductivity",
    "tds",
    "total_hardness",
    "calcium_hardness",
    "alkalinity",
    "calcium",
    "magnesium",
    "sodium",
    "bicarbonate",
    "chloride",
    "sulfate",
    "nitrate",
    "silica",
)
_COMPARED: Final = (
    "conductivity_us_cm_25c",
    "total_hardness_mg_l_caco3",
    "alkalinity_mg_l_caco3",
    "chloride_mg_l",
    "sulfate_mg_l",
)
_READ_FINELY: Final = ("laboratory", "burette", "photometer", "meter", "unknown", "typed")


@check(
    "rounding-habit",
    title="The last digits of a source's values are those of measurements",
    source="CP",
    limits=DigitLimits,
    severity="note",
    message="{analyte}: {percent:0} % of {values:0} values in this source {habit}: {alternative}.",
)
def rounding_habit(samples: SampleTable, limits: DigitLimits) -> Cases:
    """Count last digits, and kit values that no whole number of drops gives.

    Values that all end in 0 or 5, or fall between two drops, were rounded, converted or guessed.

    Parameters
    ----------
    samples : readings with `raw_text`, `value`, `method`; `file_sha256` of the samples.
    limits : see ``DigitLimits``.

    Returns
    -------
    one row per source and quantity with enough values; `observed` the share.

    Notes
    -----
    Last digits of measurements are near uniform, so 20 % end in 0 or 5 [CP]. DropCounts, strips, labels and
    published statistics are left out.
    """
    found = stacked_cases(_last_digits(samples, limits), _between_drops(samples, limits))
    of = evidence.sources(samples)
    judged = np.isin(of.names.astype("str"), np.asarray(found["file_sha256"], dtype="str"))
    return {**found, "place": np.full(len(np.asarray(found["observed"])), -1), "evaluated": judged[of.code]}


def _grouped(samples: SampleTable, chosen: Places, hit: Flags, fewest: int) -> dict[str, CaseColumn]:
    """Count the chosen readings and the hits among them, by source and quantity."""
    of = evidence.sources(samples)
    analyte = samples.once(record.analyte_codes)[chosen]
    cell = of.code[samples.once(record.positions)[chosen]].astype("int64") * len(ANALYTES) + analyte
    size = np.bincount(cell, minlength=1)
    hits = np.bincount(cell, weights=hit, minlength=1)
    kept = np.flatnonzero(size >= fewest)
    kept = kept[of.names[kept // len(ANALYTES)] != ""]
    return {
        "file_sha256": of.names[kept // len(ANALYTES)],
        "analyte": np.array(list(ANALYTES), dtype=object)[kept % len(ANALYTES)],
        "observed": hits[kept] / size[kept],
        "percent": 100 * hits[kept] / size[kept],
        "values": size[kept].astype("float64"),
    }


def _last_digits(samples: SampleTable, limits: DigitLimits) -> Cases:
    fine = samples.once(record.said, "method").isin(_READ_FINELY)
    fine &= samples.once(record.said, "analyte").isin(_ROUNDABLE)
    digit, round_digit = _ends(samples.readings)
    chosen = np.flatnonzero(fine & digit)
    return {
        **_grouped(samples, chosen, round_digit[chosen], limits.fewest_values),
        "low": np.nan,
        "high": limits.share,
        "habit": "end in 0 or 5",
        "alternative": "rounded, or read from a scale by eye",
    }


def _ends(readings: pd.DataFrame) -> tuple[Flags, Flags]:
    """Tell which readings were written with a digit at the end, and which of them with a 0 or 5."""
    if "raw_text" not in readings:
        return np.zeros(len(readings), dtype="bool"), np.zeros(len(readings), dtype="bool")
    column = readings["raw_text"]
    category = isinstance(column.dtype, pd.CategoricalDtype)
    last = pc.utf8_slice_codeunits(pa.array(column.cat.categories if category else column, from_pandas=True), start=-1)
    told = (pc.ascii_is_decimal(last), pc.is_in(last, value_set=pa.array(["0", "5"], last.type)))
    flags = [np.append(pc.fill_null(part, fill_value=False).to_numpy(zero_copy_only=False), False) for part in told]
    code = column.cat.codes.to_numpy() if category else np.arange(len(column))
    return flags[0][code], flags[1][code]


def _between_drops(samples: SampleTable, limits: DigitLimits) -> Cases:
    by_drops = samples.once(record.said, "method").isin(["drops"])
    chosen = np.flatnonzero(by_drops & ~samples.once(record.said, "form").isin(["drops"]))
    readings = samples.readings.take(chosen)
    nominal, used, degree, value = (
        record.as_numbers(readings, name).to_numpy() for name in ("nominal_ml", "used_ml", "degree_per_drop", "value")
    )
    ratio = nominal / used
    step = degree * np.where(np.isnan(ratio), 1.0, ratio)
    known = ~np.isnan(step) & ~np.isnan(value)
    gap = np.abs(value - step * np.round(value / step))
    between = gap > np.maximum(limits.kit_rounding_mg_l, 0.05 * step)
    return {
        **_grouped(samples, chosen[known], between[known], limits.fewest_kit_values),
        "low": np.nan,
        "high": limits.kit_share,
        "habit": "are no whole number of drops of the kit named",
        "alternative": "converted with another kit's factor, or not from this kit",
    }


@check(
    "unit-copied-down",
    title="Every row is in the unit of its column",
    source="CP",
    limits=UnitLimits,
    severity="hold",
    unit="uS/cm per mg/L as CaCO3",
    message="conductivity / hardness is {observed:2} here and ordinary in {ordinary:0} rows of this source: "
    "{alternative}. Ask which instrument or kit this row came from.",
)
def unit_copied_down(samples: SampleTable, limits: UnitLimits) -> Cases:
    """Find rows written in another unit than the rest of their column.

    A unit filled down a column is right for the first instrument and wrong for the next one.

    Parameters
    ----------
    samples : conductivity, total hardness, alkalinity; chloride and sulfate where known.
    limits : see ``UnitLimits``.

    Returns
    -------
    one row per sample with all three; `observed` conductivity per mg/L of hardness.

    Notes
    -----
    A row is a finding when hardness and alkalinity are both off by one and the same unit factor (17.85 for
    German degrees, 10 for French degrees or mS/m, 50.04 for meq/L, 1000 for mS/cm): hold if at least three
    rows of the source are ordinary, else note (the whole column may be in that unit). Water whose chloride
    and sulfate carry half the conductivity (100 µS/cm per meq/L [APHA1030]) is salty, not mistyped.
    """
    lowest, highest = limits.usual_ratio
    conductivity, hardness, alkalinity, chloride, sulfate = (samples.measured[name].to_numpy() for name in _COMPARED)
    by_hardness = conductivity / np.where(hardness > 0, hardness, np.nan)
    by_alkalinity = conductivity / np.where(alkalinity > 0, alkalinity, np.nan)
    ordinary = within(by_hardness, lowest, highest) & within(by_alkalinity, lowest, 2 * highest)
    of = evidence.sources(samples)
    count = of.count(ordinary)
    salts = np.nan_to_num(chloride / MOLAR_MASS["chloride"]) + np.nan_to_num(2.0 * sulfate / MOLAR_MASS["sulfate"])
    mixed = ((count >= limits.column_rows) & (of.names != ""))[of.code]
    fresh = 100 * salts < 0.5 * conductivity
    slips = {
        "German degrees (×17.85) under a heading of mg/L would fit": 1 / MG_CACO3_PER_DEGREE["°dH"],
        "French degrees (×10) under a heading of mg/L would fit": 1 / 10,
        "meq/L (×50.04) under a heading of mg/L would fit": 1 / MG_CACO3_PER_MEQ,
        "conductivity in mS/m (×10) under a heading of µS/cm would fit": 10.0,
        "conductivity in mS/cm (×1000) under a heading of µS/cm would fit": 1000.0,
    }
    thick = conductivity > limits.thin_us_cm
    # What a softener leaves of the hardness is a few mg/L, in whatever unit the rest of the column is.
    softened = evidence.says(samples, ("supply", "treatment", "comment"), SOFTENED_WORDS)
    softened &= samples.fact("stage").isin(("treated", "machine_inlet"))
    answers = {
        words: fresh
        & (mixed if factor > 1 else thick)
        & ~(ordinary | softened)
        & within(by_hardness * factor, lowest, highest)
        & within(by_alkalinity * factor, lowest, highest)
        for words, factor in slips.items()
    }
    alternative = first_that_holds(len(samples), answers)
    suspect = alternative.stated()
    return {
        "observed": np.where(np.isnan(by_alkalinity), np.nan, by_hardness),
        "low": np.where(suspect, lowest, np.nan),
        "high": np.where(suspect, highest, np.nan),
        "analyte": "total_hardness alkalinity conductivity",
        "severity": either(mixed, "hold", "note"),
        "ordinary": count[of.code],
        "conductivity_per_alkalinity": by_alkalinity,
        "alternative": alternative,
    }

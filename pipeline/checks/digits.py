"""Habits of a whole source: rounding, and one unit copied down a column that holds two."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.checks import record
from pipeline.checks.registry import check
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.checks.limits import Limits
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
_READ_FINELY: Final = ("laboratory", "burette", "photometer", "meter", "unknown", "typed")


@check(
    "rounding-habit",
    title="The last digits of a source's values are those of measurements",
    source="CP",
    severity="note",
    message="{analyte}: {percent:0} % of {values:0} values in this source {habit}: {alternative}.",
)
def rounding_habit(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Count last digits, and kit values that no whole number of drops gives.

    Values that all end in 0 or 5, or fall between two drops, were rounded, converted or guessed.

    Parameters
    ----------
    samples : readings with `raw_text`, `value`, `method`; `file_sha256` of the samples.
    limits : ``digits``.

    Returns
    -------
    one row per source and quantity with enough values; `observed` the share.

    Notes
    -----
    Last digits of measurements are near uniform, so 20 % end in 0 or 5 [CP]. Counts, strips, labels and
    published statistics are left out.
    """
    found = pd.concat([_last_digits(samples, limits), _between_drops(samples, limits)], ignore_index=True)
    judged = samples.about.index[record.source(samples).isin(found["file_sha256"]).to_numpy()]
    return record.with_passing(found, judged)


def _grouped(
    samples: SampleTable, chosen: npt.NDArray[np.bool_], hit: npt.NDArray[np.bool_], fewest: int
) -> pd.DataFrame:
    """Count the chosen readings and the hits among them, by source and quantity."""
    readings = samples.readings
    file_code, files = pd.factorize(record.source(samples))
    file_of = file_code[record.positions(samples, readings)[chosen]]
    cell = file_of * len(ANALYTES) + record.analyte_codes(readings)[chosen]
    size = np.bincount(cell, minlength=1)
    hits = np.bincount(cell, weights=hit[chosen], minlength=1)
    kept = np.flatnonzero(size >= fewest)
    table = pd.DataFrame(
        {
            "sample_id": pd.Series(pd.NA, index=range(len(kept)), dtype="str"),
            "file_sha256": pd.Index(files).take(kept // len(ANALYTES)),
            "analyte": pd.Index(ANALYTES).take(kept % len(ANALYTES)),
            "observed": hits[kept] / size[kept],
            "percent": 100 * hits[kept] / size[kept],
            "values": size[kept].astype("float64"),
        }
    )
    return table[table["file_sha256"] != ""]


def _last_digits(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    readings = samples.readings
    fine = (readings["analyte"].isin(_ROUNDABLE) & readings["method"].isin(_READ_FINELY)).to_numpy()
    words = pa.array(record.text(readings, "raw_text"))
    digit = pc.utf8_slice_codeunits(words, start=-1)
    known = pc.fill_null(pc.ascii_is_decimal(digit), fill_value=False).to_numpy(zero_copy_only=False)
    round_digit = pc.is_in(digit, value_set=pa.array(["0", "5"], digit.type)).to_numpy(zero_copy_only=False)
    return _grouped(samples, fine & known, round_digit, limits.digits.fewest_values).assign(
        low=np.nan,
        high=limits.digits.share,
        habit="end in 0 or 5",
        alternative="rounded, or read from a scale by eye",
    )


def _between_drops(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    readings = samples.readings
    typed = (readings["method"] == "drops").to_numpy()
    if "form" in readings:
        typed = typed & (readings["form"] != "drops").to_numpy()
    chosen = readings[typed]
    ratio = (record.number(chosen, "nominal_ml") / record.number(chosen, "used_ml")).fillna(1.0)
    step, value = record.number(chosen, "degree_per_drop") * ratio, record.number(chosen, "value")
    gap = (value - step * (value / step).round()).abs()
    between, known = np.zeros(len(readings), dtype="bool"), typed.copy()
    between[typed] = (gap > np.maximum(limits.digits.kit_rounding_mg_l, 0.05 * step)).to_numpy()
    known[typed] = (step.notna() & value.notna()).to_numpy()
    return _grouped(samples, known, between, limits.digits.fewest_kit_values).assign(
        low=np.nan,
        high=limits.digits.kit_share,
        habit="are no whole number of drops of the kit named",
        alternative="converted with another kit's factor, or not from this kit",
    )


@check(
    "unit-copied-down",
    title="Every row is in the unit of its column",
    source="CP",
    severity="hold",
    unit="uS/cm per mg/L as CaCO3",
    message="conductivity / hardness is {observed:2} here and ordinary in {ordinary:0} rows of this source: "
    "{alternative}. Ask which instrument or kit this row came from.",
)
def unit_copied_down(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Find rows written in another unit than the rest of their column.

    A unit filled down a column is right for the first instrument and wrong for the next one.

    Parameters
    ----------
    samples : conductivity, total hardness, alkalinity; chloride and sulfate where known.
    limits : ``units``.

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
    units = limits.units
    lowest, highest = units.usual_ratio
    measured = samples.measured
    conductivity = measured["conductivity_us_cm_25c"]
    hardness = measured["total_hardness_mg_l_caco3"].where(measured["total_hardness_mg_l_caco3"] > 0)
    alkalinity = measured["alkalinity_mg_l_caco3"].where(measured["alkalinity_mg_l_caco3"] > 0)
    by_hardness, by_alkalinity = conductivity / hardness, conductivity / alkalinity
    ordinary = by_hardness.between(lowest, highest) & by_alkalinity.between(lowest, 2 * highest)
    file = record.source(samples)
    code = pd.factorize(file)[0]
    count = np.bincount(code, weights=ordinary.to_numpy(), minlength=1)[code]
    salts = (measured["chloride_mg_l"] / 35.45).fillna(0) + (measured["sulfate_mg_l"] / 48.03).fillna(0)
    mixed = (count >= units.column_rows) & (file != "")
    fresh = 100 * salts < 0.5 * conductivity
    slips = {
        "German degrees (×17.85) under a heading of mg/L would fit": 1 / 17.848,
        "French degrees (×10) under a heading of mg/L would fit": 1 / 10,
        "meq/L (×50.04) under a heading of mg/L would fit": 1 / 50.043,
        "conductivity in mS/m (×10) under a heading of µS/cm would fit": 10.0,
        "conductivity in mS/cm (×1000) under a heading of µS/cm would fit": 1000.0,
    }
    thick = conductivity > units.thin_us_cm
    answers = {
        words: fresh
        & (mixed if factor > 1 else thick)
        & ~ordinary
        & (by_hardness * factor).between(lowest, highest)
        & (by_alkalinity * factor).between(lowest, highest)
        for words, factor in slips.items()
    }
    alternative = record.first_that_holds(conductivity.index, answers)
    suspect = (alternative != "").to_numpy()
    return pd.DataFrame(
        {
            "observed": by_hardness.where(by_alkalinity.notna()),
            "low": np.where(suspect, lowest, np.nan),
            "high": np.where(suspect, highest, np.nan),
            "analyte": "total_hardness alkalinity conductivity",
            "severity": record.first_that_holds(conductivity.index, {"hold": mixed, "note": ~mixed}),
            "ordinary": count,
            "conductivity_per_alkalinity": by_alkalinity,
            "alternative": alternative,
        }
    )

"""From a true water to what a laboratory, a meter and a drop kit write down of it.

A number is kept as it was written: raw number, unit, and the factor the file says it has. A kit has its count,
the degree of a drop and the two volumes. Spreads are those of published field audits and common practice:
conductivity 2.3 %, alkalinity 3.1 %, pH 0.02 between careful laboratories [USGS-NFQA]; a drop is ±3 % in size,
a vial ±2 % in volume, the drop that turns the colour is counted [CP].
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.normalise.derived import with_derived
from pipeline.normalise.sample_table import SampleTable, widen
from pipeline.normalise.titration import value_of_drops
from pipeline.normalise.uncertainty import with_uncertainty
from schemas.columns import ANALYTES
from schemas.methods import METHODS

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Floats


QUANTITIES: Final = (
    "temperature", "ph", "conductivity", "tds", "total_hardness", "alkalinity", "calcium", "magnesium", "sodium",
    "potassium", "bicarbonate", "chloride", "sulfate", "nitrate", "silica",
)  # fmt: skip
LABORATORY_SPREAD: Final = {  # standard deviation, relative [USGS-NFQA, CP]
    "conductivity": 0.012, "tds": 0.025, "total_hardness": 0.015, "alkalinity": 0.025, "calcium": 0.02,
    "magnesium": 0.025, "sodium": 0.025, "potassium": 0.03, "bicarbonate": 0.025, "chloride": 0.02,
    "sulfate": 0.025, "nitrate": 0.025, "silica": 0.04,
}  # fmt: skip
LABORATORY_LEAST: Final = 0.05  # mg/L
HARDNESS_UNITS: Final = {"°dH": 17.848, "mmol/L": 100.0869, "°f": 10.0, "mg/L": 1.0}  # mg/L as CaCO3 [IUPAC2021]
ALKALINITY_UNITS: Final = {"mmol/L": 50.0435, "°dH": 17.848, "mg/L": 1.0}  # mmol/L of charge, KS4.3 [DIN38409-7]
DROP_DEGREES: Final = {"°dH": 17.848, "°f": 10.0, "gpg": 17.118}
KINDS: Final = ("laboratory", "kit", "mixed")
DIGITS: Final = {"°dH": 1, "mmol/L": 2, "°f": 1}
IONS: Final = ("calcium", "magnesium", "sodium", "potassium", "chloride", "sulfate", "nitrate")
_METER_FACTOR: Final = {"natural": 0.67, "nacl": 0.50}  # TDS over EC [CP]


@dataclass
class Received:
    """What came in, one row per sample and one column per quantity; NaN where nothing was written.

    ``number · factor`` is the value as the file says it; a count of drops has `degree nominal used` instead.
    """

    about: pd.DataFrame
    number: pd.DataFrame
    factor: pd.DataFrame
    unit: pd.DataFrame
    method: pd.DataFrame
    degree: pd.DataFrame
    nominal: pd.DataFrame
    used: pd.DataFrame

    def copy(self) -> Received:
        """Give a copy a mistake can be planted in."""
        return replace(self, **{name: getattr(self, name).copy() for name in self.__dataclass_fields__})

    def values(self) -> pd.DataFrame:
        """Give the values as the file says them, in canonical units."""
        drops = self.number * self.degree * self.nominal / self.used
        return drops.where(self.degree.notna(), self.number * self.factor)


def written(waters: pd.DataFrame, about: pd.DataFrame, random: np.random.Generator) -> Received:
    """Measure waters as the kind of record (`about["record"]`) does and write the numbers down.

    Parameters
    ----------
    waters : as ``waters.draw`` gives them, RangeIndex.
    about : one row per water: `record` (of KINDS), `habit` (a number that is the same for all records of a
        site: the units, the kit and the meter a person owns), and the facts of the sample.
    random : source of chance.
    """
    count = len(waters)
    index = about.index
    blank = pd.DataFrame(np.nan, index=index, columns=list(QUANTITIES))
    words = pd.DataFrame("", index=index, columns=list(QUANTITIES), dtype=object)
    received = Received(
        about, blank.copy(), blank + np.nan, words.copy(), words.copy(), blank.copy(), blank.copy(), blank.copy()
    )
    record, habit = about["record"].to_numpy(), about["habit"].to_numpy()
    true = waters.set_axis(index)
    _laboratory(received, true, record != "kit", random)
    report = record == "laboratory"
    _sums(received, true, report, habit, random)
    _meter(received, true, ~report, habit, random)
    for code in ("total_hardness", "alkalinity"):
        _kit(received, true[code].to_numpy(), code, ~report, habit, random)
    assert len(received.number) == count
    return received


def _set(
    received: Received, code: str, where: npt.NDArray[np.bool_], number: Floats, factor: Floats, **words: object
) -> None:
    received.number.loc[where, code] = number[where]
    received.factor.loc[where, code] = factor[where]
    for name, word in words.items():
        column = getattr(received, name)
        column.loc[where, code] = word[where] if isinstance(word, np.ndarray) else word


def significant(values: Floats, digits: int = 3) -> Floats:
    """Round to a number of significant digits."""
    size = np.power(10.0, digits - 1 - np.floor(np.log10(np.maximum(np.abs(values), 1e-9))))
    return np.asarray(np.round(values * size) / size)


def _spread(values: Floats, code: str, random: np.random.Generator) -> Floats:
    relative = LABORATORY_SPREAD[code] * random.standard_normal(len(values))
    return np.maximum(values * (1 + relative) + 0.5 * LABORATORY_LEAST * random.standard_normal(len(values)), 0.05)


def _laboratory(
    received: Received, true: pd.DataFrame, where: npt.NDArray[np.bool_], random: np.random.Generator
) -> None:
    one = np.ones(len(true))
    for code in IONS:
        number = significant(_spread(true[code].to_numpy(), code, random))
        _set(received, code, where, number, one, unit="mg/L", method="laboratory")


def _sums(
    received: Received, true: pd.DataFrame, report: npt.NDArray[np.bool_], habit: Floats, random: np.random.Generator
) -> None:
    """Write what only a laboratory report has: alkalinity or bicarbonate, hardness, EC, pH, residue."""
    one = np.ones(len(true))
    bicarbonate = report & (habit % 10 < 6)
    number = significant(_spread(true["bicarbonate"].to_numpy(), "bicarbonate", random))
    _set(received, "bicarbonate", bicarbonate, number, one, unit="mg/L", method="laboratory")
    for code, units, where in (
        ("alkalinity", ALKALINITY_UNITS, report & ~bicarbonate),
        ("total_hardness", HARDNESS_UNITS, report & (habit % 7 < 5)),
    ):
        name = np.array(list(units), dtype=object)[(habit // 7 % len(units)).astype("int64")]
        factor = np.array([units[unit] for unit in name])
        digits = np.array([DIGITS.get(unit, 0) for unit in name])
        raw = _spread(true[code].to_numpy(), code, random) / factor
        number = np.where(digits > 0, np.round(raw * 10.0**digits) / 10.0**digits, significant(raw))
        _set(
            received,
            code,
            where,
            np.maximum(number, 10.0 ** -np.maximum(digits, 1)),
            factor,
            unit=name,
            method="laboratory",
        )
    silica = significant(_spread(true["silica"].to_numpy(), "silica", random))
    _set(received, "silica", report & (habit % 5 < 3), silica, one, unit="mg/L", method="laboratory")
    number = significant(_spread(true["conductivity"].to_numpy(), "conductivity", random))
    _set(received, "conductivity", report, number, one, unit="µS/cm", method="laboratory")
    ph = np.round(true["ph"].to_numpy() + 0.04 * random.standard_normal(len(true)), 2)
    _set(received, "ph", report, ph, one, unit="", method="laboratory")
    _set(
        received,
        "temperature",
        report,
        np.round(true["temperature"].to_numpy(), 1),
        one,
        unit="°C",
        method="laboratory",
    )
    residue = true[["calcium", "magnesium", "sodium", "potassium", "chloride", "sulfate", "nitrate", "silica"]].sum(
        axis=1
    )
    residue = (residue + 0.6 * true["alkalinity"]).to_numpy()  # 0.6 mg of carbonate left per mg CaCO3 [APHA1030]
    _set(received, "tds", report & (habit % 11 < 3), significant(_spread(residue, "tds", random)), one, unit="mg/L",
         method="laboratory")  # fmt: skip


def _meter(
    received: Received, true: pd.DataFrame, where: npt.NDArray[np.bool_], habit: Floats, random: np.random.Generator
) -> None:
    """Write what a person with a pen and a pH meter sees: the same cell gives EC and TDS."""
    count = len(true)
    one = np.ones(count)
    shown = true["conductivity"].to_numpy() * (1 + 0.02 * random.standard_normal(count)) + 0.5 * random.standard_normal(
        count
    )
    shown = np.maximum(shown, 0.5)
    _set(
        received,
        "conductivity",
        where,
        np.where(shown < 100.0, np.round(shown, 1), np.round(shown)),
        one,
        unit="µS/cm",
        method="meter",
    )
    factor = np.where(habit % 4 < 2, _METER_FACTOR["natural"], _METER_FACTOR["nacl"])
    _set(
        received,
        "tds",
        where & (habit % 3 < 2),
        np.maximum(np.round(shown * factor), 1.0),
        one,
        unit="ppm",
        method="meter",
    )
    lost = random.exponential(0.04, count)  # carbon dioxide that left the cup
    ph = np.round(true["ph"].to_numpy() + 0.07 * random.standard_normal(count) + lost, 1)
    _set(received, "ph", where, ph, one, unit="", method="meter")
    cool = np.round(true["temperature"].to_numpy() + 0.3 * random.standard_normal(count), 1)
    _set(received, "temperature", where, cool, one, unit="°C", method="meter")


def _kit(
    received: Received,
    true: Floats,
    code: str,
    where: npt.NDArray[np.bool_],
    habit: Floats,
    random: np.random.Generator,
) -> None:
    """Count drops: the one that turns the colour is counted."""
    count = len(true)
    name = np.array(list(DROP_DEGREES), dtype=object)[(habit // 3 % len(DROP_DEGREES)).astype("int64")]
    degree = np.array([DROP_DEGREES[unit] for unit in name])
    used = np.where(true < 60.0, 20.0, np.where(habit % 6 < 1, 5.0, 10.0))  # a careful person doubles soft water
    per_drop = degree * 10.0 / used
    size = (1 + 0.03 * random.standard_normal(count)) * (1 + 0.02 * random.standard_normal(count))
    drops = np.maximum(np.ceil(true * size / per_drop), 1.0)
    _set(received, code, where, drops, np.full(count, np.nan), method="drops")
    for frame, values in ((received.degree, degree), (received.nominal, np.full(count, 10.0)), (received.used, used)):
        frame.loc[where, code] = values[where]


def sample_table(received: Received) -> SampleTable:
    """Lay the record out as the checks see it, without going through files."""
    number = received.number.to_numpy()
    row, column = np.nonzero(~np.isnan(number))
    code = np.array(QUANTITIES, dtype=object)[column]

    def cells(frame: pd.DataFrame) -> npt.NDArray[np.object_]:
        return np.asarray(frame.to_numpy()[row, column])

    drops = ~np.isnan(cells(received.degree).astype("float64"))
    counted = np.where(drops, number[row, column], np.nan)
    degree, nominal, used = (
        cells(frame).astype("float64") for frame in (received.degree, received.nominal, received.used)
    )
    titrated = value_of_drops(counted, degree, nominal, used)
    value = np.where(drops, titrated["value"], number[row, column] * cells(received.factor).astype("float64"))
    unit = cells(received.unit).astype(str)
    readings = pd.DataFrame(
        {
            "row": row, "line": received.about["line"].to_numpy()[row], "column": code,
            "analyte": pd.Categorical(code, categories=list(ANALYTES)),
            "value": value, "unit": [ANALYTES[name].unit for name in code],
            "basis": [ANALYTES[name].basis for name in code], "qualifier": "", "limit": np.nan,
            "value_low": np.where(drops, titrated["value_low"], np.nan),
            "value_high": np.where(drops, titrated["value_high"], np.nan),
            "uncertainty": np.where(drops, titrated["uncertainty"], np.nan),
            "method": pd.Categorical(cells(received.method), categories=list(METHODS)),
            "form": np.where(drops, "drops", "value"), "drops": counted, "degree_per_drop": degree,
            "nominal_ml": nominal, "used_ml": used, "raw_text": [f"{x:g}" for x in number[row, column]],
            "raw_unit": unit, "raw_basis": "", "note": "", "instrument": "", "ambiguous": "", "status": "",
            "sample_id": received.about.index.to_numpy()[row], "counts": True, "new": True,
            "file_sha256": received.about["file_sha256"].to_numpy()[row],
        }
    )  # fmt: skip
    readings = readings.astype(dict.fromkeys(("unit", "basis", "qualifier", "form", "raw_unit", "column"), "category"))
    readings = with_uncertainty(readings)
    return with_derived(widen(received.about, readings))

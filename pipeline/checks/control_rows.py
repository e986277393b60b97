"""The control samples of a source: what each one should have read, and the waters whose readings stand on it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks import record
from pipeline.reference import records
from schemas.columns import CONTROLS

if TYPE_CHECKING:
    from pipeline.normalise.sample_table import SampleTable

_NUMBER: Final = re.compile(r"(?<![\w.,])\d+(?:[.,]\d+)?(?![\w.,])|(?<=[A-Za-z-])\d+(?:[.,]\d+)?(?![\w.,-])")
_APART: Final = re.compile(r"[\s_/()#,;:-]+")
_NEAR: Final = 2.0  # times more or less than what was read: a number of the label farther off is a lot or a day [CP]
_NO_WATER: Final = ("blank", "standard")
_NO_QUANTITY: Final = ("temperature",)


@dataclass(frozen=True)
class ControlRow:
    """One reading of one control: its `place` in the table, `true` and `added` are missing where nothing says them."""

    place: int
    kind: str
    called: str
    analyte: str
    value: float
    figure: float
    true: float
    added: float
    parent: int
    parent_value: float
    temperature_c: float
    day: str
    instrument: str
    method: str


@cache
def limits_of_control() -> dict[str, tuple[float, float]]:
    """Give quantity → (LOQ in its canonical unit, RPD of duplicates in %)."""
    return {str(row["analyte"]): (float(row["loq"]), float(row["rpd_percent"])) for row in records("control_limits")}


def control_rows(samples: SampleTable) -> list[ControlRow]:
    """List the readings of all controls; there are few of them beside the waters.

    Parameters
    ----------
    samples : controls among waters; `label comment activity` of a control say what it is.
    """
    kind = samples.fact("activity")
    control = kind.isin(CONTROLS)
    if not control.any() or samples.readings.empty:
        return []
    place = samples.once(record.positions)
    own = np.flatnonzero((place >= 0) & control[place])
    if "counts" in samples.readings:
        own = own[samples.readings["counts"].to_numpy(dtype="bool")[own]]
    labels, comments, files = (record.as_texts(samples.about, n) for n in ("label", "comment", "file_sha256"))
    called = record.names_of(samples.about)
    waters = {
        (files.iloc[at], labels.iloc[at].strip().casefold()): at
        for at in np.flatnonzero(~control & (labels != "").to_numpy()).tolist()
    }
    kinds = kind.series()
    measured = samples.measured
    days = samples.once(record.instants, "collected_at").astype("datetime64[D]")
    rows = samples.readings.iloc[own]
    told = []
    texts = [record.as_texts(rows, name) for name in ("analyte", "raw_text", "instrument", "method")]
    for at, value, analyte, text, instrument, method in zip(place[own].tolist(), rows["value"], *texts, strict=True):
        if analyte in _NO_QUANTITY:
            continue
        parent = _parent(labels.iloc[at], files.iloc[at], waters) if kinds.iloc[at] in ("duplicate", "spike") else -1
        words = labels.iloc[at][len(labels.iloc[parent]) :] if parent >= 0 else labels.iloc[at]
        numbers = _numbers(f"{words} {comments.iloc[at]}")
        figure, true = _meant(numbers, _number(text), float(value))
        told.append(
            ControlRow(
                place=at,
                kind=str(kinds.iloc[at]),
                called=str(called.iloc[at]),
                analyte=analyte,
                value=float(value),
                figure=figure,
                true=true,
                added=numbers[-1] if numbers and kinds.iloc[at] == "spike" else np.nan,
                parent=parent,
                parent_value=_of(samples, parent, analyte),
                temperature_c=float(measured["temperature_c"].iloc[at]),
                day="" if np.isnat(days[at]) else str(days[at]),
                instrument=instrument,
                method=method,
            )
        )
    return told


def stands_on(samples: SampleTable, found: pd.DataFrame) -> pd.DataFrame:
    """Give, for each failed control, the waters whose readings stand on it: of its source, its day and its quantity.

    Parameters
    ----------
    samples : the table.
    found : (k, …) `place` of a control and `analyte`; a control without a day is of every day of its source.

    Returns
    -------
    (m, …) frame `row` (of ``found``), `place` of a water and its `value`; duplicates and spikes are of water as well.
    """
    place = samples.once(record.positions)
    readings = samples.readings
    file = samples.fact("file_sha256").codes
    day = samples.once(record.instants, "collected_at").astype("datetime64[D]")
    control = samples.fact("activity").isin(_NO_WATER)
    analyte = readings["analyte"].astype("str").to_numpy()
    parts = []
    for row, (at, code) in enumerate(zip(found["place"].tolist(), found["analyte"].tolist(), strict=True)):
        mine = (place >= 0) & (analyte == code) & ~control[place] & (file[place] == file[at])
        if not np.isnat(day[at]):
            mine &= (day[place] == day[at]) | np.isnat(day[place])
        own = np.flatnonzero(mine)
        parts.append(pd.DataFrame({"row": row, "place": place[own], "value": readings["value"].to_numpy()[own]}))
    joined = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame({"row": [], "place": [], "value": []})
    return joined.drop_duplicates(["row", "place"]).astype({"row": "int64", "place": "int64"})


def _parent(label: str, file: str, waters: dict[tuple[str, str], int]) -> int:
    """Find the water that a duplicate or spike is of: the longest beginning of its label that names one."""
    ends = [match.start() for match in _APART.finditer(label)]
    for end in reversed(ends):
        found = waters.get((file, label[:end].strip().casefold()), -1)
        if found >= 0:
            return found
    return -1


def _of(samples: SampleTable, at: int, analyte: str) -> float:
    if at < 0:
        return np.nan
    mine = (samples.once(record.positions) == at) & (samples.readings["analyte"].astype("str") == analyte).to_numpy()
    values = samples.readings["value"].to_numpy(dtype="float64")[mine]
    return float(values[0]) if values.size else np.nan


def _number(text: str) -> float:
    numbers = _numbers(text)
    return numbers[0] if numbers else np.nan


@cache
def _numbers(text: str) -> tuple[float, ...]:
    return tuple(float(found.replace(",", ".")) for found in _NUMBER.findall(text))


def _meant(numbers: tuple[float, ...], written: float, value: float) -> tuple[float, float]:
    """Give the reading of a standard and its true value, both as written, or else both in the canonical unit."""
    true = _nearest(numbers, written)
    return (written, true) if not np.isnan(true) else (value, _nearest(numbers, value))


def _nearest(numbers: tuple[float, ...], figure: float) -> float:
    """Choose the number of a label that a reading of the standard can be meant to come to."""
    near = [n for n in numbers if n > 0 and figure > 0 and 1 / _NEAR <= figure / n <= _NEAR]
    return min(near, key=lambda n: abs(np.log(figure / n)), default=np.nan)

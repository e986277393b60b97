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
from pipeline.texts import TextColumn
from schemas.columns import CONTROLS

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.arrays import Flags, Places
    from pipeline.normalise.sample_table import SampleTable

_NUMBER: Final = re.compile(r"(?<![\w.,])\d+(?:[.,]\d+)?(?![\w.,])|(?<=[A-Za-z-])\d+(?:[.,]\d+)?(?![\w.,-])")
_APART: Final = re.compile(r"[\s_/()#,;:-]+")
_NEAR: Final = 2.0  # times more or less than what was read: a number of the label farther off is a lot or a day [CP]
_OF_A_WATER: Final = ("duplicate", "spike")
_NO_DAY: Final = np.iinfo("int64").min  # a missing day as a number
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
    waters = _waters_by_label(files, labels, control) if kind.isin(_OF_A_WATER).any() else {}
    kinds = kind.series()
    measured = samples.measured
    days = samples.once(record.instants, "collected_at").astype("datetime64[D]")
    rows = samples.readings.iloc[own]
    parents = (
        {at: _parent(labels.iloc[at], files.iloc[at], waters) for at in set(place[own].tolist())} if waters else {}
    )
    values = _values_of(samples, parents.values())
    told = []
    texts = [record.as_texts(rows, name) for name in ("analyte", "raw_text", "instrument", "method")]
    for at, value, analyte, text, instrument, method in zip(place[own].tolist(), rows["value"], *texts, strict=True):
        if analyte in _NO_QUANTITY:
            continue
        parent = parents.get(at, -1) if kinds.iloc[at] in _OF_A_WATER else -1
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
                parent_value=values.get((parent, analyte), np.nan),
                temperature_c=float(measured["temperature_c"].iloc[at]),
                day="" if np.isnat(days[at]) else str(days[at]),
                instrument=instrument,
                method=method,
            )
        )
    return told


def stands_on(samples: SampleTable, found: pd.DataFrame) -> pd.DataFrame:
    """Give, for each failed control, the waters whose readings stand on it: of its source, its day and its quantity.

    A reading is of the file that it stands in, whichever files its sample has; a control that two files state alike,
    as a sheet and its corrected issue do, is of both.

    Parameters
    ----------
    samples : the table.
    found : (k, …) `place` of a control and `analyte`; a control without a day is of every day of its source.

    Returns
    -------
    (m, …) frame `row` (of ``found``), `place` of a water and its `value`; duplicates and spikes are of water as well.
    """
    if found.empty:
        return pd.DataFrame({"row": [], "place": [], "value": []}).astype({"row": "int64", "place": "int64"})
    place = samples.once(record.positions)
    file = _files_of(samples, place)
    counts = samples.readings.get("counts", pd.Series(data=True, index=samples.readings.index)).to_numpy(dtype="bool")
    failed = found[["place", "analyte"]].astype({"place": "int64"}).assign(row=np.arange(len(found)))
    at = np.flatnonzero(np.isin(place, failed["place"].to_numpy()))
    failed = failed.merge(_keyed(samples, place, file, at).drop(columns="value"), on=["place", "analyte"])
    failed = failed.drop_duplicates()
    water = ~samples.fact("activity").isin(_NO_WATER)
    own = np.flatnonzero((place >= 0) & counts & water[place] & _of_any(samples, place, file, failed["file"].unique()))
    waters = _keyed(samples, place, file, own)
    days = [failed["day"] == _NO_DAY, waters["day"] == _NO_DAY]
    joined = pd.concat(
        [
            failed[~days[0]].merge(waters[~days[1]], on=["file", "day", "analyte"], suffixes=("_of", "")),
            failed[days[0]].merge(waters, on=["file", "analyte"], suffixes=("_of", "")),
            failed[~days[0]].merge(waters[days[1]], on=["file", "analyte"], suffixes=("_of", "")),
        ],
        ignore_index=True,
    )
    first = joined.sort_values(["row", "place"], kind="stable").drop_duplicates(["row", "place"])
    return first[["row", "place", "value"]].reset_index(drop=True)


def _files_of(samples: SampleTable, place: Places) -> Places:
    """Give the file of every reading, coded as those of the samples are; where it names none, that of its sample."""
    own = samples.fact("file_sha256")
    if "file_sha256" not in samples.readings:
        return own.codes[place]
    files = TextColumn.from_series(samples.readings["file_sha256"])
    known = {text: code for code, text in enumerate(own.texts)}
    codes = np.array([known.get(text, len(known) + at) for at, text in enumerate(files.texts)], dtype="int64")
    return np.where(files.stated(), codes[files.codes], own.codes[place]) if len(codes) else own.codes[place]


def _of_any(samples: SampleTable, place: Places, file: Places, wanted: Places) -> Flags:
    """Tell the readings that stand in one of some files, or whose sample does."""
    flags: Flags = np.isin(file, wanted) | np.isin(samples.fact("file_sha256").codes[place], wanted)
    return flags


def _keyed(samples: SampleTable, place: Places, file: Places, own: Places) -> pd.DataFrame:
    """Give sources, day and quantity of some readings, by which waters stand on a control.

    A reading is of its own file, and of the last one that states its sample.
    """
    day = samples.once(record.instants, "collected_at").astype("datetime64[D]").astype("int64")
    words = pd.Series(TextColumn.from_series(samples.readings["analyte"].iloc[own]).tolist(), dtype="str")
    value = samples.readings["value"].to_numpy()[own]
    frame = pd.DataFrame({"day": day[place[own]], "analyte": words, "place": place[own], "value": value})
    last = samples.fact("file_sha256").codes[place[own]]
    return pd.concat([frame.assign(file=file[own]), frame.assign(file=last)], ignore_index=True).drop_duplicates()


def _waters_by_label(files: pd.Series, labels: pd.Series, control: Flags) -> dict[tuple[str, str], int]:
    """Give source and label of every water → its place."""
    at = np.flatnonzero(~control & (labels != "").to_numpy())
    keys = zip(files.iloc[at], labels.iloc[at].str.strip().str.casefold(), strict=True)
    return dict(zip(keys, at.tolist(), strict=True))


def _values_of(samples: SampleTable, parents: Iterable[int]) -> dict[tuple[int, str], float]:
    """Give the readings of the waters that duplicates and spikes are of; the first of each quantity."""
    wanted = [at for at in set(parents) if at >= 0]
    if not wanted:
        return {}
    place = samples.once(record.positions)
    own = np.flatnonzero(np.isin(place, wanted))[::-1]
    rows = samples.readings.iloc[own]
    keys = zip(place[own].tolist(), rows["analyte"].astype("str"), strict=True)
    return dict(zip(keys, rows["value"].tolist(), strict=True))


def _parent(label: str, file: str, waters: dict[tuple[str, str], int]) -> int:
    """Find the water that a duplicate or spike is of: the longest beginning of its label that names one."""
    ends = [match.start() for match in _APART.finditer(label)]
    for end in reversed(ends):
        found = waters.get((file, label[:end].strip().casefold()), -1)
        if found >= 0:
            return found
    return -1


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

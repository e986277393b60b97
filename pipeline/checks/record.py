"""What a record says: columns that may be absent, read as text, numbers or moments."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.normalise.sample_table import column_numbers
from pipeline.problems import fill

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.normalise.sample_table import SampleTable

_MONTH_ONLY = 7  # characters of "2025-03"


def text(frame: pd.DataFrame, name: str) -> pd.Series:
    """Take a column as text; "" where it is absent or empty."""
    if name not in frame.columns:
        return pd.Series("", index=frame.index, dtype="str", name=name)
    column = frame[name]
    if column.dtype != "str":
        column = column.astype("str")
    return column.fillna("") if column.hasnans else column


def stated(frame: pd.DataFrame, name: str) -> npt.NDArray[np.bool_]:
    """Tell which rows say something in a text column; a category is looked up once per word."""
    if name not in frame.columns:
        return np.zeros(len(frame), dtype="bool")
    column = frame[name]
    if isinstance(column.dtype, pd.CategoricalDtype):
        filled = np.append(np.asarray(column.cat.categories != "", dtype="bool"), False)
        return filled[column.cat.codes.to_numpy()]
    return np.asarray(column.fillna("") != "", dtype="bool")


def number(frame: pd.DataFrame, name: str) -> pd.Series:
    """Take a column as 64-bit floats; missing where it is absent, empty or not a number."""
    if name not in frame.columns:
        return pd.Series(np.nan, index=frame.index, dtype="float64", name=name)
    return pd.to_numeric(frame[name], errors="coerce").astype("float64")


def moment(frame: pd.DataFrame, name: str) -> pd.Series:
    """Take a column as UTC moments; text counts only in ISO 8601, all else is missing.

    Each different text is read once, so a million rows cost what their days cost.
    """
    if name not in frame.columns:
        return pd.Series(pd.NaT, index=frame.index, name=name, dtype="datetime64[us, UTC]")
    column = frame[name]
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        return column.astype("datetime64[us, UTC]")
    codes, words = pd.factorize(column)
    read = pd.to_datetime(pd.Index(words).astype("str"), format="ISO8601", errors="coerce", utc=True)
    known = read.as_unit("us").append(pd.DatetimeIndex([pd.NaT], tz="UTC").as_unit("us"))
    return pd.Series(known.take(codes), index=frame.index, name=name)


def last_moment(frame: pd.DataFrame, name: str) -> pd.Series:
    """Take a column as the last instant it covers: the end of a day, or of a month without a day."""
    first = moment(frame, name).dt.floor("D")
    if name not in frame.columns or isinstance(frame[name].dtype, pd.DatetimeTZDtype):
        month_only = np.zeros(len(frame), dtype="bool")
    else:
        month_only = (text(frame, name).str.len() == _MONTH_ONLY).to_numpy(dtype="bool")
    after = first.where(~month_only, first + pd.offsets.MonthBegin(1)) if month_only.any() else first
    end: pd.Series = after + pd.to_timedelta(np.where(month_only, 0, 1), unit="D")
    return end


def mentions(words: pd.Series, pattern: str) -> npt.NDArray[np.bool_]:
    """Tell which texts contain a pattern, whatever the case of their letters; each text is searched once."""
    codes, texts = pd.factorize(words)
    found = pd.Series(texts, dtype="str").str.lower().str.contains(pattern, regex=True)
    return found.to_numpy(dtype="bool")[codes]


def days(duration: pd.Series) -> pd.Series:
    """Express durations in days, as floats."""
    in_days: pd.Series = duration.dt.total_seconds() / 86_400.0
    return in_days


def positions(samples: SampleTable, rows: pd.DataFrame) -> npt.NDArray[np.int64]:
    """Give the place of each reading's sample in the table, -1 where it has none."""
    index, owner = samples.about.index, rows["sample_id"]
    if not isinstance(owner.dtype, pd.CategoricalDtype):
        return index.get_indexer(pd.Index(owner)).astype("int64")
    place = index.get_indexer(pd.Index(owner.cat.categories)).astype("int64")
    codes = owner.cat.codes.to_numpy()
    return np.where(codes < 0, -1, place.take(codes)) if len(place) else codes.astype("int64")


def of_sample(samples: SampleTable, rows: pd.DataFrame, column: pd.Series) -> pd.Series:
    """Carry a column of the samples (index ``sample_id``) over to their readings."""
    values = column.array.take(positions(samples, rows), allow_fill=True)
    return pd.Series(values, index=rows.index, name=column.name)


def source(samples: SampleTable) -> pd.Series:
    """Name the file of every sample; "" where it is not known."""
    return text(samples.about, "file_sha256")


def instrument(samples: SampleTable, analytes: tuple[str, ...]) -> pd.Series:
    """Name the instrument of every sample: as the record says, else of its first reading of ``analytes``."""
    named = text(samples.about, "instrument")
    readings = samples.readings
    if (named != "").any() or "instrument" not in readings:
        return named
    chosen = readings.loc[readings["analyte"].isin(analytes).to_numpy(), ["sample_id", "instrument"]]
    place = positions(samples, chosen)
    known = stated(chosen, "instrument") & (place >= 0)
    codes, words = pd.factorize(chosen["instrument"][known])
    first = np.full(len(named), -1, dtype="int64")
    first[place[known][::-1]] = codes[::-1]
    result = np.append(np.asarray(words, dtype=object), "")[first]
    return pd.Series(result, index=named.index, dtype="str", name="instrument")


def analyte_codes(readings: pd.DataFrame) -> npt.NDArray[np.int64]:
    """Place every reading's quantity in ANALYTES; -1 where it is not one of them."""
    return column_numbers(readings["analyte"])


def grouped(frame: pd.DataFrame, names: tuple[str, ...]) -> npt.NDArray[np.int64]:
    """Give rows with equal texts in several columns the same number."""
    group = np.zeros(len(frame), dtype="int64")
    for name in names:
        code, words = pd.factorize(text(frame, name))
        group = pd.factorize(group * max(len(words), 1) + code)[0].astype("int64")
    return group


def first_that_holds(index: pd.Index, answers: Mapping[str, pd.Series | npt.NDArray[np.bool_]]) -> pd.Series:
    """Give every row the first answer whose condition it meets, "" if none; a category column."""
    conditions = [np.asarray(condition, dtype="bool") for condition in answers.values()]
    codes = np.select(conditions, range(1, len(conditions) + 1), default=0).astype("int8")
    words = pd.Categorical.from_codes(codes, categories=pd.Index(["", *answers]))
    return pd.Series(words, index=index)


def with_passing(found: pd.DataFrame, evaluated: pd.Index) -> pd.DataFrame:
    """Add a passing row (``observed`` 0) for every evaluated sample that has no row yet."""
    seen = evaluated.get_indexer(pd.Index(found["sample_id"].dropna().unique()).astype("str"))
    open_rows = np.ones(len(evaluated), dtype="bool")
    open_rows[seen[seen >= 0]] = False
    clean = evaluated[open_rows]
    passing = pd.DataFrame({"sample_id": clean, "observed": 0.0, "low": np.nan, "high": 0.0})
    if found.empty:
        return passing.reindex(columns=[*passing, *found.columns.difference(passing.columns)])
    return pd.concat([found, passing], ignore_index=True)


def worded(frame: pd.DataFrame, templates: Mapping[str, pd.Series | npt.NDArray[np.bool_]]) -> pd.Series:
    """Fill {name} templates for the rows that need words, each where its condition holds; "" elsewhere."""
    masks = {template: np.asarray(where, dtype="bool") for template, where in templates.items()}
    if not any(mask.any() for mask in masks.values()):
        silent = pd.Categorical.from_codes(np.zeros(len(frame), dtype="int8"), categories=pd.Index([""]))
        return pd.Series(silent, index=frame.index)
    words = np.full(len(frame), "", dtype=object)
    for template, mask in masks.items():
        words[mask] = fill(template, frame[mask].reset_index(drop=True)).to_numpy(dtype=object)
    return pd.Series(words, index=frame.index, dtype="str")


def range_words(low: pd.Series, high: pd.Series, where: npt.NDArray[np.bool_]) -> pd.Series:
    """Say a range that may be open: "at most 3.0", "at least 1.0", "1.0 to 3.0"; "" where not needed."""
    frame = pd.DataFrame({"low": low, "high": high})
    from_low, to_high = frame["low"].notna().to_numpy(), frame["high"].notna().to_numpy()
    return worded(
        frame,
        {
            "{low:1} to {high:1}": where & from_low & to_high,
            "at most {high:1}": where & ~from_low,
            "at least {low:1}": where & ~to_high,
        },
    )


def outside(frame: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Tell which rows the register will flag: `observed` outside `low` to `high`."""
    flag = (frame["observed"] < frame["low"]) | (frame["observed"] > frame["high"])
    return flag.to_numpy(dtype="bool")


def flagged_and_passing(samples: SampleTable, rows: pd.DataFrame) -> pd.DataFrame:
    """Keep the rows that will be findings, and one passing row for every other sample that was evaluated."""
    place = positions(samples, rows)[rows["observed"].notna().to_numpy()]
    judged = samples.about.index[np.unique(place[place >= 0])]
    return with_passing(rows[outside(rows)], judged)

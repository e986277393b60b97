"""What a record says: columns that may be absent, read as text, numbers or moments."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.normalise.sample_table import column_numbers, places
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from pipeline.arrays import Floats, Places
    from pipeline.normalise.sample_table import SampleTable

Instants: TypeAlias = npt.NDArray[np.datetime64]
_MONTH_ONLY = 7  # characters of "2025-03"


def as_texts(frame: pd.DataFrame, name: str) -> pd.Series:
    """Take a column as text; "" where it is absent or empty."""
    if name not in frame.columns:
        return pd.Series("", index=frame.index, dtype="str", name=name)
    column = frame[name]
    if column.dtype != "str":
        column = column.astype("str")
    return column.fillna("") if column.hasnans else column


def names_of(frame: pd.DataFrame) -> pd.Series:
    """Give what people call each sample; in a table that is not of files and lines its label."""
    return as_texts(frame, "called" if "called" in frame.columns else "label")


def as_numbers(frame: pd.DataFrame, name: str) -> pd.Series:
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


def instants(samples: SampleTable, name: str) -> Instants:
    """Take a fact of the samples as UTC moments [µs], as ``moment`` reads them."""
    return moment(samples.about, name).to_numpy(dtype="datetime64[us]")


def last_instants(samples: SampleTable, name: str) -> Instants:
    """Take a fact of the samples as the last moment it covers: the end of a day, or of a month without a day."""
    day = samples.once(instants, name).astype("datetime64[D]")
    end = day + np.timedelta64(1, "D")
    if name in samples.about and not isinstance(samples.about[name].dtype, pd.DatetimeTZDtype):
        month_only = samples.fact(name).lengths() == _MONTH_ONLY
        next_month = day.astype("datetime64[M]") + np.timedelta64(1, "M")
        end = np.where(month_only, next_month.astype("datetime64[D]"), end)
    return end.astype("datetime64[us]")


def days(later: Instants, earlier: Instants) -> Floats:
    """Count the days from one moment to another, missing where one of them is."""
    apart = later - earlier
    in_days = apart.astype("int64") / 1_000_000.0 / 86_400.0
    return np.where(np.isnat(apart), np.nan, in_days)


def dates(moments: Instants) -> npt.NDArray[np.object_]:
    """Write moments as ISO 8601 dates."""
    words: npt.NDArray[np.object_] = np.datetime_as_string(moments, unit="D").astype(object)
    return words


def positions(samples: SampleTable) -> Places:
    """Give the place of each reading's sample in the table, -1 where it has none."""
    return places(samples.about.index, samples.readings["sample_id"])


def said(samples: SampleTable, name: str) -> TextColumn:
    """Take a column of the readings as texts, each different one once; "" where it is absent or says nothing."""
    return TextColumn.of(samples.readings, name)


def instrument(samples: SampleTable, analytes: tuple[str, ...]) -> TextColumn:
    """Name the instrument of every sample: as the record says, else of its first reading of ``analytes``."""
    named = samples.fact("instrument")
    if named.stated().any() or "instrument" not in samples.readings:
        return named
    used, place = samples.once(said, "instrument"), samples.once(positions)
    chosen = np.flatnonzero(used.stated() & samples.once(said, "analyte").isin(analytes) & (place >= 0))[::-1]
    first = np.full(len(samples), len(used.texts))
    first[place[chosen]] = used.codes[chosen]
    return TextColumn(first, (*used.texts, ""))


def analyte_codes(samples: SampleTable) -> Places:
    """Place every reading's quantity in ANALYTES; -1 where it is not one of them."""
    return column_numbers(samples.readings["analyte"])

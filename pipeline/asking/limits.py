"""Answers to "below which limit?": the limit of a quantity whose cells only say that it was not detected."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, NamedTuple

import pandas as pd

from pipeline.asking.drop_worths import plain_number
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from pipeline.arrays import Flags
    from pipeline.ingest.extract import Extract

_LIMIT: Final = re.compile(r"<\s*(?P<number>\d+(?:[.,]\d+)?)\s*(?P<unit>.*)")


class StatedLimit(NamedTuple):
    """A limit: its number with a decimal point, and its unit, "" for that of the column."""

    number: str
    unit: str


def stated_limit(text: str) -> StatedLimit | None:
    """Read an answer such as "<0.5 mg/L"; None if it is a unit.

    Example
    -------
    >>> stated_limit("<0,5 mg/L"), stated_limit("mg/L")
    (StatedLimit(number='0.5', unit='mg/L'), None)
    """
    found = _LIMIT.fullmatch(text.strip())
    return StatedLimit(plain_number(found["number"]), found["unit"].strip()) if found else None


def without_limit(table: Extract) -> Flags:
    """Tell the cells of a table that say "not detected" and have no limit."""
    words = {word.strip().casefold() for word in table.non_detect}
    code, distinct = pd.factorize(table.cells["raw_text"])
    below = pd.Series(distinct, dtype="str").str.strip().str.casefold().isin(words).to_numpy(dtype=bool)
    return below[code] & ~TextColumn.from_series(table.cells["limit_text"]).stated()


def with_limit(cells: pd.DataFrame, where: Flags, limit: StatedLimit) -> pd.DataFrame:
    """Give cells a limit."""
    columns = {"limit_text": limit.number, "limit_unit": limit.unit}
    return cells.assign(
        **{name: TextColumn.from_series(cells[name]).where(where, text).category() for name, text in columns.items()}
    )

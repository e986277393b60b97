"""The columns in which a check gives its cases: numbers or texts, one for all rows or one for each."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from pipeline.arrays import Flags, Floats, Places
from pipeline.problems import filled
from pipeline.texts import TextColumn, concatenated

CaseColumn: TypeAlias = float | str | npt.NDArray[Any] | TextColumn | pd.Series
Cases: TypeAlias = Mapping[str, CaseColumn]
Plain: TypeAlias = Floats | pa.Array


def picked(column: CaseColumn, rows: Places) -> Plain:
    """Take some rows of a column: 64-bit floats, or texts (as a dictionary where few say it all)."""
    if isinstance(column, TextColumn):
        return pa.DictionaryArray.from_arrays(pa.array(column.codes[rows]), pa.array(column.texts, pa.string()))
    if isinstance(column, str):
        return pa.DictionaryArray.from_arrays(pa.array(np.zeros(len(rows), dtype="int8")), [column])
    if not isinstance(column, np.ndarray | pd.Series):
        return np.full(len(rows), column, dtype="float64")
    chosen = column[rows] if isinstance(column, np.ndarray) else column.array.take(rows)
    if chosen.dtype.kind in "fiub":
        return np.asarray(chosen, dtype="float64")
    return pa.array(np.asarray(chosen, dtype=object), pa.string(), from_pandas=True)


def taken(column: CaseColumn, rows: Places | Flags) -> CaseColumn:
    """Keep some rows of a column as it is; what holds for all rows still does."""
    if isinstance(column, TextColumn):
        return column.take(rows)
    if isinstance(column, pd.Series):
        return column.iloc[rows]
    return column[rows] if isinstance(column, np.ndarray) else column


def spelt(column: Plain) -> Plain:
    """Write a dictionary of texts out row by row; any other column is what it is."""
    return column.dictionary.take(column.indices) if isinstance(column, pa.DictionaryArray) else column


def stacked_cases(*parts: Cases) -> dict[str, CaseColumn]:
    """Lay groups of rows under one another; a column that a group does not have is missing there.

    Every group has an array ``observed`` of its length.
    """
    lengths = [len(np.asarray(part["observed"])) for part in parts]
    names = dict.fromkeys(name for part in parts for name in part)
    return {name: _joined([part.get(name) for part in parts], lengths) for name in names}


def _joined(columns: list[CaseColumn | None], lengths: list[int]) -> CaseColumn:
    """Join arrays as they are, few texts as few texts, and whatever is mixed or missing row by row."""
    whole = [column for column in columns if isinstance(column, np.ndarray)]
    if len(whole) == len(columns):
        return np.concatenate(whole)
    few = [_repeated(column, length) for column, length in zip(columns, lengths, strict=True)]
    known = [column for column in few if column is not None]
    if len(known) == len(columns):
        return concatenated(known)
    plain = [
        None if column is None else spelt(picked(column, np.arange(length)))
        for column, length in zip(columns, lengths, strict=True)
    ]
    numeric = all(column is None or isinstance(column, np.ndarray) for column in plain)
    pieces = [
        np.full(length, np.nan if numeric else None) if column is None else np.asarray(column)
        for column, length in zip(plain, lengths, strict=True)
    ]
    return np.concatenate(pieces)


def _repeated(column: CaseColumn | None, length: int) -> TextColumn | None:
    if isinstance(column, str):
        return TextColumn.constant(column, length)
    return column if isinstance(column, TextColumn) else None


def worded(count: int, columns: Cases, templates: Mapping[str, Flags]) -> CaseColumn:
    """Fill {name} templates for the rows that need words, each where its condition holds; "" elsewhere.

    Parameters
    ----------
    count : of rows.
    columns : what the templates name.
    templates : template -> (n,) flags; where several hold, the last one counts.
    """
    words = np.full(count, "", dtype=object)
    for template, where in templates.items():
        rows = np.flatnonzero(where)
        if not len(rows):
            continue
        named = {name: spelt(picked(column, rows)) for name, column in columns.items() if f"{{{name}" in template}
        words[rows] = np.asarray(filled(template, named)) if named else template
    return words


def first_that_holds(count: int, answers: Mapping[str, Flags]) -> TextColumn:
    """Give every row the first answer whose condition it meets, "" if none."""
    code = np.zeros(count, dtype="int8")
    for place, condition in reversed(list(enumerate(answers.values(), start=1))):
        code[condition] = place
    return TextColumn(code, ("", *answers))


def either(flags: Flags, yes: str, no: str) -> TextColumn:
    """Word a yes or no for every row."""
    return TextColumn(flags.astype("int8"), (no, yes))


def fitting(count: int, answers: Mapping[str, Flags], otherwise: str = "") -> TextColumn:
    """Name every answer that fits a row, joined by "; or "; ``otherwise`` where none does.

    Several answers may fit: then the data cannot tell and a person is asked. Rows with the same
    answers are worded once.
    """
    pattern = np.zeros(count, dtype="int64")
    for place, fits in enumerate(answers.values()):
        pattern |= fits.astype("int64") << place
    code, patterns = pd.factorize(pattern)
    names = list(answers)
    texts = [
        _listed([name for place, name in enumerate(names) if found >> place & 1]) or otherwise
        for found in patterns.tolist()
    ]
    return TextColumn(code, tuple(texts))


def _listed(answers: list[str]) -> str:
    """Join answers to one phrase; only the first keeps its capital."""
    lowered = [words[:1].lower() + words[1:] if words[1:2].islower() else words for words in answers]
    return "; or ".join([*answers[:1], *lowered[1:]])


def range_words(low: Floats, high: Floats, where: Flags) -> CaseColumn:
    """Say a range that may be open: "at most 3.0", "at least 1.0", "1.0 to 3.0"; "" where not needed."""
    from_low, to_high = ~np.isnan(low), ~np.isnan(high)
    templates = {
        "{low:1} to {high:1}": where & from_low & to_high,
        "at most {high:1}": where & ~from_low,
        "at least {low:1}": where & ~to_high,
    }
    return worded(len(low), {"low": low, "high": high}, templates)


def within(values: Floats, low: float, high: float) -> Flags:
    """Tell which values lie between two bounds, both included."""
    inside: Flags = (values >= low) & (values <= high)
    return inside


def outside(observed: Floats, low: float | Floats, high: float | Floats) -> Flags:
    """Tell which rows the register will flag: ``observed`` outside ``low`` to ``high``."""
    flagged: Flags = (observed < low) | (observed > high)
    return flagged

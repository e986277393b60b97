"""Columns headed with the act of sampling ("Probenahme"): its day or its place; with a month or week: the date."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from pipeline.ingest.name_vocabulary import word_meanings
from pipeline.ingest.spellings import heading_words, key, word_keys, word_table

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    import numpy.typing as npt

    from pipeline.ingest.columns import SourceColumn
    from pipeline.ingest.grid import Grid

_WITH_YEAR: Final = re.compile(r"\b(?:19|20)\d\d\b|[^\W\d]{3,}\.?[-'’/]\d\d$")
_DATED: Final = re.compile(r"\d{1,4}\s?[-./年]\s?\d{1,2}|\b(?:19|20)\d\d\b")


def names_sampling(heading: str) -> bool:
    """Tell a heading that names the act of sampling, and neither its day nor its place.

    Example
    -------
    >>> names_sampling("Prélèvement"), names_sampling("Date du prélèvement")
    (True, False)
    """
    return word_meanings(" ".join(heading.split())) == ("sampling",)


def with_sampling_columns(
    columns: tuple[SourceColumn, ...], grid: Grid, rows: npt.NDArray[np.int64]
) -> tuple[SourceColumn, ...]:
    """Take a column of sampling for the day where its cells hold days, for the point where none of them does.

    The columns stay the same where none is open: files are read together by that.

    Parameters
    ----------
    columns : as their headings are read.
    grid, rows : the table, and the positions of body rows to look at.
    """
    columns = _with_periods(columns, grid, rows)
    if not any(map(_is_open, columns)):
        return columns
    taken = {column.code for column in columns if column.role == "about" and not names_sampling(column.heading)}
    return tuple(_settled(column, grid, rows, taken) if _is_open(column) else column for column in columns)


def _with_periods(
    columns: tuple[SourceColumn, ...], grid: Grid, rows: npt.NDArray[np.int64]
) -> tuple[SourceColumn, ...]:
    """Take the months or weeks of a table that has no other date for its dates, where they say their year."""
    if any(column.role == "about" and column.code == "collected_on" for column in columns):
        return columns
    for column in columns:
        if column.role in ("unknown", "ignored") and _period(column.heading) in _periods():
            cells = [text for text in grid.cells(column.position, rows).to_pylist() if text.strip()]
            if cells and all(map(_WITH_YEAR.search, cells)):
                dated = replace(column, role="about", code="collected_on")
                return tuple(dated if one is column else one for one in columns)
    return columns


def _period(heading: str) -> str:
    """Give the heading folded, without the stage of a group that stands above it: "Rohwasser KW"."""
    before, _, last = key(heading).rpartition(" ")
    return last if word_table("stages").get(before) else key(heading)


@lru_cache(maxsize=1)
def _periods() -> frozenset[str]:
    return frozenset(word_keys([*heading_words()["months as headings"], *heading_words()["weeks as headings"]], "de"))


@lru_cache(maxsize=1024)
def names_week(heading: str) -> bool:
    """Tell a heading of weeks, under which "10/2026" is the tenth week and not October."""
    return _period(heading) in word_keys(heading_words()["weeks as headings"], "de")


def _is_open(column: SourceColumn) -> bool:
    dated = column.role == "about" and column.code == "collected_on" and not column.own
    return (dated or column.role == "unknown") and names_sampling(column.heading)


def _settled(column: SourceColumn, grid: Grid, rows: npt.NDArray[np.int64], taken: set[str]) -> SourceColumn:
    code = _said(grid.cells(column.position, rows).to_pylist())
    if not code:
        return column
    return replace(column, role="unknown", code="") if code in taken else replace(column, role="about", code=code)


def _said(cells: Sequence[str]) -> str:
    """Name the field of the cells, "" where they are empty or only some of them hold a day."""
    dated = [_DATED.search(text) is not None for text in set(cells) if text.strip()]
    if not dated:
        return ""
    return "collected_on" if all(dated) else "" if any(dated) else "sampling_point"

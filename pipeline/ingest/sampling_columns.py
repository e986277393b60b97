"""Columns headed with nothing but the act of sampling ("Probenahme", "Prélèvement"): its day, or its place."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pipeline.ingest.name_vocabulary import word_meanings

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    import numpy.typing as npt

    from pipeline.ingest.columns import SourceColumn
    from pipeline.ingest.grid import Grid

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
    if not any(map(_is_open, columns)):
        return columns
    taken = {column.code for column in columns if column.role == "about" and not names_sampling(column.heading)}
    return tuple(_settled(column, grid, rows, taken) if _is_open(column) else column for column in columns)


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

"""A column of units under a heading nobody knows ("Ud.", "x4"): in a long table its cells say what it is."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pipeline.notation.grammar import is_unit

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from pipeline.ingest.columns import SourceColumn
    from pipeline.ingest.grid import Grid

_MOST_UNITS: Final = 40  # different ones in a column
_SHARE: Final = 0.6  # of the different texts; the rest may be units nobody knows, and is told as such
_OF_ITSELF: Final = frozenset({"ph", "%"})  # may as well name a quantity, or how sure a result is


def with_unit_column(
    columns: tuple[SourceColumn, ...], grid: Grid, rows: npt.NDArray[np.int64]
) -> tuple[SourceColumn, ...]:
    """Take the one column of units of a long table for what it is, where no heading names one.

    Parameters
    ----------
    columns : of a table with one result a row, as their headings are read.
    grid, rows : the table, and the positions of its body rows.
    """
    if any(column.role == "unit" or (column.role == "measurement" and column.unit) for column in columns):
        return columns
    found = [
        column
        for column in columns
        if column.role == "unknown" and _are_units(grid.few_texts(column.position, rows, _MOST_UNITS))
    ]
    if len(found) != 1:
        return columns
    return tuple(replace(column, role="unit") if column is found[0] else column for column in columns)


def _are_units(distinct: frozenset[str]) -> bool:
    said = distinct - {""}
    units = {text for text in said if is_unit(text)}
    return bool({text.casefold() for text in units} - _OF_ITSELF) and len(units) >= _SHARE * len(said)

"""Columns of signs under headings nobody knows: "<" and ">" that stand beside the numbers they belong to."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pipeline.ingest.columns import CENSORING_SIGNS

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    import numpy.typing as npt

    from pipeline.ingest.columns import SourceColumn
    from pipeline.ingest.grid import Grid
    from pipeline.ingest.layout_file import Layout

_CANDIDATES: Final = ("unknown", "status")
_LONGEST_FLAG: Final = 3  # letters; what else stands in a column of signs is a flag of the laboratory
_MOST_FLAGS: Final = 20


def with_sign_columns(
    columns: tuple[SourceColumn, ...], grid: Grid, rows: npt.NDArray[np.int64], layout: Layout, *, wide: bool
) -> tuple[SourceColumn, ...]:
    """Take columns of signs for what they are: a "<" that nobody reads would make a result of a limit.

    In a table with one result a row such a column belongs to the result. In one with a sample a row (``wide``) it
    belongs to the quantity next to it: to the right one unless all such columns of the table follow theirs. A sign in
    every row says something else of the results, that they keep to a limit, and is left as it is.

    Parameters
    ----------
    columns : as their headings are read.
    grid, rows : the table, and the positions of its body rows.
    layout : of the table.
    wide : whether it has one sample a row.
    """
    if any(column.role == "qualifier" for column in columns):
        return columns
    found = [
        column
        for column in columns
        if column.role in _CANDIDATES
        and column.heading.strip()
        and _are_signs(grid.few_texts(column.position, rows, _MOST_FLAGS), layout)
    ]
    if not found:
        return columns
    read = _beside_quantities(columns, found) if wide else {c.position: replace(c, role="qualifier") for c in found}
    return tuple(read.get(column.position, column) for column in columns)


def _are_signs(distinct: frozenset[str], layout: Layout) -> bool:
    said = distinct - {*layout.missing, ""}
    signs = {text for text in said if CENSORING_SIGNS.get(text)}
    flags = said - signs
    in_every_row = said == signs and said == distinct
    return bool(signs) and not in_every_row and all(len(text) <= _LONGEST_FLAG and not text.isdigit() for text in flags)


def _beside_quantities(columns: Sequence[SourceColumn], found: Sequence[SourceColumn]) -> dict[int, SourceColumn]:
    """Give each column of signs the quantity it stands beside."""
    measured = {column.position: column for column in columns if column.role == "measurement" and column.analyte}
    behind = all(column.position - 1 in measured for column in found) and not all(
        column.position + 1 in measured for column in found
    )
    beside = {column: measured.get(column.position + (-1 if behind else 1)) for column in found}
    return {
        column.position: replace(column, role="companion", code="qualifier", analyte=of.analyte, stage=of.stage)
        for column, of in beside.items()
        if of is not None
    }

"""A name that is written once above the rows it holds for: merged cells, rows that only name a group."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from pipeline.problems import problem_frame

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt
    import pandas as pd

    from pipeline.arrays import Flags, Places
    from pipeline.ingest.columns import SourceColumn
    from pipeline.ingest.entries import Source
    from pipeline.texts import TextColumn

NAMED_ONCE: Final = ("label", "site", "sampling_point", "client", "collected_on")


class FilledDown(NamedTuple):
    """A field that rows took from a row above: the column, the first of these rows and how many they are."""

    column: str
    line: int
    text: str
    rows: int


def filled_down(
    source: Source, columns: Sequence[SourceColumn], stated: TextColumn, at: npt.NDArray[np.int64]
) -> tuple[TextColumn, FilledDown | None]:
    """Give rows that do not name their sample, place or day the name that stands last above them.

    In a long table a name holds for the results below it; in one with a sample a row only where it has a row of its
    own, above the rows of its group. A layout of its own headings alone is written by a program: there every row says
    what it knows, and an empty cell is one.

    Parameters
    ----------
    source : the table.
    columns : that state the field.
    stated : what they say in the rows ``at``.
    at : (r,) positions among the body rows.
    """
    silent = ~stated.stated()
    if (
        source.match.layout.own.only
        or not silent.any()
        or (source.match.orientation == "samples-in-rows" and not silent.all())
    ):
        return stated, None
    everywhere = source.first_stated(columns, np.arange(len(source.rows), dtype=np.int64))
    said = everywhere.stated()
    last = np.maximum.accumulate(np.where(said, np.arange(len(said)), -1))[at]
    known = silent & (last >= 0) & (source.table_of(np.maximum(last, 0)) == source.table_of(at))
    if not known.any():
        return stated, None
    above = everywhere.take(np.maximum(last, 0))
    filled = above.over(stated, known)
    first = int(np.flatnonzero(known)[0])
    line = int(source.grid.line[source.rows[at[first]]])
    return filled, FilledDown(columns[0].heading, line, filled.texts[filled.codes[first]], int(known.sum()))


def tables_filled_down(source: Source, table: Places, size: int) -> Flags:
    """Tell the tables of a stack in which a name may hold for rows below it.

    Parameters
    ----------
    source : the stack.
    table : (n,) number of the table of each body row.
    size : how many tables there are.
    """
    found = np.zeros(size, dtype=bool)
    # In a table with a sample a row only one with rows of names alone is; those hold no entry.
    if source.match.layout.own.only or source.match.orientation == "samples-in-rows":
        return found
    everywhere = np.arange(len(source.rows), dtype=np.int64)
    for field in NAMED_ONCE:
        columns = [c for c in source.match.columns if c.role == "about" and c.code == field and not c.analyte]
        if columns:
            said = source.first_stated(columns, everywhere).stated()
            found |= (np.bincount(table, said, size) > 0) & (np.bincount(table, ~said, size) > 0)
    return found


def filled_notices(filled: Sequence[FilledDown], file_sha256: str) -> list[pd.DataFrame]:
    """Tell once of each field that rows took from above."""
    return [
        problem_frame(
            "named-above",
            file_sha256=file_sha256,
            line=one.line,
            column=" ".join(one.column.split()),
            raw_text=one.text,
            detail="1 row" if one.rows == 1 else f"{one.rows} rows",
        )
        for one in filled
    ]

"""A name that is written once above the rows it holds for: merged cells, rows that only name a group."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from pipeline.ingest.control_words import control_kinds
from pipeline.ingest.second_columns import by_weight
from pipeline.problems import problem_frame

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt
    import pandas as pd

    from pipeline.arrays import Flags, Places
    from pipeline.ingest.columns import SourceColumn
    from pipeline.ingest.entries import Source
    from pipeline.texts import TextColumn

NAMED_ONCE: Final = ("label", "site", "sampling_point", "client", "collected_on")
_OF_VISIT: Final = ("client", "site", "collected_on")  # what the samples of one visit have in common
_AT_LEAST: Final = 2  # of these, for a row that is silent on all of them to belong to the visit above


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


def visits_filled_down(
    source: Source, stated: Mapping[str, TextColumn], at: npt.NDArray[np.int64]
) -> tuple[dict[str, TextColumn], tuple[FilledDown, ...]]:
    """Give samples a row, whose client, site and day are all left empty, those of the row above them.

    So sheets look in which these cells are merged, or are written once for a visit. A row that lacks but one of them
    says what it knows, and so does one without a name or point of its own.

    Parameters
    ----------
    source : the table.
    stated : what the rows ``at`` say.
    at : (r,) positions among the body rows.
    """
    fields = dict(stated)
    of_visit = _visit_columns(source)
    if not of_visit:
        return fields, ()
    everywhere = np.arange(len(source.rows), dtype=np.int64)
    said = {field: source.first_stated([column], everywhere) for field, column in of_visit.items()}
    named = np.logical_or.reduce([column.stated() for column in said.values()])
    own = stated["label"].stated() & ~control_kinds(stated["label"]).stated() | stated["sampling_point"].stated()
    silent = own & ~named[at]
    last = np.maximum.accumulate(np.where(named, everywhere, -1))[at]
    known = silent & (last >= 0) & (source.table_of(np.maximum(last, 0)) == source.table_of(at))
    told = []
    for field, column in said.items():
        fields[field] = column.take(np.maximum(last, 0)).over(fields[field], known)
        filled = known & fields[field].stated()
        if filled.any():
            first = int(np.flatnonzero(filled)[0])
            text = fields[field].texts[fields[field].codes[first]]
            line = int(source.grid.line[source.rows[at[first]]])
            told.append(FilledDown(of_visit[field].heading, line, text, int(filled.sum())))
    return fields, tuple(told)


def _visit_columns(source: Source) -> dict[str, SourceColumn]:
    """Give the columns of client, site and day left of all readings, {} where fewer than two of them are filled."""
    if source.match.layout.own.only or source.match.orientation != "samples-in-rows":
        return {}
    end = min((column.position for column in source.match.measured), default=0)
    found: dict[str, SourceColumn] = {}
    for column in by_weight(source.match.columns):
        if column.role == "about" and column.code in _OF_VISIT and not column.analyte and column.position < end:
            found.setdefault(column.code, column)
    filled = {field: column for field, column in found.items() if any(source.category(column.position).texts)}
    return filled if len(filled) >= _AT_LEAST else {}


def tables_filled_down(source: Source, table: Places, size: int, samples: Flags) -> Flags:
    """Tell the tables of a stack in which a name may hold for rows below it.

    Parameters
    ----------
    source : the stack.
    table : (n,) number of the table of each body row.
    size : how many tables there are.
    samples : (n,) body rows that are no limits, averages or the like.
    """
    found = np.zeros(size, dtype=bool)
    everywhere = np.arange(len(source.rows), dtype=np.int64)
    if source.match.layout.own.only or source.match.orientation == "samples-in-rows":
        # In a table with a sample a row, rows of names alone hold no entry; rows that lack a whole visit may.
        visits = [source.first_stated([one], everywhere).stated() for one in _visit_columns(source).values()]
        return np.bincount(table, samples & ~np.logical_or.reduce(visits), size) > 0 if visits else found
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

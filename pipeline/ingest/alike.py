"""Tables of several files under the same headings, taken to text as one: what depends on headings is done once.

A table of which more is to be told than its headings and its rows say (a limit among its samples, names that are
written once, a code for a gap) is left to be taken by itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import accumulate
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.ingest.cell_frame import column_name
from pipeline.ingest.column_notices import NAMING, column_notices
from pipeline.ingest.entries import Source
from pipeline.ingest.extract import as_extract, take_entries
from pipeline.ingest.fill_down import tables_filled_down
from pipeline.ingest.grid import Grid, first_cells
from pipeline.ingest.long_entries import names_by_company
from pipeline.ingest.missing_codes import gap_rows, like_codes, missing_word_notices
from pipeline.ingest.row_fields import field_headings, remarkable, word_notices
from pipeline.ingest.row_kinds import lettered_rows, rows_above, vanished_notices
from pipeline.ingest.second_columns import rows_of_second_columns
from pipeline.ingest.table_part import TablePart
from pipeline.ingest.unread_columns import unread_columns
from pipeline.problems import no_problems
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    from pipeline.arrays import Flags, Places
    from pipeline.ingest.extract import Extract, TakenEntries
    from pipeline.ingest.matching import Match
    from pipeline.ingest.unread_columns import Unread

_ORIENTATIONS: Final = ("samples-in-rows", "results-in-rows")
_VARIED: Final = 5_000  # texts of a column from which not every one of them is looked up


@dataclass(frozen=True)
class FileTable:
    """The one table of a text file: its grid, how it is read, and the file."""

    grid: Grid
    match: Match
    file_sha256: str


@dataclass(frozen=True)
class TakenTable:
    """What the table of one file holds; else as ``Extract`` has it."""

    part: TablePart
    entries: int
    set_aside: pd.DataFrame
    notices: pd.DataFrame
    left_out: tuple[str, ...]

    def alone(self) -> Extract:
        """Give the table as one of its own."""
        whole, rows, places = self.part.whole, self.part.rows, self.part.cells
        cells = whole.cells.iloc[places.start : places.stop].reset_index(drop=True)
        unread = whole.cells_not_read
        return replace(
            whole,
            rows=whole.rows.iloc[rows.start : rows.stop].reset_index(drop=True),
            cells=cells.assign(row=cells["row"] - rows.start),
            set_aside=self.set_aside,
            notices=self.notices,
            entries=self.entries,
            left_out=self.left_out,
            cells_not_read=None if unread is None else unread[rows.start : rows.stop],
        )


def headings_alike(table: FileTable) -> Hashable:
    """Give what tables that can be taken together have in common; None for one that cannot.

    The columns of a match are the same object for the same headings under the same layout.
    """
    grid, match = table.grid, table.match
    if (
        match.layout.kind != "measurements"
        or match.orientation not in _ORIENTATIONS
        or grid.sheet
        or grid.cut_off
        or match.body >= len(grid)
    ):
        return None
    heads = tuple(tuple(grid.row(row)) for row in range(match.header_row, match.body))
    return id(match.layout), id(match.columns), match.orientation, match.header_row, match.body, heads


def take_alike(tables: Sequence[FileTable]) -> dict[int, TakenTable]:
    """Take the tables of several files to text at once.

    Parameters
    ----------
    tables : of the same headings (``headings_alike``).

    Returns
    -------
    By their numbers what tables hold; what is missing is to be taken by itself.
    """
    if column_notices(Source(tables[0].grid, tables[0].match, np.zeros(0, dtype=np.int64)), ""):
        return {}
    unread = [unread_columns(_own(table)) for table in tables]
    found: dict[int, TakenTable] = {}
    for measured in dict.fromkeys(one.measured for one in unread):
        found |= _taken(tables, unread, [number for number, one in enumerate(unread) if one.measured == measured])
    return found


def _taken(tables: Sequence[FileTable], unread: Sequence[Unread], numbers: Sequence[int]) -> dict[int, TakenTable]:
    """Take those of the tables that have the same columns of figures which nothing is read from."""
    kept = list(numbers)
    while len(kept) > 1:
        chosen = [tables[number] for number in kept]
        source = _stacked(chosen)
        if _too_varied(source):
            break
        taken = take_entries(source, unread[kept[0]], "", "")
        odd = _odd(source, taken, len(chosen))
        if not odd.any():
            return dict(zip(kept, _parts(source, taken, [unread[number] for number in kept], chosen), strict=True))
        kept = [number for number, left in zip(kept, odd.tolist(), strict=True) if not left]
    return {}


def _stacked(tables: Sequence[FileTable]) -> Source:
    """Put the rows below the headings of all tables below the headings of the first; lines are counted through."""
    grids = [table.grid for table in tables]
    body = tables[0].match.body
    begin = [0, *(int(grid.first[body]) for grid in grids[1:])]
    first_row = [0, *[body] * (len(grids) - 1)]
    count = np.concatenate([grid.count[row:] for grid, row in zip(grids, first_row, strict=True)])
    before = [0, *accumulate(int(grid.line[-1]) for grid in grids)]
    line = [grid.line[row:] + lines for grid, row, lines in zip(grids, first_row, before[:-1], strict=True)]
    cells = [
        grid.flat.slice(start, int(grid.first[-1] + grid.count[-1]) - start).cast(pa.string())
        for grid, start in zip(grids, begin, strict=True)
    ]
    grid = Grid(
        flat=pa.concat_arrays(cells), first=first_cells(count), count=count, line=np.concatenate(line).astype(np.int32)
    )
    match = tables[0].match
    return Source(
        grid,
        match,
        match.rows(grid),
        last_lines=np.array(before[1:-1], dtype=np.int32),
        preambles=tuple(table.match.preamble for table in tables),
    )


def _too_varied(source: Source) -> bool:
    """Tell a stack in which a column that is looked up text by text has too many texts for that."""
    roles = ("analyte", "analyte_code", "unit", "basis", "method")
    return any(len(source.category(c.position).texts) > _VARIED for c in source.match.columns if c.role in roles)


def _own(table: FileTable) -> Source:
    return Source(table.grid, table.match, table.match.rows(table.grid))


def _odd(source: Source, taken: TakenEntries, size: int) -> Flags:
    """Tell the tables of which more is to be told than a stack can tell apart."""
    everywhere = np.arange(len(source.rows), dtype=np.int64)
    table = source.table_of(everywhere)
    odd: Flags = np.bincount(table, taken.entries, minlength=size) == 0
    rows = taken.kinds.several | ((taken.kinds.code >= 0) & (taken.entries == 0))
    rows |= taken.long.is_fact | like_codes(source) | lettered_rows(source) | rows_of_second_columns(source)
    odd[table[rows]] = True
    odd |= tables_filled_down(source, table, size, taken.kinds.code < 0)
    if source.match.orientation == "samples-in-rows":
        odd |= ~_says_whose(source)
        return odd
    nameless = ~np.logical_or.reduce(
        [TextColumn.from_series(taken.rows.frame[name]).stated() for name in ("label", "site", "sampling_point")]
    )
    odd[source.table_of_line(taken.rows.frame["line"].to_numpy()[nameless])] = True
    odd |= names_by_company(source, table, size)
    return odd


def _says_whose(source: Source) -> Flags:
    """Tell the tables that say whose water it is, in a column or above."""
    named = any(column.role == "about" and column.code in NAMING for column in source.match.columns)
    return np.array([named or any(said.get(name) for name in NAMING) for said in source.preambles], dtype=bool)


def _parts(
    source: Source, taken: TakenEntries, unread: Sequence[Unread], tables: Sequence[FileTable]
) -> list[TakenTable]:
    """Part what was taken by tables, and tell of each what it is told of one alone."""
    size = len(tables)
    before = np.append(0, source.last_lines)
    of = {
        name: source.table_of_line(frame["line"].to_numpy())
        for name, frame in (("rows", taken.rows.frame), ("cells", taken.cells), ("aside", taken.set_aside))
    }
    bounds = {name: np.searchsorted(table, np.arange(size + 1)).tolist() for name, table in of.items()}
    rows = replace(taken.rows, frame=_with_own_lines(taken.rows.frame, of["rows"], before))
    sha256 = TextColumn(of["aside"], tuple(table.file_sha256 for table in tables)).series()
    aside = _with_own_lines(taken.set_aside, of["aside"], before).assign(file_sha256=sha256)
    whole = as_extract(
        source.match,
        rows=rows.frame,
        cells=_with_own_lines(taken.cells, of["cells"], before),
        set_aside=no_problems(),
        notices=no_problems(),
        entries=int(taken.entries.sum()),
        cells_not_read=taken.cells_not_read,
    )
    entries = np.bincount(source.table_of(np.arange(len(source.rows))), taken.entries, minlength=size).astype(int)
    told = np.zeros(size, dtype=bool)
    told[of["rows"][remarkable(rows)]] = True
    gaps = np.zeros(size, dtype=bool)
    gaps[source.table_of(np.flatnonzero(gap_rows(source)))] = True
    first = np.searchsorted(source.table_of(np.arange(len(source.rows))), np.arange(size))
    lost_of = source.table_of(taken.vanished)
    vanished = np.split(taken.vanished - first[lost_of], np.searchsorted(lost_of, np.arange(1, size)))
    parts = []
    for number, table in enumerate(tables):
        here, cells, left = (range(*bounds[name][number : number + 2]) for name in ("rows", "cells", "aside"))
        notices = missing_word_notices(table.grid, table.match, table.file_sha256) if gaps[number] else []
        if told[number]:
            notices += word_notices(rows.part(here), field_headings(table.match), table.file_sha256)
        notices += rows_above(_own(table), table.file_sha256)
        notices += vanished_notices(_own(table), vanished[number], table.file_sha256)
        parts.append(
            TakenTable(
                part=TablePart(whole, here, cells),
                entries=int(entries[number]),
                set_aside=aside.iloc[left.start : left.stop].reset_index(drop=True) if left else no_problems(),
                notices=pd.concat(notices, ignore_index=True) if notices else no_problems(),
                left_out=tuple(column_name(source, column) for column in unread[number].others),
            )
        )
    return parts


def _with_own_lines(frame: pd.DataFrame, table: Places, before: Places) -> pd.DataFrame:
    lines = frame["line"].to_numpy() - before[table]
    return frame.assign(line=lines.astype(frame["line"].dtype.name))

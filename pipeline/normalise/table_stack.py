"""The tables of several files one after the other, each still described by its own layout and file."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate, chain
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.ingest.table_part import TablePart
from pipeline.normalise.stacking import stacked_frames
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.arrays import Places
    from pipeline.ingest.extract import Extract


@dataclass(frozen=True)
class TableStack:
    """Rows and cells of (t,) tables.

    Attributes
    ----------
    tables : what describes each table: its decimal mark, its date formats, its headings.
    files : SHA-256 of the file of each.
    rows : all rows as text.
    table_of_row : the number of each row's table.
    cells : CELL_COLUMNS of all tables, `table` and `file_sha256`; `row` is a position in rows.
    cells_not_read : of each row, how many of its cells are set aside that a person could have meant.
    """

    tables: tuple[Extract, ...]
    files: tuple[str, ...]
    rows: pd.DataFrame
    table_of_row: Places
    cells: pd.DataFrame
    cells_not_read: Places


def stack_tables(tables: Sequence[Extract | TablePart], files: Sequence[str]) -> TableStack:
    """Put tables one after the other.

    Parameters
    ----------
    tables : whole ones, and parts of tables of several files.
    files : SHA-256 of the file of each.
    """
    parts = [one if isinstance(one, TablePart) else _all_of(one) for one in tables]
    wholes = {id(part.whole): part.whole for part in parts}
    first_row = dict(zip(wholes, accumulate((len(one.rows) for one in wholes.values()), initial=0), strict=False))
    first_cell = dict(zip(wholes, accumulate((len(one.cells) for one in wholes.values()), initial=0), strict=False))
    rows = [one.rows for one in wholes.values()]
    cells = [one.cells.assign(row=one.cells["row"] + first_row[key]) for key, one in wholes.items()]
    row_places = _places([(first_row[id(part.whole)], part.rows) for part in parts])
    cell_places = _places([(first_cell[id(part.whole)], part.cells) for part in parts])
    table_of_cell = np.repeat(np.arange(len(parts), dtype=np.int32), [len(part.cells) for part in parts])
    text = _taken(rows[0] if len(rows) == 1 else pd.concat(rows, ignore_index=True), row_places)
    return TableStack(
        tables=tuple(part.whole for part in parts),
        files=tuple(files),
        rows=text,
        table_of_row=np.repeat(np.arange(len(parts)), [len(part.rows) for part in parts]),
        cells=_moved(_taken(stacked_frames(cells), cell_places), row_places).assign(
            table=table_of_cell, file_sha256=TextColumn(table_of_cell, tuple(files)).category()
        ),
        cells_not_read=_counts(wholes)[row_places],
    )


def _all_of(table: Extract) -> TablePart:
    return TablePart(table, range(len(table.rows)), range(len(table.cells)))


def _places(parts: Sequence[tuple[int, range]]) -> Places:
    """Give the places of all parts in the frames, of which each begins at a place of its own."""
    places = chain.from_iterable(range(first + one.start, first + one.stop) for first, one in parts)
    return np.fromiter(places, dtype=np.int64, count=sum(len(one) for _, one in parts))


def _taken(frame: pd.DataFrame, places: Places) -> pd.DataFrame:
    """Take rows by their places; all of them in their order cost nothing."""
    if len(places) == len(frame) and (places == np.arange(len(frame))).all():
        return frame
    return frame.take(places).reset_index(drop=True)


def _moved(cells: pd.DataFrame, row_places: Places) -> pd.DataFrame:
    """Let cells name the places that their rows have been given."""
    place = np.zeros(int(row_places.max(initial=-1)) + 1, dtype=np.int64)
    place[row_places] = np.arange(len(row_places))
    return cells.assign(row=place[cells["row"].to_numpy()])


def _counts(wholes: Mapping[int, Extract]) -> Places:
    counts = ((one.cells_not_read, len(one.rows)) for one in wholes.values())
    every = [np.zeros(many, dtype=np.int64) if found is None else found for found, many in counts]
    return np.concatenate([np.zeros(0, dtype=np.int64), *every]).astype(np.int64)

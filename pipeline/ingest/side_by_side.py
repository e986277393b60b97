"""Tables that stand side by side in one sheet: each begins with a column that names its samples anew."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow.compute as pc

from pipeline.ingest.headings import read_heading
from pipeline.ingest.spellings import key
from pipeline.problems import no_problems

if TYPE_CHECKING:
    from pipeline.ingest.grid import Grid

_WITHIN: Final = 12  # rows in which the headings are looked for
LEADING: Final = ("label", "site", "sampling_point", "collected_on", "analyte")  # what a table begins with


def side_by_side(grid: Grid) -> list[Grid]:
    """Take tables that stand side by side apart.

    A table begins anew where the column that names its rows comes again: under the same heading, or behind a column
    that is empty all the way down. A column that repeats what the first one says belongs to the one table.

    Returns
    -------
    The tables from left to right; the grid itself where there is one.
    """
    rows = [grid.row(number) for number in range(min(len(grid), _WITHIN))]
    filled = {place for cells in rows for place, cell in enumerate(cells) if cell}
    gaps = any(_empty(grid, column) for column in {*range(int(grid.count.max(initial=0)))} - filled)
    for number, cells in enumerate(rows):
        keys = [key(cell) for cell in cells if cell]
        if not gaps and len(set(keys)) == len(keys):
            continue  # no heading comes again
        starts = _starts(grid, number, cells)
        if len(starts) > 1:
            width = int(grid.count.max())
            return [_columns(grid, first, end) for first, end in pairwise([*starts, width])]
    return [grid]


def _starts(grid: Grid, row: int, cells: list[str]) -> list[int]:
    """Give the columns in which tables begin, by one row of headings."""
    naming = [(place, code) for place, cell in enumerate(cells) if cell and (code := _code(cell)) in LEADING]
    if not naming:
        return [0]
    (leading, code), *others = naming
    starts, last = [0], leading
    for place, other in others:
        alike = key(cells[place]) == key(cells[leading]) or _empty(grid, place - 1)
        measured = any(cells[between] for between in range(last + 1, place))
        # The same quantities are asked of every sample; the same samples are one table.
        anew = code == "analyte" or not _repeats(grid, row, leading, place)
        if other == code and alike and measured and anew:
            starts.append(place)
            last = place
    return starts


def _code(heading: str) -> str:
    meaning = read_heading(heading).chosen()
    return meaning.code if meaning is not None and meaning.kind in ("field", "role") else ""


def _empty(grid: Grid, column: int) -> bool:
    return not pc.any(pc.not_equal(grid.cells(column, np.arange(len(grid), dtype=np.int64)), "")).as_py()


def _repeats(grid: Grid, row: int, first: int, other: int) -> bool:
    """Tell whether a column says the same as the first one in every row below the headings."""
    rows = np.arange(row + 1, len(grid), dtype=np.int64)
    return bool(pc.all(pc.equal(grid.cells(first, rows), grid.cells(other, rows))).as_py())


def _columns(grid: Grid, first: int, end: int) -> Grid:
    """Take some columns; what is told of the file stays with the leftmost."""
    skipped = np.minimum(grid.count, first)
    return replace(
        grid,
        first=grid.first + skipped,
        count=np.minimum(grid.count, end) - skipped,
        left=grid.left + first,
        notices=no_problems() if first else grid.notices,
    )

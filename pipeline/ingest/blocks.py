"""The tables of one sheet or text: one below the other, each with headings of its own."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.ingest.above import stated_above
from pipeline.ingest.header_rows import heads_of, numeric
from pipeline.ingest.matching import Match, match_layout, with_stated_unit
from pipeline.ingest.side_by_side import LEADING, side_by_side
from pipeline.ingest.spellings import heading_words
from pipeline.problems import no_problems, problem_frame

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pandas as pd

    from pipeline.arrays import Flags, Places
    from pipeline.ingest.grid import Grid
    from pipeline.ingest.layout_file import Layout

_TITLE: Final = 3  # rows that may stand above the headings of a lower table
_UNDERSTOOD: Final = 4  # how well headings of a table that no layout fits must be understood
_COVER: Final = 60  # rows of a cover that are looked at
_ON_COVER: Final = (
    "client",
    "site",
    "report_id",
    "operator",
    "region",
    "country",
    "collected_on",
)  # that hold for a whole report
_LOOKED_AT: Final = 1_000  # rows in which a table of samples shows a figure
_SHOWN: Final = 60  # letters
_MOST: Final = 200  # gaps that are looked at; a table of more is one of groups of rows


@dataclass(frozen=True)
class GridBlock:
    """Rows of a grid that belong together: a table as ``match`` says, or one that no layout fits (None)."""

    grid: Grid
    match: Match | None


def blocks_of(
    grid: Grid,
    layouts: Sequence[Layout],
    match_table: Callable[[Grid, Sequence[Layout]], Match | None] = match_layout,
) -> list[GridBlock]:
    """Take the tables of a grid apart.

    A lower table begins below an empty row, with headings of its own, maybe under a title, or where headings of its
    own stand below the data. Rows below an empty row that have none still belong to the table above. Tables may stand
    side by side.

    Parameters
    ----------
    grid : as it was written.
    layouts : in order of preference.
    match_table : finds how one table is read.

    Returns
    -------
    The blocks from top to bottom and from left to right; the first one holds everything above the second.
    """
    starts = _tables(grid, layouts)
    blocks: list[GridBlock] = []
    first = 0
    for start, end in pairwise([*starts, len(grid)]):
        # What stands above the first table belongs to it; a lower one that cannot be read stands for itself.
        for part in side_by_side(_rows(grid, start if blocks else first, end)):
            match = match_table(part, layouts)
            if match is not None:
                blocks.append(_block(part, match, blocks))
            elif blocks:
                blocks.append(GridBlock(part, None))
    return blocks or [GridBlock(grid, None)]


def _block(part: Grid, match: Match, upper: Sequence[GridBlock]) -> GridBlock:
    """Make a block of a table; what is stated above the first one holds for it too, where it says nothing else."""
    first = upper[0].match if upper else None
    if first is not None:
        match = replace(match, preamble={**first.preamble, **match.preamble})
        if first.stated_unit is not None and match.stated_unit is None:
            match = with_stated_unit(match, first.stated_unit)
    return GridBlock(_settled(part, match), match)


def _settled(grid: Grid, match: Match) -> Grid:
    """Leave out what is told of merged cells among the headings and above: they are read as what they stand over."""
    told = grid.notices
    if told.empty:
        return grid
    last = int(grid.line[max(match.body - 1, 0)])
    settled = (told["problem"] == "merged-cells") & (told["line"] <= last)
    return replace(grid, notices=told[~settled].reset_index(drop=True)) if settled.any() else grid


def _tables(grid: Grid, layouts: Sequence[Layout]) -> list[int]:
    """Find the rows in which tables begin: the first row, and rows below an empty one with headings of their own."""
    gaps = np.flatnonzero(_empty(grid))
    begin = gaps[np.append(np.diff(gaps) > 1, True)] + 1 if len(gaps) else gaps
    begin = begin[begin < len(grid)]
    # Such a row below a title, or at the top, is part of a head that begins above it; below a number it is none.
    like = _like_headings(grid)
    titled = np.isin(like, np.add.outer(np.append(begin, 0), np.arange(_TITLE)))
    behind = np.array([not any(map(numeric, grid.row(row - 1))) for row in like[titled].tolist()], dtype=bool)
    titled[titled] = behind
    begin = np.union1d(begin, like[~titled])
    starts, above = [0], _headings(grid, 0, layouts)
    for first in begin.tolist() if len(begin) <= _MOST else ():
        head, start = _head(grid, first, layouts)
        if head and (head != above or start < first or _titled(grid, first)):
            starts.append(max(start, starts[-1]))
            above = head
    return starts


def _titled(grid: Grid, first: int) -> bool:
    """Tell whether a title above the headings says whose rows follow: "Station: South", "Treated water"."""
    rows = [grid.row(row) for row in range(first, min(len(grid), first + _TITLE))]
    depth = next((number for number, cells in enumerate(rows) if sum(map(bool, cells)) > 1), 0)
    return bool(stated_above(rows[:depth])) or any(_is_words(row) for row in rows[:depth])


def _is_words(cells: Sequence[str]) -> bool:
    """Tell whether a row is one text alone."""
    filled = [cell for cell in cells if cell]
    return len(filled) == 1 and any(map(str.isalpha, filled[0]))


def _head(grid: Grid, first: int, layouts: Sequence[Layout]) -> tuple[tuple[str, ...], int]:
    """Give the headings at the top of some rows, and where their table begins: at a title right above them."""
    headings, start = _headings(grid, first, layouts), first
    while headings and start and first - start < _TITLE and _is_title(grid.row(start - 1)):
        start -= 1
    return headings, start


def _is_title(cells: Sequence[str]) -> bool:
    """Tell whether a row says one thing of the rows below it, and holds no figure of its own."""
    filled = [cell for cell in cells if cell]
    return bool(filled) and not any(map(numeric, filled)) and bool(stated_above([list(filled)]))


def _like_headings(grid: Grid) -> Places:
    """Find rows below the first that begin like a row of headings: with a word that names what rows are."""
    rows = np.arange(1, len(grid), dtype=np.int64)
    leading = pc.is_in(pc.utf8_lower(grid.cells(0, rows)), value_set=pa.array(_leading_words(), type=grid.flat.type))
    return np.asarray(rows[leading.to_numpy(zero_copy_only=False)])


@lru_cache(maxsize=1)
def _leading_words() -> list[str]:
    """Give the headings, in small letters, of what names the rows of a table."""
    words = {
        spelling.casefold()
        for group in heading_words()["groups"]
        if (group.get("field") or group.get("role")) in LEADING
        for spellings in group["headings"].values()
        for spelling in spellings
    }
    return sorted(words)


def _empty(grid: Grid) -> Flags:
    """Tell which rows hold nothing; only rows whose first cells are empty are looked at further."""
    left, column = np.arange(len(grid), dtype=np.int64), 0
    while len(left):
        left = left[pc.equal(grid.cells(column, left), "").to_numpy(zero_copy_only=False)]
        column += 1
        if not (grid.count[left] > column).any():
            break
    empty = np.zeros(len(grid), dtype=bool)
    empty[left] = True
    return empty


def _headings(grid: Grid, first: int, layouts: Sequence[Layout]) -> tuple[str, ...]:
    """Give the headings at the top of some rows, maybe under a title; nothing if none are understood."""
    top = _rows(grid, first, min(len(grid), first + 2 * _TITLE))
    heads = [head for head in heads_of(top, layouts, _TITLE)[:1] if head.score >= _UNDERSTOOD]
    return heads[0].cells if heads else ()


def _rows(grid: Grid, first: int, end: int) -> Grid:
    """Take some rows; what is told of the file stays with its first rows, a cut at its end with its last."""
    return replace(
        grid,
        first=grid.first[first:end],
        count=grid.count[first:end],
        line=grid.line[first:end],
        cut_off=grid.cut_off and end == len(grid),
        notices=no_problems() if first else grid.notices,
    )


def with_cover(blocks: Sequence[GridBlock]) -> list[tuple[Grid, Match]]:
    """Give the tables that can be read, each with what the other sheets of its workbook state of whose water it is."""
    facts: dict[str, str] = {}
    for block in blocks:
        if block.match is None and block.grid.sheet:
            rows = [block.grid.row(row) for row in range(min(len(block.grid), _COVER))]
            facts |= {name: said for name, said in stated_above(rows).items() if name in _ON_COVER}
    return [
        (block.grid, replace(block.match, preamble={**facts, **block.match.preamble}))
        for block in blocks
        if block.match is not None
    ]


def with_figures(blocks: Sequence[GridBlock]) -> list[GridBlock]:
    """Take a table of words, a legend under "GH", for none of samples where the file has tables of figures."""
    figures = [block.match is not None and _has_figures(block.grid, block.match) for block in blocks]
    if not any(figures):
        return list(blocks)
    return [
        GridBlock(block.grid, None) if _is_wordlist(block, held=held) else block
        for block, held in zip(blocks, figures, strict=True)
    ]


def _is_wordlist(block: GridBlock, *, held: bool) -> bool:
    return block.match is not None and bool(block.match.measured) and block.match.body < len(block.grid) and not held


def _has_figures(grid: Grid, match: Match) -> bool:
    rows = match.rows(grid)[:_LOOKED_AT]
    cells = [grid.cells(column.position, rows) for column in match.measured]
    return any(pc.any(pc.match_substring_regex(texts, r"\d")).as_py() for texts in cells)


def unread_blocks(blocks: Sequence[GridBlock], file_sha256: str) -> list[pd.DataFrame]:
    """Tell of sheets, pages and lower tables that no layout fits, beside those that are read."""
    read = dict.fromkeys(block.grid.sheet for block in blocks if block.match is not None and block.grid.sheet)
    return [
        problem_frame(
            "table-not-read",
            file_sha256=file_sha256,
            line=int(block.grid.line[0]),
            column=block.grid.sheet,
            raw_text="",
            detail=_told(block.grid, [sheet for sheet in read if sheet != block.grid.sheet]),
        )
        for block in blocks
        if block.match is None and len(block.grid)
    ]


def _told(grid: Grid, read: Sequence[str]) -> str:
    words = " | ".join(cell for row in range(min(len(grid), _TITLE)) for cell in grid.row(row) if cell)
    lines = f"lines {grid.line[0]} to {grid.line[-1]}" if grid.line[0] > 1 else ""
    sheet = f'sheet "{grid.sheet}"' if grid.sheet else ""
    where = ", ".join(part for part in (sheet, lines) if part) or "the table"
    instead = "; the samples were taken from " + " and ".join(f'"{sheet}"' for sheet in read) if read else ""
    return f"{where}: no table of samples ({words[:_SHOWN]}){instead}"

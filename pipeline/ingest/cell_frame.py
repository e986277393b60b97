"""The table of cells: the entries of all measurement columns, in the order of the file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.texts import TextColumn, concatenated

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from pipeline.ingest.columns import SourceColumn
    from pipeline.ingest.entries import ColumnEntries, Source

_REPEATED: Final = 2  # times a text occurs on average from which a category is the smaller
_CATEGORIES: Final = (
    "analyte",
    "form",
    "raw_unit",
    "basis",
    "qualifier_text",
    "limit_text",
    "limit_unit",
    "method",
    "status",
)


def cell_frame(
    source: Source,
    blocks: Sequence[ColumnEntries],
    chosen: npt.NDArray[np.int64],
    block_of: npt.NDArray[np.int32],
    row_of: npt.NDArray[np.int32],
    line: npt.NDArray[np.int32],
    texts: pd.Series,
) -> pd.DataFrame:
    """Build the table of accepted cells.

    Parameters
    ----------
    source, blocks : the table and its entries.
    chosen : position of each accepted entry among the entries of all blocks, in the order of the table.
    block_of : its block.
    row_of, line, texts : the row it belongs to, the line it stands on, and how it is written (``entry_texts``).

    Returns
    -------
    (n, 14) frame of CELL_COLUMNS.
    """
    entries = sum(len(block.at) for block in blocks)
    columns = {
        "row": pd.Series(row_of),
        "line": pd.Series(line),
        "column": entry_headings(source, blocks, block_of).category(),
    }
    in_order = len(chosen) == entries and len(blocks) == 1
    for name in _CATEGORIES:
        together = concatenated([part.about[name] for part in blocks])
        columns[name] = (together if in_order else together.take(chosen)).category()
    columns["raw_text"] = texts
    columns["certain_number"] = pd.Series(_certain(source, blocks)[chosen])
    names = ["row", "line", "column", "analyte", "form", "raw_text", *_CATEGORIES[2:], "certain_number"]
    return pd.DataFrame({name: columns[name] for name in names})


def entry_texts(blocks: Sequence[ColumnEntries], positions: npt.NDArray[np.int64]) -> pd.Series:
    """Give the text of entries as written: as a category where texts repeat."""
    together = pa.chunked_array([block.texts for block in blocks], type=pa.string()).combine_chunks()
    in_order = len(blocks) == 1 and len(positions) == len(together)
    texts = together if in_order else together.take(pa.array(positions))
    encoded = texts.dictionary_encode()
    if _REPEATED * len(encoded.dictionary) > len(texts):
        return pd.Series(pd.array(texts, dtype="str"))
    categories: pd.Index[str] = pd.Index(pd.array(encoded.dictionary, dtype="str"))
    return pd.Series(pd.Categorical.from_codes(encoded.indices.to_numpy(), categories=categories))


def entry_headings(source: Source, blocks: Sequence[ColumnEntries], block_of: npt.NDArray[np.int32]) -> TextColumn:
    """Name the column of each entry."""
    return TextColumn(block_of, tuple(column_name(source, block.column) for block in blocks))


def column_name(source: Source, column: SourceColumn) -> str:
    """Name a column by its heading, one without a heading by its letter; in a workbook also by sheet and letter."""
    heading = " ".join(column.heading.split())
    if source.grid.sheet:
        return f"{source.grid.sheet}!{letter(source.grid.left + column.position)}: {heading or 'without a heading'}"
    return heading or f"column {letter(source.grid.left + column.position)}, without a heading"


def letter(position: int) -> str:
    """Give the letter a spreadsheet shows for a column (0 → A, 26 → AA)."""
    letters = ""
    number = position + 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def _certain(source: Source, blocks: Sequence[ColumnEntries]) -> npt.NDArray[np.bool_]:
    """Tell true spreadsheet numbers: their decimal mark is certain."""
    numbers = source.grid.number_cells
    parts = [np.zeros(0, dtype=bool)]
    for block in blocks:
        if numbers is None:
            parts.append(np.zeros(len(block.at), dtype=bool))
            continue
        rows = source.rows[block.at]
        present = source.grid.count[rows] > block.column.position
        place = np.where(present, source.grid.first[rows] + block.column.position, 0)
        parts.append(numbers[place] & present)
    return np.concatenate(parts)

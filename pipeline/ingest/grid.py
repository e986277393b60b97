"""A table as it was written: every cell as text, ragged rows allowed, physical line numbers kept."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.problems import no_problems

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt


@dataclass(frozen=True)
class Grid:
    """Every cell of one text file or one sheet, row after row.

    Attributes
    ----------
    flat : all cells, row-major, as text; "" for an empty cell, never null.
    first : (n,) position in ``flat`` of each row's first cell.
    count : (n,) cells of each row; rows may differ.
    line : (n,) 1-based line a text editor shows where the row starts; of a sheet, its row number.
    sheet : name of the sheet, "" for a text file.
    delimiter : what separates cells ("  " stands for two or more blanks), "" for a sheet.
    encoding : of the text file, "" for a sheet.
    cut_off : the last row has no line end and fewer cells than the row before, or an open quote.
    notices : remarks on the file (PROBLEM_COLUMNS).
    number_cells : of a sheet, True where ``flat`` holds a true number, so its decimal mark is certain.
    left : columns of its sheet that stand left of it, where tables stand side by side.
    date_cells : of a sheet, True where ``flat`` holds a true date, written as ISO text.
    """

    flat: pa.Array
    first: npt.NDArray[np.int64]
    count: npt.NDArray[np.int32]
    line: npt.NDArray[np.int32]
    sheet: str = ""
    delimiter: str = ","
    encoding: str = ""
    cut_off: bool = False
    notices: pd.DataFrame = field(default_factory=no_problems)
    number_cells: npt.NDArray[np.bool_] | None = None
    date_cells: npt.NDArray[np.bool_] | None = None
    left: int = 0

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.first)

    def row(self, number: int) -> list[str]:
        """Give the cells of one row (0-based)."""
        start = int(self.first[number])
        cells: list[str] = self.flat.slice(start, int(self.count[number])).to_pylist()
        return cells

    def cells(self, number: int, rows: npt.NDArray[np.int64]) -> pa.Array:
        """Give the cells of column ``number`` (0-based) of the chosen ``rows``; "" where a row is shorter."""
        place = self.first[rows] + number
        absent = self.count[rows] <= number
        if not absent.any():
            return self.flat.take(pa.array(place))
        return pc.fill_null(self.flat.take(pa.array(place, mask=absent)), "")

    def few_texts(self, number: int, rows: npt.NDArray[np.int64], most: int) -> frozenset[str]:
        """Give the different texts of a column without outer blanks; none where there are more than ``most``."""
        distinct = pc.unique(self.cells(number, rows))
        return frozenset(text.strip() for text in distinct.to_pylist()) if len(distinct) <= most else frozenset()

    def column(self, number: int, rows: npt.NDArray[np.int64]) -> pd.Series:
        """Give ``cells`` as a (m,) Series of dtype `str` with a RangeIndex."""
        return pd.Series(pd.array(self.cells(number, rows), dtype="str"))

    @classmethod
    def from_rows(cls, rows: Sequence[Sequence[str]]) -> Grid:
        """Build a grid from rows of cells, one line each: a small table written in place."""
        count = np.array([len(row) for row in rows], dtype=np.int32)
        return cls(
            flat=pa.array([cell for row in rows for cell in row], type=pa.string()),
            first=first_cells(count),
            count=count,
            line=np.arange(1, len(rows) + 1, dtype=np.int32),
        )


def first_cells(count: npt.NDArray[np.int32]) -> npt.NDArray[np.int64]:
    """Give the position of each row's first cell from the number of cells of every row."""
    end = np.cumsum(count, dtype=np.int64)
    return end - count

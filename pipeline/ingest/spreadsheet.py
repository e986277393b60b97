"""Read workbooks: every sheet a grid of text, with true numbers and true dates remembered."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from itertools import chain
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.ingest.apart import read_apart
from pipeline.ingest.grid import Grid, first_cells
from pipeline.ingest.reader_limits import ReaderLimits
from pipeline.ingest.sheet_marks import SheetMarks, marks_of
from pipeline.ingest.unreadable import Unreadable
from pipeline.problems import no_problems, problem_frame

if TYPE_CHECKING:
    from pipeline.ingest.sheet_cells import SheetCells

_USUAL: Final = ReaderLimits()

_ZIP: Final = b"PK\x03\x04"
_COMPOUND: Final = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_ENCRYPTED_PART: Final = "EncryptedPackage".encode("utf-16-le")
_WHOLE_BELOW: Final = 1e15  # doubles hold every whole number to here; larger ones keep their exponent
_DATES: Final = (dt.date, dt.datetime, dt.time, dt.timedelta)
_EDGE: Final = " \t\r\n\u00a0"


def is_workbook(data: bytes) -> bool:
    """Tell a workbook (.xlsx .xlsm .xlsb .ods .xls) by its first bytes."""
    return data.startswith((_ZIP, _COMPOUND))


def sheets(data: bytes, limits: ReaderLimits = _USUAL) -> list[Grid]:
    """Read every visible sheet that holds anything; the cells are read in a process of its own.

    Formulas without a stored value, error values and merged cells are found in .xlsx and .xlsm; the other
    formats do not show them. An error value stays as its text (#N/A), so that the entry is not lost.

    Returns
    -------
    list of Grid : rows numbered as in the sheet; ``number_cells`` and ``date_cells`` are filled. Notices on
        hidden sheets are on the first grid.

    Raises
    ------
    Unreadable : damaged, encrypted, too large, or no visible sheet holds anything.
    """
    if data.startswith(_COMPOUND) and _ENCRYPTED_PART in data:
        raise Unreadable("the workbook is encrypted; save it without a password")
    listed: list[SheetCells] = read_apart("workbook", data, limits)
    found = [_grid(sheet) for sheet in listed if sheet.shown and not sheet.damage]
    filled = [grid for grid in found if grid is not None]
    hidden = [sheet.name for sheet in listed if not sheet.shown]
    if not filled:
        also = f" ({', '.join(hidden)} not shown)" if hidden else ""
        raise Unreadable(f"no sheet of the workbook holds anything{also}", "file-empty")
    told = [*(_skipped(name) for name in hidden), *(_unread(sheet) for sheet in listed if sheet.damage)]
    notices = pd.concat([filled[0].notices, *told], ignore_index=True)
    return [replace(filled[0], notices=notices), *filled[1:]]


def _skipped(name: str) -> pd.DataFrame:
    detail = f'the sheet "{name}" is hidden or holds no cells; it was not read'
    return problem_frame("sheet-skipped", file_sha256="", line=0, column=name, raw_text="", detail=detail)


def _unread(sheet: SheetCells) -> pd.DataFrame:
    return problem_frame(
        "sheet-unreadable", file_sha256="", line=0, column=sheet.name, raw_text="", detail=f"damaged, {sheet.damage}"
    )


def _grid(sheet: SheetCells) -> Grid | None:
    """Lay out one sheet; None if it holds nothing."""
    rows, name = sheet.rows, sheet.name
    marks = None if sheet.marks is None else marks_of(sheet.marks)
    cells = list(chain.from_iterable(rows))
    width = len(rows[0]) if rows else 0
    texts = [_text(cell) for cell in cells]
    height = len(rows)
    if marks is not None and len(marks.errors):
        height, width, texts, cells = _with_errors(marks.errors, height, width, texts, cells)
    if not any(texts):
        return None
    count = np.full(height, width, dtype=np.int32)
    return Grid(
        flat=pc.utf8_trim(pa.array(texts, type=pa.string()), characters=_EDGE),
        first=first_cells(count),
        count=count,
        line=np.arange(1, height + 1, dtype=np.int32),
        sheet=name,
        delimiter="",
        notices=no_problems() if marks is None else _notices(name, marks),
        number_cells=np.fromiter((type(cell) in {float, int} for cell in cells), dtype=bool, count=len(cells)),
        date_cells=np.fromiter((isinstance(cell, _DATES) for cell in cells), dtype=bool, count=len(cells)),
    )


def _with_errors(
    errors: pd.DataFrame, height: int, width: int, texts: list[str], cells: list[Any]
) -> tuple[int, int, list[str], list[Any]]:
    """Write error values into the table, which grows if they lie outside of it."""
    tall, wide = max(height, int(errors["row"].max()) + 1), max(width, int(errors["column"].max()) + 1)
    table = np.full((tall, wide), "", dtype=object)
    values = np.full((tall, wide), "", dtype=object)
    table[:height, :width] = np.array(texts, dtype=object).reshape(height, width)
    holder = np.empty(len(cells), dtype=object)
    holder[:] = cells
    values[:height, :width] = holder.reshape(height, width)
    table[errors["row"], errors["column"]] = errors["text"].to_numpy(dtype=object)
    return tall, wide, table.ravel().tolist(), values.ravel().tolist()


def _text(cell: object) -> str:
    """Write a cell's value: numbers in the shortest form that gives the same number, dates as ISO 8601."""
    if isinstance(cell, str):
        return cell
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < _WHOLE_BELOW else repr(cell)
    if isinstance(cell, dt.datetime):
        return cell.isoformat(sep=" ")
    if isinstance(cell, (dt.date, dt.time)):
        return cell.isoformat()
    if isinstance(cell, dt.timedelta):
        minutes, seconds = divmod(round(cell.total_seconds()), 60)
        return f"{minutes // 60:02}:{minutes % 60:02}:{seconds:02}"
    return str(cell).upper()  # TRUE and FALSE, as sheets show them


def _notices(name: str, marks: SheetMarks) -> pd.DataFrame:
    formulas, merged = marks.formulas, marks.merged
    return pd.concat(
        [
            problem_frame(
                "formula-without-value",
                file_sha256="",
                line=formulas["row"] + 1,
                column=f"{name}!" + formulas["cell"],
                raw_text="=" + formulas["text"],
            ),
            problem_frame(
                "merged-cells",
                file_sha256="",
                line=merged["row"] + 1,
                column=f"{name}!" + merged["text"],
                raw_text="",
                detail=merged["text"],
            ),
        ],
        ignore_index=True,
    )

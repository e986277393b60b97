"""A workbook with typed cells: numbers as numbers, times as times, texts that are never formulas."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Final
from xml.sax.saxutils import escape

import numpy as np
import pandas as pd

from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.report.workbook_package import SPREADSHEET, write_package

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

MOST_SHEET_ROWS: Final = 1_048_575  # of data, below one row of headings
_LETTERS: Final = 26
_STYLES: Final = (
    f'<styleSheet xmlns="{SPREADSHEET}"><numFmts count="1">'
    '<numFmt numFmtId="164" formatCode="yyyy\\-mm\\-dd hh:mm"/></numFmts>'
    '<fonts count="2"><font/><font><b/></font></fonts>'
    '<fills count="2"><fill><patternFill patternType="none"/></fill>'
    '<fill><patternFill patternType="gray125"/></fill></fills>'
    '<borders count="1"><border/></borders><cellStyleXfs count="1"><xf/></cellStyleXfs><cellXfs count="3"><xf/>'
    '<xf numFmtId="164" applyNumberFormat="1"/><xf fontId="1" applyFont="1"/></cellXfs><cellStyles count="1">'
    '<cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles></styleSheet>'
)
_FORBIDDEN: Final = {number: None for number in range(32) if number not in (9, 10, 13)}


def write_workbook(sheets: Mapping[str, pd.DataFrame], target: Path) -> None:
    """Write one sheet for each frame, its headings in bold and kept in sight.

    Raises
    ------
    KettlestoneError : a frame has more rows than a sheet.
    """
    for name, frame in sheets.items():
        if len(frame) > MOST_SHEET_ROWS:
            raise KettlestoneError(
                f"{name}: {len(frame):,} rows are more than a sheet has ({MOST_SHEET_ROWS:,}).\n  {UNCHANGED}\n"
                "  Export as parquet or csv, or less with --client, --region or --since."
            )
    write_package(target, {name: partial(_sheet, frame) for name, frame in sheets.items()}, _STYLES)


def _sheet(frame: pd.DataFrame) -> str:
    """Write one sheet, column by column: all cells of a column are of one kind."""
    columns = [_cells_of(frame[name], _letters(number)) for number, name in enumerate(frame.columns)]
    heads = "".join(
        f'<c r="{_letters(number)}1" s="2" t="inlineStr"><is><t>{escape(str(name))}</t></is></c>'
        for number, name in enumerate(frame.columns)
    )
    rows = pd.Series([""] * len(frame), dtype="str")
    for column in columns:
        rows = rows + column
    line = pd.Series(np.arange(2, len(frame) + 2).astype("str"), dtype="str")
    body = ('<row r="' + line + '">' + rows + "</row>").str.cat() if len(frame) else ""
    return (
        f'<worksheet xmlns="{SPREADSHEET}"><sheetViews><sheetView '
        'workbookViewId="0"><pane ySplit="1" topLeftCell="A2" activePane="bottomLeft" state="frozen"/>'
        "</sheetView></sheetViews>"
        f'<sheetData><row r="1">{heads}</row>{body}</sheetData></worksheet>'
    )


def _cells_of(column: pd.Series, letters: str) -> pd.Series:
    """Write the cells of a column; a missing value has none."""
    values = column.reset_index(drop=True)
    place = letters + pd.Series(np.arange(2, len(values) + 2).astype("str"), dtype="str")
    known = values.notna()
    if pd.api.types.is_bool_dtype(values):
        return '<c r="' + place + '" t="b"><v>' + values.astype("int64").astype("str") + "</v></c>"
    if pd.api.types.is_datetime64_any_dtype(values):
        days = (values - pd.Timestamp("1899-12-30")) / pd.Timedelta(days=1)
        return ('<c r="' + place + '" s="1"><v>' + days.astype("str") + "</v></c>").where(known, "")
    if pd.api.types.is_numeric_dtype(values):
        return ('<c r="' + place + '"><v>' + values.astype("str") + "</v></c>").where(
            known & np.isfinite(values.astype("float64")), ""
        )
    text = values.fillna("").astype("str")
    # The few texts of a long column are made safe once each.
    safe = text.map({one: escape(one.translate(_FORBIDDEN)) for one in text.unique()})
    cell = '<c r="' + place + '" t="inlineStr"><is><t xml:space="preserve">' + safe + "</t></is></c>"
    return cell.where(text != "", "")


def _letters(number: int) -> str:
    """Name a column: A, B, … Z, AA."""
    text = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, _LETTERS)
        text = chr(ord("A") + rest) + text
    return text

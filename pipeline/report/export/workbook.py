"""A workbook with typed cells: numbers as numbers, times as times, texts that are never formulas.

Written as the open format says (ECMA-376, SpreadsheetML): a zip of a few XML files, texts in the cells themselves.
"""

from __future__ import annotations

import zipfile
from typing import TYPE_CHECKING, Final
from xml.sax.saxutils import escape

import numpy as np
import pandas as pd

from pipeline.errors import UNCHANGED, KettlestoneError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

MOST_SHEET_ROWS: Final = 1_048_575  # of data, below one row of headings
_LETTERS: Final = 26
_SPACE: Final = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_OFFICE: Final = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE: Final = "http://schemas.openxmlformats.org/package/2006"
_TYPE: Final = "application/vnd.openxmlformats-officedocument.spreadsheetml"
_STYLES: Final = (
    f'<styleSheet xmlns="{_SPACE}"><numFmts count="1">'
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
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as book:
        for path, text in _frame_of_book(list(sheets)).items():
            book.writestr(path, f'<?xml version="1.0" encoding="UTF-8" standalone="yes"?>{text}')
        for number, frame in enumerate(sheets.values(), start=1):
            with book.open(f"xl/worksheets/sheet{number}.xml", "w", force_zip64=True) as sheet:
                sheet.write(_sheet(frame).encode())


def _frame_of_book(names: list[str]) -> dict[str, str]:
    """Write what a workbook has besides its sheets."""
    numbers = range(1, len(names) + 1)
    parts = "".join(
        f'<Override PartName="/xl/worksheets/sheet{number}.xml" ContentType="{_TYPE}.worksheet+xml"/>'
        for number in numbers
    )
    sheets = "".join(
        f'<sheet name="{escape(name)}" sheetId="{number}" r:id="rId{number}"/>'
        for number, name in zip(numbers, names, strict=True)
    )
    links = "".join(
        f'<Relationship Id="rId{number}" Type="{_OFFICE}/worksheet" Target="worksheets/sheet{number}.xml"/>'
        for number in numbers
    )
    return {
        "[Content_Types].xml": f'<Types xmlns="{_PACKAGE}/content-types"><Default Extension="rels" '
        'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{_TYPE}.sheet.main+xml"/>'
        f'<Override PartName="/xl/styles.xml" ContentType="{_TYPE}.styles+xml"/>{parts}</Types>',
        "_rels/.rels": f'<Relationships xmlns="{_PACKAGE}/relationships"><Relationship Id="rId1" '
        f'Type="{_OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{_SPACE}" xmlns:r="{_OFFICE}"><sheets>{sheets}</sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{_PACKAGE}/relationships">{links}<Relationship '
        f'Id="rId{len(names) + 1}" Type="{_OFFICE}/styles" Target="styles.xml"/></Relationships>',
        "xl/styles.xml": _STYLES,
    }


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
        f'<?xml version="1.0" encoding="UTF-8" standalone="yes"?><worksheet xmlns="{_SPACE}"><sheetViews><sheetView '
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

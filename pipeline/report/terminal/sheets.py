"""Empty sheets to fill in: headings that intake reads, one example row, as CSV or as a workbook."""

from __future__ import annotations

import csv
import io
from importlib import resources
from typing import TYPE_CHECKING, Final
from xml.sax.saxutils import escape

from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.report.workbook_package import SPREADSHEET, write_package

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

SHEETS: Final = ("drop-kit", "meter-log", "laboratory", "bottle-label", "sites", "treatments")
_BOM: Final = "\ufeff"  # without it office programs read the ° and µ of a CSV wrongly
_TEXT_FORMAT: Final = 49  # "@": what is typed stays as it is typed, also a date
_WIDTH: Final = 18
_STYLES: Final = (
    f'<styleSheet xmlns="{SPREADSHEET}"><fonts count="1"><font/></fonts>'
    '<fills count="1"><fill><patternFill/></fill></fills>'
    '<borders count="1"><border/></borders><cellStyleXfs count="1"><xf/></cellStyleXfs>'
    f'<cellXfs count="2"><xf xfId="0"/><xf numFmtId="{_TEXT_FORMAT}" applyNumberFormat="1"/></cellXfs>'
    '<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles></styleSheet>'
)


def sheet_text(kind: str) -> str:
    """Give an empty sheet as CSV: the headings and one row to overwrite.

    Parameters
    ----------
    kind : of `SHEETS`.
    """
    return resources.files("schemas").joinpath("templates", f"{kind}.csv").read_text(encoding="utf-8")


def write_sheet(kind: str, path: Path) -> str:
    """Write an empty sheet and say where it is.

    Parameters
    ----------
    kind : of `SHEETS`.
    path : ending in ``.csv`` or ``.xlsx``; nothing that is there already is overwritten.

    Raises
    ------
    KettlestoneError : another ending, a file that is there already, or one that cannot be written.
    """
    if path.suffix.lower() not in (".csv", ".xlsx"):
        raise KettlestoneError(f"{path}: a sheet is written as .csv or .xlsx. {UNCHANGED}")
    content = sheet_text(kind)
    data = f"{_BOM}{content}".encode() if path.suffix.lower() == ".csv" else _workbook(_rows(content), kind)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("xb") as file:
            file.write(data)
    except FileExistsError as error:
        raise KettlestoneError(f"{path}: there is such a file already. {UNCHANGED} Give another name.") from error
    except OSError as error:
        raise KettlestoneError(f"{path}: cannot be written ({error.strerror or error}). {UNCHANGED}") from error
    return f"{path}: overwrite the example row, then kettlestone intake {path}"


def _rows(content: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(content)))


def _workbook(rows: Sequence[Sequence[str]], name: str) -> bytes:
    """Write a workbook of one sheet of texts."""
    packed = io.BytesIO()
    write_package(packed, {name: lambda: _sheet(rows)}, _STYLES)
    return packed.getvalue()


def _sheet(rows: Sequence[Sequence[str]]) -> str:
    cells = [[f'<c s="1" t="inlineStr"><is><t>{escape(text)}</t></is></c>' for text in row] for row in rows]
    lines = "".join(f"<row>{''.join(row)}</row>" for row in cells)
    columns = f'<cols><col min="1" max="{len(rows[0])}" width="{_WIDTH}" style="1" customWidth="1"/></cols>'
    return f'<worksheet xmlns="{SPREADSHEET}">{columns}<sheetData>{lines}</sheetData></worksheet>'

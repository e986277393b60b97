"""Read the cells of workbooks and what their XML says; runs in the process that reads hostile formats."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any, Final

from python_calamine import CalamineError, CalamineWorkbook, PasswordError, SheetTypeEnum, SheetVisibleEnum

from pipeline.ingest.sheet_cells import SheetCells
from pipeline.ingest.unreadable import Unreadable
from pipeline.ingest.workbook_xml import check_sizes, find_marks, refuse_span

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.ingest.reader_limits import ReaderLimits
    from pipeline.ingest.sheet_cells import FoundMarks

ZIP: Final = b"PK\x03\x04"


def read_workbook(data: bytes, limits: ReaderLimits, _send: Callable[[bytes], None]) -> list[SheetCells]:
    """Read every visible sheet of a workbook.

    Raises
    ------
    Unreadable : encrypted, damaged, or more than the limits allow.
    """
    marks: dict[str, FoundMarks] = {}
    if data.startswith(ZIP):
        check_sizes(data, limits)
        marks = find_marks(data, limits)
    try:
        return _sheets(data, limits, marks)
    except PasswordError as error:
        raise Unreadable("the workbook is encrypted; save it without a password") from error
    except (CalamineError, OSError, ValueError, OverflowError) as error:
        raise _damaged(error) from error
    except BaseException as error:
        if not _is_crash(error):
            raise
        raise _damaged() from error


def _damaged(error: BaseException | str = "") -> Unreadable:
    return Unreadable(f"the workbook is damaged{error and f' ({error})'}; open it and save it again")


def _is_crash(error: BaseException) -> bool:
    """Tell the reader's own crash, which is no Exception."""
    return type(error).__name__ == "PanicException"


def _sheets(data: bytes, limits: ReaderLimits, marks: dict[str, FoundMarks]) -> list[SheetCells]:
    workbook = CalamineWorkbook.from_filelike(io.BytesIO(data))
    found: list[SheetCells] = []
    for sheet in workbook.sheets_metadata:
        shown = sheet.typ == SheetTypeEnum.WorkSheet and sheet.visible == SheetVisibleEnum.Visible
        before = sum(len(one.rows) * len(one.rows[0]) for one in found if one.rows)
        rows, damage = _rows(workbook, sheet.name, limits, before) if shown else ([], "")
        found.append(SheetCells(sheet.name, shown, rows, marks.get(sheet.name), damage))
    damages = [sheet.damage for sheet in found if sheet.damage]
    if damages and not any(sheet.rows for sheet in found):
        raise _damaged(damages[0])
    return found


def _rows(workbook: CalamineWorkbook, name: str, limits: ReaderLimits, before: int) -> tuple[list[list[Any]], str]:
    """Read one sheet, if it and those before it do not span too many cells; or say why it cannot be read."""
    try:
        cells = workbook.get_sheet_by_name(name)
        height, width = (place + 1 for place in cells.end or (-1, -1))
        refuse_span(height, width, name, limits, before)
        return cells.to_python(skip_empty_area=False), ""
    except (Unreadable, MemoryError):
        raise
    except Exception as error:  # noqa: BLE001 - the other sheets can be read
        return [], str(error) or type(error).__name__
    except BaseException as error:
        if not _is_crash(error):
            raise
        return [], "the reader crashed at it"

"""A program of its own that reads the cells of workbooks, so that a hostile one can bring down nothing else.

It is run as a file, imports nothing of the package, and takes workbooks on standard input until that is closed: the
length and the most cells allowed (two little-endian 64-bit numbers), then the bytes. It answers each on standard output
with a length and a pickle: a list of ``(name, is shown, rows of cells)``, or the kind of refusal and its words.
"""

from __future__ import annotations

import io
import pickle
import struct
import sys
from typing import TYPE_CHECKING, Any, Final

from python_calamine import CalamineError, CalamineWorkbook, PasswordError, SheetTypeEnum, SheetVisibleEnum

if TYPE_CHECKING:
    from typing import BinaryIO

REQUEST: Final = struct.Struct("<QQ")
ANSWER: Final = struct.Struct("<Q")
PASSWORD, DAMAGED, SPAN, ROOM = "password", "damaged", "span", "room"
_MIB: Final = 1 << 20

WorkbookAnswer = list[tuple[str, bool, list[list[Any]]]] | tuple[str, str]


def answer(data: bytes, most_cells: int) -> WorkbookAnswer:
    """Read every visible sheet of a workbook, or say what is in the way."""
    try:
        return _sheets(data, most_cells)
    except PasswordError as error:
        return PASSWORD, str(error)
    except MemoryError as error:
        return ROOM, str(error)
    except (CalamineError, OSError, ValueError, OverflowError) as error:
        return DAMAGED, str(error)
    except BaseException as error:
        if type(error).__name__ != "PanicException":  # the reader's own crash; not an Exception
            raise
        return DAMAGED, ""


def _sheets(data: bytes, most_cells: int) -> WorkbookAnswer:
    workbook = CalamineWorkbook.from_filelike(io.BytesIO(data))
    found: list[tuple[str, bool, list[list[Any]]]] = []
    for sheet in workbook.sheets_metadata:
        shown = sheet.typ == SheetTypeEnum.WorkSheet and sheet.visible == SheetVisibleEnum.Visible
        rows: list[list[Any]] = []
        if shown:
            cells = workbook.get_sheet_by_name(sheet.name)
            height, width = (place + 1 for place in cells.end or (-1, -1))
            most_cells -= height * width
            if most_cells < 0:
                return SPAN, f'the sheet "{sheet.name}" reaches to row {height} and column {width}'
            rows = cells.to_python(skip_empty_area=False)
        found.append((sheet.name, shown, rows))
    return found


def limit_memory(mib: int) -> None:
    """Let the system refuse more memory; where it has no such limit (Windows), sizes alone are checked."""
    try:
        import resource  # noqa: PLC0415 - not on every system
    except ImportError:
        return
    resource.setrlimit(resource.RLIMIT_AS, (mib * _MIB, mib * _MIB))


def serve(requests: BinaryIO, answers: BinaryIO) -> None:
    """WorkbookAnswer one request after the other until there are no more."""
    while len(head := requests.read(REQUEST.size)) == REQUEST.size:
        size, most_cells = REQUEST.unpack(head)
        found = pickle.dumps(answer(requests.read(size), most_cells), protocol=pickle.HIGHEST_PROTOCOL)
        answers.write(ANSWER.pack(len(found)))
        answers.write(found)
        answers.flush()


if __name__ == "__main__":
    limit_memory(int(sys.argv[1]))
    serve(sys.stdin.buffer, sys.stdout.buffer)

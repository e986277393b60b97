"""A PDF as grids of text: one for each table of results, with what the report says above it."""

from __future__ import annotations

import io
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.ingest.decoding import Unreadable
from pipeline.ingest.grid import Grid, first_cells
from pipeline.ingest.headings import read_heading
from pipeline.ingest.pdf.lines import TextLine, text_lines
from pipeline.ingest.pdf.statements import facts, results
from pipeline.ingest.pdf.tables import PageTable, PrintedRow, page_tables
from pipeline.problems import no_problems, problem_frame

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pdfplumber.pdf import PDF

_MARK: Final = b"%PDF-"
_MARK_WITHIN: Final = 1024  # bytes; ISO 32000-1, annex H.3.4.1: readers accept it anywhere in them
_MOST_PAGES: Final = 500  # a report has fewer; a book is no report [CP]
_HEADER_WITHIN: Final = 3  # rows of a table; its headings stand there, below a title maybe
_HEADINGS: Final = ("Parameter", "Result", "Unit")
_OF_ONE_SAMPLE: Final = ("label", "sampling_point", "stage")


@dataclass(frozen=True)
class _Part:
    """A table of results of one page, or lines that state results; with what was said above it."""

    page: int
    head: tuple[PrintedRow, ...]
    rows: tuple[PrintedRow, ...]


@dataclass
class _Report:
    """A report as it is read from top to bottom.

    Attributes
    ----------
    stated : what it has said so far, by field: the name as written and its text.
    parts : its tables of results.
    pictures : the pages that are pictures without text.
    waiting : lines of results that the next part is made of.
    """

    stated: dict[str, tuple[str, str]] = field(default_factory=dict)
    parts: list[_Part] = field(default_factory=list)
    pictures: list[int] = field(default_factory=list)
    waiting: list[PrintedRow] = field(default_factory=list)

    def read(self, page: int, lines: Sequence[TextLine], tables: Sequence[PageTable]) -> None:
        """Go down one page: statements, tables and lines of results in their order."""
        first = {min(table.lines): table for table in tables}
        within = frozenset().union(*(table.lines for table in tables))
        for line in lines:
            if line.number in first:
                self._close(page)
                self._table(page, first[line.number])
            elif line.number not in within:
                self._line(page, line)
        self._close(page)

    def _line(self, page: int, line: TextLine) -> None:
        found = results(line)
        if not found and (stated := list(facts([cell.text for cell in line.cells()]))):
            self._close(page)
            self._take(stated)
        self.waiting += [PrintedRow(one.line, (one.name, one.value, one.unit)) for one in found]

    def _table(self, page: int, table: PageTable) -> None:
        if rows := self._results_of(table):
            self._add(page, rows)
        else:
            for row in table.rows:
                self._take(list(facts([cell for cell in row.cells if cell])))

    def _results_of(self, table: PageTable) -> tuple[PrintedRow, ...]:
        """Give the rows of a table of results, with headings; none of a table of statements."""
        if any(_names_results(row) for row in table.rows[:_HEADER_WITHIN]):
            return table.rows
        if self.parts and len(table.rows[0].cells) == len(self.parts[-1].rows[0].cells):
            named = next(row for row in self.parts[-1].rows if _names_results(row))
            return (replace(named, line=0), *table.rows)
        return ()

    def _take(self, found: Sequence[tuple[str, str, str]]) -> None:
        """Keep statements; what was said of one sample goes when another is named."""
        if any(code == "label" for code, _, _ in found) and "label" in self.stated:
            for code in _OF_ONE_SAMPLE:
                self.stated.pop(code, None)
        self.stated |= {code: (name, text) for code, name, text in found}

    def _close(self, page: int) -> None:
        """Make a part of the lines of results that wait."""
        if self.waiting:
            self._add(page, (PrintedRow(0, _HEADINGS), *self.waiting))
            self.waiting = []

    def _add(self, page: int, rows: tuple[PrintedRow, ...]) -> None:
        self.parts.append(_Part(page, tuple(PrintedRow(0, said) for said in self.stated.values()), rows))


def is_pdf(data: bytes) -> bool:
    """Tell a PDF by its first bytes."""
    return _MARK in data[:_MARK_WITHIN]


def pages(data: bytes) -> list[Grid]:
    """Read the tables and the lines of results of a text PDF.

    Above every table stand the statements of the report that hold for it ("Sample no.: W-4471"), so that it can be
    read like any other table. A table that goes on on the next page without its headings gets them again.

    Parameters
    ----------
    data : the file.

    Returns
    -------
    list of Grid : ``sheet`` is "page N", ``line`` the line of text on that page.

    Raises
    ------
    Unreadable : locked, damaged, too long, pictures without text, or no results in it.
    """
    with _opened(data) as document:
        if len(document.pages) > _MOST_PAGES:
            raise Unreadable(
                f"it has {len(document.pages)} pages; a report has at most {_MOST_PAGES}", "file-too-large"
            )
        report = _read(document)
    if not report.parts:
        raise _nothing(report.pictures, len(document.pages))
    grids = [_grid(part) for part in report.parts]
    notices = pd.concat([no_problems(), *map(_picture, report.pictures)], ignore_index=True)
    return [replace(grids[0], notices=notices), *grids[1:]]


def _opened(data: bytes) -> PDF:
    import pdfplumber  # noqa: PLC0415 - half a second that only a PDF is worth
    from pdfminer.pdfdocument import PDFPasswordIncorrect  # noqa: PLC0415
    from pdfplumber.utils.exceptions import PdfminerException  # noqa: PLC0415

    try:
        return pdfplumber.open(io.BytesIO(data))
    except PdfminerException as error:
        if any(isinstance(cause, PDFPasswordIncorrect) for cause in error.args):
            raise Unreadable("the PDF is locked with a password") from error
        raise Unreadable("the PDF is damaged or cut off") from error


def _read(document: PDF) -> _Report:
    report = _Report()
    for page in document.pages:
        try:
            lines = text_lines(page)
            tables = page_tables(page, lines)
        except Exception as error:
            raise Unreadable(f"page {page.page_number} of the PDF is damaged") from error
        if not lines and page.images:
            report.pictures.append(page.page_number)
        report.read(page.page_number, lines, tables)
        page.close()
    return report


def _names_results(row: PrintedRow) -> bool:
    """Say whether a row is a heading row of results: two known headings, one of a quantity or a role."""
    known = [meaning.kind for cell in row.cells if (meaning := read_heading(cell).chosen()) is not None]
    figures = [cell for cell in row.cells if cell.strip()[:1].isdigit()]
    return len(known) > 1 and any(kind in ("analyte", "role") for kind in known) and not figures


def _grid(part: _Part) -> Grid:
    rows = [*part.head, *part.rows]
    count = np.array([len(row.cells) for row in rows], dtype=np.int32)
    return Grid(
        flat=pa.array([cell for row in rows for cell in row.cells], type=pa.string()),
        first=first_cells(count),
        count=count,
        line=np.array([row.line for row in rows], dtype=np.int32),
        sheet=f"page {part.page}",
        delimiter="",
    )


def _nothing(pictures: Sequence[int], count: int) -> Unreadable:
    if len(pictures) == count:
        what = "it is a picture" if count == 1 else f"its {count} pages are pictures"
        return Unreadable(what, "file-is-picture")
    return Unreadable("no table and no line of parameter, value and unit was found in its text", "file-without-results")


def _picture(number: int) -> pd.DataFrame:
    return problem_frame(
        "page-is-picture", file_sha256="", line=0, column=f"page {number}", raw_text="", detail=str(number)
    )

"""Take PDFs apart, page by page; runs in the process that reads hostile formats."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import pdfplumber
from pdfminer.pdfdocument import PDFPasswordIncorrect
from pdfplumber.utils.exceptions import MalformedPDFException, PdfminerException

from pipeline.ingest.pdf.lines import text_lines
from pipeline.ingest.pdf.report import Report
from pipeline.ingest.pdf.tables import page_tables
from pipeline.ingest.unreadable import Unreadable

if TYPE_CHECKING:
    from collections.abc import Callable

    from pdfplumber.pdf import PDF

    from pipeline.ingest.reader_limits import ReaderLimits


def read_pdf(data: bytes, limits: ReaderLimits, _send: Callable[[bytes], None]) -> Report:
    """Read the tables and the lines of results of a text PDF.

    Raises
    ------
    Unreadable : locked, damaged, or too long.
    """
    try:
        with _opened(data) as document:
            if (count := len(document.pages)) > limits.pages:
                raise Unreadable(
                    f"it has {count} pages; {limits.pages} are allowed (setting reader_pages)", "file-too-large"
                )
            return _read(document)
    except (MalformedPDFException, PdfminerException) as error:
        _refuse_for_memory(error)
        raise Unreadable("the PDF is damaged or cut off") from error


def _opened(data: bytes) -> PDF:
    try:
        return pdfplumber.open(io.BytesIO(data))
    except PdfminerException as error:
        if any(isinstance(cause, PDFPasswordIncorrect) for cause in error.args):
            raise Unreadable("the PDF is locked with a password") from error
        raise


def _read(document: PDF) -> Report:
    report = Report(pages=len(document.pages))
    for page in document.pages:
        try:
            lines = text_lines(page)
            tables = page_tables(page, lines)
        except Exception as error:
            _refuse_for_memory(error)
            raise Unreadable(f"page {page.page_number} of the PDF is damaged") from error
        if not lines and page.images:
            report.pictures.append(page.page_number)
        report.read(page.page_number, lines, tables)
        page.close()
    return report


def _refuse_for_memory(error: BaseException | None) -> None:
    """Raise what a library caught and called something else: that no memory was left."""
    while error is not None:
        if any(isinstance(one, MemoryError) for one in (error, *error.args)):
            raise MemoryError from error
        error = error.__cause__ or error.__context__

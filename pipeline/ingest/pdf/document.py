"""A PDF as grids of text: one for each table of results, with what the report says above it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.ingest.apart import read_apart
from pipeline.ingest.grid import Grid, first_cells
from pipeline.ingest.reader_limits import ReaderLimits
from pipeline.ingest.unreadable import Unreadable
from pipeline.problems import no_problems, problem_frame

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.ingest.pdf.report import Report, ReportPart

_USUAL: Final = ReaderLimits()
_MARK: Final = b"%PDF-"
_MARK_WITHIN: Final = 1024  # bytes; ISO 32000-1, annex H.3.4.1: readers accept it anywhere in them


def is_pdf(data: bytes) -> bool:
    """Tell a PDF by its first bytes."""
    return _MARK in data[:_MARK_WITHIN]


def pages(data: bytes, limits: ReaderLimits = _USUAL) -> list[Grid]:
    """Read the tables and the lines of results of a text PDF; it is taken apart in a process of its own.

    Above every table stand the statements of the report that hold for it ("Sample no.: W-4471"), so that it can be
    read like any other table. A table that goes on on the next page without its headings gets them again.

    Parameters
    ----------
    data : the file.
    limits : what reading it may cost.

    Returns
    -------
    list of Grid : ``sheet`` is "page N", ``line`` the line of text on that page.

    Raises
    ------
    Unreadable : locked, damaged, too long, pictures without text, or no results in it.
    """
    report: Report = read_apart("pdf", data, limits)
    if not report.parts:
        raise _nothing(report.pictures, report.pages)
    grids = [_grid(part) for part in report.parts]
    notices = pd.concat([no_problems(), *map(_picture, report.pictures)], ignore_index=True)
    return [replace(grids[0], notices=notices), *grids[1:]]


def _grid(part: ReportPart) -> Grid:
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
    if not count:
        return Unreadable("the PDF has no page")
    if len(pictures) == count:
        what = "it is a picture" if count == 1 else f"its {count} pages are pictures"
        return Unreadable(what, "file-is-picture")
    return Unreadable("no table and no line of parameter, value and unit was found in its text", "file-without-results")


def _picture(number: int) -> pd.DataFrame:
    return problem_frame(
        "page-is-picture", file_sha256="", line=0, column=f"page {number}", raw_text="", detail=str(number)
    )

"""What one file holds, before its tables are brought together with those of the other files."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from pipeline.problems import no_problems, problem_frame

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.ingest.extract import Extract
    from pipeline.ingest.grid import Grid
    from pipeline.ingest.table_part import TablePart

EMPTY_LEDGER: Final[dict[str, Any]] = {
    "layout": "",
    "encoding": "",
    "delimiter": "",
    "decimal_mark": "",
    "lines": 0,
    "entries": 0,
    "accepted": 0,
    "set_aside": 0,
    "shape": "",
}


@cache
def _nothing() -> pd.DataFrame:
    return pd.DataFrame()


@dataclass(frozen=True)
class FileResult:
    """One file, taken as far as its own content allows.

    Attributes
    ----------
    source : one row of the ledger: `file_sha256 name bytes layout encoding delimiter decimal_mark lines
        entries accepted set_aside shape status` (`read`, `register`, `known`, `answered`, `not understood`,
        `not read`); what is accepted is known when the tables are normalised.
    tables : its tables of measurements, as text.
    set_aside, notices : problems (PROBLEM_COLUMNS).
    registers : register rows by kind, `sites` or `treatments`.
    evidence : (file, column, why it waits) → what the file itself says of the unit of a column that waits.
    kept : what is to be kept for files of its shape: `shape headings name unit layout said_by`.
    """

    source: dict[str, Any]
    tables: tuple[Extract | TablePart, ...] = ()
    set_aside: pd.DataFrame = field(default_factory=no_problems)
    notices: pd.DataFrame = field(default_factory=no_problems)
    registers: dict[str, pd.DataFrame] = field(default_factory=dict)
    evidence: dict[tuple[str, str, str], str] = field(default_factory=dict)
    kept: pd.DataFrame = field(default_factory=_nothing)


def unread_file(source: Mapping[str, Any], code: str, why: str, tables: Sequence[Grid] = ()) -> FileResult:
    """Give the result of a file that nothing is taken from.

    Parameters
    ----------
    source : its `file_sha256 name bytes`.
    code : of the problem.
    why : in words.
    tables : what it was taken apart into, where it came so far.
    """
    lines = max((int(grid.line[-1]) for grid in tables if len(grid)), default=0)
    ledger = {**EMPTY_LEDGER, "lines": lines, "status": "not understood"}
    notices = pd.concat(
        [notice(code, source["file_sha256"], why), *(grid.notices for grid in tables)], ignore_index=True
    )
    return FileResult(source={**source, **ledger}, notices=notices)


def notice(code: str, sha256: str, why: str, column: str = "") -> pd.DataFrame:
    """Give a remark about a whole file, or about a sheet of it."""
    return problem_frame(code, file_sha256=sha256, line=0, column=column, raw_text="", detail=why)

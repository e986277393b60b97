"""What one file holds, before its tables are brought together with those of the other files."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd

from pipeline.problems import no_problems

if TYPE_CHECKING:
    from pipeline.ingest.extract import Extract


@dataclass(frozen=True)
class FileResult:
    """One file, taken as far as its own content allows.

    Attributes
    ----------
    source : one row of the ledger: `file_sha256 name bytes layout encoding delimiter decimal_mark lines
        entries accepted set_aside status` (`read`, `register`, `known`, `answered`, `not understood`, `not read`); what
        is accepted is known when the tables are normalised.
    tables : its tables of measurements, as text.
    set_aside, notices : problems (PROBLEM_COLUMNS).
    registers : register rows by kind, `sites` or `treatments`.
    evidence : (file, column, why it waits) → what the file itself says of the unit of a column that waits.
    kept : what is to be kept for files of its shape: `shape headings name unit layout said_by`.
    """

    source: dict[str, Any]
    tables: tuple[Extract, ...] = ()
    set_aside: pd.DataFrame = field(default_factory=no_problems)
    notices: pd.DataFrame = field(default_factory=no_problems)
    registers: dict[str, pd.DataFrame] = field(default_factory=dict)
    evidence: dict[tuple[str, str, str], str] = field(default_factory=dict)
    kept: pd.DataFrame = field(default_factory=pd.DataFrame)

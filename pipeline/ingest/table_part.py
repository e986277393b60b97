"""The table of one file among those of several files that were taken to text together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.ingest.extract import Extract


@dataclass(frozen=True)
class TablePart:
    """One file's rows and cells of a table of several files: places in the frames of ``whole``."""

    whole: Extract
    rows: range
    cells: range

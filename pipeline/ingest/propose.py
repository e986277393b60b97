"""A layout proposed for a file, and the table that shows what a match made of a file.

A proposal holds what is known or proved, and questions: they carry the mark `confirm`, and a layout with
that mark is refused until a person has answered and taken it out.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.ingest.columns import looks_numeric
from pipeline.ingest.header_rows import header_scores
from pipeline.ingest.headings import read_heading
from pipeline.ingest.unit_text import unit_at_end

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.ingest.grid import Grid
    from pipeline.ingest.matching import Match

_SAMPLED: Final = 200  # rows looked at to tell numbers from text
EXACT: Final = "exact"
UNIT_ONLY: Final = "unit only"
UNKNOWN_COLUMN: Final = "unknown"


@dataclass(frozen=True)
class ColumnProposal:
    """What one column may hold: ``kind`` and ``code`` of a meaning, ``sure`` says how that was found."""

    position: int
    heading: str
    sure: str
    kind: str = ""
    code: str = ""
    unit: str = ""
    numeric: bool = False


@dataclass(frozen=True)
class Proposal:
    """A proposal for one table: the line of its headings and what each column may hold."""

    header_row: int
    line: int
    delimiter: str
    columns: tuple[ColumnProposal, ...]

    def to_layout_json(
        self, name: str, units: Mapping[str, str] | None = None, questions: Mapping[str, str] | None = None
    ) -> str:
        """Write the proposal as a layout; questions carry `confirm` and must be answered by hand.

        Parameters
        ----------
        name : of the new layout.
        units : unit of each quantity whose unit the file itself shows.
        questions : quantity → what is to be asked of its unit.
        """
        exact = [column for column in self.columns if column.sure == EXACT]
        measured = sum(column.kind == "analyte" for column in exact)
        roles = {column.code for column in exact if column.kind == "role"}
        long = {"analyte", "value"} <= roles
        described: dict[str, Any] = {
            "$schema": "https://datapackage.org/profiles/2.0/tableschema.json",
            "name": name,
            "title": "Describe the file here",
            "rank": 0,
            "kind": "measurements",
            "orientation": ["results-in-rows" if long else "samples-in-rows"],
            "headings": "all",
            "needs": {"all": ["analyte", "value"]} if long else {"measurements": max(measured, 1)},
            "method": "unknown",
            "decimalChar": "",
            "dateFormats": ["%Y-%m-%d"],
            "dialect": {"delimiter": self.delimiter},
            **({"units": dict(units)} if units else {}),
            **({"confirmUnits": dict(questions)} if questions else {}),
            "fields": [field for column in self.columns if (field := _field(column)) is not None],
        }
        return json.dumps(described, ensure_ascii=False, indent=2) + "\n"


def propose_layout(grid: Grid) -> Proposal | None:
    """Propose what each column of an unknown table holds.

    Returns
    -------
    The proposal, or None for a table without any row of two or more filled cells.
    """
    scores = header_scores(grid)
    candidates = [
        (-score, -_words(grid.row(row)), row) for row, score in enumerate(scores) if sum(map(bool, grid.row(row))) > 1
    ]
    if not candidates:
        return None
    row = min(candidates)[2]
    below = np.arange(row + 1, min(row + 1 + _SAMPLED, len(grid)), dtype=np.int64)
    columns = tuple(
        _column(number, cell, numeric=looks_numeric(grid.column(number, below)))
        for number, cell in enumerate(grid.row(row))
    )
    return Proposal(row, int(grid.line[row]), grid.delimiter, columns)


def _words(cells: list[str]) -> int:
    return sum(any(sign.isalpha() for sign in cell) for cell in cells)


def _column(position: int, cell: str, *, numeric: bool) -> ColumnProposal:
    heading = read_heading(cell)
    meaning = heading.chosen()
    if meaning is not None:
        return ColumnProposal(
            position, cell, EXACT, meaning.kind, meaning.code, heading.unit or meaning.unit, numeric=numeric
        )
    _, unit = unit_at_end(cell)
    return ColumnProposal(position, cell, UNIT_ONLY if unit else UNKNOWN_COLUMN, unit=unit, numeric=numeric)


def _field(column: ColumnProposal) -> dict[str, str] | None:
    """Write a column as a field of a layout; known headings need none, and nothing is made of likeness."""
    if column.sure == EXACT or not column.heading or not column.numeric:
        return None
    question = "which quantity is this? write analyte instead of role"
    field = {"name": column.heading, "type": "string", "role": "ignored", "confirm": question}
    return field | ({"unit": column.unit} if column.unit else {})


def checked(match: Match) -> pd.DataFrame:
    """Show what a match made of every column: the table `kettlestone layout check` prints.

    Returns
    -------
    (n, 6) frame: column, heading, becomes, holds, unit, basis.
    """
    rows = [
        (
            column.position + 1,
            " ".join(column.heading.split()),
            column.analyte or column.code or column.role,
            column.form if column.role == "measurement" else column.role,
            column.unit,
            " ".join(part for part in (column.basis, column.ec_reference, column.tds_scale) if part),
        )
        for column in match.columns
    ]
    return pd.DataFrame(rows, columns=["column", "heading", "becomes", "holds", "unit", "basis"])

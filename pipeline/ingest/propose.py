"""A layout proposed for a file that none fits, and the table that shows what a match made of a file.

A proposal is never used by itself: every guess in it carries the mark `confirm`, and a layout with
that mark is refused until a person has looked and taken it out.
"""

from __future__ import annotations

import difflib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.ingest.columns import looks_numeric
from pipeline.ingest.header_rows import header_scores
from pipeline.ingest.headings import read_heading
from pipeline.ingest.meanings import known_spellings
from pipeline.ingest.spellings import key
from pipeline.ingest.unit_text import unit_at_end

if TYPE_CHECKING:
    from pipeline.ingest.grid import Grid
    from pipeline.ingest.matching import Match
    from pipeline.ingest.meanings import Meaning

_LIKENESS: Final = 0.75  # share of like letters for "did you mean"; a hint only, so no source is needed
_SAMPLED: Final = 200  # rows looked at to tell numbers from text
EXACT: Final = "exact"
UNIT_ONLY: Final = "unit only"
DID_YOU_MEAN: Final = "did you mean"
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
    like: str = ""
    numeric: bool = False


@dataclass(frozen=True)
class Proposal:
    """A proposal for one table: the line of its headings and what each column may hold."""

    header_row: int
    line: int
    delimiter: str
    columns: tuple[ColumnProposal, ...]

    def to_layout_json(self, name: str) -> str:
        """Write the proposal as a layout; guesses carry `confirm` and must be settled by hand.

        Parameters
        ----------
        name : of the new layout.
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
    name, unit = unit_at_end(cell)
    like, near = _like(name)
    if near is not None:
        return ColumnProposal(position, cell, DID_YOU_MEAN, near.kind, near.code, unit, like, numeric=numeric)
    return ColumnProposal(position, cell, UNIT_ONLY if unit else UNKNOWN_COLUMN, unit=unit, numeric=numeric)


def _like(name: str) -> tuple[str, Meaning | None]:
    known = known_spellings()
    near = difflib.get_close_matches(key(name), known, n=1, cutoff=_LIKENESS) if key(name) else []
    return (near[0], known[near[0]][0]) if near else ("", None)


def _field(column: ColumnProposal) -> dict[str, str] | None:
    """Write a column as a field of a layout; known headings need none."""
    if column.sure == EXACT or not column.heading:
        return None
    field = {"name": column.heading, "type": "string"}
    if column.sure == DID_YOU_MEAN:
        field |= {column.kind: column.code, "confirm": f'is this "{column.like}"?'}
    elif column.numeric:
        field |= {"role": "ignored", "confirm": "which quantity is this? write analyte instead of role"}
    else:
        return None
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

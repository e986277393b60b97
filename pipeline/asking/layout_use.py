"""Layouts of one's own that a file could not be read by: what they name and the file does not have."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.ingest.spellings import key
from pipeline.problems import no_problems, problem_frame

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.ingest.grid import Grid
    from pipeline.ingest.layout_file import Layout
    from pipeline.ingest.matching import Match

_MEANT: Final = 0.5  # share of its headings from which a layout is meant for a file
_WITHIN: Final = 60  # first rows that may hold headings


def layout_notices(
    layouts: Sequence[Layout], tables: Sequence[Grid], read: Sequence[Match], file_sha256: str
) -> pd.DataFrame:
    """Tell of layouts of one's own that name a sheet, a line or columns that a file does not have.

    Parameters
    ----------
    layouts : all that may be used; those that are built in name nothing that must be there.
    tables : of the file.
    read : how its tables were read.
    file_sha256 : of the file.

    Returns
    -------
    PROBLEM_COLUMNS; a layout that has nothing in common with the file is for another one, and nothing is said.
    """
    if not any(layout.stated for layout in layouts):
        return no_problems()
    used = {match.layout.stated for match in read}
    cells = {key(cell) for grid in tables for number in range(min(len(grid), _WITHIN)) for cell in grid.row(number)}
    told = [no_problems()]
    for layout in layouts:
        names = _headings(layout)
        absent = [name for name, spellings in names.items() if not spellings & cells]
        if not layout.stated or len(absent) > (1 - _MEANT) * len(names):
            continue
        if layout.stated in used and not absent:
            continue
        faults = [
            *_places(layout, tables),
            *([f"the {'column' if len(absent) == 1 else 'columns'} {_listed(absent)}"] if absent else []),
        ]
        if faults:
            verb = "was used, but names" if layout.stated in used else "was not used: it names"
            detail = f'the layout "{layout.name}" {verb} {" and ".join(faults)}'
            told.append(
                problem_frame(
                    "layout-names-absent", file_sha256=file_sha256, line=0, column="", raw_text="", detail=detail
                )
            )
    return pd.concat(told, ignore_index=True)


def _headings(layout: Layout) -> dict[str, set[str]]:
    """Give the columns a layout of one's own names, each with all its spellings."""
    fields = json.loads(layout.stated)["fields"] if layout.stated else []
    return {field["name"]: {key(text) for text in (field["name"], *field.get("synonyms", []))} for field in fields}


def _places(layout: Layout, tables: Sequence[Grid]) -> list[str]:
    sheets = list(dict.fromkeys(grid.sheet for grid in tables if grid.sheet))
    faults = []
    if layout.sheet and key(layout.sheet) not in map(key, sheets):
        faults.append(f'the sheet "{layout.sheet}" (the file has {_listed(sheets) if sheets else "no sheets"})')
    if layout.header_row and not any((grid.line == layout.header_row).any() for grid in tables):
        faults.append(f"the line {layout.header_row}")
    return faults


def _listed(names: Sequence[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)

"""Titles of tables and names of sheets as places: "Works North" above one table, "Works South" above the next."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.ingest.dated_headings import date_of_heading
from pipeline.ingest.spellings import key, word_table
from pipeline.ingest.stage_words import stage_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.ingest.grid import Grid
    from pipeline.ingest.matching import Match

_ABOVE: Final = 3  # rows in which a title may stand
_LONGEST: Final = 60  # letters of a title
_LOOKED_AT: Final = 200  # rows of a table
_OWNING: Final = ("client", "site", "site_code")
# What an office program calls a sheet that nobody named.
_BLANK_SHEET: Final = re.compile(
    r"(?:sheet|tabelle|feuil|feuille|foglio|hoja|blad|arkusz|list|planilha|ark)\s*\d*$", re.IGNORECASE
)
_NAMING: Final = ("label", "site", "sampling_point")  # what tells the samples of a table apart


def with_titles(tables: Sequence[tuple[Grid, Match]]) -> list[tuple[Grid, Match]]:
    """Take the title of a table, else the name of its sheet, for the sampling point of its samples.

    This holds where several tables hold the same quantities and do not say themselves whose samples they are; titles
    over parts of one analysis ("Cations", "Anions") name no place. A title that names a stage counts in any table. Of
    tables with sampling points of their own but no site, one for each house, the title is the site.

    Parameters
    ----------
    tables : of one file, each with how it is read.
    """
    measured = [match.layout.kind == "measurements" for _, match in tables]
    if sum(measured) < 2:  # noqa: PLR2004 - a lone table has nobody to be told from
        return list(tables)
    quantities = [_quantities(grid, match) for grid, match in tables]
    names = _names(tables)
    return [
        (grid, _placed(match, names[at], alike=_alike(at, quantities))) if measured[at] else (grid, match)
        for at, (grid, match) in enumerate(tables)
    ]


def _names(tables: Sequence[tuple[Grid, Match]]) -> list[str]:
    """Give the title of each table; the names of sheets where the titles do not tell tables apart."""
    for names in ([_title(grid, match) for grid, match in tables], [grid.sheet for grid, _ in tables]):
        if len({name for name in names if name}) > 1:
            return names
    return [""] * len(tables)


def _title(grid: Grid, match: Match) -> str:
    """Give the words that stand alone in a row right above the headings."""
    for row in range(match.header_row - 1, max(match.header_row - 1 - _ABOVE, -1), -1):
        said = [cell for cell in grid.row(row) if cell]
        if said:
            words = said[0] if len(said) == 1 else ""
            return words if 0 < len(words) <= _LONGEST and any(map(str.isalpha, words)) else ""
    return ""


def _placed(match: Match, name: str, *, alike: bool) -> Match:
    stated = {column.code for column in match.columns if column.role == "about"}
    if not name or "sampling_point" in match.preamble:
        return match
    if "sampling_point" in stated:
        of_house = alike and stated.isdisjoint(_OWNING) and not (_BLANK_SHEET.match(name) or date_of_heading(name))
        return replace(match, preamble={"site": name, **match.preamble}) if of_house else match
    named = not stated.isdisjoint(_NAMING) or any(
        column.sample and not date_of_heading(column.sample) for column in match.measured
    )
    stage = word_table("stages").get(key(name), "") or stage_of(name, label=True)
    takes = (stage and "stage" not in stated) if named else alike
    return replace(match, preamble={**match.preamble, "sampling_point": name}) if takes else match


def _quantities(grid: Grid, match: Match) -> frozenset[str]:
    """Give the quantities of a table, in a long one as they are written."""
    found = {column.analyte for column in match.measured if column.analyte}
    rows = np.arange(match.body, min(len(grid), match.body + _LOOKED_AT), dtype=np.int64)
    for column in match.columns:
        if column.role == "analyte":
            found.update(key(text) for text in grid.cells(column.position, rows).to_pylist())
    return frozenset(found - {""})


def _alike(at: int, quantities: Sequence[frozenset[str]]) -> bool:
    """Tell whether another table holds most of the same quantities."""
    own = quantities[at]
    others = (other for number, other in enumerate(quantities) if number != at and other)
    return any(2 * len(own & other) >= min(len(own), len(other)) > 0 for other in others)

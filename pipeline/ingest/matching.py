"""Find the header row of a table and what each column holds, under the layout that fits best."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.ingest.columns import DROP_WORDS, SourceColumn, looks_numeric, read_columns
from pipeline.ingest.heading_kinds import AVERAGE, identifying, statistic, uncertain
from pipeline.ingest.headings import read_heading
from pipeline.ingest.meanings import OwnSpellings
from pipeline.ingest.spellings import key, word_table
from pipeline.ingest.unit_text import UnitText, split_unit

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from pipeline.ingest.grid import Grid
    from pipeline.ingest.layout_file import Layout, Needs

_HEADER_WITHIN: Final = 60  # rows; a longer preamble is not a preamble
_TRIED_ROWS: Final = 4  # best rows that are tried under every layout
_SAMPLED: Final = 200  # body rows looked at to tell numbers from text


@dataclass(frozen=True)
class Match:
    """How a grid is to be read.

    Attributes
    ----------
    layout : the layout that fits.
    orientation : "samples-in-rows", "results-in-rows" or "parameters-in-rows".
    header_row : its position in the grid; ``body`` is the position of the first row below header and units.
    columns : one Column for each cell of the header row.
    preamble : row fields stated above the header ("Probe: 17").
    """

    layout: Layout
    orientation: str
    header_row: int
    body: int
    columns: tuple[SourceColumn, ...]
    preamble: Mapping[str, str] = field(default_factory=dict)

    @property
    def measured(self) -> tuple[SourceColumn, ...]:
        """Columns that hold entries."""
        return tuple(column for column in self.columns if column.role == "measurement")

    @property
    def ignored_columns(self) -> tuple[str, ...]:
        """Headings that nothing is read from."""
        return tuple(column.heading for column in self.columns if column.role in ("unknown", "ignored"))

    def rows(self, grid: Grid) -> npt.NDArray[np.int64]:
        """Positions of the rows below the header."""
        return np.arange(self.body, len(grid), dtype=np.int64)


def match_layout(grid: Grid, layouts: Sequence[Layout]) -> Match | None:
    """Find the header row within the first 60 rows and the layout that fits it best.

    Parameters
    ----------
    grid : the table as text.
    layouts : in order of preference where several fit equally.

    Returns
    -------
    The match, or None if no layout finds what it needs.
    """
    rows = [grid.row(number) for number in range(min(len(grid), _HEADER_WITHIN))]
    scores = header_scores(grid, layouts)
    order = sorted(range(len(rows)), key=lambda number: (-scores[number], number))
    for number in order[:_TRIED_ROWS]:
        if scores[number] == 0:
            break
        for layout in layouts:
            if found := _under(grid, number, rows[number], layout):
                return replace(found, preamble=_preamble(rows[:number]))
    return None


def header_scores(grid: Grid, layouts: Sequence[Layout] = ()) -> list[int]:
    """Count, for each of the first 60 rows, the cells that are headings of any layout."""
    everything = _every_spelling(tuple(layouts))
    return [_recognised(grid.row(number), everything) for number in range(min(len(grid), _HEADER_WITHIN))]


@lru_cache(maxsize=8)
def _every_spelling(layouts: tuple[Layout, ...]) -> OwnSpellings:
    """Put the own spellings of all layouts together, to find the header row under any of them."""
    return OwnSpellings(
        {spelling: meaning for layout in reversed(layouts) for spelling, meaning in layout.own.folded.items()}
    )


def _recognised(cells: list[str], own: OwnSpellings) -> int:
    """Count the cells of a row that are known headings; a row of one cell is no header."""
    filled = [cell for cell in cells if cell]
    if len(filled) < 2:  # noqa: PLR2004 (a table has at least two columns)
        return 0
    return sum(bool(read_heading(cell, own).meanings) for cell in filled)


def _under(grid: Grid, header_row: int, cells: list[str], layout: Layout) -> Match | None:
    """Read the row as the header of one layout; None if the layout's needs are not met."""
    for orientation in layout.orientation:
        body, units = _units_row(grid, header_row)
        columns = read_columns(cells, layout, orientation, units)
        rows = np.arange(body, min(body + _SAMPLED, len(grid)), dtype=np.int64)
        if orientation == "parameters-in-rows":
            columns = _value_columns(grid, rows, columns)
        present = _present(columns)
        if (
            _fits_orientation(columns, present, orientation)
            and _met(layout.needs, columns, present, orientation)
            and _any_needed(layout.needs, grid, rows, columns, present)
        ):
            return Match(layout, orientation, header_row, body, columns)
    return None


def _fits_orientation(columns: tuple[SourceColumn, ...], present: set[str], orientation: str) -> bool:
    named = bool(present & {"analyte", "analyte_code"})
    measured = any(column.role == "measurement" for column in columns)
    if orientation == "samples-in-rows":
        return not (named and "value" in present)
    return named and measured


def _present(columns: tuple[SourceColumn, ...]) -> set[str]:
    present = {column.role for column in columns}
    present |= {column.code for column in columns if column.role in ("about", "companion")}
    for column in columns:
        if column.role == "measurement":
            present |= {column.analyte} if column.analyte and column.form == "value" else {column.form}
    return present


def _any_needed(
    needs: Needs, grid: Grid, rows: npt.NDArray[np.int64], columns: tuple[SourceColumn, ...], present: set[str]
) -> bool:
    """Tell whether one of the alternatives is there: a column, or counts such as "14 Tr." in the cells."""
    if not needs.any or set(needs.any) & present:
        return True
    if "drop words" not in needs.any:
        return False
    measured = [grid.cells(column.position, rows) for column in columns if column.role == "measurement"]
    texts = pa.chunked_array(measured, type=grid.flat.type)
    return bool(pc.any(pc.match_substring_regex(texts, DROP_WORDS, ignore_case=True)).as_py())


def _met(needs: Needs, columns: tuple[SourceColumn, ...], present: set[str], orientation: str) -> bool:
    """Tell whether a layout finds what it needs; of a table of parameters one sample, or the mean, is enough."""
    least = min(needs.measurements, 1) if orientation == "parameters-in-rows" else needs.measurements
    measured = [column for column in columns if column.role == "measurement"]
    others = {"measurements"} if measured else set()
    return (
        len(measured) >= least
        and sum(column.own for column in columns) >= needs.own
        and set(needs.all) <= present
        and (not needs.only or {column.analyte for column in measured} <= set(needs.only))
        and not set(needs.nothing) & (present | others)
    )


def _units_row(grid: Grid, header_row: int) -> tuple[int, list[UnitText | None]]:
    """Read the row below the header as units, if most of its cells are units.

    Returns
    -------
    Position of the first body row, and the unit of each column.
    """
    below = header_row + 1
    if below >= len(grid):
        return below, []
    cells = grid.row(below)
    units = [split_unit(cell) if cell else None for cell in cells]
    filled = [cell for cell in cells if cell not in ("", "-")]
    found = sum(unit is not None and unit.unit != "" for unit in units)
    if not filled or found * 2 <= len(filled):
        return below, []
    # A cell that is no unit goes on as written, so that what stands below it is not read without one.
    return below + 1, [unit or (UnitText(cell) if cell else None) for unit, cell in zip(units, cells, strict=True)]


def _value_columns(
    grid: Grid, rows: npt.NDArray[np.int64], columns: tuple[SourceColumn, ...]
) -> tuple[SourceColumn, ...]:
    """Take the numeric columns right of the parameters as one sample each, labelled by their headings.

    Lowest, highest, number and limit are no samples; an average is the result where the table has no others.
    """
    if any(column.role == "measurement" for column in columns):
        return ()
    numeric = {
        column.position: statistic(column.heading)
        for column in columns
        if column.heading
        and (column.role == "unknown" or (column.role == "about" and not column.own))
        and not (uncertain(column.heading) or identifying(column.heading, whole=True))
        and looks_numeric(grid.column(column.position, rows))
    }
    results = _results(columns, numeric)
    return tuple(
        replace(column, role="measurement", form="value", sample=results[column.position], stage=_stage(column))
        if column.position in results
        else replace(column, role="unknown")
        if column.position in numeric
        else column
        for column in columns
    )


def _results(columns: tuple[SourceColumn, ...], numeric: Mapping[int, str]) -> dict[int, str]:
    """Choose the columns that hold results, each with the label of its sample; a lone average goes without."""
    samples = {position: columns[position].heading for position, kind in numeric.items() if not kind}
    if samples:
        return samples
    averages = [position for position, kind in numeric.items() if kind == AVERAGE]
    names = {position: key(columns[position].heading) for position in averages}
    alike = [position for position in averages if names[position].split()[:1] == names[averages[0]].split()[:1]]
    return {position: columns[position].heading if len(alike) > 1 else "" for position in alike}


def _stage(column: SourceColumn) -> str:
    return word_table("stages").get(key(column.heading), "")


def _preamble(rows: list[list[str]]) -> dict[str, str]:
    """Collect "Probe: 17" or "Probe" beside "17" above the header; the first statement counts."""
    facts: dict[str, str] = {}
    for cells in rows:
        for number, cell in enumerate(cells):
            name, colon, stated = cell.partition(":")
            meaning = read_heading(name.strip()).chosen()
            if meaning is None or meaning.kind != "field":
                continue
            beside = next((other for other in cells[number + 1 :] if other), "")
            value = stated.strip() or (beside if number == 0 or colon else "")
            if value:
                facts.setdefault(meaning.code, value)
            break
    return facts

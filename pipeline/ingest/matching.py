"""Find the header row of a table and what each column holds, under the layout that fits best."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.ingest.above import StatedUnit, stated_above, stated_unit, year_above
from pipeline.ingest.columns import SourceColumn, looks_numeric, read_columns
from pipeline.ingest.columns_by_cells import with_open_columns
from pipeline.ingest.dated_headings import is_month
from pipeline.ingest.drop_worths import DROP_WORDS
from pipeline.ingest.header_rows import Head, head_at, heads_of
from pipeline.ingest.heading_kinds import AVERAGE, COUNT, identifying, statistic, uncertain
from pipeline.ingest.sample_columns import sample_columns
from pipeline.ingest.sampling_columns import with_sampling_columns
from pipeline.ingest.sign_columns import with_sign_columns
from pipeline.ingest.spellings import key, word_table
from pipeline.ingest.stage_words import stage_of
from pipeline.ingest.unit_columns import with_unit_column
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from pipeline.ingest.grid import Grid
    from pipeline.ingest.layout_file import Layout, Needs

_TRIED: Final = 8  # best heads that are tried under every layout
_PLACES: Final = ("label", "site", "site_code", "sampling_point")
_SAMPLED: Final = 200  # body rows looked at to tell numbers from text


@dataclass(frozen=True)
class Match:
    """How a grid is to be read.

    Attributes
    ----------
    layout : the layout that fits.
    orientation : "samples-in-rows", "results-in-rows" or "parameters-in-rows".
    header_row : position in the grid of the first row of headings; ``body`` is that of the first row below them.
    columns : one Column for each cell of the header row.
    preamble : row fields stated above the header ("Probe: 17").
    stated_unit : what a sentence above says of the unit of all values; layout and columns have it already.
    """

    layout: Layout
    orientation: str
    header_row: int
    body: int
    columns: tuple[SourceColumn, ...]
    preamble: Mapping[str, str] = field(default_factory=dict)
    stated_unit: StatedUnit | None = None

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
    for layout in layouts:
        if layout.header_row and (found := _first_under(grid, _stated_heads(grid, layout), [layout])):
            return _by_content(grid, found)
    free = [layout for layout in layouts if not layout.header_row]
    found = _first_under(grid, heads_of(grid, free)[:_TRIED], free)
    found = _turned(grid, found, free) or found
    return _by_content(grid, found) if found is not None else None


def _by_content(grid: Grid, found: Match) -> Match:
    """Settle by their cells the columns whose headings leave open what stands below: signs, days or places, units."""
    rows = found.rows(grid)
    columns = with_sign_columns(found.columns, grid, rows, found.layout, wide=found.orientation == "samples-in-rows")
    if found.orientation == "results-in-rows":
        columns = with_unit_column(columns, grid, rows)
    columns = with_open_columns(columns, grid, rows[:_SAMPLED])
    return replace(found, columns=with_sampling_columns(columns, grid, rows[:_SAMPLED]))


def _turned(grid: Grid, found: Match | None, layouts: Sequence[Layout]) -> Match | None:
    """Read the grid with one sample a column, if it then says more than with one sample a row."""
    if found is not None and found.orientation != "samples-in-rows":
        return None
    layout = next((one for one in layouts if "parameters-in-rows" in one.orientation and not one.needs.own), None)
    turned = sample_columns(grid) if layout is not None else None
    in_rows = len({column.analyte for column in found.measured}) if found is not None else 0
    if layout is None or turned is None or turned.quantities <= in_rows:
        return None
    columns = _samples_only(turned.columns)
    if not any(column.role == "measurement" for column in columns):
        return None
    head = max(turned.body - 1, 0)
    return _with_above(grid, Match(layout, "parameters-in-rows", head, turned.body, columns))


def _stated_heads(grid: Grid, layout: Layout) -> list[Head]:
    """Read the head at the line that the layout names; none if the table has no such line."""
    at = np.flatnonzero(grid.line == layout.header_row)
    return head_at(grid, int(at[0]), [layout]) if len(at) else []


def _first_under(grid: Grid, heads: Sequence[Head], layouts: Sequence[Layout]) -> Match | None:
    for head in heads:
        for layout in layouts:
            if (not layout.sheet or key(layout.sheet) == key(grid.sheet)) and (found := _under(grid, head, layout)):
                return _with_above(grid, found)
    return None


def _with_above(grid: Grid, found: Match) -> Match:
    """Add what stands above the headings and holds for the whole table."""
    rows = [grid.row(number) for number in range(found.header_row)]
    found = replace(found, preamble=stated_above(rows), columns=_with_year(found.columns, year_above(rows)))
    stated = stated_unit(rows)
    return with_stated_unit(found, stated) if stated else found


def _with_year(columns: tuple[SourceColumn, ...], year: str) -> tuple[SourceColumn, ...]:
    """Complete the months that head the columns of samples, "Jan | Apr", with the year of the title."""
    months = [column.position for column in columns if column.sample and is_month(column.sample)]
    if not year or not months:
        return columns
    return tuple(
        replace(column, sample=f"{column.sample} {year}") if column.position in months else column for column in columns
    )


def with_stated_unit(found: Match, stated: StatedUnit) -> Match:
    """Take the unit that is said to be that of all values, for the quantities it fits and that state none."""
    layout, columns = _in_unit(found.layout, found.columns, stated.unit)
    return replace(found, layout=layout, columns=columns, stated_unit=stated)


@lru_cache(maxsize=256)
def _in_unit(layout: Layout, columns: tuple[SourceColumn, ...], unit: str) -> tuple[Layout, tuple[SourceColumn, ...]]:
    """Give a layout and columns with the unit of all values; the same objects for the same ones."""
    fitting = dict.fromkeys((code for code, analyte in ANALYTES.items() if analyte.unit == "mg/L"), unit)
    in_unit = tuple(
        replace(column, unit=fitting.get(column.analyte, ""))
        if column.role == "measurement" and column.form == "value" and column.analyte and not column.unit
        else column
        for column in columns
    )
    return replace(layout, units={**fitting, **layout.units}), in_unit


def _under(grid: Grid, head: Head, layout: Layout) -> Match | None:
    """Read the row as the header of one layout; None if the layout's needs are not met."""
    for orientation in layout.orientation:
        columns = read_columns(head.cells, layout, orientation, head.units)
        rows = np.arange(head.body, min(head.body + _SAMPLED, len(grid)), dtype=np.int64)
        if orientation == "parameters-in-rows":
            columns = _value_columns(grid, rows, columns)
        elif orientation == "results-in-rows":
            columns = _with_average(columns)
        present = _present(columns)
        if (
            _fits_orientation(columns, present, orientation)
            and _met(layout.needs, columns, present, orientation)
            and _any_needed(layout.needs, grid, rows, columns, present)
        ):
            return Match(layout, orientation, head.first, head.body, columns)
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
        and all(present.intersection(one.split("|")) for one in needs.all)
        and (not needs.only or {column.analyte for column in measured} <= set(needs.only))
        and not set(needs.nothing) & (present | others)
    )


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


@lru_cache(maxsize=256)
def _with_average(columns: tuple[SourceColumn, ...]) -> tuple[SourceColumn, ...]:
    """Take the one average for the result in a yearly statement of several places, which has no other results.

    "No. of samples" names none of them there.
    """
    averages = [c for c in columns if c.role in ("unknown", "ignored") and statistic(c.heading) == AVERAGE]
    counts = [c for c in columns if c.role == "about" and statistic(c.heading) == COUNT]
    placed = any(c.role == "about" and c.code in _PLACES and c not in counts for c in columns)
    if not placed or len(averages) != 1 or any(column.role in ("measurement", "value") for column in columns):
        return columns
    plain = (replace(column, role="unknown", code="") if column in counts else column for column in columns)
    return tuple(
        replace(column, role="measurement", code="value", form="value")
        if column.position == averages[0].position
        else column
        for column in plain
    )


def _samples_only(columns: tuple[SourceColumn, ...]) -> tuple[SourceColumn, ...]:
    """Leave limits, statistics and uncertainties out of the columns that are one sample each."""
    return tuple(
        replace(column, role="unknown")
        if column.role == "measurement" and (statistic(column.heading) or uncertain(column.heading))
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
    return word_table("stages").get(key(column.heading), "") or stage_of(column.heading, label=True)

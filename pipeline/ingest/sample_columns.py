"""Tables with one sample a column whose first column has no heading such as "Parameter".

The quantities stand one below the other, maybe with their units beside them; labels, dates and places of the
samples stand in rows of their own among them, or above.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.ingest.columns import SourceColumn, looks_numeric
from pipeline.ingest.headings import read_heading
from pipeline.ingest.spellings import key, word_table
from pipeline.ingest.stage_words import stage_of
from pipeline.ingest.unit_text import split_unit

if TYPE_CHECKING:
    from pipeline.ingest.grid import Grid

_ROWS: Final = 200  # looked at; a table of quantities is no longer
_PLACES: Final = 3  # columns in which the names may stand
_LEAST: Final = 2  # quantities that make a column one of names
_MOST: Final = 60  # columns of samples; a wider table has its samples in rows


@dataclass(frozen=True)
class SampleColumns:
    """How such a table is to be read: position of its first row, its columns, and how many quantities it names."""

    body: int
    columns: tuple[SourceColumn, ...]
    quantities: int


def sample_columns(grid: Grid) -> SampleColumns | None:
    """Read a grid as a table with one sample a column; None if its first columns name no quantities."""
    rows = np.arange(min(len(grid), _ROWS), dtype=np.int64)
    width = int(grid.count[rows].max(initial=0))
    if not 1 < width <= _MOST:
        return None
    known = {position: _quantities(grid, position, rows) for position in range(min(_PLACES, width - 1))}
    position = max(known, key=lambda place: len(known[place]))
    names = _run(known[position], grid.column(position, rows).tolist())
    if len(names) < _LEAST:
        return None
    at = np.fromiter(names, dtype=np.int64)
    first = int(at.min())
    while first and _states(grid.row(first - 1), position):
        first -= 1
    labels = _labels(grid, first, position)
    columns = tuple(_column(grid, number, position, at, labels) for number in range(width))
    samples = [column for column in columns if column.role == "measurement"]
    if not samples:
        return None
    if len(samples) == 1 and not any(labels[samples[0].position : samples[0].position + 1]):
        # One sample that nothing names is called by its file.
        columns = tuple(replace(column, sample="") if column is samples[0] else column for column in columns)
    return SampleColumns(first, columns, len(set(names.values())))


def _labels(grid: Grid, first: int, names: int) -> list[str]:
    """Give the labels above the samples; where they come again, each with the one over it: "Kitchen before"."""
    if not first:
        return []
    labels = grid.row(first - 1)
    own = [label for label in labels[names + 1 :] if label]
    if first < 2 or len(set(own)) == len(own):  # noqa: PLR2004 - two rows
        return labels
    above, last = [], ""
    for number in range(len(labels)):
        upper = grid.row(first - 2)
        last = (upper[number] if number < len(upper) else "") or last
        above.append(last if number > names else "")
    return [f"{upper} {label}".strip() if label else "" for upper, label in zip(above, labels, strict=True)]


def _quantities(grid: Grid, position: int, rows: np.ndarray) -> dict[int, str]:
    """Give the rows whose cell in one column names a quantity, and the quantity."""
    return {
        row: meaning.code
        for row, text in enumerate(grid.column(position, rows))
        if text and (meaning := read_heading(text).chosen()) is not None and meaning.kind == "analyte"
    }


def _run(quantities: dict[int, str], texts: list[str]) -> dict[int, str]:
    """Keep the quantities up to the first empty cell below the first of them, if they are most of what stands there."""
    first = min(quantities, default=len(texts))
    end = next((row for row in range(first, len(texts)) if not texts[row]), len(texts))
    run = {row: code for row, code in quantities.items() if row < end}
    return run if len(run) * 2 > end - first else {}


def _states(cells: list[str], position: int) -> bool:
    """Tell whether a row states something of the samples ("Date | 2025-03-01 | 2025-03-02")."""
    meaning = read_heading(cells[position]).chosen() if len(cells) > position + 1 else None
    return meaning is not None and meaning.kind == "field" and any(cells[position + 1 :])


def _column(grid: Grid, number: int, names: int, at: np.ndarray, labels: list[str]) -> SourceColumn:
    heading = labels[number] if number < len(labels) else ""
    if number == names:
        return SourceColumn(number, heading, "analyte")
    if number < names:
        return SourceColumn(number, heading, "unknown")
    texts = grid.column(number, at)
    filled = [text for text in texts if text not in ("", "-")]
    units = [split_unit(text.strip("[]()")) for text in filled]
    if filled and sum(unit is not None and unit.unit != "" for unit in units) * 2 > len(filled):
        return SourceColumn(number, heading, "unit")
    if not looks_numeric(texts):
        return SourceColumn(number, heading, "unknown")
    label = heading or f"column {number + 1}"
    stage = word_table("stages").get(key(heading), "") or stage_of(heading, label=True)
    return SourceColumn(number, label, "measurement", form="value", sample=label, stage=stage)

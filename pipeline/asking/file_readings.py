"""What a table holds, sample by sample: the readings whose unit is known, and the numbers that wait for one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.asking.candidates import candidates, stand_in
from pipeline.asking.drop_worths import counts_alone
from pipeline.asking.open_units import WORTH, with_units
from pipeline.explain.record import ROW, ROWS, UNREAD
from pipeline.normalise.readings import NormaliseSettings, normalise
from pipeline.texts import TextColumn, numbered
from schemas.columns import CONTROLS

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from pipeline.arrays import Floats, Places
    from pipeline.asking.candidates import UnitCandidate
    from pipeline.asking.open_units import CellKind, CellKinds
    from pipeline.ingest.extract import Extract

_MOST: Final = 2_000  # rows of a table that are looked at, spread evenly over it
_SAMPLE: Final = ("label", "client", "site", "sampling_point", "stage")


@dataclass(frozen=True)
class FileReadings:
    """Readings of (n,) samples.

    Attributes
    ----------
    values : (r, n) rows of ROWS in canonical units; what waits is missing.
    waiting : kind → its numbers (n,) as they stand in the file.
    units : kind → the units it may be in.
    """

    values: Floats
    waiting: dict[CellKind, Floats]
    units: dict[CellKind, tuple[UnitCandidate, ...]]


@dataclass(frozen=True)
class OpenTable:
    """A table with something that waits.

    Attributes
    ----------
    table : as text.
    found : the kinds of its cells.
    row_by_row : every row of the file is a sample of its own.
    """

    table: Extract
    found: CellKinds
    row_by_row: bool

    @property
    def units(self) -> dict[CellKind, tuple[UnitCandidate, ...]]:
        """Give the units that each kind may be in."""
        tried = [kind for kind in self.found.open if kind.analyte in ROW]
        if not counts_alone(self.table):  # a volume changes what a drop is worth
            tried = [kind for kind in tried if kind.waits_for != WORTH]
        return {kind: listed for kind in tried if (listed := candidates(kind))}


def file_readings(tables: Sequence[OpenTable]) -> list[FileReadings]:
    """Lay tables out sample by sample, each for itself; their cells are normalised together."""
    if not tables:
        return []
    parts = [_thinned(_with_stand_ins(one.table, one.found, one.units)) for one in tables]
    done = normalise(parts, [str(number) for number in range(len(parts))], NormaliseSettings())
    ends = np.cumsum([len(part.rows) for part in parts])
    row = done.readings["row"].to_numpy()
    bounds = np.searchsorted(row, np.append(0, ends))
    return [
        _laid_out(
            one,
            done.rows.iloc[end - len(part.rows) : end].reset_index(drop=True),
            done.readings.iloc[first:last].assign(row=row[first:last] - (end - len(part.rows))),
        )
        for one, part, end, first, last in zip(
            tables, parts, ends.tolist(), bounds[:-1].tolist(), bounds[1:].tolist(), strict=True
        )
    ]


def _laid_out(one: OpenTable, rows: pd.DataFrame, readings: pd.DataFrame) -> FileReadings:
    units = one.units
    sample = _samples(rows, row_by_row=one.row_by_row)
    size = int(sample.max(initial=-1)) + 1
    sample = sample[readings["row"].to_numpy()]
    value = readings["value"].to_numpy(dtype="float64")
    water = ~TextColumn.of(rows, "activity").isin(CONTROLS)[readings["row"].to_numpy()]
    of_kind = TextColumn.from_series(readings["status"])
    values = np.full((len(ROWS), size), np.nan)
    values[ROW[UNREAD[0]] :] = 0.0
    waiting: dict[CellKind, Floats] = {}
    for number, kind in enumerate(one.found.kinds):
        mine = of_kind.isin([str(number)]) & water
        if kind.analyte not in ROW or not mine.any():
            continue
        if kind in units:
            first = stand_in(kind, units[kind])
            waiting[kind] = np.full(size, np.nan)
            waiting[kind][sample[mine]] = (value[mine] - first.offset) / first.factor
        else:
            values[ROW[kind.analyte], sample[mine]] = value[mine]
    return FileReadings(values, waiting, {kind: units[kind] for kind in waiting})


def _with_stand_ins(table: Extract, found: CellKinds, units: dict[CellKind, tuple[UnitCandidate, ...]]) -> Extract:
    """Read what waits as if it were in the first of its units, and let every cell carry the number of its kind."""
    cells = with_units(table.cells, found, {kind: stand_in(kind, listed).text for kind, listed in units.items()})
    number = TextColumn(found.number, tuple(map(str, range(len(found.kinds)))))
    counted = number.isin([str(at) for at, kind in enumerate(found.kinds) if kind in units and kind.waits_for == WORTH])
    form = TextColumn.from_series(cells["form"]).where(counted, "value")
    return replace(table, cells=cells.assign(status=number.category(), form=form.category()))


def _thinned(table: Extract) -> Extract:
    """Keep as many rows as are looked at, and their cells."""
    if len(table.rows) <= _MOST:
        return table
    kept = np.linspace(0, len(table.rows) - 1, _MOST).astype("int64")
    place = np.full(len(table.rows), -1, dtype="int32")
    place[kept] = np.arange(_MOST)
    row = place[table.cells["row"].to_numpy()]
    cells = table.cells[row >= 0].assign(row=row[row >= 0]).reset_index(drop=True)
    return replace(table, rows=table.rows.iloc[kept].reset_index(drop=True), cells=cells)


def _samples(rows: pd.DataFrame, *, row_by_row: bool) -> Places:
    """Give each row the number of its sample: by line where each is one, else by what the rows say of it."""
    named = ("line", "stage") if row_by_row else (*_SAMPLE, "collected_at")
    parts = [TextColumn.from_series(rows[name].astype("str")) for name in named]
    return numbered(parts)

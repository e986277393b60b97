"""The columns of a table whose unit or form is open: what waits, and for what."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pipeline.asking.drop_worths import without_worth
from pipeline.normalise.kits import NO_WORTH
from pipeline.normalise.units import resolve
from pipeline.texts import TextColumn, first_rows, numbered

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Places
    from pipeline.ingest.extract import Extract

UNIT: Final = "unit"
FORM: Final = "form"
WORTH: Final = "worth of a drop"
_BY_VALUE: Final = ("value", "typed")
_UNIT_PROBLEMS: Final = ("unit-missing", "unit-ambiguous", "unit-unknown")


@dataclass(frozen=True)
class CellKind:
    """Cells of one column that are of one quantity and say the same of their unit.

    ``waits_for`` is UNIT, FORM (the unit is known, the form is not), WORTH (of counted drops), or "" where nothing is
    open; ``why`` says of it what the problem of its cells, or its readings, say.
    """

    column: str
    analyte: str
    unit: str
    basis: str
    waits_for: str
    why: str = ""


@dataclass(frozen=True)
class CellKinds:
    """The kinds of the cells of a table; ``number`` gives that of each cell."""

    number: Places
    kinds: tuple[CellKind, ...]

    @property
    def open(self) -> tuple[CellKind, ...]:
        """Give the kinds that wait for something."""
        return tuple(kind for kind in self.kinds if kind.waits_for)


def cell_kinds(table: Extract) -> CellKinds:
    """Tell the kinds of the cells of a table; the cost follows the number of kinds.

    Parameters
    ----------
    table : a table of measurements as text.
    """
    said = [TextColumn.from_series(table.cells[name]) for name in ("column", "analyte", "raw_unit", "basis", "form")]
    worth_open = without_worth(table)
    number = numbered([*said, worth_open])
    first = first_rows(number)
    aliases = tuple(sorted(table.unit_aliases.items()))
    rows = zip(*(column.take(first).tolist() for column in said), worth_open[first].tolist(), strict=True)
    kinds = [
        CellKind(column, analyte, unit, basis, *_open(analyte, unit, basis, aliases) if form in _BY_VALUE else ("", ""))
        if not counted
        else CellKind(column, analyte, unit, basis, WORTH, NO_WORTH)
        for column, analyte, unit, basis, form, counted in rows
    ]
    return CellKinds(number, tuple(kinds))


def _open(analyte: str, unit: str, basis: str, aliases: tuple[tuple[str, str], ...]) -> tuple[str, str]:
    """Say what is open of the unit, and the problem in words."""
    meaning = resolve(analyte, unit, basis, aliases)
    if meaning.problem in _UNIT_PROBLEMS:
        return UNIT, meaning.detail
    return (FORM, meaning.ambiguous) if " may be " in meaning.ambiguous else ("", "")


def with_units(cells: pd.DataFrame, found: CellKinds, units: dict[CellKind, str]) -> pd.DataFrame:
    """Give the cells of some kinds a unit.

    Parameters
    ----------
    cells : CELL_COLUMNS of the table that ``found`` describes.
    units : kind → unit.
    """
    texts = tuple(units.get(kind, kind.unit) for kind in found.kinds)
    return cells.assign(raw_unit=TextColumn(found.number, texts).distinct().category())

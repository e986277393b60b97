"""What one process reads of a sheet and hands to the other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class FoundMarks:
    """Cells of one sheet that the values do not show, each as the attributes of the cell and a text."""

    formulas: list[tuple[bytes, bytes]]
    errors: list[tuple[bytes, bytes]]
    merged: list[tuple[bytes, bytes]]


@dataclass(frozen=True)
class SheetCells:
    """One sheet as it was read.

    Attributes
    ----------
    name : of the sheet.
    shown : False for one that is hidden or holds no cells.
    rows : values of Python, row by row; none of a sheet that is not shown or cannot be read.
    marks : what only the XML says of it; None for formats whose XML is not searched.
    damage : why it cannot be read; "" where it can.
    """

    name: str
    shown: bool
    rows: list[list[Any]]
    marks: FoundMarks | None = None
    damage: str = ""

"""One way a record may have come about: what a reading would be without a mistake."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.arrays import Flags, Floats
    from pipeline.explain.record import Record

    Change = Callable[[Record], dict[int, Floats]]
    Where = Callable[[Record], Flags]


@dataclass(frozen=True)
class Candidate:
    """One way a record may have come about.

    Attributes
    ----------
    mistake : id, see the design of explanations in DEVELOPERS.
    analyte, other : quantities it concerns, "" if none.
    detail : which variant; "unit meant", "form meant".
    change : the values the readings would have without it, by row; missing where it cannot apply. None: no change.
    loosened : rows that say nothing any more, with the standard deviation (ln; meq/L for unread ions) they get.
    water : the water it takes the sample for: "" as recorded, softened, soda, moved.
    weight : share of the mistake's prior.
    where : samples it can apply to. None: all that have the readings.
    seen : only where a check saw it.
    parts : the two single mistakes it is made of, none if it is one.
    """

    mistake: str
    analyte: str = ""
    other: str = ""
    detail: str = ""
    change: Change | None = None
    loosened: tuple[tuple[int, float], ...] = ()
    water: str = ""
    weight: float = 1.0
    where: Where | None = None
    seen: bool = False
    row: int = field(default=-1)
    parts: tuple[Candidate, ...] = ()


def multiplied(row: int, factor: float) -> Change:
    """Multiply a reading by a factor."""
    return lambda record: {row: record.amounts[row] * factor}


def not_of_drops(change: Change, row: int) -> Change:
    """Leave out what a drop count cannot be: it has no form and no decimal sign, and a drop is worth a degree."""
    return lambda record: {row: np.where(np.isnan(record.step[row]), change(record)[row], np.nan)}


def as_received(value: Floats, received: Floats) -> Flags:
    """Tell where a changed value is the received one within a thousandth."""
    return np.abs(value - received) <= 1e-3 * np.abs(received)

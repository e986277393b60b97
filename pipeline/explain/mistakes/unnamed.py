"""What the catalogue has no name for: an unknown factor on a reading, an ion nobody measured."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.explain.mistakes.candidate import Candidate, multiplied
from pipeline.explain.record import ROW
from pipeline.explain.relations.charges import sides

if TYPE_CHECKING:
    from pipeline.arrays import Flags
    from pipeline.explain.mistakes.candidate import Change
    from pipeline.explain.record import Record

# Step by step through all orders of size: what an unnamed mistake may have done (ln), with its weight.
STEPS: Final = (-2.9, -1.6, -0.6, 0.6, 1.6, 2.9)
STEP_SPREAD: Final = 0.5
_STEP_WIDTH: Final = 1.6
UNREAD_STEPS: Final = (0.25, 0.45, 0.8, 1.4, 2.5, 4.5)  # meq/L an ion nobody measured may hold


def unnamed_mistakes(name: str, row: int) -> list[Candidate]:
    """Lay an unnamed mistake on one reading over every order of size, finely enough to be smooth."""
    weights = np.exp(-0.5 * (np.array(STEPS) / _STEP_WIDTH) ** 2)
    return [
        Candidate(
            "none-of-these",
            name,
            "",
            "",
            multiplied(row, float(np.exp(step))),
            ((row, STEP_SPREAD),),
            weight=float(weight),
            row=row,
        )
        for step, weight in zip(STEPS, weights, strict=True)
    ]


def unread_ions() -> list[Candidate]:
    """Give an ion nobody measured: so many meq/L of it, finely enough to be a smooth distribution."""

    def holds(row: int, meq: float) -> Change:
        return lambda record: {row: np.full(len(record), meq)}

    return [
        Candidate("missing-ion", "", "", side, holds(row, meq), ((row, 0.3 * meq),), where=_charged, row=row)
        for side in ("cation", "anion")
        for row in (ROW[f"unread {side}"],)
        for meq in UNREAD_STEPS
    ]


def _charged(record: Record) -> Flags:
    """Tell where an ion that was not read would show: in the balance, or in the conductivity of one closed side."""
    cations, anions, nearly = sides(record.amounts)
    conductivity = ~np.isnan(record.amounts[ROW["conductivity"]])
    return np.asarray((cations & anions) | nearly | (conductivity & (cations | anions)))

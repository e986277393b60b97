"""What the catalogue has no name for: an unknown factor on a reading, an ion nobody measured."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.explain.mistakes.candidate import Candidate, multiplied
from pipeline.explain.record import ROW
from pipeline.explain.relations.charges import charges

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.explain.mistakes.candidate import Change
    from pipeline.explain.record import Record

# Step by step through all orders of size: what an unnamed mistake may have done (ln), with its weight.
STEPS: Final = (-2.9, -1.6, -0.6, 0.6, 1.6, 2.9)
STEP_SPREAD: Final = 0.5
_STEP_WIDTH: Final = 1.6
UNREAD_SPREAD: Final = 1.2  # ln, of what an ion that nobody measured may hold [HEM1985]


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
    """Give an ion nobody measured: as much of it as closes the charges, a free unknown of any size."""

    def fills(sign: float) -> Change:
        def change(record: Record) -> dict[int, Floats]:
            with np.errstate(divide="ignore", invalid="ignore"):
                sums = charges(record.amounts)
            open_side = sums.open_cations if sign > 0 else sums.open_anions
            lack = np.where(sums.full | (sums.single & open_side), sign * (sums.anions - sums.cations), np.nan)
            return {ROW["unread cation" if sign > 0 else "unread anion"]: np.where(lack > 0.0, lack, np.nan)}

        return change

    return [
        Candidate("missing-ion", "", "", side, fills(sign), ((row, UNREAD_SPREAD),), row=row)
        for side, sign in (("cation", 1.0), ("anion", -1.0))
        for row in (ROW[f"unread {side}"],)
    ]

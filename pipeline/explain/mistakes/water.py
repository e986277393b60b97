"""What is true of a water and looks like a mistake: softened, carrying soda, from another source."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import (
    CACO3_PER_CALCIUM,
    CACO3_PER_MAGNESIUM,
    HCO3_PER_CACO3,
)
from pipeline.explain.mistakes.candidate import Candidate
from pipeline.explain.record import ROW

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats
    from pipeline.explain.readings import RowReadings
    from pipeline.explain.record import Record

SOFTENED_SHARE: Final = 0.6  # of the alkalinity: below, the hardness may have been exchanged [CP]
SODA_SHARE: Final = 1.1  # of the hardness: above, sodium must carry alkalinity [CP]
SODA_LEAST: Final = 60.0  # mg/L as CaCO3 [CP]


def true_states() -> list[Candidate]:
    """Name what is true and looks like a mistake."""
    hardness, alkalinity = ROW["total_hardness"], ROW["alkalinity"]

    def low(record: Record) -> Flags:
        return softened_like(record.amounts)

    def above(record: Record) -> Flags:
        return soda_like(record.amounts)

    return [
        Candidate("softened-water", "total_hardness", "sodium", "", None, water="softened", where=low, row=hardness),
        Candidate("soda-water", "alkalinity", "sodium", "", None, water="soda", where=above, row=alkalinity),
        Candidate("source-change", water="moved", seen=True),
    ]


def softened_like(amounts: RowReadings) -> Flags:
    """Tell where hardness is well below alkalinity."""
    hardness, alkalinity = titrations(amounts)
    return np.asarray(hardness < SOFTENED_SHARE * alkalinity)


def soda_like(amounts: RowReadings) -> Flags:
    """Tell where alkalinity exceeds hardness and is no longer low."""
    hardness, alkalinity = titrations(amounts)
    return np.asarray((alkalinity > SODA_SHARE * hardness) & (alkalinity > SODA_LEAST))


def titrations(amounts: RowReadings) -> tuple[Floats, Floats]:
    """Hardness and alkalinity, from their ions where not titrated."""
    names = ("total_hardness", "alkalinity", "calcium", "magnesium", "bicarbonate")
    read = {name: amounts[ROW[name]] for name in names}
    ions = CACO3_PER_CALCIUM * read["calcium"] + CACO3_PER_MAGNESIUM * read["magnesium"]
    hardness = np.where(np.isnan(read["total_hardness"]), ions, read["total_hardness"])
    forms = read["bicarbonate"] / HCO3_PER_CACO3
    return hardness, np.where(np.isnan(read["alkalinity"]), forms, read["alkalinity"])

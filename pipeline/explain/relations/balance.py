"""The charge balance of a record."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import CATIONS
from pipeline.explain.record import ROW
from pipeline.explain.relations.relation import Relation

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.explain.readings import RowReadings
    from pipeline.explain.relations.charges import Charges

BALANCE_MODEL: Final = (0.008, 0.05)  # of the sum; meq/L of ions nobody looks for (k = 1) [CP]
UNREAD_MEQ: Final = {"potassium": 0.05, "nitrate": 0.15}  # what an ion that was not read may hold (k = 1) [CP]
OPEN_SIDE: Final = 1.0  # of the sum: what a side may lack of which a major ion was not read


def charge_balance(values: RowReadings, sums: Charges) -> Relation:
    """Cations less anions over their sum; each ion's slope is 2·(other side)/sum².

    Where a major ion of one side was not read, that side may lack anything; but what was read of it cannot exceed the
    other side.
    """
    found = imbalance(values, sums)
    cation, anion = values[ROW["unread cation"]] > 0, values[ROW["unread anion"]] > 0
    free = (sums.open_anions & (anion | (found.gap > 0))) | (sums.open_cations & (cation | (found.gap < 0)))
    one_sided = sums.open_anions | sums.open_cations
    spread = np.sqrt(found.model)
    shape = np.where(one_sided, np.log(np.where(free, OPEN_SIDE, spread) / ((OPEN_SIDE + spread) / 2.0)), 0.0)
    return Relation(found.gap, found.slopes, np.where(free, OPEN_SIDE**2, found.model), found.predicted, shape)


def imbalance(values: RowReadings, sums: Charges) -> Relation:
    """Give the charge balance of all records of which one side at least was read, as if nothing else were there."""
    total = sums.cations + sums.anions
    usable = (sums.cations_known | sums.anions_known) & (total > 0)
    total = np.where(usable, total, np.nan)
    plus, minus = 2.0 * sums.anions / total**2, -2.0 * sums.cations / total**2
    slopes: dict[int, Floats] = {}
    for ion, of in sums.slopes.items():
        side = plus if ion in CATIONS else minus
        for row, slope in of.items():
            slopes[row] = slopes.get(row, 0.0) + side * slope
    slopes[ROW["unread cation"]], slopes[ROW["unread anion"]] = plus, minus
    absent = sum((~sums.known[ion] * size**2 for ion, size in UNREAD_MEQ.items()), start=BALANCE_MODEL[1] ** 2)
    model = BALANCE_MODEL[0] ** 2 + absent / total**2
    return Relation((sums.cations - sums.anions) / total, slopes, model, np.full(values.shape[1], np.nan))

"""The charge balance of a record."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import CATIONS
from pipeline.explain.record import ROW
from pipeline.explain.relations.relation import Relation

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.explain.relations.charges import Charges

UNREAD_MAJOR: Final = 0.1  # meq/L that the one major ion nobody read may hold unnoticed (k = 1) [CP]
BALANCE_MODEL: Final = (0.008, 0.05)  # of the sum; meq/L of ions nobody looks for (k = 1) [CP]
UNREAD_MEQ: Final = {"potassium": 0.05, "nitrate": 0.15}  # what an ion that was not read may hold (k = 1) [CP]


def charge_balance(values: Floats, sums: Charges) -> Relation:
    """Cations less anions over their sum; each ion's slope is 2·(other side)/sum²."""
    total = sums.cations + sums.anions
    usable = sums.cations_known & sums.anions_known & (total > 0)
    total = np.where(usable, total, np.nan)
    plus, minus = 2.0 * sums.anions / total**2, -2.0 * sums.cations / total**2
    slopes: dict[int, Floats] = {}
    for ion, of in sums.slopes.items():
        side = plus if ion in CATIONS else minus
        for row, slope in of.items():
            slopes[row] = slopes.get(row, 0.0) + side * slope
    slopes[ROW["unread cation"]], slopes[ROW["unread anion"]] = plus, minus
    absent = sum((~sums.known[ion] * size**2 for ion, size in UNREAD_MEQ.items()), start=BALANCE_MODEL[1] ** 2)
    absent = absent + sums.nearly * UNREAD_MAJOR**2
    model = BALANCE_MODEL[0] ** 2 + absent / total**2
    return Relation((sums.cations - sums.anions) / total, slopes, model, np.full(values.shape[1], np.nan))

"""What chemistry and arithmetic demand of the readings of one sample, every relation there is.

Every relation gives one number per sample that is 0 when the record agrees with itself, its slope against
each reading, and what the model itself leaves open. Readings are shared: the ions of the charge balance are
those of the conductivity. So the relations are judged together, see ``density``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import (
    CACO3_PER_CALCIUM,
    CACO3_PER_MAGNESIUM,
    HCO3_PER_CACO3,
)
from pipeline.explain.record import ROW, SECOND
from pipeline.explain.relations.balance import charge_balance
from pipeline.explain.relations.charges import charges
from pipeline.explain.relations.conductivity import carried_conductivity
from pipeline.explain.relations.forms import (
    CARBONATE_PER_CACO3,
    FORM_MODEL,
    REPEAT_MODEL,
    ROUNDING_MODEL,
    calcium_of_hardness,
    ratio,
)
from pipeline.explain.relations.solids import dissolved_solids

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats
    from pipeline.explain.relations.relation import Relation

RELATIONS: Final[tuple[str, ...]] = (
    "ion-balance",
    "conductivity-from-ions",
    "dissolved-solids",
    "hardness-sum",
    "calcium-hardness",
    "calcium-share",
    "alkalinity-forms",
    *(f"second {name}" for name in SECOND),
)


def evaluate(values: Floats, laboratory_tds: Flags, reckoned: Flags | None = None) -> dict[str, Relation]:
    """Evaluate every relation for (m,) columns of readings.

    Parameters
    ----------
    values : (r, m) readings, rows of ROWS.
    laboratory_tds : (m,) dissolved solids were weighed or summed.
    reckoned : (s, m) the second reading was reckoned from the first: what is not known of that is in both.

    Returns
    -------
    relations by their name; ``gap`` is missing where a relation lacks a reading.

    Notes
    -----
    Charge balance: (Σcat − Σan)/(Σcat + Σan) [APHA1030]. Conductivity: ln(read/carried), carried from the molal
    conductivities of the free ions, pairs taken off [CRC97, PHREEQC3]; where only the titrations are known 104 µS/cm
    per meq/L of the larger, open upwards [CP]. Hardness 2.497 Ca + 4.118 Mg [APHA2340B]; HCO3 = 1.2193 ALK −
    1.0168·2·CO3 [IUPAC2021].
    """
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        sums = charges(values)
        electric = carried_conductivity(values, sums)
        found = {
            "ion-balance": charge_balance(values, sums),
            "conductivity-from-ions": electric,
            "dissolved-solids": dissolved_solids(values, sums, electric, laboratory_tds),
            "hardness-sum": ratio(
                values,
                "total_hardness",
                {"calcium": CACO3_PER_CALCIUM, "magnesium": CACO3_PER_MAGNESIUM},
                FORM_MODEL**2,
            ),
            "calcium-hardness": ratio(values, "calcium_hardness", {"calcium": CACO3_PER_CALCIUM}, FORM_MODEL**2),
            "calcium-share": calcium_of_hardness(values, sums),
            "alkalinity-forms": ratio(
                values,
                "alkalinity",
                {"bicarbonate": 1.0 / HCO3_PER_CACO3, "carbonate": CARBONATE_PER_CACO3},
                FORM_MODEL**2,
            ),
        }
        for place, name in enumerate(SECOND):
            same = np.zeros(values.shape[1], dtype="bool") if reckoned is None else reckoned[place]
            again = ratio(values, f"second {name}", {name: 1.0}, np.where(same, ROUNDING_MODEL, REPEAT_MODEL) ** 2)
            slopes = {row: np.where(same & (row == ROW[name]), 0.0, slope) for row, slope in again.slopes.items()}
            found[f"second {name}"] = replace(again, slopes=slopes)
    return found

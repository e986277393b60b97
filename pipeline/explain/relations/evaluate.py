"""What chemistry and arithmetic demand of the readings of one sample, every relation there is.

Every relation gives one number per sample that is 0 when the record agrees with itself, its slope against
each reading, and what the model itself leaves open. Readings are shared: the ions of the charge balance are
those of the conductivity. So the relations are judged together, see ``density``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, partial
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import (
    CACO3_PER_CALCIUM,
    CACO3_PER_MAGNESIUM,
    HCO3_PER_CACO3,
)
from pipeline.explain.record import ROW, SECOND, UNREAD
from pipeline.explain.relations.balance import charge_balance
from pipeline.explain.relations.charges import CHARGED, charges
from pipeline.explain.relations.conductivity import CarriedByIons, carried_by_ions, conductivity_over
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
    from collections.abc import Callable

    from pipeline.arrays import Flags, Floats, Places
    from pipeline.explain.readings import RowReadings
    from pipeline.explain.relations.relation import Relation

_HARDNESS_PARTS: Final = {"calcium": CACO3_PER_CALCIUM, "magnesium": CACO3_PER_MAGNESIUM}
_CALCIUM_PARTS: Final = {"calcium": CACO3_PER_CALCIUM}
_ALKALINITY_PARTS: Final = {"bicarbonate": 1.0 / HCO3_PER_CACO3, "carbonate": CARBONATE_PER_CACO3}
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


_IONS: Final = (*CHARGED, *UNREAD)
# The readings a relation depends on; where the first of them is missing, the relation is. "" where any may be missing.
_READ_BY: Final = {
    "carried": ("", "ph", *_IONS),
    "ion-balance": ("", *_IONS),
    "conductivity-from-ions": ("conductivity", "ph", *_IONS),
    "dissolved-solids": ("tds", "silica", "conductivity", "ph", *_IONS),
    "hardness-sum": ("total_hardness", "calcium", "magnesium"),
    "calcium-hardness": ("calcium_hardness", "calcium"),
    "calcium-share": ("total_hardness", "calcium_hardness", "calcium", "magnesium"),
    "alkalinity-forms": ("alkalinity", "bicarbonate", "carbonate"),
    **{f"second {name}": (f"second {name}", name) for name in SECOND},
}


@dataclass(frozen=True)
class Evaluated:
    """Relations by their name, and what the ions carry."""

    relations: dict[str, Relation]
    carried: CarriedByIons


def touched(rows: frozenset[int], amounts: Floats) -> frozenset[str]:
    """Name the relations, and "carried", that a change of some rows may move.

    Parameters
    ----------
    rows : of ROWS, changed where they were read.
    amounts : (r, n) readings as received.
    """
    found = set()
    for name, (first, *rest) in _READ_BY.items():
        silent = first and np.isnan(amounts[ROW[first]]).all()
        if not silent and not rows.isdisjoint(ROW[read] for read in (first, *rest) if read):
            found.add(name)
    return frozenset(found)


def received_relations(values: Floats, laboratory_tds: Flags, reckoned: Flags) -> Evaluated:
    """Evaluate all relations of (n,) samples, for ``evaluate`` to take over where a change moves nothing."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        return Evaluated(evaluate(values, laboratory_tds, reckoned), carried_by_ions(values, charges(values)))


def evaluate(
    values: RowReadings,
    laboratory_tds: Flags,
    reckoned: Flags | None = None,
    received: tuple[Evaluated, Places] | None = None,
    moved: frozenset[str] = frozenset(),
) -> dict[str, Relation]:
    """Evaluate every relation for (m,) columns of readings.

    Parameters
    ----------
    values : (r, m) readings, rows of ROWS.
    laboratory_tds : (m,) dissolved solids were weighed or summed.
    reckoned : (s, m) the second reading was reckoned from the first: what is not known of that is in both.
    received : samples as received, and (m,) the one that each column is made of.
    moved : the relations in which a column may differ from its sample, as ``touched`` names them.

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
    sums = cache(lambda: charges(values))
    same = np.zeros((len(SECOND), values.shape[1]), dtype="bool") if reckoned is None else reckoned
    found: dict[str, Relation] = {}

    def carried() -> CarriedByIons:
        if received is None or "carried" in moved:
            return carried_by_ions(values, sums())
        return received[0].carried.take(received[1])

    makers: dict[str, Callable[[], Relation]] = {
        "ion-balance": lambda: charge_balance(values, sums()),
        "conductivity-from-ions": lambda: conductivity_over(values[ROW["conductivity"]], carried()),
        "dissolved-solids": lambda: dissolved_solids(values, sums(), found["conductivity-from-ions"], laboratory_tds),
        "hardness-sum": lambda: ratio(values, "total_hardness", _HARDNESS_PARTS, FORM_MODEL**2),
        "calcium-hardness": lambda: ratio(values, "calcium_hardness", _CALCIUM_PARTS, FORM_MODEL**2),
        "calcium-share": lambda: calcium_of_hardness(values, sums()),
        "alkalinity-forms": lambda: ratio(values, "alkalinity", _ALKALINITY_PARTS, FORM_MODEL**2),
        **{f"second {name}": partial(_repeated, values, name, same[place]) for place, name in enumerate(SECOND)},
    }
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        for name, make in makers.items():
            found[name] = make() if received is None or name in moved else received[0].relations[name].take(received[1])
    return found


def _repeated(values: RowReadings, name: str, same: Flags) -> Relation:
    """Hold the second reading against the first; one that was reckoned from it shares what is not known of it."""
    again = ratio(values, f"second {name}", {name: 1.0}, np.where(same, ROUNDING_MODEL, REPEAT_MODEL) ** 2)
    slopes = {row: np.where(same & (row == ROW[name]), 0.0, slope) for row, slope in again.slopes.items()}
    return replace(again, slopes=slopes)

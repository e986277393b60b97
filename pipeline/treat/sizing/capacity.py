"""How much a medium can take, in the units it is sold by: equivalents, litre degrees, kilograms, grains."""

from __future__ import annotations

import math
from typing import Final

from pipeline.chemistry.equivalents import MOLAR_MASS
from pipeline.errors import KettlestoneError
from pipeline.reference import table

_EQUIVALENT: Final = "eq"
RATED_LITRES: Final = "litres"
"""A capacity given as litres at the maker's own test water: no equivalents follow from it."""


def _units() -> dict[str, float]:
    rows = table("capacity_units").set_index("unit")
    per_unit = {
        str(unit): 2.0 * float(row["milligrams"]) / (1e3 * MOLAR_MASS[str(row["substance"])])
        for unit, row in rows.iterrows()
    }
    return {_EQUIVALENT: 1.0, **per_unit}


EQUIVALENTS_PER_UNIT: Final[dict[str, float]] = _units()
LITRE_DEGREES: Final = "litre °dH"  # the unit most cartridges are printed with
CAPACITY_UNITS: Final[tuple[str, ...]] = (*EQUIVALENTS_PER_UNIT, RATED_LITRES)


def to_equivalents(capacity: float, unit: str) -> float:
    """Convert a capacity to equivalents.

    Parameters
    ----------
    capacity : above 0, in ``unit``.
    unit : one of `UNITS`.

    Returns
    -------
    capacity [eq]; NaN for a capacity in rated litres.

    Raises
    ------
    KettlestoneError : an unknown unit, or a capacity that is missing, 0 or negative.

    Notes
    -----
    1 eq = 2804 litre °dH = 50.04 g CaCO3 = 772 grains, from the molar masses [IUPAC2021].

    Example
    -------
    >>> round(to_equivalents(14000.0, "litre °dH"), 3)
    4.993
    """
    if unit not in CAPACITY_UNITS:
        raise KettlestoneError(f'capacity unit "{unit}" is not known; known: {", ".join(CAPACITY_UNITS)}')
    if not (0.0 < capacity < math.inf):
        raise KettlestoneError(f"capacity is {capacity:g} {unit}; give the capacity of the medium, above 0")
    return capacity * EQUIVALENTS_PER_UNIT.get(unit, math.nan)


def from_equivalents(equivalents: float, unit: str) -> float:
    """Convert equivalents to another unit of capacity; the reverse of `to_equivalents`.

    Example
    -------
    >>> round(from_equivalents(1.0, "litre °dH"))
    2804
    """
    return equivalents / EQUIVALENTS_PER_UNIT[unit]

"""Salts to weigh: the cheapest recipe that brings a soft water to its targets under the machine's limits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.arrays import floats
from pipeline.assess.corrosion import CorrosionLimits
from pipeline.assess.extraction import CupLimits
from pipeline.reference import table
from pipeline.treat.choosing import limits as held
from pipeline.treat.choosing.case import ALKALINITY, HARDNESS
from pipeline.treat.processes.remineralising import salt_effects
from pipeline.words import Said

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Floats
    from pipeline.treat.choosing.case import Case

MOST_ADDED: Final = 25.0  # alkalinity added to a water that only lacks buffer [mg/L as CaCO3] [CP]
EMPTY_BELOW: Final = CupLimits().empty_below_hardness
_LEAST_DOSE: Final = 1e-6


def recipe_for(
    case: Case, water: pd.Series[float], alkalinity: float, hardness: float
) -> tuple[dict[str, float], tuple[Said, ...]]:
    """Find the salts for one water.

    Parameters
    ----------
    case : machine, for the limits of chloride, sulfate and sodium.
    water : canonical columns, as it is.
    alkalinity, hardness : wanted [mg/L as CaCO3]. What the water already has more of stays; a water with
        hardness enough gets buffer only, at most `MOST_ADDED`; a water with buffer enough gets hardness only.

    Returns
    -------
    settings of ``salt dosing`` (``<salt>_mg_l``, only salts that are used), and what stands in the way.

    Notes
    -----
    Least cost of ``dosing_salts.csv`` subject to both targets and to chloride, sulfate and sodium below the
    attention limits, else below the act limits. What was not measured in the water counts as 0.
    """
    costs = table("dosing_salts").set_index("salt")["cost"].astype("float64")
    effects = salt_effects().loc[list(costs.index)]
    needed = _needed(case, float(water[ALKALINITY]), float(water[HARDNESS]), alkalinity, hardness)
    brought = floats(effects[[ALKALINITY, HARDNESS]]).T
    capped = [held.CHLORIDE, held.SULFATE, held.SODIUM]
    present = np.nan_to_num(floats(water.reindex(capped)))
    for room in (_caps(case, attention=True), _caps(case, attention=False)):
        doses = _cheapest(floats(costs), brought, needed, floats(effects[capped]).T, room - present)
        if doses is not None:
            used = zip(costs.index, doses.tolist(), strict=True)
            return {f"{salt}_mg_l": dose for salt, dose in used if dose > _LEAST_DOSE}, ()
    over = present > room
    names = ("chloride", "sulfate", "sodium")
    first = names[int(over.argmax())] if over.any() else "salts"
    return {}, (Said("choose.obstacle.recipe", {"quantity": Said(f"choose.quantity.{first}")}),)


def _needed(case: Case, has_alkalinity: float, has_hardness: float, alkalinity: float, hardness: float) -> Floats:
    band = case.profile.band("alkalinity")
    buffered = has_alkalinity >= (alkalinity if band is None else band.low)
    buffer, lime = max(alkalinity - has_alkalinity, 0.0), max(hardness - has_hardness, 0.0)
    if buffered:
        return np.array([0.0, lime])
    return np.array([buffer, lime] if has_hardness < EMPTY_BELOW else [min(buffer, MOST_ADDED), 0.0])


def _caps(case: Case, *, attention: bool) -> Floats:
    corrosion, step = CorrosionLimits(), 0 if attention else 1
    sodium = CupLimits().sodium_taste
    chloride = held.wanted_chloride(case) if attention else corrosion.chloride_mg_l[step]
    return np.array([chloride, corrosion.sulfate_mg_l[step], 0.5 * sodium if attention else sodium])


def _cheapest(costs: Floats, brought: Floats, needed: Floats, capped: Floats, room: Floats) -> Floats | None:
    """Doses [mg/L] of least cost, or None where no recipe keeps the limits."""
    from scipy.optimize import linprog  # noqa: PLC0415 - half a second nobody else should pay

    found = linprog(costs, A_ub=capped, b_ub=room, A_eq=brought, b_eq=needed, bounds=(0.0, None), method="highs")
    return None if found.x is None else floats(found.x)

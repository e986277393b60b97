"""What profile and machine allow a treated water, and a water with its readings moved to their ends."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.assess.corrosion import CorrosionLimits
from pipeline.assess.extraction import CupLimits
from pipeline.assess.machines import METALS
from pipeline.assess.planning import MOST_C, planning_rule
from pipeline.assess.scale import ScaleLimits
from pipeline.treat.choosing.case import ALKALINITY, CALCIUM_HARDNESS, CONDUCTIVITY, HARDNESS
from pipeline.treat.choosing.decision import hardness_band

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.arrays import Flags, Floats
    from pipeline.treat.choosing.case import Case, Reach

SCALE: Final = "scale"
CHLORIDE, SODIUM, SULFATE = "chloride_mg_l", "sodium_mg_l", "sulfate_mg_l"
_TOGETHER: Final = (
    (HARDNESS, "calcium_mg_l", "magnesium_mg_l", CALCIUM_HARDNESS, "magnesium_hardness_mg_l_caco3"),
    (ALKALINITY, "bicarbonate_mg_l", "carbonate_mg_l"),
    (SODIUM,),
    (CHLORIDE,),
    (SULFATE,),
    ("nitrate_mg_l",),
    ("ph",),
)
_CHLORINE: Final = ("free_chlorine_mg_l", "total_chlorine_mg_l")
_ROOM: Final = 1e-6
MEMBRANES: Final = ("reverse osmosis", "demineraliser")


@dataclass(frozen=True)
class Limit:
    """One thing a treated water must keep: a figure between ``low`` and ``high``.

    ``code`` names it in words; ``digits`` of the figure count when it is held against the limit.
    """

    code: str
    figure: str
    low: float
    high: float
    unit: str
    digits: int = 6

    def excess(self, values: Floats) -> Floats:
        """How far values lie outside, as a share of the limit; 0 inside, 0 where not known."""
        rounded = np.round(values, self.digits)
        outside = np.maximum(self.low - rounded, 0.0) / max(self.low, 1.0) + self.above(values)
        return floats(np.nan_to_num(np.where(outside > _ROOM, outside, 0.0)))

    def above(self, values: Floats) -> Floats:
        """How far values lie above, as a share of the limit: what is missing can be added, this cannot."""
        rounded = np.round(values, self.digits)
        return floats(np.nan_to_num(np.maximum(rounded - self.high, 0.0)) / max(self.high, 1.0))


def limits_for(case: Case, treatment: str = "") -> tuple[Limit, ...]:
    """List what the treated water must keep in this machine, profile first.

    Parameters
    ----------
    case : machine and profile.
    treatment : behind a membrane the chloride can be chosen, so it is kept below attention [CP].

    Notes
    -----
    Only what is essential to the profile counts, and what the machine must not get; the pH does not: behind
    weak-acid resin it rises as soon as carbon dioxide leaves, so it is measured, not predicted [CP].
    """
    corrosion, cup = CorrosionLimits(), CupLimits()
    hardness, alkalinity = hardness_band(case), case.profile.band("alkalinity")
    found = []
    if hardness:
        figure = CALCIUM_HARDNESS if hardness.quantity == "calcium_hardness" else HARDNESS
        found.append(Limit(hardness.quantity, figure, max(hardness.low, 0.0), hardness.high, "mg/L"))
    if alkalinity:
        found.append(Limit("alkalinity", ALKALINITY, max(alkalinity.low, 0.0), alkalinity.high, "mg/L"))
    if case.hot:
        found.append(Limit("scale", SCALE, 0.0, ScaleLimits().act_mg_l, "mg/L", digits=0))
    chloride = wanted_chloride(case) if treatment in MEMBRANES else corrosion.chloride_mg_l[1]
    if case.machine.concentration > 1.0:
        chloride = min(chloride, corrosion.steam_chloride_mg_l[1] / case.machine.concentration)
    found += [
        Limit("chloride", CHLORIDE, 0.0, chloride, "mg/L"),
        Limit("sodium", SODIUM, 0.0, cup.sodium_taste, "mg/L"),
        Limit("sulfate", SULFATE, 0.0, corrosion.sulfate_mg_l[1], "mg/L"),
    ]
    if case.machine.level_probe:
        found.append(Limit("conductivity", CONDUCTIVITY, corrosion.low_conductivity_us_cm[1], math.inf, "µS/cm"))
    return tuple(found)


def wanted_chloride(case: Case) -> float:
    """Chloride [mg/L] to aim below where it can be chosen: hot metal is attended to earlier than a brewer."""
    attention, act = CorrosionLimits().chloride_mg_l
    return attention if case.hot and set(METALS) & set(case.machine.metals) else act


def spread(case: Case) -> pd.DataFrame:
    """Lay a water out once as read, then twice for each uncertain reading: at its low and at its high end.

    Returns
    -------
    (1 + 2 k, ...) frame of canonical columns; hardness moves with its calcium and magnesium. Chlorine is left
    out: the trace of acid it leaves on carbon is no part of how a valve is set.
    """
    known = case.known
    values = {name: own.value for name, own in known.items() if own.known and name not in _CHLORINE}
    rows = [values]
    for group in _TOGETHER:
        own = known[group[0]]
        if own.high > own.low:
            rows += [values | _moved(values, group, own, end) for end in (own.low, own.high)]
    return pd.DataFrame(rows, dtype="float64")


def _moved(values: Mapping[str, float], group: tuple[str, ...], own: Reach, end: float) -> dict[str, float]:
    factor = end / own.value if own.value > 0.0 else 1.0
    return {name: values[name] * factor if name != group[0] else end for name in group if name in values}


def reach_of(values: Floats) -> tuple[Floats, Floats]:
    """Low and high (k = 2) of figures worked out for the rows of `spread`.

    Parameters
    ----------
    values : (..., 1 + 2 k) figures in the order of the rows.

    Notes
    -----
    Independent readings: the half differences add as squares [GUM2008].
    """
    middle = values[..., 0]
    half = 0.5 * np.abs(values[..., 2::2] - values[..., 1::2])
    reach = np.sqrt(np.sum(np.square(half), axis=-1))
    return floats(middle - reach), floats(middle + reach)


def scale_at(hardness: Floats, alkalinity: Floats, to_c: float) -> Floats:
    """Lime scale at a temperature [mg/L] by the planning rule.

    All hardness counts as calcium: which of the two a resin took first nobody measures, and this is the safe side.
    """
    return planning_rule(hardness, alkalinity, np.full(hardness.shape, min(to_c, MOST_C)))


def limited_figures(case: Case, columns: Mapping[str, Floats]) -> dict[str, Floats]:
    """Give the figure each limit looks at.

    Parameters
    ----------
    case : machine and profile.
    columns : canonical columns of treated waters, arrays of one shape.

    Returns
    -------
    the columns, calcium hardness standing for itself or for the total, and `SCALE` at the hottest part.
    """
    total, calcium = columns[HARDNESS], columns[CALCIUM_HARDNESS]
    scale = scale_at(total, columns[ALKALINITY], case.hottest_c)
    return {**columns, CALCIUM_HARDNESS: np.where(np.isnan(calcium), total, calcium), SCALE: scale}


def excesses(kept: tuple[Limit, ...], own: Mapping[str, Floats]) -> Floats:
    """Work out the excess over every limit (limits, ...) of `figures`; what is not known exceeds nothing."""
    return floats(np.stack([limit.excess(own[limit.figure]) for limit in kept]))


def sure(kept: tuple[Limit, ...], own: Mapping[str, Floats]) -> Flags:
    """Tell where limits hold with both ends of the uncertainty, for `figures` (..., 1 + 2 k)."""
    held = []
    for limit in kept:
        low, high = reach_of(own[limit.figure])
        held.append((limit.excess(low) == 0.0) & (limit.excess(high) == 0.0))
    return np.asarray(np.all(held, axis=0), dtype="bool")

"""Where, among hardness and alkalinity, so much lime drops that one has to act."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.assess.planning import planning_rule
from pipeline.assess.scale import ScaleLimits

if TYPE_CHECKING:
    from pipeline.arrays import Floats

_GRID: Final = 60
_HALVINGS: Final = 24


def scale_limit(heat_c: float, most_hardness: float, most_alkalinity: float) -> list[tuple[float, float]]:
    """Find, for every hardness, the alkalinity at which the limit to act is reached, by halving.

    Parameters
    ----------
    heat_c : of the hottest metal [°C].
    most_hardness, most_alkalinity : how far to look [mg/L as CaCO3].

    Returns
    -------
    hardness and alkalinity of each point of the line; points beyond ``most_alkalinity`` are left out.

    Notes
    -----
    The planning rule [SIMPLELSI] and the trade's limit to act [CP].
    """
    hardness = np.linspace(most_hardness / _GRID, most_hardness, _GRID)
    low, high = np.zeros(_GRID), np.full(_GRID, most_alkalinity)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        over = _drops(hardness, middle, heat_c) > ScaleLimits().act_mg_l
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    reached = _drops(hardness, np.full(_GRID, most_alkalinity), heat_c) > ScaleLimits().act_mg_l
    return [(float(x), float(y)) for x, y, there in zip(hardness, high, reached, strict=True) if there]


def _drops(hardness: Floats, alkalinity: Floats, heat_c: float) -> Floats:
    return planning_rule(hardness, alkalinity, np.full(hardness.shape, heat_c))

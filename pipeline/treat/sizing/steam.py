"""Steam leaves its salts behind: when to drain a steam boiler so that its chloride stays in bounds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.arrays import floats
from pipeline.errors import KettlestoneError

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Floats


MOST_BOILER_CHLORIDE_MG_L: Final = 200.0  # lower end of 200–250 for ordinary stainless steel [CP]


def drain_every_days(
    chloride_mg_l: npt.ArrayLike,
    boiler_litres: float,
    steam_litres_per_day: float,
    most_mg_l: float = MOST_BOILER_CHLORIDE_MG_L,
) -> Floats:
    """Count the days until the chloride of a steam boiler reaches a limit.

    Parameters
    ----------
    chloride_mg_l : of the feed [mg/L].
    boiler_litres, steam_litres_per_day : volume of the boiler, above 0, and water leaving as steam, from 0 [L].
    most_mg_l : limit in the boiler [mg/L].

    Returns
    -------
    days; 0 where the feed is above the limit already, infinite without steam.

    Raises
    ------
    KettlestoneError : a boiler without volume, or a negative amount of steam.

    Notes
    -----
    Cl = Cl(feed) (1 + V(steam) days / V(boiler)) [CP], solved for the days.

    Example
    -------
    >>> drain_every_days([38.0, 250.0], 5.0, 0.9).round(1).tolist()
    [23.7, 0.0]
    """
    if not (boiler_litres > 0.0 and steam_litres_per_day >= 0.0):
        raise KettlestoneError("give a boiler volume above 0 and litres of steam a day of 0 or more")
    chloride = floats(chloride_mg_l)
    if steam_litres_per_day == 0.0:
        return np.where(chloride > most_mg_l, 0.0, np.inf)
    days = (most_mg_l / chloride - 1.0) * boiler_litres / steam_litres_per_day
    return floats(np.maximum(days, 0.0))

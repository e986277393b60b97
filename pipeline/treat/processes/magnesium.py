"""Magnesium exchange: calcium leaves, magnesium comes, the hardness reads as before."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pipeline.treat.processes.settings import TreatmentSettings
    from pipeline.treat.processes.solutes import Solutes


def exchange(water: Solutes, settings: TreatmentSettings) -> Solutes:
    """Exchange calcium for magnesium, and with a mixed resin some of it for hydrogen.

    A hardness test cannot see that it works; less calcium makes less calcite, but the alkalinity stays.

    Parameters
    ----------
    water : n waters; the split of the hardness must be known.
    settings : ``exchange`` share of the calcium taken [-]; ``hydrogen_share`` of it that leaves as acid [-].

    Returns
    -------
    Solutes behind the resin, before any bypass.

    Notes
    -----
    1 mg of calcium becomes 24.305/40.078 = 0.6064 mg of magnesium [IUPAC2021]. Hydrogen stops where the
    alkalinity ends.
    """
    taken = water.calcium * settings["exchange"]
    acid = np.minimum(taken * settings["hydrogen_share"], np.maximum(water.alkalinity, 0.0))
    return water.change(calcium=-taken, magnesium=taken - acid, alkalinity=-acid)

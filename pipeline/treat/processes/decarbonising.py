"""Weak-acid exchange: the hardness that alkalinity holds leaves, and carbon dioxide is set free."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import MG_CACO3_PER_MEQ

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.treat.processes.settings import TreatmentSettings
    from pipeline.treat.processes.solutes import Solutes

WEAK_ACID: Final = ("decarboniser", "buffered decarboniser")
LEAST_INLET_PH: Final = 6.3  # measured at the machine, below which carbon dioxide has to leave first [CP]


def exchangeable(water: Solutes, leak_meq: Floats, removal: Floats) -> Floats:
    """Hardness a weak-acid resin can take [meq/L]: no more than the alkalinity, no more than the hardness.

    Softened and soda waters have alkalinity without hardness: there the resin finds almost nothing.
    """
    most = np.minimum(water.alkalinity - leak_meq, water.hardness)
    return np.asarray(np.maximum(most, 0.0) * removal)


def take_hardness(water: Solutes, amount: Floats) -> Solutes:
    """Take hardness [meq/L], calcium before magnesium: the resin holds it more firmly."""
    calcium = np.minimum(amount, water.calcium)
    return water.change(calcium=-calcium, magnesium=-(amount - calcium))


def decarbonise(water: Solutes, settings: TreatmentSettings) -> Solutes:
    """Exchange hardness for hydrogen, which turns bicarbonate into carbon dioxide.

    The one device that lowers scale and alkalinity together. The carbon dioxide stays in a closed pipe and
    makes the pH low at the machine's inlet; in an open cup it leaves and the pH rises.

    Parameters
    ----------
    water : n waters.
    settings : ``leak_mg_l_caco3`` alkalinity behind fresh resin; ``removal`` share of what the resin could
        take that it takes [-].

    Returns
    -------
    Solutes behind the resin, before any bypass; total carbonate as before.

    Notes
    -----
    Ca + 2 HCO3 + 2 HR = CaR2 + 2 CO2 + 2 H2O: 1 mg/L of alkalinity as CaCO3 frees 44.0095/50.04345 =
    0.8794 mg/L of carbon dioxide [IUPAC2021]. Taken: min(alkalinity - leak, hardness), calcium first.
    """
    taken = exchangeable(water, settings["leak_mg_l_caco3"] / MG_CACO3_PER_MEQ, settings["removal"])
    return take_hardness(water, taken).change(alkalinity=-taken)


def decarbonise_buffered(water: Solutes, settings: TreatmentSettings) -> Solutes:
    """Exchange hardness partly for hydrogen, partly for another ion, so that the pH falls less.

    Parameters
    ----------
    water : n waters.
    settings : as for `decarbonise`, ``hydrogen_share`` of the exchange that is for hydrogen [-], and of the
        rest ``magnesium_share`` and ``potassium_share`` [-]; what is left is sodium.

    Returns
    -------
    Solutes behind the resin, before any bypass.
    """
    taken = exchangeable(water, settings["leak_mg_l_caco3"] / MG_CACO3_PER_MEQ, settings["removal"])
    rest = taken * (1.0 - settings["hydrogen_share"])
    magnesium, potassium = settings["magnesium_share"], settings["potassium_share"]
    return take_hardness(water, taken).change(
        alkalinity=-(taken - rest),
        magnesium=rest * magnesium,
        potassium=rest * potassium,
        sodium=rest * (1.0 - magnesium - potassium),
    )

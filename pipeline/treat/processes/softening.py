"""Sodium softening: calcium and magnesium leave, sodium or potassium comes, the alkalinity stays."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.chemistry.equivalents import MG_CACO3_PER_MEQ

if TYPE_CHECKING:
    from pipeline.treat.processes.settings import TreatmentSettings
    from pipeline.treat.processes.solutes import Solutes


def soften(water: Solutes, settings: TreatmentSettings) -> Solutes:
    """Exchange the hardness for sodium, equivalent for equivalent, down to the leakage of the resin.

    Hardness is gone and scale with it, but the alkalinity that makes a cup dull is all still there,
    and each °dH has become 8.2 mg/L of sodium.

    Parameters
    ----------
    water : n waters.
    settings : ``leak_mg_l_caco3`` hardness behind fresh resin; ``potassium_share`` of the resin regenerated
        with potassium [-].

    Returns
    -------
    Solutes behind the resin, before any bypass.

    Notes
    -----
    1 mg/L of hardness as CaCO3 becomes 22.98977/50.04345 = 0.4594 mg/L of sodium [IUPAC2021]. Calcium and
    magnesium go in proportion; alkalinity, anions and total carbonate stay.
    """
    leak = np.minimum(settings["leak_mg_l_caco3"] / MG_CACO3_PER_MEQ, water.hardness)
    hardness = water.hardness
    kept = np.divide(leak, hardness, out=np.ones_like(hardness), where=hardness > 0.0)
    gained = hardness - leak
    potassium = settings["potassium_share"]
    return water.scale(calcium=kept, magnesium=kept).change(
        sodium=gained * (1.0 - potassium), potassium=gained * potassium
    )


def unsoften(water: Solutes, settings: TreatmentSettings) -> Solutes:
    """Give a softened water back the hardness its resin took: what an unsoftened tap must carry.

    Parameters
    ----------
    water : n softened waters.
    settings : ``hardness_mg_l_caco3`` of the supply before the softener; ``calcium_share`` of it [-].

    Returns
    -------
    Solutes of the supply: sodium falls by what the hardness rises.

    Notes
    -----
    `soften` read backwards [IUPAC2021]. Sodium ends at 0: a supply that would need less than none shows as
    charge that does not close, and `treat` refuses it.
    """
    back = np.maximum(settings["hardness_mg_l_caco3"] / MG_CACO3_PER_MEQ - water.hardness, 0.0)
    share = settings["calcium_share"]
    return water.change(calcium=back * share, magnesium=back * (1.0 - share), sodium=-back)

"""What a softener makes of the conductivity: sodium for calcium and magnesium, and fewer ion pairs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.chemistry.conductance import carried
from pipeline.chemistry.equivalents import CHARGE, MG_CACO3_PER_MEQ, MOLAR_MASS

if TYPE_CHECKING:
    from pipeline.arrays import Floats

_CALCIUM: Final = 0.75  # of the hardness [HEM1985]
_SODIUM_MEQ: Final = 0.3  # of the raw water, so that its charges can be closed [HEM1985]
_ALKALINE: Final = 0.7  # of the hardness, where alkalinity was not read [HEM1985]
_NO_PH: Final = 7.5  # where bicarbonate carries the alkalinity


def conductivity_ratios(before: Floats, after: Floats, alkalinity: Floats) -> tuple[Floats, Floats]:
    """Give the conductivity behind a softener over the one before it, at the least and at the most.

    Bicarbonate and chloride waters keep theirs within a few per cent. In sulfate waters calcium and magnesium go about
    as uncharged pairs, and sodium does not: softened, they conduct up to a quarter more.

    Parameters
    ----------
    before, after, alkalinity : (n,) hardness before and behind the softener, alkalinity of the water [mg/L as CaCO3];
        missing alkalinity is taken as 70 % of the hardness.

    Returns
    -------
    two (n,) arrays of ratios, missing where a hardness is. What alkalinity does not carry is chloride in one and
    sulfate in the other.

    Notes
    -----
    Conductivity of the free ions, pairs taken off [CRC97, PHREEQC3], of a water with three quarters of its hardness as
    calcium [HEM1985]. Valid where `conductance.expected` is.
    """
    known = np.where(np.isnan(alkalinity), _ALKALINE * before, alkalinity)
    ratios = [
        _conductivity(before, np.minimum(after, before), known, anion) / _conductivity(before, before, known, anion)
        for anion in ("chloride", "sulfate")
    ]
    return np.fmin(*ratios), np.fmax(*ratios)


def _conductivity(before: Floats, left: Floats, alkalinity: Floats, anion: str) -> Floats:
    """Conductivity [µS/cm] of a water with some of its hardness left and sodium for the rest."""
    meq = {"calcium": _CALCIUM * left, "magnesium": (1.0 - _CALCIUM) * left, "sodium": before - left}
    meq = {ion: amount / MG_CACO3_PER_MEQ for ion, amount in meq.items()}
    meq["sodium"] = meq["sodium"] + _SODIUM_MEQ
    rest = before / MG_CACO3_PER_MEQ + _SODIUM_MEQ - alkalinity / MG_CACO3_PER_MEQ
    meq["sodium"] = meq["sodium"] + np.maximum(-rest, 0.0)  # a soda water
    meq |= {"chloride": np.zeros(len(before)), "sulfate": np.zeros(len(before))}
    meq[anion] = np.maximum(rest, 0.0)
    ions = {f"{ion}_mg_l": amount * MOLAR_MASS[ion] / abs(CHARGE[ion]) for ion, amount in meq.items()}
    water = pd.DataFrame({**ions, "alkalinity_mg_l_caco3": alkalinity, "ph": _NO_PH, "temperature_c": 25.0})
    return carried(water).conductivity

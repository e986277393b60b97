"""Contact with calcite: an acid or hungry water dissolves chalk until it is saturated."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.chemistry.solving import with_calcite
from pipeline.treat.processes.solving import composition, solve_solutes

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.treat.processes.settings import TreatmentSettings
    from pipeline.treat.processes.solutes import Solutes


def dissolvable(water: Solutes) -> Floats:
    """Calcite that waters can still dissolve [mmol/L]: 0 where they are saturated, NaN where not known.

    Notes
    -----
    CaCO3 + CO2 + H2O = Ca + 2 HCO3 until the saturation index is 0 [PB1982]. A bed of calcite drops
    nothing from a water that is above saturation. 0–150 °C, any pH, alkalinity of any sign; NaN where the water has no
    solution or no equilibrium with calcite was found.
    """
    amount = np.full(water.alkalinity.size, np.nan)
    ready = np.isfinite(water.hardness + water.alkalinity + water.carbon_dioxide)
    known = water.take(ready)
    saturated, precipitated = with_calcite(solve_solutes(composition(known), known.total_carbonate))
    amount[ready] = np.where(saturated.state.converged, np.maximum(-1e3 * precipitated, 0.0), np.nan)
    return amount


def add_chalk(water: Solutes, amount_mmol: Floats) -> Solutes:
    """Dissolve calcium carbonate [mmol/L]: calcium, alkalinity and carbonate rise."""
    return water.change(calcium=2.0 * amount_mmol, alkalinity=2.0 * amount_mmol, total_carbonate=amount_mmol)


def contact(water: Solutes, settings: TreatmentSettings) -> Solutes:
    """Lead waters over calcite.

    Gives a permeate hardness and buffer in equal parts and lifts its pH, but no more than its carbon dioxide allows.

    Parameters
    ----------
    water : n waters with a known pH.
    settings : ``approach`` share of the way to saturation that the contact time allows [-].

    Returns
    -------
    Solutes behind the bed, before any bypass.
    """
    return add_chalk(water, dissolvable(water) * settings["approach"])

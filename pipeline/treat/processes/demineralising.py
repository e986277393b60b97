"""Full demineralisation: cations for hydrogen, anions for hydroxide, almost nothing left."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from pipeline.chemistry.equivalents import ANIONS, CATIONS

if TYPE_CHECKING:
    from pipeline.treat.processes.settings import TreatmentSettings
    from pipeline.treat.processes.solutes import Solutes


def demineralise(water: Solutes, settings: TreatmentSettings) -> Solutes:
    """Take the same share of every ion, of silica and of all carbonate.

    Water to blend or to mineralise; alone it is flat, corrodes copper and blinds level probes.

    Parameters
    ----------
    water : n waters.
    settings : ``removal`` share of everything taken [-].

    Returns
    -------
    Solutes behind the resins, before any blending.

    Notes
    -----
    RH + ROH + NaCl = RNa + RCl + H2O: both sides leave together, so the charge stays closed [CP].
    """
    left = 1.0 - settings["removal"]
    taken = water.scale(**dict.fromkeys((*CATIONS, *ANIONS, "alkalinity", "silica", "total_carbonate"), left))
    return replace(taken, traces=water.traces * left)

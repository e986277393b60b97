"""Reverse osmosis: a membrane holds the salts back and lets the carbon dioxide through."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from pipeline.chemistry.equivalents import ANIONS, CATIONS

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.treat.processes.settings import TreatmentSettings
    from pipeline.treat.processes.solutes import Solutes


def permeate(water: Solutes, settings: TreatmentSettings) -> Solutes:
    """Pass waters through a membrane.

    Only a membrane takes chloride, sodium, nitrate and sulfate. Its water has lost the buffer but not
    the carbon dioxide, so it is acid until the gas leaves, and it corrodes copper if used as it is.

    Parameters
    ----------
    water : n waters.
    settings : ``rejection`` of all salts [-], which keeps the charge; ``rejection_<ion>`` where an ion has
        a figure of its own (missing: as all salts).

    Returns
    -------
    Solutes of the permeate, before any blending.

    Notes
    -----
    c = c0 (1 - R). Figures of single ions do not add up to a neutral water; the ions in excess are then
    held back more, as the charge of their partners demands. Carbon dioxide: R = 0 [CP].
    """
    passes = {ion: 1.0 - _rejection(settings, ion) for ion in (*CATIONS, *ANIONS, "bicarbonate", "silica")}
    passes["alkalinity"] = passes.pop("bicarbonate")
    held = water.scale(**passes)
    cations, anions = _neutral(water, held)
    held = held.scale(**dict.fromkeys(CATIONS, cations), **dict.fromkeys((*ANIONS, "alkalinity"), anions))
    share = passes["alkalinity"] * anions
    dissolved_gas = np.nan_to_num(water.carbon_dioxide)
    carbonate = dissolved_gas + share * (water.total_carbonate - dissolved_gas)
    return replace(held, total_carbonate=carbonate, traces=water.traces * (1.0 - settings["rejection"]))


def _rejection(settings: TreatmentSettings, ion: str) -> Floats:
    own = settings[f"rejection_{ion}"]
    return np.asarray(np.where(np.isnan(own), settings["rejection"], own))


def _neutral(feed: Solutes, permeate: Solutes) -> tuple[Floats, Floats]:
    """Factors for cations and anions that leave the permeate as unbalanced as its feed was, in proportion."""
    before, after = (
        (
            np.sum([getattr(water, ion) for ion in CATIONS], axis=0),
            np.sum([getattr(water, ion) for ion in (*ANIONS, "alkalinity")], axis=0),
        )
        for water in (feed, permeate)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        wanted = np.where(before[1] > 0.0, before[0] / before[1], 1.0)  # cations per anion
        factor = wanted * after[1] / after[0]
    factor = np.where(np.isfinite(factor) & (factor > 0.0), factor, 1.0)
    return np.minimum(factor, 1.0), np.minimum(1.0 / factor, 1.0)

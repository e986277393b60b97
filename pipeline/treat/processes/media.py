"""What every treatment in a pipe has in common: water that goes round it, media that tire, carbon before it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import MOLAR_MASS

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.treat.processes.solutes import Solutes

MG_CHLORINE_PER_MMOL: Final = 2.0 * MOLAR_MASS["chloride"]  # chlorine is reported as Cl2


def raw_share(bypass: Floats, exhausted: Floats) -> Floats:
    """Share of the product that is as good as raw: what goes round, and what tired media let through.

    Parameters
    ----------
    bypass : (n,) share of the product that goes round the media [-].
    exhausted : (n,) share of its work that the medium no longer does [-]: 0 fresh, 1 out is as in.

    Returns
    -------
    (n,) share [-], b + (1 - b) e.

    Example
    -------
    >>> raw_share(np.array([0.3]), np.array([0.5])).round(2).tolist()
    [0.65]
    """
    return np.asarray(bypass + (1.0 - bypass) * exhausted)


def through(raw: Solutes, fresh: Solutes, bypass: Floats, exhausted: Floats) -> Solutes:
    """Mix what the fresh medium gives with the raw water of the bypass and of the tired part."""
    return fresh.mixed_with(raw, raw_share(bypass, exhausted))


def dechlorinated(water: Solutes, free_removed: Floats, bound_removed: Floats) -> Solutes:
    """Take chlorine out with activated carbon; what it was becomes chloride and a little acid.

    Parameters
    ----------
    water : n waters.
    free_removed, bound_removed : (n,) share of the free chlorine and of the chloramine removed [-].

    Returns
    -------
    Solutes; chlorine that was not measured stays not measured.

    Notes
    -----
    HOCl + C = H + Cl + CO: one chloride and one acid per Cl2 reported [CP]; 1 mg/L of chlorine costs 0.7 mg/L
    of alkalinity as CaCO3.
    """
    left_free = water.free_chlorine * (1.0 - free_removed)
    bound = np.maximum(water.total_chlorine - np.nan_to_num(water.free_chlorine), 0.0)
    left_total = np.nan_to_num(left_free) + bound * (1.0 - bound_removed)
    taken = np.fmax(water.free_chlorine - left_free, water.total_chlorine - left_total)
    acid = np.minimum(np.nan_to_num(taken) / MG_CHLORINE_PER_MMOL, np.nan_to_num(water.alkalinity))
    changed = water.change(chloride=acid, alkalinity=-acid)
    return changed.change(
        free_chlorine=left_free - water.free_chlorine, total_chlorine=left_total - water.total_chlorine
    )

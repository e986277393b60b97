"""Solutes as the chemistry's solver wants them, and the pH that follows from their carbonate."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.activity import LN10
from pipeline.chemistry.composition import CHARGE_OF_ION, IONS, Composition
from pipeline.chemistry.equivalents import ANIONS, CATIONS
from pipeline.chemistry.solving import with_total_carbonate

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.chemistry.solution import Solution
    from pipeline.treat.processes.solutes import Solutes

# Only where the search for the pH starts: the first constant of carbonic acid, and how little may be free.
_PK1_GUESS: Final = 6.35
_LEAST_FREE_SHARE: Final = 1e-3
_LEAST: Final = 1e-6  # mol/L


def composition(solutes: Solutes, *, calcium_share: float = 1.0) -> Composition:
    """Put solutes as the solver wants them; ``calcium_share`` of what stands under calcium is calcium."""
    held = {"silica": solutes.silica, **{ion: getattr(solutes, ion) for ion in (*CATIONS, *ANIONS)}}
    held["calcium"], held["magnesium"] = (
        solutes.calcium * calcium_share,
        solutes.magnesium + solutes.calcium * (1.0 - calcium_share),
    )
    charge = np.maximum(np.abs(CHARGE_OF_ION), 1.0)
    ions = np.vstack([held[ion] for ion in IONS]) / charge[:, None] / 1e3
    size = solutes.alkalinity.size
    nothing = np.full(size, np.nan)
    return Composition(np.arange(size), solutes.temperature_c, nothing, nothing, ions, solutes.alkalinity / 1e3)


def solve_solutes(cases: Composition, total_carbonate_mmol: Floats) -> Solution:
    """Find the pH of waters from their alkalinity, of any sign, and total carbonate [mmol/L], 0–150 °C."""
    total = total_carbonate_mmol / 1e3
    free = np.maximum(total - cases.alkalinity, 0.0)  # about the free carbon dioxide
    bicarbonate = np.minimum(np.maximum(cases.alkalinity, _LEAST), total)
    with np.errstate(invalid="ignore", divide="ignore"):
        ph = _PK1_GUESS + np.log10(bicarbonate / np.maximum(free, _LEAST_FREE_SHARE * total + _LEAST))
        acid = -np.log10(np.maximum(-cases.alkalinity, _LEAST))  # of the free mineral acid behind an exchanger
    ph = np.where(cases.alkalinity < 0.0, np.clip(acid, 1.0, 5.0), np.clip(ph, 4.0, 10.0))
    return with_total_carbonate(cases, cases.temperature_c, total, -LN10 * ph)

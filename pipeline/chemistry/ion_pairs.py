"""Ions that go about as pairs: a hard water conducts less than the sum of its ions says."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# L/mol at 25 °C, one figure for calcium and magnesium [PHREEQC3].
SULFATE: Final = 10.0**2.3  # CaSO4 2.25, MgSO4 2.37
BICARBONATE: Final = 10.0**1.1  # CaHCO3+ 1.11, MgHCO3+ 1.07
DAVIES_A: Final = 0.509  # [APHA2330]


def paired(
    metal: Floats, partner: Floats, strength: Floats, constant: float, charge_change: float
) -> tuple[Floats, Floats, Floats]:
    """Concentration of the pairs of calcium and magnesium with one anion, and how it grows with each side.

    Parameters
    ----------
    metal, partner : (n,) calcium and magnesium together, and the anion [mol/L].
    strength : (n,) ionic strength of the total ions [mol/L].
    constant : ``SULFATE`` or ``BICARBONATE`` [L/mol].
    charge_change : Σ z² of the two ions less z² of the pair: 8 for sulfate, 4 for bicarbonate.

    Returns
    -------
    pairs [mol/L], and what one mol/L more of the metals, or of the anion, adds to them.

    Notes
    -----
    x = K γ' (M − x)(A − x) with log γ' = −0.509 Δz² (√I/(1 + √I) − 0.3 I), Davies, I up to 0.5 mol/L
    [APHA2330, PHREEQC3].

    Example
    -------
    >>> pairs, _, _ = paired(np.array([0.010]), np.array([0.008]), np.array([0.040]), SULFATE, 8.0)
    >>> pairs.round(5).tolist()
    [0.00198]
    """
    root = np.sqrt(np.maximum(strength, 0.0))
    log_activity = -DAVIES_A * charge_change * (root / (1.0 + root) - 0.3 * root**2)
    effective = constant * 10.0**log_activity
    both = metal + partner + 1.0 / effective
    free = np.sqrt(np.maximum(both**2 - 4.0 * metal * partner, np.finfo("float64").tiny))
    by_metal, by_partner = (0.5 * (1.0 - (both - 2.0 * other) / free) for other in (partner, metal))
    return 0.5 * (both - free), by_metal, by_partner

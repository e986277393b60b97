"""Calcium and magnesium sulfate that go about as pairs and carry no current."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

PAIR_CONSTANT: Final = 10.0**2.3  # L/mol at 25 °C; CaSO4 2.25 to 2.30 and MgSO4 2.26 to 2.37 [PHREEQC3]
DAVIES_A: Final = 0.509  # [APHA2330]


def sulfate_pairs(metal: Floats, sulfate: Floats, strength: Floats) -> tuple[Floats, Floats, Floats]:
    """Concentration of the pairs, and how it grows with each partner.

    A hard gypsum water conducts up to a tenth less than the sum of its ions says: what is paired is not charged.

    Parameters
    ----------
    metal, sulfate : (n,) calcium and magnesium together, and sulfate [mol/L].
    strength : (n,) ionic strength of the total ions [mol/L].

    Returns
    -------
    pairs [mol/L], and what one mol/L more of the metals, or of sulfate, adds to them.

    Notes
    -----
    x = K γ² (M − x)(S − x), one K for both metals; γ of a doubly charged ion by Davies, log γ = −0.509 · 4 ·
    (√I/(1 + √I) − 0.3 I), up to I = 0.5 mol/L [APHA2330, PHREEQC3].

    Example
    -------
    >>> pairs, _, _ = sulfate_pairs(np.array([0.010]), np.array([0.008]), np.array([0.040]))
    >>> pairs.round(5).tolist()
    [0.00198]
    """
    root = np.sqrt(np.maximum(strength, 0.0))
    log_activity = -DAVIES_A * 4.0 * (root / (1.0 + root) - 0.3 * root**2)
    constant = PAIR_CONSTANT * 10.0 ** (2.0 * log_activity)
    both = metal + sulfate + 1.0 / constant
    free = np.sqrt(np.maximum(both**2 - 4.0 * metal * sulfate, np.finfo("float64").tiny))
    by_metal, by_sulfate = (0.5 * (1.0 - (both - 2.0 * other) / free) for other in (sulfate, metal))
    return 0.5 * (both - free), by_metal, by_sulfate

"""Ions that go about as pairs: a hard water conducts less than the sum of its ions says."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from pipeline.arrays import Floats


# L/mol at 25 °C, one figure for calcium and magnesium [PHREEQC3].
SULFATE: Final = 10.0**2.3  # CaSO4 2.25, MgSO4 2.37
BICARBONATE: Final = 10.0**1.1  # CaHCO3+ 1.11, MgHCO3+ 1.07
CARBONATE: Final = 10.0**3.15  # CaCO3 3.22, MgCO3 2.98
PAIR_MOBILITY: Final = 0.43  # of CaHCO3+ and MgHCO3+, against bicarbonate [PHREEQC3]
_PK2: Final = 10.33  # HCO3- = CO3 2- + H+ at 25 °C [PB1982]
_USABLE_PH: Final = (4.0, 10.5)  # outside it a pH is a mistake or no water of a tap [CP]
DAVIES_A: Final = 0.509  # [APHA2330]


def paired(
    metal: Floats, partner: Floats, strength: Floats, constant: float | Floats, charge_change: float
) -> tuple[Floats, Floats, Floats]:
    """Concentration of the pairs of calcium and magnesium with one anion, and how it grows with each side.

    Parameters
    ----------
    metal, partner : (n,) calcium and magnesium together, and the anion [mol/L].
    strength : (n,) ionic strength of the total ions [mol/L].
    constant : ``SULFATE``, ``BICARBONATE``, or ``CARBONATE`` times the share of the alkalinity that is carbonate, with
        half the alkalinity [mol of charge/L] as the partner [L/mol].
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
    log_activity = -charge_change * _davies(strength)
    effective = constant * 10.0**log_activity
    both = metal + partner + 1.0 / effective
    free = np.sqrt(np.maximum(both**2 - 4.0 * metal * partner, np.finfo("float64").tiny))
    by_metal, by_partner = (0.5 * (1.0 - (both - 2.0 * other) / free) for other in (partner, metal))
    return 0.5 * (both - free), by_metal, by_partner


def carbonate_share(ph: Floats, strength: Floats) -> Floats:
    """Share of the alkalinity that is carbonate, from pH; next to nothing where pH is not known.

    Parameters
    ----------
    ph : (n,) pH, missing where not read.
    strength : (n,) ionic strength [mol/L].

    Returns
    -------
    (n,) share [-], above 0.

    Notes
    -----
    s = 2r/(1 + 2r), r = [CO3]/[HCO3] = 10^(pH − 10.33) · γ1/γ2 [PB1982], activities by Davies [APHA2330].

    Example
    -------
    >>> carbonate_share(np.array([8.3, 7.0]), np.array([0.01, 0.01])).round(4).tolist()
    [0.0252, 0.0013]
    """
    low, high = _USABLE_PH
    with np.errstate(invalid="ignore"):
        usable = (ph >= low) & (ph <= high)
    ratio = 10.0 ** (np.where(usable, ph, low) - _PK2 + 3.0 * _davies(strength))
    return np.asarray(2.0 * ratio / (1.0 + 2.0 * ratio), dtype="float64")


def _davies(strength: Floats) -> Floats:
    """Give −log γ of a single charge."""
    root = np.sqrt(np.maximum(strength, 0.0))
    return np.asarray(DAVIES_A * (root / (1.0 + root) - 0.3 * root**2), dtype="float64")

"""Activity coefficients of the dissolved species: the extended Debye–Hückel equation of WATEQ."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.reference import table

if TYPE_CHECKING:
    from pipeline.arrays import Floats

SPECIES: Final = table("species")
CHARGES: Final[Floats] = SPECIES["charge"].to_numpy(dtype="float64")
LN10: Final = float(np.log(10.0))
WATER_ACTIVITY_PER_MOLALITY: Final = 0.017  # a_w = 1 - 0.017 sum(m) [PHREEQC3]

_SIZES: Final[Floats] = np.unique(SPECIES["ion_size_angstrom"].dropna().to_numpy(dtype="float64"))


def _weights() -> Floats:
    """How much of each term of `terms` enters log gamma of each species: (species, terms)."""
    sized = SPECIES["ion_size_angstrom"].to_numpy(dtype="float64")
    charged = np.square(CHARGES)
    by_size = -charged[:, None] * (sized[:, None] == _SIZES[None, :])
    davies = -charged * np.isnan(sized)
    linear = SPECIES["b"].fillna(0.0).to_numpy(dtype="float64")
    return np.column_stack([by_size, davies, linear])


WEIGHTS: Final[Floats] = _weights()


def terms(ionic_strength: Floats, debye_a: Floats, debye_b: Floats) -> Floats:
    """Evaluate the terms that all log gammas are made of.

    Few ion sizes serve many ions, so each square root and quotient is formed once.

    Parameters
    ----------
    ionic_strength : (n,) [mol/kg].
    debye_a, debye_b : (n,) Debye–Hückel A [-] and B [1/Å].

    Returns
    -------
    (terms, n) array; ``WEIGHTS @ terms(...)`` is ln gamma of every species. Trustworthy to about 1 mol/kg.
    """
    root = np.sqrt(ionic_strength)
    by_size = debye_a * root / (1.0 + debye_b * root * _SIZES[:, None])
    davies = debye_a * (root / (1.0 + root) - 0.3 * ionic_strength)
    return LN10 * np.vstack([by_size, davies[None, :], ionic_strength[None, :]])


def slopes(ionic_strength: Floats, debye_a: Floats, debye_b: Floats) -> Floats:
    """Differentiate `terms` by the logarithm of the ionic strength; same shapes."""
    root = np.sqrt(ionic_strength)
    by_size = debye_a * root / (2.0 * np.square(1.0 + debye_b * root * _SIZES[:, None]))
    davies = debye_a * (root / (2.0 * np.square(1.0 + root)) - 0.3 * ionic_strength)
    return LN10 * np.vstack([by_size, davies[None, :], ionic_strength[None, :]])


def activity_coefficients(ionic_strength: Floats, debye_a: Floats, debye_b: Floats) -> Floats:
    """Activity coefficients of every species in the order of the species table.

    A divalent ion in ordinary tap water acts as if a third of it were not there; leaving
    that out moves the calcite index by more than most waters are away from zero.

    Parameters
    ----------
    ionic_strength : (n,) [mol/kg], trustworthy to about 1.
    debye_a, debye_b : (n,) Debye–Hückel A [-] and B [1/Å].

    Returns
    -------
    (species, n) array [-].

    Notes
    -----
    log g = -A z² √I/(1 + B a √I) + b I; without an ion size Davies, -A z² (√I/(1+√I) - 0.3 I);
    uncharged species 0.1 I [TJ1974, PHREEQC3].

    Example
    -------
    >>> gamma = activity_coefficients(np.array([0.01]), np.array([0.51]), np.array([0.3285]))
    >>> gamma[SPECIES["species"].tolist().index("Ca")].round(3).tolist()
    [0.671]
    """
    return np.exp(WEIGHTS @ terms(ionic_strength, debye_a, debye_b))

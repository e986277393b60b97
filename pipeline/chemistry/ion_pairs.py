"""Ions that go about as pairs: a hard water conducts less than the sum of its ions says.

The conductivity of a sample is asked for a hundred thousand at a time and for every mistake that might explain it, so
this is the short form of `equilibrium`: the pairs that a conductivity can see, at constants of one temperature.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.arrays import floats
from pipeline.chemistry.constants import log_k
from pipeline.chemistry.water import solvent

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.arrays import Floats

    Constants = Mapping[str, Floats]

PAIRING_METALS: Final = {"calcium": 2, "magnesium": 2, "sodium": 1, "potassium": 1}
LIGANDS: Final = {"sulfate": 2, "bicarbonate": 1, "carbonate": 2}
PAIRS: Final = {  # (metal, anion) -> the reaction of log_k.csv that makes it
    ("calcium", "sulfate"): "CaSO4", ("magnesium", "sulfate"): "MgSO4",
    ("sodium", "sulfate"): "NaSO4", ("potassium", "sulfate"): "KSO4",
    ("calcium", "bicarbonate"): "CaHCO3", ("magnesium", "bicarbonate"): "MgHCO3", ("sodium", "bicarbonate"): "NaHCO3",
    ("calcium", "carbonate"): "CaCO3", ("magnesium", "carbonate"): "MgCO3", ("sodium", "carbonate"): "NaCO3",
}  # fmt: skip
CHARGED_PAIRS: Final = tuple(
    name for (metal, anion), name in PAIRS.items() if PAIRING_METALS[metal] != LIGANDS[anion]
)  # of a single charge
_OTHERS: Final = ("ammonium", "chloride", "nitrate", "fluoride")  # single charges that pair with nothing
_REACTIONS: Final = (*PAIRS.values(), "HSO4", "K2", "Kw")
_ROUNDS: Final = 4


def pair_constants(temperature_c: Floats) -> dict[str, Floats]:
    """Association constants, and Debye and Hückel's A, at the temperatures of n waters.

    Parameters
    ----------
    temperature_c : (n,) [°C], 0–150.

    Returns
    -------
    reaction of ``log_k.csv`` -> (n,) K [L/mol]; ``A`` [-].

    Example
    -------
    >>> pair_constants(np.array([25.0]))["CaSO4"].round(1).tolist()
    [177.8]
    """
    unique, rows = np.unique(temperature_c, return_inverse=True)
    found = {name: (10.0 ** log_k(name, unique))[rows] for name in _REACTIONS}
    return {**found, "A": solvent(unique).debye_a[rows]}


AT_25: Final[dict[str, Floats]] = pair_constants(np.array([25.0]))


@dataclass(frozen=True)
class FreeIons:
    """What carries the current in n waters: ``amounts`` of free ions and of pairs of a single charge [mmol/L], and the
    true ionic strength [mol/L]; ``taken``: how much of a pair one mol/L more of its metal, or of its anion, makes.
    """  # noqa: D205 (the summary needs two lines)

    amounts: dict[str, Floats]
    strength: Floats
    taken: dict[tuple[str, str], tuple[Floats, Floats]]


def free_ions(totals: Mapping[str, Floats], ph: Floats, reported: Floats, k: Constants = AT_25) -> FreeIons:
    """Find the free ions of n waters.

    Parameters
    ----------
    totals : analysed ions [mmol/L] of `PAIRING_METALS`, sulfate, ammonium, chloride, nitrate and fluoride, and
        ``alkalinity`` [mmol of charge/L]; (n,) each.
    ph : (n,) pH, 0–14; where it is missing the water holds neither acid nor hydroxide.
    reported : (n,) carbonate per bicarbonate [mol/mol] where the pH is missing.
    k : constants of `pair_constants`; at 25 °C if not given.

    Returns
    -------
    FreeIons.

    Notes
    -----
    Pair = K γM γA/γP M A, activity coefficients by Davies, I up to 0.5 mol/L [APHA2330, PHREEQC3];
    CO3/HCO3 = K2 γ1/(γ2 aH) [PB1982]. Bicarbonate is the alkalinity less the hydroxide, and at most twice the
    alkalinity where acid adds to it: below its end point a titration sees none. Four rounds of metals, anions and
    ionic strength leave 0.03 % of the conductivity open in 99 of 100 waters of up to 0.1 mol/L, and 0.6 % in the
    strongest sulfate waters.

    Example
    -------
    >>> nothing = dict.fromkeys(("magnesium", "sodium", "potassium", *_OTHERS, "alkalinity"), np.zeros(1))
    >>> gypsum = {**nothing, "calcium": np.array([15.2]), "sulfate": np.array([15.2])}
    >>> free_ions(gypsum, np.array([np.nan]), np.zeros(1)).amounts["calcium"].round(1).tolist()
    [10.6]
    """
    metal = {name: totals[name] / 1000.0 for name in PAIRING_METALS}
    sulfate, alkalinity = totals["sulfate"] / 1000.0, totals["alkalinity"] / 1000.0
    inert = sum((totals[name] for name in _OTHERS), start=0.0 * sulfate) / 1000.0
    known = np.isfinite(ph)
    ph = np.where(known, ph, 7.0)
    hydrogen, inverse = np.where(known, 10.0**-ph, 0.0), 10.0**ph
    alkali = np.where(known, k["Kw"] * inverse, 0.0)
    split = np.where(known, k["K2"] * inverse, reported)
    free = dict(metal)
    strength = 2.0 * (metal["calcium"] + metal["magnesium"] + sulfate)
    strength = strength + 0.5 * (metal["sodium"] + metal["potassium"] + inert + alkalinity)
    for _ in range(_ROUNDS):
        root = np.sqrt(np.maximum(strength, 0.0))
        single = 10.0 ** (-k["A"] * (root / (1.0 + root) - 0.3 * strength))  # activity coefficient of a single charge
        constant = _constants(k, single)
        acid, base = hydrogen / single, alkali / single
        ratio = np.where(known, split / single**3, split)
        load = {anion: _load(constant, anion, free) for anion in LIGANDS}
        bisulfate = k["HSO4"] * hydrogen * single**3
        anions = {"sulfate": sulfate / (1.0 + bisulfate + load["sulfate"])}
        buffer = np.maximum(alkalinity - base + np.minimum(acid, np.maximum(alkalinity, 0.0)), 0.0)
        whole = 1.0 + load["bicarbonate"] + 2.0 * ratio * (1.0 + load["carbonate"])
        anions["bicarbonate"] = buffer / whole
        anions["carbonate"] = ratio * anions["bicarbonate"]
        free = {name: metal[name] / (1.0 + _load(constant, name, anions)) for name in PAIRING_METALS}
        pairs = {PAIRS[pair]: constant[pair] * free[pair[0]] * anions[pair[1]] for pair in PAIRS}
        pairs["HSO4"] = bisulfate * anions["sulfate"]
        ones = sum((pairs[name] for name in (*CHARGED_PAIRS, "HSO4")), start=inert + acid + base)
        ones = ones + free["sodium"] + free["potassium"] + anions["bicarbonate"]
        twos = free["calcium"] + free["magnesium"] + anions["sulfate"] + anions["carbonate"]
        strength = 0.5 * ones + 2.0 * twos
    amounts = {**free, **anions, "hydrogen": acid, "hydroxide": base}
    amounts |= {name: pairs[name] for name in (*CHARGED_PAIRS, "HSO4")}
    carried = {name: 1000.0 * amount for name, amount in amounts.items()} | {name: totals[name] for name in _OTHERS}
    return FreeIons(carried, floats(strength), _taken(constant, free, anions))


def _constants(k: Constants, single: Floats) -> dict[tuple[str, str], Floats]:
    """Association constants in concentrations; Σ z² of the ions less that of the pair is 8, 4 or 2."""
    square = single * single
    power = {1: square, 2: square * square}
    power[4] = power[2] * power[2]
    return {
        (metal, anion): k[name] * power[PAIRING_METALS[metal] * LIGANDS[anion]]
        for (metal, anion), name in PAIRS.items()
    }


def _load(constant: Mapping[tuple[str, str], Floats], of: str, partners: Mapping[str, Floats]) -> Floats:
    """Pairs per free ion of one metal or anion."""
    first, *rest = (value * partners[a if m == of else m] for (m, a), value in constant.items() if of in (m, a))
    return sum(rest, start=first)


def _taken(
    constant: Mapping[tuple[str, str], Floats], free: Mapping[str, Floats], anions: Mapping[str, Floats]
) -> dict[tuple[str, str], tuple[Floats, Floats]]:
    """Growth of each pair with the total of its metal and of its anion, every other pair standing still."""
    found = {}
    for (metal, anion), value in constant.items():
        by_metal, by_anion = value * anions[anion], value * free[metal]
        whole = 1.0 + by_metal + by_anion
        found[metal, anion] = by_metal / whole, by_anion / whole
    return found

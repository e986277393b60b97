"""Equilibrium constants of the dissolved species and the scale minerals at any temperature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.arrays import floats
from pipeline.chemistry.activity import LN10, SPECIES
from pipeline.chemistry.water import (
    BAR_PER_ATM,
    GAS_CONSTANT_CM3_ATM,
    KELVIN,
    MOLAR_MASS_WATER,
    Solvent,
    solvent,
)
from pipeline.reference import records, table

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Floats, Places


MINERALS: Final = ("calcite", "aragonite", "gypsum", "anhydrite", "amorphous_silica")
_GAS_CONSTANT_KCAL: Final = 1.98720e-3  # kcal/mol/K
_STANDARD_KELVIN: Final = 298.15
_COMPONENT_SYMBOLS: Final = {
    "calcium": "Ca", "magnesium": "Mg", "sodium": "Na", "potassium": "K", "silica": "H4SiO4",
}  # fmt: skip
_MINERAL_MAKE_UP: Final = {  # dissolved products of one formula unit; water counted apart
    "calcite": ("Ca", "CO3"),
    "aragonite": ("Ca", "CO3"),
    "gypsum": ("Ca", "SO4"),
    "anhydrite": ("Ca", "SO4"),
}
_MINERAL_WATER: Final = {"gypsum": 2.0}


@dataclass(frozen=True)
class Constants:
    """Everything that depends on temperature alone, for (n,) waters.

    ``ln_species`` is (species, n), the formation constants; ``ln_mineral`` one (n,) solubility
    product per mineral; ``log_henry`` that of carbon dioxide; all at the vessel's pressure.
    """

    ln_species: Floats
    ln_mineral: dict[str, Floats]
    ln_carbon_dioxide: Floats
    log_henry: Floats
    debye_a: Floats
    debye_b: Floats

    def take(self, rows: Places) -> Constants:
        """Repeat or pick columns, so that equal temperatures are worked out once."""
        return Constants(
            self.ln_species[:, rows],
            {name: values[rows] for name, values in self.ln_mineral.items()},
            self.ln_carbon_dioxide[rows],
            self.log_henry[rows],
            self.debye_a[rows],
            self.debye_b[rows],
        )


def _analytic(reactions: pd.DataFrame) -> Floats:
    """Bring van 't Hoff rows to the analytic form, so that one expression serves all."""
    rows = reactions[["a", "b", "c", "d", "e", "f"]].fillna(0.0).to_numpy(dtype="float64", copy=True)
    slope = reactions["enthalpy_kcal"].to_numpy(dtype="float64") / (LN10 * _GAS_CONSTANT_KCAL)
    at_25 = reactions["log_k_25"].to_numpy(dtype="float64")
    from_enthalpy = np.isfinite(at_25)
    rows[from_enthalpy, 0] = (at_25 + slope / _STANDARD_KELVIN)[from_enthalpy]
    rows[from_enthalpy, 2] = -slope[from_enthalpy]
    return rows


_REACTIONS: Final = table("log_k")
_REACTION_ROW: Final = {name: row for row, name in enumerate(_REACTIONS["reaction"])}
_COEFFICIENTS: Final = _analytic(_REACTIONS)


def _formations() -> Floats:
    """Which reactions add up to the formation of each species: (species, reactions) of -1, 0, 1."""
    matrix = np.zeros((len(SPECIES), len(_REACTIONS)))
    for row, formation in enumerate(SPECIES["formation"].fillna("")):
        for term in formation.split():
            matrix[row, _REACTION_ROW[term[1:]]] += {"+": 1.0, "-": -1.0}[term[0]]
    return matrix


_FORMATIONS: Final = _formations()
_VOLUMES: Final[dict[str, Floats]] = {
    row["substance"]: floats([row[name] for name in ("a1", "a2", "a3", "a4", "w")]) for row in records("molal_volumes")
}
_CARBON_DIOXIDE: Final = SPECIES["species"].tolist().index("CO2")


def log_k(reaction: str, temperature_c: Floats) -> Floats:
    """Give log10 K of one reaction of the table at 1 atm.

    Parameters
    ----------
    reaction : a key of ``log_k.csv``.
    temperature_c : (n,) [°C].

    Returns
    -------
    (n,) array [-].

    Example
    -------
    >>> log_k("calcite", np.array([25.0])).round(4).tolist()
    [-8.4798]
    """
    return floats(_log_k_all(temperature_c + KELVIN)[_REACTION_ROW[reaction]])


def _log_k_all(kelvin: Floats) -> Floats:
    powers = np.vstack([np.ones_like(kelvin), kelvin, 1.0 / kelvin, np.log10(kelvin), kelvin**-2.0, np.square(kelvin)])
    return floats(_COEFFICIENTS @ powers)


def _volume(substance: str, water: Solvent) -> Floats:
    a1, a2, a3, a4, w = _VOLUMES[substance]
    pressure, warmth = 2600.0 + water.pressure_atm * BAR_PER_ATM, water.kelvin - 228.0
    born = 1e5 * w * water.born
    return floats(41.84 * (0.1 * a1 + 100.0 * a2 / pressure + a3 / warmth + 1e4 * a4 / (pressure * warmth) - born))


def _species_expansion(water: Solvent) -> Floats:
    """Volume each species gains when it forms [cm³/mol]; 0 where the species' own is not known."""
    shift = np.zeros((len(SPECIES), len(water.kelvin)))
    liquid = MOLAR_MASS_WATER / water.density
    amounts = SPECIES[["carbonate", "sulfate", "water"]].to_numpy(dtype="float64")
    loose = np.vstack([_volume("CO3", water), _volume("SO4", water), liquid])
    for row, (species, bound_to) in enumerate(zip(SPECIES["species"], SPECIES["bound_to"], strict=True)):
        bound = _COMPONENT_SYMBOLS.get(bound_to)
        if species in _VOLUMES and species != bound:
            parts = amounts[row] @ loose + (_volume(bound, water) if bound else 0.0)
            shift[row] = _volume(species, water) - parts
    return shift


def _mineral_expansion(mineral: str, water: Solvent) -> Floats:
    """Volume gained when one mole of the mineral dissolves [cm³/mol]."""
    if mineral not in _MINERAL_MAKE_UP:
        return np.zeros(water.kelvin.shape)
    parts: Floats = sum((_volume(part, water) for part in _MINERAL_MAKE_UP[mineral]), start=0.0 * water.kelvin)
    liquid = _MINERAL_WATER.get(mineral, 0.0) * MOLAR_MASS_WATER / water.density
    return floats(parts + liquid - _volume(mineral, water))


def _at_uniques(temperature_c: Floats) -> Constants:
    water = solvent(temperature_c)
    reactions = LN10 * _log_k_all(water.kelvin)
    species = _FORMATIONS @ reactions
    minerals = {name: reactions[_REACTION_ROW[name]] for name in MINERALS}
    squeeze = (water.pressure_atm - 1.0) / (GAS_CONSTANT_CM3_ATM * water.kelvin)
    if np.any(squeeze > 0.0):
        species = species - squeeze * _species_expansion(water)
        minerals = {name: k - squeeze * _mineral_expansion(name, water) for name, k in minerals.items()}
    henry = _log_k_all(water.kelvin)[_REACTION_ROW["KH"]]
    return Constants(species, minerals, species[_CARBON_DIOXIDE], henry, water.debye_a, water.debye_b)


def constants(temperature_c: Floats) -> Constants:
    """Work out every constant of the model at the temperature of each water.

    Parameters
    ----------
    temperature_c : (n,) [°C], 0–150.

    Returns
    -------
    Constants for (n,) waters. Calcite and its ion pairs were measured to 80–90 °C; hotter is
    extrapolated, and `pipeline.chemistry.saturation.model_uncertainty` says what that costs.

    Notes
    -----
    log K(P) = log K(1 atm) - ΔV (P - 1)/(ln 10 · R T), with ΔV from partial molal volumes at
    infinite dilution [APP2014, JOH1992]; sources of the constants in ``log_k.csv``.
    """
    unique, rows = np.unique(temperature_c, return_inverse=True)
    return _at_uniques(unique).take(rows)

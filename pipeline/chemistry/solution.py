"""Solved waters: what is dissolved in them, and how far they are from scale."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.arrays import floats
from pipeline.chemistry import equilibrium
from pipeline.chemistry.activity import LN10, SPECIES
from pipeline.chemistry.composition import CALCIUM, SILICA, SULFATE, Composition
from pipeline.chemistry.equilibrium import CARBONATE, HYDROGEN, State

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats, Places
    from pipeline.chemistry.constants import Constants

_ROW: Final = {name: row for row, name in enumerate(SPECIES["species"])}
_CARBONATE: Final[Floats] = SPECIES["carbonate"].to_numpy(dtype="float64")
LN_NO_CARBONATE: Final = -50.0  # activity standing for none


@dataclass
class Solution:
    """m solved waters.

    ``state`` always holds the activities of hydrogen, carbonate and sulfate themselves;
    ``species`` (species, m) mol/kg; ``bound_activity`` (5, m).
    """

    cases: Composition
    constants: Constants
    state: State
    species: Floats
    bound_activity: Floats

    @property
    def ph(self) -> Floats:
        """Give the pH [-] at this temperature."""
        return floats(-self.state.ln_activity[HYDROGEN] / LN10)

    @property
    def total_carbonate(self) -> Floats:
        """Total dissolved carbonate [mol/kg]: carbon dioxide, bicarbonate, carbonate and their pairs."""
        return floats(_CARBONATE @ self.species)

    @property
    def without_carbonate(self) -> Flags:
        """Mark the waters whose pH and alkalinity leave no carbonate, as those of distilled water do."""
        return np.asarray(self.state.ln_activity[CARBONATE] == LN_NO_CARBONATE)

    @property
    def log_pco2(self) -> Floats:
        """Decimal logarithm of the carbon dioxide pressure [atm] that keeps the water; missing without carbonate."""
        ln_activity, k = self.state.ln_activity, self.constants
        ln_gas = k.ln_carbon_dioxide + 2.0 * ln_activity[HYDROGEN] + ln_activity[CARBONATE]
        ln_gas = ln_gas - equilibrium.ln_water_activity(self.state.molality)
        return floats(np.where(self.without_carbonate, np.nan, ln_gas / LN10 - k.log_henry))

    def overwrite(self, rows: Places, other: Solution, chosen: Places) -> None:
        """Put some waters of another solution in the place of these."""
        for name in ("strength", "molality", "converged"):
            getattr(self.state, name)[rows] = getattr(other.state, name)[chosen]
        self.state.ln_activity[:, rows] = other.state.ln_activity[:, chosen]
        self.species[:, rows], self.bound_activity[:, rows] = other.species[:, chosen], other.bound_activity[:, chosen]

    def amount(self, species: str) -> Floats:
        """Concentration of one free species [mol/kg]."""
        return floats(self.species[_ROW[species]])

    def saturation_indices(self) -> dict[str, Floats]:
        """Log10 of ion activity product over solubility product, for each scale mineral."""
        k, water = self.constants.ln_mineral, equilibrium.ln_water_activity(self.state.molality)
        with np.errstate(divide="ignore"):
            calcium = np.log(self.bound_activity[CALCIUM])
            silica = np.log(self.bound_activity[SILICA])
        carbonate, sulfate = self.state.ln_activity[CARBONATE], self.state.ln_activity[equilibrium.SULFATE]
        products = {
            "calcite": calcium + carbonate,
            "aragonite": calcium + carbonate,
            "gypsum": calcium + sulfate + 2.0 * water,
            "anhydrite": calcium + sulfate,
            "amorphous_silica": silica - 2.0 * water,
        }
        needs = {"gypsum": SULFATE, "anhydrite": SULFATE, "amorphous_silica": SILICA}
        indices = {name: (product - k[name]) / LN10 for name, product in products.items()}
        for name, ion in needs.items():
            indices[name] = np.where(self.cases.ions[ion] > 0.0, indices[name], np.nan)
        for name in ("calcite", "aragonite"):
            indices[name] = np.where(self.without_carbonate, np.nan, indices[name])
        no_calcium = ~(self.cases.ions[CALCIUM] > 0.0)
        calcium_minerals = ("calcite", "aragonite", "gypsum", "anhydrite")
        return indices | {name: np.where(no_calcium, np.nan, indices[name]) for name in calcium_minerals}

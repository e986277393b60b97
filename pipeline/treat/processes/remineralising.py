"""Putting minerals back: weighed salts with their water of crystallisation, and mineralising cartridges."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.chemistry.equivalents import CHARGE, MG_CACO3_PER_MEQ, MOLAR_MASS
from pipeline.errors import KettlestoneError
from pipeline.reference import table
from pipeline.treat.processes.calcite import add_chalk, dissolvable
from pipeline.words import Said

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.treat.processes.settings import TreatmentSettings
    from pipeline.treat.processes.solutes import Solutes

_SALTS: Final = table("salts").set_index("salt")
SALTS: Final[tuple[str, ...]] = tuple(str(name) for name in _SALTS.index)
_HARDNESS: Final = ("calcium", "magnesium")


def _effects() -> dict[str, dict[str, float]]:
    """Tell what 1 mg/L of each salt adds, by canonical column."""
    effects: dict[str, dict[str, float]] = {}
    for salt, row in _SALTS.iterrows():
        per_mg = {
            str(row[kind]): float(row[f"{kind}s"]) / float(row["molar_mass_g_mol"]) for kind in ("cation", "anion")
        }
        effect = {f"{ion}_mg_l": MOLAR_MASS[ion] * amount for ion, amount in per_mg.items()}
        caco3 = {ion: MG_CACO3_PER_MEQ * abs(CHARGE[ion]) * amount for ion, amount in per_mg.items()}
        effect["total_hardness_mg_l_caco3"] = sum(caco3.get(ion, 0.0) for ion in _HARDNESS)
        effect["alkalinity_mg_l_caco3"] = caco3.get("bicarbonate", 0.0)
        effects[str(salt)] = effect
    return effects


_EFFECTS: Final = _effects()


def salt_effects() -> pd.DataFrame:
    """Tell what one milligram of each salt per litre adds to a water.

    Returns
    -------
    (salts, ...) frame, index the salts of ``salts.csv``: canonical ion columns, ``total_hardness_mg_l_caco3``
    and ``alkalinity_mg_l_caco3`` [mg/L per mg/L]; a copy.

    Notes
    -----
    Molar masses [IUPAC2021], with the water of crystallisation: dihydrate calcium chloride gives 0.681 of
    hardness per mg, anhydrous 0.902.

    Example
    -------
    >>> float(salt_effects().loc["sodium_bicarbonate", "alkalinity_mg_l_caco3"].round(4))
    0.5957
    """
    return pd.DataFrame.from_dict(_EFFECTS, orient="index").fillna(0.0)


def dose(water: Solutes, settings: TreatmentSettings) -> Solutes:
    """Dissolve salts in waters.

    Parameters
    ----------
    water : n waters.
    settings : ``<salt>_mg_l`` of each of `SALTS` [mg/L of the salt as it is weighed].

    Returns
    -------
    Solutes; a bicarbonate brings its carbonate along, and no carbon dioxide.
    """
    for salt, row in _SALTS.iterrows():
        amount = settings[f"{salt}_mg_l"] / float(row["molar_mass_g_mol"])
        for kind in ("cation", "anion"):
            ion, moles = str(row[kind]), amount * float(row[f"{kind}s"])
            if ion == "bicarbonate":
                water = water.change(alkalinity=moles, total_carbonate=moles)
            else:
                water = water.change(**{ion: moles * abs(CHARGE[ion])})
    return water


def mineralise(water: Solutes, settings: TreatmentSettings) -> Solutes:
    """Lead waters through a mineralising cartridge: some chalk and some magnesia dissolve.

    Parameters
    ----------
    water : n waters, soft or permeate.
    settings : ``added_mg_l_caco3`` the hardness the cartridge adds, usually 20–30 [CP]; ``magnesium_share`` of
        it from magnesium oxide [-].

    Returns
    -------
    Solutes behind the cartridge, before any bypass. Chalk stops at saturation, where the pH is known.

    Notes
    -----
    CaCO3 + CO2 + H2O = Ca + 2 HCO3; MgO + 2 CO2 + H2O = Mg + 2 HCO3: hardness and alkalinity rise alike.
    """
    wanted = settings["added_mg_l_caco3"] / MG_CACO3_PER_MEQ
    chalk = wanted * (1.0 - settings["magnesium_share"]) / 2.0
    magnesia = wanted * settings["magnesium_share"]
    richer = water.change(magnesium=magnesia, alkalinity=magnesia)
    return add_chalk(richer, np.fmin(chalk, dissolvable(richer)))


def recipe(
    hardness_from_calcium: float,
    hardness_from_magnesium: float,
    alkalinity: float,
    *,
    calcium_salt: str = "calcium_chloride_dihydrate",
    magnesium_salt: str = "magnesium_sulfate_heptahydrate",
    alkalinity_salt: str = "sodium_bicarbonate",
) -> dict[str, float]:
    """Work out the salts that add a wanted hardness and alkalinity.

    Parameters
    ----------
    hardness_from_calcium, hardness_from_magnesium, alkalinity : what is to be added [mg/L as CaCO3].
    calcium_salt, magnesium_salt, alkalinity_salt : of `SALTS`.

    Returns
    -------
    settings of the treatment ``salt dosing``: ``<salt>_mg_l`` [mg/L].

    Raises
    ------
    KettlestoneError : a salt that is not known or does not bring what it is to bring, or an amount below 0.

    Example
    -------
    >>> [round(amount, 1) for amount in recipe(40.0, 30.0, 45.0).values()]
    [58.8, 73.9, 75.5]
    """
    wanted = (
        (calcium_salt, "calcium", "total_hardness_mg_l_caco3", hardness_from_calcium),
        (magnesium_salt, "magnesium", "total_hardness_mg_l_caco3", hardness_from_magnesium),
        (alkalinity_salt, "bicarbonate", "alkalinity_mg_l_caco3", alkalinity),
    )
    doses: dict[str, float] = {}
    for salt, brings, column, amount in wanted:
        if f"{brings}_mg_l" not in _EFFECTS.get(salt, {}):
            raise KettlestoneError(f"{salt}: not a known salt of {brings}; known salts: {', '.join(SALTS)}")
        if not amount >= 0.0:
            raise KettlestoneError(f"{brings}: {amount:g} mg/L cannot be added; a salt only adds")
        doses[f"{salt}_mg_l"] = doses.get(f"{salt}_mg_l", 0.0) + amount / _EFFECTS[salt][column]
    return doses


def grams(doses: Mapping[str, float], litres: float) -> dict[str, float]:
    """Weigh out a recipe.

    Parameters
    ----------
    doses : ``<salt>_mg_l`` [mg/L].
    litres : volume of water to mineralise [L], above 0.

    Returns
    -------
    salt -> mass [g].

    Example
    -------
    >>> grams({"sodium_bicarbonate_mg_l": 75.5}, 20.0)
    {'sodium_bicarbonate': 1.51}
    """
    if not litres > 0.0:
        raise KettlestoneError(f"litres is {litres:g}; give a volume above 0")
    return {name.removesuffix("_mg_l"): amount * litres / 1e3 for name, amount in doses.items()}


@dataclass(frozen=True)
class Concentrate:
    """One bottle of salts to dose from: grams of each salt, the bottle's litres, the dose, what to mind."""

    salts: Mapping[str, float]
    litres: float
    ml_per_litre: float
    notes: tuple[Said, ...]


def concentrates(doses: Mapping[str, float], litres: float, ml_per_litre: float) -> tuple[Concentrate, ...]:
    """Turn a recipe into bottles of concentrate.

    Calcium and bicarbonate must not meet in a concentrate: they fall out as chalk. They get a bottle each.

    Parameters
    ----------
    doses : ``<salt>_mg_l`` wanted in the water [mg/L].
    litres : size of a bottle [L]; ml_per_litre : what is dosed from each per litre of water [mL/L].

    Returns
    -------
    the bottle of hardness salts and the bottle of bicarbonates, whichever are needed.
    """
    if not ml_per_litre > 0.0:
        raise KettlestoneError(f"ml_per_litre is {ml_per_litre:g}; give a dose above 0")
    treated = litres * 1e3 / ml_per_litre
    weighed = {salt: mass for salt, mass in grams(doses, treated).items() if mass > 0.0}
    buffer = {salt: mass for salt, mass in weighed.items() if _EFFECTS[salt]["alkalinity_mg_l_caco3"] > 0.0}
    hardness = {salt: mass for salt, mass in weighed.items() if salt not in buffer}
    notes: tuple[Said, ...] = (Said("treat.label-canister"), Said("treat.food-grade"))
    if buffer and hardness:
        notes = (Said("treat.bottles-apart"), *notes)
    return tuple(Concentrate(part, litres, ml_per_litre, notes) for part in (hardness, buffer) if part)

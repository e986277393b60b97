"""Membrane with blend, weak-acid resin and calcite bed against PHREEQC."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import phreeqpython
import pytest

from pipeline.treat.processes.treatments import treat

if TYPE_CHECKING:
    from collections.abc import Hashable

pytestmark = pytest.mark.source("PHREEQC3")

ELEMENTS = {
    "calcium_mg_l": ("Ca", 40.078), "magnesium_mg_l": ("Mg", 24.305), "sodium_mg_l": ("Na", 22.98977),
    "potassium_mg_l": ("K", 39.0983), "sulfate_mg_l": ("S(6)", 96.0626), "chloride_mg_l": ("Cl", 35.453),
    "silica_mg_l": ("Si", 60.0843), "nitrate_mg_l": ("N(5)", 62.0049),
    "alkalinity_mg_l_caco3": ("Alkalinity", 50.04345),
}  # fmt: skip
PUNCH = """SELECTED_OUTPUT
-reset false
-high_precision true
USER_PUNCH
-headings ph calcite calcium alkalinity
10 PUNCH -LA("H+"), SI("Calcite"), TOT("Ca"), ALK
END
"""
COLUMNS = (*ELEMENTS, "ph", "temperature_c")
READINGS = {
    "hard": (98.0, 17.0, 25.0, 3.0, 55.0, 42.0, 12.0, 14.0, 260.0, 7.3, 14.0),
    "soft": (14.0, 3.0, 9.0, 1.0, 14.0, 12.0, 6.0, 3.0, 32.0, 6.6, 10.0),
}
WATERS: dict[str, dict[Hashable, float]] = {
    name: dict(zip(COLUMNS, values, strict=True)) for name, values in READINGS.items()
}


@pytest.fixture(scope="module")
def engine() -> phreeqpython.PhreeqPython:
    """Start PHREEQC once."""
    return phreeqpython.PhreeqPython(database="phreeqc.dat")


def solution(number: int, water: dict[Hashable, float]) -> str:
    amounts = [f"{name} {water[column] / mass:.12g}" for column, (name, mass) in ELEMENTS.items()]
    head = f"SOLUTION {number}\nunits mmol/kgw\ntemp {water['temperature_c']:.12g}\npH {water['ph']:.12g}\n"
    return head + "\n".join(amounts) + "\nEND\n"


def last_line(script: str) -> pd.Series[float]:
    """Run PHREEQC and give what its last calculation printed."""
    engine = phreeqpython.PhreeqPython(database="phreeqc.dat")
    engine.ip.run_string(PUNCH + script)
    names, *lines = engine.ip.get_selected_output_array()
    return pd.DataFrame(lines, columns=names).astype("float64").iloc[-1]


@pytest.mark.parametrize("water", WATERS.values(), ids=WATERS)
def test_permeate_blended_with_raw_water(water: dict[Hashable, float]) -> None:
    """PHREEQC: pure water holds the feed's free carbon dioxide and 5 % of the rest; MIX with 15 % of raw water."""
    raw = pd.DataFrame([water])
    permeate = treat(raw, "reverse osmosis", {"rejection_silica": 0.95})

    blend = treat(raw, "reverse osmosis", {"bypass": 0.15, "rejection_silica": 0.95}).iloc[0]

    thin = permeate.iloc[0][[*ELEMENTS, "ph", "temperature_c"]].astype("float64").to_dict()
    mixed = last_line(solution(1, water) + solution(2, thin) + "MIX 1\n1 0.15\n2 0.85\nEND\n")
    assert blend["ph"] == pytest.approx(mixed["ph"], abs=0.005)
    assert blend["calcite_si"] == pytest.approx(mixed["calcite"], abs=0.005)


def test_the_permeate_keeps_the_free_carbon_dioxide_of_its_feed() -> None:
    """The gas passes: its pressure behind the membrane is that before it, within the membrane's bicarbonate."""
    raw = pd.DataFrame([WATERS["hard"]])

    feed, permeate = (treat(raw, name)["log_pco2_atm"].item() for name in ("none", "reverse osmosis"))

    assert permeate == pytest.approx(feed, abs=0.01)


@pytest.mark.parametrize("water", WATERS.values(), ids=WATERS)
def test_calcite_dissolved_to_saturation(water: dict[Hashable, float]) -> None:
    raw = pd.DataFrame([water])
    permeate = treat(raw, "reverse osmosis", {"rejection_silica": 0.95})
    thin = permeate.iloc[0][[*ELEMENTS, "ph", "temperature_c"]].astype("float64").to_dict()

    bed = treat(pd.DataFrame([thin]), "calcite contact").iloc[0]

    saturated = last_line(solution(1, thin) + "USE solution 1\nEQUILIBRIUM_PHASES 1\nCalcite 0 10\nEND\n")
    assert bed["ph"] == pytest.approx(saturated["ph"], abs=0.005)
    assert bed["calcium_mg_l"] == pytest.approx(saturated["calcium"] * 40078.0, rel=0.005)


@pytest.mark.parametrize("bypass", [0.2, 0.5])
def test_weak_acid_resin_as_acid_and_an_exchange(bypass: float) -> None:
    """PHREEQC: acid for the alkalinity, calcium taken with the chloride of that acid."""
    raw = pd.DataFrame([WATERS["hard"]])

    treated = treat(raw, "decarboniser", {"bypass": bypass}).iloc[0]

    taken = 260.0 / 50.04345 * (1.0 - bypass) / 1e3
    calcium = min(taken, 98.0 / 20.039 / 1e3 * (1.0 - bypass))
    reaction = f"REACTION 1\nHCl 1.0\nCaCl2 {-calcium / 2 / taken:.9f}\nMgCl2 {-(taken - calcium) / 2 / taken:.9f}\n"
    acid = last_line(solution(1, WATERS["hard"]) + f"USE solution 1\n{reaction}{taken:.9g} moles\nEND\n")
    assert treated["ph"] == pytest.approx(acid["ph"], abs=0.005)
    assert treated["alkalinity_mg_l_caco3"] == pytest.approx(acid["alkalinity"] * 50043.45, rel=0.005)
    assert np.isfinite(treated["calcite_si"])


@pytest.mark.source("APHA2510")
def test_a_thinned_water_conducts_more_than_its_linear_share(engine: phreeqpython.PhreeqPython) -> None:
    """A membrane with 15.0 % raw water keeps 0.15 + 0.85 * 0.05 = 0.1925 of the salts of a water that reads 735 µS/cm.

    The linear share, 141.5 µS/cm, is what the trade writes down by hand; it is a lower bound, for ions
    hinder one another less in thin water. PHREEQC gives the ratio 0.211 (155 µS/cm), the formula of the Standard
    Methods 0.216 (159 µS/cm).
    No conductivity from a composition is good to better than 8 % here, so the promised range has to hold both of these.
    """
    raw = pd.DataFrame([{"total_hardness_mg_l_caco3": 319.7, "alkalinity_mg_l_caco3": 260.0, "sodium_mg_l": 36.0,
                         "chloride_mg_l": 62.0, "sulfate_mg_l": 48.0, "conductivity_us_cm_25c": 735.0,
                         "ph": 7.4}])  # fmt: skip
    kept = 0.15 + 0.85 * 0.05
    meq = {"Ca": 319.7 / 50.0435, "Na": 36.0 / 22.990, "Alkalinity": 260.0 / 50.0435, "Cl": 62.0 / 35.453,
           "S(6)": 48.0 / 48.031}  # fmt: skip
    charge = {"Ca": 2.0, "S(6)": 2.0}
    mmol = {ion: amount / charge.get(ion, 1.0) for ion, amount in meq.items()}
    solutions = [
        engine.add_solution({"units": "mmol/l", "pH": 7.4, "temp": 25.0, **{ion: f * mmol[ion] for ion in mmol}})
        for f in (1.0, kept)
    ]
    reference = 735.0 * solutions[1].sc / solutions[0].sc
    by_formula = 735.0 * _by_standard_methods(meq, charge, kept) / _by_standard_methods(meq, charge, 1.0)

    blend = treat(raw, "reverse osmosis", {"bypass": 0.15})["conductivity_us_cm_25c"].item()

    assert 735.0 * kept < blend < by_formula
    assert blend == pytest.approx(reference, rel=0.015)
    assert blend * (1.0 - 0.08) < reference
    assert blend * (1.0 + 0.08) > by_formula


def _by_standard_methods(meq: dict[str, float], charge: dict[str, float], share: float) -> float:
    """Conductivity [µS/cm] of a share of a composition by equivalent conductances and one activity [APHA2510]."""
    conductance = {"Ca": 59.5, "Na": 50.1, "Alkalinity": 44.5, "Cl": 76.4, "S(6)": 80.0}
    strength = sum(share * amount * charge.get(ion, 1.0) for ion, amount in meq.items()) / 2000.0
    root = np.sqrt(strength)
    activity = 10.0 ** (-0.5 * (root / (1.0 + root) - 0.3 * strength))
    return float(sum(conductance[ion] * share * amount for ion, amount in meq.items()) * activity**2)


def test_chalk_in_a_soft_water_gives_a_little_more_than_its_carbon_dioxide(engine: phreeqpython.PhreeqPython) -> None:
    """22.3 mg/L of hardness and alkalinity at pH 6.7 hold 8.8 mg/L of carbon dioxide: 8.8 / 44.01 * 100.09 = 19.9 mg/L.

    That by-hand figure leaves out the chalk that dissolves as carbonate near pH 8.4, which needs no carbon dioxide; the
    full equilibrium has it: about 20.5 mg/L.
    """
    raw = pd.DataFrame([{"total_hardness_mg_l_caco3": 22.3, "alkalinity_mg_l_caco3": 22.3, "ph": 6.7,
                         "temperature_c": 25.0}])  # fmt: skip
    meq = 22.3 / 50.0435
    solution = engine.add_solution({"units": "mmol/l", "pH": 6.7, "temp": 25.0, "Ca": meq / 2.0, "Alkalinity": meq})
    before = solution.total("Ca", units="mol")
    solution.equalize(["Calcite"], [0.0])
    dissolved = 1e3 * (solution.total("Ca", units="mol") - before) * 100.087

    bed = treat(raw, "calcite contact")

    assert -bed["alkalinity_removed_mg_l_caco3"].item() == pytest.approx(dissolved, rel=0.01)
    assert dissolved == pytest.approx(19.9 + 0.6, abs=0.3)

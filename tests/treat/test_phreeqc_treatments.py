"""Membrane with blend, weak-acid resin and calcite bed against PHREEQC."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import phreeqpython
import pytest

from pipeline.treat.treatments import treat

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

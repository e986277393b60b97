"""Permeates, outlets of acid exchangers and distilled water: pH far from calcite, alkalinity near or below 0."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from phreeqpython import PhreeqPython

from pipeline.chemistry import carbonate, composition, saturation, solving
from pipeline.treat.processes.calcite import dissolvable
from pipeline.treat.processes.solutes import dissolved

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.chemistry.solution import Solution

    Phreeqc = Callable[[pd.DataFrame, np.ndarray, np.ndarray], list[pd.DataFrame]]

IONS = ("calcium", "magnesium", "sodium", "potassium", "bicarbonate", "sulfate", "chloride", "silica", "nitrate")
quick = settings(max_examples=15, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))


def permeates(count: int, seed: int) -> pd.DataFrame:
    """Draw acid permeates of pH 4.6 to 5.2 with little of everything, mg/L; chloride closes what sodium leaves."""
    random = np.random.default_rng(seed)
    limits = {"calcium": (0.05, 3), "magnesium": (0.02, 1), "bicarbonate": (0.6, 12), "sulfate": (0.05, 2),
              "silica": (0.05, 2)}  # fmt: skip
    drawn = {
        f"{ion}_mg_l": np.exp(random.uniform(np.log(ends[0]), np.log(ends[1]), count)) for ion, ends in limits.items()
    }
    waters = pd.DataFrame(drawn).assign(potassium_mg_l=0.0, nitrate_mg_l=0.0)
    excess = waters["calcium_mg_l"] / 20.039 + waters["magnesium_mg_l"] / 12.1525 - waters["bicarbonate_mg_l"] / 61.0168
    excess = excess - waters["sulfate_mg_l"] / 48.0313
    return waters.assign(
        sodium_mg_l=22.98977 * (0.05 + (-excess).clip(lower=0.0)),
        chloride_mg_l=35.453 * (0.05 + excess.clip(lower=0.0)),
        ph=random.uniform(4.6, 5.2, count),
        temperature_c=random.uniform(5.0, 30.0, count),
    )


@pytest.mark.source("PHREEQC3")
def test_the_potential_of_acid_permeates_agrees_with_live_phreeqc(phreeqc: Phreeqc) -> None:
    waters = permeates(60, seed=7)
    sampled, _, saturated = phreeqc(waters, waters["temperature_c"].to_numpy(), np.ones(len(waters)))

    result = saturation.saturate(waters)

    expected = (waters["calcium_mg_l"] / 40.078 - 1e3 * saturated["calcium"]) * 100.0869
    assert (expected < -10.0).all()
    assert (result["reason"] == "").all()
    assert result["ccpp_mg_l_caco3"].to_numpy() == pytest.approx(expected.to_numpy(), rel=5e-3, abs=0.1)
    assert result["calcite_si"].to_numpy() == pytest.approx(sampled["calcite"].to_numpy(), abs=1e-3)


@pytest.mark.parametrize("known", [True, False])
def test_every_acid_permeate_has_a_potential(known: bool) -> None:
    waters = permeates(4000, seed=8)

    result = saturation.saturate(waters if known else waters.drop(columns="ph"))

    assert result["converged"].all()
    assert result[["ccpp_mg_l_caco3_low", "ccpp_mg_l_caco3_high"]].notna().all(axis=None)


def test_a_calcite_bed_treats_every_acid_permeate() -> None:
    waters = permeates(500, seed=9)
    solutes, _ = dissolved(waters)

    amount = 100.0869 * dissolvable(solutes)

    expected = -saturation.saturate(waters)["ccpp_mg_l_caco3"].to_numpy()
    assert amount == pytest.approx(expected, rel=1e-6)


def test_a_potential_that_was_not_found_leaves_the_indices(monkeypatch: pytest.MonkeyPatch) -> None:
    """The search for calcite is made to fail: pH, index and carbon dioxide stay, and the reason names the potential."""
    waters = permeates(3, seed=10)
    whole = saturation.saturate(waters)

    def lost(before: Solution, *, open_to_gas: bool = False) -> tuple[Solution, np.ndarray]:
        after, amount = solving.with_calcite(before, open_to_gas=open_to_gas)
        after.state.converged[:] = False
        return after, amount

    monkeypatch.setattr(saturation, "with_calcite", lost)
    result = saturation.saturate(waters)

    assert result["ccpp_mg_l_caco3"].isna().all()
    assert result["converged"].all()
    assert result["reason"].str.contains("calcite potential not evaluated").all()
    kept = ["ph", "calcite_si", "log_pco2_atm", "ionic_strength_mol_kg"]
    pd.testing.assert_frame_equal(result[kept], whole[kept])


@quick
@given(st.floats(2.0, 11.0), st.floats(0.0, 800.0), st.floats(0.01, 600.0), st.floats(0.0, 150.0))
def test_whatever_is_solved_has_its_potential(ph: float, alkalinity: float, calcium: float, celsius: float) -> None:
    water = {"ph": ph, "alkalinity_mg_l_caco3": alkalinity, "calcium_mg_l": calcium, "temperature_c": celsius}

    result = saturation.saturate(pd.DataFrame([water]))

    assert result["converged"].item() == result["ccpp_mg_l_caco3"].notna().item()
    assert result["converged"].item() or "contradict" in result["reason"].item() or "differ" in result["reason"].item()


@pytest.mark.common_practice
@pytest.mark.parametrize(("ph", "alkalinity", "possible"), [(2.0, 200.0, False), (3.0, 50.0, False),
                         (3.9, 250.0, False), (4.6, 100.0, True), (5.5, 1500.0, True)])  # fmt: skip
def test_acid_and_much_alkalinity_are_impossible_together(ph: float, alkalinity: float, possible: bool) -> None:
    """PH 3.9, 5 mmol/L HCO3: CO2 = 5 · 10^(6.35 - 3.9) = 1.4 mol/L, that is 42 atm; pH 4.6, 2 mmol/L: 3.3 atm."""
    water = {"ph": ph, "alkalinity_mg_l_caco3": alkalinity, "calcium_mg_l": 60.0, "temperature_c": 25.0}

    result = saturation.saturate(pd.DataFrame([water]))

    assert result["converged"].item() == possible
    if not possible:
        assert "more than 10 atm" in result["reason"].item()
        assert result[["ph", "calcite_si", "log_pco2_atm"]].isna().all(axis=None)


@pytest.mark.source("PHREEQC3")
@pytest.mark.parametrize(("chloride", "sulfate", "carbon"), [(1.0, 0.5, 3.0), (0.3, 0.1, 1.0), (4.0, 2.0, 6.0)])
def test_the_outlet_of_an_acid_exchanger_agrees_with_live_phreeqc(
    chloride: float, sulfate: float, carbon: float
) -> None:
    """Every cation exchanged for hydrogen: the alkalinity is minus the chloride and sulfate [meq/L]."""
    engine = PhreeqPython(database="phreeqc.dat")
    reference = engine.add_solution(
        {"units": "mmol/kgw", "temp": 25, "pH": "3 charge", "Cl": chloride, "S(6)": sulfate, "C": carbon}
    )
    water = pd.DataFrame(
        {"temperature_c": [25.0], "calcium_mg_l": [0.0], "magnesium_mg_l": [0.0], "sodium_mg_l": [0.0],
         "chloride_mg_l": [35.453 * chloride], "sulfate_mg_l": [96.0626 * sulfate],
         "alkalinity_mg_l_caco3": [-50.04345 * (chloride + 2.0 * sulfate)]}
    )  # fmt: skip

    found = carbonate.speciate_from_total(water, pd.Series([carbon]))

    assert found["converged"].all()
    assert found["ph"].item() == pytest.approx(reference.pH, abs=1e-3)
    assert found["log_pco2_atm"].item() == pytest.approx(reference.si("CO2(g)"), abs=1e-3)
    back = carbonate.speciate(water.assign(ph=found["ph"]))
    assert back["total_carbonate_mmol_kg"].item() == pytest.approx(carbon, rel=1e-6)
    bounded = saturation.saturate(water)
    assert bounded["converged"].all()
    assert bounded["ph_high"].item() < 3.6


@pytest.mark.source("PHREEQC3")
def test_distilled_water_has_no_carbonate_and_still_dissolves_calcite() -> None:
    """PH 7.0 at alkalinity 0; closed, calcite dissolves 0.12 mmol/L in pure water [live PHREEQC]."""
    engine = PhreeqPython(database="phreeqc.dat")
    pure = engine.add_solution({"units": "mmol/kgw", "temp": 25, "pH": 7.0}).equalize(["Calcite"], [0.0])
    nothing = {f"{ion}_mg_l": 0.0 for ion in IONS if ion != "bicarbonate"}
    water = pd.DataFrame([{**nothing, "alkalinity_mg_l_caco3": 0.0, "ph": 7.0, "temperature_c": 25.0}])

    result = saturation.saturate(water)

    assert result["converged"].all()
    assert result[["log_pco2_atm", "calcite_si"]].isna().all(axis=None)
    assert "no carbonate" in result["reason"].item()
    assert -result["ccpp_mg_l_caco3"].item() == pytest.approx(100.0869 * pure.total("Ca", "mmol"), rel=5e-3)


@pytest.mark.parametrize("alkalinity", [0.0, -20.0, -500.0])
def test_an_alkalinity_of_nothing_or_less_is_answered(alkalinity: float) -> None:
    water = {"alkalinity_mg_l_caco3": alkalinity, "calcium_mg_l": 5.0, "temperature_c": 25.0}

    result = saturation.saturate(pd.DataFrame([water]))

    assert result["converged"].all()
    assert result["ccpp_mg_l_caco3_high"].item() < 0.0
    assert np.isfinite(composition.prepare(pd.DataFrame([water])).cases.ions).all()

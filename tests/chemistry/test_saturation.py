"""Speciation, saturation indices and precipitation potential against PHREEQC."""

from __future__ import annotations

import doctest
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.chemistry import carbonate, saturation

if TYPE_CHECKING:
    Reference = tuple[pd.DataFrame, pd.DataFrame]


@pytest.mark.source("PHREEQC3")
@pytest.mark.parametrize(
    ("mineral", "column"),
    [
        ("calcite_si", "si_calcite"),
        ("aragonite_si", "si_aragonite"),
        ("gypsum_si", "si_gypsum"),
        ("anhydrite_si", "si_anhydrite"),
        ("amorphous_silica_si", "si_sio2_am"),
    ],
)
def test_saturation_indices_of_forty_waters(reference_waters: Reference, mineral: str, column: str) -> None:
    waters, reference = reference_waters

    result = saturation.saturate(waters)

    assert result["converged"].all()
    shown = reference[column].notna()
    assert result.loc[shown, mineral].to_numpy() == pytest.approx(reference.loc[shown, column].to_numpy(), abs=5e-4)
    assert result.loc[~shown, mineral].isna().all()
    assert (result.loc[~shown, "reason"] != "").all()


@pytest.mark.source("PHREEQC3")
def test_precipitation_potential_of_forty_waters(reference_waters: Reference) -> None:
    """Within 0.1 mg/L or 0.5 %, dissolving waters included."""
    waters, reference = reference_waters
    expected = reference["ccpp_mgL_CaCO3"].to_numpy()

    result = saturation.saturate(waters)["ccpp_mg_l_caco3"].to_numpy()

    assert (expected < 0).any()
    assert (expected > 0).any()
    assert np.all(np.abs(result - expected) <= np.maximum(0.1, 0.005 * np.abs(expected)))


@pytest.mark.source("PHREEQC3")
def test_carbonate_forms_of_forty_waters(reference_waters: Reference) -> None:
    waters, reference = reference_waters

    result = carbonate.speciate(waters)

    pairs = {
        "ionic_strength_mol_kg": "ionic_strength_molkgw",
        "total_carbonate_mmol_kg": "tic_mmolkgw",
        "carbon_dioxide_mmol_kg": "co2aq_mmolkgw",
        "bicarbonate_mmol_kg": "hco3_mmolkgw",
        "carbonate_mmol_kg": "co3_mmolkgw",
    }
    for ours, theirs in pairs.items():
        assert result[ours].to_numpy() == pytest.approx(reference[theirs].to_numpy(), rel=1e-3), ours
    assert result["log_pco2_atm"].to_numpy() == pytest.approx(reference["log_pco2_atm"].to_numpy(), abs=1e-3)
    assert result["ph"].to_numpy() == pytest.approx(waters["ph"].to_numpy(), abs=1e-12)


@pytest.mark.source("PHREEQC3")
def test_a_hard_and_a_soft_water(two_waters: pd.DataFrame) -> None:
    """Hard water of pH 7.40: SI 0.2205, potential 13.23 mg/L, I 0.008434, log pCO2 -2.020."""
    result = saturation.saturate(two_waters)

    assert result["calcite_si"].to_numpy() == pytest.approx([0.2205, -0.2839], abs=5e-4)
    assert result["ccpp_mg_l_caco3"].to_numpy() == pytest.approx([13.23, -2.83], abs=0.01)
    assert result.loc["hard", "ionic_strength_mol_kg"] == pytest.approx(0.008434, abs=1e-6)
    assert result.loc["hard", "log_pco2_atm"] == pytest.approx(-2.020, abs=1e-3)
    forms = carbonate.speciate(two_waters)
    assert forms.loc["hard", "total_carbonate_mmol_kg"] == pytest.approx(4.4035, abs=2e-4)
    assert forms.loc["hard", "carbon_dioxide_mmol_kg"] == pytest.approx(0.3242, abs=1e-4)


@pytest.mark.source("PHREEQC3")
def test_weak_acid_resin_leaves_carbon_dioxide_and_a_low_ph(two_waters: pd.DataFrame) -> None:
    """90 % of the alkalinity (3.6875 meq/L) taken with calcium: pH 5.34 at unchanged total carbonate."""
    hard = two_waters.loc[["hard"]]
    total = carbonate.speciate(hard)["total_carbonate_mmol_kg"]
    treated = hard.assign(bicarbonate_mg_l=250.0 - 3.6875 * 61.0168, calcium_mg_l=80.0 - 3.6875 / 2 * 40.078, ph=np.nan)

    result = carbonate.speciate_from_total(treated, total)

    assert result["ph"].item() == pytest.approx(5.34, abs=0.005)


@pytest.mark.source("PHREEQC3")
def test_permeate_on_calcite_dissolves_to_its_potential(two_waters: pd.DataFrame) -> None:
    """Ca 1.6, Mg 0.24, Na 6, HCO3 12.5, Cl 6, SiO2 1.4, pH 5.9 dissolves 56.4 mg/L and ends at pH 8.074."""
    permeate = two_waters.loc[["hard"]].assign(
        calcium_mg_l=1.6, magnesium_mg_l=0.24, sodium_mg_l=6.0, potassium_mg_l=0.0, bicarbonate_mg_l=12.5,
        chloride_mg_l=6.0, silica_mg_l=1.4, sulfate_mg_l=0.0, nitrate_mg_l=0.0, ph=5.9,
    )  # fmt: skip

    dissolved = -saturation.saturate(permeate)["ccpp_mg_l_caco3"]
    total = carbonate.speciate(permeate)["total_carbonate_mmol_kg"] + dissolved / 100.0869
    after = permeate.assign(
        calcium_mg_l=1.6 + dissolved * 40.078 / 100.0869,
        bicarbonate_mg_l=12.5 + dissolved * 61.0168 / 50.04345,
    )

    assert dissolved.item() == pytest.approx(56.4, abs=0.05)
    assert carbonate.speciate_from_total(after, total)["ph"].item() == pytest.approx(8.0744, abs=1e-3)


def test_indices_without_the_potential_are_the_same(two_waters: pd.DataFrame) -> None:
    full, quick = saturation.saturate(two_waters), saturation.saturate(two_waters, ccpp=False)

    assert "ccpp_mg_l_caco3" not in quick
    assert quick.equals(full[quick.columns])


@pytest.mark.source("PHREEQC38")
def test_model_uncertainty_names_the_database_that_stands_apart() -> None:
    """Log Ksp at 93, 120, 135 °C: -9.164, -9.590, -9.861 here, -9.466, -10.066, -10.435 there."""
    result = saturation.model_uncertainty(pd.Series([25.0, 93.0, 120.0, 135.0]))

    assert result["calcite_si_plus_minus"].to_numpy() == pytest.approx([0.06, 0.06, 0.10, 0.10])
    expected = [0.0, -9.164 + 9.466, -9.590 + 10.066, -9.861 + 10.435]
    assert result["newer_database_higher"].to_numpy() == pytest.approx(expected, abs=3e-3)  # rounded coefficients


def test_examples_run() -> None:
    for module in (carbonate, saturation):
        assert doctest.testmod(module).failed == 0

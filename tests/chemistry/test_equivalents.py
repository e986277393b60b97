"""Equivalents, hardness, ion sums and dissolved solids against arithmetic on molar masses."""

from __future__ import annotations

import doctest

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.chemistry import equivalents

# Two drinking waters, mg/L; the expected sums below are worked by hand from the IUPAC masses.
HARD = {
    "calcium_mg_l": 80.0, "magnesium_mg_l": 12.0, "sodium_mg_l": 20.0, "potassium_mg_l": 2.0,
    "bicarbonate_mg_l": 250.0, "sulfate_mg_l": 40.0, "chloride_mg_l": 36.0, "silica_mg_l": 12.0,
    "nitrate_mg_l": 10.0,
}  # fmt: skip
SOFT = {
    "calcium_mg_l": 24.0, "magnesium_mg_l": 6.0, "sodium_mg_l": 12.0, "potassium_mg_l": 1.5,
    "bicarbonate_mg_l": 85.0, "sulfate_mg_l": 18.0, "chloride_mg_l": 14.0, "silica_mg_l": 6.0,
    "nitrate_mg_l": 4.0,
}  # fmt: skip
WATERS = pd.DataFrame([HARD, SOFT], index=["hard", "soft"])


@pytest.mark.source("APHA1030")
def test_ion_sums_and_balance_of_two_waters() -> None:
    """Hard: 80/20.039 + 12/12.1525 + 20/22.98977 + 2/39.0983 = 5.9008 meq/L, and so on."""
    cations, anions = equivalents.cation_sum(WATERS), equivalents.anion_sum(WATERS)

    assert cations.to_numpy() == pytest.approx([5.9008, 2.2517], abs=5e-5)
    assert anions.to_numpy() == pytest.approx([6.1067, 2.2272], abs=5e-5)
    balance = equivalents.ion_balance_percent(cations, anions)
    assert balance.to_numpy() == pytest.approx([-1.715, 0.547], abs=6e-4)
    half = equivalents.ion_balance_percent(cations, anions, definition="half-sum")
    assert half.to_numpy() == pytest.approx(2 * balance.to_numpy())


@pytest.mark.source("APHA1030")
def test_calculated_dissolved_solids_of_two_waters() -> None:
    result = equivalents.dissolved_solids_calculated(WATERS)

    assert result["tds_evaporated_mg_l"].to_numpy() == pytest.approx([338.22, 128.93], abs=0.006)
    assert result["sum_of_ions_mg_l"].to_numpy() == pytest.approx([462.0, 170.5])


@pytest.mark.source("APHA2340B")
def test_hardness_follows_from_molar_masses() -> None:
    """The printed factors 2.497 and 4.118 agree with the molar masses to four digits."""
    result = equivalents.hardness_from_ions(WATERS)

    assert result.to_numpy() == pytest.approx([249.20, 84.64], abs=0.006)
    assert pytest.approx(2.497, abs=5e-4) == equivalents.CACO3_PER_CALCIUM
    assert pytest.approx(4.118, abs=5e-4) == equivalents.CACO3_PER_MAGNESIUM


def test_hardness_from_ions_never_looks_at_a_titration() -> None:
    kit = pd.DataFrame({"total_hardness_mg_l_caco3": [200.0], "calcium_mg_l": [40.0]})

    assert equivalents.hardness_from_ions(kit).isna().all()


@pytest.mark.source("IUPAC2021")
def test_the_forms_of_alkalinity_agree() -> None:
    """250 mg/L HCO3 = 4.0972 meq/L = 205.04 mg/L as CaCO3; 30.00445 mg/L CO3 = 1 meq/L."""
    forms = pd.DataFrame(
        {
            "alkalinity_mg_l_caco3": [205.04, np.nan, np.nan, 100.0869],
            "bicarbonate_mg_l": [np.nan, 250.0, 0.0, 9.0],
            "carbonate_mg_l": [np.nan, np.nan, 30.00445, np.nan],
        }
    )

    assert equivalents.alkalinity_meq_l(forms).to_numpy() == pytest.approx([4.0972, 4.0972, 1.0, 2.0], abs=1e-4)


@pytest.mark.source("IUPAC2021")
def test_magnesium_is_the_difference_of_two_titrations() -> None:
    kit = pd.DataFrame(
        {
            "total_hardness_mg_l_caco3": [249.2, 249.2, 249.2, 249.2],
            "calcium_hardness_mg_l_caco3": [199.787, np.nan, np.nan, np.nan],
            "calcium_mg_l": [np.nan, np.nan, 80.0, np.nan],
            "magnesium_hardness_mg_l_caco3": [np.nan, 49.416, np.nan, np.nan],
        }
    )

    result = equivalents.calcium_and_magnesium(kit)

    assert result["calcium_mg_l"].iloc[:3].to_numpy() == pytest.approx([80.0] * 3, abs=0.01)
    assert result["magnesium_mg_l"].iloc[:3].to_numpy() == pytest.approx([12.0] * 3, abs=0.01)
    assert result.iloc[3].isna().all()


@pytest.mark.parametrize("ion", ["calcium", "magnesium", "sodium"])
def test_a_missing_major_cation_leaves_the_sum_missing(ion: str) -> None:
    assert equivalents.cation_sum(WATERS.drop(columns=f"{ion}_mg_l")).isna().all()


@pytest.mark.parametrize("ion", ["bicarbonate", "chloride", "sulfate"])
def test_a_missing_major_anion_leaves_the_sum_missing(ion: str) -> None:
    assert equivalents.anion_sum(WATERS.drop(columns=f"{ion}_mg_l")).isna().all()


def test_missing_minor_ions_count_as_none() -> None:
    minor = ["potassium_mg_l", "nitrate_mg_l"]
    zero = WATERS.assign(potassium_mg_l=0.0, nitrate_mg_l=0.0)

    without = WATERS.drop(columns=minor)
    assert equivalents.cation_sum(without).equals(equivalents.cation_sum(zero))
    assert equivalents.anion_sum(without).equals(equivalents.anion_sum(zero))


def test_an_unknown_definition_is_refused() -> None:
    with pytest.raises(ValueError, match="half-sum"):
        equivalents.ion_balance_percent(pd.Series([1.0]), pd.Series([1.0]), "mean")  # type: ignore[arg-type]


def test_no_ions_at_all_is_not_a_perfect_balance() -> None:
    assert equivalents.ion_balance_percent(pd.Series([0.0]), pd.Series([0.0])).isna().all()


@given(st.floats(0, 1e4), st.sampled_from(["calcium", "magnesium", "sodium", "chloride", "sulfate"]))
def test_milliequivalents_return_to_the_same_mass(mass: float, ion: str) -> None:
    meq = equivalents.milliequivalents(pd.DataFrame({f"{ion}_mg_l": [mass]}), ion).item()

    assert meq * equivalents.MOLAR_MASS[ion] / abs(equivalents.CHARGE[ion]) == pytest.approx(mass)


def test_examples_run() -> None:
    assert doctest.testmod(equivalents).failed == 0

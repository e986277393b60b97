"""What is assumed, bounded or refused when an analysis is incomplete or impossible."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.chemistry import carbonate, composition, equilibrium, heating, saturation
from pipeline.chemistry.equivalents import hardness_from_ions

if TYPE_CHECKING:
    from pipeline.arrays import Flags
    from pipeline.chemistry.equilibrium import Question, State, System

    Bounds = tuple[float | None, float]

VALUES = ("ph", "calcite_si", "ccpp_mg_l_caco3", "log_pco2_atm")


@pytest.mark.source("AP2005")
@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("hard", ((6.882, 8.716), (-0.293, 1.445), (0.536, 1.486), (55.1, 95.0))),
        ("soft", ((6.434, 8.316), (None, 0.2145), (-0.766, 0.472), (-40.0, 9.9))),
    ],
)
def test_without_ph_the_water_lies_between_soil_gas_and_open_air(
    two_waters: pd.DataFrame, name: str, expected: tuple[Bounds, Bounds, Bounds, Bounds]
) -> None:
    """Log pCO2 -1.5 … -3.4 at 25 °C, then closed to 93 °C: pH, index, hot index, hot potential."""
    ph, index, hot_index, potential = expected
    water = two_waters.loc[[name]].drop(columns="ph")

    cold, hot = saturation.saturate(water).loc[name], heating.heat(water, 93.0, "closed").loc[name]

    assert (cold["ph_low"], cold["ph_high"]) == pytest.approx(ph, abs=2e-3)
    assert cold["calcite_si_high"] == pytest.approx(index[1], abs=2e-3)
    if index[0] is not None:  # no published lower figure for the soft water
        assert cold["calcite_si_low"] == pytest.approx(index[0], abs=2e-3)
    assert (hot["calcite_si_low"], hot["calcite_si_high"]) == pytest.approx(hot_index, abs=2e-3)
    assert (hot["ccpp_mg_l_caco3_low"], hot["ccpp_mg_l_caco3_high"]) == pytest.approx(potential, abs=0.5)
    assert np.isnan(cold["calcite_si"])
    assert "pH missing" in cold["assumption"]
    assert "bounded" in cold["reason"]


@pytest.mark.source("PHREEQC3")
def test_without_the_calcium_share_the_water_lies_between_dolomite_and_limestone(
    two_waters: pd.DataFrame,
) -> None:
    """Hard water, share 1.00/0.50: SI 0.316/0.016, at 93 °C 86.7/51.9 mg/L; soft: SI -0.135/-0.435."""
    hardness = hardness_from_ions(two_waters)
    kit = two_waters.drop(columns=["calcium_mg_l", "magnesium_mg_l"]).assign(total_hardness_mg_l_caco3=hardness)

    cold, hot = saturation.saturate(kit), heating.heat(kit, 93.0, "closed")

    assert cold["calcite_si_low"].to_numpy() == pytest.approx([0.016, -0.435], abs=2e-3)
    assert cold["calcite_si_high"].to_numpy() == pytest.approx([0.316, -0.135], abs=2e-3)
    assert hot.loc["hard", "ccpp_mg_l_caco3_low"] == pytest.approx(51.9, abs=0.15)
    assert hot.loc["hard", "ccpp_mg_l_caco3_high"] == pytest.approx(86.7, abs=0.15)
    assert cold["assumption"].str.contains("calcium share").all()


def test_without_both_the_bounds_enclose_those_of_either(two_waters: pd.DataFrame) -> None:
    hardness = hardness_from_ions(two_waters)
    kit = two_waters.drop(columns=["calcium_mg_l", "magnesium_mg_l"]).assign(total_hardness_mg_l_caco3=hardness)

    both, one = (
        saturation.saturate(kit.drop(columns="ph")),
        saturation.saturate(two_waters.drop(columns="ph")),
    )

    assert (both["calcite_si_low"] < one["calcite_si_low"]).all()
    assert (both["calcite_si_high"] > one["calcite_si_high"]).all()
    assert both["converged"].all()


def test_a_complete_water_has_equal_bounds_and_no_words(two_waters: pd.DataFrame) -> None:
    result = saturation.saturate(two_waters)

    for name in VALUES:
        assert result[name].equals(result[f"{name}_low"].rename(name))
        assert result[name].equals(result[f"{name}_high"].rename(name))
    assert (result["reason"] == "").all()
    assert (result["assumption"] == "").all()


@pytest.mark.source("IUPAC2021")
def test_missing_sodium_and_chloride_close_the_balance_and_are_named(two_waters: pd.DataFrame) -> None:
    """Hard water without Na and Cl: cations 5.9008 - 0.8700, anions 6.1067 - 1.0154 meq/L: sodium 0.0606."""
    water = two_waters.loc[["hard"]].drop(columns=["sodium_mg_l", "chloride_mg_l"])

    prepared = composition.prepare(water)

    sodium = composition.IONS.index("sodium")
    expected = (6.1067 - 1.0154) - (5.9008 - 0.8700)
    assert 1e3 * prepared.cases.ions[sodium, 0] == pytest.approx(expected, abs=3e-4)
    words = saturation.saturate(water)["assumption"].item()
    assert "sodium from the ion balance" in words
    assert "chloride from the ion balance" in words


@pytest.mark.common_practice
def test_conductivity_sets_the_salt_that_was_not_measured(two_waters: pd.DataFrame) -> None:
    """Ionic strength about 1.6e-5 times the conductivity: 1000 µS/cm, 0.016 mol/kg before pairing."""
    water = two_waters.loc[["hard"]].drop(columns=["sodium_mg_l", "chloride_mg_l"])

    result = saturation.saturate(water.assign(conductivity_us_cm_25c=1000.0))

    assert result["ionic_strength_mol_kg"].item() == pytest.approx(0.016, rel=0.05)
    assert "match the conductivity" in result["assumption"].item()


def test_field_analysis_of_hardness_alkalinity_and_ph_is_enough(two_waters: pd.DataFrame) -> None:
    """Without the other ions only the ionic strength is off: within 0.07 of the full analysis."""
    kit = two_waters[["calcium_mg_l", "magnesium_mg_l", "bicarbonate_mg_l", "ph"]]

    result = saturation.saturate(kit)

    full = saturation.saturate(two_waters)["calcite_si"]
    assert (result["calcite_si"] - full).abs().max() < 0.07
    assert result["assumption"].str.contains("temperature taken as 25 °C").all()
    assert result["assumption"].str.contains("sulfate taken as 0").all()
    assert result["gypsum_si"].isna().all()
    assert result["reason"].str.contains("no sulfate").all()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"temperature_c": 151.0}, "temperature"),
        ({"temperature_c": -1.0}, "temperature"),
        ({"ph": 14.5}, "pH outside"),
        ({"ph": -0.1}, "pH outside"),
        ({"calcium_mg_l": -3.0}, "negative"),
        ({"sodium_mg_l": np.inf}, "not finite"),
        ({"bicarbonate_mg_l": np.nan}, "alkalinity missing"),
        ({"bicarbonate_mg_l": -1.0}, "negative"),
        ({"calcium_mg_l": np.nan}, "calcium missing"),
        ({"sodium_mg_l": 2000.0}, "30 %"),
        ({"ph": 12.5}, "contradict"),
        ({"sodium_mg_l": 50000.0, "chloride_mg_l": 77000.0}, "more concentrated"),
    ],
)
def test_an_impossible_row_says_why_and_harms_no_other(
    two_waters: pd.DataFrame, change: dict[str, float], words: str
) -> None:
    waters = pd.concat([two_waters.loc[["hard"]].assign(**change).set_axis(["bad"]), two_waters])

    result = saturation.saturate(waters)

    assert words in result["reason"]["bad"]
    assert not result.loc["bad", "converged"]
    assert result.loc["bad", list(VALUES)].isna().all()
    alone = saturation.saturate(two_waters)
    numbers = alone.select_dtypes("number").columns
    assert result.loc[["hard", "soft"], numbers].to_numpy() == pytest.approx(alone[numbers].to_numpy(), abs=1e-12)
    assert result.loc[["hard", "soft"], "converged"].all()


def test_two_titrations_that_overlap_a_little_are_forgiven(two_waters: pd.DataFrame) -> None:
    """Calcium hardness 103 above a total of 100 is titration noise; 130 above 100 is an error."""
    kit = two_waters.loc[["hard", "hard"]].drop(columns=["calcium_mg_l", "magnesium_mg_l"]).reset_index(drop=True)
    kit = kit.assign(total_hardness_mg_l_caco3=100.0, calcium_hardness_mg_l_caco3=[103.0, 130.0], sodium_mg_l=np.nan)

    result = saturation.saturate(kit)

    assert result["converged"].tolist() == [True, False]
    assert "magnesium taken as 0" in result["assumption"][0]
    assert "total hardness" in result["reason"][1]


def test_no_empty_figure_goes_without_a_reason(two_waters: pd.DataFrame) -> None:
    holes = [two_waters.assign(**{name: np.nan}) for name in two_waters.columns]
    waters = pd.concat([*holes, two_waters.assign(sulfate_mg_l=0.0, silica_mg_l=0.0)], ignore_index=True)

    for result in (
        saturation.saturate(waters),
        heating.heat(waters, 120.0, "open"),
        carbonate.speciate(waters),
    ):
        empty = result.select_dtypes("number").isna().any(axis=1)
        assert (result.loc[empty, "reason"] != "").all()
        assert (result.loc[~empty, "reason"] == "").all()


def test_an_empty_table_gives_an_empty_table(two_waters: pd.DataFrame) -> None:
    result = saturation.saturate(two_waters.iloc[:0])

    assert len(result) == 0
    assert "ccpp_mg_l_caco3" in result


def test_a_water_without_calcium_can_still_dissolve_calcite(two_waters: pd.DataFrame) -> None:
    softened = two_waters.loc[["hard"]].assign(calcium_mg_l=0.0, magnesium_mg_l=0.0, sodium_mg_l=140.0)

    result = saturation.saturate(softened)

    assert result["converged"].all()
    assert np.isnan(result["calcite_si"].item())
    assert "no calcium" in result["reason"].item()
    assert result["ccpp_mg_l_caco3"].item() < 0.0


def test_the_argument_is_left_as_it_was(two_waters: pd.DataFrame) -> None:
    before = two_waters.copy(deep=True)

    saturation.saturate(two_waters)
    heating.boiler(two_waters, 120.0, 5.0)

    pd.testing.assert_frame_equal(two_waters, before)


def test_hopeless_waters_are_soon_given_up(two_waters: pd.DataFrame, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file full of contradictions costs at most three times the steps of a sound one."""
    steps: list[int] = []
    one_step = equilibrium._iterate  # noqa: SLF001 (counted, not replaced)

    def counted(question: Question, system: System, state: State) -> tuple[State, Flags]:
        steps.append(1)
        return one_step(question, system, state)

    monkeypatch.setattr(equilibrium, "_iterate", counted)

    saturation.saturate(two_waters)
    sound = len(steps)
    result = saturation.saturate(two_waters.assign(ph=12.5))

    assert not result["converged"].any()
    assert len(steps) - sound <= 3 * sound

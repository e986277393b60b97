"""Heated waters, steam limit and boiler concentration against PHREEQC and arithmetic."""

from __future__ import annotations

import doctest
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.chemistry import heating

if TYPE_CHECKING:
    Reference = tuple[pd.DataFrame, pd.DataFrame]


@pytest.mark.source("PHREEQC3")
@pytest.mark.parametrize(("to_c", "tolerance"), [(60, 5e-4), (93, 5e-4), (120, 1e-3), (135, 1e-3)])
def test_ten_waters_heated_closed(heated_waters: Reference, to_c: int, tolerance: float) -> None:
    """The reference was made at 2.2 and 3.5 atm, a little above the boiling pressure used here."""
    waters, reference = heated_waters

    result = heating.heat(waters, float(to_c), "closed")

    assert result["converged"].all()
    pairs = {
        "ph": "pH",
        "calcite_si": "si_calcite",
        "anhydrite_si": "si_anhydrite",
        "amorphous_silica_si": "si_sio2am",
        "log_pco2_atm": "log_pco2",
    }
    for ours, theirs in pairs.items():
        allowed = tolerance if ours != "log_pco2_atm" else 3e-3  # another fit of Henry's constant, and pressure
        expected = reference[f"{theirs}_{to_c}"].to_numpy()
        assert result[ours].to_numpy() == pytest.approx(expected, abs=allowed), ours
    expected = reference[f"ccpp_{to_c}"].to_numpy()
    assert np.all(np.abs(result["ccpp_mg_l_caco3"] - expected) <= np.maximum(0.1, 0.005 * np.abs(expected)))


@pytest.mark.source("PHREEQC3")
def test_ten_waters_heated_open_to_the_air(heated_waters: Reference) -> None:
    waters, reference = heated_waters

    result = heating.heat(waters, 93.0, "open")

    assert result["ph"].to_numpy() == pytest.approx(reference["pH_open93"].to_numpy(), abs=1e-3)
    assert result["calcite_si"].to_numpy() == pytest.approx(reference["si_calcite_open93"].to_numpy(), abs=1e-3)
    assert result["ccpp_mg_l_caco3"].to_numpy() == pytest.approx(reference["ccpp_open93"].to_numpy(), rel=5e-3)
    assert result["log_pco2_atm"].to_numpy() == pytest.approx(-3.4, abs=1e-9)


@pytest.mark.source("PHREEQC3")
@pytest.mark.parametrize(
    ("to_c", "mode", "expected"),
    [
        (25.0, "closed", ((7.40, 7.80), (0.2205, -0.2839), (13.23, -2.83))),
        (60.0, "closed", ((7.297, 7.6386), (0.5536, -0.0020), (39.15, -0.03))),
        (93.0, "closed", ((7.313, 7.5630), (0.9372, 0.3009), (75.42, 6.65))),
        (120.0, "closed", ((7.3725, 7.5312), (1.2890, 0.5770), (107.40, 16.14))),
        (135.0, "closed", ((7.4214, 7.5234), (1.5019, 0.7436), (123.82, 22.38))),
        (25.0, "open", ((8.716, 8.316), (1.4445, 0.2145), (145.8, 10.7))),
        (93.0, "open", ((8.899, 8.632), (1.972, 1.104), (177.7, 42.4))),
    ],
)
def test_a_hard_and_a_soft_water_on_the_way_to_the_boiler(
    two_waters: pd.DataFrame, to_c: float, mode: str, expected: tuple[tuple[float, float], ...]
) -> None:
    """Expected: pH, calcite index and potential, each of the hard and the soft water."""
    ph, index, potential = expected

    result = heating.heat(two_waters, to_c, mode)  # type: ignore[arg-type]

    assert result["ph"].to_numpy() == pytest.approx(ph, abs=1e-3)
    assert result["calcite_si"].to_numpy() == pytest.approx(index, abs=1e-3)
    assert result["ccpp_mg_l_caco3"].to_numpy() == pytest.approx(potential, abs=0.06)


@pytest.mark.source("PHREEQC3")
def test_weak_acid_treated_water_left_to_the_air(two_waters: pd.DataFrame) -> None:
    """Alkalinity 0.410 meq/L after 90 % decarbonisation: pH 7.80 once the carbon dioxide has gone."""
    treated = two_waters.loc[["hard"]].assign(
        bicarbonate_mg_l=250.0 - 3.6875 * 61.0168, calcium_mg_l=80.0 - 3.6875 / 2 * 40.078, ph=5.34
    )

    assert heating.heat(treated, 25.0, "open")["ph"].item() == pytest.approx(7.80, abs=0.005)


def test_heating_to_the_same_temperature_changes_nothing(two_waters: pd.DataFrame) -> None:
    assert heating.heat(two_waters, 25.0, "closed")["ph"].to_numpy() == pytest.approx([7.4, 7.8], abs=1e-8)


def test_each_water_may_have_its_own_temperature(two_waters: pd.DataFrame) -> None:
    targets = pd.Series([93.0, 120.0], index=two_waters.index)

    both = heating.heat(two_waters, targets, "closed")["calcite_si"]

    hard, soft = (heating.heat(two_waters, to_c, "closed")["calcite_si"] for to_c in (93.0, 120.0))
    assert both.to_numpy() == pytest.approx([hard["hard"], soft["soft"]], abs=1e-12)


@pytest.mark.source("IUPAC2021")
def test_steam_limit_is_the_lesser_of_calcium_and_half_the_alkalinity(two_waters: pd.DataFrame) -> None:
    """Hard: 80/40.078 = 1.9961 mmol < 4.0972/2; sodium-rich: 0.5 · 61.0168/61.0168 mmol."""
    sodic = two_waters.loc[["hard"]].assign(bicarbonate_mg_l=61.0168, sodium_mg_l=20.0, chloride_mg_l=145.0)
    waters = pd.concat([two_waters, sodic.set_axis(["sodic"])])

    result = heating.boiler(waters, 120.0, 2.0)["steam_limit_mg_l_caco3"]

    assert result.to_numpy() == pytest.approx([199.8, 59.9, 100.0869 / 2], abs=0.05)


@pytest.mark.source("RB1980")
def test_silica_limits_the_cycles_of_a_boiler(two_waters: pd.DataFrame) -> None:
    """Saturation 456 mg/L at 120 °C and 534 at 135 °C: 12 mg/L in the feed allow 38.0 and 44.5 cycles."""
    at_120, at_135 = (heating.boiler(two_waters, to_c, 10.0).loc["hard"] for to_c in (120.0, 135.0))

    assert at_120["silica_cycles_max"] == pytest.approx(456 / 12, rel=2e-3)
    assert at_135["silica_cycles_max"] == pytest.approx(534 / 12, rel=2e-3)
    assert at_120["amorphous_silica_si"] == pytest.approx(np.log10(120 / 456), abs=1e-3)
    assert at_120["boiler_chloride_mg_l"] == pytest.approx(360.0)


@pytest.mark.source("PHREEQC3")
def test_anhydrite_in_a_boiler_at_one_cycle_is_that_of_heated_water(two_waters: pd.DataFrame) -> None:
    """Hard water closed at 93, 120, 135 °C: -1.48, -1.14, -0.95."""
    values = [heating.boiler(two_waters, to_c, 1.0).loc["hard", "anhydrite_si"] for to_c in (93.0, 120.0, 135.0)]

    assert values == pytest.approx([-1.48, -1.14, -0.95], abs=5e-3)


def test_anhydrite_cycles_are_where_the_index_reaches_zero(two_waters: pd.DataFrame) -> None:
    most = heating.boiler(two_waters, 120.0, 1.0)["anhydrite_cycles_max"]
    result = heating.boiler(two_waters, 120.0, most)

    assert (most > 2.0).all()
    assert result["anhydrite_si"].to_numpy() == pytest.approx([0.0, 0.0], abs=1e-4)
    assert (result["anhydrite_after_calcite_si"] < result["anhydrite_si"]).all()


def test_unknown_modes_and_temperatures_are_refused(two_waters: pd.DataFrame) -> None:
    with pytest.raises(ValueError, match="closed"):
        heating.heat(two_waters, 93.0, "half")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="to_c"):
        heating.heat(two_waters, 151.0, "open")
    with pytest.raises(ValueError, match="index of the waters"):
        heating.heat(two_waters, pd.Series([93.0, 120.0], index=["soft", "hard"]), "open")
    with pytest.raises(ValueError, match="cycles"):
        heating.boiler(two_waters, 120.0, 0.5)


def test_examples_run() -> None:
    assert doctest.testmod(heating).failed == 0

"""Water properties, activity coefficients and equilibrium constants against published values."""

from __future__ import annotations

import doctest
from importlib import resources

import numpy as np
import pytest

from pipeline import reference
from pipeline.chemistry import activity, constants, water

CELSIUS = np.array([5.0, 25.0, 60.0, 93.0, 120.0, 135.0, 150.0])


@pytest.mark.source("IAPWS1995")
def test_density_and_vapour_pressure_are_those_of_the_steam_tables() -> None:
    """Saturated liquid of the steam tables: 99.605 °C/1 bar/958.6, 120.21/2/942.9, 151.83/5/915.3 kg/m3."""
    celsius = np.array([99.606, 120.212, 151.831])

    assert water.saturation_pressure_atm(celsius) * 1.01325 == pytest.approx([1.0, 2.0, 5.0], rel=5e-4)
    assert water.density_kg_l(celsius) == pytest.approx([0.9586, 0.9429, 0.9153], abs=1e-4)


@pytest.mark.source("BP1979")
def test_debye_hueckel_terms() -> None:
    result = water.solvent(CELSIUS)

    expected_a = [0.49421, 0.50999, 0.54587, 0.58950, 0.63278, 0.66005, 0.68988]
    expected_b = [0.32536, 0.32847, 0.33444, 0.34079, 0.34648, 0.34982, 0.35329]
    assert result.debye_a == pytest.approx(expected_a, abs=5e-5)
    assert result.debye_b == pytest.approx(expected_b, abs=2e-5)


@pytest.mark.source("PB1982")
@pytest.mark.parametrize(
    ("reaction", "expected"),
    [
        ("K1", [-6.5163, -6.3519, -6.2903, -6.3918, -6.5459, -6.6517, -6.7694]),
        ("K2", [-10.5544, -10.3289, -10.1438, -10.1400, -10.2241, -10.2975, -10.3870]),
        ("calcite", [-8.3942, -8.4798, -8.7588, -9.1639, -9.5901, -9.8611, -10.1554]),
        ("aragonite", [-8.2350, -8.3361, -8.6376, -9.0600, -9.4982, -9.7752, -10.0750]),
        ("Kw", [-14.7296, -13.9948, -13.0153, -12.3531, -11.9526, -11.7756, -11.6276]),
        ("gypsum", [-4.6020, -4.5809, -4.6539, -4.8105, -4.9806, -5.0870, -5.2001]),
        ("anhydrite", [-4.0750, -4.2775, -4.7053, -5.1611, -5.5554, -5.7793, -6.0053]),
        ("amorphous_silica", [-2.8881, -2.7118, -2.4542, -2.2564, -2.1193, -2.0510, -1.9875]),
    ],
)
def test_constants_over_temperature(reaction: str, expected: list[float]) -> None:
    assert constants.log_k(reaction, CELSIUS) == pytest.approx(expected, abs=5e-4)


@pytest.mark.source("PB1982")
def test_the_abstract_values_of_calcite_and_its_pairs_at_25_degrees() -> None:
    """Abstract: log K of calcite -8.480, aragonite -8.336, CaHCO3+ 1.11, CaCO3 3.22 (± 0.02 or better)."""
    at_25 = np.array([25.0])

    assert constants.log_k("calcite", at_25) == pytest.approx([-8.480], abs=5e-4)
    assert constants.log_k("aragonite", at_25) == pytest.approx([-8.336], abs=5e-4)
    assert constants.log_k("CaHCO3", at_25) == pytest.approx([1.11], abs=5e-3)
    assert constants.log_k("CaCO3", at_25) == pytest.approx([3.22], abs=6e-3)


@pytest.mark.source("PHREEQC3")
def test_van_t_hoff_rows_shift_with_the_sign_of_their_enthalpy() -> None:
    """At 93 °C: CaSO4 2.430, MgSO4 2.989, NaHCO3 -0.386, NaSO4- 0.852."""
    at_93 = np.array([93.0])
    pairs = ["CaSO4", "MgSO4", "NaHCO3", "NaSO4"]

    values = [constants.log_k(pair, at_93).item() for pair in pairs]
    assert values == pytest.approx([2.430, 2.989, -0.386, 0.852], abs=6e-4)


@pytest.mark.source("APP2014")
def test_pressure_raises_the_solubility_of_calcite_only_above_100_degrees() -> None:
    """Along the boiling line log Ksp rises by 0.001 at 120 °C and 0.0025 at 135 °C (2.2 and 3.5 atm)."""
    celsius = np.array([25.0, 93.0, 120.0, 135.0])

    shift = constants.constants(celsius).ln_mineral["calcite"] / np.log(10) - constants.log_k("calcite", celsius)
    assert shift[:2] == pytest.approx([0.0, 0.0], abs=1e-12)
    assert shift[2:] == pytest.approx([0.001, 0.0025], abs=3e-4)


@pytest.mark.source("TJ1974")
def test_activity_coefficients_follow_the_equations_in_view() -> None:
    """Calcium: log g = -0.51·4·0.1/(1 + 0.3285·5·0.1) + 0.165·0.01; HSO4-: Davies; CO2: 0.1·0.01."""
    gamma = activity.activity_coefficients(np.array([0.01]), np.array([0.51]), np.array([0.3285]))[:, 0]

    names = activity.SPECIES["species"].tolist()
    calcium = -0.51 * 4 * 0.1 / (1 + 0.3285 * 5 * 0.1) + 0.165 * 0.01
    bisulfate = -0.51 * (0.1 / 1.1 - 0.3 * 0.01)
    for name, expected in (("Ca", calcium), ("HSO4", bisulfate), ("CO2", 0.001)):
        assert np.log10(gamma[names.index(name)]) == pytest.approx(expected)


@pytest.mark.parametrize("strength", [0.001, 0.02, 0.3])
def test_the_slopes_of_the_activity_terms_are_their_derivatives(strength: float) -> None:
    a, b = np.array([0.51]), np.array([0.33])
    step = 1e-5

    up, down = (activity.terms(np.array([strength * np.exp(sign * step)]), a, b) for sign in (1, -1))
    assert activity.slopes(np.array([strength]), a, b) == pytest.approx((up - down) / (2 * step), rel=1e-6, abs=1e-9)


def test_every_constant_names_a_source_that_is_cited() -> None:
    files = [file.name for file in resources.files(reference).iterdir() if file.name.startswith("sources")]
    cited = {key for name in files for key in reference.table(name.removesuffix(".csv"))["key"]}

    for name in ("molar_masses", "degrees", "species", "log_k", "molal_volumes"):
        assert set(reference.table(name)["source"]) <= cited, name


def test_examples_run() -> None:
    for module in (water, activity, constants):
        assert doctest.testmod(module).failed == 0

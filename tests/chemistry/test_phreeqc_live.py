"""Three hundred random waters through this solver and through PHREEQC, side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from pipeline.chemistry import heating, saturation, water

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

    Phreeqc = Callable[[pd.DataFrame, np.ndarray, np.ndarray], list[pd.DataFrame]]

pytestmark = [pytest.mark.slow, pytest.mark.source("PHREEQC3")]


def within_potential(result: pd.Series[float], reference: pd.DataFrame, calcium: pd.Series[float]) -> None:
    """Within 0.1 mg/L or 0.5 % of the calcium that left the reference solution."""
    expected = (calcium / 40.078 - 1e3 * reference["calcium"]) * 100.0869
    assert ((result - expected).abs() <= np.maximum(0.1, 0.005 * expected.abs())).all()


def test_waters_as_sampled(random_waters: pd.DataFrame, phreeqc: Phreeqc) -> None:
    here = random_waters["temperature_c"].to_numpy()
    sampled, _, saturated = phreeqc(random_waters, here, np.ones(here.size))

    result = saturation.saturate(random_waters)

    assert result["converged"].all()
    assert (result["calcite_si"] - sampled["calcite"]).abs().max() <= 5e-4
    assert (result["anhydrite_si"] - sampled["anhydrite"]).abs().max() <= 5e-4
    assert (result["amorphous_silica_si"] - sampled["silica"]).abs().max() <= 5e-4
    assert (result["ionic_strength_mol_kg"] / sampled["strength"] - 1.0).abs().max() <= 1e-3
    within_potential(result["ccpp_mg_l_caco3"], saturated, random_waters["calcium_mg_l"])


@pytest.mark.parametrize(("low", "high", "tolerance"), [(25.0, 95.0, 5e-4), (115.0, 135.0, 1e-3), (135.0, 150.0, 2e-3)])
def test_waters_heated_closed(
    random_waters: pd.DataFrame, phreeqc: Phreeqc, low: float, high: float, tolerance: float
) -> None:
    cold = random_waters.iloc[::2].assign(temperature_c=lambda part: 5.0 + part["temperature_c"] / 4.0)
    targets = np.random.default_rng(5).uniform(low, high, len(cold))
    pressure = np.maximum(1.0, water.saturation_pressure_atm(targets))
    _, hot, saturated = phreeqc(cold, targets, pressure)

    result = heating.heat(cold, cold["ph"] * 0.0 + targets, "closed")

    assert result["converged"].all()
    assert (result["ph"] - hot["ph"]).abs().max() <= tolerance
    assert (result["calcite_si"] - hot["calcite"]).abs().max() <= tolerance
    within_potential(result["ccpp_mg_l_caco3"], saturated, cold["calcium_mg_l"])

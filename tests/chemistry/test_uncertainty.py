"""Propagation of reading uncertainty: first order against Monte Carlo and against arithmetic."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.chemistry import heating, saturation, uncertainty

if TYPE_CHECKING:
    from collections.abc import Callable


def readings(waters: pd.DataFrame) -> pd.DataFrame:
    """Give the expanded uncertainties of a drop kit and a pocket meter."""
    expanded = {"calcium_mg_l": 5.0, "bicarbonate_mg_l": 12.0, "ph": 0.1, "temperature_c": 1.0}
    return pd.DataFrame(expanded, index=waters.index)


@pytest.mark.source("GUM2008")
def test_ph_carries_straight_into_the_index(two_waters: pd.DataFrame) -> None:
    """Below pH 8.5 the index moves one for one with pH, so U(SI) = U(pH) within 3 %."""
    only_ph = pd.DataFrame({"ph": [0.1, 0.1]}, index=two_waters.index)

    result = uncertainty.propagate(two_waters, only_ph)

    assert result["calcite_si_uncertainty"].to_numpy() == pytest.approx([0.1, 0.1], rel=0.03)


@pytest.mark.source("GUM2008")
@pytest.mark.parametrize("evaluate", [saturation.saturate, partial(heating.heat, to_c=93.0, mode="closed")])
def test_first_order_agrees_with_monte_carlo(
    two_waters: pd.DataFrame, evaluate: Callable[[pd.DataFrame], pd.DataFrame]
) -> None:
    """400 draws give the spread within 3.5 %, one standard deviation; 12 % allows for three."""
    expanded = readings(two_waters)

    first = uncertainty.propagate(two_waters, expanded, evaluate=evaluate)
    drawn = uncertainty.propagate(two_waters, expanded, evaluate=evaluate, method="monte-carlo", seed=7)

    assert first.to_numpy() == pytest.approx(drawn.to_numpy(), rel=0.12)
    assert (first > 0).all(axis=None)


def test_the_same_seed_draws_the_same(two_waters: pd.DataFrame) -> None:
    draw = partial(uncertainty.propagate, two_waters, readings(two_waters), method="monte-carlo")

    assert draw(seed=3).equals(draw(seed=3))
    assert not draw(seed=3).equals(draw(seed=4))


def test_certain_readings_leave_no_uncertainty(two_waters: pd.DataFrame) -> None:
    none = pd.DataFrame({"ph": [0.0, np.nan], "calcium_mg_l": [0.0, 0.0]}, index=two_waters.index)

    assert (uncertainty.propagate(two_waters, none) == 0.0).all(axis=None)


def test_a_bounded_water_has_no_uncertainty_of_a_value_it_lacks(two_waters: pd.DataFrame) -> None:
    waters = two_waters.drop(columns="ph")

    assert uncertainty.propagate(waters, readings(waters)[["calcium_mg_l"]]).isna().all(axis=None)


def test_an_unknown_method_is_refused(two_waters: pd.DataFrame) -> None:
    with pytest.raises(ValueError, match="monte-carlo"):
        uncertainty.propagate(two_waters, readings(two_waters), method="guess")  # type: ignore[arg-type]

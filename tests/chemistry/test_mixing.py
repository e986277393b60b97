"""Blends: conserved quantities add up, pH does not."""

from __future__ import annotations

import doctest
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.chemistry import carbonate, mixing, saturation

if TYPE_CHECKING:
    Shares = pd.Series[float]


def shares(hard: float) -> Shares:
    return pd.Series({"hard": hard, "soft": 1.0 - hard})


@pytest.mark.source("PHREEQC3")
def test_thirty_parts_hard_and_seventy_soft(two_waters: pd.DataFrame) -> None:
    """Alkalinity 2.2043 meq/L, total carbonate 2.3211 mmol, pH 7.550 where the mean is 7.68; SI -0.135."""
    mixed = mixing.blend(two_waters, shares(0.3))

    assert mixed["alkalinity_mg_l_caco3"].item() / 50.04345 == pytest.approx(2.2043, abs=1e-4)
    assert mixed["ph"].item() == pytest.approx(7.550, abs=1e-3)
    assert mixed["converged"].all()
    assert saturation.saturate(mixed)["calcite_si"].item() == pytest.approx(-0.135, abs=1e-3)
    assert carbonate.speciate(mixed)["total_carbonate_mmol_kg"].item() == pytest.approx(2.3211, abs=2e-4)


@pytest.mark.source("IUPAC2021")
def test_bypass_share_reaches_a_target_hardness(two_waters: pd.DataFrame) -> None:
    """249.2 raw and 5 treated reach 85 with (85 - 5)/(249.2 - 5) = 0.3276 bypassed."""
    waters = two_waters.assign(total_hardness_mg_l_caco3=[249.2, 5.0])

    mixed = mixing.blend(waters, shares((85.0 - 5.0) / (249.2 - 5.0)))

    assert mixed["total_hardness_mg_l_caco3"].item() == pytest.approx(85.0)


@pytest.mark.parametrize("hard", [0.0, 1.0])
def test_a_share_of_one_is_the_water_itself(two_waters: pd.DataFrame, hard: float) -> None:
    mixed = mixing.blend(two_waters, shares(hard)).iloc[0]

    own = two_waters.loc["hard" if hard else "soft"]
    for name in ("ph", "calcium_mg_l", "silica_mg_l", "temperature_c"):
        assert mixed[name] == pytest.approx(own[name], abs=1e-8)


def test_several_recipes_keep_their_labels(two_waters: pd.DataFrame) -> None:
    recipes = pd.DataFrame({"soft": [0.7, 0.5], "hard": [0.3, 0.5]}, index=["mild", "even"])

    mixed = mixing.blend(two_waters, recipes)

    assert mixed.index.tolist() == ["mild", "even"]
    assert mixed.loc["even", "calcium_mg_l"] == pytest.approx((80.0 + 24.0) / 2)


def test_a_water_without_ph_leaves_the_blend_without_one_but_not_without_salts(
    two_waters: pd.DataFrame,
) -> None:
    waters = two_waters.assign(ph=[np.nan, 7.8])

    mixed = mixing.blend(waters, shares(0.3))

    assert np.isnan(mixed["ph"].item())
    assert "pH not solved" in mixed["reason"].item()
    assert mixed["calcium_mg_l"].item() == pytest.approx(0.3 * 80.0 + 0.7 * 24.0)
    assert np.isfinite(mixing.blend(waters, shares(0.0))["ph"].item())


def test_a_missing_reading_stays_missing_in_the_blend(two_waters: pd.DataFrame) -> None:
    mixed = mixing.blend(two_waters.assign(silica_mg_l=[np.nan, 6.0]), shares(0.3))

    assert np.isnan(mixed["silica_mg_l"].item())
    assert np.isfinite(mixed["ph"].item())


@pytest.mark.parametrize(
    "wrong",
    [
        pd.Series({"hard": 0.6, "soft": 0.6}),
        pd.Series({"hard": 1.2, "soft": -0.2}),
        pd.Series({"hard": 0.5, "rain": 0.5}),
    ],
)
def test_shares_that_are_no_blend_are_refused(two_waters: pd.DataFrame, wrong: Shares) -> None:
    with pytest.raises(ValueError, match="shares"):
        mixing.blend(two_waters, wrong)


def test_examples_run() -> None:
    assert doctest.testmod(mixing).failed == 0

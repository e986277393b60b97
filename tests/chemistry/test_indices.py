"""Trade indices against their published forms and worked values."""

from __future__ import annotations

import doctest

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.chemistry import index_classes, indices

HARD = {
    "calcium_mg_l": 80.0, "magnesium_mg_l": 12.0, "sodium_mg_l": 20.0, "potassium_mg_l": 2.0,
    "bicarbonate_mg_l": 250.0, "sulfate_mg_l": 40.0, "chloride_mg_l": 36.0, "silica_mg_l": 12.0,
    "nitrate_mg_l": 10.0, "ph": 7.4, "temperature_c": 25.0,
}  # fmt: skip
SOFT = {
    "calcium_mg_l": 24.0, "magnesium_mg_l": 6.0, "sodium_mg_l": 12.0, "potassium_mg_l": 1.5,
    "bicarbonate_mg_l": 85.0, "sulfate_mg_l": 18.0, "chloride_mg_l": 14.0, "silica_mg_l": 6.0,
    "nitrate_mg_l": 4.0, "ph": 7.8, "temperature_c": 25.0,
}  # fmt: skip
WATERS = pd.DataFrame([HARD, SOFT], index=["hard", "soft"])


@pytest.mark.source("LS1958")
def test_larson_skold_of_two_waters() -> None:
    """(36/35.453 + 2 * 40/96.0626) / (250/61.0168) = (1.0154 + 0.8328)/4.0972."""
    result = indices.corrosion_ratios(WATERS)

    assert result["larson_skold"].to_numpy() == pytest.approx([0.4511, 0.5525], abs=1e-4)
    assert result["larson_skold_class"].tolist() == ["low", "low"]
    assert (result["reason"] == "").all()


@pytest.mark.source("LS1958")
@pytest.mark.parametrize(("ratio", "word"), [(0.79, "low"), (0.8, "raised"), (1.2, "raised"), (1.21, "high")])
def test_larson_skold_bands(ratio: float, word: str) -> None:
    assert list(index_classes.classes("larson_skold", np.array([ratio]), np.array([200.0]))) == [word]


@pytest.mark.source("BELITZ2016")
@pytest.mark.parametrize(
    ("chloride", "alkalinity", "word"),
    [
        (1.9, 100.0, "low"),
        (2.0, 100.0, "moderate"),
        (5.0, 20.0, "moderate"),
        (5.1, 50.0, "moderate"),
        (5.1, 49.9, "high"),
        (5.1, np.nan, "moderate or high"),
        (4.0, np.nan, "moderate"),
    ],
)
def test_chloride_to_sulfate_classes(chloride: float, alkalinity: float, word: str) -> None:
    """Sulfate of 10 mg/L: the ratio is a tenth of the chloride."""
    water = pd.DataFrame({"chloride_mg_l": [chloride], "sulfate_mg_l": [10.0], "alkalinity_mg_l_caco3": [alkalinity]})

    assert indices.corrosion_ratios(water)["chloride_sulfate_class"].item() == word


@pytest.mark.source("BELITZ2016")
def test_chloride_to_sulfate_of_two_waters() -> None:
    """36/40 and 14/18."""
    result = indices.corrosion_ratios(WATERS)

    assert result["chloride_sulfate_mass_ratio"].to_numpy() == pytest.approx([0.900, 0.778], abs=1e-3)
    assert result["chloride_sulfate_class"].tolist() == ["moderate", "moderate"]


@pytest.mark.source("BELITZ2016")
@pytest.mark.parametrize(("chloride", "at_least", "word"), [(30.0, 6.0, "high"), (2.0, 0.4, "")])
def test_sulfate_below_its_limit_gives_a_lower_bound(chloride: float, at_least: float, word: str) -> None:
    """Sulfate "< 5": 30/5 = 6 is high whatever the sulfate; 2/5 = 0.4 may be anything above."""
    water = pd.DataFrame({"chloride_mg_l": [chloride], "sulfate_mg_l": [np.nan], "alkalinity_mg_l_caco3": [30.0]})

    result = indices.corrosion_ratios(water, highest=pd.DataFrame({"sulfate_mg_l": [5.0]}))

    assert result["chloride_sulfate_mass_ratio"].isna().all()
    assert result["chloride_sulfate_mass_ratio_low"].item() == pytest.approx(at_least)
    assert result["chloride_sulfate_class"].item() == word
    assert "lower bound" in result["reason"].item()


@pytest.mark.parametrize(
    ("change", "reason", "lost"),
    [
        ({"chloride_mg_l": np.nan}, "chloride missing", "chloride_sulfate_mass_ratio"),
        ({"sulfate_mg_l": np.nan}, "sulfate missing", "chloride_sulfate_mass_ratio"),
        ({"sulfate_mg_l": 0.0}, "sulfate is 0", "chloride_sulfate_mass_ratio"),
        ({"bicarbonate_mg_l": np.nan}, "alkalinity missing", "larson_skold"),
        ({"bicarbonate_mg_l": 0.0}, "alkalinity is 0", "larson_skold"),
        ({"chloride_mg_l": -1.0}, "a concentration below 0", "chloride_sulfate_mass_ratio"),
    ],
)
def test_a_ratio_that_cannot_be_formed_says_why(change: dict[str, float], reason: str, lost: str) -> None:
    result = indices.corrosion_ratios(WATERS.assign(**change))

    assert result[lost].isna().all()
    assert result["reason"].str.contains(reason, regex=False).all()


@pytest.mark.common_practice
@pytest.mark.parametrize(("alkalinity", "word"), [(24.9, "very low"), (39.9, "low"), (40.0, "enough"), (np.nan, "")])
def test_buffer_words(alkalinity: float, word: str) -> None:
    water = pd.DataFrame({"alkalinity_mg_l_caco3": [alkalinity]})

    assert indices.corrosion_ratios(water)["buffer_class"].item() == word


@pytest.mark.common_practice
def test_the_note_says_where_the_ratio_was_never_meant_to_go() -> None:
    water = pd.DataFrame({"alkalinity_mg_l_caco3": [30.0, 120.0]})

    notes = indices.corrosion_ratios(water)["note"]

    assert notes.str.startswith("planning note, not a verdict").all()
    assert notes.str.contains("below that of the waters").tolist() == [True, False]


@settings(max_examples=25)
@given(st.permutations(range(3)))
def test_the_order_of_the_rows_changes_nothing(order: list[int]) -> None:
    waters = pd.concat([WATERS, WATERS.iloc[[0]].assign(sulfate_mg_l=np.nan)], ignore_index=True)

    found = indices.corrosion_ratios(waters)

    pd.testing.assert_frame_equal(indices.corrosion_ratios(waters.iloc[order]), found.iloc[order])


@pytest.mark.parametrize("module", [indices, index_classes])
def test_examples_run(module: object) -> None:
    assert doctest.testmod(module).failed == 0  # type: ignore[arg-type]

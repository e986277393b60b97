"""Limits at the machine's inlet, and the words for the cup."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.assess.corrosion import CorrosionLimits, corrosion
from pipeline.assess.extraction import cup_words
from pipeline.assess.hardness_classes import classes_of, country_codes

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.normalise.sample_table import SampleTable

    Build = Callable[..., SampleTable]


def metal(
    samples: SampleTable, *, concentration: float = 1.0, probe: bool = False, aluminium: bool = False
) -> pd.Series:
    machines = pd.DataFrame(
        {"concentration": concentration, "level_probe": probe, "aluminium": aluminium}, index=samples.about.index
    )
    return corrosion(samples, machines, CorrosionLimits()).iloc[0]


FINE = {"alk": 60.0, "ph": 7.2, "cl": 20.0, "ec": 300.0}


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("change", "level", "word"),
    [
        ({}, 0, ""),
        ({"cl": 38.0}, 1, "chloride 38 mg/L (attention above 30)"),
        ({"cl": 51.0}, 2, "chloride 51 mg/L (act above 50)"),
        ({"cl": 120.0}, 2, "only reverse osmosis"),
        ({"so4": 120.0}, 1, "sulfate 120"),
        ({"ph": 6.6}, 1, "pH 6.6 (attention below 6.8)"),
        ({"ph": 6.4}, 2, "pH 6.4 (act below 6.5)"),
        ({"alk": 35.0}, 1, "alkalinity 35"),
        ({"alk": 20.0}, 2, "alkalinity 20 mg/L (act below 25)"),
        ({"sio2": 30.0}, 1, "silica 30"),
        ({"fe": 0.3}, 2, "iron 0.30"),
        ({"chlorine": 0.08}, 1, "chlorine 0.08"),
    ],
)
def test_limits_at_the_inlet(waters: Build, change: dict[str, float], level: int, word: str) -> None:
    found = metal(waters(**{**FINE, **change}))

    assert found["level"] == level
    assert word in found["notes"]


@pytest.mark.common_practice
def test_a_boiler_drained_weekly_more_than_doubles_its_chloride(waters: Build) -> None:
    """38 mg/L × 2.26 = 86 after a week; 41 × 3.52 = 144 after two; 100 × 2.26 is above 200."""
    assert metal(waters(cl=38.0), concentration=2.26)["steam_chloride_mg_l"] == pytest.approx(86, abs=0.5)
    assert metal(waters(cl=41.0), concentration=3.52)["steam_chloride_mg_l"] == pytest.approx(144, abs=0.5)
    assert "chloride in the steam boiler 226" in metal(waters(cl=100.0), concentration=2.26)["notes"]
    assert np.isnan(metal(waters(cl=38.0))["steam_chloride_mg_l"])


@pytest.mark.common_practice
def test_only_a_level_probe_minds_thin_water_and_only_aluminium_high_ph(waters: Build) -> None:
    assert metal(waters(**{**FINE, "ec": 50.0}))["level"] == 0
    assert metal(waters(**{**FINE, "ec": 50.0}), probe=True)["level"] == 1
    assert metal(waters(**{**FINE, "ph": 8.7}))["level"] == 0
    assert metal(waters(**{**FINE, "ph": 8.7}), aluminium=True)["level"] == 1


def test_a_reading_below_a_limit_counts_only_where_it_decides(waters: Build) -> None:
    """Chloride "<10" is fine, "<60" is not known; alkalinity "<17.8" is low."""
    fine = metal(waters(cl=[np.nan], cl__low=[0.0], cl__high=[10.0], ph=[7.2]))
    unclear = metal(waters(cl=[np.nan], cl__low=[0.0], cl__high=[60.0], ph=[7.2]))
    low = metal(waters(alk=[np.nan], alk__low=[0.0], alk__high=[17.8], ph=[7.2], cl=[5.0]))

    assert (fine["level"], fine["unknowns"]) == (0, "")
    assert (unclear["level"], unclear["unknowns"]) == (0, "chloride not measured")
    assert low["level"] == 2


@pytest.mark.source("LS1958")
def test_ratios_are_remarks_and_never_a_level(waters: Build) -> None:
    """KH 4 after a decarboniser: (38/35.453 + 2·55/96.063)/(71.4/50.043) = 1.556, above 1.2, and still a note."""
    found = metal(waters(**{**FINE, "alk": 71.4, "cl": 29.9, "so4": 99.0}))

    assert found["larson_skold"] == pytest.approx((29.9 / 35.453 + 2 * 99 / 96.0626) / (71.4 / 50.04345), rel=1e-4)
    assert "mild steel" in found["remarks"]
    assert found["level"] == 0


@pytest.mark.source("BELITZ2016")
def test_a_high_mass_ratio_at_low_alkalinity_is_remarked(waters: Build) -> None:
    """Above 0.5 with less than 50 mg/L alkalinity."""
    assert "joints with lead" in metal(waters(**{**FINE, "alk": 45.0, "so4": 20.0}))["remarks"]


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"alk": 20.0}, "Acids stand out"),
        ({"alk": 60.0}, "Acids in balance"),
        ({"alk": 143.0}, "Flat and chalky"),
        ({"th": 20.0}, "empty, weak"),
        ({"th": 214.0, "alk": 143.0}, "heavy and muddy"),
        ({"alk": 260.0, "na": 167.0}, "shots may choke"),
        ({"alk": 267.7, "th": 17.0}, "sodium carries the alkalinity"),
        ({"chlorine": 0.8}, "medicinal"),
        ({"cl": 120.0}, "salty"),
        ({"so4": 160.0}, "bitter edge"),
        ({"fe": 0.15}, "metallic"),
        ({"na": 65.0}, "sodium can be tasted"),
    ],
)
def test_words_for_the_cup(waters: Build, change: dict[str, float], word: str) -> None:
    assert word in cup_words(waters(**{"th": 100.0, "alk": 60.0, **change})).item()


def test_nothing_known_says_nothing(waters: Build) -> None:
    assert cup_words(waters(temperature=15.0)).item() == ""


@pytest.mark.parametrize(
    ("scale", "hardness", "word"),
    [
        pytest.param("Germany (detergents act)", 1.49 * 100.0869, "soft", marks=pytest.mark.source("WRMG2007")),
        pytest.param("Germany (detergents act)", 1.5 * 100.0869, "medium", marks=pytest.mark.source("WRMG2007")),
        pytest.param("Germany (detergents act)", 2.5 * 100.0869, "medium", marks=pytest.mark.source("WRMG2007")),
        pytest.param("Germany (detergents act)", 2.51 * 100.0869, "hard", marks=pytest.mark.source("WRMG2007")),
        pytest.param("Switzerland", 69.0, "very soft", marks=pytest.mark.source("CHSPEC")),
        pytest.param("Switzerland", 260.0, "fairly hard", marks=pytest.mark.source("CHSPEC")),
        pytest.param("Switzerland", 421.0, "very hard", marks=pytest.mark.source("CHSPEC")),
        pytest.param("United States (geological survey)", 60.0, "soft", marks=pytest.mark.source("USGSHARD")),
        pytest.param("United States (geological survey)", 154.1, "hard", marks=pytest.mark.source("USGSHARD")),
        pytest.param("United States (trade)", 50.0, "slightly hard", marks=pytest.mark.source("USTRADE")),
        pytest.param("United Kingdom (regulator)", 100.0, "soft", marks=pytest.mark.source("UKREG")),
        pytest.param("United Kingdom (utilities)", 100.0, "moderately soft", marks=pytest.mark.source("UKUTIL")),
        pytest.param("Italy (utility)", 320.0, "hard", marks=pytest.mark.source("ITUTIL")),
    ],
)
def test_published_hardness_classes(scale: str, hardness: float, word: str) -> None:
    country = {"Germany": "DE", "Switzerland": "CH", "United States": "US", "United Kingdom": "GB", "Italy": "IT"}

    found = classes_of(pd.Series([hardness], index=["a"]), pd.Series([country[scale.partition(" (")[0]]], index=["a"]))

    assert found.set_index("scale")["word"][scale] == word


def test_a_country_with_two_scales_gets_both() -> None:
    found = classes_of(pd.Series([100.0, 100.0], index=["a", "b"]), pd.Series(["UK", "Atlantis"], index=["a", "b"]))

    assert found["sample_id"].tolist() == ["a", "a"]
    assert found["word"].tolist() == ["soft", "moderately soft"]
    assert country_codes(pd.Series([" Schweiz ", "x"])).tolist() == ["CH", ""]

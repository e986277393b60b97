"""Settings that cannot be, waters that are not complete, and what is said of them."""

from __future__ import annotations

import doctest
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.errors import KettlestoneError
from pipeline.reference import table
from pipeline.treat.processes import media, treatments, venting
from pipeline.treat.processes.trains import stages_of
from pipeline.treat.processes.treatments import TREATMENTS, blend_waters, treat, vented
from pipeline.words import LANGUAGES, say
from schemas.columns import ANALYTES, WIDE_COLUMNS

if TYPE_CHECKING:
    from types import ModuleType

KIT = pd.DataFrame([{"total_hardness_mg_l_caco3": 250.0, "alkalinity_mg_l_caco3": 200.0, "ph": 7.4}])


@pytest.mark.parametrize(
    ("name", "settings", "message"),
    [
        ("magnet", {}, 'treatment "magnet" is not known'),
        ("softener", {"bypass": 1.2}, "bypass is 1.2; give 0 to 1"),
        ("softener", {"bypass": -0.1}, "bypass is -0.1"),
        ("softener", {"bypass": float("nan")}, "bypass is nan"),
        ("softener", {"hydrogen_share": 0.5}, "hydrogen_share cannot be set; what can be set: bypass"),
        ("none", {"bypass": 0.5}, "what can be set: nothing"),
        ("decarboniser", {"bypass": [0.1, 0.2]}, "bypass has 2 values for 1 waters"),
        ("reverse osmosis", {"rejection_sodium": 1.5}, "rejection_sodium is 1.5"),
        ("blend", {}, "needs a second water"),
        ("unsoftened tap", {}, "give hardness_mg_l_caco3"),
    ],
)
def test_what_cannot_be_set_is_named(name: str, settings: dict[str, float], message: str) -> None:
    with pytest.raises(KettlestoneError, match=message):
        treat(KIT, name, settings)


def test_a_second_water_only_where_one_belongs() -> None:
    with pytest.raises(KettlestoneError, match="takes no second water"):
        treat(KIT, "softener", other=KIT)
    with pytest.raises(KettlestoneError, match="one second water or one per water"):
        treat(KIT, "blend", other=pd.concat([KIT] * 3))
    assert treat(KIT, "blend", other=KIT.iloc[0])["ph"].item() == pytest.approx(7.4, abs=1e-3)


def test_more_hardness_given_back_than_sodium_allows_is_an_error_of_the_readings() -> None:
    softened = KIT.assign(total_hardness_mg_l_caco3=5.0, sodium_mg_l=30.0)

    with pytest.raises(KettlestoneError, match="too little sodium"):
        treat(softened, "unsoftened tap", {"hardness_mg_l_caco3": 300.0})


@pytest.mark.parametrize("left", [0.0, -1.0, float("nan")])
def test_open_water_keeps_some_carbon_dioxide(left: float) -> None:
    with pytest.raises(KettlestoneError, match="co2_mg_l"):
        vented(KIT, left)


def test_without_ph_there_is_a_range_and_no_middle() -> None:
    """A groundwater (log pCO2 -1.5) and a water that met the air (-3.4) bound the pH."""
    blind = KIT.drop(columns="ph")

    treated = treat(blind, "decarboniser", {"bypass": 0.3}).iloc[0]

    assert np.isnan(treated["ph"])
    assert treated["ph_low"] < treated["ph_high"]
    assert treated["alkalinity_mg_l_caco3"] == pytest.approx(60.0)
    assert "pH missing" in treated["assumption"]
    assert vented(blind, 2.0)["ph"].notna().all()


def test_a_calcite_bed_says_nothing_without_ph() -> None:
    treated = treat(KIT.drop(columns="ph"), "calcite contact").iloc[0]

    assert np.isnan(treated["alkalinity_mg_l_caco3"])
    assert "ph" in TREATMENTS["calcite contact"].needs


def test_what_was_not_measured_stays_missing() -> None:
    treated = treat(KIT.assign(conductivity_us_cm_25c=560.0), "softener").iloc[0]

    for name in ("calcium_mg_l", "sodium_mg_l", "chloride_mg_l", "silica_mg_l", "iron_mg_l"):
        assert np.isnan(treated[name]), name
    assert treated["sodium_added_mg_l"] == pytest.approx(250.0 * 0.4594, rel=1e-3)
    assert treated["conductivity_us_cm_25c"] == pytest.approx(560.0, rel=0.05)  # a softener keeps it, ±5 %


def test_hardness_without_alkalinity_still_follows_a_softener() -> None:
    treated = treat(KIT.drop(columns="alkalinity_mg_l_caco3"), "softener", {"bypass": 0.2}).iloc[0]

    assert treated["total_hardness_mg_l_caco3"] == pytest.approx(50.0)
    assert np.isnan(treated["ph"])
    assert "alkalinity missing" in treated["reason"]


def test_nothing_known_gives_nothing() -> None:
    treated = treat(pd.DataFrame([{"tds_mg_l": 300.0}]), "decarboniser").iloc[0]

    for name in ("total_hardness_mg_l_caco3", "alkalinity_mg_l_caco3", "ph", "conductivity_us_cm_25c"):
        assert np.isnan(treated[name]), name
    assert treated["reason"]


def test_the_meter_keeps_its_offset() -> None:
    """A meter that reads 10 % more than the ions give does so behind the treatment too."""
    ions = pd.DataFrame([{"calcium_mg_l": 80.0, "magnesium_mg_l": 12.0, "sodium_mg_l": 20.0, "chloride_mg_l": 36.0,
                          "sulfate_mg_l": 40.0, "alkalinity_mg_l_caco3": 205.0, "ph": 7.4}])  # fmt: skip
    exact = treat(ions, "none")["conductivity_us_cm_25c"].item()

    plain = treat(ions, "reverse osmosis").iloc[0]
    offset = treat(ions.assign(conductivity_us_cm_25c=1.1 * exact), "reverse osmosis").iloc[0]

    assert offset["conductivity_us_cm_25c"] == pytest.approx(1.1 * plain["conductivity_us_cm_25c"])


def test_the_waters_are_not_changed_and_all_columns_are_there() -> None:
    before = KIT.copy()

    treated = treat(KIT, "decarboniser")

    pd.testing.assert_frame_equal(KIT, before)
    assert set(WIDE_COLUMNS) - set(treated.columns) == {ANALYTES["phenolphthalein_alkalinity"].column}


def test_no_waters_give_no_rows() -> None:
    assert len(treat(KIT.iloc[:0], "softener")) == 0


def test_shares_of_a_blend_must_add_up() -> None:
    pair = pd.concat([KIT, KIT]).set_axis(["a", "b"])

    with pytest.raises(ValueError, match="shares"):
        blend_waters(pair, pd.Series({"a": 0.5, "b": 0.6}))


@pytest.mark.parametrize("name", TREATMENTS)
def test_every_treatment_has_a_name_in_every_language_and_a_known_source(name: str) -> None:
    known = set(table("sources")["key"])
    treatment = TREATMENTS[name]

    assert all(say(treatment.title, language) for language in LANGUAGES)
    assert {treatment.source, *(setting.source for setting in treatment.settings)} <= known
    for setting in treatment.settings:
        assert np.isnan(setting.default) or setting.low <= setting.default <= setting.high, setting.name


def test_the_tables_and_the_code_name_the_same_treatments() -> None:
    assert set(table("treatments")["treatment"]) == {stage for name in TREATMENTS for stage in stages_of(name)}
    assert set(table("treatment_settings")["treatment"]) <= set(TREATMENTS)


@pytest.mark.parametrize("name", ["salts", "capacity_units", "treatments", "treatment_settings"])
def test_every_figure_has_a_citation(name: str) -> None:
    assert set(table(name)["source"]) <= set(table("sources")["key"])


@pytest.mark.parametrize("module", [media, treatments, venting])
def test_examples_run(module: ModuleType) -> None:
    assert doctest.testmod(module).failed == 0

"""Settings: inside profile and machine where that can be, the obstacle where it cannot, and the window around."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.assess.machines import known_machines
from pipeline.assess.profiles import Band, Profile, published
from pipeline.errors import KettlestoneError
from pipeline.treat.choosing import limits as held
from pipeline.treat.choosing.case import CONDUCTIVITY, Case
from pipeline.treat.choosing.optimise import evaluate_settings, optimise, targets
from pipeline.treat.processes.treatments import treat
from pipeline.words import Said, say

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.treat.advice import Option

    Build = Callable[..., Case]
    Week = dict[str, Case]

HARDNESS, ALKALINITY = "total_hardness_mg_l_caco3", "alkalinity_mg_l_caco3"
# Two bottled waters, ions as their labels print them.
LABELS = {
    "A": {"calcium_mg_l": 71, "magnesium_mg_l": 11, "sodium_mg_l": 6, "bicarbonate_mg_l": 256, "chloride_mg_l": 8},
    "B": {"calcium_mg_l": 4, "magnesium_mg_l": 1.2, "sodium_mg_l": 3, "bicarbonate_mg_l": 15, "chloride_mg_l": 3},
}


def obstacles(option: Option) -> list[str]:
    return [say(said).split(" would")[0] for said in option.obstacles]


@pytest.mark.common_practice
def test_a_raw_share_of_a_membrane_is_limited_by_chloride(case: Build) -> None:
    """Chloride 210 with 95 % rejection: (30 - 10.5)/(210 - 10.5) = 9.8 %, and then alkalinity is missing."""
    option = optimise(case("dual boiler", th=280, alk=180, ec=1200, cl=210, na=120, ph=7.6), "reverse osmosis")

    assert option.settings["bypass"] == pytest.approx(19.5 / 199.5, rel=5e-3)
    assert option.predicted["chloride_mg_l"].value == pytest.approx(30.0, rel=1e-3)
    assert not option.fits
    assert obstacles(option) == ["Hardness", "Alkalinity"]


@pytest.mark.common_practice
def test_a_brewer_may_have_more_chloride_than_hot_steel(case: Build) -> None:
    water = {"th": 280, "alk": 180, "ec": 1200, "cl": 210, "na": 120, "ph": 7.6}

    assert optimise(case("brewer", **water), "reverse osmosis").predicted["chloride_mg_l"].value > 30.0


@pytest.mark.common_practice
def test_softening_for_sodium_below_taste_leaves_the_hardness(case: Build) -> None:
    """Of 392.5 only 104 mg/L may be exchanged until 12 mg/L of sodium are 60: 288 would stay."""
    option = optimise(case("brewer", th=392.5, alk=267.4, na=12, cl=36, so4=95, ec=782, ph=7.4), "softener")

    assert not option.fits
    assert "Alkalinity" in obstacles(option)


@pytest.mark.common_practice
def test_a_decarboniser_cannot_reach_what_the_hardness_does_not_allow(case: Build) -> None:
    """Soda water: hardness 60 is all the resin can take of an alkalinity of 400."""
    option = optimise(case("brewer", th=60, alk=400, ec=900, na=170, cl=20, ph=8.1), "decarboniser")

    assert not option.fits
    assert option.predicted[ALKALINITY].value >= 400.0 - 60.0 - 0.5
    assert "Alkalinity" in obstacles(option)


@pytest.mark.common_practice
def test_the_window_ends_at_limits_and_says_which(scenarios: Week) -> None:
    """P2, no steam: alkalinity 40 … 75 of 110 is 36.4 … 68.2 %."""
    window = optimise(scenarios["P2"], "decarboniser").window[0]

    assert window.low == pytest.approx(40.0 / 110.0, abs=1e-3)
    assert window.high == pytest.approx(75.0 / 110.0, abs=1e-3)
    assert [end.code for end in window.ends[:2]] == ["choose.end.low.limit", "choose.end.high.limit"]
    assert window.ends[2].code == "choose.window.sure"


@pytest.mark.common_practice
def test_steam_ends_the_window_earlier_than_the_cup(case: Build) -> None:
    water = {"th": 154.1, "alk": 110, "ec": 412, "ph": 7.9}
    brewer, steam = (
        optimise(case(machine, **water), "decarboniser").window[0] for machine in ("brewer", "dual boiler")
    )

    assert steam.high < brewer.high
    assert steam.ends[1].values["quantity"] == Said("choose.quantity.scale")  # noqa: PD011 - a mapping


@pytest.mark.common_practice
def test_coarse_readings_make_every_setting_only_probable(case: Build) -> None:
    """A kit that reads alkalinity to ± 35 of 110 cannot prove a band 35 wide."""
    option = optimise(case("brewer", th=154.1, alk=110, ec=412, ph=7.9, u={"alk": 70, "th": 20}), "decarboniser")

    assert option.fits
    assert option.window[0].ends[2].code == "choose.window.probably"


@pytest.mark.common_practice
def test_drops_push_the_certain_settings_below_the_usual_one(scenarios: Week) -> None:
    """P1: 27.3 % is 3 of 11 degrees; with both kits at their ends only less is certain in a steam boiler.

    What is advised is the mark of the valve that is certain, and the usual setting is told.
    """
    option = optimise(scenarios["P1"], "decarboniser")
    window = option.window[0]

    assert window.usual == pytest.approx(53.5 / 196.3, rel=5e-3)
    assert window.low < window.sure_low <= option.settings["bypass"] <= window.sure_high + 0.005
    assert window.sure_high < window.usual < window.high
    assert option.settings["bypass"] == pytest.approx(0.25)


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("machine", "profile", "alkalinity"),
    [("brewer", "European water chart 2016", 60.0), ("heat exchanger", "2018 handbook", 53.5),
     ("heat exchanger", "2009 standard", 40.0)],
)  # fmt: skip
def test_the_profile_counts_more_than_the_trade(case: Build, machine: str, profile: str, alkalinity: float) -> None:
    assert targets(case(machine, profile, th=1, alk=1), "decarboniser")[0] == alkalinity


def test_a_profile_without_an_ideal_is_aimed_at_in_its_middle(case: Build) -> None:
    own = Profile("own", (Band("alkalinity", 20.0, math.nan, 30.0, essential=True, source="CP"),))

    assert targets(replace(case(th=1, alk=1), profile=own), "decarboniser")[0] == 25.0
    assert math.isnan(targets(case(th=1, alk=1), "decarboniser")[1])


def test_an_impossible_profile_is_not_reached_and_says_why(case: Build) -> None:
    """Much hardness with no alkalinity: salts could, resin and membrane cannot."""
    bands = (
        Band("total_hardness", 300.0, math.nan, 320.0, essential=True, source="CP"),
        Band("alkalinity", 1.0, math.nan, 5.0, essential=True, source="CP"),
    )
    water = replace(case("brewer", th=154.1, alk=110, ec=412, ph=7.9), profile=Profile("odd", bands))

    for treatment in ("decarboniser", "reverse osmosis", "demineraliser", "none"):
        option = optimise(water, treatment)
        assert not option.fits
        assert option.obstacles
        assert option.window == ()


@pytest.mark.common_practice
def test_chloride_salts_are_used_only_where_nothing_else_can(case: Build) -> None:
    """W8's targets of hardness 60 and alkalinity 45 need no chloride; a water full of sulfate does."""
    plain = optimise(case("single boiler", th=0, alk=0, ec=2, ph=5.7), "salt dosing")
    sulfate = optimise(case("brewer", th=0, alk=0, so4=249, na=1, cl=1, ec=500, ph=6.0), "salt dosing")

    assert set(plain.settings) == {"sodium_bicarbonate_mg_l", "magnesium_sulfate_heptahydrate_mg_l"}
    assert any("chloride" in salt for salt in sulfate.settings)


def test_a_recipe_that_cannot_be_names_what_stands_in_the_way(case: Build) -> None:
    option = optimise(case(th=20, alk=20, na=300, cl=10, ec=1200, ph=7.0), "salt dosing")

    assert not option.fits
    assert option.settings == {}
    assert option.obstacles[0] == Said("choose.obstacle.recipe", {"quantity": Said("choose.quantity.sodium")})


@pytest.mark.source("IUPAC2021")
def test_the_recipe_brings_what_it_says(case: Build) -> None:
    """Hardness 2.4973 Ca + 4.1180 Mg and alkalinity of what was dosed."""
    option = optimise(case("single boiler", th=10, alk=5, ec=30, ph=6.5), "salt dosing")

    assert option.predicted[HARDNESS].value == pytest.approx(60.0, rel=1e-3)
    assert option.predicted[ALKALINITY].value == pytest.approx(45.0, rel=1e-3)


@pytest.mark.common_practice
def test_a_blend_of_two_labels_is_their_arithmetic(case: Build) -> None:
    """Alkalinity 50 of 210.0 and 12.3: (50 - 12.3)/(210.0 - 12.3) = 19.1 % of the hard one, 80.9 % of the soft."""
    labels = pd.DataFrame(LABELS).T
    hard = case("brewer", ca=71, mg=11, na=6, hco3=256, cl=8, so4=19, ec=430, ph=7.5)

    option = optimise(hard, "blend", labels.loc["B"].astype("float64"))

    assert option.settings["share"] == pytest.approx(1.0 - 0.191, abs=2e-3)
    assert option.predicted[HARDNESS].value == pytest.approx(54.5, rel=5e-3)


def test_what_comes_out_carries_the_uncertainty_of_what_went_in(case: Build) -> None:
    """A bypass passes on its share of the alkalinity's uncertainty: 0.273 × 25 = 6.8."""
    option = optimise(case(th=249.9, alk=196.3, ec=533, ph=7.4, u={"alk": 25}), "decarboniser")
    out = option.predicted[ALKALINITY]

    assert out.high - out.value == pytest.approx(option.settings["bypass"] * 25.0, rel=1e-2)
    assert out.value - out.low == pytest.approx(out.high - out.value, rel=1e-6)


@pytest.mark.source("SCCOMP")
def test_no_conductivity_is_promised_to_a_tenth(case: Build) -> None:
    """However well the raw water was read, what a membrane passes is not known to better than 8 %."""
    option = optimise(case(th=240, alk=170, cl=148, na=88, ec=905, ph=7.5, u={"alk": 1, "ec": 1}), "reverse osmosis")
    out = option.predicted["conductivity_us_cm_25c"]

    assert out.high - out.value >= 0.08 * out.value
    assert out.value - out.low >= 0.08 * out.value


def test_an_untested_tap_promises_its_alkalinity_and_nothing_else(scenarios: Week) -> None:
    option = optimise(scenarios["P4"], "unsoftened tap")

    assert set(option.predicted) == {ALKALINITY}
    assert [said.code for said in option.obstacles] == ["choose.obstacle.same_alkalinity"]


def test_without_a_conductivity_or_ph_less_is_predicted_and_nothing_breaks(case: Build) -> None:
    option = optimise(case(th=250, alk=196), "decarboniser")

    assert option.settings["bypass"] == pytest.approx(53.5 / 196.0, rel=5e-3)
    assert option.predicted["ph"].low < option.predicted["ph"].high
    assert math.isnan(option.predicted["ph"].value)
    assert "chloride_mg_l" not in option.predicted


@pytest.mark.parametrize(
    ("treatment", "water", "says"),
    [("philosopher's stone", {"th": 1, "alk": 1}, "is not known"), ("decarboniser", {"th": 200}, "must be known"),
     ("decarboniser", {"alk": 200}, "must be known"), ("blend", {"th": 200, "alk": 100}, "second water")],
)  # fmt: skip
def test_bad_input_is_refused_with_a_reason(case: Build, treatment: str, water: dict[str, float], says: str) -> None:
    with pytest.raises(KettlestoneError, match=says):
        optimise(case(**water), treatment)


@pytest.mark.parametrize(
    ("given", "says"),
    [({"bypass": 1.5}, "bypass is 1.5"), ({"bypass": -0.1}, "bypass is -0.1"), ({"knob": 1.0}, "knob")],
)
def test_a_setting_out_of_its_range_is_refused(case: Build, given: dict[str, float], says: str) -> None:
    with pytest.raises(KettlestoneError, match=says):
        evaluate_settings(case(th=250, alk=196), "decarboniser", given)


@pytest.mark.common_practice
def test_a_setting_of_ones_own_is_worked_out(case: Build) -> None:
    """Closed: 250 - 196 of hardness stays, and no alkalinity."""
    option = evaluate_settings(case("brewer", th=250, alk=196, ph=7.4), "decarboniser", {"bypass": 0.0})

    assert option.predicted[HARDNESS].value == pytest.approx(54.0, rel=5e-3)
    assert obstacles(option) == ["Alkalinity"]


def test_what_cannot_be_solved_is_not_called_fitting(case: Build) -> None:
    """A pH of 3.7 beside an alkalinity of 0 gives the calcite nothing to be worked out from."""
    option = optimise(case(th=95.1, alk=0, ec=529, cl=0, ph=3.7), "calcite contact")

    assert not option.fits
    assert option.obstacles == (Said("choose.obstacle.unsolved"),)


@settings(max_examples=12)
@given(st.floats(20.0, 450.0), st.floats(10.0, 350.0), st.sampled_from(["decarboniser", "reverse osmosis", "softener"]))
def test_whatever_fits_keeps_every_limit_and_its_window_too(hardness: float, alkalinity: float, treatment: str) -> None:
    water = pd.Series(
        {HARDNESS: hardness, ALKALINITY: alkalinity, "ph": 7.5, "chloride_mg_l": 20.0, "sodium_mg_l": 9.0}
    )
    one = Case(water, 0.05 * water, "ok", known_machines()["dual boiler"], published()["European water chart 2016"])

    option = optimise(one, treatment)

    if option.fits:
        window = option.window[0]
        inside = np.linspace(window.low + 1e-6, window.high - 1e-6, 5)
        treated = treat(pd.DataFrame([water] * 5), treatment, {"bypass": inside})
        columns = {name: treated[name].to_numpy(dtype="float64") for name in held_columns()}
        assert held.excesses(held.limits_for(one, treatment), held.limited_figures(one, columns)).max() < 1e-3
        assert window.low - 1e-9 <= option.settings["bypass"] <= window.high + 1e-9
    else:
        assert option.obstacles


def held_columns() -> tuple[str, ...]:
    return (
        HARDNESS,
        "calcium_hardness_mg_l_caco3",
        ALKALINITY,
        held.SODIUM,
        held.CHLORIDE,
        held.SULFATE,
        CONDUCTIVITY,
    )

"""Cautions: what is always said, and what only where it belongs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pipeline.assess.machines import known_machines
from pipeline.treat.advice import Advice, Range
from pipeline.treat.choosing.cautions import CAUTION_LEVELS, cautions_for, severities
from pipeline.words import LANGUAGES, Said, say

if TYPE_CHECKING:
    from collections.abc import Mapping

ALWAYS = {"caution.purpose", "caution.precedence", "caution.estimate", "caution.electricity"}
MILD = {
    "alkalinity_mg_l_caco3": Range(50.0, 45.0, 55.0, "mg/L"),
    "ph": Range(7.4, 7.3, 7.5, "[pH]"),
    "sodium_mg_l": Range(8.0, 7.0, 9.0, "mg/L"),
    "scale_steam_mg_l": Range(2.0, 1.0, 3.0, "mg/L"),
}


def test_a_water_with_little_buffer_as_it_comes_warns_of_pipes_whatever_comes_out() -> None:
    """The salts mend what is behind them; the pipe before them still meets the soft water."""
    assert "caution.pipes" in said("salt dosing", row="10")
    assert "caution.pipes" not in said("salt dosing", row="10b")


def said(treatment: str, machine: str = "brewer", predicted: Mapping[str, Range] = MILD, row: str = "6") -> set[str]:
    advice = Advice("decided", row, treatment, {}, predicted, ())
    return {one.code for one in cautions_for(advice, known_machines()[machine])}


def test_a_brewer_with_good_water_hears_only_what_everyone_hears() -> None:
    assert said("none") == ALWAYS


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("treatment", "machine", "code"),
    [
        ("none", "heat exchanger", "caution.pressure"),
        ("none", "thermoblock", "caution.aluminium"),
        ("none", "single boiler", "caution.tank"),
        ("decarboniser", "brewer", "caution.media"),
        ("decarboniser", "brewer", "caution.acid_water"),
        ("decarboniser", "brewer", "caution.backflow"),
        ("carbon", "brewer", "caution.cold_supply"),
        ("softener", "brewer", "caution.brine"),
        ("softener", "brewer", "caution.sodium"),
        ("unsoftened tap", "brewer", "caution.sodium"),
        ("reverse osmosis", "brewer", "caution.pure"),
        ("reverse osmosis", "brewer", "caution.membrane"),
        ("reverse osmosis", "brewer", "caution.pipes"),
        ("reverse osmosis", "brewer", "caution.waste"),
        ("demineraliser", "brewer", "caution.pure"),
        ("salt dosing", "single boiler", "caution.food_grade"),
        ("salt dosing", "single boiler", "caution.label"),
    ],
)
def test_a_treatment_or_machine_brings_its_caution(treatment: str, machine: str, code: str) -> None:
    assert code in said(treatment, machine)
    assert code not in said("none")


@pytest.mark.source("EPA822")
@pytest.mark.parametrize(("high", "spoken"), [(20.0, False), (20.5, True)])
def test_sodium_above_20_is_said_with_its_uncertainty(high: float, spoken: bool) -> None:
    water = MILD | {"sodium_mg_l": Range(15.0, 10.0, high, "mg/L")}

    assert ("caution.sodium" in said("none", predicted=water)) is spoken


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("name", "reading", "code"),
    [
        ("alkalinity_mg_l_caco3", Range(42.0, 38.0, 46.0, "mg/L"), "caution.pipes"),
        ("ph", Range(6.9, 6.7, 7.1, "[pH]"), "caution.pipes"),
        ("scale_steam_mg_l", Range(4.0, 2.0, 6.0, "mg/L"), "caution.descaling"),
    ],
)
def test_a_figure_that_may_pass_its_limit_brings_the_caution(name: str, reading: Range, code: str) -> None:
    assert code in said("none", predicted=MILD | {name: reading})


def test_where_nothing_is_predicted_the_cautions_that_hang_on_figures_are_said() -> None:
    assert {"caution.descaling", "caution.pipes"} <= said("none", predicted={})


def test_a_health_matter_is_said_first() -> None:
    advice = Advice("cannot advise", "1", "", {}, {}, ())

    assert cautions_for(advice, known_machines()["brewer"])[0] == Said("caution.health")


def test_the_gravest_come_first() -> None:
    advice = Advice("decided", "4", "reverse osmosis", {}, {}, ())
    rank = [
        CAUTION_LEVELS.index(severities()[one.code]) for one in cautions_for(advice, known_machines()["dual boiler"])
    ]

    assert rank == sorted(rank)
    assert set(severities().values()) == set(CAUTION_LEVELS)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("code", sorted(severities()))
def test_every_caution_can_be_said(code: str, language: str) -> None:
    assert say(Said(code), language).endswith(".")


@pytest.mark.common_practice
def test_acid_and_chlorine_are_never_to_be_mixed() -> None:
    assert "Never mix it with bleach" in say(Said("caution.descaling"))
    assert "Nie mit Chlorreiniger" in say(Said("caution.descaling"), "de")

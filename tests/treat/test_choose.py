"""Which treatment, how set, or none: six settled scenarios, waters of many kinds, and bad input."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from pipeline.reference import table
from pipeline.treat.choosing.case import drain_of
from pipeline.treat.choosing.choose import choose
from pipeline.treat.choosing.decision import decision_rows, matching_row
from pipeline.words import LANGUAGES, say, sentences_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.treat.advice import Advice
    from pipeline.treat.choosing.case import Case

    Build = Callable[..., Case]
    Week = dict[str, Case]
    Advised = dict[str, Advice]

HARDNESS, ALKALINITY = "total_hardness_mg_l_caco3", "alkalinity_mg_l_caco3"


@pytest.fixture(scope="module")
def advised(scenarios: Week) -> Advised:
    return {name: choose(water) for name, water in scenarios.items()}


def codes(advice: Advice, part: str) -> list[str]:
    return [said.code for said in getattr(advice, part)]


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("name", "decision", "row", "treatment"),
    [
        ("P1", "conditional", "6", "decarboniser"),
        ("P2", "conditional", "6", "decarboniser"),
        ("P3", "decided", "5", "reverse osmosis"),
        ("P4", "conditional", "3", "unsoftened tap"),
        ("P5", "decided", "6", "decarboniser"),
        ("P6", "decided", "10", "salt dosing"),
    ],
)
def test_each_scenario_has_its_row(advised: Advised, name: str, decision: str, row: str, treatment: str) -> None:
    advice = advised[name]

    assert (advice.decision, advice.row, advice.treatment) == (decision, row, treatment)


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("name", "setting", "value"),
    [
        ("P1", "bypass", 0.25),  # 27.3 % is 3 of 11 German degrees; the mark that is certain in a steam boiler
        ("P2", "bypass", 60.0 / 110.0),  # 54.5 %: a brewer may have 60
        ("P3", "bypass", (50.0 - 13.0) / (260.0 - 13.0)),  # 15.0 %: permeate keeps 5 %
        ("P5", "bypass", 53.5 / 260.0),  # 20.6 %
        ("P6", "sodium_bicarbonate_mg_l", (45.0 - 22.3) / 0.5957),  # 38.1 mg/L
        ("P6", "magnesium_sulfate_heptahydrate_mg_l", (60.0 - 22.3) / 0.4061),  # 92.8 mg/L
    ],
)
def test_the_setting_is_the_arithmetic_of_the_trade(advised: Advised, name: str, setting: str, value: float) -> None:
    advice = advised[name]

    assert advice.settings[setting] == pytest.approx(value, rel=5e-3)


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("name", "column", "value"),
    [
        ("P1", HARDNESS, 249.9 - 0.75 * 196.3),
        ("P2", HARDNESS, 154.1 - (110.0 - 60.0)),
        ("P3", HARDNESS, 16.0 + 0.150 * (320.0 - 16.0)),
        ("P3", "chloride_mg_l", 2.05 + 0.150 * (41.0 - 2.05)),
        ("P5", HARDNESS, 314.7 - (260.0 - 53.5)),
        ("P6", ALKALINITY, 45.0),
    ],
)
def test_what_comes_out_is_the_arithmetic_of_the_trade(advised: Advised, name: str, column: str, value: float) -> None:
    advice = advised[name]

    assert advice.predicted[column].value == pytest.approx(value, rel=5e-3)


@pytest.mark.common_practice
def test_chloride_nobody_measured_is_the_condition_and_says_where_it_turns(advised: Advised) -> None:
    """The conductivity of P1 leaves room for chloride above 50, and its hardness none for sodium above 60."""
    advice = advised["P1"]
    said = [say(condition) for condition in advice.conditions]

    assert len(said) == 1
    assert said[0].startswith("Chloride was not measured")
    assert "Above 50 mg/L the answer is: reverse osmosis" in said[0]
    assert [option.treatment for option in advice.options] == ["decarboniser", "reverse osmosis"]


@pytest.mark.common_practice
def test_a_softened_tap_is_told_what_the_unsoftened_one_will_need(advised: Advised) -> None:
    """Alkalinity 55 from 267.7 is a bypass of 20.5 %; sodium at least (267.7 - 17.8) × 0.459 = 115 mg/L."""
    advice = advised["P4"]
    text = " ".join(say(said) for said in (*advice.conditions, *advice.reasons))

    assert "20.5 %" in text
    assert "about 115 to 159 mg/L" in text
    assert "caution.sodium" in codes(advice, "cautions")


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("water", "decision", "row", "treatment"),
    [
        # In the zone and cool enough: nothing is sold.
        ({"machine": "brewer", "th": 100, "alk": 60, "ec": 280, "cl": 15, "na": 8, "ph": 7.5},
         "decided", "8", "none"),
        ({"machine": "brewer", "th": 100, "alk": 60, "ec": 280, "cl": 15, "na": 8, "ph": 7.5, "free": 0.3},
         "decided", "8", "carbon"),
        # The same water scales a steam boiler: the owner chooses.
        ({"th": 120, "alk": 65, "ec": 300, "cl": 15, "na": 10, "ph": 7.8}, "conditional", "8s", "decarboniser"),
        # Hard chalk water of a city without a drain.
        ({"th": 300, "alk": 250, "ec": 640, "cl": 35, "na": 20, "ph": 7.4, "litres_per_day": 100.0, "drain": False},
         "decided", "6", "decarboniser"),
        # Soft northern water, plumbed: a mineral cartridge finds no carbon dioxide, so salts.
        ({"machine": "dual boiler", "th": 25, "alk": 20, "ec": 80, "cl": 7, "na": 4, "ph": 7.8},
         "decided", "10", "salt dosing"),
        # Salt of the coast.
        ({"machine": "dual boiler", "th": 280, "alk": 180, "ec": 1200, "cl": 210, "na": 120, "ph": 7.6, "drain": True},
         "decided", "4", "reverse osmosis"),
        ({"machine": "dual boiler", "th": 200, "alk": 150, "ec": 800, "cl": 120, "na": 70, "ph": 7.5, "drain": False,
          "litres_per_day": 60.0}, "decided", "4", "demineraliser"),
        # A soda spring: sodium is known, nothing was softened.
        ({"machine": "brewer", "th": 60, "alk": 400, "ec": 900, "na": 170, "cl": 20, "ph": 8.1,
          "supply": "soda spring", "drain": True}, "decided", "3b", "reverse osmosis"),
        # Permeate fed to a machine.
        ({"th": 5, "alk": 6, "ec": 15, "cl": 1, "na": 1, "ph": 5.8, "supply": "permeate"},
         "decided", "10", "salt dosing"),
        # Gypsum: hardness without alkalinity.
        ({"machine": "brewer", "th": 270, "alk": 60, "ec": 700, "cl": 30, "na": 15, "so4": 220, "ph": 7.5,
          "drain": True}, "decided", "7", "reverse osmosis"),
        # Much hardness of both kinds: a decarboniser would leave 210 behind.
        ({"machine": "brewer", "th": 290, "alk": 140, "ec": 700, "cl": 30, "na": 15, "so4": 120, "ph": 7.5,
          "drain": True}, "decided", "6r", "reverse osmosis"),
        # A home with three litres a day and a tank, hard water: a little resin in the tank is not enough.
        ({"machine": "single boiler", "th": 280, "alk": 220, "ec": 600, "cl": 30, "na": 15, "ph": 7.5,
          "litres_per_day": 3.0}, "decided", "6", "blend"),
        # The same home with milder water: the cartridge in the tank does it.
        ({"machine": "single boiler", "th": 130, "alk": 100, "ec": 330, "cl": 20, "na": 10, "ph": 7.5,
          "litres_per_day": 3.0}, "decided", "6", "tank cartridge"),
        # Thin buffer, nothing of copper, no acid: left alone.
        ({"machine": "brewer", "th": 60, "alk": 33, "ec": 170, "cl": 10, "na": 8, "ph": 7.4}, "decided", "9b", "none"),
        ({"machine": "heat exchanger", "th": 60, "alk": 30, "ec": 170, "cl": 10, "na": 8, "ph": 7.2},
         "decided", "9", "salt dosing"),
        ({"machine": "brewer", "th": 40, "alk": 50, "ec": 150, "cl": 8, "na": 10, "ph": 7.2}, "decided", "10b", "none"),
        # Iron first.
        ({"th": 220, "alk": 150, "ec": 500, "cl": 15, "na": 10, "fe": 0.5, "ph": 7.0},
         "conditional", "2", "decarboniser"),
        # The older standard asks for less alkalinity than the chart.
        ({"machine": "brewer", "profile": "2009 standard", "th": 80, "alk": 60, "ec": 220, "cl": 10, "na": 5},
         "decided", "6", "decarboniser"),
    ],
)  # fmt: skip
def test_waters_of_many_kinds(case: Build, water: dict[str, object], decision: str, row: str, treatment: str) -> None:
    advice = choose(case(**water))

    assert (advice.decision, advice.row, advice.treatment) == (decision, row, treatment)


@pytest.mark.source("EU2020")
@pytest.mark.parametrize(
    "water",
    [{"pb": 0.02}, {"cu": 2.5}, {"no3": 60}, {"supply": "private well"}],
    ids=["lead", "copper", "nitrate", "well"],
)
def test_a_matter_of_health_comes_before_any_treatment(case: Build, water: dict[str, object]) -> None:
    advice = choose(case(th=120, alk=65, ec=300, cl=15, na=10, **water))

    assert (advice.decision, advice.row, advice.treatment) == ("cannot advise", "1", "")
    assert "caution.health" in codes(advice, "cautions")
    assert codes(advice, "repeat") == ["choose.ask.authority"]


def test_a_well_that_was_tested_is_advised_on(case: Build) -> None:
    advice = choose(case("brewer", th=120, alk=60, ec=300, cl=15, na=10, supply="private well", tested=True))

    assert advice.treatment == "none"


@pytest.mark.parametrize(
    ("given", "missing"),
    [
        ({"tds": 206}, ["choose.missing.total_hardness", "choose.missing.alkalinity"]),
        ({"ec": 400, "th": 200}, ["choose.missing.alkalinity"]),
        ({"ec": 400, "alk": 200}, ["choose.missing.total_hardness"]),
    ],
)
def test_without_hardness_or_alkalinity_there_is_no_advice(
    case: Build, given: dict[str, float], missing: list[str]
) -> None:
    advice = choose(case(**given))

    assert advice.decision == "cannot advise"
    assert codes(advice, "reasons") == missing
    assert codes(advice, "repeat") == ["choose.measure_first"] * len(missing)


def test_ions_stand_for_hardness_and_alkalinity(case: Build) -> None:
    advice = choose(case(ca=98, mg=17, hco3=317, na=21, cl=38, ec=677, ph=7.3, drain=False))

    assert (advice.row, advice.treatment) == ("6", "decarboniser")


@pytest.mark.parametrize(
    "holds",
    [
        (("treatment-pattern", "total_hardness alkalinity"),),
        (("conductivity-vs-hardness", "conductivity total_hardness"), ("tds-vs-ions", "tds")),
    ],
)
def test_a_record_on_hold_gets_no_advice_but_the_questions(case: Build, holds: tuple[tuple[str, str], ...]) -> None:
    """The answer it would get stands among the options, marked as provisional."""
    advice = choose(case("brewer", th=154.1, alk=110, ec=206, holds=holds))

    assert (advice.decision, advice.row, advice.treatment) == ("cannot advise", "0", "")
    assert codes(advice, "repeat") == [f"checks.question.{check}" for check, _ in holds]
    assert "choose.provisional_set" in codes(advice, "reasons")
    assert [option.treatment for option in advice.options] == ["decarboniser"]
    assert not advice.settings


def test_a_hold_without_findings_asks_for_every_deciding_reading(case: Build) -> None:
    advice = choose(replace(case(th=154.1, alk=110), verdict="reject"))

    assert advice.decision == "cannot advise"
    assert len(advice.repeat) == 3


def test_a_conductivity_on_hold_is_left_out_and_said(case: Build) -> None:
    """Hardness and alkalinity stand: the advice does, too, on more conditions."""
    advice = choose(case("brewer", th=154.1, alk=110, ec=206, holds=(("conductivity-unit", "conductivity"),)))

    assert (advice.decision, advice.treatment) == ("conditional", "decarboniser")
    assert "choose.if.conductivity_held" in codes(advice, "conditions")
    assert codes(advice, "repeat") == ["checks.question.conductivity-unit"]


def test_water_from_the_hot_outlet_is_no_supply(case: Build) -> None:
    advice = choose(case(th=100, alk=60, stage="hot_outlet"))

    assert advice.decision == "cannot advise"
    assert codes(advice, "reasons") == ["choose.hot_outlet"]


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("alkalinity", "side", "other"), [(76, "below", "no treatment"), (74, "above", "decarboniser")]
)
def test_an_alkalinity_too_close_to_the_band_says_both_answers(
    case: Build, alkalinity: float, side: str, other: str
) -> None:
    """A drop kit cannot tell 76 ± 9 from 75: the answer of the other side is named."""
    advice = choose(case("brewer", th=100, alk=alkalinity, ec=260, cl=10, na=8, ph=7.8, u={"alk": 9}))
    said = say(advice.conditions[0])

    assert advice.decision == "conditional"
    assert advice.conditions[0].code == f"choose.turn.measured.{side}"
    assert other in said
    assert "75 mg/L" in said


def test_an_exact_alkalinity_decides(case: Build) -> None:
    advice = choose(case("brewer", th=100, alk=76, ec=260, cl=10, na=8, ph=7.8))

    assert advice.decision == "decided"


@pytest.mark.common_practice
def test_a_drain_nobody_mentioned_is_asked_for(scenarios: Week) -> None:
    advice = choose(replace(scenarios["P3"], drain=None))

    assert (advice.decision, advice.row) == ("conditional", "6")
    assert codes(advice, "conditions") == ["choose.turn.drain"]


def test_alkalinity_without_hardness_asks_for_the_softener(case: Build) -> None:
    advice = choose(case("brewer", th=60, alk=200, ec=420, ph=8.1))

    assert advice.row == "6b"
    assert "choose.turn.softened" in codes(advice, "conditions")


def test_nothing_of_the_case_is_changed(scenarios: Week) -> None:
    before = scenarios["P5"].raw.copy()

    choose(scenarios["P5"])

    pd.testing.assert_series_equal(scenarios["P5"].raw, before)


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("fitted", "code"),
    [("decarboniser", "same"), ("softener", "other"), ("a box of the uncle", "other")],
)
def test_what_is_fitted_is_looked_at_first(case: Build, fitted: str, code: str) -> None:
    advice = choose(case(th=250, alk=196, ec=533, cl=20, treatment=fitted))

    assert f"choose.note.fitted_{code}" in codes(advice, "reasons")


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_advice_can_be_said_in_every_language(advised: Advised, language: str) -> None:
    parts = ("reasons", "conditions", "cautions", "repeat")
    said = [say(one, language) for advice in advised.values() for part in parts for one in getattr(advice, part)]

    assert all(said)
    assert not [text for text in said if "nan" in text.split()]


def test_every_code_of_the_tables_can_be_said() -> None:
    english = sentences_of("en")
    devices = table("decision_devices")

    assert {row.reason for row in decision_rows()} | {row.proviso for row in decision_rows() if row.proviso} | set(
        devices["reason"]
    ) | set(table("cautions")["code"]) <= set(english)


def test_some_row_holds_for_every_hardness_and_alkalinity(case: Build) -> None:
    """No water falls between the rows: 30 × 30 of them, from nothing to very hard."""
    grid = [0.0, *(10.0 * step for step in range(1, 60, 2))]

    found = [matching_row(case("brewer", th=hardness, alk=alkalinity, cl=10, na=5, ph=7.5), 60.0).row
             for hardness in grid[::5] for alkalinity in grid[::5]]  # fmt: skip

    assert None not in found


@pytest.mark.parametrize(
    ("text", "drain"),
    [("kein Abfluss", False), ("Bar, 90 L/giorno, scarico ok.", True), ("no drain, drain ok", None), ("drained", None)],
)
def test_only_known_words_tell_of_a_drain(text: str, drain: bool | None) -> None:
    assert drain_of(text) is drain


@pytest.mark.parametrize(
    ("text", "kind"),
    [("unsoftened tap", ""), ("nicht enthärtet", ""), ("Softened mains", "softened"),
     ("Leitungswasser (Stadt)", "mains"), ("private well, mains near", "well"), ("somewhere", "")],
)  # fmt: skip
def test_only_known_words_tell_of_the_supply(case: Build, text: str, kind: str) -> None:
    assert case(th=1, alk=1, supply=text).supply_kind == kind


def test_readings_that_contradict_each_other_do_not_stop_the_advice(case: Build) -> None:
    """A pH of 4.4 with alkalinity 0 cannot be solved at both its ends; the advice says what it can."""
    advice = choose(case(th=119.3, alk=0, ph=4.4, u={"th": 11.6, "ph": 0.79}, supply="mains", drain=True))

    assert all(say(said) for said in (*advice.reasons, *advice.conditions))
    assert advice.row == "9"


@pytest.mark.common_practice
def test_too_much_taken_is_not_called_too_little(case: Build) -> None:
    """A cartridge in the tank halves 68 mg/L to 34, below 40: a jug through which half of the water passes gives 49."""
    advice = choose(case("thermoblock", th=130, alk=68, cl=18, na=10, so4=40, ph=7.6, ec=300, free=0.0, total=0.0))

    assert advice.treatment == "jug"
    assert "choose.instead" in codes(advice, "reasons")
    assert "Not enough for this water" in say(next(said for said in advice.reasons if said.code == "choose.instead"))


@pytest.mark.common_practice
def test_a_figure_that_rounds_to_its_limit_shows_on_which_side_it_lies(case: Build) -> None:
    """Chloride 205 may be 30 behind the membrane: 10.1 % of raw water leave 340 * (0.101 + 0.899 * 0.05) = 49.6."""
    given = {"th": 340, "alk": 190, "cl": 205, "na": 118, "so4": 130, "ph": 7.6, "ec": 1250}
    advice = choose(case("dual boiler", drain=True, **given))

    assert any(
        said.code == "choose.obstacle.low" and say(said).startswith("Hardness would be 49.") for said in advice.reasons
    )

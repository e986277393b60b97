"""Bottled waters: which alone, which mixed, in which shares."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import pytest

from pipeline.errors import KettlestoneError
from pipeline.treat.choosing.bottled import BOTTLED_COLUMNS, DEMINERALISED, TAP, bottle_sentences, rank_bottled
from pipeline.treat.choosing.choose import choose
from pipeline.words import LANGUAGES, say

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.treat.choosing.case import Case

    Build = Callable[..., Case]

HARDNESS, ALKALINITY = "total_hardness_mg_l_caco3", "alkalinity_mg_l_caco3"
LABELS = pd.DataFrame(
    [
        {"calcium_mg_l": 71, "magnesium_mg_l": 11, "sodium_mg_l": 6, "bicarbonate_mg_l": 256, "chloride_mg_l": 8},
        {"calcium_mg_l": 4, "magnesium_mg_l": 1.2, "sodium_mg_l": 3, "bicarbonate_mg_l": 15, "chloride_mg_l": 3},
        {"calcium_mg_l": 24, "magnesium_mg_l": 5, "sodium_mg_l": 6, "bicarbonate_mg_l": 65, "chloride_mg_l": 8},
        {"calcium_mg_l": 150, "magnesium_mg_l": 30, "sodium_mg_l": 60, "bicarbonate_mg_l": 500, "chloride_mg_l": 40},
    ],
    index=["hard", "soft", "fit", "very hard"],
    dtype="float64",
)


def home(case: Build, **more: object) -> Case:
    return case("single boiler", th=280, alk=220, ec=600, cl=30, na=15, ph=7.5, litres_per_day=3.0, **more)


def row(ranked: pd.DataFrame, first: str, second: str) -> pd.Series:
    found = ranked[(ranked["first"] == first) & (ranked["second"] == second)]
    assert len(found) == 1
    return found.iloc[0]


@pytest.mark.common_practice
def test_two_labels_are_mixed_by_volume_in_tenths(case: Build) -> None:
    """Alkalinity 50 needs 19.1 % of the hard water; two tenths give 0.2 × 210.0 + 0.8 × 12.3 = 51.8."""
    ranked, _ = rank_bottled(LABELS.loc[["hard", "soft"]], home(case))
    mixed = row(ranked, "hard", "soft")

    assert mixed["share"] == pytest.approx(0.2)
    assert mixed[ALKALINITY] == pytest.approx(0.2 * 210.0 + 0.8 * 12.3, rel=5e-3)
    assert mixed[HARDNESS] == pytest.approx(0.2 * 222.6 + 0.8 * 14.9, rel=5e-3)
    assert mixed["fits"]


@pytest.mark.common_practice
def test_a_bottle_that_fits_alone_comes_before_any_mixture(case: Build) -> None:
    """Label: hardness 2.497 × 24 + 4.118 × 5 = 80.5, alkalinity 0.8202 × 65 = 53.3."""
    ranked, said = rank_bottled(LABELS, home(case))

    assert (ranked.iloc[0]["first"], ranked.iloc[0]["kind"]) == ("fit", "alone")
    assert say(said).startswith("fit can be used as it is: hardness 81, alkalinity 53")


@pytest.mark.common_practice
def test_the_soft_bottle_is_near_distilled_and_the_hardest_scales_more_than_the_tap(case: Build) -> None:
    ranked, _ = rank_bottled(LABELS, home(case))
    alone = ranked[ranked["kind"] == "alone"].set_index("first")

    assert alone["near_distilled"].to_dict() == {"fit": False, "hard": False, "soft": True, "very hard": False}
    assert alone["scales_more_than_tap"].to_dict() == {"fit": False, "hard": False, "soft": False, "very hard": True}
    assert not alone.loc["soft", "fits"]


def test_every_pair_stands_once_and_every_share_in_whole_tenths(case: Build) -> None:
    ranked, _ = rank_bottled(LABELS, home(case))
    names = len(LABELS)

    assert len(ranked) == names + names * (names - 1) // 2 + 2 * names
    assert list(ranked.columns) == BOTTLED_COLUMNS
    assert (ranked["share"] * 10).round(9).mod(1.0).eq(0.0).all()
    assert set(ranked["second"]) == {"", *LABELS.index[1:], TAP, DEMINERALISED}


def test_the_order_of_the_labels_does_not_change_what_is_found(case: Build) -> None:
    forward, said = rank_bottled(LABELS, home(case))
    backward, same = rank_bottled(LABELS[::-1], home(case))

    assert say(said) == say(same)
    assert sorted(forward[ALKALINITY].round(6)) == sorted(backward[ALKALINITY].round(6))


@pytest.mark.parametrize("language", LANGUAGES)
def test_where_nothing_fits_the_nearest_is_named(case: Build, language: str) -> None:
    """A tenth of a water with chloride 900 is still 90 mg/L."""
    salty = LABELS.loc[["very hard"]].assign(chloride_mg_l=900.0)

    ranked, said = rank_bottled(salty, home(case))

    assert not ranked["fits"].any()
    assert said.code.startswith("bottled.nearest")
    assert say(said, language)


@pytest.mark.parametrize("labels", [LABELS.iloc[:0], pd.DataFrame([{"calcium_mg_l": 20.0}], index=["half a label"])])
def test_labels_that_say_too_little_are_left_out_and_counted(case: Build, labels: pd.DataFrame) -> None:
    ranked, said = rank_bottled(labels, home(case))

    assert ranked.empty
    assert str(len(labels)) in say(said)


def test_without_a_tap_the_bottles_are_ranked_among_themselves(case: Build) -> None:
    ranked, _ = rank_bottled(LABELS, case("single boiler"))

    assert TAP not in set(ranked["second"])
    assert not ranked["scales_more_than_tap"].any()


def test_two_bottles_of_one_name_are_refused(case: Build) -> None:
    with pytest.raises(KettlestoneError, match="same name"):
        rank_bottled(pd.concat([LABELS, LABELS]), home(case))


@pytest.mark.common_practice
def test_advice_for_a_tank_mixes_the_tap_with_the_bottle_that_suits(case: Build) -> None:
    advice = choose(home(case, bottled=LABELS.loc[["hard", "soft"]]))

    assert advice.treatment == "blend"
    assert advice.settings["with"] == "soft"
    assert not any(said.code.startswith("bottled.best") for said in advice.reasons)
    assert any(say(said).startswith("soft:") for said in advice.bottled)


@pytest.mark.common_practice
def test_a_canister_is_filled_in_whole_litres_where_that_keeps_the_limits(case: Build) -> None:
    """Alkalinity 220 with eight of ten litres of demineralised water is 44, inside 40 to 75."""
    advice = choose(home(case))

    assert advice.settings == {"share": 0.8, "with": "demineralised"}
    assert advice.predicted[ALKALINITY].value == pytest.approx(44.0, rel=5e-3)


@pytest.mark.common_practice
def test_every_bottle_is_told_with_what_it_does_and_then_the_best_blends(case: Build) -> None:
    """The soft one is all but distilled (alkalinity 12.3, hardness 14.9); the very hard one scales most."""
    ranked, _ = rank_bottled(LABELS, home(case))

    said = [say(line) for line in bottle_sentences(ranked, blends=2)]

    assert len(said) == len(LABELS) + 2
    assert said[0] == "fit: hardness 81, alkalinity 53 mg/L as CaCO3; suits machine and profile."
    assert any(line.startswith("soft: hardness 15, alkalinity 12") and "all but distilled" in line for line in said)
    assert any(line.startswith("very hard:") and "scales more than the tap" in line for line in said)
    assert all(" L of " in line for line in said[len(LABELS) :])


def test_a_plumbed_machine_is_told_of_no_bottles(case: Build) -> None:
    plumbed = case("heat exchanger", th=280, alk=220, ec=600, cl=30, na=15, ph=7.5, bottled=LABELS)

    assert choose(plumbed).bottled == ()
    assert choose(home(case, bottled=LABELS)).bottled

"""The course of a treatment and its supply, read from a few samples."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest

from pipeline.verify import HistoryFacts, history
from pipeline.verify.change_points import Prior, course
from pipeline.verify.history import removed_load
from pipeline.words import LANGUAGES, say

if TYPE_CHECKING:
    from pipeline.verify.outcomes import History

HARDNESS, ALKALINITY, CONDUCTIVITY = (
    "total_hardness_mg_l_caco3",
    "alkalinity_mg_l_caco3",
    "conductivity_us_cm_25c",
)
DEGREE = 17.848  # mg/L as CaCO3
START = pd.Timestamp("2025-02-03")
EVEN = Prior(still=0.25, bend=0.25, step=0.25, odd=0.25)


def site(
    days: list[float], raw: list[dict[str, float]], treated: list[dict[str, float]], stage: str = "treated"
) -> pd.DataFrame:
    """Lay out one raw and one treated sample per day."""
    rows: list[dict[str, Any]] = []
    for day, before, after in zip(days, raw, treated, strict=True):
        when = START + pd.Timedelta(days=day)
        rows.append({"collected_at": when, "stage": "raw", **before})
        rows.append({"collected_at": when, "stage": stage, **after})
    return pd.DataFrame(rows)


def hard(alkalinity: float, factor: float = 1.0) -> dict[str, float]:
    """Give one water whose hardness and conductivity go with its alkalinity."""
    return {
        ALKALINITY: factor * alkalinity,
        HARDNESS: factor * (alkalinity + 50.0),
        CONDUCTIVITY: factor * (2 * alkalinity + 100.0),
    }


def codes(found: History) -> list[str]:
    return [said.code for said in found.findings]


def filter_run() -> pd.DataFrame:
    """Lay out alkalinity behind a decarboniser, 14 °dH raw, 45 L a day."""
    litres = [0.0, 400.0, 800.0, 1200.0, 1500.0]
    rows: list[dict[str, Any]] = [{"collected_at": START, "stage": "raw", ALKALINITY: 14 * DEGREE}]
    for counter, degrees in zip(litres, [4.0, 4.0, 4.2, 4.9, 6.1], strict=True):
        when = START + pd.Timedelta(days=counter / 45)
        rows.append({"collected_at": when, "stage": "treated", "counter_litres": counter, ALKALINITY: degrees * DEGREE})
    return pd.DataFrame(rows)


@pytest.mark.common_practice
def test_a_filter_at_the_end_of_its_life_is_found_with_its_change_point() -> None:
    """The change point lies near 900-1200 L; the line through the last points reaches 6 °dH at about 1475 L."""
    facts = HistoryFacts(changes=(START,), litres_per_day=45, capacity_eq=14000 / 2804, action_level=6 * DEGREE)
    spread = pd.DataFrame({ALKALINITY: np.full(6, 0.2 * DEGREE)})

    found = history(filter_run(), "decarboniser", facts, spread)

    assert (found.course, found.causes[0].name) == ("exhausted", "exhausted media")
    assert found.exhausted_on is not None
    assert found.exhausted_on.litres is not None
    assert 900 <= found.exhausted_on.litres.value <= 1200
    assert found.action_on is not None
    assert found.action_on.litres is not None
    assert found.action_on.litres.value == pytest.approx(1475, abs=15)
    assert found.share.value == pytest.approx(4 / 14, abs=0.01)
    assert "verify.next.repair" in found.next_test.said.code


@pytest.mark.common_practice
def test_the_load_taken_out_is_the_sum_of_trapezoids() -> None:
    """14 290 °dH·L: 400·10 + 400·(10+9.8)/2 + 400·(9.8+9.1)/2 + 300·(9.1+7.9)/2; 1 eq is 2804 °dH·L."""
    facts = HistoryFacts(changes=(START,), capacity_eq=14000 / 2804)

    found = history(filter_run(), "decarboniser", facts)

    by_hand = 400 * 10 + 400 * (10 + 9.8) / 2 + 400 * (9.8 + 9.1) / 2 + 300 * (9.1 + 7.9) / 2
    assert by_hand == pytest.approx(14290)
    assert found.removed_eq * 2804 == pytest.approx(by_hand, rel=5e-4)
    assert "verify.history.capacity" in codes(found)
    assert removed_load([1000.0], [50.0435]) == pytest.approx(1.0)


def test_a_supply_that_gets_harder_is_not_an_exhausted_filter() -> None:
    """The treated water rose by a third and so did the raw water: the same 30 % come through."""
    factor = [1.0, 1.02, 0.98, 1.0, 1.33, 1.35, 1.34, 1.33]
    raw = [hard(200.0, part) for part in factor]
    treated = [{ALKALINITY: 60.0 * part} for part in factor]

    found = history(site([30.0 * i for i in range(8)], raw, treated), "decarboniser")

    assert (found.course, found.causes[0].name) == ("changed", "source change")
    assert found.source_on is not None
    assert START + pd.Timedelta(days=90) <= found.source_on.day <= START + pd.Timedelta(days=120)
    assert found.exhausted_on is None


def test_a_moved_valve_is_a_jump_that_stays() -> None:
    shares = [0.30, 0.31, 0.29, 0.30, 0.55, 0.56, 0.54, 0.55]
    raw = [hard(200.0)] * 8
    treated = [{ALKALINITY: 200.0 * share} for share in shares]

    found = history(site([30.0 * i for i in range(8)], raw, treated), "decarboniser")

    assert found.causes[0].name == "moved valve"
    assert found.step_on is not None
    assert (found.step_on.earliest, found.step_on.latest) == (
        START + pd.Timedelta(days=90),
        START + pd.Timedelta(days=120),
    )


def test_a_jump_behind_the_membrane_is_the_membrane() -> None:
    ratios = [0.04, 0.045, 0.04, 0.04, 0.16, 0.165, 0.16]
    raw = [hard(200.0)] * 7
    treated = [{CONDUCTIVITY: 500.0 * ratio} for ratio in ratios]

    found = history(site([30.0 * i for i in range(7)], raw, treated, "permeate"), "reverse osmosis")

    assert (found.course, found.causes[0].name) == ("changed", "failed membrane")
    assert found.quantity == CONDUCTIVITY


def test_a_jump_of_the_blend_may_be_valve_or_membrane() -> None:
    ratios = [0.20, 0.205, 0.20, 0.20, 0.40, 0.405, 0.40]
    treated = [{CONDUCTIVITY: 500.0 * ratio} for ratio in ratios]

    found = history(site([30.0 * i for i in range(7)], [hard(200.0)] * 7, treated), "reverse osmosis")

    named = {cause.name: cause.probability for cause in found.causes}
    assert named["moved valve"] == pytest.approx(named["failed membrane"], rel=0.1)


def test_one_high_count_is_an_odd_reading_not_an_exhausted_filter() -> None:
    shares = [0.30, 0.31, 0.60, 0.30, 0.29, 0.30]
    treated = [{ALKALINITY: 200.0 * share} for share in shares]

    found = history(site([30.0 * i for i in range(6)], [hard(200.0)] * 6, treated), "decarboniser")

    assert (found.course, found.causes[0].name) == ("steady", "odd reading")
    assert "verify.evidence.odd" in codes(found)


def test_a_filter_that_works_is_steady_and_tested_again_at_the_usual_time() -> None:
    shares = [0.30, 0.31, 0.29, 0.30, 0.31]
    treated = [{ALKALINITY: 200.0 * share} for share in shares]

    found = history(site([0.0, 20, 40, 60, 80], [hard(200.0)] * 5, treated), "decarboniser")

    assert (found.course, found.causes[0].name) == ("steady", "steady")
    assert sum(cause.probability for cause in found.causes) == pytest.approx(1)
    assert found.next_test.on == START + pd.Timedelta(days=80 + 90)


def test_a_remineraliser_is_used_up_when_it_adds_less() -> None:
    treated = [{ALKALINITY: value} for value in [60.0, 61.0, 60.0, 52.0, 43.0, 34.0]]

    found = history(site([30.0 * i for i in range(6)], [{ALKALINITY: 3.0}] * 6, treated), "remineraliser")

    assert found.causes[0].name == "exhausted media"
    assert found.causes[0].said.code == "verify.cause.exhausted_bed"


def test_the_line_is_not_drawn_through_a_change_of_the_cartridge() -> None:
    shares = [0.30, 0.45, 0.60, 0.30, 0.30, 0.31, 0.30]
    treated = [{ALKALINITY: 200.0 * share} for share in shares]
    samples = site([20.0 * i for i in range(7)], [hard(200.0)] * 7, treated)

    found = history(samples, "decarboniser", HistoryFacts(changes=(START, START + pd.Timedelta(days=55))))

    assert (found.course, found.used) == ("steady", 4)
    assert "verify.series.before_change" in codes(found)


def test_a_counter_that_falls_is_a_change_nobody_recorded() -> None:
    run = filter_run()
    again = run.assign(
        collected_at=run["collected_at"] + pd.Timedelta(days=60),
        alkalinity_mg_l_caco3=run[ALKALINITY].where(run["stage"] == "raw", 4 * DEGREE),
    )

    found = history(pd.concat([run, again]), "decarboniser")

    assert (found.course, found.used) == ("steady", 5)
    assert "verify.series.counter_fell" in codes(found)


def test_samples_out_of_order_undated_or_twice_on_a_day_are_said_and_used() -> None:
    run = filter_run()
    twice = pd.concat([run.iloc[::-1], run.iloc[[3]], run.iloc[[2]].assign(collected_at=pd.NaT)])

    found = history(twice, "decarboniser", uncertainty=pd.DataFrame({ALKALINITY: np.full(8, 3.6)}))

    assert found.causes[0].name == "exhausted media"
    assert {"verify.series.order", "verify.series.same_time", "verify.series.undated"} <= set(codes(found))


@pytest.mark.parametrize("count", [0, 1, 3])
def test_too_few_samples_are_said_and_give_no_course(count: int) -> None:
    run = filter_run().iloc[: count + 1]

    found = history(run, "decarboniser")

    assert (found.course, found.used, found.causes) == ("too few samples", count, ())
    assert found.findings[0].code == "verify.history.too_few"
    assert found.next_test.on is not None


def test_no_sample_at_all_has_no_next_day() -> None:
    found = history(filter_run().iloc[:0], "decarboniser")

    assert (found.course, found.next_test.on) == ("too few samples", None)


def test_without_raw_water_the_treated_water_is_read_alone() -> None:
    run = filter_run()

    found = history(run[run["stage"] == "treated"], "decarboniser", uncertainty=None)

    assert found.causes[0].name == "exhausted media"
    assert np.isnan(found.share.value)


def test_everything_can_be_said_in_every_language() -> None:
    facts = HistoryFacts(changes=(START,), litres_per_day=45, capacity_eq=5.0)
    found = history(filter_run(), "decarboniser", facts)
    said = [*found.findings, *(cause.said for cause in found.causes), found.next_test.said]
    said += [evidence for cause in found.causes for evidence in cause.evidence]

    assert all(say(one, language) for one in said for language in LANGUAGES)


@pytest.mark.source("JCGM100")
def test_the_range_of_a_change_point_holds_the_truth_nine_times_in_ten() -> None:
    """Simulated series of known change: 300 of ten readings, a 95 % range."""
    random = np.random.default_rng(20250312)
    x = np.linspace(0.0, 1800.0, 10)
    held = []
    for _ in range(300):
        truth = random.uniform(400.0, 1400.0)
        line = 0.3 + 0.35 * np.maximum(x - truth, 0) / (1800.0 - truth)
        bend = course(x, line + random.normal(0, 0.02, 10), np.full(10, 0.02), EVEN).best_bend
        held.append(bend.low <= truth <= bend.high)

    assert np.mean(held) >= 0.90


def test_the_shape_that_made_a_series_is_the_one_that_is_named() -> None:
    """Simulated: 60 series of each shape; the right one wins in at least nine of ten."""
    random = np.random.default_rng(7)
    x = np.linspace(0.0, 1800.0, 8)
    shapes = {
        "still": np.full(8, 0.3),
        "bend": 0.3 + np.maximum(x - 900, 0) / 2400,
        "step": np.where(x > 1000, 0.6, 0.3),
        "odd": np.where(np.arange(8) == 3, 0.6, 0.3),
    }
    wins = dict.fromkeys(shapes, 0)
    for name, line in shapes.items():
        for _ in range(60):
            found = course(x, line + random.normal(0, 0.02, 8), np.full(8, 0.02), EVEN)
            chosen = max(shapes, key=lambda shape: getattr(found, shape))
            wins[name] += chosen == name

    assert min(wins.values()) >= 54


def test_a_course_needs_three_points_in_order() -> None:
    with pytest.raises(ValueError, match="three points"):
        course(np.array([0.0, 2.0, 1.0]), np.zeros(3), np.ones(3), EVEN)

"""Kendall's test and the slope of Theil and Sen, against published worked data and other libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.trends.cells import Blocks
from pipeline.trends.discovery import discovery_rate
from pipeline.trends.kendall import Kendall, kendall


def of_rows(values: object, years: object = None) -> Kendall:
    """Test rows of values, one column a year, as one group."""
    low = np.atleast_2d(np.asarray(values, dtype=float))
    time = np.arange(low.shape[1], dtype=float) if years is None else np.asarray(years, dtype=float)
    blocks = Blocks(np.zeros(len(low), int), low, low, np.broadcast_to(time, low.shape))
    return kendall(blocks, np.zeros(len(low), int), 1)


@pytest.mark.source("EPAQAG9S")
def test_the_worked_data_of_the_environmental_agency() -> None:
    """Eleven values with ties: S 22, variance 155.333, p 0.092, slope 1 a step."""
    found = of_rows([10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15])

    assert found.score[0] == 22
    assert found.variance[0] == pytest.approx(155.333, abs=5e-4)
    assert found.p[0] == pytest.approx(0.0920, abs=5e-5)
    assert found.slope[0] == pytest.approx(1.0)


@pytest.mark.source("GILBERT1987")
def test_slope_and_interval_of_ten_years() -> None:
    """S 35, p 0.00236, slope 1.6667 a year; ranks 11.54 and 35.46 of 45 bound it: 1.40 to 2.69, between neighbours."""
    found = of_rows([152, 155, 149, 158, 160, 157, 163, 161, 166, 168])

    assert (found.score[0], found.variance[0]) == (35, 125)
    assert found.p[0] == pytest.approx(0.00236, abs=5e-6)
    assert found.slope[0] == pytest.approx(1.6667, abs=5e-5)
    assert (found.slope_low[0], found.slope_high[0]) == pytest.approx((1.40, 2.69), abs=0.005)


def test_the_slope_takes_the_true_times() -> None:
    """A line stays a line however unevenly it was sampled; scipy's slope is the same."""
    years = [2001.0, 2001.9, 2004.2, 2004.9, 2009.4, 2012.1]
    values = [3 + 0.5 * (year - 2001) for year in years]

    assert of_rows(values, years).slope[0] == pytest.approx(stats.theilslopes(values, years)[0])


def test_a_wet_year_of_a_region_is_one_year() -> None:
    """Thirty sites that share a weather without a trend are told to have one as seldom as promised."""
    draw = np.random.default_rng(5)
    groups = 300
    weather = np.repeat(draw.normal(0, 1, (groups, 10)), 30, axis=0)
    values = weather + draw.normal(0, 0.5, weather.shape)
    group = np.repeat(np.arange(groups), 30)

    found = kendall(Blocks(group, values, values, np.broadcast_to(np.arange(10.0), values.shape)), group, groups)

    assert (found.p < 0.05).mean() <= 0.07
    covered = (found.slope_low <= 0) & (found.slope_high >= 0)
    assert 0.90 <= covered.mean() <= 0.99


def _sites_with_weather(draw: np.random.Generator, weather: float, slope: float) -> Kendall:
    """Test 400 regions of 40 sites over ten years, a fifth of the visits left out."""
    groups, sites, years = 400, 40, 10
    common = np.repeat(draw.normal(0, weather, (groups, years)), sites, axis=0)
    values = common + draw.normal(0, 1, common.shape) + slope * np.arange(years)
    values[draw.random(values.shape) < 0.2] = np.nan
    time = np.where(np.isnan(values), np.nan, np.arange(float(years)))
    group = np.repeat(np.arange(groups), sites)
    return kendall(Blocks(np.arange(len(values)), values, values, time), group, groups)


@pytest.mark.parametrize("weather", [0.0, 0.2, 0.7])
def test_many_sites_without_a_trend_are_told_to_have_one_as_seldom_as_promised(weather: float) -> None:
    """Rates of p among 400 regions, with three standard errors of such a count; the interval holds nothing."""
    found = _sites_with_weather(np.random.default_rng(17), weather, 0.0)

    for level in (0.1, 0.05, 0.01):
        assert (found.p < level).mean() <= level + 3 * np.sqrt(level * (1 - level) / 400)
    assert 0.90 <= ((found.slope_low <= 0) & (found.slope_high >= 0)).mean() <= 0.99


def test_many_sites_with_a_trend_are_surer_than_one_site_can_be() -> None:
    """Ten years in perfect order are p 0.00008 at best; a noisy trend of forty sites must not be held to one site's."""
    found = _sites_with_weather(np.random.default_rng(18), 0.2, 0.15)

    assert (found.p < 0.01).mean() > 0.8
    assert 0.90 <= ((found.slope_low <= 0.15) & (found.slope_high >= 0.15)).mean() <= 0.99


def test_readings_below_a_limit_are_ties_and_hide_no_slope() -> None:
    """Six of twelve lie below 5, then it rises by one a year; and nothing can be said of a slope that 5 hides."""
    low = np.array([[0, 0, 0, 0, 0, 0, 5, 6, 7, 8, 9, 10.0]])
    high = np.where(low == 0, np.nextafter(5, 0), low)
    time = np.arange(12.0)[None]

    found = kendall(Blocks(np.zeros(1, int), low, high, time), np.zeros(1, int), 1)

    assert found.score[0] == 6 * 6 + 15
    assert found.p[0] < 0.001
    assert np.isnan(found.slope[0])


def test_readings_that_all_lie_below_a_limit_have_no_slope() -> None:
    """Nothing speaks for a trend, and nothing says that the water stays as it is."""
    low, high, time = np.zeros((2, 10)), np.full((2, 10), np.nextafter(5, 0)), np.tile(np.arange(10.0), (2, 1))

    found = kendall(Blocks(np.arange(2), low, high, time), np.zeros(2, int), 1)

    assert found.p[0] == 1
    assert np.isnan([found.slope[0], found.slope_low[0], found.slope_high[0]]).all()


def test_two_years_and_no_difference_are_no_trend() -> None:
    assert np.isnan(of_rows([[1, 2], [1, 2], [3, 4]]).p[0])
    assert of_rows([5, 5, 5, 5, 5]).p[0] == 1.0


def test_the_share_of_chance_is_that_of_another_library() -> None:
    draw = np.random.default_rng(3)
    p = draw.random(50) ** 2

    assert discovery_rate(p) == pytest.approx(stats.false_discovery_control(p))
    assert np.isnan(discovery_rate(np.array([np.nan, 0.5]))).tolist() == [True, False]

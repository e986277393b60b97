"""Summaries of readings below limits, against a worked example, and limits that change."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.trends.cells import blocks_by_season, recensored
from pipeline.trends.censored import kaplan_meier, regression_on_order

VALUES = np.array([0.5, 0.5, 1.0, 1.0, 0.8, 1.1, 1.2, 1.5, 2.0, 3.2])
BELOW = np.array([True] * 4 + [False] * 6)


@pytest.mark.source("HELSEL2012")
def test_kaplan_and_meier_of_two_limits() -> None:
    """(<0.5, <0.5, <1, <1, 0.8, 1.1, 1.2, 1.5, 2, 3.2): the shares below each value, and the mean 1.200."""
    levels, below = kaplan_meier(VALUES, BELOW)

    assert levels.tolist() == [0.8, 1.1, 1.2, 1.5, 2.0, 3.2]
    assert below == pytest.approx([1 / 3, 0.5, 0.6, 0.7, 0.8, 0.9])
    # What lies below the lowest value counts as the lowest limit, 0.5.
    assert np.sum(levels * np.diff([*below, 1.0])) + 0.5 * below[0] == pytest.approx(1.200, abs=5e-4)


@pytest.mark.source("HELSEL2012")
def test_regression_on_order_statistics_of_two_limits() -> None:
    """The same readings by the plotting positions of Helsel & Cohn: mean 1.1589, standard deviation 0.8945."""
    drawn = regression_on_order(VALUES, BELOW)

    assert np.sort(drawn[BELOW]) == pytest.approx([0.3141, 0.3905, 0.4648, 0.6193], abs=5e-5)
    assert (drawn.mean(), drawn.std(ddof=1)) == pytest.approx((1.1589, 0.8945), abs=5e-5)


def test_a_better_limit_is_no_trend() -> None:
    """A laboratory that could not see below 10, then below 1, tells nothing of values of 3."""
    series = np.zeros(8, int)
    limits = np.array([10, 10, 10, 10, np.nan, np.nan, np.nan, np.nan])
    values = np.array([10, 10, 10, 10, 3, 3.2, 2.9, 3.1])

    told, bound, kept = recensored(series, values, np.where(np.arange(8) < 5, 10, limits), 1)

    assert np.isneginf(told).all()
    assert bound.tolist() == [10]
    assert kept.all()


def test_a_vague_limit_among_values_is_left_out() -> None:
    told, bound, kept = recensored(np.zeros(5, int), np.array([30, 5, 6, 7, 8.0]), np.array([30, *[np.nan] * 4]), 1)

    assert kept.tolist() == [False, True, True, True, True]
    assert np.isnan(bound[0])
    assert told[1:].tolist() == [5, 6, 7, 8]


def test_dense_visits_are_laid_out_by_quarter_and_sparse_ones_by_year() -> None:
    dense = np.array([2020.1, 2020.4, 2020.6, 2020.9, 2021.1, 2021.4, 2021.6, 2021.9])
    sparse = np.array([2020.1, 2021.6])
    years = np.concatenate([dense, sparse])
    series = np.array([0] * 8 + [1] * 2)

    laid = blocks_by_season(series, years, np.arange(10.0), np.full(2, np.nan), 2)

    assert laid.series.tolist() == [0, 0, 0, 0, 1]
    assert laid.low.tolist() == [[0, 4], [1, 5], [2, 6], [3, 7], [8, 9]]

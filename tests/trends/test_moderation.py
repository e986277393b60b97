"""Variances of few years each, drawn towards what those of like groups say."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.trends.moderation import moderated


@pytest.mark.source("SMYTH2004")
def test_variances_that_differ_as_drawn_are_worth_the_degrees_they_were_drawn_with() -> None:
    """The model of the paper: 1/variance ~ chi-square of 12 over 12, each seen with 8 degrees of freedom."""
    draw = np.random.default_rng(31)
    true = 12.0 / draw.chisquare(12, 4000)
    seen = true * draw.chisquare(8, 4000) / 8

    found, freedom = moderated(seen, np.full(4000, 8.0))

    assert np.median(freedom) == pytest.approx(8 + 12, rel=0.15)
    assert np.mean((found - true) ** 2) < 0.6 * np.mean((seen - true) ** 2)


def test_one_common_variance_is_known_from_all_groups_together() -> None:
    """Forty estimates of 1 with 8 degrees each: hardly apart, and never surer than 320 degrees of freedom."""
    seen = np.random.default_rng(32).chisquare(8, 40) / 8

    found, freedom = moderated(np.append(seen, np.nan), np.full(41, 8.0))

    assert np.nanstd(found) < 0.5 * seen.std()
    assert (freedom[:-1] > 16).all()
    assert freedom.max() <= 320
    assert np.isnan(found[-1])
    assert freedom[-1] == 8


@pytest.mark.parametrize("variance", [[1.0, 2.0, -1.0], [-1.0, -0.5, -0.1, 0.2, -0.3, 0.1, -1.0]])
def test_few_groups_or_none_with_a_variance_are_left_as_they_are(variance: list[float]) -> None:
    found, freedom = moderated(np.array(variance), np.full(len(variance), 8.0))

    assert found.tolist() == [max(value, 0.0) for value in variance]
    assert (freedom == 8).all()

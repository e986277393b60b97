"""Seasons and their covariance, against another library of the same tests."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.trends.cells import Blocks
from pipeline.trends.kendall import kendall

pymannkendall = pytest.importorskip("pymannkendall")


@pytest.mark.parametrize("seed", range(4))
def test_seasons_together_are_those_of_another_library(seed: int) -> None:
    """The covariance of twelve months as Hirsch & Slack 1984 take it, where it exceeds that of independent ones."""
    draw = np.random.default_rng(seed)
    values = (draw.normal(0, 1, (12, 10)) + draw.normal(0, 1, 10)).round(1)
    joint = pymannkendall.correlated_seasonal_test(values.T.ravel(), period=12)
    apart = pymannkendall.seasonal_test(values.T.ravel(), period=12)

    time = np.broadcast_to(np.arange(10.0), values.shape)
    found = kendall(Blocks(np.zeros(12, int), values, values, time), np.zeros(12, int), 1)

    assert found.score[0] == joint.s == apart.s
    assert found.variance[0] == pytest.approx(max(joint.var_s, apart.var_s))
    assert found.slope[0] == pytest.approx(apart.slope, abs=1e-9)

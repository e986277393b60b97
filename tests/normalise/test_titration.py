"""Titrations against worked values."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.normalise.titration import (
    value_of_burette,
    value_of_drops,
)


def one(value: float) -> np.ndarray:
    return np.array([value])


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("drops", "degree", "low", "high", "expanded"),
    [
        (3, 17.85, 35.7, 53.5, 12),
        (4, 17.85, 53.5, 71.4, 13),
        (8, 17.85, 125, 143, 20),
        (14, 17.85, 232, 250, 31),
        (8, 8.92, 62.5, 71.4, 10),
    ],
)
def test_a_count_is_an_interval_of_one_drop(
    drops: int, degree: float, low: float, high: float, expanded: float
) -> None:
    """Common practice: drop size 5 %, sample volume 3 %, resolution one drop."""
    kit = value_of_drops(one(drops), one(degree), one(10.0), one(10.0)).iloc[0]

    assert kit["value_low"] == pytest.approx(low, abs=0.5)
    assert kit["value_high"] == pytest.approx(high, abs=0.5)
    assert kit["uncertainty"] == pytest.approx(expanded, abs=0.6)


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("drops", "nominal", "used", "value"),
    [(12, 10, 10, 214.2), (8, 10, 10, 142.8), (6, 10, 5, 214.2), (7, 10, 5, 249.9), (5, 10, 40, 22.3)],
)
def test_half_the_water_doubles_the_value_of_a_drop(drops: int, nominal: float, used: float, value: float) -> None:
    """Arithmetic: n · d · Vn / Vu with d = 17.848 mg/L."""
    kit = value_of_drops(one(drops), one(17.848), one(nominal), one(used))

    assert kit["value"].item() == pytest.approx(value, abs=0.05)


def test_a_colour_that_changes_at_once_is_below_one_drop() -> None:
    kit = value_of_drops(one(0), one(17.848), one(10.0), one(10.0)).iloc[0]

    assert np.isnan(kit["value"])
    assert kit["limit"] == pytest.approx(17.848)
    assert (kit["value_low"], kit["value_high"]) == (0.0, pytest.approx(17.848))


@pytest.mark.source("APHA2320B")
@pytest.mark.parametrize(("per_meq", "value"), [(50.0, 123.00), (50.04345, 123.11)])
def test_a_burette_reading_is_corrected_for_the_blank(per_meq: float, value: float) -> None:
    """(12.35 − 0.05) mL · 0.0200 N · 50000 / 100 mL."""
    titrated = value_of_burette(one(12.35), one(0.05), one(0.02), one(1.0), one(100.0), per_meq)

    assert titrated["value"].item() == pytest.approx(value, abs=0.01)

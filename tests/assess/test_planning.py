"""The planning rule against the tables of the trade and worked years."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.assess.planning import degassed_ph, planning_rule, saturation_ph

ALKALINITIES = (25, 40, 50, 75, 100, 150, 200, 250)
# mg scale per litre of feed at 95 and 125 °C [PLANTABLE]; rows calcium hardness, columns alkalinity.
BOILED = {
    50: "0/0 0/0 0/6 7/22 20/33 37/44 44/48 47/49",
    75: "0/0 0/4 0/12 16/31 32/47 55/65 66/72 71/73",
    100: "0/0 0/7 1/16 21/37 40/56 70/83 87/94 94/98",
    150: "0/0 0/11 7/21 29/43 50/65 89/105 119/133 136/144",
    200: "0/0 2/14 11/24 34/47 57/70 100/115 139/155 169/183",
    250: "0/2 5/16 14/26 38/50 61/74 106/120 150/165 189/204",
    300: "0/3 7/18 17/28 40/52 64/76 111/123 156/170 199/214",
}
# Highest alkalinity without predicted scale at 93, 110, 120, 125, 128 °C [PLANTABLE].
WITHOUT_SCALE = {
    35: (76, 59, 51, 48, 46),
    50: (65, 51, 44, 41, 40),
    68: (58, 45, 39, 37, 35),
    85: (53, 42, 36, 34, 33),
    100: (50, 39, 34, 32, 31),
    150: (43, 34, 30, 28, 27),
    175: (41, 32, 28, 26, 25),
}


def scale(calcium: float, alkalinity: float, to_c: float) -> float:
    return float(planning_rule(np.array([calcium]), np.array([alkalinity]), np.array([to_c]))[0])


@pytest.mark.source("PLANTABLE")
@pytest.mark.parametrize("calcium", BOILED)
def test_boiled_scale_is_the_table_of_the_trade(calcium: int) -> None:
    for alkalinity, pair in zip(ALKALINITIES, BOILED[calcium].split(), strict=True):
        brew, steam = (int(text) for text in pair.split("/"))
        assert scale(calcium, alkalinity, 95.0) == pytest.approx(brew, abs=0.51)
        assert scale(calcium, alkalinity, 125.0) == pytest.approx(steam, abs=0.51)


@pytest.mark.source("PLANTABLE")
@pytest.mark.parametrize("calcium", WITHOUT_SCALE)
def test_scale_begins_at_the_tabulated_alkalinity(calcium: int) -> None:
    """Half a milligram below the printed alkalinity nothing drops; half a milligram above it something does."""
    for to_c, alkalinity in zip((93, 110, 120, 125, 128), WITHOUT_SCALE[calcium], strict=True):
        assert scale(calcium, alkalinity - 0.51, to_c) == 0.0
        assert scale(calcium, alkalinity + 0.51, to_c) > 0.0


@pytest.mark.source("PLANTABLE")
@pytest.mark.parametrize(
    ("hardness", "alkalinity", "brew", "steam"),
    [(214.2, 142.8, 96, 110), (314.7, 260.0, 210, 225), (249.9, 196.3, 147, 161), (124.9, 71.4, 23, 37)],
)
def test_worked_examples(hardness: float, alkalinity: float, brew: float, steam: float) -> None:
    assert scale(hardness, alkalinity, 95.0) == pytest.approx(brew, abs=0.51)
    assert scale(hardness, alkalinity, 125.0) == pytest.approx(steam, abs=0.51)


@pytest.mark.source("PLANTABLE")
@pytest.mark.parametrize(("hardness", "alkalinity", "kilograms"), [(314.7, 260, 3.98), (143, 71, 0.53), (85, 50, 0.06)])
def test_a_year_of_scale(hardness: float, alkalinity: float, kilograms: float) -> None:
    """60 L a day on 310 days, 75 % at 95 °C and 25 % at 125 °C."""
    mean = 0.75 * scale(hardness, alkalinity, 95.0) + 0.25 * scale(hardness, alkalinity, 125.0)
    year = mean * 60 * 310 / 1e6

    assert year == pytest.approx(kilograms, rel=5e-3, abs=0.005)


@pytest.mark.source("PB1991")
def test_degassed_ph_is_the_published_line() -> None:
    """1.465 · log10(100) + 4.54 = 7.47."""
    assert degassed_ph(np.array([100.0]))[0] == pytest.approx(7.47)


@pytest.mark.common_practice
def test_the_one_is_taken_off_the_logarithm_not_off_the_solids() -> None:
    """Ten times the solids raise the saturation pH by exactly 0.1."""
    one = np.ones(1)
    low, high = (saturation_ph(200 * one, 200 * one, solids * one, 25 * one)[0] for solids in (100.0, 1000.0))

    assert high - low == pytest.approx(0.1)


@given(st.floats(1, 500), st.floats(1, 500), st.floats(60, 130))
def test_no_more_drops_than_there_is_and_more_when_hotter(calcium: float, alkalinity: float, to_c: float) -> None:
    cool, hot = scale(calcium, alkalinity, to_c - 5), scale(calcium, alkalinity, to_c)

    assert 0.0 <= cool <= hot + 1e-6
    assert hot <= min(calcium, alkalinity)


@given(st.floats(20, 400), st.floats(60, 400))
def test_after_dropping_the_water_drops_no_more(calcium: float, alkalinity: float) -> None:
    """What is left is at index 0 (same dissolved solids)."""
    solids = np.array([300.0])
    first = planning_rule(np.array([calcium]), np.array([alkalinity]), np.array([95.0]), solids)
    again = planning_rule(calcium - first, alkalinity - first, np.array([95.0]), solids)

    assert again[0] == pytest.approx(0.0, abs=1e-3)


def test_nothing_is_claimed_beyond_130_degrees_or_without_a_reading() -> None:
    assert np.isnan(scale(200.0, 200.0, 131.0))
    assert np.isnan(scale(float("nan"), 200.0, 95.0))

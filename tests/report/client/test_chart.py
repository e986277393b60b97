"""The chart of hardness and alkalinity: where things are drawn, and that labels can be read."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from pipeline.assess.machines import known_machines
from pipeline.assess.profiles import published
from pipeline.report.client import chart as client_chart
from pipeline.report.client.units import own_unit
from pipeline.site.water import site_water
from pipeline.treat.advice import Range

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.report.client.chart import ClientChart
    from pipeline.site.visit import Visit
    from pipeline.site.water import SiteWater

LABELS = {"raw": "raw", "treated": "after treatment", "expected": "with our advice", "cup": "cup", "scale": "scale"}
PROFILE = published()["European water chart 2016"]


def _chart(visit: Callable[..., Visit], heat_c: float = 125.0, unit: str = "mg/L", **columns: float) -> ClientChart:
    water = site_water(visit(**columns).samples, known_machines()["brewer"], PROFILE, 20.0)
    drawn = client_chart.draw([("raw", water)], LABELS, PROFILE, heat_c, own_unit("", unit))
    assert drawn is not None
    return drawn


def _moved(water: SiteWater, hardness: float, alkalinity: float) -> SiteWater:
    readings = {
        "total_hardness_mg_l_caco3": Range(hardness, hardness, hardness, "mg/L"),
        "alkalinity_mg_l_caco3": Range(alkalinity, alkalinity, alkalinity, "mg/L"),
    }
    return replace(water, readings=readings)


def _end(ticks: list[tuple[float, float]]) -> float:
    return ticks[-1][1]


def _hardness(x: float, end: float) -> float:
    return (x - client_chart.LEFT) / (client_chart.WIDTH - client_chart.LEFT - client_chart.RIGHT) * end


def _alkalinity(y: float, end: float) -> float:
    height = client_chart.HEIGHT - client_chart.TOP - client_chart.BOTTOM
    return (client_chart.HEIGHT - client_chart.BOTTOM - y) / height * end


@pytest.mark.source("EWC2016")
def test_the_window_is_the_profile_and_the_mark_is_the_reading(visit: Callable[..., Visit]) -> None:
    """Hardness 50 to 175, alkalinity 40 to 75 mg/L as CaCO3; the box is the reading ± its uncertainty."""
    drawn = _chart(visit)
    x_end, y_end = _end(drawn.x_ticks), _end(drawn.y_ticks)
    assert drawn.window is not None
    left, top, width, height = drawn.window
    [spot] = drawn.spots

    assert (_hardness(left, x_end), _hardness(left + width, x_end)) == pytest.approx((50.0, 175.0))
    assert (_alkalinity(top + height, y_end), _alkalinity(top, y_end)) == pytest.approx((40.0, 75.0))
    assert (_hardness(spot.x, x_end), _alkalinity(spot.y, y_end)) == pytest.approx((303.4, 232.0))
    assert _hardness(spot.left + spot.width, x_end) == pytest.approx(303.4 + 36.0)


# PLANTABLE at 125 °C: 250/50 drops 26, 300/40 18, 300/50 28; at 95 °C: 300/50 17, 300/75 40 mg per litre.
@pytest.mark.source("PLANTABLE")
@pytest.mark.parametrize(("heat_c", "least", "most"), [(125.0, 40.0, 50.0), (95.0, 50.0, 75.0)])
def test_the_line_runs_where_the_planning_rule_drops_the_limit(
    visit: Callable[..., Visit], heat_c: float, least: float, most: float
) -> None:
    drawn = _chart(visit, heat_c)
    at_300 = min(drawn.scale, key=lambda point: abs(_hardness(point[0], _end(drawn.x_ticks)) - 300.0))

    assert least < _alkalinity(at_300[1], _end(drawn.y_ticks)) < most


def test_another_unit_changes_the_ticks_and_no_distance(visit: Callable[..., Visit]) -> None:
    """The mark stands at the same share of the axis as its value of the last tick: 303.4 / 17.848 = 17.0 °dH."""
    drawn = _chart(visit, unit="°dH")

    assert _hardness(drawn.spots[0].x, _end(drawn.x_ticks)) == pytest.approx(303.4 / 17.848, rel=1e-4)


@pytest.mark.parametrize("expected", [(290.0, 220.0), (120.0, 55.0), (60.0, 45.0), (330.0, 30.0)])
def test_labels_cover_neither_each_other_nor_a_box(visit: Callable[..., Visit], expected: tuple[float, float]) -> None:
    water = site_water(visit().samples, known_machines()["brewer"], PROFILE, 20.0)
    places = dict(zip(("raw", "treated", "expected"), [(303.0, 232.0), (321.0, 250.0), expected], strict=True))
    waters = [(kind, _moved(water, *place)) for kind, place in places.items()]

    drawn = client_chart.draw(waters, LABELS, PROFILE, 125.0, own_unit("DE"))

    assert drawn is not None
    middles = [(spot.label_x, spot.label_y) for spot in drawn.spots]
    for one, (x, y) in enumerate(middles):
        for other_x, other_y in middles[one + 1 :]:
            assert abs(y - other_y) >= 11.0 or abs(x - other_x) >= 20.0
    assert len(drawn.arrows) in (0, 1, 2)


def test_without_alkalinity_there_is_no_chart(visit: Callable[..., Visit]) -> None:
    samples = visit(alkalinity_mg_l_caco3=float("nan"), **{"alkalinity_mg_l_caco3.u": float("nan")}).samples
    water = site_water(samples, known_machines()["brewer"], PROFILE, 20.0)

    assert client_chart.draw([("raw", water)], LABELS, PROFILE, 95.0, own_unit("")) is None

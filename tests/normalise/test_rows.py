"""What a row says beside its readings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pipeline.normalise.time_zones import known_zone

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.normalise.readings import Normalised

    Read = Callable[..., Normalised]


def collected(found: Normalised) -> list[str]:
    return list(found.rows["collected_at"].dt.strftime("%Y-%m-%d %H:%M"))


def cells(rows: int) -> list[dict[str, object]]:
    return [{"analyte": "ph", "raw_text": "7.4", "row": row} for row in range(rows)]


def test_each_row_has_its_own_time_zone(read_table: Read) -> None:
    zones = ["CEST", "EST", "GMT-05:00", "Asia/Tokyo", ""]
    rows = [{"collected_on": "2025-07-01", "collected_at_time": "10:00", "time_zone": zone} for zone in zones]

    found = read_table(*cells(5), rows=rows, zone="Europe/Berlin")

    assert [moment[-5:] for moment in collected(found)] == ["08:00", "15:00", "15:00", "01:00", "08:00"]
    assert found.notices.empty


def test_an_unknown_time_zone_is_told_and_the_setting_holds(read_table: Read) -> None:
    row = {"collected_on": "2025-07-01", "collected_at_time": "10:00", "time_zone": "noonish"}

    found = read_table(*cells(1), rows=[row], zone="Europe/Berlin")

    assert collected(found) == ["2025-07-01 08:00"]
    assert found.notices[["column", "problem"]].to_numpy().tolist() == [["time zone", "field-unreadable"]]


def test_a_time_that_is_none_costs_the_time_and_not_the_day(read_table: Read) -> None:
    row = {"collected_on": "12.03.2025", "collected_at_time": "morning"}

    found = read_table(*cells(1), rows=[row])

    assert found.rows["collected_precision"].item() == "day"
    assert collected(found) == ["2025-03-12 00:00"]
    assert found.notices["column"].tolist() == ["collected at time"]


@pytest.mark.common_practice
@pytest.mark.parametrize(("country", "month"), [("US", 7), ("USA", 7), ("DE", 8), ("", 8)])
def test_the_country_decides_an_open_order_of_day_and_month_and_the_row_says_it_was_open(
    read_table: Read, country: str, month: int
) -> None:
    found = read_table(*cells(1), rows=[{"collected_on": "07/08/2025", "country": country}])

    assert found.rows["collected_at"].dt.month.item() == month
    assert found.rows["date_order"].item() == ("m collected_on" if month == 7 else "d collected_on")


def test_another_date_of_the_file_proves_the_order(read_table: Read) -> None:
    found = read_table(*cells(1), rows=[{"collected_on": "07/08/2025", "analysed_on": "07/28/2025"}])

    assert collected(found) == ["2025-07-08 00:00"]
    assert "date_order" not in found.rows


def test_other_dates_of_a_row_are_read_or_told(read_table: Read) -> None:
    rows = [{"reagent_expiry": "31.12.2025"}, {"reagent_expiry": "soon"}]

    found = read_table(*cells(2), rows=rows)

    assert found.rows["reagent_expiry"].dt.strftime("%Y-%m-%d").tolist()[0] == "2025-12-31"
    assert found.notices[["line", "column", "problem"]].to_numpy().tolist() == [
        [3, "reagent expiry", "date-unreadable"]
    ]


def test_numbers_of_a_row_become_numbers_or_are_told(read_table: Read) -> None:
    rows = [{"litres_per_day": "45", "bypass_percent": "30 %"}, {"litres_per_day": "plenty"}]

    found = read_table(*cells(2), rows=rows)

    assert found.rows["litres_per_day"].tolist()[0] == 45.0
    assert found.rows["bypass_percent"].tolist()[0] == 30.0
    assert found.notices[["line", "column", "problem"]].to_numpy().tolist() == [
        [3, "litres per day", "field-unreadable"]
    ]


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("degree", "unit", "drop"),
    [
        ("1", "°dH", 17.848),
        ("1 °f", "", 10.0),
        ("1", "gpg", 17.118),
        ("20", "mg/L CaCO3", 20.0),
        ("0,1", "mmol/l", 10.009),
    ],
)
def test_the_value_of_a_drop_is_a_hardness(read_table: Read, degree: str, unit: str, drop: float) -> None:
    found = read_table(*cells(1), rows=[{"degree_per_drop": degree, "degree_unit": unit}])

    assert found.rows["drop_mg_l"].item() == pytest.approx(drop, rel=1e-4)


@pytest.mark.parametrize(
    ("text", "zone"),
    [
        ("EDT", "UTC-04:00"),
        ("mesz", "UTC+02:00"),
        ("GMT-05:00", "UTC-05:00"),
        ("+2", "UTC+02:00"),
        ("+0530", "UTC+05:30"),
        ("Europe/Rome", "Europe/Rome"),
        ("Mars/Base", ""),
        ("", ""),
    ],
)
def test_a_time_zone_is_known_by_name_abbreviation_or_offset(text: str, zone: str) -> None:
    assert known_zone(text) == zone

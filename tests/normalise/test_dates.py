"""Dates by explicit formats."""

from __future__ import annotations

import pandas as pd
import pytest

from pipeline.normalise.dates import parse


def read(
    *texts: str, zone: str = "UTC", formats: tuple[str, ...] = (), month_first: bool = False
) -> pd.DataFrame:
    return parse(pd.Series(texts, dtype="str"), formats, zone, month_first=month_first)


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2025-03-12", "2025-03-12"),
        ("12.03.2025", "2025-03-12"),
        ("12.3.25", "2025-03-12"),
        ("2025/3/12", "2025-03-12"),
        ("2025年3月12日", "2025-03-12"),
        ("R7/3/12", "2025-03-12"),
        ("R7.3.12", "2025-03-12"),
        ("令和7年3月12日", "2025-03-12"),
        ("令和元年5月1日", "2019-05-01"),
        ("H31.4.30", "2019-04-30"),
        ("S63/12/31", "1988-12-31"),
        ("31 Dicembre 2019", "2019-12-31"),
        ("3. März 2025", "2025-03-03"),
        ("13/12/2025", "2025-12-13"),
        ("12/13/2025", "2025-12-13"),
    ],
)
def test_a_date_of_any_country_is_read(text: str, day: str) -> None:
    frame = read(text)

    assert frame["moment"].dt.strftime("%Y-%m-%d").item() == day
    assert frame["precision"].item() == "day"


@pytest.mark.parametrize(
    ("text", "precision"), [("2019", "year"), ("Dicembre 2019", "month"), ("2025-03-12 10:05", "time")]
)
def test_the_precision_of_a_date_is_kept(text: str, precision: str) -> None:
    assert read(text)["precision"].item() == precision


@pytest.mark.parametrize("text", ["postmonsoon 2018", "2026-13-01", "31.02.2025", "1e3", "12", "soon"])
def test_what_is_no_date_is_a_problem(text: str) -> None:
    assert read(text)["problem"].item() == "date-unreadable"


def test_a_doubtful_order_is_reported() -> None:
    assert read("07/08/2025")["problem"].item() == "date-ambiguous"
    assert read("07/08/2025")["moment"].dt.month.item() == 8
    assert read("07/08/2025", month_first=True)["moment"].dt.month.item() == 7


def test_one_day_above_twelve_proves_the_order_of_a_column() -> None:
    frame = read("07/08/2025", "07/23/2025")

    assert frame["moment"].dt.day.tolist() == [8, 23]
    assert (frame["problem"] == "").all()


def test_an_iso_date_is_never_turned_round() -> None:
    """Where dayfirst=True is set, pandas=True reads 2026-03-01 as 3 January; explicit formats cannot."""
    assert read("2026-03-01")["moment"].dt.month.item() == 3


def test_a_time_is_stored_in_utc_and_a_date_stays_the_date() -> None:
    frame = read("2025-07-01 10:00", "2025-07-01", zone="Europe/Berlin")

    assert frame["moment"].dt.strftime("%Y-%m-%d %H:%M").tolist() == ["2025-07-01 08:00", "2025-07-01 00:00"]


def test_the_formats_of_the_layout_come_first() -> None:
    frame = read("07/08/2025", formats=("%m/%d/%Y",))

    assert (frame["moment"].dt.month.item(), frame["problem"].item()) == (7, "")

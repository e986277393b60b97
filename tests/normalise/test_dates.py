"""Dates by explicit formats."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.normalise.dates import DateStyle, parse_dates


def read(*texts: str, zone: str = "UTC", formats: tuple[str, ...] = (), month_first: bool = False) -> pd.DataFrame:
    style = DateStyle(formats, month_first=month_first)
    return parse_dates(pd.Series(texts, dtype="str"), np.zeros(len(texts), dtype="int64"), [style], zone)


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
    ("text", "precision"),
    [
        ("2019", "year"),
        ("Dicembre 2019", "month"),
        ("2025-03", "month"),
        ("03/2025", "month"),
        ("2025年3月", "month"),
        ("mar-25", "month"),
        ("janv.-25", "month"),
        ("KW 12/2025", "week"),
        ("2025-W12", "week"),
        ("semaine 12 2025", "week"),
        ("2025-03-12 10:05", "time"),
    ],
)
def test_the_precision_of_a_date_is_kept(text: str, precision: str) -> None:
    assert read(text)["precision"].item() == precision


@pytest.mark.parametrize(
    ("text", "month"),
    [
        ("Q1 2025", 1),
        ("2025-Q2", 4),
        ("3. Quartal 2025", 7),
        ("T1 2025", 1),
        ("1er trimestre 2025", 1),
        ("IV trimestre 2025", 10),
        ("2.º trimestre de 2025", 4),
        ("2e kwartaal 2025", 4),
        ("2025年第2季度", 4),
        ("II kwartał 2025", 4),
    ],
)
def test_a_quarter_is_its_first_day_and_says_so(text: str, month: int) -> None:
    frame = read(text)

    assert frame["moment"].dt.strftime("%Y-%m-%d").item() == f"2025-{month:02}-01"
    assert frame["precision"].item() == "quarter"


@pytest.mark.parametrize(
    "text",
    [
        "postmonsoon 2018",
        "2026-13-01",
        "31.02.2025",
        "1e3",
        "12",
        "soon",
        "Q5 2025",
        "Q1 2024/2025",
        "Mar 25",
        "KW 60/2025",
    ],
)
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


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2025-07-01T10:00:30Z", "2025-07-01 10:00:30"),
        ("2025-07-01T10:00:00+02:00", "2025-07-01 08:00:00"),
        ("2025-07-01 10:00 -0500", "2025-07-01 15:00:00"),
        ("1.7.2025 10:00 Uhr", "2025-07-01 08:00:00"),
        ("1.7.2025, 10:00", "2025-07-01 08:00:00"),
        ("2025-07-01 01:15 PM", "2025-07-01 11:15:00"),
        ("2025-07-01 12:05 a.m.", "2025-06-30 22:05:00"),
        ("2025-07-01 10h05", "2025-07-01 08:05:00"),
    ],
)
def test_a_time_of_day_follows_any_date(text: str, utc: str) -> None:
    """Berlin keeps UTC+2 in July; an offset in the text goes first."""
    frame = read(text, zone="Europe/Berlin")

    assert frame["moment"].dt.strftime("%Y-%m-%d %H:%M:%S").item() == utc
    assert frame["precision"].item() == "time"


@pytest.mark.parametrize("text", ["2025-07-01 25:00", "2025-07-01 10:61", "2025-07-01 13:00 PM", "10:00"])
def test_a_time_that_no_clock_shows_is_a_problem(text: str) -> None:
    assert read(text)["problem"].item() == "date-unreadable"


def test_midnight_with_seconds_is_a_date_without_a_time() -> None:
    frame = read("2016-01-27 00:00:00", zone="Europe/Berlin")

    assert frame["precision"].item() == "day"
    assert frame["moment"].dt.day.item() == 27


def test_the_hour_that_a_clock_repeats_is_doubtful() -> None:
    """On 26 October 2025 Berlin shows 02:30 twice: 00:30 UTC in summer time, 01:30 in winter time."""
    frame = read("2025-10-26 02:30", "2025-10-26 04:30", zone="Europe/Berlin")

    assert frame["moment"].dt.hour.tolist() == [1, 3]
    assert frame["problem"].tolist() == ["date-ambiguous", ""]


def test_a_layout_that_lists_both_orders_lets_the_column_decide() -> None:
    both = ("%d/%m/%Y", "%m/%d/%Y")

    frame = read("07/08/2025", "07/23/2025", formats=both)

    assert frame["moment"].dt.strftime("%m-%d").tolist() == ["07-08", "07-23"]
    assert read("07/08/2025", formats=both)["problem"].item() == "date-ambiguous"


def test_a_layout_may_name_months_in_words() -> None:
    frame = read("12 Mar 2025", formats=("%d %b %Y",))

    assert frame["moment"].dt.strftime("%Y-%m-%d").item() == "2025-03-12"


def test_a_column_that_proves_both_orders_reads_only_its_own() -> None:
    frame = read("13/12/2025", "12/13/2025")

    assert frame["problem"].tolist() == ["", "date-unreadable"]


def test_tables_read_together_keep_their_own_order_of_day_and_month() -> None:
    texts = pd.Series(["07/08/2025", "23/08/2025", "07/08/2025", "08/23/2025", "07/08/2025"], dtype="str")

    frame = parse_dates(texts, np.array([0, 0, 1, 1, 2]), [DateStyle()] * 3, "UTC")

    assert frame["moment"].dt.month.tolist() == [8, 8, 7, 8, 8]
    assert frame["problem"].tolist() == ["", "", "", "", "date-ambiguous"]


@pytest.mark.common_practice
def test_a_time_that_the_clocks_skip_is_told_and_read_as_the_end_of_that_hour() -> None:
    """On the last Sunday of March clocks in most of Europe go from 02:00, 01:00 UTC, to 03:00."""
    frame = read("29.03.2026 02:30", "29.03.2026 03:00", "29.03.2026 01:59", zone="Europe/Zurich")

    assert frame["problem"].tolist() == ["time-skipped", "", ""]
    assert frame["moment"].dt.strftime("%H:%M").tolist() == ["01:00", "01:00", "00:59"]

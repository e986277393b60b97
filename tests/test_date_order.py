"""The order of day and month is decided once per file, by the next best witness, and told once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pipeline.intake import run as take_in
from pipeline.settings import Settings
from pipeline.store.database import Store

if TYPE_CHECKING:
    from pathlib import Path

HEADINGS = "Sample,Client,Site,Date,Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3)\n"


def dated(folder: Path, files: dict[str, str]) -> tuple[dict[str, str], list[tuple[str, str]]]:
    """Take files in; give the day of each label and site, and what was told of dates."""
    inbox = folder / "inbox"
    inbox.mkdir()
    for name, text in files.items():
        (inbox / name).write_text(text, encoding="utf-8")
    settings = Settings(store=folder / "kettlestone.duckdb", out=folder / "out")
    take_in([inbox], settings)
    with Store(settings.store) as store:
        days = store.connection.execute("SELECT label, strftime(collected_at, '%Y-%m-%d') FROM sample").fetchall()
        told = store.connection.execute(
            "SELECT problem, message FROM notice WHERE problem LIKE 'date-%' ORDER BY ALL"
        ).fetchall()
    return dict(days), told


@pytest.mark.common_practice
def test_the_country_of_the_site_decides(tmp_path: Path) -> None:
    """Month first in one country, day first in the next; Canadians write both, and one site names no country."""
    countries = ("US", "GB", "CA", "")
    sites = "client,site,country,region\n" + "".join(f"Diner,Diner {one},{one},x\n" for one in countries)
    kits = {f"kit {one}.csv": f"{HEADINGS}D-{one},,Diner {one},02/03/2026,212,180\n" for one in countries}

    days, told = dated(tmp_path, {**kits, "sites.csv": sites})

    assert days == {"D-US": "2026-02-03", "D-GB": "2026-03-02", "D-CA": "2026-03-02", "D-": "2026-03-02"}
    assert [problem for problem, _ in told] == ["date-ambiguous"] * 2 + ["date-order"] * 2
    assert [country for country in ("GB", "US") if country in told[2][1] + told[3][1]] == ["GB", "US"]


def test_the_other_dates_of_the_file_are_proof_and_need_no_telling(tmp_path: Path) -> None:
    rows = "D-1,,Diner 5,02/03/2026,212,180\nD-2,,Diner 5,02/23/2026,212,180\n"

    assert dated(tmp_path, {"kit.csv": HEADINGS + rows}) == ({"D-1": "2026-02-03", "D-2": "2026-02-23"}, [])


def test_the_same_label_with_day_and_month_exchanged_decides(tmp_path: Path) -> None:
    lab = "Sample,Client,Site,Date,pH,Calcium (mg/L)\nD-1,,Diner 5,2026-02-03,7.4,60\n"
    kit = HEADINGS + "D-1,,Diner 5,02/03/2026,212,180\nD-2,,Diner 5,04/05/2026,212,180\n"

    days, told = dated(tmp_path, {"kit.csv": kit, "lab.csv": lab})

    assert days == {"D-1": "2026-02-03", "D-2": "2026-04-05"}
    assert len(told) == 1
    assert 'another file dates the sample "d-1" so' in told[0][1]
    assert "2 rows of the file have such dates" in told[0][1]


def test_a_date_in_the_name_of_the_file_is_evidence_and_shown_as_such(tmp_path: Path) -> None:
    days, told = dated(tmp_path, {"kit_2026-02-03.csv": HEADINGS + "D-1,,Diner 5,02/03/2026 10:15,212,180\n"})

    assert days == {"D-1": "2026-02-03"}
    assert "month first; 1 row of the file has such a date): the name of the file says 2026-02-03" in told[0][1]


def test_sites_of_countries_that_write_both_orders_leave_it_open(tmp_path: Path) -> None:
    sites = "client,site,country,region\nDiner,Diner 5,US,x\nDiner,Diner 6,DE,y\n"
    kit = HEADINGS + "D-1,,Diner 5,02/03/2026,212,180\nD-2,,Diner 6,04/05/2026,212,180\n"

    _, told = dated(tmp_path, {"kit.csv": kit, "sites.csv": sites})

    assert [problem for problem, _ in told] == ["date-ambiguous"]
    assert "DE, US" in told[0][1]


@pytest.mark.common_practice
def test_the_language_of_the_headings_decides_last_and_once_a_file(tmp_path: Path) -> None:
    """Dutch writes the day first; English headings leave it open."""
    dutch = "Monster;Datum;Meetpunt;pH;EGV (µS/cm)\nD-1;02-03-2026;Bar;7,4;500\nD-2;09-03-2026;Bar;7,4;510\n"

    days, told = dated(tmp_path, {"a.csv": dutch, "b.csv": HEADINGS + "E-1,,Diner,02/03/2026,212,180\n"})

    assert days == {"D-1": "2026-03-02", "D-2": "2026-03-09", "E-1": "2026-03-02"}
    assert [problem for problem, _ in told] == ["date-ambiguous", "date-order"]
    assert "Dutch" in told[1][1]

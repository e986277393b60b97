"""`trend`: files in, answers out, against a country whose truth is known."""

from __future__ import annotations

import csv
import io
import json
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from pipeline.cli import main

if TYPE_CHECKING:
    from collections.abc import Callable

    from click.testing import Result

KEYS = [
    "by", "group", "analyte", "stage", "unit", "samples", "sites", "censored", "median", "slope_per_year",
    "slope_low", "slope_high", "p", "q", "season", "changes",
]  # fmt: skip


def one(rows: list[dict[str, Any]], group: str, analyte: str) -> dict[str, Any]:
    [row] = [row for row in rows if (row["group"], row["analyte"]) == (group, analyte)]
    return row


def test_every_record_has_the_same_keys(records: Callable[[str], list[dict[str, Any]]]) -> None:
    for by in ("region", "instrument"):
        assert all(list(row) == KEYS for row in records(by))


def test_a_drift_is_told_with_its_slope(records: Callable[[str], list[dict[str, Any]]]) -> None:
    """1 mg/L of chloride a year, in the north only."""
    north = one(records("region"), "North", "chloride")

    assert north["slope_low"] < 1.0 < north["slope_high"]
    assert north["q"] < 0.01
    assert (north["samples"], north["sites"], north["unit"]) == (240, 6, "mg/L")


def test_nothing_else_drifts(records: Callable[[str], list[dict[str, Any]]]) -> None:
    """Not a change of source, not sites that come late, not a water that goes back and forth with the seasons.

    Sodium goes with chloride, and so does conductivity by a little.
    """
    told = {(row["group"], row["analyte"]) for row in records("region") if row["q"] is not None and row["q"] <= 0.1}

    assert {("North", "chloride"), ("North", "sodium")} <= told
    assert told <= {("North", "chloride"), ("North", "sodium"), ("North", "conductivity")}


def test_what_whoever_was_sampled_would_show_stands_beside(trend: Callable[..., Result]) -> None:
    """Two hard sites of the east begin late: medians of all samples rise by 5 mg/L a year, no water does."""
    text = trend("--by", "region", "--analyte", "hardness").stdout

    [row] = [line.split() for line in text.splitlines() if line.strip().startswith("East")]
    assert float(row[-1]) > 3
    assert "unmatched: the slope that medians of whoever was sampled would show." in text


def test_a_change_of_source_is_dated_within_its_gap(records: Callable[[str], list[dict[str, Any]]]) -> None:
    """The hill's water got 40 % harder in the middle of 2019, at all five sites; the lake's goes back and forth."""
    found = [(row, change) for row in records("site") for change in row["changes"] if change["kind"] == "source-change"]

    assert {row["group"] for row, _ in found} == {f"South-{number}" for number in range(5)}
    assert {row["analyte"] for row, _ in found} == {"total_hardness", "alkalinity", "conductivity"}
    for row, change in found:
        assert change["earliest"] < "2019-07-02" <= change["latest"]
        assert change["earliest"] <= change["date"] <= change["latest"]
        if row["analyte"] == "total_hardness":
            assert change["after"] / change["before"] == pytest.approx(1.4, abs=0.08)
            assert "4 other sites of the utility" in change["evidence"]


def test_a_meter_that_reads_high_is_named_and_no_other(records: Callable[[str], list[dict[str, Any]]]) -> None:
    found = {row["group"]: change for row in records("instrument") for change in row["changes"]}

    assert list(found) == ["EC-2"]
    assert found["EC-2"]["kind"] == "instrument"
    assert found["EC-2"]["after"] / one(records("instrument"), "EC-2", "conductivity")["median"] == pytest.approx(
        0.08, abs=0.02
    )
    assert "beside the laboratory" in found["EC-2"]["evidence"]


def test_readings_below_a_limit_are_counted_and_summed_up(records: Callable[[str], list[dict[str, Any]]]) -> None:
    """Log-normal nitrate with the median exp(0.3) = 1.35, more than half of it below 1.5."""
    north = one(records("region"), "North", "nitrate")

    assert 0.5 < north["censored"] < 0.7
    assert north["median"] == pytest.approx(1.35, abs=0.15)
    assert north["q"] > 0.1


def test_the_season_is_told(records: Callable[[str], list[dict[str, Any]]]) -> None:
    season = one(records("region"), "North", "total_hardness")["season"]

    assert season["Q1"] > 0 > season["Q3"]


def test_a_quantity_asked_for_alone_is_told_as_among_all(
    trend: Callable[..., Result], records: Callable[[str], list[dict[str, Any]]]
) -> None:
    """Where the source changed shows in other quantities; the south's hardness does not drift, whoever asks."""
    alone = json.loads(trend("--analyte", "hardness", "--json").stdout)

    assert {row["analyte"] for row in alone} == {"total_hardness"}
    for name in ("slope_per_year", "slope_low", "p", "changes"):
        assert one(alone, "South", "total_hardness")[name] == one(records("region"), "South", "total_hardness")[name]


def test_csv_holds_the_same_rows(trend: Callable[..., Result], tmp_path: Path) -> None:
    done = trend("--by", "region", "--analyte", "chloride", "--out", str(tmp_path / "trend.csv"))

    with (tmp_path / "trend.csv").open(encoding="utf-8-sig") as file:
        rows = list(csv.DictReader(io.StringIO(file.read())))
    assert done.exit_code == 0
    assert [row["group"] for row in rows] == ["East", "North", "South"]
    assert list(rows[0]) == KEYS


def test_no_rows_say_why(trend: Callable[..., Result]) -> None:
    text = trend("--by", "kit", "--region", "West").stdout

    assert text.startswith("No rows: no sample that counts names a kit and fits --region West.")


def test_an_unknown_quantity_is_answered_with_the_nearest(trend: Callable[..., Result]) -> None:
    done = trend("--analyte", "chlorid")

    assert done.exit_code == 2
    assert 'did you mean "chloride"?' in done.stderr


def test_the_question_about_sources_gives_the_same_changes(country_store: Path) -> None:
    done = CliRunner().invoke(main, ["query", "source-changes", "--json", "--store", str(country_store)])

    found = json.loads(done.stdout)
    assert sorted(row["site"] for row in found) == [f"South-{number}" for number in range(5)]
    assert all(row["earliest"][:10] < "2019-07-02" <= row["latest"][:10] for row in found)
    assert all(row["hardness_after"] > 1.3 * row["hardness_before"] for row in found)


def test_the_page_says_what_changed_where_how_sure_and_what_to_do(trend: Callable[..., Result], tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    done = trend("--html", "--out", str(page))
    text = page.read_text("utf-8")

    assert done.stdout == f"Page to read, print or send: {page}\n"
    assert "<script" not in text
    assert "http" not in text
    headline = text.split("<h1>")[1].split("</h1>")[0]
    assert re.fullmatch(r"[23] trends and 1 change of source", headline)
    assert "North: Chloride" in text
    assert text.count("<svg") >= 2
    assert "5 sites (South-0, South-1, South-2, South-3, South-4)" in text
    assert re.search(r"North: chloride \+[\d.]+ mg/L a year\. It corrodes steel and brass", text)
    assert re.search(r"<figcaption>576 raw samples, the darker the more in squares of 25 mg/L", text)


@pytest.mark.slow
def test_the_readme_writes_a_page_every_month(
    country_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The flow of the README, run once without its schedule and its server."""
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    lines = readme.split("<!-- python: monthly -->\n```python\n")[1].split("```")[0]
    monkeypatch.setenv("DO_NOT_TRACK", "1")
    monkeypatch.setenv("PATH", str(Path(sys.executable).parent), prepend=":")
    names: dict[str, Any] = {"__name__": "monthly"}

    exec(lines, names)  # noqa: S102 - the lines of the README
    page = names["monthly_page"].fn(str(country_store), str(tmp_path))

    assert re.fullmatch(r"trends-20\d\d-\d\d\.html", Path(page).name)
    assert "<svg" in Path(page).read_text("utf-8")


def test_a_site_shows_its_change_in_its_picture(trend: Callable[..., Result], tmp_path: Path) -> None:
    """The slope is that of the time before and after apart; the course is that of the tap, with the change marked."""
    page = tmp_path / "site.html"
    trend("--by", "site", "--site", "North-1", "--html", "--out", str(page))

    assert "North-1: Chloride" in page.read_text("utf-8")


@pytest.mark.parametrize("by", ["region", "site", "client", "utility", "operator", "instrument", "kit"])
def test_where_no_sample_fits_the_answer_is_empty_and_says_why(trend: Callable[..., Result], by: str) -> None:
    done = trend("--by", by, "--since", "2031-01-01")

    assert done.exit_code == 0
    assert done.stdout.startswith("No rows: no sample that counts names a")
    assert trend("--by", by, "--since", "2031-01-01", "--json").stdout.strip() == "[]"


SERIES = {
    # EPA QA/G-9S, as yearly samples of one tap: S 22, p 0.092, slope 1.
    "Worked": [(2010 + n, "North", str(v)) for n, v in enumerate([10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15])],
    "Once": [(2020, "Alone", "12")],
    "Below": [(2010 + n, "North", "<5") for n in range(11)],
    "Moved": [(2010 + n, "North" if n < 6 else "South", "10" if n < 6 else "30") for n in range(12)],
    "Gap": [(year, "North", str(v)) for year, v in ((2001, 9), (2002, 11), (2003, 10), (2019, 10), (2020, 9))],
    "Zero": [(2010 + n, "North", "0") for n in range(8)],
}  # fmt: skip


@pytest.fixture(scope="module")
def odd_store(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Give the store of every site of ``SERIES``, and of one that was written in two units."""
    folder = tmp_path_factory.mktemp("odd")
    lines = [
        f"{site}-{year},Q,{site},{region},raw,{year}-05-01,lab,{value}"
        for site, rows in SERIES.items()
        for year, region, value in rows
    ]
    head = "Sample,Client,Site,Region,Stage,Date,Method,Chloride (mg/L)"
    (folder / "odd.csv").write_text("\n".join([head, *lines]) + "\n", "utf-8")
    # One water of 25 °dH = 446.2 mg/L as CaCO3: a laboratory that changed its unit, half of its clocks with an offset.
    changed = [
        f"Twice-{n},Q,Twice,North,raw,{2008 + n}-05-01T23:30:00{'' if n % 2 else '+02:00'},P7,lab,Total hardness,"
        f"{f'{25 + n % 2 * 0.1:.1f},°dH' if n < 5 else f'{446.2 + n % 2:.1f},mg/L as CaCO3'}"
        for n in range(10)
    ]
    head = "Sample,Client,Site,Region,Stage,Date,Operator,Method,Parameter,Result,Unit"
    (folder / "units.csv").write_text("\n".join([head, *changed]) + "\n", "utf-8")
    done = CliRunner().invoke(main, ["intake", str(folder), "--out", str(folder / "out")])
    assert done.exit_code in (0, 1), done.output
    return str(folder / "out" / "kettlestone.duckdb")


@pytest.fixture(scope="module")
def odd_series(odd_store: str) -> dict[str, dict[str, Any]]:
    """Give the trend of every site of that store."""
    words = ["trend", "--by", "site", "--let-in", "unjudged", "--let-in", "hold", "--json", "--store", odd_store]
    done = CliRunner().invoke(main, words)
    return {row["group"]: row for row in json.loads(done.stdout)}


@pytest.mark.source("EPAQAG9S")
def test_the_worked_data_through_the_front_door(odd_series: dict[str, dict[str, Any]]) -> None:
    assert odd_series["Worked"]["p"] == pytest.approx(0.0920, abs=5e-5)
    assert odd_series["Worked"]["slope_per_year"] == pytest.approx(1.0, abs=0.005)


def test_nothing_is_invented_of_odd_series(odd_series: dict[str, dict[str, Any]]) -> None:
    """One sample, all below a limit, a site that moved into another region, a gap of years, readings of nothing."""
    assert {row["group"] for row in odd_series.values() if row["q"] is not None and row["q"] <= 0.1} == set()
    assert all(row["changes"] == [] for row in odd_series.values())
    assert (odd_series["Once"]["p"], odd_series["Once"]["median"]) == (None, 12)
    assert (odd_series["Below"]["censored"], odd_series["Below"]["median"]) == (1, None)
    assert odd_series["Moved"]["samples"] == 12
    assert odd_series["Zero"]["slope_per_year"] == 0
    assert (odd_series["Twice"]["samples"], odd_series["Twice"]["unit"]) == (10, "mg/L as CaCO3")
    assert odd_series["Twice"]["median"] == pytest.approx(446.7, abs=1.5)


def test_whose_samples_do_not_count_is_told_where_people_are_compared(odd_store: str) -> None:
    """All that P7 read is left out; a list of people without the one in question would be no answer."""
    done = CliRunner().invoke(main, ["trend", "--by", "operator", "--store", odd_store])

    assert "10 samples of these by P7" in done.stdout

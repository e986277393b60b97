"""Charts and limits against published rules and worked numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from click.testing import CliRunner

from pipeline.bench.control_chart import chart_of, detection_limit
from pipeline.bench.controls import chart_points, control_charts, control_readings
from pipeline.cli import main
from pipeline.intake import run
from pipeline.report.pictures.control import control_chart_svg
from pipeline.settings import Settings

if TYPE_CHECKING:
    from pathlib import Path

# A worked series: mean 100.00 and s 0.8651, so that 2 s is 1.73 and 3 s is 2.60.
SERIES = [
    99.1,
    101.2,
    100.4,
    98.7,
    100.9,
    99.6,
    100.2,
    101.5,
    98.9,
    99.5,
    100.8,
    100.1,
    99.9,
    100.6,
    99.0,
    101.0,
    100.3,
]
SERIES += [98.5, 99.8, 100.0]


@pytest.mark.source("APHA1020")
def test_warning_and_action_limits_are_two_and_three_standard_deviations() -> None:
    chart = chart_of(np.array(SERIES))

    assert chart.mean == pytest.approx(100.0, abs=0.005)
    assert chart.deviation == pytest.approx(0.8651, abs=5e-5)
    assert chart.warning == pytest.approx((98.27, 101.73), abs=0.005)
    assert chart.action == pytest.approx((97.40, 102.60), abs=0.005)
    assert (chart.sure, chart.breaks, chart.drift) == (True, (), -1)
    assert not chart_of(np.array(SERIES[:19])).sure


@pytest.mark.source("WESTGARD1981")
@pytest.mark.parametrize(
    ("more", "rule"),
    [
        ([2.1], "1 2s"),
        ([3.1], "1 3s"),
        ([2.1, 2.2], "2 2s"),
        ([2.1, -2.2], "R 4s"),
        ([1.1, 1.2, 1.3, 1.1], "4 1s"),
        ([0.1] * 10, "10 x"),
        ([0.5, -0.5], ""),
    ],
)
def test_every_rule_is_broken_by_what_it_names(more: list[float], rule: str) -> None:
    """The numbers are standard deviations from the mean of the series."""
    values = np.append(SERIES, 100.0 + 0.8651 * np.array(more))

    assert dict(chart_of(values).breaks).get(len(values) - 1, "") == rule


@pytest.mark.source("ROBERTS1959")
def test_a_slow_drift_shows_in_the_moving_average_before_any_reading_is_out() -> None:
    """Readings 1.2 s too high: each is ordinary, their average is beyond 2.7 √(0.2/1.8) = 0.9 s."""
    zigzag = np.tile([0.95, 1.5], 8)
    values = np.append(SERIES, 100.0 + 0.8651 * zigzag)

    chart = chart_of(values)

    assert chart.drift > len(SERIES)
    assert not [rule for _, rule in chart.breaks if rule in ("1 3s", "2 2s", "4 1s")]


@pytest.mark.source("CFR136")
def test_the_detection_limit_is_that_of_seven_spikes() -> None:
    """S 0.047909 and t 3.1427 give 0.15056; six do not count; blanks of which the mean is 0.02 add it."""
    spikes = np.array([0.52, 0.61, 0.48, 0.55, 0.57, 0.50, 0.59])

    assert detection_limit(np.array([]), spikes) == pytest.approx(0.15056, abs=5e-6)
    assert np.isnan(detection_limit(np.array([]), spikes[:6]))
    assert detection_limit(spikes - spikes.mean() + 0.02, np.array([])) == pytest.approx(0.17056, abs=5e-6)


@pytest.mark.source("CFR136")
def test_blanks_that_found_nothing_give_no_number_to_the_limit() -> None:
    """Of seven blanks of which two gave a number the highest counts; without any number there is no limit by blanks."""
    some = np.array([np.nan, 0.06, np.nan, np.nan, 0.07, np.nan, np.nan])

    assert detection_limit(some, np.array([])) == 0.07
    assert np.isnan(detection_limit(np.full(7, np.nan), np.array([])))
    assert np.isnan(detection_limit(some[:6], np.array([])))


@pytest.mark.source("CFR136")
def test_the_larger_of_both_limits_counts_and_a_mean_below_nothing_is_nothing() -> None:
    spikes = np.array([0.52, 0.61, 0.48, 0.55, 0.57, 0.50, 0.59])
    negative = spikes - spikes.mean() - 0.02

    assert detection_limit(negative, np.array([])) == pytest.approx(0.15056, abs=5e-6)
    assert detection_limit(spikes / 10, spikes) == pytest.approx(max(0.15056, 0.05457 + 0.015056), abs=5e-6)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twenty standards of 1413 µS/cm of two meters, one of which is replaced by a worn one at the end; eight blanks."""
    folder = tmp_path_factory.mktemp("bench")
    rows = ["Date,Sample,Sample type,Instrument,Conductivity (µS/cm),Chloride (mg/L)"]
    for day, value in enumerate(SERIES, start=1):
        rows.append(f"2025-03-{day:02},KCl 1413,standard,M1,{14.13 * value:.1f},")
        rows.append(f"2025-03-{day:02},KCl 1413 b,standard,M2,{14.13 * value:.1f},")
    rows.append("2025-03-22,KCl 1413,standard,M1,1370,")
    rows += [f"2025-03-{day:02},blank {day},blank,IC,,{0.05 * (day % 3):.2f}" for day in range(1, 9)]
    # The kit of drops by its lots; low spikes and blanks of one method, of which two found something.
    rows[0] += ",Reagent lot,Nitrate (mg/L as NO3),Method"
    rows[1:] = [row + ",,," for row in rows[1:]]
    spikes = [0.52, 0.61, 0.48, 0.55, 0.57, 0.50, 0.59]
    rows += [
        f"2025-04-{day:02},blank spike 0.5,spike,IC,,,L-7,{value},laboratory" for day, value in enumerate(spikes, 1)
    ]
    blanks = ["<0.05", "0.06", "<0.05", "<0.05", "0.07", "<0.05", "<0.05"]
    rows += [f"2025-04-{day:02},blank n{day},blank,IC,,,L-7,{value},laboratory" for day, value in enumerate(blanks, 1)]
    (folder / "bench.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    run([folder / "bench.csv"], Settings(out=folder / "out", store=folder / "s.duckdb"))
    return folder / "s.duckdb"


def test_each_meter_has_its_chart_and_the_one_out_of_control_comes_first(store: Path) -> None:
    charts = control_charts(control_readings(Settings(store=store)), "instrument")

    told = {(row["analyte"], row["group"]): row for row in charts.to_dict("records")}
    worn = told["conductivity", "M1"]
    assert (worn["state"], worn["readings"], worn["breaks"]) == ("out of control", 21, "2025-03-22 1 3s")
    assert worn["mean"] == pytest.approx(100.0, abs=0.01)
    assert told["conductivity", "M2"]["state"] == "in control"
    assert charts["group"].iloc[0] == "M1"
    assert told["chloride", "IC"]["detection_limit"] > 0


def test_the_command_says_it_in_words_and_as_a_table(store: Path) -> None:
    result = CliRunner().invoke(main, ["control", "--store", str(store)])
    table = CliRunner().invoke(main, ["control", "--by", "method", "--format", "csv", "--store", str(store)])

    assert result.exit_code == 1
    assert "✕ out of control  Conductivity at 25 °C, M1: 21 standards, mean 100" in result.stdout
    assert "2025-03-22: beyond the action limit" in result.stdout
    assert "Detection limit from blanks" in result.stdout
    assert table.stdout.startswith('"analyte","group","readings"')


@pytest.mark.source("CFR136")
def test_a_method_has_its_limits_from_spikes_and_from_blanks_of_the_store(store: Path) -> None:
    """By the lot that the sheet names; hardness and conductivity have none."""
    charts = control_charts(control_readings(Settings(store=store)), "lot")

    [nitrate] = [row for row in charts.to_dict("records") if (row["analyte"], row["group"]) == ("nitrate", "L-7")]
    assert nitrate["limit_by_spikes"] == pytest.approx(0.15056, abs=5e-6)
    assert nitrate["limit_by_blanks"] == 0.07
    assert nitrate["detection_limit"] == nitrate["limit_by_spikes"]
    assert charts.loc[charts["analyte"] == "conductivity", "detection_limit"].isna().all()


def test_a_chart_is_drawn_with_its_limits_and_the_reading_that_broke_a_rule(store: Path) -> None:
    points = chart_points(control_readings(Settings(store=store)), "instrument")
    worn = points[(points["analyte"] == "conductivity") & (points["group"] == "M1")]
    drawn = ET.fromstring(control_chart_svg(worn))  # noqa: S314 - our own drawing

    words = [text.text for text in drawn.iter("text")]
    assert {"mean 100", "1 3s"} <= set(words)
    assert sum(str(word).startswith("warning 9") or str(word).startswith("warning 10") for word in words) == 2
    assert worn["average"].iloc[0] == pytest.approx(100.0 + 0.2 * (worn["value"].iloc[0] - 100.0), abs=0.01)
    assert "script" not in control_chart_svg(worn)

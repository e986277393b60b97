"""Equal figures of two visits: chance or a copied row, by how finely they were read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.checks.coincidence import chance
from pipeline.checks.limits import Limits
from pipeline.checks.registry import CHECKS, run_check

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pipeline.normalise.sample_table import SampleTable

CONDUCTIVITY = "conductivity_us_cm_25c"


def test_figures_in_steps_tie_as_often_as_drawn_ones_do(table_of: Callable[..., SampleTable]) -> None:
    """A water of 677 µS/cm that varies by 3 % and is read to 1 µS/cm: a million drawn pairs show how often they tie.

    By hand: 1/(2·√π·0.03·677) = 0.0139.
    """
    drawn = np.random.default_rng(7).normal(677, 0.03 * 677, (2, 1_000_000)).round()

    estimate = chance(table_of(conductivity_us_cm_25c=[677.0]), [CONDUCTIVITY], 0.03, 0.1).item()

    assert estimate == pytest.approx(0.0139, abs=0.0001)
    assert estimate == pytest.approx((drawn[0] == drawn[1]).mean(), rel=0.03)


@pytest.mark.common_practice
def test_a_kit_and_two_meters_tie_by_chance_within_a_few_thousand_visits(
    table_of: Callable[..., SampleTable],
) -> None:
    """Two counts 0.40 each, pH to a tenth 0.28, 677 µS/cm 0.0139: together 6.3e-4."""
    samples = table_of(
        ph=[7.4],
        conductivity_us_cm_25c=[677.0],
        total_hardness_mg_l_caco3=[321.3],
        total_hardness_mg_l_caco3__method=["drops"],
        alkalinity_mg_l_caco3=[267.7],
        alkalinity_mg_l_caco3__method=["drops"],
    )
    columns = ["ph", CONDUCTIVITY, "total_hardness_mg_l_caco3", "alkalinity_mg_l_caco3"]

    assert chance(samples, columns, 0.03, 0.1).item() == pytest.approx(0.403**2 * 0.282 * 0.0139, rel=0.01)


def test_a_figure_that_follows_from_another_adds_nothing(table_of: Callable[..., SampleTable]) -> None:
    """The pen that shows conductivity shows TDS with it; zeros at the end are rounding."""
    alone = chance(table_of(conductivity_us_cm_25c=[677.0]), [CONDUCTIVITY], 0.03, 0.1).item()
    both = table_of(conductivity_us_cm_25c=[677.0], tds_mg_l=[338.0])
    rounded = chance(table_of(conductivity_us_cm_25c=[700.0]), [CONDUCTIVITY], 0.03, 0.1).item()

    assert chance(both, [CONDUCTIVITY, "tds_mg_l"], 0.03, 0.1).item() == alone
    assert rounded == 1.0


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("second_day", "conductivity", "severity"),
    [("10", 640.0, "note"), ("10", 641.0, "hold"), ("20", 640.0, "note"), ("20", 641.0, "note")],
)
def test_two_sites_on_one_supply_may_read_alike_in_coarse_steps(
    table_of: Callable[..., SampleTable], second_day: str, conductivity: float, severity: str
) -> None:
    """Two counts 0.403 each, pH 0.282, 640 in steps of ten 0.147: once in 150; 641 in steps of one: once in 1480."""
    samples = table_of(
        client=["A", "A"],
        site=["1", "2"],
        stage=["raw", "raw"],
        collected_at=pd.to_datetime(["2025-01-10", f"2025-01-{second_day}"], utc=True),
        ph=[7.4, 7.4],
        conductivity_us_cm_25c=[conductivity, conductivity],
        total_hardness_mg_l_caco3=[321.3, 321.3],
        total_hardness_mg_l_caco3__method=["drops", "drops"],
        alkalinity_mg_l_caco3=[249.9, 249.9],
        alkalinity_mg_l_caco3__method=["drops", "drops"],
    )

    found, _ = run_check(CHECKS["copied-reading"], samples, Limits())

    assert found["severity"].tolist() == [severity, severity]


@pytest.mark.common_practice
def test_only_figures_beyond_chance_or_of_two_sites_hold_a_record(
    load_case: Callable[[Path], SampleTable], case_folder: Path
) -> None:
    samples = load_case(case_folder / "copied-reading" / "bad.csv")

    found, _ = run_check(CHECKS["copied-reading"], samples, Limits())

    assert dict(zip(found["sample_id"], found["severity"], strict=True)) == {
        **dict.fromkeys("12345", "note"),  # the first of the records of different days is the original
        **dict.fromkeys("678", "hold"),
    }
    steady = found.set_index("sample_id").loc["2", "message"]
    assert "steady water read in steps" in str(steady)


@pytest.mark.common_practice
def test_strangers_and_other_years_are_not_compared(table_of: Callable[..., SampleTable]) -> None:
    """A row is copied within a sheet or from the last visit: not from another client, and not from three years ago."""
    row = {
        "ph": 7.63,
        "conductivity_us_cm_25c": 548.0,
        "calcium_mg_l": 78.4,
        "sodium_mg_l": 13.72,
        "chloride_mg_l": 27.3,
    }
    days = pd.to_datetime(["2022-01-10", "2025-01-10", "2025-02-10"], utc=True)
    samples = table_of(
        client=["A", "A", "B"], site=["1", "1", "2"], file_sha256=["a", "b", "c"], collected_at=days,
        **{name: [value] * 3 for name, value in row.items()},
    )  # fmt: skip

    found, _ = run_check(CHECKS["copied-reading"], samples, Limits())

    assert found.empty


@pytest.mark.common_practice
@pytest.mark.parametrize("places", [2, 5])
def test_one_analysis_printed_for_the_addresses_of_a_zone_is_no_copy(
    table_of: Callable[..., SampleTable], places: int
) -> None:
    """Five streets of one place; or a list in which six analyses stand for two streets each."""
    rows = 12 // places * places
    zone = np.arange(rows) // places
    samples = table_of(
        client=["C"] * rows, site=["Town"] * rows, sampling_point=[f"Street {place}" for place in range(rows)],
        file_sha256=["f"] * rows, collected_at=pd.to_datetime(["2025-01-10"] * rows, utc=True),
        calcium_mg_l=(41.3 + zone).tolist(), magnesium_mg_l=(11.2 + zone).tolist(), chloride_mg_l=(9.7 + zone).tolist(),
    )  # fmt: skip

    found, _ = run_check(CHECKS["copied-reading"], samples, Limits())

    assert set(found["severity"]) == {"note"}
    assert found["sample_id"].isna().all()


@pytest.mark.common_practice
@pytest.mark.parametrize(("treated", "severity"), [(142.8, "hold"), (124.9, "note")])
def test_both_bottles_of_a_visit_again_were_copied(
    table_of: Callable[..., SampleTable], treated: float, severity: str
) -> None:
    """One bottle again is once in 1480 pairs of visits; two, and a temperature, once in 1480 · 1480 · 7 · 7."""
    days = pd.to_datetime(["2025-01-10", "2025-01-10", "2025-02-10", "2025-02-10"], utc=True)
    samples = table_of(
        client=["A"] * 4, site=["1"] * 4, stage=["raw", "treated"] * 2, collected_at=days, ph=[7.4, 6.7] * 2,
        temperature_c=[13.0] * 4, conductivity_us_cm_25c=[641.0, 387.0] * 2,
        total_hardness_mg_l_caco3=[321.3, 142.8, 321.3, treated], total_hardness_mg_l_caco3__method=["drops"] * 4,
        alkalinity_mg_l_caco3=[249.9, 71.4] * 2, alkalinity_mg_l_caco3__method=["drops"] * 4,
    )  # fmt: skip

    found, _ = run_check(CHECKS["copied-reading"], samples, Limits())

    later = found[found["sample_id"].isin(samples.about.index[2:])]
    assert set(later["severity"]) == {severity}
    assert ("the whole visit" in later["message"].iloc[0]) == (severity == "hold")
    assert set(found.drop(later.index)["severity"]) == {"note"}


@pytest.mark.common_practice
@pytest.mark.parametrize(("warm", "severity"), [(11.2, "hold"), (12.6, "note")])
def test_a_visit_repeated_with_its_temperature_was_copied(
    table_of: Callable[..., SampleTable], warm: float, severity: str
) -> None:
    """Four figures of three digits tie once in 90 000 pairs of visits; with 11.2 °C, seven times more rarely."""
    days = pd.to_datetime(["2025-02-13", "2025-03-12"], utc=True)
    samples = table_of(
        client=["A"] * 2, site=["1"] * 2, stage=["raw"] * 2, collected_at=days,
        ph=[7.55] * 2, temperature_c=[11.2, warm], conductivity_us_cm_25c=[489.0] * 2,
        total_hardness_mg_l_caco3=[219.0] * 2, alkalinity_mg_l_caco3=[190.0] * 2,
    )  # fmt: skip

    found, _ = run_check(CHECKS["copied-reading"], samples, Limits())

    assert found.loc[found["sample_id"] == samples.about.index[1], "severity"].tolist() == [severity]

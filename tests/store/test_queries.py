"""The named questions, each on a few samples whose answer is plain arithmetic."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

import building
import numpy as np
import pandas as pd
import pytest

from pipeline.errors import KettlestoneError
from pipeline.store.database import Store
from pipeline.store.questions import named_queries, query

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

_TODAY = date(2026, 6, 1)


def _ask(
    path: Path,
    name: str,
    samples: Sequence[tuple[Mapping[str, Any], Mapping[str, float]]],
    **frames: Any,  # noqa: ANN401 - frames of the batch
) -> list[dict[str, Any]]:
    """Store samples given as (facts, numbers) and ask one named question."""
    rows = [{"sample_id": f"s{number}", **facts} for number, (facts, _) in enumerate(samples)]
    long = [
        (f"s{number}", analyte, value)
        for number, (_, numbers) in enumerate(samples)
        for analyte, value in numbers.items()
    ]
    record = building.batch(**({"samples": building.samples(rows), "readings": building.readings(long)} | dict(frames)))
    with Store(path) as store:
        building.write(store, record)
    with Store(path, read_only=True) as store:
        answer = query(store, name, today=_TODAY)
    return [dict(zip(answer.columns, row, strict=True)) for row in answer.itertuples(index=False)]


@pytest.fixture
def path(store: Store) -> Path:
    store.connection.close()
    return store.path


def _water(hardness: float, alkalinity: float, conductivity: float) -> dict[str, float]:
    return {"total_hardness": hardness, "alkalinity": alkalinity, "conductivity": conductivity}


def test_every_question_is_listed_and_runs_on_an_empty_store(path: Path) -> None:
    questions = named_queries()

    assert len(questions) >= 12
    with Store(path, read_only=True) as store:
        for name, question in questions.items():
            assert len(question) > 20
            assert query(store, name, today=_TODAY).empty


def test_a_misspelt_question_is_not_guessed_but_proposed(path: Path) -> None:
    with (
        Store(path, read_only=True) as store,
        pytest.raises(KettlestoneError, match='did you mean "overdue-sites"'),
    ):
        query(store, "overdue-site")


def test_hardness_by_region_and_month(path: Path) -> None:
    samples = [({"site": str(hardness)}, _water(hardness, 50, 300)) for hardness in (100, 110, 150)]

    found = _ask(path, "hardness-by-region-and-month", samples)

    medians = {row["quantity"]: row["median"] for row in found}
    assert medians["total_hardness_mg_l_caco3"] == 110
    assert len(medians) == 3


@pytest.mark.source("ECWC2016")
def test_left_coffee_zone_names_the_first_day_outside(path: Path) -> None:
    """Alkalinity 60, then 90 and 95: outside 40-75 since the second sample."""
    days = ("2026-03-10", "2026-04-10", "2026-05-10")
    samples = [
        ({"collected_at": f"{day}T08:00:00Z"}, _water(120, alkalinity, 300))
        for day, alkalinity in zip(days, (60, 90, 95), strict=True)
    ]
    samples += [({"site": "Site 2", "collected_at": "2026-05-01T08:00:00Z"}, _water(300, 200, 800))]

    found = _ask(path, "left-coffee-zone", samples)

    assert [(row["site"], row["first_outside"]) for row in found] == [("Site 1", pd.Timestamp("2026-04-10T08:00:00"))]


@pytest.mark.common_practice
def test_a_source_change_moves_all_three_quantities_together(path: Path) -> None:
    """Site 1 goes up by half in everything; at site 2 only the hardness does: a reading fault."""
    samples: list[tuple[dict[str, Any], dict[str, float]]] = []
    for month in range(1, 7):
        time = {"collected_at": f"2026-{month:02}-01T08:00:00Z"}
        factor = 1.5 if month > 3 else 1.0
        samples.append((time, _water(100 * factor, 60 * factor, 300 * factor)))
        samples.append((time | {"site": "Site 2"}, _water(100 * factor, 60, 300)))

    [found] = _ask(path, "source-changes", samples)

    assert (found["site"], found["changed_at"]) == ("Site 1", pd.Timestamp("2026-04-01T08:00:00"))
    assert (found["hardness_before"], found["hardness_after"]) == (100, 150)


@pytest.mark.common_practice
def test_reverse_osmosis_is_watched_by_the_ratio_to_its_feed(path: Path) -> None:
    """5 % is its own baseline, 8 % is 60 % above it; the unit of site 2 lets 12 % through."""
    samples: list[tuple[dict[str, Any], dict[str, float]]] = []
    for site, month, permeate in (("A", 1, 25), ("A", 2, 25), ("A", 3, 40), ("B", 1, 60)):
        place = {"site": site, "collected_at": f"2026-{month:02}-01T08:00:00Z"}
        samples.append((place | {"stage": "permeate"}, {"conductivity": float(permeate)}))
        samples.append((place, {"conductivity": 500.0}))

    found = _ask(path, "reverse-osmosis-ratio", samples)

    assert [(row["site"], row["ratio_percent"]) for row in found] == [("A", 8.0), ("B", 12.0)]
    assert found[0]["baseline_percent"] == 5.0


@pytest.mark.source("IUPAC2021")
def test_softened_supplies_carry_at_least_the_sodium_of_the_surplus(path: Path) -> None:
    """(267.7 - 17.8) / 2.177 = 114.8 mg/L sodium; one of two sites."""
    samples = [
        ({"site": "home"}, {"alkalinity": 267.7, "total_hardness": 17.8}),
        ({"site": "bar"}, {"alkalinity": 60.0, "total_hardness": 120.0}),
    ]

    [found] = _ask(path, "softened-supplies", samples)

    assert (found["sites"], found["sites_softened"], found["share_percent"]) == (2, 1, 50.0)
    assert found["lowest_sodium_mg_l"] == pytest.approx(114.8, abs=0.05)


def test_flag_rate_by_check_counts_only_what_could_be_evaluated(path: Path) -> None:
    runs = pd.DataFrame(
        {
            "check_id": ["blank", "ion-balance"],
            "evaluated": [0, 8],
            "not_evaluated": [9, 1],
            "flagged": [0, 2],
        }
    )

    found = _ask(path, "flag-rate-by-check", [({}, {"ph": 7.0})], check_runs=runs)

    assert (found[0]["check_id"], found[0]["flagged_percent"]) == ("ion-balance", 25.0)
    assert pd.isna(found[1]["flagged_percent"])


def test_flag_rate_by_operator(path: Path) -> None:
    samples = [({"operator": name}, {"ph": 7.0}) for name in ("X", "X", "Y")]
    found = _ask(path, "flag-rate-by-operator", samples, findings=building.findings([{"sample_id": "s0"}]))

    assert [(row["operator"], row["samples"], row["samples_held_percent"]) for row in found] == [
        ("X", 2, 50.0),
        ("Y", 1, 0.0),
    ]


def test_kit_against_laboratory_counts_in_drops(path: Path) -> None:
    """A kit 17.85 mg/L above the laboratory at 17.85 mg/L per drop reads one drop too much."""
    rows = [("s0", "alkalinity", 117.85), ("s0", "alkalinity", 100.0)]
    readings = building.readings(rows).assign(method=["drops", "laboratory"], degree_per_drop=[17.85, np.nan])

    [found] = _ask(path, "kit-against-laboratory", [({"operator": "X"}, {})], readings=readings)

    assert (found["operator"], found["pairs"], found["beyond_half_a_drop"]) == ("X", 1, True)
    assert found["mean_drops"] == pytest.approx(1.0)


@pytest.mark.common_practice
def test_chloride_by_region(path: Path) -> None:
    samples = [({"region": "Coast"}, {"chloride": value}) for value in (20.0, 40.0, 60.0, 80.0)]
    samples += [({"region": "Hills"}, {"chloride": 5.0})]

    [found] = _ask(path, "chloride-by-region", samples)

    assert (found["region"], found["above_30_percent"], found["above_50_percent"]) == ("Coast", 75.0, 50.0)


def test_treatment_effect_is_the_median_of_pairs(path: Path) -> None:
    samples: list[tuple[dict[str, Any], dict[str, float]]] = []
    for site, treated in (("A", 60.0), ("B", 50.0), ("C", 20.0)):
        samples.append(({"site": site}, {"alkalinity": 200.0}))
        samples.append(({"site": site, "stage": "treated", "treatment": "decarboniser"}, {"alkalinity": treated}))

    [found] = _ask(path, "treatment-effect", samples)

    assert (found["treatment"], found["pairs"], found["alkalinity_mg_l_caco3"]) == ("decarboniser", 3, -150.0)


def test_never_tested_raw(path: Path) -> None:
    samples = [({"site": "A"}, {"ph": 7.0}), ({"site": "B", "stage": "treated"}, {"ph": 7.0})]

    assert [row["site"] for row in _ask(path, "never-tested-raw", samples)] == ["B"]


@pytest.mark.common_practice
def test_overdue_sites(path: Path) -> None:
    """1 June 2025 to 1 June 2026 are 365 days: not overdue; a day more is."""
    samples = [
        ({"site": "A", "collected_at": "2025-06-01T23:00:00Z"}, {"ph": 7.0}),
        ({"site": "B", "collected_at": "2025-05-31T01:00:00Z"}, {"ph": 7.0}),
    ]

    assert [(row["site"], row["days_ago"]) for row in _ask(path, "overdue-sites", samples)] == [("B", 366)]


def test_import_quality_counts_by_file(path: Path) -> None:
    found = building.findings([{"sample_id": "s0", "check_id": "ambiguous-unit"}])

    [row] = _ask(path, "import-quality", [({}, {"ph": 7.0, "calcium": 50.0})], findings=found)

    assert (row["name"], row["accepted"], row["set_aside"]) == ("march.csv", 2, 0)
    assert (row["doubtful_units"], row["holds_and_rejects"]) == (1, 1)


@pytest.mark.source("ECWC2016")
def test_density_gives_the_share_inside_the_zone(path: Path) -> None:
    waters = ((100, 50), (110, 60), (300, 200), (30, 20))
    samples = [({"site": str(place)}, _water(*water, 300)) for place, water in enumerate(waters)]

    found = _ask(path, "hardness-alkalinity-density", samples)

    assert {row["region_inside_percent"] for row in found} == {50.0}
    assert (found[1]["hardness_from"], found[1]["alkalinity_from"], found[1]["samples"]) == (100, 50, 2)


@pytest.mark.common_practice
def test_calibration_overdue(path: Path) -> None:
    """Sampled on 1 March 2026: 1 December is 90 days before, 30 November 91."""
    samples: list[tuple[dict[str, Any], dict[str, float]]] = [
        ({"calibrated_on": pd.Timestamp(day)}, {}) for day in ("2025-12-01", "2025-11-30")
    ] + [({}, {})]
    rows = [(f"s{number}", "conductivity", 300.0) for number in range(3)]
    readings = building.readings(rows).assign(instrument=["good", "late", "unknown"])

    found = _ask(path, "calibration-overdue", samples, readings=readings)

    assert [row["instrument"] for row in found] == ["late", "unknown"]

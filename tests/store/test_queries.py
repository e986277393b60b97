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
from pipeline.store.questions import QueryScope, answer_columns, named_queries, query

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

_TODAY = date(2026, 6, 1)
_NO_CHANGE = pd.DataFrame({
    name: pd.Series(dtype="str")
    for name in ("kind", "client", "site", "sampling_point", "stage", "analyte", "earliest", "latest", "evidence")
} | {name: pd.Series(dtype="float64") for name in ("before", "after")})  # fmt: skip
_NO_CHANGES = dict.fromkeys(("source_change", "exhaustion"), lambda _: _NO_CHANGE)


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
            assert query(store, name, today=_TODAY, given=_NO_CHANGES).empty


def test_every_column_of_every_answer_is_explained(path: Path) -> None:
    with Store(path, read_only=True) as store:
        for name in named_queries():
            answer = query(store, name, today=_TODAY, given=_NO_CHANGES)
            assert list(answer_columns(name)) == list(answer.columns), name


def test_a_question_is_asked_of_a_region_a_client_and_a_time(path: Path) -> None:
    samples = [
        ({"region": "North", "client": "Q", "collected_at": "2026-01-05T08:00:00Z"}, {"ph": 7.0}),
        ({"region": "North", "client": "R", "collected_at": "2026-03-05T08:00:00Z"}, {"ph": 7.1}),
        ({"region": "South", "client": "Q", "collected_at": "2026-03-05T08:00:00Z"}, {"ph": 7.2}),
    ]
    _ask(path, "import-quality", samples)

    def found(**asked: Any) -> list[float]:  # noqa: ANN401 - what may be asked
        with Store(path, read_only=True) as store:
            both = "SELECT s.ph FROM v_sample AS s JOIN v_reading AS r USING (sample_id) WHERE r.counts ORDER BY 1"
            return list(query(store, both, asked=QueryScope(**asked))["ph"])

    assert found(region="North") == [7.0, 7.1]
    assert found(client="Q", since=date(2026, 2, 1)) == [7.2]
    assert found() == [7.0, 7.1, 7.2]


def test_a_question_that_takes_too_long_is_stopped(path: Path) -> None:
    endless = "SELECT count(*) FROM range(100000000) AS a, range(100000000) AS b WHERE a.range % 7 = b.range % 11"

    with Store(path, read_only=True) as store, pytest.raises(KettlestoneError, match=r"more than 0\.2 s"):
        query(store, endless, asked=QueryScope(most_seconds=0.2))


def test_a_long_answer_is_cut_and_says_so(path: Path) -> None:
    with Store(path, read_only=True) as store:
        cut = query(store, "FROM range(200000)", asked=QueryScope(most_rows=10))
        whole = query(store, "FROM range(10)", asked=QueryScope(most_rows=10))

    assert (len(cut), cut.attrs["cut"]) == (10, True)
    assert (len(whole), whole.attrs["cut"]) == (10, False)


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
    samples.append(({"operator": "Z", "verdict": "hold"}, {"ph": 7.0}))  # held by a finding of its whole file
    found = _ask(path, "flag-rate-by-operator", samples, findings=building.findings([{"sample_id": "s0"}]))

    assert [(row["operator"], row["samples"], row["samples_held_percent"]) for row in found] == [
        ("Z", 1, 100.0),
        ("X", 2, 50.0),
        ("Y", 1, 0.0),
    ]


@pytest.mark.common_practice
def test_kit_against_laboratory_takes_the_middle_of_the_last_drop(path: Path) -> None:
    """A laboratory's 100 mg/L are 5.6 drops of 17.85: honest people count 6, X counts one drop less, Y one more."""
    facts, rows, method, drop = [], [], [], []
    for number in range(36):
        operator = ("honest", "X", "Y")[number % 3]
        facts.append(({"operator": operator, "site": f"T{number}"}, {}))
        laboratory = 100.0 + number / 3
        count = np.ceil(laboratory / 17.85) + {"honest": 0, "X": -1, "Y": 1}[operator]
        rows += [(f"s{number}", "alkalinity", count * 17.85), (f"s{number}", "alkalinity", laboratory)]
        method += ["drops", "laboratory"]
        drop += [17.85, np.nan]
    readings = building.readings(rows).assign(method=method, degree_per_drop=drop)
    readings["value_high"] = readings["value"]
    readings["value_low"] = readings["value"] - readings["degree_per_drop"]

    found = {row["operator"]: row for row in _ask(path, "kit-against-laboratory", facts, readings=readings)}

    assert {name: row["beyond_half_a_drop"] for name, row in found.items()} == {"honest": False, "X": True, "Y": True}
    assert found["X"]["mean_drops"] == pytest.approx(found["honest"]["mean_drops"] - 1, abs=0.2)
    assert abs(found["honest"]["mean_drops"]) < 0.3
    assert found["Y"]["pairs"] == 12


@pytest.mark.common_practice
def test_chloride_by_region(path: Path) -> None:
    samples = [({"region": "Coast"}, {"chloride": value}) for value in (20.0, 40.0, 60.0, 80.0)]
    samples += [({"region": "Hills"}, {"chloride": 5.0})]

    samples += [({"region": "Coast"}, {}), ({"region": "Coast"}, {})]
    rows = [(f"s{n}", "chloride", value) for n, (_, numbers) in enumerate(samples) for value in numbers.values()]
    rows += [("s5", "chloride", np.nan), ("s6", "chloride", np.nan)]
    readings = building.readings(rows).assign(qualifier=["", "", "", "", "", "<", "<"])
    readings["limit"] = [np.nan] * 5 + [10.0, 40.0]

    [found] = _ask(path, "chloride-by-region", samples, readings=readings)

    assert (found["region"], found["samples"], found["below_limit"]) == ("Coast", 5, 1)
    assert found["above_30_low_percent"] < 60 < found["above_30_high_percent"]
    assert (found["region"], found["above_30_percent"], found["above_50_percent"]) == ("Coast", 60.0, 40.0)


def test_treatment_effect_is_the_median_of_pairs(path: Path) -> None:
    samples: list[tuple[dict[str, Any], dict[str, float]]] = []
    words = ("decarboniser", "Entkarbonisierer", "decarboniser")
    for site, treated, word in zip("ABC", (60.0, 50.0, 20.0), words, strict=True):
        samples.append(({"site": site}, {"alkalinity": 200.0}))
        samples.append(({"site": site, "stage": "treated", "treatment": word}, {"alkalinity": treated}))

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

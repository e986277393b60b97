"""Reading a store: what earlier batches know, questions, and copies for analysts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import building
import numpy as np
import pandas as pd
import pytest

from pipeline.errors import KettlestoneError
from pipeline.store.database import Store
from pipeline.store.decide import StoredDecision, corrections_of, counting_readings
from pipeline.store.earlier import earlier_register, prior, prior_readings
from pipeline.store.files import known_files
from pipeline.store.findings import findings
from pipeline.store.questions import query
from pipeline.store.samples import find_sample, wide_samples
from pipeline.store.snapshot import snapshot
from schemas.columns import WIDE_COLUMNS
from schemas.methods import METHODS

if TYPE_CHECKING:
    from pathlib import Path


def _two_visits(store: Store) -> None:
    """Two samples of one tap in two batches; the second is held for its balance."""
    first = building.samples([{"sample_id": "s1", "label": "A", "report_id": "R1"}], "1.csv")
    building.write(
        store,
        building.batch(
            "b1",
            "1.csv",
            samples=first,
            readings=building.readings([("s1", "calcium", 80.0), ("s1", "ph", 7.2)], "1.csv"),
        ),
    )
    row = {"sample_id": "s2", "label": "A", "collected_at": "2026-03-31T08:00:00Z", "verdict": "hold"}
    building.write(
        store,
        building.batch(
            "b2",
            "2.csv",
            samples=building.samples([row], "2.csv"),
            readings=building.readings([("s2", "calcium", 100.0)], "2.csv"),
            findings=building.findings([{"sample_id": "s2", "analyte": "calcium"}]),
        ),
    )


def test_known_files_are_those_of_stored_batches(store: Store) -> None:
    _two_visits(store)
    one, two = building.sha("1.csv"), building.sha("2.csv")

    assert known_files(store) == {one: "b1", two: "b2"}
    assert known_files(store, [two, building.sha("3.csv")]) == {two: "b2"}


def test_prior_readings_come_back_as_a_file_gives_them(store: Store) -> None:
    _two_visits(store)

    found = prior_readings(store, ["s1", "new"])

    assert found["reading_id"].tolist() == [1, 2]
    assert found["analyte"].astype("str").tolist() == ["calcium", "ph"]
    assert isinstance(found["analyte"].dtype, pd.CategoricalDtype)
    assert found["counts"].tolist() == [True, True]
    assert prior_readings(store, ["new"]).empty


def test_prior_rows_carry_the_facts_of_the_sample(store: Store) -> None:
    _two_visits(store)
    later = building.readings([("s1", "sodium", 9.0)], "3.csv")
    samples = building.samples([{"sample_id": "s1", "label": "A", "report_id": "R1"}], "1.csv")
    building.write(store, building.batch("b3", "3.csv", samples=samples, readings=later))

    rows, readings = prior(store, pd.Index(["s1", "new"], name="sample_id"))

    assert rows["label"].tolist() == ["A", "A"]
    assert rows["file_sha256"].tolist() == [building.sha("1.csv"), building.sha("3.csv")]
    assert rows["report_id"].tolist() == ["R1", ""]
    assert rows["collected_at"].unique().tolist() == [pd.Timestamp("2026-03-01T08:00:00Z")]
    assert rows["collected_precision"].unique().tolist() == ["time"]
    assert readings["row"].tolist() == [0, 0, 1]


def test_nothing_is_known_of_new_samples(store: Store) -> None:
    rows, readings = prior(store, pd.Index(["new"], name="sample_id"))

    assert rows.empty
    assert readings.empty


def test_registers_give_the_latest_row_with_its_further_columns(store: Store) -> None:
    for number, region in ((1, "North"), (2, "South")):
        site = pd.DataFrame({"client": ["C"], "site": ["S"], "region": [region], "Tank": [f"{number} L"]})
        building.write(store, building.batch(f"b{number}", f"{number}.csv", sites=site))

    found = earlier_register(store, "site")

    assert found[["client", "site", "region", "Tank"]].values.tolist() == [["C", "S", "South", "2 L"]]  # noqa: PD011
    assert earlier_register(store, "treatment").empty


def test_a_sample_is_found_by_id_and_by_a_unique_label(store: Store) -> None:
    _two_visits(store)

    assert find_sample(store, "s1") == "s1"
    with pytest.raises(KettlestoneError, match=r"label of 2 samples:\n    s1 .*\n    s2 "):
        find_sample(store, "A")
    with pytest.raises(KettlestoneError, match="neither"):
        find_sample(store, "B")


def test_findings_are_chosen_and_the_worst_comes_first(store: Store) -> None:
    rows = [{"sample_id": "s1", "severity": name} for name in ("note", "reject", "hold")]
    samples = building.samples([{"sample_id": "s1"}])
    building.write(store, building.batch(samples=samples, findings=building.findings(rows)))

    assert findings(store)["severity"].tolist() == ["reject", "hold", "note"]
    assert findings(store, severity="hold", sample_id="s1")["finding_id"].tolist() == [3]
    assert findings(store, check_id="blank").empty


def test_findings_about_a_replaced_state_are_not_current(store: Store) -> None:
    samples = building.samples([{"sample_id": "s1"}])
    found = building.findings([{"sample_id": "s1"}])
    building.write(store, building.batch("b1", "1.csv", samples=samples, findings=found))
    building.write(store, building.batch("b2", "2.csv", samples=samples, findings=found.assign(observed=2.0)))

    assert findings(store)["batch_id"].tolist() == ["b2"]
    assert sorted(findings(store, current=False)["batch_id"]) == ["b1", "b2"]


# --- views


def test_samples_carry_the_canonical_columns_in_order(store: Store) -> None:
    _two_visits(store)

    found = wide_samples(store)

    assert [column for column in found.columns if column in WIDE_COLUMNS] == WIDE_COLUMNS
    assert found["calcium_mg_l"].tolist() == [80.0, 100.0]
    assert wide_samples(store, ["s2"])["sample_id"].tolist() == ["s2"]


def test_the_view_prefers_methods_in_the_order_of_the_schemas(store: Store) -> None:
    rows = [("s1", "calcium", float(rank)) for rank in range(len(METHODS))]
    readings = building.readings(rows).assign(method=list(METHODS))
    building.write(store, building.batch(samples=building.samples([{"sample_id": "s1"}]), readings=readings))

    ranked = store.connection.execute("SELECT method FROM v_reading ORDER BY preference").fetchall()

    assert [method for (method,) in ranked] == list(METHODS)
    assert wide_samples(store)["calcium_mg_l"].tolist() == [0.0]


def test_among_equal_methods_the_smaller_uncertainty_then_the_earlier_line_wins(store: Store) -> None:
    rows = [("s1", "calcium", 1.0), ("s1", "calcium", 2.0), ("s1", "calcium", 3.0), ("s1", "ph", np.nan)]
    readings = building.readings(rows).assign(
        uncertainty=[np.nan, 0.5, 0.5, np.nan],
        limit=[np.nan, np.nan, np.nan, 14.0],
        qualifier=["", "", "", ">"],
    )
    building.write(store, building.batch(samples=building.samples([{"sample_id": "s1"}]), readings=readings))

    [calcium], [ph] = (wide_samples(store)[name].tolist() for name in ("calcium_mg_l", "ph"))

    assert calcium == 2.0
    assert np.isnan(ph)


def test_a_decision_opens_a_held_sample_and_a_correction_shows_in_the_sample(store: Store) -> None:
    _two_visits(store)
    assert store.connection.execute("SELECT sample_id FROM v_latest").fetchall() == [("s1",)]
    before = counting_readings(store, "r.sample_id = ? AND r.analyte = ?", ["s2", "calcium"])
    right = corrections_of(before).assign(value=90.0)

    building.decided(
        store, StoredDecision(1, "correct", "A. Technician", building.START, "unit was °dH", readings=right)
    )

    assert store.connection.execute(
        "SELECT sample_id, verdict, current_verdict, calcium_mg_l, corrected FROM v_latest"
    ).fetchall() == [("s2", "hold", "note", 90.0, "calcium")]
    assert store.connection.execute(
        "SELECT value, corrects IS NOT NULL FROM reading WHERE sample_id = 's2' ORDER BY reading_id"
    ).fetchall() == [(100.0, False), (90.0, True)]


def test_a_decision_holds_when_the_same_question_is_asked_again(store: Store) -> None:
    samples = building.samples([{"sample_id": "s1", "verdict": "hold"}])
    found = building.findings([{"sample_id": "s1"}])
    building.write(store, building.batch("b1", "1.csv", samples=samples, findings=found))
    building.decided(store, StoredDecision(1, "accept", "A. Technician", building.START, "true"))

    building.write(store, building.batch("b2", "2.csv", samples=samples, findings=found))

    assert findings(store)[["finding_id", "current_severity"]].to_numpy().tolist() == [[2, "note"]]
    assert wide_samples(store)["current_verdict"].tolist() == ["note"]


def test_trend_gives_the_step_between_visits(store: Store) -> None:
    """80 to 100 mg/L in 30 days: +20 mg/L, +25 %."""
    _two_visits(store)
    building.decided(store, StoredDecision(1, "accept", "A. Technician", building.START, "true"))

    steps = store.connection.execute(
        "SELECT previous_value, value, change, change_percent, days_since_previous FROM v_trend "
        "WHERE quantity = 'calcium_mg_l' ORDER BY collected_at"
    ).fetchall()

    assert steps == [(None, 80.0, None, None, None), (80.0, 100.0, 20.0, 25.0, 30)]


def test_regions_are_summarised_by_month_with_quartiles(store: Store) -> None:
    """Of 1, 2, 3, 4, 5 the quartiles are 2, 3, 4; held and treated samples stay out."""
    names = [f"s{number}" for number in range(1, 8)]
    rows = [{"sample_id": name, "site": name} for name in names]
    rows[5] |= {"verdict": "hold"}
    rows[6] |= {"stage": "treated"}
    readings = building.readings([(name, "calcium", float(rank)) for rank, name in enumerate(names, 1)])
    building.write(store, building.batch(samples=building.samples(rows), readings=readings))

    assert store.connection.execute(
        "SELECT region, month::VARCHAR, quantity, samples, sites, lowest, lower_quartile, median, "
        "upper_quartile, highest FROM v_region"
    ).fetchall() == [("North", "2026-03-01", "calcium_mg_l", 5, 5, 1.0, 2.0, 3.0, 4.0, 5.0)]


# --- SQL and copies


def test_sql_reads_the_views_and_nothing_else(store: Store, tmp_path: Path) -> None:
    _two_visits(store)
    path = store.path
    store.connection.close()
    secret = tmp_path / "secret.csv"
    secret.write_text("a\n1\n")

    with Store(path, read_only=True) as opened:
        assert query(opened, "SELECT count(*) AS n FROM v_reading")["n"].tolist() == [3]
        for sql in (
            "DELETE FROM reading",
            f"FROM read_csv('{secret}')",
            f"COPY reading TO '{tmp_path / 'out.csv'}'",
            "SELECT nonsense",
        ):
            with pytest.raises(KettlestoneError, match="Questions cannot write"):
                query(opened, sql)

    assert not (tmp_path / "out.csv").exists()


def test_questions_need_a_store_opened_read_only(store: Store) -> None:
    with pytest.raises(ValueError, match="read-only"):
        query(store, "SELECT 1")


def test_a_file_copy_opens_beside_the_writer_and_is_read_only(store: Store, tmp_path: Path) -> None:
    _two_visits(store)
    target = tmp_path / "copies" / "o'brien.duckdb"

    for _ in range(2):
        snapshot(store, target)

    assert not target.stat().st_mode & 0o222
    assert [entry.name for entry in target.parent.iterdir()] == [target.name]
    with Store(target, read_only=True) as copy:
        assert query(copy, "SELECT count(*) AS n FROM v_sample")["n"].tolist() == [2]
        tags = copy.connection.execute("SELECT tags FROM duckdb_databases() WHERE NOT internal").fetchone()
    assert tags is not None
    assert tags[0]["storage_version"].startswith("v1.2.0")


def test_a_folder_of_parquet_holds_every_table(store: Store, tmp_path: Path) -> None:
    _two_visits(store)
    target = tmp_path / "copy"

    for _ in range(2):
        snapshot(store, target)

    names = {entry.stem for entry in target.iterdir()}
    assert {"batch", "sample", "reading", "finding", "decision"} <= names
    assert len(pd.read_parquet(target / "reading.parquet")) == 3


def test_a_copy_never_replaces_the_store_or_a_strange_folder(store: Store, tmp_path: Path) -> None:
    strange = tmp_path / "papers"
    strange.mkdir()
    (strange / "letter.txt").write_text("keep me")

    with pytest.raises(KettlestoneError, match="the store itself"):
        snapshot(store, store.path)
    with pytest.raises(KettlestoneError, match="folder of Parquet"):
        snapshot(store, strange)
    (tmp_path / "papers.duckdb").mkdir()
    with pytest.raises(KettlestoneError, match="this is a folder"):
        snapshot(store, tmp_path / "papers.duckdb")

    assert (strange / "letter.txt").read_text() == "keep me"


def test_a_copy_can_be_made_by_a_reader(store: Store, tmp_path: Path) -> None:
    _two_visits(store)
    path = store.path
    store.connection.close()

    with Store(path, read_only=True) as opened:
        snapshot(opened, tmp_path / "copy.duckdb")

    with Store(tmp_path / "copy.duckdb", read_only=True) as copy:
        labels = wide_samples(copy)["label"].tolist()
    assert labels == ["A", "A"]

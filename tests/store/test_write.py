"""Writing a batch: the books balance, nothing is half stored, nothing is lost on the way."""

from __future__ import annotations

import resource
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING, Any

import building
import duckdb
import numpy as np
import pandas as pd
import pytest

from pipeline.errors import KettlestoneError
from pipeline.problems import problem_frame
from pipeline.store.batch_record import new_batch_id
from pipeline.store.database import Store
from pipeline.store.decide import StoredDecision
from pipeline.store.faults import AlreadyStoredError

if TYPE_CHECKING:
    from pathlib import Path


def _all(store: Store, sql: str) -> list[tuple[Any, ...]]:
    return store.connection.execute(sql).fetchall()


def _one_batch(name: str = "b1", file: str = "march.csv", value: float = 100.0) -> Any:  # noqa: ANN401 - a record
    return building.batch(
        name,
        file,
        samples=building.samples([{"sample_id": "s1", "label": "A"}], file),
        readings=building.readings([("s1", "calcium", value)], file),
    )


def test_a_batch_comes_back_as_it_was_given(store: Store) -> None:
    aside = problem_frame("number-unreadable", file_sha256=building.sha("march.csv"), line=3, column="Cl", raw_text="?")
    record = replace(
        building.batch(
            samples=building.samples([{"sample_id": "s1", "label": "A", "counter_litres": 1200.0}]),
            readings=building.readings([("s1", "calcium", 40.1), ("s1", "ph", 7.4)]),
            findings=building.findings([{"sample_id": "s1"}]),
            set_aside=aside,
        ),
        notices=aside,
        check_runs=pd.DataFrame({"check_id": ["blank"], "evaluated": [1], "not_evaluated": [0], "flagged": [0]}),
    )

    building.write(store, record)

    assert _all(store, "SELECT entries_read, entries_accepted, entries_set_aside FROM batch") == [(3, 2, 1)]
    assert _all(store, "SELECT started_at, settings FROM batch") == [
        (datetime(2026, 3, 5, 14, 7, 9), '{"time_zone": "UTC"}')  # noqa: DTZ001 - the store keeps UTC without zone
    ]
    assert _all(store, 'SELECT reading_id, analyte, value, unit, raw_text, line, "column" FROM reading') == [
        (1, "calcium", 40.1, "mg/L", "40.1", 2, "calcium"),
        (2, "ph", 7.4, "mg/L", "7.4", 3, "ph"),
    ]
    assert _all(store, "SELECT label, counter_litres, collected_at, analysed_on FROM sample") == [
        ("A", 1200.0, datetime(2026, 3, 1, 8), None)  # noqa: DTZ001
    ]
    assert _all(store, "SELECT finding_id, file_sha256, message FROM finding") == [(1, None, "the ions do not balance")]
    for table in ("set_aside", "notice"):
        [(line, problem, message)] = _all(store, f"SELECT line, problem, message FROM {table}")  # noqa: S608
        assert (line, problem) == (3, "number-unreadable")
        assert message.startswith('"?" is not a number')


def test_readings_on_their_way_are_taken_back_when_the_rest_fails(store: Store) -> None:
    given = _one_batch()

    with pytest.raises(RuntimeError, match="a check went wrong"):
        _write_and_fail(store, given)
    left = _all(store, "SELECT (SELECT count(*) FROM reading_value), (SELECT count(*) FROM reading_kind)")
    building.write(store, given)

    assert left == [(0, 0)]
    assert _all(store, "SELECT reading_id, value FROM reading") == [(1, 100.0)]


def _write_and_fail(store: Store, given: building.Batch) -> None:
    with store.batch(given.name) as appender:
        appender.add("readings", given.readings)
        raise RuntimeError("a check went wrong")


def test_a_batch_that_is_not_closed_is_not_stored(store: Store) -> None:
    with pytest.raises(RuntimeError, match="b1 was not closed"), store.batch("b1") as appender:
        appender.add("readings", _one_batch().readings)

    assert _all(store, "SELECT count(*) FROM reading_value") == [(0,)]


def test_a_frame_may_come_in_parts_and_before_the_readings_it_points_at(store: Store) -> None:
    """Findings point at the readings of the batch by their place, and numbers run on."""
    building.write(store, _one_batch("b0", "before.csv"))
    samples = building.samples([{"sample_id": "s2"}, {"sample_id": "s3"}])
    readings = building.readings([("s2", "calcium", 40.0), ("s3", "calcium", 50.0)])
    findings = building.findings([{"sample_id": "s2", "reading_ids": "-1"}, {"sample_id": "s3", "reading_ids": "-2"}])
    given = building.batch("b1", readings=readings)

    with store.batch("b1") as appender:
        for part in (slice(0, 1), slice(1, 2)):
            appender.add("samples", samples.iloc[part])
            appender.add("findings", findings.iloc[part])
            appender.add("readings", readings.iloc[part])
        appender.close(given.row)

    names = _all(store, "SELECT sample_id FROM sample WHERE batch_id = 'b1' ORDER BY sample_id")
    found = _all(store, "SELECT finding_id, sample_id, reading_ids FROM finding ORDER BY finding_id")
    assert names == [("s2",), ("s3",)]
    assert found == [(1, "s2", "2"), (2, "s3", "3")]
    assert _all(store, "SELECT entries_accepted FROM batch WHERE batch_id = 'b1'") == [(2,)]


def test_what_goes_wrong_with_a_frame_is_told_and_takes_all_back(store: Store) -> None:
    given = _one_batch()

    with pytest.raises(ValueError, match="samples lacks the columns stage"):
        building.write(store, replace(given, samples=given.samples.drop(columns="stage")))

    assert _all(store, "SELECT (SELECT count(*) FROM sample), (SELECT count(*) FROM reading_value)") == [(0, 0)]


def test_a_missing_number_is_null_never_nan(store: Store) -> None:
    """The database ranks NaN above every number: `value > 10` would be true for an unknown value."""
    readings = building.readings([("s1", "sodium", np.nan)], qualifier="<", limit=0.5, uncertainty=np.nan)
    record = building.batch(samples=building.samples([{"sample_id": "s1"}]), readings=readings)

    building.write(store, record)

    assert _all(store, 'SELECT value, uncertainty, "limit" FROM reading') == [(None, None, 0.5)]
    assert _all(store, "SELECT count(*) FROM reading WHERE value > 10") == [(0,)]
    with pytest.raises(duckdb.ConstraintException):
        store.connection.execute(
            "INSERT INTO reading_value SELECT * REPLACE ('nan'::DOUBLE AS value) FROM reading_value"
        )


def test_times_are_stored_in_utc(store: Store) -> None:
    samples = building.samples([{"sample_id": "s1", "collected_at": "2026-03-01T09:30:00+01:00"}])
    record = building.batch(samples=samples)
    local = datetime(2026, 3, 5, 15, 7, 9, tzinfo=timezone(timedelta(hours=1)))

    building.write(store, replace(record, row={**record.row, "started_at": local, "finished_at": local.isoformat()}))

    assert _all(store, "SELECT collected_at FROM sample") == [(datetime(2026, 3, 1, 8, 30),)]  # noqa: DTZ001
    assert _all(store, "SELECT started_at, finished_at FROM batch") == [(datetime(2026, 3, 5, 14, 7, 9),) * 2]  # noqa: DTZ001


def test_numbers_of_readings_and_findings_run_on(store: Store) -> None:
    for number in (1, 2):
        record = replace(
            _one_batch(f"b{number}", f"{number}.csv"),
            findings=building.findings([{"sample_id": "s1", "reading_ids": "-1"}]),
        )
        building.write(store, record)

    assert _all(store, "SELECT finding_id, reading_ids FROM finding ORDER BY 1") == [(1, "1"), (2, "2")]


def test_findings_point_at_new_and_stored_readings(store: Store) -> None:
    """−k is row k of the batch, a number above zero a reading the store has already."""
    building.write(store, _one_batch("b1", "1.csv"))
    rows = [("s2", "calcium", 1.0), ("s2", "magnesium", 2.0)]
    findings = building.findings([{"sample_id": "s2", "reading_ids": ids} for ids in ("-1 -2", "1 -2", "", "1")])
    record = building.batch(
        "b2",
        "2.csv",
        samples=building.samples([{"sample_id": "s2"}], "2.csv"),
        readings=building.readings(rows, "2.csv"),
        findings=findings,
    )

    building.write(store, record)

    assert _all(store, "SELECT reading_ids FROM finding ORDER BY finding_id") == [
        ("2 3",),
        ("1 3",),
        ("",),
        ("1",),
    ]


def test_a_later_batch_replaces_the_row_of_a_sample_but_no_reading(store: Store) -> None:
    building.write(store, _one_batch("b1", "1.csv", 100.0))
    later = _one_batch("b2", "2.csv", 101.0)

    building.write(store, replace(later, samples=later.samples.assign(verdict="note")))

    assert _all(store, "SELECT verdict, batch_id FROM sample") == [("note", "b2")]
    assert _all(store, "SELECT reading_id, value FROM reading ORDER BY 1") == [(1, 100.0), (2, 101.0)]


def test_columns_without_a_place_are_kept_as_json(store: Store) -> None:
    samples = building.samples([{"sample_id": "s1", "Well": 'no "3"', "depth": ""}, {"sample_id": "s2"}])
    sites = pd.DataFrame({"client": ["C"], "site": ["S"], "Tank size": ["200 L"]})

    building.write(store, building.batch(samples=samples.fillna({"Well": "", "depth": ""}), sites=sites))

    assert _all(store, "SELECT sample_id, other ->> 'Well', json_keys(other) FROM sample ORDER BY 1") == [
        ("s1", 'no "3"', ["Well"]),
        ("s2", None, []),
    ]
    assert _all(store, "SELECT other ->> 'Tank size' FROM site") == [("200 L",)]


def test_wide_numbers_of_samples_are_left_to_the_readings(store: Store) -> None:
    samples = building.samples([{"sample_id": "s1"}]).assign(calcium_mg_l=40.0)

    building.write(store, building.batch(samples=samples))

    assert _all(store, "SELECT json_keys(coalesce(nullif(other, ''), '{}')) FROM sample") == [([],)]


def test_a_replaced_report_stays_and_no_longer_counts(store: Store) -> None:
    building.write(store, _one_batch("b1", "1.csv", 100.0))
    later = _one_batch("b2", "2.csv", 90.0)

    building.write(store, replace(later, superseded=pd.DataFrame({"reading_id": [1]})))

    assert _all(store, "SELECT value, counts FROM v_reading ORDER BY reading_id") == [
        (100.0, False),
        (90.0, True),
    ]
    assert _all(store, "SELECT calcium_mg_l FROM v_sample") == [(90.0,)]


def test_a_reading_replaced_within_its_own_batch_does_not_count(store: Store) -> None:
    rows = [("s1", "calcium", 100.0), ("s1", "calcium", 90.0)]
    readings = building.readings(rows).assign(counts=[False, True], new=True, row=0)

    building.write(store, building.batch(samples=building.samples([{"sample_id": "s1"}]), readings=readings))

    assert _all(store, "SELECT value FROM v_reading WHERE counts") == [(90.0,)]


@pytest.mark.parametrize("entries", [0, 2])
def test_books_that_do_not_balance_are_refused(store: Store, entries: int) -> None:
    given = _one_batch()

    with pytest.raises(ValueError, match=rf"{entries} entries read are not 1 accepted \+ 0 set aside"):
        building.write(store, replace(given, row={**given.row, "entries_read": entries}))

    assert _all(store, "SELECT (SELECT count(*) FROM batch), (SELECT count(*) FROM reading_value)") == [(0, 0)]


def test_frames_out_of_order_are_refused_and_nothing_is_stored(store: Store) -> None:
    record = _one_batch()
    faulty = {
        "twice": replace(record, samples=pd.concat([record.samples, record.samples])),
        "lacks the columns value": replace(record, readings=record.readings.drop(columns="value")),
        "no column for surprise": replace(record, readings=record.readings.assign(surprise=1)),
    }

    for words, wrong in faulty.items():
        with pytest.raises(ValueError, match=words):
            building.write(store, wrong)

    assert _all(store, "SELECT count(*) FROM batch") == [(0,)]
    assert _all(store, "SELECT count(*) FROM sample") == [(0,)]


def test_a_file_stored_in_the_meantime_stops_the_batch(store: Store) -> None:
    building.write(store, _one_batch("b1"))

    with pytest.raises(AlreadyStoredError, match="Run the same command again") as caught:
        building.write(store, _one_batch("b2"))

    assert caught.value.hashes == [building.sha("march.csv")]
    assert _all(store, "SELECT count(*) FROM reading") == [(1,)]


def test_a_file_nobody_understood_may_come_again(store: Store) -> None:
    """With a new layout it is read after all; its readings appear once."""
    first = building.batch("b1")
    building.write(store, replace(first, source_files=first.source_files.assign(status="not understood")))

    building.write(store, _one_batch("b2"))

    assert _all(store, "SELECT value, file FROM v_reading") == [(100.0, "march.csv")]


def test_names_of_batches_sort_by_time_and_differ_by_content_and_occasion() -> None:
    early = datetime(2026, 3, 5, 14, 7, 9, tzinfo=UTC)
    names = [new_batch_id(early, ["a", "b"]), new_batch_id(early, ["a", "c"]), new_batch_id(early, ["a"], "decision-1")]

    assert len(set(names)) == len(names)
    assert max(names) < new_batch_id(early + timedelta(seconds=1), ["a"])


def test_a_decision_is_added_and_changes_no_finding(store: Store) -> None:
    building.write(store, replace(_one_batch(), findings=building.findings([{"sample_id": "s1"}])))
    decision = StoredDecision(1, "accept", "A. Technician", building.START, "repeated, same result")

    assert [building.decided(store, decision), building.decided(store, replace(decision, action="reject"))] == [
        1,
        2,
    ]

    assert _all(store, "SELECT severity, current_severity, decision FROM v_finding") == [("hold", "reject", "reject")]
    assert _all(store, "SELECT count(*) FROM decision") == [(2,)]


@pytest.mark.parametrize("change", [{"action": "ignore"}, {"decided_by": ""}, {"why": ""}])
def test_a_decision_needs_who_why_and_a_known_answer(store: Store, change: dict[str, Any]) -> None:
    building.write(store, replace(_one_batch(), findings=building.findings([{"sample_id": "s1"}])))
    decision = StoredDecision(1, "accept", "A. Technician", building.START, "repeated")

    with pytest.raises(duckdb.ConstraintException):
        building.decided(store, replace(decision, **change))

    assert _all(store, "SELECT count(*) FROM decision") == [(0,)]


def test_a_decision_needs_its_finding(store: Store) -> None:
    with pytest.raises(ValueError, match="no finding 7"):
        building.decided(store, StoredDecision(7, "accept", "A. Technician", building.START, "repeated"))


_FILL = """
import resource, sys
sys.path.insert(0, sys.argv[2])
import building, numpy as np
from pipeline.errors import KettlestoneError
from pipeline.store.database import Store
values = np.random.default_rng(7).random(400_000)
rows = building.readings([("s1", "calcium", 1.0)]).iloc[[0] * len(values)].reset_index(drop=True)
record = building.batch(readings=rows.assign(value=values, raw_text=values.astype(str)))
with Store(sys.argv[1]) as store:
    resource.setrlimit(resource.RLIMIT_FSIZE, (2_000_000, 2_000_000))
    try:
        building.write(store, record)
    except KettlestoneError as error:
        print(error)
"""


def test_a_full_disk_takes_the_batch_back_and_says_so(tmp_path: Path) -> None:
    """A limit on the size of files stands for the full disk; the store opens afterwards as it was."""
    path = tmp_path / "s.duckdb"
    with Store(path) as store:
        building.write(store, _one_batch("b0", "before.csv"))
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY

    told = subprocess.run(  # noqa: S603 - own code
        [sys.executable, "-c", _FILL, str(path), str(building.__file__).rpartition("/")[0]],
        capture_output=True,
        text=True,
        check=False,
    )

    assert "no room left to write" in told.stdout, told.stderr
    assert "store is as it was before" in told.stdout
    with Store(path) as store:
        assert _all(store, "SELECT batch_id FROM batch") == [("b0",)]
        assert _all(store, "SELECT count(*) FROM reading") == [(1,)]


def test_an_error_of_the_disk_is_put_in_words(store: Store) -> None:
    with pytest.raises(KettlestoneError, match="running batch was not stored"), store.transaction():
        raise OSError("input/output error")

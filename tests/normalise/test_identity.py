"""Rows meet in one sample when nothing contradicts it, and never across a conflict."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.normalise.samples import assemble_samples

NO_SITES = pd.DataFrame({"client": pd.Series(dtype="str"), "site": pd.Series(dtype="str")})
TEXT = ("client", "site", "label", "sampling_point", "stage", "activity", "report_id", "supersedes")


def rows_of(*facts: dict[str, str]) -> pd.DataFrame:
    rows = pd.DataFrame(list(facts))
    for name in TEXT:
        rows[name] = (rows[name] if name in rows else pd.Series("", index=rows.index)).fillna("").astype("str")
    when = rows["when"] if "when" in rows else pd.Series(None, index=rows.index, dtype="str")
    rows["collected_at"] = pd.to_datetime(when, format="ISO8601", utc=True)
    rows["collected_precision"] = np.where(when.fillna("").str.len() > 10, "time", "day")
    rows["file_sha256"] = (rows["file"] if "file" in rows else pd.Series("f", index=rows.index)).astype("str")
    rows["line"] = np.arange(2, len(rows) + 2)
    return rows


def readings_of(rows: pd.DataFrame, value: float | list[float] = 1.0, method: str = "drops") -> pd.DataFrame:
    return pd.DataFrame(
        {
            "row": np.arange(len(rows), dtype="int32"),
            "analyte": pd.Categorical(["alkalinity"] * len(rows)),
            "value": value,
            "method": pd.Categorical([method] * len(rows)),
        }
    )


def joined(*facts: dict[str, str], window_hours: float = 1.0) -> list[int]:
    """Give the number of the sample each row belongs to, in order of appearance."""
    rows = rows_of(*facts)
    result = assemble_samples(rows, readings_of(rows), NO_SITES, window_hours)
    return pd.factorize(result.readings["sample_id"].astype("str"))[0].tolist()


def test_one_label_of_two_clients_is_two_samples() -> None:
    assert joined({"client": "a", "label": "S1"}, {"client": "b", "label": "S1"}) == [0, 1]


def test_a_kit_row_and_a_report_row_with_one_label_meet() -> None:
    kit = {"client": "a", "site": "x", "label": "S1", "when": "2025-03-12", "stage": "raw"}
    report = {"client": "A ", "site": "X", "label": "s1", "when": "2025-03-12", "stage": "raw", "file": "g"}

    assert joined(kit, report) == [0, 0]


def test_a_report_without_client_joins_the_only_sample_of_its_label() -> None:
    kit = {"client": "a", "site": "x", "label": "S1", "when": "2025-03-12", "stage": "raw"}

    assert joined(kit, {"label": "S1", "file": "g"}) == [0, 0]


def test_a_report_without_client_stays_alone_where_two_clients_use_its_label() -> None:
    rows = rows_of({"client": "a", "label": "S1"}, {"client": "b", "label": "S1"}, {"label": "S1"})

    result = assemble_samples(rows, readings_of(rows), NO_SITES, 1.0)

    assert len(result.about) == 3
    assert result.about["ambiguous_match"].tolist().count(True) == 1


def test_one_label_on_two_days_is_two_samples() -> None:
    assert joined({"label": "S1", "when": "2025-03-12"}, {"label": "S1", "when": "2025-06-01"}) == [0, 1]


def test_raw_and_treated_water_of_one_label_are_two_samples() -> None:
    assert joined({"label": "K", "stage": "raw"}, {"label": "K", "stage": "treated"}) == [0, 1]


def test_unlabelled_readings_meet_within_the_time_window() -> None:
    place = {"client": "a", "site": "x", "sampling_point": "tap"}
    times = ("2025-03-12T10:05", "2025-03-12T10:50", "2025-03-12T14:00")

    assert joined(*({**place, "when": time} for time in times)) == [0, 0, 1]


def test_a_dated_kit_row_meets_the_only_timed_meter_row_of_the_day() -> None:
    place = {"site": "x", "sampling_point": "tap"}

    assert joined({**place, "when": "2025-03-12"}, {**place, "when": "2025-03-12T10:05"}) == [0, 0]


def test_a_row_that_says_nothing_of_itself_is_a_sample_of_its_own() -> None:
    assert joined({"file": "f"}, {"file": "f"}) == [0, 1]


def test_rows_of_one_quantity_at_one_undated_point_are_samples_of_their_own_whatever_comes_with_them() -> None:
    """A list of streets with the part of town and one hardness each became one sample a part of town."""
    streets = [{"sampling_point": "North", "file": "streets"}, {"sampling_point": "North", "file": "streets"}]
    other = {"site": "Mill", "file": "other"}

    assert joined(*streets) == [0, 1]
    assert joined(*streets, other) == [0, 1, 2]


def test_the_sample_id_is_the_same_in_every_run() -> None:
    """Pinned: analysts keep these ids; no published value exists."""
    rows = rows_of({"client": "a", "site": "x", "label": "S1", "when": "2025-03-12", "stage": "raw"})

    result = assemble_samples(rows, readings_of(rows), NO_SITES, 1.0)

    assert result.about.index.tolist() == ["31f3329e73acd0befedb"]


def test_a_report_issued_again_with_other_values_is_a_revision() -> None:
    rows = rows_of({"label": "S1", "report_id": "R1"}, {"label": "S1", "report_id": "R2"})

    result = assemble_samples(rows, readings_of(rows, [100.0, 120.0], "laboratory"), NO_SITES, 1.0)

    assert result.about["revisions"].tolist() == [2]
    assert result.about["revision_detail"].tolist() == ["alkalinity 100.0 / 120.0"]
    assert result.readings["counts"].all()


def test_a_report_that_names_the_one_it_replaces_settles_the_revision() -> None:
    rows = rows_of({"label": "S1", "report_id": "R1"}, {"label": "S1", "report_id": "R2", "supersedes": "R1"})

    result = assemble_samples(rows, readings_of(rows, [100.0, 120.0], "laboratory"), NO_SITES, 1.0)

    assert result.about["revisions"].tolist() == [0]
    assert result.readings["counts"].tolist() == [False, True]


def test_the_register_fills_what_the_rows_leave_open() -> None:
    sites = pd.DataFrame({"client": ["a"], "site": ["x"], "region": ["North"], "machine": ["dual boiler"]})
    rows = rows_of({"client": "A", "site": "X", "label": "S1"})

    about = assemble_samples(rows, readings_of(rows), sites, 1.0).about

    assert about[["region", "machine"]].to_numpy().tolist() == [["North", "dual boiler"]]


@settings(max_examples=8)
@given(
    facts=st.lists(
        st.fixed_dictionaries(
            {
                "client": st.sampled_from(["", "a", "b"]),
                "site": st.sampled_from(["", "x"]),
                "label": st.sampled_from(["", "S1", "S2", "S3", "S4"]),
                "stage": st.sampled_from(["", "raw"]),
                "when": st.sampled_from(["2025-03-12", "2025-03-13T10:00", "2025-03-13T12:00"]),
            }
        ),
        min_size=4,
        max_size=40,
    ),
    seed=st.integers(0, 1000),
)
def test_the_order_of_rows_changes_no_sample(facts: list[dict[str, str]], seed: int) -> None:
    rows = rows_of(*facts)
    order = np.random.default_rng(seed).permutation(len(rows))
    shuffled = rows.iloc[order].reset_index(drop=True)

    one = assemble_samples(rows, readings_of(rows), NO_SITES, 1.0).readings["sample_id"].astype("str").to_numpy()
    other = assemble_samples(shuffled, readings_of(shuffled), NO_SITES, 1.0).readings["sample_id"].astype("str")

    assert other.tolist() == one[order].tolist()


def test_a_hash_collision_is_not_possible_to_miss(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pd.util, "hash_array", lambda values, **_: np.zeros(len(values), dtype="uint64"))
    rows = rows_of({"label": "S1"}, {"label": "S2"})

    with pytest.raises(RuntimeError, match="same id"):
        assemble_samples(rows, readings_of(rows), NO_SITES, 1.0)

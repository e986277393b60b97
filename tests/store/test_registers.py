"""The registers: a new row when something changes, who and why beside it, nothing overwritten."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import building
import pandas as pd
import pytest

from pipeline.errors import KettlestoneError
from pipeline.store.earlier import earlier_register, earlier_samples
from pipeline.store.registers import enter, entries, in_force, of_site

if TYPE_CHECKING:
    from pipeline.store.database import Store

NOW = datetime(2026, 6, 1, 9, 30, tzinfo=UTC)
BY = {"by": "A. Smith", "why": "new cartridge"}


def imported(store: Store) -> None:
    rows = {
        "client": ["C", "C", "D"],
        "site": ["S1", "S2", "S2"],
        "treatment": ["decarboniser", "softener", "carbon"],
        "installed_on": ["2026-01-10", "", ""],
        "bypass_percent": ["36", "0", ""],
        "counter_litres": ["100", "", ""],
        "capacity": ["12000", "", ""],
        "file_sha256": [building.sha("march.csv")] * 3,
        "line": [2, 3, 4],
    }
    building.write(store, building.batch("20260305T140709-ab12", treatments=pd.DataFrame(rows)))


def test_an_entry_keeps_what_it_does_not_name_and_the_earlier_row(store: Store) -> None:
    imported(store)

    enter(store, "treatment", "S1", {"treatment": "decarboniser", "bypass_percent": "27"}, now=NOW, **BY)

    rows = of_site(entries(store, "treatment"), "S1")
    assert rows[["bypass_percent", "capacity", "entered_by", "why", "file"]].to_numpy().tolist() == [
        ["36", "12000", "", "", "march.csv"],
        ["27", "12000", "A. Smith", "new cartridge", ""],
    ]
    assert rows["since"].iloc[-1] == pd.Timestamp("2026-06-01 09:30")
    assert in_force(rows, "treatment")["bypass_percent"].tolist() == ["27"]
    assert earlier_register(store, "treatment").set_index("site").loc["S1", "bypass_percent"] == "27"


def test_a_new_cartridge_does_not_inherit_the_counter_of_the_old_one(store: Store) -> None:
    imported(store)

    row = enter(store, "treatment", "S1", {"treatment": "decarboniser", "installed_on": "2026-06-01"}, now=NOW, **BY)

    assert row[["installed_on", "counter_litres"]].to_numpy().tolist() == [["2026-06-01", ""]]


def test_two_entries_of_one_second_keep_their_order(store: Store) -> None:
    imported(store)
    for microsecond, bypass in ((5, "30"), (6, "31")):
        values = {"treatment": "decarboniser", "bypass_percent": bypass}
        enter(store, "treatment", "S1", values, now=NOW + timedelta(microseconds=microsecond), **BY)

    assert in_force(of_site(entries(store, "treatment"), "S1"), "treatment")["bypass_percent"].tolist() == ["31"]


def test_another_treatment_at_the_site_is_an_entry_of_its_own(store: Store) -> None:
    imported(store)

    row = enter(store, "treatment", "s1", {"treatment": "carbon", "comment": "before it"}, now=NOW, **BY)

    assert row[["client", "site"]].to_numpy().tolist() == [["C", "S1"]]
    assert len(in_force(of_site(entries(store, "treatment"), "S1"), "treatment")) == 2


def test_none_ends_what_was_fitted_before(store: Store) -> None:
    imported(store)

    enter(store, "treatment", "S1", {"treatment": "none"}, now=NOW, **BY)

    rows = of_site(entries(store, "treatment"), "S1")
    assert in_force(rows, "treatment")["treatment"].tolist() == ["none"]
    assert len(rows) > 1


def test_a_new_site_and_its_further_facts_are_kept(store: Store) -> None:
    enter(store, "site", "New / N1", {"country": "DE", "tank": "5 L"}, now=NOW, **BY)
    enter(store, "machine", "N1", {"machine": "dual boiler"}, now=NOW + timedelta(seconds=1), **BY)

    assert of_site(entries(store, "site"), "N1")[["client", "country", "tank"]].to_numpy().tolist() == [
        ["New", "DE", "5 L"]
    ]
    assert of_site(entries(store, "machine"), "n1")["client"].tolist() == ["New"]


def test_a_site_known_from_its_samples_gets_its_client(store: Store) -> None:
    building.write(store, building.batch(samples=building.samples([{"sample_id": "s1"}])))

    row = enter(store, "site", "site 1", {"country": "DE"}, now=NOW, **BY)

    assert row[["client", "site"]].to_numpy().tolist() == [["Client A", "Site 1"]]


def test_a_name_that_several_clients_have_is_asked_back(store: Store) -> None:
    imported(store)

    with pytest.raises(KettlestoneError, match="2 clients have a site"):
        enter(store, "treatment", "S2", {"treatment": "carbon", "comment": "x"}, now=NOW, **BY)
    enter(store, "treatment", "D / S2", {"treatment": "carbon", "comment": "x"}, now=NOW, **BY)
    assert len(of_site(entries(store, "treatment"), "S2", "D")) == 2


@pytest.mark.parametrize(
    ("kind", "values", "message"),
    [
        ("treatment", {"treatment": "carbon", "bypass_percent": "127"}, "from 0 to 100"),
        ("treatment", {"treatment": "carbon", "capacity": "much"}, "above 0"),
        ("treatment", {"treatment": "carbon", "capacity": "0"}, "above 0"),
        ("treatment", {"treatment": "wishful"}, "there is no treatment"),
        ("treatment", {"treatment": "carbon", "installed_on": "1.6.2026"}, "YYYY-MM-DD"),
        ("treatment", {"bypass_percent": "20"}, "say which treatment"),
        ("treatment", {"treatment": "decarboniser"}, "no new value"),
        ("site", {}, "no new value"),
        ("machine", {}, "say which machine"),
    ],
)
def test_what_cannot_be_is_refused_and_changes_nothing(
    store: Store, kind: str, values: dict[str, str], message: str
) -> None:
    imported(store)
    before = entries(store, kind)

    with pytest.raises(KettlestoneError, match=message) as caught:
        enter(store, kind, "S1", values, now=NOW, **BY)

    assert "Nothing was changed" in str(caught.value)
    pd.testing.assert_frame_equal(entries(store, kind), before)


@pytest.mark.parametrize("said", [{"by": " ", "why": "x"}, {"by": "x", "why": ""}])
def test_nobody_and_no_reason_is_no_entry(store: Store, said: dict[str, str]) -> None:
    with pytest.raises(KettlestoneError, match="--by"):
        enter(store, "site", "S1", {"country": "DE"}, now=NOW, **said)


@pytest.mark.parametrize("at_once", [1, 50_000])
def test_earlier_samples_are_those_of_the_same_sites_that_can_be_used(
    store: Store, at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.store.earlier._AT_ONCE", at_once)
    rows = [
        {"sample_id": "old"},
        {"sample_id": "other"},
        {"sample_id": "held", "verdict": "hold"},
        {"sample_id": "control", "activity": "standard"},
        {"sample_id": "elsewhere", "site": "Site 2"},
        {"sample_id": "own"},
    ]
    values = [(row["sample_id"], "total_hardness", 250.0) for row in rows]
    building.write(store, building.batch(samples=building.samples(rows), readings=building.readings(values)))
    about = pd.DataFrame({"client": ["Client A"], "site": ["Site 1"]}, index=pd.Index(["own"], name="sample_id"))

    found = earlier_samples(store, about, {"total_hardness": "hardness"})

    assert found[["site", "stage", "hardness", "hardness.u"]].to_numpy().tolist() == [["Site 1", "raw", 250.0, 1.0]] * 2
    assert earlier_samples(store, about.assign(client="", site=""), {"total_hardness": "hardness"}).empty

"""A sample without a label is called by its file and line, wherever a person reads of it, and found by that."""

from __future__ import annotations

import csv
import json
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.store.database import Store

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

# Invented; the second row's conductivity was written in mS/m.
SHEET = """Date,pH,Conductivity (µS/cm),Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3)
2025-09-17,7.6,483,212,191
2025-09-18,7.5,51.2,250,201
2025-09-19,7.6,483,212,191
"""
NAMES = ["sheet.csv line 2", "sheet.csv line 3", "sheet.csv line 4"]


@pytest.fixture(scope="module")
def sheet(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Path:
    def fill(folder: Path) -> None:
        (folder / "sheet.csv").write_text(SHEET, "utf-8")
        taken = ["intake", str(folder / "sheet.csv"), "--out", str(folder / "out"), "--store", str(folder / "s.duckdb")]
        (folder / "terminal.txt").write_text(CliRunner().invoke(main, taken).output, "utf-8")

    return made_once("nameless samples", fill)


def test_terminal_page_and_tables_call_it_so(sheet: Path) -> None:
    out = next((sheet / "out").glob("2*"))
    identifiers = {
        one["sample_id"] for one in json.loads((out / "summary.json").read_text("utf-8"))["attention"]["listed"]
    }
    texts = [(sheet / "terminal.txt").read_text("utf-8"), (out / "summary.html").read_text("utf-8")]

    for text in texts:
        assert "sheet.csv line 3" in text
        assert not [name for name in identifiers if name in text]
    for table in ("samples", "findings", "explanations"):
        with (out / f"{table}.csv").open(encoding="utf-8") as lines:
            assert {row["called"] for row in csv.DictReader(lines)} <= set(NAMES), table


def test_views_call_it_so(sheet: Path) -> None:
    with Store(sheet / "s.duckdb", read_only=True) as store:
        samples = store.connection.execute("SELECT called, label FROM v_sample ORDER BY line").fetchall()
        findings = store.connection.execute("SELECT DISTINCT called FROM v_finding").fetchall()

    assert samples == [(name, "") for name in NAMES]
    assert ("sheet.csv line 3",) in findings


@pytest.mark.parametrize("name", ["sheet.csv line 3", "sheet.csv:3", "some/folder/sheet.csv:3"])
def test_it_is_found_by_that_name(sheet: Path, name: str) -> None:
    asked = CliRunner().invoke(main, ["explain", name, "--store", str(sheet / "s.duckdb"), "--json"])

    assert json.loads(asked.output)["sample"]["called"] == "sheet.csv line 3"


def test_the_name_of_another_sample_says_whose_row_it_was(sheet: Path) -> None:
    """Two rows are alike: each names the other by its line."""
    listed = CliRunner().invoke(
        main, ["findings", "sheet.csv:2", "--all", "--store", str(sheet / "s.duckdb"), "--json"]
    )

    told = " ".join(row["message"] for row in json.loads(listed.output))
    assert "the other one: sheet.csv line 4, 2025-09-19" in told


def test_a_batch_without_samples_has_nobody_to_call(tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_text("Sample,Date,Calcium,Magnesium\nA,2025-11-14,80,12\n", "utf-8")

    done = CliRunner().invoke(
        main,
        ["intake", str(tmp_path / "list.csv"), "--out", str(tmp_path / "o"), "--store", str(tmp_path / "s.duckdb")],
    )

    assert done.exit_code == 1
    assert "0 of 2 readings used" in done.output


def test_two_rows_of_one_site_without_name_and_day_are_two_samples(tmp_path: Path) -> None:
    two = "Client,Site,Stage,Conductivity (µS/cm),pH\nNobody,N-1,raw,560,7.4\nNobody,N-1,raw,410,7.5\n"
    listed = "Client,Site,Parameter,Value,Unit\nNobody,N-2,Conductivity,560,µS/cm\nNobody,N-2,pH,7.4,\n"
    (tmp_path / "two.csv").write_text(two, "utf-8")
    (tmp_path / "list.csv").write_text(listed, "utf-8")
    files = [str(tmp_path / name) for name in ("two.csv", "list.csv")]

    CliRunner().invoke(main, ["intake", *files, "--out", str(tmp_path / "out"), "--store", str(tmp_path / "s.duckdb")])

    with Store(tmp_path / "s.duckdb", read_only=True) as store:
        samples = store.connection.execute("SELECT site, called FROM v_sample ORDER BY site, line").fetchall()
    assert samples == [("N-1", "two.csv line 2"), ("N-1", "two.csv line 3"), ("N-2", "list.csv line 2")]

"""How much was read stands first, and every column that waits is asked about once."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.report.wording import batch_headline
from pipeline.store.database import Store

if TYPE_CHECKING:
    from pathlib import Path


def taken_in(folder: Path, text: str) -> tuple[dict[str, Any], str]:
    """Take a file in by the command; the summary, and what the terminal shows."""
    (folder / "list.csv").write_text(text, encoding="utf-8")
    store = ["--store", str(folder / "s.duckdb")]
    shown = CliRunner().invoke(main, ["intake", str(folder / "list.csv"), "--out", str(folder / "out"), *store])
    found = next((folder / "out").glob("2*/summary.json"))
    return json.loads(found.read_text(encoding="utf-8")), shown.output


def test_a_list_without_units_is_asked_about_column_by_column(tmp_path: Path) -> None:
    summary, shown = taken_in(tmp_path, "Sample,pH,Calcium,Sodium,Hardness\nA,7.6,80,15,250\nB,7.5,90,,283\n")

    told = summary["coverage"]
    assert (told["cells"], told["used"], told["set_aside"]) == (7, 2, 5)
    assert [(one["column"], one["cells"]) for one in told["waiting"]] == [
        ("Calcium", 2),
        ("Sodium", 1),
        ("Hardness", 2),
    ]
    assert told["waiting"][0]["question"].startswith('In which unit is calcium given under "Calcium"?')
    assert "kettlestone" not in told["waiting"][0]["question"]
    assert '--unit "calcium=' in told["waiting"][0]["question"]
    assert "2 of 7 readings used; 3 columns wait for a unit." in shown
    with Store(tmp_path / "s.duckdb") as store:
        kept = store.connection.execute('SELECT "column", cells, question FROM waiting').fetchall()
    assert kept == [(one["column"], one["cells"], one["question"]) for one in told["waiting"]]


def test_an_unknown_heading_and_an_ambiguous_form_wait_and_a_limit_row_does_not(tmp_path: Path) -> None:
    """The bare ppm of an alkalinity is used and waits; "Grenzwert" was understood and asks nothing."""
    summary, shown = taken_in(
        tmp_path,
        "Sample,pH,Calcium (mg/L),Alkalinity (ppm),Zorb\nA,7.6,80,150,0.31\nGrenzwert,8,400,,\n",
    )

    told = summary["coverage"]
    assert (told["cells"], told["used"], told["set_aside"], told["unread"]) == (6, 3, 3, 1)
    assert [(one["column"], one["problem"]) for one in told["waiting"]] == [
        ("Zorb", "column-not-understood"),
        ("Alkalinity (ppm)", "form-ambiguous"),
    ]
    assert "3 of 6 readings used; 2 columns wait for an answer." in shown


def test_every_cell_of_a_kind_is_told_in_one_line_with_its_first_places(tmp_path: Path) -> None:
    rows = "".join(f"S{number},7.6,x{number}\n" for number in range(5))

    summary, _ = taken_in(tmp_path, f"Sample,pH,Calcium (mg/L)\n{rows}")

    (row,) = summary["set_aside"]
    assert (row["problem"], row["count"]) == ("number-unreadable", 5)
    assert row["places"] == [f"line {line} Calcium (mg/L)" for line in (2, 3, 4)]


@pytest.mark.parametrize(
    ("cells", "columns", "said"),
    [
        (1, 1, "0 of 1 reading used; 1 column waits for a unit. No samples in this batch"),
        (3, 2, "0 of 3 readings used; 2 columns wait for a unit. No samples in this batch"),
    ],
)
def test_one_is_written_as_one(cells: int, columns: int, said: str) -> None:
    waiting = [{"file": "a", "column": str(number), "problem": "unit-missing"} for number in range(columns)]
    counts = {"total": 0, "hold": 0, "reject": 0, "note": 0}

    coverage = {"cells": cells, "used": 0, "unread": cells, "waiting": waiting}

    told = batch_headline(
        {"language": "en", "coverage": coverage, "samples": counts, "controls": {"total": 0}, "files": []}
    )

    assert told == said

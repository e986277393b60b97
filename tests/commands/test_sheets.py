"""`layout template`: every empty sheet that is handed out is read back whole, as CSV and as a workbook."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.report.terminal.sheets import SHEETS


@pytest.fixture(scope="module")
def taken(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All sheets, as CSV and as workbooks, and what intake made of each kind."""
    folder = tmp_path_factory.mktemp("sheets")
    for ending in ("csv", "xlsx"):
        for kind in SHEETS:
            written = CliRunner().invoke(
                main, ["layout", "template", kind, "--out", str(folder / ending / f"{kind}.{ending}")]
            )
            assert written.exit_code == 0, written.output
        done = CliRunner().invoke(
            main, ["intake", str(folder / ending), "--out", str(folder / f"out-{ending}"), "--json"]
        )
        (folder / f"{ending}.json").write_text(done.stdout, encoding="utf-8")
    return folder


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_intake_reads_every_cell_of_every_sheet(taken: Path, ending: str) -> None:
    summary = json.loads((taken / f"{ending}.json").read_text("utf-8"))

    layouts = {Path(file["name"]).stem: file["layout"] for file in summary["files"]}
    assert layouts == {kind: "laboratory-wide" if kind == "laboratory" else kind for kind in SHEETS}
    assert summary["coverage"] == {**summary["coverage"], "unread": 0, "set_aside": 0, "waiting": []}
    assert summary["notices"] == []
    # 8 of the kit sheet, 4 of the meter, 14 of the laboratory, 8 of the label: every figure of the example rows.
    assert summary["entries"] == {"read": 34, "accepted": 34, "set_aside": 0}


def test_a_workbook_holds_what_the_csv_holds_as_text(taken: Path) -> None:
    sheet = openpyxl.load_workbook(taken / "xlsx" / "sites.xlsx").active
    with (taken / "csv" / "sites.csv").open(encoding="utf-8-sig", newline="") as lines:
        expected = list(csv.reader(lines))

    assert sheet is not None
    assert [list(row) for row in sheet.iter_rows(values_only=True)] == expected
    assert {cell.number_format for row in sheet.iter_rows() for cell in row} == {"@"}


def test_a_sheet_that_is_there_is_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / "mine.csv").write_text("mine", encoding="utf-8")

    result = CliRunner().invoke(main, ["layout", "template", "sites", "--out", str(tmp_path / "mine.csv")])

    assert result.exit_code == 2
    assert (tmp_path / "mine.csv").read_text("utf-8") == "mine"
    assert CliRunner().invoke(main, ["layout", "template", "sites"]).stdout.startswith("client,site,")

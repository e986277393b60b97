"""Numbers that no measurement can give: set aside alone, whatever column they stand in."""

from __future__ import annotations

import csv
import json
from typing import TYPE_CHECKING, Any

import duckdb
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from openpyxl import Workbook

from pipeline.cli import main
from pipeline.problems import fill

if TYPE_CHECKING:
    from pathlib import Path

ABSURD = ("1e308", "-1e308", "1e-320", "123456789012345678901234567890", "1e999", "12345678901234567890")
READING = "Sample,Site,Date,pH,Temperature (°C),Calcium (mg/L),Conductivity (µS/cm),Litres per day,Bypass (%)"
KIT = "Sample,Date,Hardness drops,Degree per drop,Kit volume (mL),Sample volume (mL)"
BURETTE = "Sample,Date,Alkalinity titrant mL,Titrant normality,Blank mL,Sample volume (mL),pH"
ROWS = {
    READING: "A,N,2026-03-05,7.4,12,64,520,40,20",
    KIT: "A,2026-03-05,6,1 °dH,5,5",
    BURETTE: "A,2026-03-05,4.2,0.02,0.1,100,7.4",
}
# Every quantity at the largest number that is still taken for a measurement of it.
OUTERMOST = {
    "pH": "9999",
    "Temperature (°C)": "9999",
    "Conductivity (µS/cm)": "99999999",
    **dict.fromkeys(
        (
            *("TDS (mg/L)", "Total hardness (mg/L as CaCO3)", "Alkalinity (mg/L as CaCO3)", "Calcium (mg/L)"),
            *("Magnesium (mg/L)", "Sodium (mg/L)", "Chloride (mg/L)", "Sulfate (mg/L)", "Nitrate (mg/L)"),
            *("Silica (mg/L)", "Iron (mg/L)", "Free chlorine (mg/L)", "Total chlorine (mg/L)", "Turbidity (NTU)"),
        ),
        "999999",
    ),
}
USUAL = dict(
    zip(
        OUTERMOST,
        ("7.4", "12", "520", "340", "220", "180", "64", "14", "20", "30", "40", "10", "12", "0.1", "0.1", "0.2", "0.5"),
        strict=True,
    )
)


def intake(folder: Path, text: str, name: str = "readings.csv") -> dict[str, Any]:
    """Run the command on one file of text; the summary of its batch."""
    (folder / name).write_text(text, encoding="utf-8")
    return run(folder, folder / name)


def run(folder: Path, sent: Path) -> dict[str, Any]:
    result = CliRunner().invoke(main, ["intake", str(sent), "--out", str(folder / "out")], catch_exceptions=False)
    assert result.exit_code in (0, 1), result.output
    (summary,) = (folder / "out").glob("*/summary.json")
    found: dict[str, Any] = json.loads(summary.read_text(encoding="utf-8"))
    entries = found["entries"]
    assert entries["read"] == entries["accepted"] + entries["set_aside"]
    return found


def set_aside(folder: Path) -> list[tuple[str, str]]:
    """Give problem and cell of everything that the batch set aside, less the mark against formulas."""
    (table,) = (folder / "out").glob("*/set_aside.csv")
    with table.open(encoding="utf-8-sig", newline="") as lines:
        return [(row["problem"], row["raw_text"].removeprefix("'")) for row in csv.DictReader(lines)]


def stored(folder: Path, query: str) -> list[tuple[Any, ...]]:
    with duckdb.connect(str(folder / "out" / "kettlestone.duckdb"), read_only=True) as store:
        return store.sql(query).fetchall()


def replaced(heading: str, label: str, name: str, text: str) -> str:
    """Give the usual row of a sheet with another text under one heading."""
    cells = ROWS[heading].split(",")
    cells[0], cells[heading.split(",").index(name)] = label, text
    return ",".join(cells)


def test_an_absurd_number_costs_its_cell_and_never_the_intake(tmp_path: Path) -> None:
    """Beside it a good row of the same file is stored, in every kind of column and for every such number."""
    sheets = {"readings": READING, "kit": KIT, "burette": BURETTE}
    folder = tmp_path / "sheets"
    folder.mkdir()
    for sheet, heading in sheets.items():
        names = heading.split(",")[1:]
        bad = [replaced(heading, f"{sheet} {name} {text}", name, text) for name in names for text in ABSURD]
        rows = [heading, ROWS[heading].replace("A,", f"good {sheet},", 1), *bad]
        (folder / f"{sheet}.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")

    run(tmp_path, folder)

    good = "SELECT label, count(*) FROM reading JOIN sample USING (sample_id) WHERE label LIKE 'good %' GROUP BY ALL"
    assert dict(stored(tmp_path, good)) == {"good readings": 4, "good kit": 1, "good burette": 2}
    ((largest,),) = stored(tmp_path, "SELECT max(abs(value)) FROM reading")
    assert largest < 1000


def test_an_absurd_reading_is_set_aside_by_its_name(tmp_path: Path) -> None:
    rows = [f"{text},2026-03-05,7.4,{text}" for text in ABSURD]

    summary = intake(tmp_path, "\n".join(["Sample,Date,pH,Calcium (mg/L)", *rows]) + "\n")

    assert set_aside(tmp_path) == [("number-absurd", text) for text in ABSURD]
    assert summary["entries"] == {"read": 12, "accepted": 6, "set_aside": 6}


@pytest.mark.common_practice
def test_a_lost_decimal_mark_is_still_judged_by_the_checks(tmp_path: Path) -> None:
    """A pH of 742 is a reading that a check rejects, with its cause; one of 99999 is no reading."""
    rows = [f"{ph},2026-03-05,{ph},64" for ph in ("742", "99999")]

    intake(tmp_path, "\n".join(["Sample,Date,pH,Alkalinity (mg/L as CaCO3)", *rows]) + "\n")

    assert set_aside(tmp_path) == [("number-absurd", "99999")]
    assert stored(tmp_path, "SELECT label FROM sample WHERE verdict = 'reject'") == [("742",)]


def test_the_outermost_number_of_every_quantity_is_computed_with(tmp_path: Path) -> None:
    """Alone and all together, no check, cause or assessment leaves the range of numbers; a warning is an error."""
    rows = [{**USUAL, name: largest} for name, largest in OUTERMOST.items()] + [OUTERMOST]
    lines = [",".join([str(label), "2026-03-05", *row.values()]) for label, row in enumerate(rows)]

    intake(tmp_path, "\n".join([f"Sample,Date,{','.join(OUTERMOST)}", *lines]) + "\n")

    assert set_aside(tmp_path) == []
    assert stored(tmp_path, "SELECT count(*) FROM reading") == [(len(rows) * len(OUTERMOST),)]


def test_absurd_numbers_of_a_workbook_cost_their_cells(tmp_path: Path) -> None:
    """True numbers of a spreadsheet, one under the date as well, where a serial number of a day belongs."""
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    for row in (
        ("Sample", "Date", "pH", "Calcium (mg/L)"),
        ("good", 46086, 7.4, 64),
        ("A", 1e308, 7.4, 64),
        ("B", 46086, 1e308, 1e-320),
    ):
        sheet.append(row)
    book.save(tmp_path / "readings.xlsx")

    run(tmp_path, tmp_path / "readings.xlsx")

    assert [problem for problem, _ in set_aside(tmp_path)] == ["number-absurd", "number-absurd"]
    assert stored(tmp_path, "SELECT count(*) FROM reading") == [(4,)]


@pytest.mark.common_practice
@pytest.mark.parametrize(("heading", "code"), [(KIT, "kit-undefined"), (BURETTE, "titration-undefined")])
def test_a_titration_beside_a_volume_that_cannot_be_used_is_set_aside(tmp_path: Path, heading: str, code: str) -> None:
    """The kit's own volume stands for one that nobody wrote, never for one that was not understood."""
    volumes = ("half", "1e308", "0", "-5", "?", "1e-9")
    rows = [replaced(heading, f"volume {text}", "Sample volume (mL)", text) for text in volumes]

    summary = intake(tmp_path, "\n".join([heading, ROWS[heading], *rows]) + "\n")

    assert set_aside(tmp_path) == [(code, {KIT: "6", BURETTE: "4.2"}[heading])] * len(volumes)
    assert {notice["column"] for notice in summary["notices"]} == {"Sample volume (mL)"}
    assert stored(tmp_path, "SELECT count(*) FROM reading WHERE form IN ('drops', 'titrant_ml')") == [(1,)]


def test_a_burette_beside_a_figure_that_cannot_be_used_is_set_aside(tmp_path: Path) -> None:
    """Neither a blank of 0 nor a titre of 1 may stand for a text that was not understood."""
    rows = [replaced(BURETTE, name, name, "some") for name in ("Titrant normality", "Blank mL")]

    intake(tmp_path, "\n".join([BURETTE, *rows]) + "\n")

    assert set_aside(tmp_path) == [("titration-undefined", "4.2")] * len(rows)


def test_an_absurd_number_of_a_register_is_told_and_the_register_kept(tmp_path: Path) -> None:
    rows = [f"C,N{number},{text},none" for number, text in enumerate(ABSURD)]

    summary = intake(tmp_path, "\n".join(["client,site,litres_per_day,treatment", *rows, "C,M,40,none\n"]), "sites.csv")

    assert stored(tmp_path, "SELECT count(*) FROM site") == [(len(ABSURD) + 1,)]
    assert summary["files"][0]["status"] == "register"
    assert [(told["problem"], told["count"]) for told in summary["notices"]] == [("register-value", len(ABSURD))]


def test_a_message_writes_every_number_a_computer_can_hold() -> None:
    numbers = pd.DataFrame({"number": [1e308, -1e308, 1e-320, 1.25e29, np.inf, np.nan, 7.4]})

    plain, places = (fill(template, numbers).tolist() for template in ("{number}", "{number:2}"))

    assert plain == ["1e+308", "-1e+308", "0", "1.25e+29", "∞", "?", "7.4"]
    assert places == ["1e+308", "-1e+308", "0.00", "1.25e+29", "∞", "?", "7.40"]

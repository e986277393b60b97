"""`export`: what leaves the store is whole, typed, described, and read back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner
from frictionless import Resource, Schema, validate

from pipeline.cli import main

if TYPE_CHECKING:
    from click.testing import Result

LABORATORY = (
    "Sample,Client,Site,Tap,Region,Stage,Date,Operator,pH,Conductivity (µS/cm),"
    "Calcium (mg/L),Magnesium (mg/L),Sodium (mg/L),"
    "Chloride (mg/L),Sulfate (mg/L),Nitrate (mg/L as N),Alkalinity (mg/L as CaCO3),Total hardness (mg/L as CaCO3),"
    "TDS dried at 180 °C (mg/L),Turbidity (NTU),Comment\n"
    "A-1,Client One,Bar,kitchen,North,raw,2024-03-01 10:30,Ann,7.4,557,80,12,20,36,40,<0.5,205,249,340,> 10,=2+2\n"
    "A-2,Client One,Bar,kitchen,North,treated,2024-03-01,Ann,6.9,300,30,12,20,36,~40,2.26,80,124.3,190,0.1,\n"
    "B-1,Client Two,Office,,South,raw,2025-07-02,,7.123456789,224,24,6,12,14,18,0.9,69.7,84.6,129,0.2,\n"
    "blank 1,Client Two,Office,,South,,2025-07-02,,6,1.5,<0.1,<0.1,<0.1,<0.1,<0.1,<0.1,<1,<1,,,\n"
)
ASKED = """
    SELECT s.label, s.client, s.site, s.sampling_point, s.stage, s.region, s.activity, s.collected_at, s.operator,
        r.analyte, r.value, r.unit, r.basis, r.qualifier, r."limit"
    FROM v_sample AS s JOIN v_reading AS r USING (sample_id)
    WHERE r.counts
    ORDER BY ALL
"""


def run(*words: object) -> Result:
    done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exit_code in (0, 1), done.output
    return done


def stored(out: Path) -> pd.DataFrame:
    """Give what a store holds of every reading that counts."""
    answer = run("query", ASKED, "--json", "--store", out / "kettlestone.duckdb").stdout
    return pd.DataFrame(json.loads(answer))


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder of results of a small laboratory."""
    folder = tmp_path_factory.mktemp("exported")
    (folder / "laboratory.csv").write_text(LABORATORY, encoding="utf-8")
    run("intake", folder / "laboratory.csv", "--out", folder / "out")
    return folder / "out"


@pytest.mark.source("WQX3")
def test_wqx_is_read_back_without_loss(out: Path, tmp_path: Path) -> None:
    """Every value with all its digits, limits below and above, marks, forms, times, places, people and controls."""
    run("export", "--format", "wqx", "--out", tmp_path / "wqx", "--store", out / "kettlestone.duckdb")
    run("intake", tmp_path / "wqx" / "results.csv", "--out", tmp_path / "back")

    ours, back = stored(out), stored(tmp_path / "back")
    assert len(ours) == 46
    assert set(ours["qualifier"]) == {"", "<", ">", "~"}
    pd.testing.assert_frame_equal(back, ours)


def test_csv_fits_its_table_schema(out: Path, tmp_path: Path) -> None:
    target = tmp_path / "csv"
    run("export", "--out", target, "--store", out / "kettlestone.duckdb")

    for name in ("samples", "readings", "findings"):
        schema = Schema.from_descriptor(json.loads((target / f"{name}.schema.json").read_text("utf-8")))
        report = validate(Resource(path=f"{name}.csv", basepath=str(target), schema=schema))
        assert report.valid, report.flatten(["rowNumber", "fieldName", "message"])
    samples = pd.read_csv(target / "samples.csv")
    assert samples.set_index("label").loc["A-1", "comment"] == "'=2+2"
    assert samples["qartod_flag"].isin([1, 2, 3, 4]).all()


def test_a_client_gets_no_more_than_his_own(out: Path, tmp_path: Path) -> None:
    target = tmp_path / "own"
    run("export", "--client", "Client One", "--out", target, "--store", out / "kettlestone.duckdb")

    assert set(pd.read_csv(target / "samples.csv")["client"]) == {"Client One"}
    assert set(pd.read_csv(target / "readings.csv")["client"]) == {"Client One"}
    assert b"Client Two" not in b"".join(path.read_bytes() for path in target.iterdir())


def test_parquet_lies_by_region_and_year(out: Path, tmp_path: Path) -> None:
    target = tmp_path / "parquet"
    run("export", "--format", "parquet", "--out", target, "--store", out / "kettlestone.duckdb")

    assert (target / "readings" / "region=North" / "year=2024").is_dir()
    found = (
        duckdb.read_parquet(f"{target}/readings/*/*/*.parquet")
        .filter("region = 'South'")
        .aggregate("count(*)")
        .fetchall()
    )
    assert found == [(len(stored(out).query("region == 'South'")),)]


def test_a_workbook_has_typed_cells_and_no_formula(out: Path, tmp_path: Path) -> None:
    target = tmp_path / "xlsx"
    run("export", "--format", "xlsx", "--out", target, "--store", out / "kettlestone.duckdb")
    book = openpyxl.load_workbook(target / "kettlestone.xlsx")

    assert book.sheetnames == ["samples", "readings", "findings"]
    rows = list(book["samples"].iter_rows())
    heads = [cell.value for cell in rows[0]]
    row = next(row for row in rows if row[heads.index("label")].value == "A-1")
    assert row[heads.index("calcium_mg_l")].value == 80
    assert row[heads.index("collected_at")].is_date
    assert row[heads.index("collected_at")].value.isoformat() == "2024-03-01T10:30:00"
    assert (row[heads.index("comment")].value, row[heads.index("comment")].data_type) == ("=2+2", "s")


def test_another_folder_is_left_alone(out: Path, tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine", "utf-8")
    done = CliRunner().invoke(main, ["export", "--out", str(tmp_path), "--store", str(out / "kettlestone.duckdb")])

    assert done.exit_code == 2
    assert "holds something else than an export" in done.stderr
    assert (tmp_path / "mine.txt").exists()


def test_nothing_that_fits_is_said(out: Path, tmp_path: Path) -> None:
    words = ["export", "--region", "East", "--out", str(tmp_path / "x"), "--store", str(out / "kettlestone.duckdb")]
    done = CliRunner().invoke(main, words)

    assert done.exit_code == 2
    assert "no sample fits --region East" in done.stderr


def test_a_snapshot_is_read_with_the_lines_of_the_readme(
    out: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    readme = (Path(__file__).parents[3] / "README.md").read_text("utf-8")
    lines = readme.split("<!-- python: snapshot -->\n```python\n")[1].split("```")[0]
    monkeypatch.chdir(tmp_path)
    run("snapshot", "copy.duckdb", "--store", out / "kettlestone.duckdb")
    names: dict[str, pd.DataFrame] = {}

    exec(lines, names)  # noqa: S102 - the lines of the README

    assert sorted(names["samples"]["label"]) == ["A-1", "B-1"]


def test_a_folder_of_a_snapshot_holds_the_views(out: Path, tmp_path: Path) -> None:
    run("snapshot", tmp_path / "folder", "--store", out / "kettlestone.duckdb")

    assert len(pd.read_parquet(tmp_path / "folder" / "v_reading.parquet")) == 46
    assert (tmp_path / "folder" / "v_region.parquet").exists()

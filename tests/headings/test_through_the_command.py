"""Small tables as strangers write them, through the installed command into the store."""

from __future__ import annotations

from typing import TYPE_CHECKING

import duckdb
import pytest
from click.testing import CliRunner

from pipeline.cli import main

if TYPE_CHECKING:
    from pathlib import Path

# Name → the file, its sample, and values of v_sample that follow from it by the arithmetic beside them.
TABLES: dict[str, tuple[str, str, dict[str, float]]] = {
    "the unit stands in the heading of the values": (
        "Probe;Parameter;Messwert (mg/l)\nP1;Calcium;82,4\nP1;Chlorid;31\nP1;pH-Wert;7,4\n",
        "P1",
        {"calcium_mg_l": 82.4, "chloride_mg_l": 31.0, "ph": 7.4},
    ),
    "a unit of the row goes before that of the heading": (
        "Sample,Parameter,Result (mg/L),Unit\nS1,Calcium,82.4,\nS1,Iron,120,ug/L\n",
        "S1",
        {"calcium_mg_l": 82.4, "iron_mg_l": 0.120},
    ),
    "degrees per drop, in French": (
        "Échantillon;°f par goutte;Volume nominal (mL);Volume utilisé (mL);gouttes TH\nE1;1;5;5;18\n",
        "E1",
        {"total_hardness_mg_l_caco3": 180.0},  # 18 × 1 °f × 10 mg/L
    ),
    "grains per drop and half the water": (
        "Sample,gpg per drop,Kit volume (mL),Used volume (mL),Hardness drops\nS2,1,10,5,6\n",
        "S2",
        {"total_hardness_mg_l_caco3": 205.4},  # 6 × 2 × 17.118 mg/L
    ),
    "columns of a database": (
        "sample_id,tot_hard_mgl,alk_caco3_mg_l,cond_25_uS_cm,no3_n_mg_l\nD1,249,210,512,1.0\n",
        "D1",
        {
            "alkalinity_mg_l_caco3": 210.0,
            "conductivity_us_cm_25c": 512.0,
            "nitrate_mg_l": 4.427,  # × 62.0049 / 14.0067
        },
    ),
    "plurals in Spanish": (
        "Muestra;Bicarbonatos (mg/L);Cloruros (mg/L);Sulfatos (mg/L);Calcio disuelto (mg/L)\nM1;250;20;30;80\n",
        "M1",
        {"bicarbonate_mg_l": 250.0, "chloride_mg_l": 20.0, "sulfate_mg_l": 30.0, "calcium_mg_l": 80.0},
    ),
    "two languages at once": (
        (
            "Campione / Probe;Calcio / Calcium (mg/l);Durezza totale / Gesamthärte (°f);Sodio / Natrium (mg/l)\n"
            "C2;80;25;12\n"
        ),
        "",
        {"calcium_mg_l": 80.0, "total_hardness_mg_l_caco3": 250.0},
    ),
    "symbols in small letters": (
        "id,ca mg/L,mg mg/L,na mg/L,k mg/L,cl mg/L\nA,78,9.5,12.8,2.1,18\n",
        "A",
        {"calcium_mg_l": 78.0, "magnesium_mg_l": 9.5, "sodium_mg_l": 12.8, "potassium_mg_l": 2.1},
    ),
    "Chinese": (
        (
            "样品编号,采样日期,总硬度（以CaCO3计）(mg/L),总碱度(mg/L CaCO3),钙离子(mg/L),电导率(25℃)(μS/cm)\n"
            "Z1,2025-03-11,249,205,80,512\n"
        ),
        "Z1",
        {"total_hardness_mg_l_caco3": 249.0, "alkalinity_mg_l_caco3": 205.0, "conductivity_us_cm_25c": 512.0},
    ),
    "nitrate and nitrite together": (
        "Sample,Parameter,Result,Units\nN1,Nitrate + Nitrite (as N),5.2,mg/L\nN1,Calcium,80,mg/L\n",
        "N1",
        {"nitrate_mg_l": 23.02},  # × 62.0049 / 14.0067
    ),
    "the uncompensated column first": (
        "Sample,Temp(C),COND(uS/cm),SPC(uS/cm)\nC1,6.1,301,469\nC2,6.4,305,472\n",
        "C1",
        {"conductivity_us_cm_25c": 469.0},
    ),
}


def taken_in(folder: Path, text: str) -> tuple[duckdb.DuckDBPyConnection, str]:
    (folder / "table.csv").write_text(text, encoding="utf-8")
    store = folder / "k.duckdb"
    result = CliRunner().invoke(
        main, ["intake", str(folder / "table.csv"), "--out", str(folder / "out"), "--store", str(store)]
    )
    assert result.exit_code in (0, 1), result.output
    return duckdb.connect(str(store), read_only=True), result.output


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> duckdb.DuckDBPyConnection:
    """Take all tables in at once, as they come of an evening."""
    folder = tmp_path_factory.mktemp("evening")
    (folder / "in").mkdir()
    for name, (text, _, _) in TABLES.items():
        (folder / "in" / f"{name}.csv").write_text(text, encoding="utf-8")
    result = CliRunner().invoke(main, ["intake", str(folder / "in"), "--out", str(folder / "out")])
    assert result.exit_code in (0, 1), result.output
    return duckdb.connect(str(folder / "out" / "kettlestone.duckdb"), read_only=True)


@pytest.mark.common_practice
@pytest.mark.parametrize("name", TABLES)
def test_a_table_of_a_stranger_is_read(name: str, evening: duckdb.DuckDBPyConnection) -> None:
    _, label, values = TABLES[name]

    columns = ", ".join(values)
    found = evening.execute(
        f"SELECT {columns} FROM v_sample AS s JOIN source_file AS f USING (file_sha256) "  # noqa: S608 - our own columns
        "WHERE f.name LIKE ? AND ? IN ('', label)",
        [f"%{name}.csv", label],
    ).fetchone()
    assert found == pytest.approx(tuple(values.values()), rel=5e-4)


@pytest.mark.source("APHA2510")
def test_the_pairs_of_a_file_teach_how_a_conductivity_changes_with_temperature(tmp_path: Path) -> None:
    """(301 / 469 - 1) / (6.1 - 25) is 1.90 and (305 / 472 - 1) / (6.4 - 25) also 1.90 % per °C."""
    store, _ = taken_in(tmp_path, "Sample,Temp(C),SPC(uS/cm),COND(uS/cm)\nA,6.1,469,301\nB,6.4,472,305\n")

    found = store.execute("SELECT value, note FROM reading WHERE note LIKE 'uncompensated%' ORDER BY line").fetchall()
    assert [value for value, _ in found] == pytest.approx([469.0, 472.0], rel=3e-3)
    assert all("1.90%" in note for _, note in found)


def test_a_volume_in_litres_is_not_read_as_millilitres(tmp_path: Path) -> None:
    text = "Sample,°dH per drop,Kit volume (mL),Used volume (L),Hardness drops\nS1,1,5,0.005,9\n"

    store, _ = taken_in(tmp_path, text)

    assert store.execute("SELECT DISTINCT used_ml FROM reading WHERE analyte = 'total_hardness'").fetchall() in (
        [],
        [(None,)],
    )


def test_the_word_that_nothing_explains_is_named(tmp_path: Path) -> None:
    text = "Sample,Calcium (mg/L),Hardness of the rock (mg/L)\nS1,80,12.5\nS2,81,13.5\n"

    _, told = taken_in(tmp_path, text)

    assert 'nothing explains "rock"' in " ".join(told.split())

"""A round in one sheet of drops that names houses only, and a register that says where they are and what is fitted."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import duckdb
import pytest
from click.testing import CliRunner
from openpyxl import Workbook

from pipeline.cli import main

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.common_practice

SHEET = """\
Wasserproben Tour Süd;;;;;;
Prüfer: K. Muster;;;;;;
;;;;;;
Datum;Betrieb;Entnahmestelle;GH (Tropfen);KH (Tropfen);Leitwert;pH
24.11.2026;Backhaus Ulme;Hahn;16;12;702;7,3
24.11.2026;Backhaus Ulme;hinter Enthärter;1;12;715;7,4
25.11.2026;Bistro Birke;Hahn;21;7;590;7,2
25.11.2026;Bistro Birke;nach Osmose;2;1;55;6,1
"""
REGISTER = """\
Betrieb;Ort;Maschine;Aufbereitung;Liter/Tag
Backhaus Ulme;Südstadt;Kombidämpfer;Enthärter;120
Bistro Birke;Talheim;Siebträger Zweikreiser;Umkehrosmose;60
"""
ANSWERS = ("GH=1 °dH per drop at 5 mL", "KH=1 °dH per drop at 5 mL", "Leitwert=µS/cm")


def taken_in(folder: Path, **files: str) -> Path:
    folder.mkdir()
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    options = [part for answer in ANSWERS for part in ("--unit", answer)]
    found = CliRunner().invoke(main, ["intake", str(folder), "--out", str(folder / "out"), *options])
    assert found.exit_code in (0, 1), found.output
    return folder / "out" / "kettlestone.duckdb"


def asked(store: Path, command: str, site: str) -> dict[str, Any]:
    found = CliRunner().invoke(main, [command, site, "--store", str(store), "--json"])
    assert found.exit_code in (0, 1), found.output
    answer: dict[str, Any] = json.loads(found.output)
    return answer


@pytest.fixture(scope="module")
def registered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return taken_in(tmp_path_factory.mktemp("round") / "with", runde=SHEET, betriebe=REGISTER)


@pytest.fixture(scope="module")
def unregistered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return taken_in(tmp_path_factory.mktemp("round") / "without", runde=SHEET)


@pytest.mark.parametrize("command", ["retest", "advise"])
@pytest.mark.parametrize(
    ("house", "treatment", "litres"), [("Backhaus Ulme", "softener", 120.0), ("Bistro Birke", "reverse osmosis", 60.0)]
)
def test_a_house_with_one_site_in_the_register_is_that_site(
    registered: Path, command: str, house: str, treatment: str, litres: float
) -> None:
    fitted = asked(registered, command, house)["fitted"]

    assert (fitted["treatment"], fitted["said_by"], fitted["litres_per_day"]) == (treatment, "site", litres)


@pytest.mark.parametrize("command", ["retest", "advise"])
@pytest.mark.parametrize(("house", "treatment"), [("Backhaus Ulme", "softener"), ("Bistro Birke", "reverse osmosis")])
def test_without_a_register_the_sampling_point_names_what_is_fitted(
    unregistered: Path, command: str, house: str, treatment: str
) -> None:
    fitted = asked(unregistered, command, house)["fitted"]

    assert (fitted["treatment"], fitted["said_by"]) == (treatment, "point")


def test_the_same_folder_again_reads_nothing_that_the_first_time_wrote(registered: Path) -> None:
    found = CliRunner().invoke(main, ["intake", str(registered.parent.parent), "--out", str(registered.parent)])

    assert found.exit_code == 0, found.output
    assert "Nothing new" in found.output
    assert len(list(registered.parent.glob("2*"))) == 1, found.output


HOUSES = {
    "Riverside Roasters": [("raw", 31, 24, 640), ("post", 12, 6, 300)],
    "Hilltop Hotel": [("raw", 14, 11, 318), ("bar", 14, 11, 316)],
}
CLIENTS = "Client,Region,Country,Machine,Filter\nRiverside Roasters,North,GB,2 group dual boiler,decarboniser\n"


def test_sheets_named_by_houses_join_a_register_of_clients(tmp_path: Path) -> None:
    book = Workbook()
    book.create_sheet("Notes").append(["Water round, November"])
    for house, visits in HOUSES.items():
        sheet = book.create_sheet(house)
        sheet.append(["Date", "Tap", "GH drops", "KH drops", "EC"])
        for visit in visits:
            sheet.append(["2026-11-16", *visit])
    book.save(tmp_path / "round november.xlsx")
    (tmp_path / "clients.csv").write_text(CLIENTS, encoding="utf-8")
    worth = "=10 mg/L per drop at 10 mL"
    units = ["--unit", f"GH drops{worth}", "--unit", f"KH drops{worth}", "--unit", "EC=µS/cm"]
    CliRunner().invoke(main, ["intake", str(tmp_path), "--out", str(tmp_path / "out"), *units])
    store = tmp_path / "out/kettlestone.duckdb"

    found = asked(store, "retest", "Riverside Roasters")
    with duckdb.connect(str(store), read_only=True) as connection:
        places = connection.execute("SELECT DISTINCT client, site, machine FROM v_sample ORDER BY ALL").fetchall()

    assert found["fitted"]["treatment"] == "decarboniser"
    assert places == [("", "Hilltop Hotel", ""), ("Riverside Roasters", "", "2 group dual boiler")]


def test_one_drop_behind_a_membrane_may_stand_for_anything_less(registered: Path) -> None:
    """One drop in 5 mL is 0 to 18 mg/L; a membrane that holds back 90 % leaves 12 of 125."""
    found = asked(registered, "retest", "Bistro Birke")

    assert found["proof"] == "proved"

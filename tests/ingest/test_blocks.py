"""Workbooks and texts as people lay them out: cover sheets, several tables, grouped headings, one sample a column."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import pytest
from openpyxl import Workbook

from pipeline.ingest.blocks import blocks_of, unread_blocks, with_cover
from pipeline.ingest.extract import Extract, extract
from pipeline.ingest.grid import Grid
from pipeline.ingest.layouts import load_layouts
from pipeline.ingest.reading import FileContent, grids, read_content

if TYPE_CHECKING:
    from pathlib import Path

LAYOUTS = load_layouts()
Rows = list[list[object]]


def grid_of(text: str) -> Grid:
    return Grid.from_rows([line.split(";") for line in text.splitlines()])


def extracts(tables: list[Grid]) -> list[Extract]:
    found = with_cover([block for grid in tables for block in blocks_of(grid, LAYOUTS)])
    return [extract(grid, match, "0" * 64) for grid, match in found]


def entries(tables: list[Grid]) -> list[tuple[str, str, str, str, str]]:
    """Label, stage, quantity, cell and unit of every accepted entry, in the order of the tables."""
    return [
        (
            part.rows["label"].iloc[cell["row"]],
            part.rows["stage"].iloc[cell["row"]],
            str(cell["analyte"]),
            str(cell["raw_text"]),
            str(cell["raw_unit"]),
        )
        for part in extracts(tables)
        for cell in part.cells.to_dict("records")
    ]


def workbook(tmp_path: Path, sheets: dict[str, Rows], merged: dict[str, list[str]] | None = None) -> list[Grid]:
    book = Workbook()
    book.remove(book.worksheets[0])
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
        for area in (merged or {}).get(name, []):
            sheet.merge_cells(area)
    stream = io.BytesIO()
    book.save(stream)
    path = tmp_path / "book.xlsx"
    path.write_bytes(stream.getvalue())
    return grids(read_content(path, max_bytes=10_000_000))


COVER: Rows = [["Untersuchungsbericht"], ["Auftraggeber", "Rösterei Y"], ["Prüfbericht-Nr", "B-7"]]
GROUPED: Rows = [
    ["Probe", "Datum", "Vor Filter", None, "Nach Filter", None],
    [None, None, "Gesamthärte", "Karbonathärte", "Gesamthärte", "Karbonathärte"],
    [None, None, "°dH", "°dH", "°dH", "°dH"],
    ["K1", "12.03.2025", 18, 11, 9, 4],
]
MERGED = {"Daten": ["A1:A3", "B1:B3", "C1:D1", "E1:F1"]}


def test_a_cover_states_whose_water_stands_on_the_sheets_behind_it(tmp_path: Path) -> None:
    (part,) = extracts(workbook(tmp_path, {"Deckblatt": COVER, "Daten": GROUPED}, MERGED))

    assert set(part.rows["client"]) == {"Rösterei Y"}
    assert set(part.rows["report_id"]) == {"B-7"}


def test_a_group_holds_for_the_columns_it_was_merged_over(tmp_path: Path) -> None:
    assert entries(workbook(tmp_path, {"Daten": GROUPED}, MERGED)) == [
        ("K1", "raw", "total_hardness", "18", "°dH"),
        ("K1", "raw", "alkalinity", "11", "°dH"),
        ("K1", "treated", "total_hardness", "9", "°dH"),
        ("K1", "treated", "alkalinity", "4", "°dH"),
    ]


def test_merged_headings_are_no_fault(tmp_path: Path) -> None:
    tables = workbook(tmp_path, {"Daten": GROUPED}, MERGED)

    (block,) = blocks_of(tables[0], LAYOUTS)

    assert "merged-cells" in set(tables[0].notices["problem"])
    assert "merged-cells" not in set(block.grid.notices["problem"])


def test_a_sheet_that_holds_no_samples_is_named_with_the_one_that_does(tmp_path: Path) -> None:
    tables = workbook(tmp_path, {"Deckblatt": COVER, "Daten": GROUPED}, MERGED)

    (told,) = unread_blocks([block for grid in tables for block in blocks_of(grid, LAYOUTS)], "0" * 64)

    assert told["problem"].tolist() == ["table-not-read"]
    assert 'sheet "Deckblatt"' in told["detail"].item()
    assert '"Daten"' in told["detail"].item()


@pytest.mark.parametrize(
    "text",
    [
        ";;mg/L;mmol/L\nMuestra;Fecha;Calcio;Magnesio\nM;2025-03-01;80;1,2",
        "Muestra;Fecha;Calcio;Magnesio\n;;mg/L;mmol/L\nM;2025-03-01;80;1,2",
        "Sample;Date;Calcium;;Magnesium;\n;;Result;Unit;Result;Unit\nM;2025-03-01;80;mg/L;1,2;mmol/L",
        "Échantillon;Date;Cations;\n;;Calcium;Magnésium\n;;mg/L;mmol/L\nM;2025-03-01;80;1,2",
        "Campione;M\nData;2025-03-01\nCalcio (mg/L);80\nMagnesio (mmol/L);1,2",
        ";;M\nCalcium;mg/L;80\nMagnesium;mmol/L;1,2",
        "Monster;;M\nDatum;;2025-03-01\nCalcium;mg/L;80\nMagnesium;mmol/L;1,2",
    ],
)
def test_one_table_in_many_shapes_says_the_same(text: str) -> None:
    found = {(label, analyte, cell, unit) for label, _, analyte, cell, unit in entries([grid_of(text)])}

    assert found == {("M", "calcium", "80", "mg/L"), ("M", "magnesium", "1,2", "mmol/L")}


def test_samples_side_by_side_keep_their_own_dates() -> None:
    (part,) = extracts([grid_of("Sample;Bar 1;Bar 2\nDate;2025-03-01;2025-03-02\nCalcium (mg/L);80;62\npH;7.6;7.5")])

    rows = part.rows.drop_duplicates("label")[["label", "collected_on"]]
    assert rows.to_numpy().tolist() == [["Bar 1", "2025-03-01"], ["Bar 2", "2025-03-02"]]


TWO = """Campione;Calcio (mg/L);Magnesio (mg/L)
A;80;12

Dopo il filtro
Campione;Durezza totale (°f);pH
A2;20;7.1

Parametro;Limite;Unità
Calcio;400;mg/L
Ferro;200;µg/L"""


def test_every_table_of_a_sheet_is_read_and_one_of_limits_is_not() -> None:
    blocks = blocks_of(grid_of(TWO), LAYOUTS)

    assert [block.match is not None for block in blocks] == [True, True, False]
    assert [entry[:4] for entry in entries([grid_of(TWO)])] == [
        ("A", "", "calcium", "80"),
        ("A", "", "magnesium", "12"),
        ("A2", "treated", "total_hardness", "20"),
        ("A2", "treated", "ph", "7.1"),
    ]


def test_a_lower_table_may_be_the_better_understood_one() -> None:
    text = "Probe;Ca mg/l;Mg mg/l\nA;80;12\n\nProbe;Calcium mg/l;Natrium mg/l;Chlorid mg/l;Sulfat mg/l\nB;70;9;20;30"

    assert [entry[0] for entry in entries([grid_of(text)])] == ["A", "A", "B", "B", "B", "B"]


def test_what_stands_above_the_first_table_holds_for_the_lower_ones() -> None:
    text = (
        "Kunde: Rösterei Y;;\n\nProbe;Calcium mg/l;Magnesium mg/l\nA;80;12\n\n"
        "Probe;Gesamthärte °dH;pH;Kupfer mg/l\nB;9;7,1;0,1"
    )

    assert {client for part in extracts([grid_of(text)]) for client in part.rows["client"]} == {"Rösterei Y"}


def test_rows_below_an_empty_row_stay_with_their_table() -> None:
    assert [entry[0] for entry in entries([grid_of("Probe;Ca mg/l;Mg mg/l\nA;80;12\n\nB;70;11")])] == [
        "A",
        "A",
        "B",
        "B",
    ]


def test_headings_that_return_begin_no_other_table() -> None:
    text = "Probe;Ca mg/l;Mg mg/l\nA;80;12\n\nProbe;Ca mg/l;Mg mg/l\nB;70;11"

    assert len(blocks_of(grid_of(text), LAYOUTS)) == 1


def test_a_row_of_data_does_not_pass_for_the_headings() -> None:
    text = "Name;Nitrat mg/l;Chlorid mg/l\nCa;4;3\nMg;5;4\nNa;K;Ca\nX;1;2"

    assert [block.match.header_row for block in blocks_of(grid_of(text), LAYOUTS) if block.match] == [0]


def test_a_list_of_one_quantity_is_a_table() -> None:
    text = "Ort;Gesamthärte in °dH;Härtebereich\nAltdorf;12,5;mittel\nBachheim;21;hart"
    (part,) = extracts([grid_of(text)])

    assert part.rows["site"].tolist() == ["Altdorf", "Bachheim"]
    assert part.cells["raw_text"].tolist() == ["12,5", "21"]


@pytest.mark.parametrize(
    "name",
    [
        "valori di parametro / Wert des Parameters",
        "Grenzwert TrinkwV 2023",
        "gesetzlicher Grenzwert",
        "EU limit value",
        "Limite de qualité (arrêté 2007)",
        "límite legal según RD 3/2023",
        "wettelijke norm",
        "z-Score",
        "Variationskoeffizient",
        "coefficient de variation",
        "desviación estándar",
        "valore assegnato",
        "gränsvärde",
        "水質基準",
        "標準偏差",
    ],
)
def test_limits_and_statistics_are_no_samples(name: str) -> None:
    (part,) = extracts([grid_of(f"Sample;Calcium mg/L;Chloride mg/L\nA;80;12\n{name};400;250")])

    assert part.rows["label"].tolist() == ["A"]
    assert set(part.set_aside["problem"]) == {"not-a-sample"}


@pytest.mark.parametrize("name", ["Café Norm", "Limmat", "Water of the east", "Norma's bar", "N"])
def test_names_of_places_are_samples(name: str) -> None:
    (part,) = extracts([grid_of(f"Sample;Calcium mg/L;Chloride mg/L\nL;80;12\n{name};70;25")])

    assert part.rows["label"].tolist() == ["L", name]


@pytest.mark.parametrize(
    "text",
    [
        "ID Date pH Chloride_mg/L\nA 2025-01-01 7,5 12,1\nB 2025-01-02 7,4 12,3",
        "ID pH Cl_mg/L\nA  7.5 12.1\nB 7.4   12.3",
    ],
)
def test_single_blanks_separate_a_table(text: str, tmp_path: Path) -> None:
    path = tmp_path / "log.txt"
    path.write_text(text, encoding="utf-8")

    assert [entry[0] for entry in entries(grids(read_content(path, max_bytes=1_000)))] == ["A", "A", "B", "B"]


@pytest.mark.parametrize(
    "text", ["Sample point,Water pH\nBar one,7.5\nBar two,7.4", "a report of the year\nwith four words each\n"]
)
def test_blanks_within_cells_separate_nothing(text: str) -> None:
    content = FileContent("x.csv", text.encode(), "0" * 64, len(text), text.encode())

    assert grids(content)[0].delimiter == ","


def test_tabs_go_before_the_blanks_between_words() -> None:
    text = "Date\tSite name\tSPC (uS/cm)\n2025-01-02\tBar 1\t500\n2025-01-03\tBar 2\t510"
    content = FileContent("x.txt", text.encode(), "0" * 64, len(text), text.encode())

    assert grids(content)[0].delimiter == "\t"


@pytest.mark.parametrize(
    ("heading", "field"),
    [
        ("EDTA (mol/L)", "titrant_molarity"),
        ("Titrant concentration [eq/L]", "titrant_normality"),
        ("HCl (mol/L)", "titrant_normality"),
        ("Konzentration der Maßlösung (mol/l)", "titrant_molarity"),
        ("concentration du titrant", "titrant_concentration"),
        ("Normality (mol/L)", "titrant_concentration"),
        ("Normalität", "titrant_normality"),
    ],
)
def test_the_unit_tells_moles_from_equivalents(heading: str, field: str) -> None:
    (part,) = extracts([grid_of(f"Sample;Test;EDTA mL;{heading};Sample mL\nB1;total hardness;12.40;0.0100;50")])

    assert part.rows[field].tolist() == ["0.0100"]

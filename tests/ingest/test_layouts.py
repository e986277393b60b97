"""The header row is found, the right layout fits, and a broken layout is named."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

import schemas
from pipeline.ingest.grid import Grid
from pipeline.ingest.layouts import Match, load_layouts, match_layout
from pipeline.problems import KettlestoneError

BUILT_IN = sorted(Path(schemas.__file__).with_name("layouts").glob("*.json"))


def grid_of(text: str, delimiter: str = ";") -> Grid:
    return Grid.from_rows([[cell.strip() for cell in line.split(delimiter)] for line in text.strip().splitlines()])


def matched(text: str) -> Match:
    found = match_layout(grid_of(text), load_layouts())
    assert found is not None
    return found


@pytest.mark.parametrize("path", BUILT_IN, ids=lambda path: path.stem)
def test_every_layout_is_a_table_schema(path: Path) -> None:
    """The published reader of Table Schemas takes each of them without a remark."""
    frictionless = pytest.importorskip("frictionless")

    loaded = frictionless.Schema.from_descriptor(json.loads(path.read_text(encoding="utf-8")))

    assert loaded.fields


FILES = {
    "drop-kit": "Probe;GH Tropfen;KH Tropfen;ml\n1;14;11;10",
    "meter-log": "Date Time, GMT-05:00;pH;Leitf (µS/cm);Temp (C)\n2024-01-02;7.1;500;12",
    "laboratory-wide": "Sample;Ca [mg/L];Mg [mg/L];Alk [mg/L]\nA;80;12;200",
    "laboratory-long": "Probe;Parameter;Ergebnis;Einheit\nA;Calcium;80;mg/l",
    "one-quantity": "Ort;Gesamthärte in °dH;Härtebereich\nAltdorf;12,5;mittel",
    "bottle-label": "Mineralwasser;Calcium mg/l;Magnesium mg/l\nA;40;5",
    "sites": "client;site;region;machine\nK1;S1;North;HX",
    "treatments": "site;treatment;Kapazität;eingebaut am\nS1;decarboniser;12000;2025-02-03",
    "portal-legacy": "ActivityIdentifier;CharacteristicName;"
    "ResultMeasureValue;ResultMeasure/MeasureUnitCode\nA;Calcium;1;mg/l",
    "portal-wqx3": "Activity_ActivityIdentifier;Result_Characteristic;"
    "Result_Measure;Result_MeasureUnit\nA;Calcium;1;mg/l",
}


@pytest.mark.parametrize(("name", "text"), FILES.items())
def test_each_kind_of_file_finds_its_layout(name: str, text: str) -> None:
    assert matched(text).layout.name == name


def test_every_built_in_layout_is_tried_here() -> None:
    assert set(FILES) == {path.stem for path in BUILT_IN}


def test_the_header_row_is_found_below_a_preamble() -> None:
    found = matched("Prüfbericht 17;;\nProbe: Küche;;\n;;\nParameter;Einheit;Ergebnis\nCalcium;mg/l;80")

    assert found.header_row == 3
    assert found.preamble == {"report_id": "17", "label": "Küche"}


def test_a_units_row_below_the_header_is_read_as_units() -> None:
    found = matched("Punto;Durezza totale;Calcio\n;°f;mg/l\nA;32;100")

    assert found.body == 2
    assert [column.unit for column in found.measured] == ["°f", "mg/l"]


def test_a_unit_in_the_heading_goes_before_the_units_row() -> None:
    found = matched("Punto;Durezza (mg/l CaCO3);Calcio\n;°f;mg/l\nA;32;100")

    assert (found.measured[0].unit, found.measured[0].basis) == ("mg/l", "as CaCO3")


def test_samples_in_columns_are_read_as_such() -> None:
    found = matched("Parameter;Unit;Tap;After filter\nTotal hardness;°f;25;<5\npH;;7.4;6.6")

    assert found.orientation == "parameters-in-rows"
    assert [(column.sample, column.stage) for column in found.measured] == [
        ("Tap", "raw"),
        ("After filter", "treated"),
    ]


@pytest.mark.parametrize("text", ["a;b\n1;2", "just text", "name;town\nx;y", ""])
def test_a_table_without_water_analyses_fits_no_layout(text: str) -> None:
    assert match_layout(grid_of(text), load_layouts()) is None


def test_a_layout_of_your_own_comes_first(tmp_path: Path) -> None:
    described = {
        "name": "mine",
        "needs": {"measurements": 1, "own": 1},
        "missingValues": ["-9"],
        "fields": [
            {"name": "Bottle code", "type": "string", "field": "label"},
            {"name": "Hardness lab 3", "type": "string", "analyte": "total_hardness", "unit": "°dH"},
        ],
    }
    (tmp_path / "mine.json").write_text(json.dumps(described), encoding="utf-8")

    found = match_layout(grid_of("Bottle code;Hardness lab 3\nA;7"), load_layouts(tmp_path))

    assert found is not None
    assert found.layout.name == "mine"
    assert [(column.analyte, column.unit) for column in found.measured] == [("total_hardness", "°dH")]
    assert "-9" in found.layout.missing


def test_a_layout_may_only_give_units_to_known_headings(tmp_path: Path) -> None:
    described = {"name": "wells", "units": {"calcium": "mg/l", "sodium": "mg/l"}, "fields": []}
    (tmp_path / "wells.json").write_text(json.dumps(described), encoding="utf-8")
    layouts = load_layouts(tmp_path)

    found = match_layout(grid_of("Well;Calcium;Sodium [meq/l]\nA;40;2"), layouts)

    assert found is not None
    assert [column.unit for column in found.measured] == ["mg/l", "meq/l"]
    assert match_layout(grid_of("Date;Name\n2025-01-02;A"), layouts) is None


FIELDS = [{"name": "pH", "analyte": "ph"}]


@pytest.mark.parametrize(
    ("broken", "place"),
    [
        ("{", "the file"),
        ("[]", "the file"),
        (json.dumps({"fields": []}), "name"),
        (json.dumps({"name": "x"}), "fields"),
        (json.dumps({"name": "x", "fields": FIELDS, "decimalChar": ";"}), "decimalChar"),
        (json.dumps({"name": "x", "fields": FIELDS, "method": "guess"}), "method"),
        (json.dumps({"name": "x", "fields": FIELDS, "sheet": 2}), "sheet"),
        (json.dumps({"name": "x", "fields": FIELDS, "headerRow": 0}), "headerRow"),
        (json.dumps({"name": "x", "fields": FIELDS, "headerRow": "3"}), "headerRow"),
        (json.dumps({"name": "x", "fields": FIELDS, "rank": "one"}), "rank"),
        (json.dumps({"name": "x", "fields": FIELDS, "encoding": "none-8"}), "encoding"),
        (json.dumps({"name": "x", "fields": [{"name": "pH", "analyte": "acid"}]}), "fields[1] pH"),
        (json.dumps({"name": "x", "fields": [{"name": "pH"}]}), "fields[1] pH"),
        (json.dumps({"name": "x", "fields": [{"analyte": "ph"}]}), "fields[1]"),
        (
            json.dumps({"name": "x", "fields": [{"name": "a", "analyte": "ph", "confirm": "?"}]}),
            "fields[1] a",
        ),
        (
            json.dumps({"name": "x", "fields": [{"name": "a", "analyte": "ph"}, {"name": "A", "field": "label"}]}),
            "fields[2]",
        ),
    ],
)
def test_a_broken_layout_names_file_and_property(broken: str, place: str, tmp_path: Path) -> None:
    (tmp_path / "bad.json").write_text(broken, encoding="utf-8")

    with pytest.raises(KettlestoneError) as raised:
        load_layouts(tmp_path)

    assert "bad.json" in str(raised.value)
    assert place in str(raised.value)


def test_a_missing_folder_of_layouts_is_said(tmp_path: Path) -> None:
    with pytest.raises(KettlestoneError, match="does not exist"):
        load_layouts(tmp_path / "none")


def test_a_layout_may_name_the_line_of_its_headings_and_its_sheet(tmp_path: Path) -> None:
    described = {
        "name": "mine",
        "headings": "own",
        "sheet": "Data",
        "headerRow": 3,
        "fields": [{"name": "H 3", "analyte": "total_hardness", "unit": "°dH"}, {"name": "Well", "field": "label"}],
    }
    (tmp_path / "mine.json").write_text(json.dumps(described), encoding="utf-8")
    layouts = load_layouts(tmp_path)
    grid = grid_of("Sample;Calcium mg/l;Magnesium mg/l\nA;1;2\nWell;H 3;x\nB;7;1")

    stated = match_layout(replace(grid, sheet="data"), layouts)
    elsewhere = match_layout(replace(grid, sheet="Other"), layouts)

    assert stated is not None
    assert elsewhere is not None
    assert (stated.layout.name, stated.header_row) == ("mine", 2)
    assert (elsewhere.layout.name, elsewhere.header_row) == ("laboratory-wide", 0)

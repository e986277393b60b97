"""Tables beside and below each other without a gap, and headings that name two things."""

from __future__ import annotations

import pandas as pd
import pytest

from pipeline.ingest.blocks import blocks_of, with_cover
from pipeline.ingest.extract import Extract, extract
from pipeline.ingest.grid import Grid
from pipeline.ingest.headings import read_heading
from pipeline.ingest.layouts import load_layouts
from pipeline.ingest.side_by_side import side_by_side
from pipeline.ingest.titles import with_titles
from pipeline.normalise.readings import NormaliseSettings, normalise

LAYOUTS = load_layouts()


def grid_of(text: str) -> Grid:
    return Grid.from_rows([line.split(";") for line in text.splitlines()])


def extracts(text: str) -> list[Extract]:
    found = with_titles(with_cover(blocks_of(grid_of(text), LAYOUTS)))
    return [extract(grid, match, "0" * 64) for grid, match in found]


def told(text: str) -> set[tuple[str, str, str]]:
    """Label, quantity and cell of every accepted entry."""
    return {
        (part.rows["label"].iloc[cell["row"]], str(cell["analyte"]), str(cell["raw_text"]))
        for part in extracts(text)
        for cell in part.cells.to_dict("records")
    }


FIRST = {("A1", "ph", "7.4"), ("A1", "total_hardness", "210"), ("A2", "ph", "7.5"), ("A2", "total_hardness", "220")}
SECOND = {("B1", "chloride", "22"), ("B1", "sulfate", "31"), ("B2", "chloride", "23"), ("B2", "sulfate", "32")}


@pytest.mark.parametrize(
    "text",
    [
        "Sample;pH;Hardness (mg/L CaCO3);;Sample;Cl (mg/L);SO4 (mg/L)\nA1;7.4;210;;B1;22;31\nA2;7.5;220;;B2;23;32",
        "Sample;pH;Hardness (mg/L CaCO3);;Lab no;Cl mg/L;SO4 mg/L\nA1;7.4;210;;B1;22;31\nA2;7.5;220;;B2;23;32",
        "Kitchen\nSample;pH;Hardness (mg/L CaCO3);Sample;Cl mg/L;SO4 mg/L\nA1;7.4;210;B1;22;31\nA2;7.5;220;B2;23;32",
        "Sample;pH;Hardness (mg/L CaCO3)\nA1;7.4;210\nA2;7.5;220\nSample;Cl (mg/L);SO4 (mg/L)\nB1;22;31\nB2;23;32",
    ],
    ids=["gap", "gap, other heading", "no gap, titles", "below without an empty row"],
)
def test_every_table_keeps_its_own_samples(text: str) -> None:
    """The chlorides of the second table were stored as those of the samples beside them."""
    assert told(text) == FIRST | SECOND


@pytest.mark.parametrize(
    "text",
    [
        "Sample;Date;pH;Date;EC (µS/cm)\nA1;1.3.2025;7.4;2.3.2025;400",  # the second date is of the same sample
        "Sample;pH;Sample;EC (µS/cm)\nA1;7.4;A1;400\nA2;7.5;A2;410",  # the label is repeated for the eye
        "Parameter;Before;After\npH;7.4;6.9\nCalcium mg/l;80;20",
    ],
)
def test_one_table_stays_one(text: str) -> None:
    assert len(side_by_side(grid_of(text))) == 1


def test_a_cell_keeps_its_column_in_the_sheet() -> None:
    [_, right] = side_by_side(grid_of("Sample;pH;;Sample;pH\nA1;7.4;;B1;7.1"))

    assert (right.left, right.row(1)) == (3, ["B1", "7.1"])


def test_filtered_beside_raw_is_behind_the_filter() -> None:
    [part] = extracts("Date;Raw;;Filtered;\n;pH;Hardness °dH;pH;Hardness °dH\n2025-03-01;7.4;14;6.9;8")

    assert sorted(part.rows["stage"]) == ["raw", "treated"]


def test_a_heading_with_a_stroke_between_two_quantities_is_asked_about() -> None:
    for heading in ("Calcium / Hardness", "Alkalinity/Hardness (mg/L)", "Chlorid / Sulfat"):
        assert read_heading(heading).meanings == (), heading
    for heading, code in {"Calcium / Kalzium": "calcium", "Nitrate/nitrite as N": "nitrate_nitrite"}.items():
        assert [meaning.code for meaning in read_heading(heading).meanings] == [code]


@pytest.mark.source("ISO7888")
def test_an_uncompensated_conductivity_of_a_long_table_is_brought_to_25_by_its_pairs() -> None:
    """S1 shows 420 beside 520 at 14 °C: 1.75 % per °C; so 424 at 15 °C are 424 / (1 - 0.175) = 514."""
    rows = ["S1;SPC;520;µS/cm", "S1;COND;420;µS/cm", "S1;Temperature;14;°C"]
    rows += ["S2;COND;424;µS/cm", "S2;Temperature;15;°C"]
    [part] = extracts("\n".join(["Sample;Parameter;Result;Unit", *rows]))

    found = normalise([part], ["0" * 64], NormaliseSettings()).readings
    conductivity = found[found["analyte"] == "conductivity"]

    assert conductivity["value"].tolist() == pytest.approx([520.0, 520.0, 514.0], rel=2e-3)
    assert isinstance(conductivity, pd.DataFrame)


SIDE_BY_SIDE = """Parameter;Einheit;Wert;;Parameter;Einheit;Wert
pH-Wert;;7,6;;pH-Wert;;7,4
Gesamthärte;°dH;13;;Gesamthärte;°dH;18"""
REPORT = "Parameter;Einheit;Wert\npH-Wert;;{ph}\nGesamthärte;°dH;{hardness}"


@pytest.mark.parametrize(
    ("text", "points"),
    [
        (
            f"Werk Nord;;;;Werk Ost\n{SIDE_BY_SIDE}",
            ["Werk Nord", "Werk Ost"],
        ),
        (
            f"Werk Nord\n{REPORT.format(ph='7,6', hardness=13)}\n\nWerk Ost\n{REPORT.format(ph='7,4', hardness=18)}",
            ["Werk Nord", "Werk Ost"],
        ),
        ("Physik\nParameter;Wert\npH-Wert;7,6\n\nChemie\nParameter;Einheit;Wert\nChlorid;mg/l;20", [""]),
    ],
    ids=["side by side", "below each other", "parts of one analysis"],
)
def test_titles_say_where_the_samples_of_a_table_are_from(text: str, points: list[str]) -> None:
    """Two reports in one sheet were taken for one sample whose readings disagree."""
    found = [point for part in extracts(text) for point in part.rows["sampling_point"].unique()]

    assert list(dict.fromkeys(found)) == points


def test_the_stage_of_a_title_is_that_of_its_samples() -> None:
    text = "Raw water\nSample;pH;GH °dH\nA1;7.4;13\n\nTreated water\nSample;pH;GH °dH\nB1;7.0;4"

    assert [list(part.rows["stage"]) for part in extracts(text)] == [["raw"], ["treated"]]


def test_samples_of_one_name_keep_their_own_date() -> None:
    """Both were dated as the later one, and their readings disagreed."""
    [part] = extracts("Parameter;Kitchen;Kitchen\nDate;2025-03-01;2025-04-15\npH;7.4;7.2\nGH °dH;14;6")
    dated = part.rows["collected_on"].to_numpy()[part.cells["row"]]

    assert set(zip(dated, part.cells["raw_text"], strict=True)) == {
        ("2025-03-01", "7.4"),
        ("2025-03-01", "14"),
        ("2025-04-15", "7.2"),
        ("2025-04-15", "6"),
    }


def test_samples_of_one_name_that_nothing_tells_apart_are_numbered() -> None:
    assert told("Parameter;Unit;Kitchen;Kitchen;Bar\npH;;7.4;7.2;7.3\nGH;°dH;14;6;15") == {
        ("Kitchen", "ph", "7.4"),
        ("Kitchen", "total_hardness", "14"),
        ("Kitchen (2)", "ph", "7.2"),
        ("Kitchen (2)", "total_hardness", "6"),
        ("Bar", "ph", "7.3"),
        ("Bar", "total_hardness", "15"),
    }


def test_a_result_that_is_no_number_stays_below_the_headings() -> None:
    """The first results, "x1" and "n.d.", became headings: a quantity and a unit stand beside them."""
    text = "Sample;Date;Parameter;Result;Unit\nS1;2025-03-01;pH;x1;\nS1;2025-03-01;Temperature;n.d.;°C\n"

    assert told(f"{text}S1;2025-03-01;Calcium;80;mg/L") == {
        ("S1", "ph", "x1"),
        ("S1", "temperature", "n.d."),
        ("S1", "calcium", "80"),
    }


@pytest.mark.parametrize(
    "text",
    [
        "Site;Drops GH;Degrees per drop;Unit\nElm St;14;0.5;°dH",
        "Site;Drops GH;Unit;Degrees per drop\nElm St;14;°dH;0.5",
        "Site;Test;Drops;Degrees per drop;Unit\nElm St;GH;14;0.5;°dH",
        "Site;pH;Tropfen GH;Grad je Tropfen;Einheit\nElm St;7.4;14;0.5;°dH",
    ],
)
def test_the_unit_beside_what_a_drop_is_worth_is_the_degree(text: str) -> None:
    [part] = extracts(text)

    assert {tuple(row) for row in part.rows[["degree_per_drop", "degree_unit"]].to_numpy()} == {("0.5", "°dH")}

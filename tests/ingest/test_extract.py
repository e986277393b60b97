"""Every entry of a table becomes a cell or is set aside with its reason; nothing is lost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.ingest.extract import Extract, extract
from pipeline.ingest.grid import Grid
from pipeline.ingest.layouts import load_layouts, match_layout
from schemas.methods import FORMS, METHODS
from schemas.tables import CELL_COLUMNS, PROBLEM_COLUMNS, ROW_FIELDS

SHA = "0" * 64


def grid_of(text: str, delimiter: str = ";") -> Grid:
    return Grid.from_rows([[cell.strip() for cell in line.split(delimiter)] for line in text.strip().splitlines()])


def extracted(text: str, name: str = "report.csv") -> Extract:
    return of_grid(grid_of(text), name)


def of_grid(grid: Grid, name: str = "report.csv") -> Extract:
    found = match_layout(grid, load_layouts())
    assert found is not None
    result = extract(grid, found, SHA, name)
    assert result.entries == len(result.cells) + len(result.set_aside)
    return result


def listed(result: Extract, *columns: str) -> list[tuple[str, ...]]:
    return list(result.cells[list(columns)].astype("str").itertuples(index=False, name=None))


WIDE = "Probe;Datum;pH;Ca [mg/l];Chlorid mg/l\nA;2025-01-02;7,2;80;12\n;;;;\nB;2025-01-03;;81;<5"


def test_a_wide_table_gives_its_entries_in_the_order_of_the_table() -> None:
    result = extracted(WIDE)

    assert listed(result, "row", "analyte", "raw_text", "raw_unit") == [
        ("0", "ph", "7,2", ""),
        ("0", "calcium", "80", "mg/l"),
        ("0", "chloride", "12", "mg/l"),
        ("1", "calcium", "81", "mg/l"),
        ("1", "chloride", "<5", "mg/l"),
    ]
    assert list(result.rows["label"]) == ["A", "B"]
    assert list(result.rows["line"]) == [2, 4]


def test_the_frames_have_the_columns_of_the_schema() -> None:
    result = extracted(WIDE)

    assert list(result.rows.columns) == ["line", *ROW_FIELDS]
    assert set(result.cells.columns) == set(CELL_COLUMNS)
    assert list(result.set_aside.columns) == PROBLEM_COLUMNS
    assert {str(result.rows[name].dtype) for name in ROW_FIELDS} == {"str"}
    assert set(result.cells["form"].cat.categories) <= set(FORMS)
    assert set(result.cells["method"].cat.categories) <= set(METHODS)


@pytest.mark.common_practice
def test_counts_in_a_kit_sheet_are_counts() -> None:
    """The sheet of a visit: drops written with their word, meter readings beside them (common practice)."""
    result = extracted(
        "Kunde;Stufe;GH;KH;LF µS/cm;pH;ml\nK1;Roh;14 Tr.;11 Tr.;533;7,4;10\nK1;n. Filter;7 Tr.;4 Tr.;335;6,6;10"
    )

    assert listed(result, "analyte", "form", "method")[:4] == [
        ("total_hardness", "drops", "drops"),
        ("alkalinity", "drops", "drops"),
        ("conductivity", "value", "meter"),
        ("ph", "value", "meter"),
    ]
    assert list(result.rows["stage"]) == ["raw", "treated"]
    assert list(result.rows["used_ml"]) == ["10", "10"]


def test_a_value_beside_a_count_is_typed_and_alone_is_a_value() -> None:
    result = extracted("test;drops;degree per drop;value;unit\nGH;14;1 °dH;14;°dH\npH;;;7,2;\nKH;5 Tr.;1 °dH;;")

    assert listed(result, "analyte", "form", "raw_text") == [
        ("total_hardness", "drops", "14"),
        ("total_hardness", "typed", "14"),
        ("ph", "value", "7,2"),
        ("alkalinity", "drops", "5 Tr."),
    ]


def test_before_and_after_columns_give_a_row_each() -> None:
    result = extracted("Sample;GH drops raw;GH drops treated;GH ml used;KH drops raw;KH ml used\nA;14;7;10;11;5")

    assert list(result.rows[["stage", "used_ml"]].itertuples(index=False, name=None)) == [
        ("raw", "10"),
        ("treated", "10"),
        ("raw", "5"),
    ]
    assert listed(result, "row", "raw_text") == [("0", "14"), ("1", "7"), ("2", "11")]


def test_two_reference_temperatures_of_conductivity_stay_apart() -> None:
    result = extracted("Probe;LF 20 °C (µS/cm);LF 25 °C (µS/cm);pH\nA;500;558;7")

    by_text = dict(zip(result.cells["raw_text"], result.cells["row"], strict=True))
    assert result.rows["ec_reference"].iloc[by_text["500"]] == "20 °C"
    assert result.rows["ec_reference"].iloc[by_text["558"]] == "25 °C"


def test_a_report_without_labels_takes_those_above_it_or_the_name_of_the_file() -> None:
    body = "Parameter;Einheit;Ergebnis;Grenzwert\nLeitfähigkeit bei 20 °C;mS/m;67,7;279\nCalcium;mg/l;98;"

    labelled = extracted(f"Probe: Küche 3;;;\nEntnahmedatum;12.03.2025;;\n{body}")
    bare = extracted(body, "bar 12.csv")

    assert list(labelled.rows["label"]) == ["Küche 3", "Küche 3"]
    assert list(labelled.rows["collected_on"]) == ["12.03.2025", "12.03.2025"]
    assert list(labelled.rows["ec_reference"]) == ["20 °C", ""]
    assert list(bare.rows["label"]) == ["bar 12", "bar 12"]
    assert listed(bare, "raw_text") == [("67,7",), ("98",)]


def test_samples_in_columns_take_label_and_date_from_their_column() -> None:
    result = extracted(
        "Parameter;Unit;Tap;Kitchen\nSampling date;;2025-01-03;2025-01-04\n"
        "Total hardness;mg/L CaCO3;250;<5\npH;;7.4;6.6"
    )

    assert list(result.rows["label"]) == ["Tap", "Kitchen"]
    assert list(result.cells["row"]) == [0, 1, 0, 1]
    assert list(result.cells["line"]) == [3, 3, 4, 4]
    assert list(result.rows["collected_on"]) == ["2025-01-03", "2025-01-04"]
    assert listed(result, "raw_text", "raw_unit", "basis")[:2] == [
        ("250", "mg/L", "as CaCO3"),
        ("<5", "mg/L", "as CaCO3"),
    ]


PORTAL = """
ActivityIdentifier;ActivityTypeCode;CharacteristicName;MethodSpecificationName;ResultMeasureValue;ResultMeasure/MeasureUnitCode;ResultDetectionConditionText;DetectionQuantitationLimitMeasure/MeasureValue;DetectionQuantitationLimitMeasure/MeasureUnitCode;ResultTemperatureBasisText
A1;Sample-Routine;Nitrate;as N;1.2;mg/l;;;;
A1;Sample-Routine;Alkalinity, total;;120;mg/l CaCO3;;;;
A1;Quality Control Sample-Field Blank;Chloride;;;;Not Detected;0.5;mg/l;
A1;Sample-Routine;Specific conductance;;540;uS/cm;;;;25 Deg C
A1;Sample-Routine;Turbidity;;;NTU;Present Above Quantification Limit;1000;NTU;
A1;Sample-Routine;Lead;;;ug/l;Not Reported;;;
"""


@pytest.mark.source("WQX3")
def test_a_detection_condition_stands_for_an_empty_value() -> None:
    """WQX 3.0: a result has a value or a detection condition with a limit."""
    result = extracted(PORTAL)

    assert listed(result, "analyte", "raw_text", "basis", "qualifier_text", "limit_text") == [
        ("nitrate", "1.2", "as N", "", ""),
        ("alkalinity", "120", "as CaCO3", "", ""),
        ("chloride", "Not Detected", "", "<", "0.5"),
        ("conductivity", "540", "", "", ""),
        ("turbidity", "1000", "", ">", "1000"),
    ]
    of_entry = result.rows.iloc[result.cells["row"]]
    assert list(of_entry["activity"]) == ["routine", "routine", "blank", "routine", "routine"]
    assert list(of_entry["ec_reference"]) == ["", "", "", "25 °C", ""]
    assert "Not Detected" in result.non_detect


@pytest.mark.source("WQX3")
def test_a_result_without_figure_is_in_the_unit_of_its_limit() -> None:
    """WQX 3.0 leaves value and unit empty beside "Not Detected"; the limit states both."""
    heading = PORTAL.strip().splitlines()[0]
    result = extracted(
        f"{heading}\nA1;Sample-Routine;Iron;;;;Not Detected;10;ug/l;\nA1;Sample-Routine;Lead;;ND;;;0.5;ug/l;\n"
        "A1;Sample-Routine;Copper;;;mg/l;non-detect;20;ug/l;\nA1;Sample-Routine;Manganese;;0.3;;;1;ug/l;\n"
        "A1;Sample-Routine;Zinc;;;mg/l;Present Above Quantification Limit;900;ug/l;"
    )

    assert listed(result, "analyte", "raw_text", "raw_unit", "qualifier_text", "limit_text", "limit_unit") == [
        ("iron", "Not Detected", "ug/l", "<", "10", "ug/l"),
        ("lead", "ND", "ug/l", "", "0.5", "ug/l"),
        ("copper", "non-detect", "mg/l", "<", "20", "ug/l"),
        ("manganese", "0.3", "", "", "1", "ug/l"),  # a figure never takes the unit of its limit
        ("zinc", "900", "ug/l", ">", "900", "ug/l"),
    ]


def test_a_remark_column_gives_sign_or_status() -> None:
    result = extracted("site.no;Calcium.rmk;Calcium;flagMg;Mg\nA; ;20;<;0.1\nB;E;21;;3")

    assert listed(result, "raw_text", "qualifier_text", "status") == [
        ("20", "", ""),
        ("0.1", "<", ""),
        ("21", "", "E"),
        ("3", "", ""),
    ]


def test_a_client_may_be_called_like_an_average() -> None:
    result = extracted("Sample;Client;pH;Ca mg/l\nA;N;7.2;80\nB;Max;7.3;81\n;Mean;7.25;80.5")

    assert list(result.rows["client"]) == ["N", "Max"]
    assert result.set_aside["detail"].unique().tolist() == ["an average"]


def test_limits_averages_repeated_headings_and_footers_are_not_samples() -> None:
    result = extracted(
        "Punto;Durezza totale;Calcio;Cloruri\n;°f;mg/l;mg/l\nFontana;32;100;38\nvalori di parametro;;;250\n"
        "Punto;Durezza totale;Calcio;Cloruri\nBagno;12;40;7\nmedia;22;70;22\nNote: analisi 2025;;;"
    )

    assert list(result.rows["sampling_point"]) == ["Fontana", "Bagno"]
    assert list(result.set_aside["problem"].unique()) == ["not-a-sample"]
    assert list(result.set_aside["detail"].unique()) == [
        "a limit value",
        "the headings again",
        "an average",
    ]
    assert list(result.notices["line"]) == [8]


def test_a_row_that_is_too_long_is_set_aside_whole() -> None:
    result = extracted("Probe;pH;Ca mg/l\nA;7;80\nB;bar; 7;81\nC;7;82;;")

    assert list(result.rows["label"]) == ["A", "C"]
    assert list(result.set_aside["problem"]) == ["row-too-long", "row-too-long"]
    assert list(result.set_aside["line"]) == [3, 3]


def test_a_cut_off_last_row_is_set_aside() -> None:
    grid = replace(grid_of("Probe;pH;Ca mg/l\nA;7;80\nB;7"), cut_off=True)

    result = of_grid(grid)

    assert list(result.set_aside["problem"]) == ["row-cut-off"]


def test_an_unknown_parameter_is_kept_aside_with_its_name() -> None:
    result = extracted("Probe;Parameter;Ergebnis\nA;Calcium;80\nA;Huminstoffe;0,4")

    assert list(result.set_aside[["problem", "detail", "raw_text"]].iloc[0]) == [
        "analyte-unknown",
        "Huminstoffe",
        "0,4",
    ]


def test_a_table_that_says_nowhere_whose_water_it_is_is_told() -> None:
    """Headings in a language that is not known leave every sample nameless."""
    told = extracted("Näytepäivä;Asiakas;pH;Leitfähigkeit (µS/cm)\n2025-11-05;Kaffebar;7,9;76").notices

    named = extracted("Probe;pH;Leitfähigkeit (µS/cm)\n1;7,9;76").notices
    assert told.loc[told["problem"] == "origin-unknown", "raw_text"].tolist() == ["Näytepäivä, Asiakas"]
    assert named.empty


@pytest.mark.common_practice
def test_impossible_values_of_a_register_are_told_and_kept() -> None:
    """12.000 and 12 000 are thousands; nothing, many and 130 % are no settings."""
    result = extracted(
        "client;site;treatment;capacity;capacity unit;installed on;bypass percent;counter litres\n"
        "A;1;decarboniser;12.000;°dH·L;03.02.2025;36,5;1150\n"
        "A;2;decarboniser;0;°dH·L;soon;130;many\n"
        "A;3;decarboniser;;;;;"
    )

    assert result.register is not None
    assert result.register["bypass_percent"].tolist() == ["36,5", "130", ""]
    assert result.notices[["line", "column", "raw_text"]].to_numpy().tolist() == [
        [3, "bypass percent", "130"],
        [3, "counter litres", "many"],
        [3, "capacity", "0"],
        [3, "installed on", "soon"],
    ]


def aside(result: Extract) -> list[tuple[str, str, str]]:
    frame = result.set_aside[["problem", "column", "raw_text"]]
    return list(frame.astype("str").itertuples(index=False, name=None))


def test_the_numbers_of_an_unknown_column_are_set_aside_and_other_columns_are_named() -> None:
    result = extracted("Probe;pH;Ca mg/l;Zorb;Shelf;Id no;Built\nA;7;80;0.5;red;17.5;1999\nB;7;81;<0.7;blue;18.5;2001")

    assert aside(result) == [
        ("column-not-understood", "Zorb", "0.5"),
        ("column-not-understood", "Zorb", "<0.7"),
    ]
    assert result.entries == 6
    assert result.left_out == ("Shelf", "Id no", "Built")


@pytest.mark.parametrize(
    ("heading", "cells"),
    [
        ("Geosmin (ng/l)", ["0,31", "", "0,33", "n.n."]),
        ("Permanganatindex", ["1,2 mg/l", "1,1 mg/l", "0,9", "0,8"]),
        ("Zorb", ["14 Tr.", "9 Tr.", "8", "7"]),
        ("Zorb", ["81,2 ± 3,1", "80,9 ± 3,0", "trace", "-"]),
        ("", ["0.5", "0.7", "0.6", "0.4"]),
        ("Coliforms count (1/100 mL)", ["0", "1", "2", "3"]),
    ],
)
@pytest.mark.common_practice
def test_a_column_of_figures_signs_counts_and_words_for_not_detected_holds_measurements(
    heading: str, cells: list[str]
) -> None:
    """Figures with a unit, an uncertainty or a count of drops, and "n.n." (nicht nachweisbar), are results."""
    rows = "\n".join(f"{name};7;80;{cell}" for name, cell in zip("ABCD", cells, strict=True))

    result = extracted(f"Probe;pH;Ca mg/l;{heading}\n{rows}")

    assert [text for _, _, text in aside(result)] == [cell for cell in cells if cell not in ("", "-")]
    assert result.entries == 8 + len(aside(result))


@pytest.mark.parametrize(
    ("heading", "cells"),
    [
        ("Tanknummer", ["17.5", "3.5", "9.5"]),
        ("Zorb", ["12345", "20095", "80331"]),
        ("Zorb", ["01067", "1234", "99"]),
        ("Zorb", ["1", "2", "3"]),
        ("Zorb", ["12.03.2025", "13.03.2025", "14.03.2025"]),
        ("Zorb", ["20250312", "20250313", "20250314"]),
        ("Zorb", ["+49 30 1234567", "+49 30 1234568", "+49 30 1234577"]),
        ("Easting", ["13,405", "13,406", "13,407"]),
        ("Messunsicherheit Calcium", ["1,2", "1,3", "1,4"]),
        ("NR140 Enforcement Standard", ["1,2", "1,3", "1,4"]),
        ("Geosmin detection limit", ["1,2", "1,3", "1,4"]),
        ("Zorb", ["red", "blue", "5"]),
    ],
)
@pytest.mark.common_practice
def test_keys_places_times_running_numbers_and_uncertainties_are_no_measurements(
    heading: str, cells: list[str]
) -> None:
    """Postcodes, telephone numbers, dates, coordinates and line numbers stand in columns of figures too."""
    rows = "\n".join(f"{name};7;80;{cell}" for name, cell in zip("ABC", cells, strict=True))

    result = extracted(f"Probe;pH;Ca mg/l;{heading}\n{rows}")

    assert aside(result) == []
    assert result.left_out == (heading,)


@pytest.mark.parametrize(
    ("minimum", "maximum", "number", "mean"),
    [
        ("Minimum", "Maximum", "Anzahl", "Mittelwert"),
        ("Valeur minimale", "Valeur maximale", "Nombre", "Moyenne 2024"),
        ("Min.", "Max.", "Number", "Mean"),
        ("Valore minimo", "Valore massimo", "Numero di campioni", "Media"),
    ],
)
@pytest.mark.common_practice
def test_a_yearly_statement_gives_its_mean_and_no_sample_called_minimum(
    minimum: str, maximum: str, number: str, mean: str
) -> None:
    """Water suppliers publish lowest, mean and highest value of a year; only the mean stands for the water."""
    result = extracted(
        f"Parameter;Einheit;{number};{minimum};{mean};{maximum};Grenzwert\n"
        "Calcium;mg/l;12;70;75;80;400\nChlorid;mg/l;12;10;12;;250\nNitrat;mg/l;12;3;;9;50",
        "Werk Nord 2024.csv",
    )

    assert listed(result, "analyte", "raw_text") == [("calcium", "75"), ("chloride", "12")]
    assert list(result.rows["label"]) == ["Werk Nord 2024"]
    assert {code for code, _, _ in aside(result)} == {"not-a-sample"}
    assert sorted({name for _, name, _ in aside(result)}) == sorted({number, minimum, maximum})
    assert result.entries == 2 + 8


@pytest.mark.common_practice
def test_an_average_beside_samples_is_no_sample() -> None:
    result = extracted("Parameter;Einheit;Werk A;Werk B;Mittelwert\nCalcium;mg/l;70;80;75\nChlorid;mg/l;10;14;12")

    assert list(result.rows["label"]) == ["Werk A", "Werk B"]
    assert aside(result) == [("not-a-sample", "Mittelwert", "75"), ("not-a-sample", "Mittelwert", "12")]


def test_the_lowest_value_of_a_known_quantity_is_not_a_sample() -> None:
    result = extracted("Probe;pH;Calcium (mg/l);Calcium min (mg/l);Total tungsten\nA;7;80;70;0.1\nB;7;81;71;0.2")

    assert [(code, name) for code, name, _ in aside(result)] == [
        ("not-a-sample", "Calcium min (mg/l)"),
        ("column-not-understood", "Total tungsten"),
    ] * 2


def test_rows_that_hold_only_notes_are_told_once() -> None:
    result = extracted("Probe;pH;Ca mg/l;Zorb\nA;7;80;bottle broken\nB;;;lost\nC;-;;lost\n;;;")

    told = result.notices[result.notices["problem"] == "rows-without-readings"]
    assert told[["line", "detail"]].to_numpy().tolist() == [[3, "2 rows hold no reading (lines 3, 4)"]]


def test_a_repeated_heading_is_told() -> None:
    result = extracted("Probe;pH;pH;Ca mg/l\nA;7;7.1;80")

    assert list(result.notices["problem"]) == ["column-repeated"]
    assert len(result.cells) == 3


def test_words_for_a_gap_are_no_entries() -> None:
    result = extracted("Probe;pH;Ca mg/l\nA;7;-\nB;k.A.;#N/A\nC;ND;80")

    assert listed(result, "raw_text") == [("7",), ("ND",), ("80",)]


def test_blanks_and_duplicates_are_known_by_their_label_or_type() -> None:
    by_type = extracted("Probe;Probenart;pH;Ca mg/l\nA;Blindwert;7;0,1\nB;Doppelbestimmung;7;80")
    by_label = extracted("Sample;pH;Ca mg/l\nBlank 2;7;0.1\nBlank Street;7;80")

    assert list(by_type.rows["activity"]) == ["blank", "duplicate"]
    assert list(by_label.rows["activity"]) == ["blank", ""]


def test_a_word_that_is_no_stage_is_told_once() -> None:
    result = extracted("Probe;Stufe;pH;Ca mg/l\nA;oben;7;1\nB;unten;7;1\nC;roh;7;1")

    assert list(result.rows["stage"]) == ["oben", "unten", "raw"]
    assert list(result.notices["problem"]) == ["field-unreadable"]


def test_the_drying_temperature_of_a_residue_is_kept() -> None:
    result = extracted("Etichetta;Residuo fisso a 180°C (mg/l);pH\nA;310;7")

    assert list(result.rows["tds_scale"]) == ["dried at 180 °C"]


def test_cells_of_a_workbook_name_sheet_and_letter_and_certain_numbers() -> None:
    grid = grid_of("Probe;pH;Ca mg/l\nA;7.2;80")
    grid = replace(grid, sheet="Lab", number_cells=np.array([False] * 4 + [True, False]))

    result = of_grid(grid)

    assert listed(result, "column", "certain_number") == [("Lab!B: pH", "True"), ("Lab!C: Ca mg/l", "False")]


def test_a_register_gives_text_columns() -> None:
    sites = extracted("client;site;region;machine\nK1;S1;North;HX\n;;;")
    treatments = extracted("site;treatment;Kapazität;eingebaut am\nS1;decarboniser;12000;2025-02-03")

    assert sites.kind == "sites"
    assert sites.register is not None
    assert list(sites.register[["client", "site", "region", "machine"]].iloc[0]) == [
        "K1",
        "S1",
        "North",
        "HX",
    ]
    assert len(sites.register) == 1
    assert treatments.register is not None
    assert list(treatments.register[["capacity", "installed_on"]].iloc[0]) == ["12000", "2025-02-03"]


def test_a_header_without_rows_gives_empty_frames() -> None:
    wide, long = extracted("Probe;pH;Ca mg/l"), extracted("Probe;Parameter;Ergebnis")

    for result in (wide, long):
        assert result.entries == 0
        assert result.rows.empty
        assert set(result.cells.columns) == set(CELL_COLUMNS)


CELLS = st.sampled_from(["", "7", "<5", "-", "Blank", "mean", "80", "pH", "Calcium", "14 Tr.", "x" * 30, "ND", "mg/l"])
HEADS = st.sampled_from(
    [
        ["Probe", "pH", "Ca mg/l", "GH drops", "GH value", "Zorb"],
        ["Probe", "Parameter", "Ergebnis", "Einheit", "BG"],
        ["Parameter", "Einheit", "Tap", "Kitchen"],
        ["test", "drops", "value", "unit", "ml used"],
        ["ActivityIdentifier", "CharacteristicName", "ResultMeasureValue", "ResultDetectionConditionText"],
    ]
)


@settings(max_examples=40)
@given(HEADS, st.lists(st.lists(CELLS, max_size=8), max_size=12), st.booleans())
def test_no_entry_of_a_mutilated_table_is_lost(head: list[str], body: list[list[str]], cut: bool) -> None:
    """Ragged, shifted, repeated or cut-off rows: entries = cells + set aside, counted cell by cell here."""
    sound = ["7"] * len(head)
    grid = replace(Grid.from_rows([head, sound, *body]), cut_off=cut)
    found = match_layout(grid, load_layouts())
    if found is None or found.header_row != 0 or found.body != 1:
        return

    result = extract(grid, found, SHA, "x.csv")

    assert result.entries == len(result.cells) + len(result.set_aside)
    assert result.rows["line"].is_monotonic_increasing
    assert set(result.cells["row"]) == set(range(len(result.rows)))
    gaps = set(found.layout.missing)
    if found.orientation == "samples-in-rows":
        unread = result.set_aside.loc[result.set_aside["problem"] == "column-not-understood", "column"]
        places = [c.position for c in found.columns if c.role == "measurement" or c.heading in set(unread)]
        counted = [row[p] for row in (sound, *body) for p in places if p < len(row) and row[p] not in gaps]
        kept = pd.concat([result.cells["raw_text"], result.set_aside["raw_text"]])
        assert sorted(kept) == sorted(counted)


@settings(max_examples=20)
@given(st.permutations(range(12)))
def test_each_cell_keeps_its_quantity_whatever_the_order_of_columns(order: list[int]) -> None:
    """The text of every cell names its heading, so a mix-up of codes would show."""
    heads = ["Ca", "Mg", "Na", "K", "Cl", "SO4", "NO3", "HCO3", "Fe", "Mn", "Cu", "Pb"]
    chosen = [heads[number] for number in order]
    rows = [[f"{line}{head}" for head in chosen] for line in range(3)]

    result = of_grid(Grid.from_rows([chosen, *rows]))

    assert (result.cells["raw_text"] == result.cells["row"].astype("str") + result.cells["column"].astype("str")).all()
    assert list(result.cells["column"].astype("str")[:12]) == chosen

"""What stands above a table and holds for all of it: facts, the worth of a drop, one unit for all values, the year."""

from __future__ import annotations

import pytest

from pipeline.ingest.above import stated_above, stated_unit, year_above
from pipeline.ingest.blocks import blocks_of
from pipeline.ingest.extract import Extract, extract
from pipeline.ingest.grid import Grid
from pipeline.ingest.layouts import load_layouts
from pipeline.ingest.titles import with_titles

LAYOUTS = load_layouts()


def extracted(text: str) -> list[Extract]:
    grid = Grid.from_rows([line.split(";") for line in text.splitlines()])
    return [extract(block.grid, block.match, "0" * 64) for block in blocks_of(grid, LAYOUTS) if block.match]


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("line", "facts"),
    [
        ("Besuch 12.03.2026", {"collected_on": "12.03.2026"}),
        ("Visit 5 March 2026", {"collected_on": "5 March 2026"}),
        ("Kunde Rösterei Amsel", {"client": "Rösterei Amsel"}),
        ("Prüfbericht 4711", {"report_id": "4711"}),
        ("1 drop = 1 °dH in 5 mL", {"degree_per_drop": "1", "degree_unit": "°dH", "nominal_ml": "5"}),
        ("Kit: 10 ml, une goutte = 0,5 °f", {"degree_per_drop": "0,5", "degree_unit": "°f", "nominal_ml": "10"}),
        ("Visit the works in March.", {}),
        ("Kunde wünscht eine schnelle Auskunft.", {}),
        ("1 drop = 1 spoon", {}),
    ],
)
def test_a_line_alone_says_a_fact_without_a_colon(line: str, facts: dict[str, str]) -> None:
    assert stated_above([[line, ""]]) == facts


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("line", "unit"),
    [
        ("All values in mg/L", "mg/L"),
        ("Water log, all ions in mg/L unless stated", "mg/L"),
        ("Alle Angaben in mmol/l (außer pH)", "mmol/l"),
        ("Alla värden i mg/l om inget annat anges", "mg/l"),
        ("Toutes les valeurs en mg/L", "mg/L"),
        ("単位：mg/L", "mg/L"),
        ("Results in mg/L as CaCO3", "mg/L as CaCO3"),
        ("Values in mg/L, trace metals in µg/L", ""),
        ("Nitrate in mg/l", ""),
        ("All conductivities in µS/cm", ""),
    ],
)
def test_one_unit_is_said_to_be_that_of_all_values(line: str, unit: str) -> None:
    stated = stated_unit([["Report 12"], [line]])

    assert (stated.unit if stated else "") == unit


@pytest.mark.common_practice
@pytest.mark.parametrize(
    "table",
    [
        "Alle Angaben in mg/l;;;;\n\nProbe;Calcium;Natrium;pH;Blei (µg/l)\nA;80;12;7,4;2",
        "Alle Angaben in mg/l;;\n\nParameter;Einheit;A\nCalcium;;80\nNatrium;;12\npH;;7,4\nBlei;µg/l;2",
    ],
)
def test_the_unit_of_all_values_is_taken_where_it_fits_and_no_other_stands(table: str) -> None:
    (found,) = extracted(table)

    assert dict(zip(found.cells["analyte"], found.cells["raw_unit"], strict=True)) == {
        "calcium": "mg/l",
        "sodium": "mg/l",
        "ph": "",
        "lead": "µg/l",
    }
    assert found.notices.loc[found.notices["problem"] == "unit-stated", "raw_text"].tolist() == ["Alle Angaben in mg/l"]


@pytest.mark.common_practice
def test_months_over_the_samples_take_the_year_of_the_title() -> None:
    (found,) = extracted("Water of 2025;;;\n\nParameter;Unit;Jan;Apr\npH;;7.4;7.5\nCalcium;mg/L;80;82")

    assert found.rows["collected_on"].tolist() == ["2025-01", "2025-04"]
    assert year_above([["Water of 2024 and 2025"]]) == ""


@pytest.mark.common_practice
def test_words_under_a_heading_of_stages_tell_waters_apart() -> None:
    """A device alone is the water behind it; a word that names no stage still is another water."""
    (found,) = extracted("Name;Tap/Filter;pH;TDS ppm\nBar;Tap;7.4;300\nBar;Filter;7,0;100\nBar;Blue jug;7.1;150")

    assert found.rows["stage"].tolist() == ["raw", "treated", "Blue jug"]
    assert found.rows["sampling_point"].tolist() == ["", "", "Blue jug"]
    assert found.rows["label"].tolist() == ["Bar"] * 3


@pytest.mark.common_practice
def test_germs_and_smells_are_kept_and_not_asked() -> None:
    (found,) = extracted("Probe;pH;E. coli (KBE/100 ml);Coliforme Bakterien\nA;7,4;0;2")

    assert found.entries == 3
    assert found.set_aside["problem"].tolist() == ["no-quantity-of-water"] * 2


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("table", "dates"),
    [
        ("KW;GH °dH;pH\n10/2026;18;7,6\n11/2026;17;7,6", ["KW 10/2026", "KW 11/2026"]),
        ("Mois;TH (°f);pH\njanv-25;31;7,6\nfévr-25;30;7,6", ["janv-25", "févr-25"]),
        ("Year;Month;GH °dH;pH\n2026;3;18;7.6\n2026;4;17;7.6", ["", ""]),
    ],
)
def test_months_and_weeks_of_a_year_are_dates_where_there_are_no_others(table: str, dates: list[str]) -> None:
    (found,) = extracted(table)

    assert found.rows["collected_on"].tolist() == dates


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("heads", "quantity"),
    [("CA_MG_L;NA_MG_L;CHLOR_MG_L", "chloride"), ("CA_MG_L;CHLORIDE_MG_L;CHLOR_MG_L", "free_chlorine")],
)
def test_a_cut_name_is_what_its_company_makes_of_it(heads: str, quantity: str) -> None:
    (found,) = extracted(f"WELL_ID;{heads}\nW-1;72;18;24")

    assert found.cells["analyte"].tolist()[-1] == quantity


@pytest.mark.common_practice
@pytest.mark.parametrize(("unit", "basis"), [("mg/L", "as CaCO3"), ("meq/L", ""), ("mmol/L", "")])
def test_japanese_alkalinity_by_mass_counts_calcium_carbonate(unit: str, basis: str) -> None:
    wide, long = f"試料;アルカリ度 ({unit});pH\nA;44;7.2", f"項目;単位;A\nアルカリ度;{unit};44\npH値;;7.2"

    for table in (wide, long):
        (found,) = extracted(table)
        assert found.cells.loc[found.cells["analyte"] == "alkalinity", "basis"].tolist() == [basis]


@pytest.mark.common_practice
def test_bare_volumes_are_told_by_their_titrants() -> None:
    """EDTA titrates hardness and an acid alkalinity; of two volumes of EDTA neither is told."""
    (found,) = extracted("Sample;Volume taken (mL);mL EDTA 0.01 M;mL HCl 0.02 N;pH\nTap;50;13.4;11.2;7.6")
    (two,) = extracted("Sample;mL EDTA 0.01 M;mL EDTA 0.02 M;pH;TDS ppm\nTap;9;13.4;7.6;300")

    assert found.cells["analyte"].tolist() == ["total_hardness", "alkalinity", "ph"]
    assert "total_hardness" not in two.cells["analyte"].tolist()


@pytest.mark.common_practice
def test_months_of_two_titled_tables_are_not_one_sample() -> None:
    table = "pH;;7.2;7.3\nCalcium;mg/L;19;20"
    text = (
        f"Mains;;;\nParameter;Unit;mar-25;jun-25\n{table}\n;;;\nAfter osmosis;;;\nParameter;Unit;mar-25;jun-25\n{table}"
    )
    grid = Grid.from_rows([line.split(";") for line in text.splitlines()])
    tables = with_titles([(block.grid, block.match) for block in blocks_of(grid, LAYOUTS) if block.match])

    rows = [extract(part, match, "0" * 64).rows for part, match in tables]
    assert [one["sampling_point"].tolist() for one in rows] == [["Mains"] * 2, ["After osmosis"] * 2]
    assert [one["label"].tolist() for one in rows] == [["", ""]] * 2

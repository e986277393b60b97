"""Words beside the numbers that change what they say: signs, points, dates over columns, ends of a range. Invented."""

from __future__ import annotations

import pytest

from pipeline.ingest.extract import Extract, extract
from pipeline.ingest.grid import Grid
from pipeline.ingest.heading_kinds import statistic
from pipeline.ingest.layouts import load_layouts, match_layout


def extracted(*lines: str) -> Extract:
    grid = Grid.from_rows([line.split(";") for line in lines])
    found = match_layout(grid, load_layouts())
    assert found is not None
    return extract(grid, found, "0" * 64, "visits.csv")


def signs_of(result: Extract) -> dict[str, str]:
    return dict(zip(result.cells["raw_text"], result.cells["qualifier_text"].astype("str"), strict=True))


@pytest.mark.parametrize("heading", ["Qual", "Sgn.", "Merkmal", "Teken1"])
def test_a_column_of_signs_counts_under_any_heading(heading: str) -> None:
    """A "<" that is not read makes a result of a limit."""
    result = extracted(
        f"Sample;Parameter;{heading};Result;Unit", "A;Nitrate;<;0.5;mg/L", "A;Calcium;;80;mg/L", "A;Lead;<;1;µg/L"
    )

    assert signs_of(result) == {"0.5": "<", "80": "", "1": "<"}


def test_signs_between_quantities_belong_to_the_one_they_stand_before() -> None:
    result = extracted("Sample;pH;x1;Nitrate (mg/L);x2;Iron (mg/L)", "A;7.1;<;0.5;;0.2", "B;7.2;;3;<;0.01")

    assert signs_of(result) == {"7.1": "", "0.5": "<", "0.2": "", "7.2": "", "3": "", "0.01": "<"}


def test_signs_behind_the_last_quantity_belong_to_the_one_before_them() -> None:
    result = extracted("Sample;Nitrate (mg/L);x1;Iron (mg/L);x2", "A;0.5;<;0.2;", "B;3;;0.01;<")

    assert signs_of(result) == {"0.5": "<", "0.2": "", "3": "", "0.01": "<"}


def test_a_sign_in_every_row_says_that_results_keep_to_a_limit() -> None:
    result = extracted("Sample;Parameter;Rule;Result;Unit", "A;Nitrate;<;5;mg/L", "A;Calcium;<;80;mg/L")

    assert signs_of(result) == {"5": "", "80": ""}


def test_points_in_rows_and_months_over_columns_are_samples_of_their_own() -> None:
    """Two points under "ene-25" were one sample with the values of both."""
    result = extracted(
        "Punto de muestreo;Parámetro;Unidad;ene-25;feb-25",
        "Depósito;Cloruros;mg/L;31;33",
        "Depósito;Dureza total;mg/L CaCO3;245;250",
        "Red;Cloruros;mg/L;30;32",
    )

    said = result.rows[["sampling_point", "label", "collected_on"]].to_numpy().tolist()
    assert said == [[point, "", month] for point in ("Depósito", "Red") for month in ("2025-01", "2025-02")]


def test_a_name_over_a_column_is_told_apart_by_the_points_of_its_rows() -> None:
    result = extracted(
        "Sampling point;Parameter;Unit;Draw 1;Draw 2", "Bar;Chloride;mg/L;31;33", "Cellar;Chloride;mg/L;30;32"
    )

    assert result.rows["label"].tolist() == ["Bar Draw 1", "Bar Draw 2", "Cellar Draw 1", "Cellar Draw 2"]


def test_a_site_that_is_only_the_name_of_a_stage_is_a_point() -> None:
    """Raw and treated water of one house were two sites and no pair."""
    result = extracted(
        "Datum;Stelle;GH °dH;pH", "03.02.2025;Rohwasser;18;7,3", "03.02.2025;nach Filter;7;6,8", "04.02.2025;Hof 3;9;7"
    )

    assert result.rows[["site", "sampling_point", "stage"]].to_numpy().tolist() == [
        ["", "Rohwasser", "raw"],
        ["", "nach Filter", "treated"],
        ["Hof 3", "", ""],
    ]


@pytest.mark.parametrize(
    "heading",
    ["Range Low", "Range High", "Lowest level detected", "Höchster gemessener Wert", "Valeur maximale mesurée"],
)
def test_an_end_of_a_range_is_no_sample(heading: str) -> None:
    assert statistic(heading) == "an extreme or a spread"


@pytest.mark.parametrize("heading", ["Results", "Measured", "Level detected", "Kitchen", "Low"])
def test_words_for_results_and_places_are_no_statistic(heading: str) -> None:
    assert statistic(heading) == ""


@pytest.mark.parametrize("heading", ["Probenahme", "Prélèvement", "Muestreo", "Odběr", "採水"])
@pytest.mark.parametrize(
    ("cells", "field"),
    [(("Küche", "Bad 2"), "sampling_point"), (("3.4.2026", "2026-04-05"), "collected_on"), (("P 1", "2026-04-05"), "")],
)
def test_a_column_of_sampling_holds_its_days_or_its_places(heading: str, cells: tuple[str, str], field: str) -> None:
    """Kitchens under "Probenahme" were unreadable dates, and the days under "Datum" a remark."""
    grid = Grid.from_rows([[heading, "pH", "Calcium mg/L"], [cells[0], "7.1", "80"], [cells[1], "7.2", "81"]])
    found = match_layout(grid, load_layouts())

    assert found is not None
    assert found.columns[0].code in ({field} if field else {"", "collected_on"})


def test_days_under_their_own_heading_stay_the_date_beside_a_column_of_sampling() -> None:
    result = extracted("Probenahme;Datum;pH;Calcium mg/L", "Küche;3.4.2026;7.1;80", "Bad;4.4.2026;7.2;81")

    assert result.rows["collected_on"].astype("str").tolist() == ["3.4.2026", "4.4.2026"]
    assert result.rows["sampling_point"].astype("str").tolist() == ["Küche", "Bad"]


def test_a_site_that_is_named_with_a_stage_beside_itself_is_one_site() -> None:
    """They were two sites, and the filter had no raw water."""
    result = extracted("Local;pH;Calcium mg/L", "Balcão;7.1;80", "Balcão após filtro;7.2;20", "Hotel Tap;7.2;81")

    assert result.rows["site"].astype("str").tolist() == ["Balcão", "Balcão", "Hotel Tap"]
    assert result.rows["sampling_point"].astype("str").tolist() == ["", "após filtro", ""]
    assert result.rows["stage"].astype("str").tolist() == ["", "treated", ""]


@pytest.mark.parametrize("heading", ["Ud.", "Mértékegység", "x4"])
def test_a_column_of_units_counts_under_any_heading(heading: str) -> None:
    result = extracted(
        f"Sample;Parameter;Result;{heading}",
        "A;Nitrate;5;mg/L",
        "A;Hardness;32;ºf",
        "A;pH;7.5;Unidades pH",
        "A;Iron;1;xx",
    )

    assert result.cells["raw_unit"].astype("str").tolist() == ["mg/L", "ºf", "Unidades pH", "xx"]


def test_a_heading_says_what_a_drop_of_its_test_is_worth() -> None:
    """The counts were no known quantity, and the sheet of no use."""
    result = extracted("Sample;GH Tropfen (1 Tr. = 1 °dH);KH Tropfen (1 Tropfen = 0,5 °dH)", "A;12;18")
    worth = result.rows.set_index("degree_per_drop")["degree_unit"].astype("str").to_dict()

    assert worth == {"1": "°dH", "0,5": "°dH"}
    assert set(result.cells["form"].astype("str")) == {"drops"}

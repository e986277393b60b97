"""Two columns for one field: nothing that either says is lost, and it is told once."""

from __future__ import annotations

from pipeline.ingest.extract import Extract, extract
from pipeline.ingest.grid import Grid
from pipeline.ingest.layouts import load_layouts, match_layout


def extracted(*lines: str) -> Extract:
    grid = Grid.from_rows([line.split(";") for line in lines])
    found = match_layout(grid, load_layouts())
    assert found is not None
    return extract(grid, found, "0" * 64, "visits.csv")


def told(result: Extract) -> list[str]:
    return result.notices.loc[result.notices["problem"] == "column-second", "column"].tolist()


def test_a_second_place_becomes_the_sampling_point() -> None:
    result = extracted("Sample;Site;Location;pH;Calcium (mg/L)", "A;Corner;bar;7.1;80", "B;Corner;cellar;7.2;81")

    assert result.rows["site"].tolist() == ["Corner", "Corner"]
    assert result.rows["sampling_point"].tolist() == ["bar", "cellar"]
    assert told(result) == ["Location"]


def test_the_heading_that_names_the_site_itself_counts_wherever_it_stands() -> None:
    result = extracted("Probe;Ort;Standort;pH;Calcium (mg/L)", "A;Keller;Eck-Café;7,1;80")

    assert result.rows[["site", "sampling_point"]].to_numpy().tolist() == [["Eck-Café", "Keller"]]


def test_where_a_row_names_its_point_the_second_place_stands_in_the_comment() -> None:
    result = extracted("Sample;Site;Location;Sampling point;pH;Calcium (mg/L)", "A;Corner;bar;tap 1;7.1;80")

    assert result.rows["sampling_point"].tolist() == ["tap 1"]
    assert result.rows["comment"].tolist() == ["Location: bar"]


def test_a_second_column_that_repeats_the_first_is_not_told() -> None:
    result = extracted("Sample;Site;Location;pH;Calcium (mg/L)", "A;Corner;corner;7.1;80", "B;;Harbour;7.2;81")

    assert result.rows["site"].tolist() == ["Corner", "Harbour"]
    assert result.rows["sampling_point"].tolist() == ["", ""]
    assert told(result) == []


def test_two_remarks_are_both_kept() -> None:
    result = extracted("Sample;Note;Remarks;pH;Calcium (mg/L)", "A;cloudy;new filter;7.1;80")

    assert result.rows["comment"].tolist() == ["cloudy; new filter"]

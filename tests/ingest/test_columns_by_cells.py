"""Columns whose headings leave open what they hold, settled by what stands below."""

from __future__ import annotations

import pytest

from pipeline.ingest.extract import Extract, extract
from pipeline.ingest.grid import Grid
from pipeline.ingest.layouts import load_layouts
from pipeline.ingest.matching import match_layout


def extracted(text: str) -> Extract:
    grid = Grid.from_rows([line.split(";") for line in text.splitlines()])
    found = match_layout(grid, load_layouts())
    assert found is not None
    return extract(grid, found, "0" * 64, "report.csv")


def test_a_column_of_types_tells_the_controls_and_one_of_numbers_the_labels() -> None:
    """Blanks and check standards under "Type" were judged as waters."""
    result = extracted(
        "Nr.;Type;Site;pH;Conductivity (µS/cm)\nL-1;Blank;;;1.1\nL-2;Check 50;;;50\nL-3;Sample;Pine Street;7.4;455\n"
        "L-4;Dup L-3;Pine Street;7.4;454"
    )

    assert list(result.rows["activity"]) == ["blank", "standard", "routine", "duplicate"]
    assert list(result.rows["label"]) == ["L-1", "L-2", "L-3", "L-4"]


def test_a_column_of_types_may_tell_the_stage() -> None:
    result = extracted("Probe;Typ;pH;Ca mg/l\nA;Rohwasser;7,2;80\nB;nach Enthärter;7,3;4")

    assert list(result.rows["stage"]) == ["raw", "treated"]


@pytest.mark.parametrize("kind", ["espresso bar", "dual boiler"])
def test_types_of_anything_else_are_left_unread(kind: str) -> None:
    result = extracted(f"Sample;Type;pH;Ca mg/l\nA;Blank;7.2;80\nB;{kind};7.3;4")

    assert list(result.rows["activity"]) == ["", ""]
    assert result.left_out == ("Type",)


def test_a_running_number_is_no_label() -> None:
    result = extracted("Nr;Site;pH;Ca mg/l\n1;North;7.2;80\n2;South;7.3;4")

    assert list(result.rows["label"]) == ["", ""]

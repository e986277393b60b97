"""Names written once for several rows, titles above tables alike, and lists of words that are no samples."""

from __future__ import annotations

import pytest

from pipeline.ingest.blocks import blocks_of, with_cover, with_figures
from pipeline.ingest.extract import Extract, extract
from pipeline.ingest.grid import Grid
from pipeline.ingest.layouts import load_layouts

LAYOUTS = load_layouts()


def grid_of(text: str) -> Grid:
    return Grid.from_rows([line.split(";") for line in text.splitlines()])


def extracts(text: str) -> list[Extract]:
    found = with_cover(with_figures(blocks_of(grid_of(text), LAYOUTS)))
    return [extract(grid, match, "0" * 64) for grid, match in found]


def places(parts: list[Extract]) -> list[tuple[str, str]]:
    """Site and cell of every entry, in the order of the tables."""
    return [
        (str(part.rows["site"].iloc[cell["row"]]), str(cell["raw_text"]))
        for part in parts
        for cell in part.cells.to_dict("records")
    ]


NORTH_AND_SOUTH = [("North", "7.4"), ("North", "212"), ("South", "7.1"), ("South", "90")]


@pytest.mark.parametrize(
    "rows",
    [
        "North;;;\n;pH;7.4;\n;Total hardness;212;mg/L CaCO3\nSouth;;;\n;pH;7.1;\n;Total hardness;90;mg/L CaCO3",
        "North;pH;7.4;\n;Total hardness;212;mg/L CaCO3\nSouth;pH;7.1;\n;Total hardness;90;mg/L CaCO3",
    ],
    ids=["rows of names", "merged cells"],
)
def test_results_below_a_name_are_of_that_place(rows: str) -> None:
    """Those of the south were stored as second readings of the north."""
    [part] = extracts(f"Site;Test;Result;Unit\n{rows}")

    assert places([part]) == NORTH_AND_SOUTH
    told = part.notices[part.notices["problem"] == "named-above"]
    assert told["raw_text"].tolist() == ["North"]


def test_a_row_of_a_wide_table_that_names_no_place_among_others_stays_nameless() -> None:
    [part] = extracts("Site;pH;Chloride (mg/L)\nNorth;7.4;22\n;7.1;23")

    assert part.rows["site"].tolist() == ["North", ""]


@pytest.mark.parametrize("gap", ["", "\n"])
def test_tables_alike_under_titles_of_their_own_are_kept_apart(gap: str) -> None:
    table = "Date;pH;Hardness (mg/L CaCO3)\n1.2.2025;{};{}\n"

    parts = extracts("Site: North\n" + table.format(7.4, 212) + gap + "Site: South\n" + table.format(7.1, 90))

    assert places(parts) == NORTH_AND_SOUTH


def test_headings_that_come_again_on_the_next_page_are_of_the_same_table() -> None:
    [part] = extracts("Site;pH;Chloride (mg/L)\nA;7.4;22\nB;7.5;23\nSite;pH;Chloride (mg/L)\nC;7.6;24")

    assert part.rows["site"].tolist() == ["A", "B", "C"]


def test_a_legend_under_short_headings_is_no_table_of_samples() -> None:
    legend = "GH;KH\nGesamthärte;Karbonathärte\n"
    samples = "Probe;GH [°dH];KH [°dH]\nP1;14;11\n"

    assert [len(part.cells) for part in extracts(f"{legend}\n{samples}")] == [2]


def test_samples_below_a_visit_that_is_written_once_are_of_that_visit() -> None:
    """Kit sheets name client, place and day in the first row of a visit; the control below the others is of none."""
    [part] = extracts(
        "Client;Site;Date;Sample;Point;pH;Chloride (mg/L)\nA;North;2025-03-03;S1;raw;7.4;22\n"
        ";;;S2;after filter;7.1;23\n"
        "A;South;2025-03-04;S3;raw;7.2;24\n;;2025-03-05;S4;raw;7.2;25\n;;;Field blank;;7.0;0.1"
    )

    assert part.rows["site"].tolist() == ["North", "North", "South", "", ""]
    assert part.rows["collected_on"].tolist() == ["2025-03-03", "2025-03-03", "2025-03-04", "2025-03-05", ""]
    told = part.notices[part.notices["problem"] == "named-above"]
    assert told["raw_text"].tolist() == ["A", "North", "2025-03-03"]

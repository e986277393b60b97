"""For any table: cells of columns of figures = read + set aside, and no value that the cell does not say."""

from __future__ import annotations

import re

import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.ingest.blocks import blocks_of, with_cover
from pipeline.ingest.extract import extract
from pipeline.ingest.grid import Grid
from pipeline.ingest.layouts import load_layouts, match_layout
from pipeline.normalise.readings import NormaliseSettings, normalise

SHA = "0" * 64
LABELS = ["Probe", "Sample", "Échantillon", "Campione", "Muestra", "Monster", "Prøve", "Prov", "Name"]
PARAMETERS = ["Parameter", "Paramètre", "Parametro", "Parámetro", "Ämne"]
UNITS = ["Einheit", "Unit", "Unité", "Unità", "Unidad", "Eenheid"]
# Quantities in the languages of laboratories; unit "" is a list that states none.
KNOWN = ["Calcium", "Magnésium", "Sodio", "Kalium", "Chlorid", "Sulfates", "Nitrato", "Chloride", "Jern", "Fluorid"]
UNKNOWN = ["Permanganatindex", "Geosmin", "Zorb", "Wolfram", "Turbiedad XK", "Iridium", "E. coli", "Enterococcen"]
STATED = ["mg/l", "mg/L", ""]
ABOVE = ["Alle Angaben in mg/l", "Besuch 12.03.2026", "1 drop = 1 °dH in 5 mL", "Report of the works"]
TEXTS = ["Zapfpunkt", "Emplazamiento XK", "Farbe des Bechers"]
FIGURES = st.one_of(
    st.integers(1, 400).map(lambda number: f"{number / 10:.1f}"),
    st.integers(1, 40).map(lambda number: f"<{number / 10:.1f}"),
    st.just(""),
    st.just("-"),
)
GAPS = ("", "-")
LAYOUTS = load_layouts()


@st.composite
def tables(draw: st.DrawFn) -> tuple[list[list[str]], int]:
    """Write a table, and count on the way the filled cells of its columns of figures."""
    several = st.lists(st.sampled_from(KNOWN), min_size=2, max_size=5, unique=True)
    known: list[str] = draw(several)
    unknown: list[str] = draw(st.lists(st.sampled_from(UNKNOWN), max_size=3, unique=True))
    names = draw(st.permutations([*known, *unknown]))
    units = [draw(st.sampled_from(STATED)) for _ in names]
    samples: int = draw(st.integers(2, 5))
    # The first sample has every figure, so that every column is one of figures.
    cells = [["12.5" if sample == 0 else str(draw(FIGURES)) for _ in names] for sample in range(samples)]
    filled = sum(cell not in GAPS for row in cells for cell in row)
    labels = [f"W-{number}x" for number in range(samples)]
    if draw(st.booleans()):
        text: str = draw(st.sampled_from(TEXTS))
        headings = [f"{name} ({unit})" if unit else name for name, unit in zip(names, units, strict=True)]
        rows = [[str(draw(st.sampled_from(LABELS))), text, *headings]]
        rows += [[label, "blau", *row] for label, row in zip(labels, cells, strict=True)]
    else:
        rows = [[str(draw(st.sampled_from(PARAMETERS))), str(draw(st.sampled_from(UNITS))), *labels]]
        of_names = enumerate(zip(names, units, strict=True))
        rows += [[name, unit, *(row[place] for row in cells)] for place, (name, unit) in of_names]
    above: list[str] = draw(st.lists(st.sampled_from(ABOVE), max_size=2, unique=True))
    return [*([line] for line in above), *rows], filled


@settings(max_examples=20, deadline=None)
@given(tables())
def test_cells_of_columns_of_figures_are_used_or_set_aside(table: tuple[list[list[str]], int]) -> None:
    rows, filled = table
    grid = Grid.from_rows(rows)
    found = match_layout(grid, LAYOUTS)
    assert found is not None

    read = extract(grid, found, SHA, "list.csv")
    done = normalise([read], [SHA], NormaliseSettings())

    aside = pd.concat([read.set_aside, done.set_aside])
    assert len(done.readings) + len(aside) == filled == read.entries
    written = {(line, text) for line, row in enumerate(rows, 1) for text in row}
    for line, text in (*done.readings[["line", "raw_text"]].to_numpy(), *aside[["line", "raw_text"]].to_numpy()):
        assert (line, text) in written


@settings(max_examples=20, deadline=None)
@given(tables())
def test_no_value_is_stored_that_the_cell_does_not_say(table: tuple[list[list[str]], int]) -> None:
    """All units here are mg/L of the ion, so value or limit is the figure of the cell itself."""
    grid = Grid.from_rows(table[0])
    found = match_layout(grid, LAYOUTS)
    assert found is not None

    done = normalise([extract(grid, found, SHA, "list.csv")], [SHA], NormaliseSettings())

    for value, limit, text in done.readings[["value", "limit", "raw_text"]].astype({"raw_text": "str"}).to_numpy():
        figure = float(re.sub(r"[^0-9.]", "", text))
        stored = limit if text.startswith("<") else value
        assert abs(stored - figure) < 1e-9


CONTROLS = {"Feldblindwert 2": "blank", "KCl 1413": "standard", "W-7 dup": "duplicate", "blanc de terrain": "blank"}
SHEETS = [("Probe", "mg/l"), ("Sample", "mg/L"), ("Campione", "mg/l"), ("Muestra", "mg/L"), ("Próbka", "mg/l")]


@st.composite
def sheets(draw: st.DrawFn) -> tuple[list[list[str]], set[tuple[str, str, str]]]:
    """Write two tables beside or below each other, controls among their samples; and what each cell belongs to."""
    label, unit = draw(st.sampled_from(SHEETS))
    names = draw(st.lists(st.sampled_from(KNOWN), min_size=4, max_size=6, unique=True))
    labels = [f"W-{number}x" for number in range(4)] + draw(st.lists(st.sampled_from(list(CONTROLS)), unique=True))
    owners = draw(st.permutations(labels))
    parts, said = [], set()
    for columns, of in ((names[:2], owners[: len(owners) // 2]), (names[2:], owners[len(owners) // 2 :])):
        cells = [["12.5" if row == 0 else str(draw(FIGURES)) for _ in columns] for row in range(len(of))]
        said |= {
            (owner, name, cell)
            for owner, row in zip(of, cells, strict=True)
            for name, cell in zip(columns, row, strict=True)
            if cell not in GAPS
        }
        rows = [[owner, *row] for owner, row in zip(of, cells, strict=True)]
        parts.append([[label, *(f"{name} ({unit})" for name in columns)], *rows])
    left, right = parts
    if draw(st.booleans()):
        gap = [[""]] * draw(st.integers(0, 1))
        return [*left, *gap, *right], said
    width, gaps = len(left[0]), [""] * draw(st.integers(0, 1))
    height = max(len(left), len(right))
    padded = [
        [*(left[row] if row < len(left) else [""] * width), *gaps, *(right[row] if row < len(right) else [])]
        for row in range(height)
    ]
    return padded, said


@settings(max_examples=12, deadline=None)
@given(sheets())
def test_every_cell_stays_with_its_sample_and_controls_are_known(
    sheet: tuple[list[list[str]], set[tuple[str, str, str]]],
) -> None:
    """The heading and the label of each cell are those it was written under, in whichever table of the sheet."""
    rows, said = sheet

    parts = [
        extract(grid, found, SHA, "list.csv") for grid, found in with_cover(blocks_of(Grid.from_rows(rows), LAYOUTS))
    ]

    read = {
        (str(part.rows["label"].iloc[cell["row"]]), str(cell["column"]).partition(" (")[0], str(cell["raw_text"]))
        for part in parts
        for cell in part.cells.to_dict("records")
    }
    assert read == said
    kinds = {str(row["label"]): str(row["activity"]) for part in parts for row in part.rows.to_dict("records")}
    assert kinds == {label: CONTROLS.get(label, "") for label in kinds}

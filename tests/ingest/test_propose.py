"""A proposal shows what is certain and marks every guess."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from pipeline.ingest.grid import Grid
from pipeline.ingest.layouts import load_layouts, match_layout, propose_layout
from pipeline.ingest.propose import checked
from pipeline.problems import KettlestoneError

if TYPE_CHECKING:
    from pathlib import Path

ROWS = [
    ["Quux", "Calcum (mg/l)", "Zorb [°dH]", "Index", "pH"],
    ["A", "80", "7", "3", "7.2"],
    ["B", "81", "8", "4", "7.3"],
]


def test_a_near_miss_is_offered_and_never_taken() -> None:
    proposal = propose_layout(Grid.from_rows(ROWS))

    assert proposal is not None
    assert [column.sure for column in proposal.columns] == [
        "unknown",
        "did you mean",
        "unit only",
        "unknown",
        "exact",
    ]
    assert (proposal.columns[1].code, proposal.columns[1].like) == ("calcium", "calcium")
    assert proposal.columns[2].unit == "°dH"
    assert match_layout(Grid.from_rows(ROWS), load_layouts()) is None


def test_a_proposal_is_refused_until_its_guesses_are_settled(tmp_path: Path) -> None:
    proposal = propose_layout(Grid.from_rows(ROWS))
    assert proposal is not None
    path = tmp_path / "mine.json"
    path.write_text(proposal.to_layout_json("mine"), encoding="utf-8")

    with pytest.raises(KettlestoneError, match="confirm"):
        load_layouts(tmp_path)

    described = json.loads(path.read_text(encoding="utf-8"))
    for field in described["fields"]:
        field.pop("confirm", None)
    path.write_text(json.dumps(described), encoding="utf-8")
    found = match_layout(Grid.from_rows(ROWS), load_layouts(tmp_path))
    assert found is not None
    assert [column.analyte for column in found.measured] == ["calcium", "ph"]


def test_a_table_of_one_column_gets_no_proposal() -> None:
    assert propose_layout(Grid.from_rows([["text"], ["more"]])) is None


def test_the_check_shows_what_every_column_became() -> None:
    found = match_layout(
        Grid.from_rows([["Sample", "Ca [mg/L]", "Alk", "Colour of cup"], ["A", "1", "2", "red"]]), load_layouts()
    )
    assert found is not None

    table = checked(found)

    assert list(table["becomes"]) == ["label", "calcium", "alkalinity", "unknown"]
    assert list(table["unit"]) == ["", "mg/L", "", ""]
    assert found.ignored_columns == ("Colour of cup",)

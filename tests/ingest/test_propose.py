"""A proposal shows what is certain, and asks for the rest."""

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


def test_a_near_miss_is_a_question_and_never_a_guess() -> None:
    """Likeness proves nothing: "Calcum" is as near to calcium as "name" is to the Italian for copper."""
    proposal = propose_layout(Grid.from_rows(ROWS))

    assert proposal is not None
    assert [column.sure for column in proposal.columns] == ["unknown", "unit only", "unit only", "unknown", "exact"]
    assert [column.code for column in proposal.columns] == ["", "", "", "", "ph"]
    assert [column.unit for column in proposal.columns[1:3]] == ["mg/l", "°dH"]
    assert match_layout(Grid.from_rows(ROWS), load_layouts()) is None


@pytest.mark.parametrize("heading", ["sno", "name", "S.No"])
def test_a_running_number_or_a_name_is_no_quantity(heading: str) -> None:
    rows = [[heading, "pH", "Calcium"], ["1", "7.2", "80"], ["2", "7.3", "81"]]

    proposal = propose_layout(Grid.from_rows(rows))

    assert proposal is not None
    assert proposal.columns[0].kind != "analyte"
    written = json.loads(proposal.to_layout_json("mine"))
    assert all("analyte" not in field for field in written["fields"])


def test_a_proposal_is_refused_until_its_questions_are_answered(tmp_path: Path) -> None:
    proposal = propose_layout(Grid.from_rows(ROWS))
    assert proposal is not None
    path = tmp_path / "mine.json"
    text = proposal.to_layout_json("mine", {"total_hardness": "°dH"}, {"calcium": "mg/L or mmol/L"})
    path.write_text(text, encoding="utf-8")

    with pytest.raises(KettlestoneError, match=r"calcium: it waits for you \(mg/L or mmol/L\)"):
        load_layouts(tmp_path)
    described = json.loads(text)
    described["units"]["calcium"] = described.pop("confirmUnits") and "mg/L"
    path.write_text(json.dumps(described), encoding="utf-8")
    with pytest.raises(KettlestoneError, match="which quantity is this"):
        load_layouts(tmp_path)

    for field in described["fields"]:
        field.pop("confirm")
    described["fields"][0] |= {"analyte": "calcium"}
    described["fields"][0].pop("role")
    path.write_text(json.dumps(described), encoding="utf-8")
    found = match_layout(Grid.from_rows(ROWS), load_layouts(tmp_path))
    assert found is not None
    assert [column.analyte for column in found.measured] == ["calcium", "ph"]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"units": {"calcium": "furlongs"}}, '"furlongs" is no unit'),
        ({"units": {"zorb": "mg/L"}}, '"zorb" is not one of'),
        ({"unitAliases": {"xx": "yy"}}, '"yy" is no unit'),
        ({"fields": [{"name": "Ca", "analyte": "calcium", "unit": "mgg"}]}, '"mgg" is no unit'),
    ],
)
def test_a_layout_with_a_unit_that_is_none_is_refused(tmp_path: Path, change: dict[str, object], said: str) -> None:
    described = {"name": "mine", "fields": [{"name": "Ca", "analyte": "calcium"}], **change}
    (tmp_path / "mine.json").write_text(json.dumps(described), encoding="utf-8")

    with pytest.raises(KettlestoneError, match=said):
        load_layouts(tmp_path)


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

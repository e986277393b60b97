"""The published schemas describe the tables that are written, and other tools can read them."""

from __future__ import annotations

from pathlib import Path

import frictionless
import numpy as np
import pandas as pd
import pytest

import schemas
from schemas.columns import ANALYTES, OTHER_ANALYTES
from schemas.contracts import breaches
from schemas.export import PUBLISHED, rendered, table_schema, write
from schemas.readings import KIND_COLUMNS, broken_kinds
from schemas.stored import FRAMES, STORED, missing_statements
from schemas.tables import FINDINGS, SAMPLES
from schemas.text_cells import broken_texts

FOLDER = Path(schemas.__file__).parent


@pytest.mark.parametrize("name", PUBLISHED)
def test_the_published_file_is_up_to_date(name: str) -> None:
    """Write them anew with: python -m schemas.export."""
    assert (FOLDER / f"{name}.schema.json").read_text(encoding="utf-8") == rendered(name)


def test_writing_gives_one_file_for_each_table(tmp_path: Path) -> None:
    written = write(tmp_path)

    assert [path.name for path in written] == [f"{name}.schema.json" for name in PUBLISHED]
    assert all(path.read_text(encoding="utf-8").endswith("}\n") for path in written)


@pytest.mark.parametrize("name", PUBLISHED)
def test_another_tool_finds_nothing_wrong_with_the_schema(name: str) -> None:
    report = frictionless.Schema.validate_descriptor(table_schema(name))

    assert report.valid, report.flatten(["message"])


@pytest.mark.parametrize(("verdict", "valid"), [("ok", True), ("fine", False), ("", False)])
def test_another_tool_judges_a_table_by_the_schema(tmp_path: Path, verdict: str, valid: bool) -> None:
    names = [field.name for field in SAMPLES]
    row = {"sample_id": "s1", "verdict": verdict, "stage": "raw", "ph": "7.4"}
    lines = [",".join(names), ",".join(row.get(name, "") for name in names)]
    (tmp_path / "samples.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")

    resource = frictionless.Resource(
        path="samples.csv",
        basepath=str(tmp_path),
        schema=frictionless.Schema.from_descriptor(table_schema("samples")),
    )

    assert resource.validate().valid is valid


def test_every_number_of_a_sample_has_a_unit() -> None:
    units = {field.name: field.unit for field in SAMPLES if field.kind == "number"}

    assert units == {known.column: known.unit for known in ANALYTES.values()}


def kind(**changed: object) -> pd.DataFrame:
    usual = {
        "analyte": "calcium",
        "unit": "mg/L",
        "basis": "as ion",
        "qualifier": "",
        "method": "laboratory",
        "has_value": True,
        "has_limit": False,
        "negative": False,
        "finite": True,
    }
    return pd.DataFrame([{**usual, **changed}])[KIND_COLUMNS]


@pytest.mark.parametrize(
    ("changed", "problem"),
    [
        ({}, ""),
        ({"analyte": next(iter(OTHER_ANALYTES)), "unit": "anything"}, ""),
        ({"analyte": "temperature", "unit": "Cel", "negative": True}, ""),
        ({"has_value": False, "has_limit": True, "qualifier": "<"}, ""),
        ({"negative": True}, "negative-value"),
        ({"unit": "mmol/L"}, "unit-unknown"),
        ({"has_value": False}, "not-detected-without-limit"),
        ({"finite": False}, "number-unreadable"),
        ({"qualifier": "?"}, "number-unreadable"),
        ({"method": "guess"}, "field-unreadable"),
    ],
)
def test_the_contract_of_readings_names_the_breach(changed: dict[str, object], problem: str) -> None:
    assert broken_kinds(kind(**changed)).tolist() == [problem]


def test_a_table_of_the_wrong_type_is_a_fault_of_the_program() -> None:
    with pytest.raises(ValueError, match="breaks its contract"):
        broken_kinds(kind(has_value=np.nan))


@pytest.mark.parametrize(
    ("text", "broken"),
    [("7.4", False), ("", True), ("x" * 200, False), ("x" * 201, True), ("7\x004", True), ("7�4", True)],
)
def test_a_cell_is_short_and_printable(text: str, broken: bool) -> None:
    assert broken_texts(pd.Series([text], dtype="str")).tolist() == [broken]


def samples(**changed: object) -> pd.DataFrame:
    usual = {"sample_id": ["a", "b"], "label": "tap", "stage": ["raw", ""], "verdict": "ok", "ph": [7.2, np.nan]}
    return pd.DataFrame({**usual, **changed})


@pytest.mark.parametrize(
    ("changed", "column"),
    [
        ({}, ""),
        ({"stage": pd.Categorical(["raw", None])}, ""),
        ({"stage": "kitchen"}, "stage"),
        ({"verdict": ["ok", ""]}, "verdict"),
        ({"sample_id": ["a", "a"]}, "sample_id"),
        ({"sample_id": ["a", ""]}, "sample_id"),
        ({"ph": [7.2, np.inf]}, "ph"),
        ({"verdict": ["ok", "fine"], "comment": "further columns are not judged"}, "verdict"),
    ],
)
def test_the_contract_of_samples_names_the_column(changed: dict[str, object], column: str) -> None:
    found = breaches(SAMPLES, samples(**changed))

    assert [breach.partition(":")[0] for breach in found] == [column] * bool(column)


def test_the_contract_of_findings_wants_a_severity_and_a_message() -> None:
    frame = pd.DataFrame(
        {"sample_id": "a", "check_id": "ion-balance", "severity": ["bad", "note"], "message": ["x", ""]}
    )

    found = breaches(FINDINGS, frame)

    assert [breach.partition(":")[0] for breach in found] == ["severity", "message"]


def test_a_column_is_declared_once_in_a_table() -> None:
    for name, fields in {**FRAMES, **STORED}.items():
        columns = [field.name for field in fields]
        assert len(columns) == len(set(columns)), name


def test_what_a_migration_lacks_is_written_for_it() -> None:
    """Standard SQL: a new table is created, a new column is added."""
    present = {table: {field.name: field.sql_type for field in fields} for table, fields in STORED.items()}
    del present["superseded"], present["finding"]["analyte"]

    statements = missing_statements(present)

    assert statements == [
        'CREATE TABLE superseded ("reading_id" BIGINT, "batch_id" VARCHAR);',
        'ALTER TABLE finding ADD COLUMN "analyte" VARCHAR;',
    ]

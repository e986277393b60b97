"""The published tables, field by field, and their export as Table Schema.

``python -m schemas.tables`` writes ``readings.schema.json``, ``samples.schema.json`` and
``findings.schema.json`` beside this file; a test proves that they are up to date.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from schemas.columns import ACTIVITIES, ANALYTES, SEVERITIES, STAGES, VERDICTS
from schemas.extract import FORMS
from schemas.methods import METHODS, QUALIFIERS

PROFILE: Final = "https://datapackage.org/profiles/2.0/tableschema.json"


@dataclass(frozen=True)
class Field:
    """One column: its Table Schema type, what it means, its UCUM unit and the words it may hold."""

    name: str
    kind: str
    title: str
    unit: str = ""
    words: tuple[str, ...] = ()
    required: bool = False
    unique: bool = False

    def described(self) -> dict[str, Any]:
        """Give the field as Table Schema writes it; `unit` is an extra property."""
        limits: dict[str, Any] = {}
        if self.required:
            limits["required"] = True
        if self.unique:
            limits["unique"] = True
        if self.words:
            # An empty cell is a missing value, not one of the words.
            limits["enum"] = [word for word in self.words if word]
        described: dict[str, Any] = {"name": self.name, "type": self.kind, "title": self.title}
        if self.unit:
            described["unit"] = self.unit
        if limits:
            described["constraints"] = limits
        return described


def _text(name: str, title: str, words: tuple[str, ...] = (), *, required: bool = False) -> Field:
    return Field(name, "string", title, words=words, required=required)


def _number(name: str, title: str, unit: str = "") -> Field:
    return Field(name, "number", title, unit)


_QUANTITIES: Final[tuple[Field, ...]] = tuple(
    _number(known.column, f"{known.title} {known.basis}".strip(), known.unit) for known in ANALYTES.values()
)
READINGS: Final[tuple[Field, ...]] = (
    Field("row", "integer", "Position of its row among the rows of its file", required=True),
    Field("line", "integer", "Line of the file, counted from 1", required=True),
    _text("column", "Heading of its column in the file"),
    _text("analyte", "Quantity measured", required=True),
    _number("value", "Value in `unit`; empty if censored"),
    _text("unit", "UCUM code of the unit"),
    _text("basis", "What the number counts: as CaCO3, as NO3, as ion; the scale of dissolved solids"),
    _text("qualifier", "< below, > above its limit; ~ approximate", QUALIFIERS),
    _number("limit", "Limit of a censored value, in `unit`"),
    _number("value_low", "Lower bound, in `unit`"),
    _number("value_high", "Upper bound, in `unit`; empty if unbounded"),
    _number("uncertainty", "Expanded uncertainty, k = 2, in `unit`"),
    _text("method", "How the value was obtained", METHODS, required=True),
    _text("form", "How the entry was written", FORMS, required=True),
    _number("drops", "Drops counted", "1"),
    _number("degree_per_drop", "One drop at the nominal volume, as CaCO3", "mg/L"),
    _number("nominal_ml", "Sample volume the kit is made for", "mL"),
    _number("used_ml", "Sample volume used", "mL"),
    _text("raw_text", "Cell as the file wrote it", required=True),
    _text("raw_unit", "Unit as the file wrote it"),
    _text("raw_basis", "Chemical form as the file wrote it"),
    _text("note", "What was converted or assumed"),
    _text("instrument", "Instrument or kit"),
    _text("ambiguous", "Why unit or basis is uncertain; empty if certain"),
    _text("status", "What the laboratory said of the result"),
)

SAMPLES: Final[tuple[Field, ...]] = (
    Field("sample_id", "string", "Stable identifier of the sample", required=True, unique=True),
    _text("label", "Label as the file wrote it"),
    _text("client", "Client"),
    _text("site", "Site of the client"),
    _text("sampling_point", "Tap or outlet"),
    _text("stage", "Where in the treatment", STAGES),
    _text("activity", "Routine sample or control", ACTIVITIES),
    _text("region", "Region"),
    _text("country", "Country"),
    Field("collected_at", "datetime", "Time of sampling, UTC"),
    _text("supply", "Water supply"),
    _text("machine", "Machine"),
    _text("treatment", "Treatment in place"),
    _text("operator", "Who took the sample"),
    _text("comment", "Comment"),
    *_QUANTITIES,
    _text("verdict", "Worst severity found", VERDICTS, required=True),
    _text("not_evaluated", "Checks that lacked an input, separated by blanks"),
)

FINDINGS: Final[tuple[Field, ...]] = (
    _text("sample_id", "Sample; empty where the finding is about a file"),
    _text("file_sha256", "SHA-256 of the file"),
    _text("check_id", "Check that found it", required=True),
    _text("severity", "note: usable; hold: wait for an answer; reject: impossible", SEVERITIES, required=True),
    _number("observed", "What was found, in `unit`"),
    _number("low", "Least that is allowed, in `unit`"),
    _number("high", "Most that is allowed, in `unit`"),
    _text("unit", "Unit of observed, low and high"),
    _text("message", "Finding in words", required=True),
    _text("evidence", "Figures behind the finding"),
    _text("reading_ids", "Readings concerned, separated by blanks"),
    _text("analyte", "Quantity concerned"),
)

TABLES: Final[dict[str, tuple[str, tuple[Field, ...]]]] = {
    "readings": ("Accepted readings in canonical units, one per entry", READINGS),
    "samples": ("Samples, one per row; numbers as read, empty where censored or not measured", SAMPLES),
    "findings": ("What the checks found, worst first", FINDINGS),
}


def table_schema(name: str) -> dict[str, Any]:
    """Describe a published table as Table Schema, version 2.

    Parameters
    ----------
    name : key of TABLES.

    Returns
    -------
    dict ready for JSON. A table may have further columns after these (`fieldsMatch`).

    Example
    -------
    >>> table_schema("samples")["primaryKey"]
    ['sample_id']
    """
    title, fields = TABLES[name]
    schema: dict[str, Any] = {
        "$schema": PROFILE,
        "title": title,
        "fieldsMatch": "subset",
        "missingValues": [""],
        "fields": [field.described() for field in fields],
    }
    keys = [field.name for field in fields if field.unique]
    return {**schema, "primaryKey": keys} if keys else schema


def rendered(name: str) -> str:
    """Give the text of a schema file."""
    return json.dumps(table_schema(name), indent=1, ensure_ascii=False) + "\n"


def write(folder: Path) -> list[Path]:
    """Write every schema file into a folder, and say which."""
    paths = [folder / f"{name}.schema.json" for name in TABLES]
    for name, path in zip(TABLES, paths, strict=True):
        path.write_text(rendered(name), encoding="utf-8")
    return paths


if __name__ == "__main__":
    write(Path(__file__).parent)

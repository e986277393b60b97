"""The published tables as Table Schema, for other programs.

``python -m schemas.export`` writes ``readings.schema.json``, ``samples.schema.json`` and
``findings.schema.json`` beside this file; a test proves that they are up to date.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from schemas.tables import FINDINGS, READINGS, SAMPLES

if TYPE_CHECKING:
    from schemas.fields import Fields

PROFILE: Final = "https://datapackage.org/profiles/2.0/tableschema.json"

PUBLISHED: Final[dict[str, tuple[str, Fields]]] = {
    "readings": ("Accepted readings in canonical units, one per entry", READINGS),
    "samples": ("Samples, one per row; numbers as read, empty where censored or not measured", SAMPLES),
    "findings": ("What the checks found, worst first", FINDINGS),
}


def table_schema(name: str) -> dict[str, Any]:
    """Describe a published table as Table Schema, version 2.

    Parameters
    ----------
    name : key of PUBLISHED.

    Returns
    -------
    dict ready for JSON. A table may have further columns after these (`fieldsMatch`).

    Example
    -------
    >>> table_schema("samples")["primaryKey"]
    ['sample_id']
    """
    title, fields = PUBLISHED[name]
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
    paths = [folder / f"{name}.schema.json" for name in PUBLISHED]
    for name, path in zip(PUBLISHED, paths, strict=True):
        path.write_text(rendered(name), encoding="utf-8")
    return paths


if __name__ == "__main__":
    write(Path(__file__).parent)

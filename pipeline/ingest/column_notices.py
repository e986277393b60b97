"""Remarks on columns: headings that occur twice, and tables that say nowhere whose water it is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pipeline.ingest.cell_frame import column_name
from pipeline.problems import problem_frame

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.ingest.entries import Source

NAMING: Final = ("label", "site", "sampling_point", "collected_on", "client")  # what tells whose water it is


def column_notices(source: Source, file_sha256: str) -> list[pd.DataFrame]:
    """Tell of repeated measurement headings and of a unit that is stated for all of them."""
    notices: list[pd.DataFrame] = []
    line = int(source.grid.line[source.match.header_row])
    seen: set[str] = set()
    for column in source.match.measured:
        if column.heading in seen:
            name = column_name(source, column)
            notices.append(
                problem_frame(
                    "column-repeated", file_sha256=file_sha256, line=line, column=name, raw_text=column.heading
                )
            )
        seen.add(column.heading)
    return notices + _stated_unit_notices(source, file_sha256)


def _stated_unit_notices(source: Source, file_sha256: str) -> list[pd.DataFrame]:
    """Tell of a unit that a sentence above the table states for all values."""
    stated = source.match.stated_unit
    if stated is None:
        return []
    columns = [column for column in source.match.measured if column.analyte and column.unit == stated.unit]
    names = ", ".join(" ".join(column.heading.split()) for column in columns)
    line = int(source.grid.line[source.match.header_row])
    return [
        problem_frame(
            "unit-stated",
            file_sha256=file_sha256,
            line=line,
            column="",
            raw_text=stated.text,
            detail=f"the quantities {names}" if names else "the quantities",
        )
    ]


def origin_notices(source: Source, file_sha256: str) -> list[pd.DataFrame]:
    """Tell of a table that says nowhere whose water it is, with the headings that may say it."""
    match = source.match
    if match.orientation != "samples-in-rows" or any(match.preamble.get(name) for name in NAMING):
        return []
    if any(column.role == "about" and column.code in NAMING for column in match.columns):
        return []
    headings = ", ".join(" ".join(heading.split()) for heading in match.ignored_columns if heading.strip())
    line = int(source.grid.line[match.header_row])
    return [
        problem_frame(
            "origin-unknown",
            file_sha256=file_sha256,
            line=line,
            column="",
            raw_text=headings,
            detail=headings or "none",
        )
    ]

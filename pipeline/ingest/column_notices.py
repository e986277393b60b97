"""Remarks on columns: measurements no layout knows, and headings that occur twice."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.ingest.columns import looks_numeric
from pipeline.ingest.spellings import key
from pipeline.problems import problem_frame

if TYPE_CHECKING:
    from pipeline.ingest.columns import SourceColumn
    from pipeline.ingest.entries import Source

NAMING: Final = ("label", "site", "sampling_point", "collected_on", "client")  # what tells whose water it is
_SAMPLED: Final = 1_000  # rows looked at
# Words of headings whose numbers are no measurements: identifiers, places, times, counters.
_NO_MEASUREMENT: Final = (
    *("id", "ids", "no", "nr", "num", "number", "nummer", "numero", "code", "cd", "key", "seq"),
    *("index", "line", "row", "page", "count", "lat", "lon", "long", "latitude", "longitude", "x", "y"),
    *("easting", "northing", "altitude", "elevation", "year", "jahr", "annee", "anno", "ano", "month"),
    *("monat", "date", "datum", "data", "type", "time", "zeit", "zip", "plz", "cap", "phone", "tel"),
    *("fax", "user", "version", "revision", "status", "point", "edate", "etime", "lfd"),
)
_YEARS: Final = (1900, 2100)


def letter(position: int) -> str:
    """Give the letter a spreadsheet shows for a column (0 → A, 26 → AA)."""
    letters = ""
    number = position + 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def column_notices(source: Source, file_sha256: str) -> list[pd.DataFrame]:
    """Tell of unknown columns that look like measurements, and of repeated measurement headings.

    Other unknown columns are left out silently; ``Match.ignored_columns`` lists them.
    """
    notices: list[pd.DataFrame] = []
    line = int(source.grid.line[source.match.header_row])
    seen: set[str] = set()
    for column in source.match.columns:
        if column.role in ("unknown", "drops", "titrant_ml", "value") and _like_measurement(source, column):
            code = "column-unrecognised"
        elif column.role == "measurement" and column.heading in seen:
            code = "column-repeated"
        else:
            seen.add(column.heading)
            continue
        name = " ".join(column.heading.split()) or f"column {letter(column.position)}, without a heading"
        notices.append(problem_frame(code, file_sha256=file_sha256, line=line, column=name, raw_text=column.heading))
    return notices


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


def _like_measurement(source: Source, column: SourceColumn) -> bool:
    words = set(key(column.heading).split())
    if words & {*_NO_MEASUREMENT}:
        return False
    texts = source.grid.column(column.position, source.rows[:_SAMPLED])
    if not looks_numeric(texts):
        return False
    numbers = pd.to_numeric(texts[texts != ""], errors="coerce").dropna()
    whole = bool(len(numbers)) and bool((numbers % 1 == 0).all())
    counted = not words and bool(np.all(np.diff(numbers) >= 1))
    return not (whole and (bool(numbers.between(*_YEARS).all()) or counted))

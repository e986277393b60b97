"""What only the XML of a sheet says, as frames: formulas nobody calculated, error values, merged cells."""

from __future__ import annotations

import html
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from pipeline.ingest.workbook_xml import column_number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.ingest.sheet_cells import FoundMarks


@dataclass(frozen=True)
class SheetMarks:
    """Cells of one sheet the values do not show: frames with `cell row column text` (row, column 0-based)."""

    formulas: pd.DataFrame
    errors: pd.DataFrame
    merged: pd.DataFrame


def marks_of(found: FoundMarks) -> SheetMarks:
    """Lay out the marks of one sheet."""
    return SheetMarks(_frame(found.formulas), _frame(found.errors), _frame(found.merged))


def _frame(found: Sequence[tuple[bytes, bytes]]) -> pd.DataFrame:
    """Turn matches (attributes of the cell, text) into a frame."""
    attributes = pd.Series([place.decode(errors="replace") for place, _ in found], dtype="str")
    parts = attributes.str.extract(r'\br="(?P<cell>(?P<letters>[A-Z]{1,3})(?P<number>\d{1,7}))"')
    frame = pd.DataFrame({"cell": parts["cell"], "row": 0, "column": 0})
    frame["row"] = pd.to_numeric(parts["number"]).fillna(0).astype("int64") - 1
    letters = parts["letters"].fillna("")
    frame["column"] = letters.map({text: column_number(text) for text in letters.unique()}).astype("int64")
    frame["text"] = pd.Series([html.unescape(text.decode(errors="replace")) for _, text in found], dtype="str")
    return frame[parts["cell"].notna()].reset_index(drop=True)

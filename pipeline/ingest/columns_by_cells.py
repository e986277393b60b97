"""Columns whose headings leave open what their cells say: "Type" of kinds or stages, "Nr" of labels."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from pipeline.ingest.control_words import control_kind
from pipeline.ingest.spellings import heading_words, key, word_keys, word_table
from pipeline.ingest.stage_words import stage_of

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from pipeline.ingest.columns import SourceColumn
    from pipeline.ingest.grid import Grid

_LETTER: Final = re.compile(r"[^\W\d_]")


def with_open_columns(
    columns: tuple[SourceColumn, ...], grid: Grid, rows: npt.NDArray[np.int64]
) -> tuple[SourceColumn, ...]:
    """Take types for kinds of samples or stages where each of their words is one, and "Nr" for labels beside no other.

    A number that only counts the rows, "1, 2, 3", is no label: every file has it.

    The columns stay the same where none is open: files are read together by that.

    Parameters
    ----------
    columns : as their headings are read.
    grid, rows : the table, and the positions of body rows to look at.
    """
    found: dict[int, SourceColumn] = {}
    said = {column.code for column in columns if column.role == "about"}
    for column in columns:
        if column.role == "unknown" and key(column.heading) in _types() | _numbers():
            cells = [text.strip() for text in grid.cells(column.position, rows).to_pylist() if text.strip()]
            code = _said({*cells}) if key(column.heading) in _types() else _label(cells)
            if code and code not in said:
                found[column.position] = replace(column, role="about", code=code)
                said.add(code)
    return tuple(found.get(column.position, column) for column in columns) if found else columns


def _said(cells: set[str]) -> str:
    """Name the field of the cells, "" where one of them is neither a kind nor a stage."""
    kinds = {text for text in cells if key(text) in word_table("activities") or control_kind(text, of_kinds=True)}
    stages = {text for text in cells - kinds if stage_of(text)}
    if not cells or cells - kinds - stages:
        return ""
    return "activity" if kinds else "stage"


def _label(cells: list[str]) -> str:
    """Name the field of numbers that are different marks, "" where they only count."""
    return "label" if cells and len({*cells}) == len(cells) and all(map(_LETTER.search, cells)) else ""


@lru_cache(maxsize=1)
def _numbers() -> frozenset[str]:
    return frozenset(word_keys(heading_words()["numbers as headings"], "de"))


@lru_cache(maxsize=1)
def _types() -> frozenset[str]:
    return frozenset(word_keys(heading_words()["types as headings"], "de"))

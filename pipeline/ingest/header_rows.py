"""The rows at the head of a table: one row of headings, or two or three that are read together.

People write a group above the quantities ("Before filter", "Calcium" over "Result" and "Unit"), a row of units
below or above them, and merge cells. Rows of data must not be taken for headings: a row of headings
holds hardly any numbers, a word that is repeated counts once, and a heading with a unit weighs more than a bare symbol.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from pipeline.ingest.headings import Heading, read_heading
from pipeline.ingest.meanings import OwnSpellings
from pipeline.ingest.spellings import key, word_table
from pipeline.ingest.unit_text import UnitText, split_unit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.ingest.grid import Grid
    from pipeline.ingest.layout_file import Layout

_WITHIN: Final = 60  # rows; a longer preamble is not a preamble
_DEEPEST: Final = 3  # rows of one head
_NUMBER: Final = re.compile(r"[<>≤≥~]?\s*[-+\u2212]?(?:\d[\d.,'’ ]*|\.\d+)(?:[eE][-+]?\d+)?")
_FEW: Final = 4  # known headings for each number that a row of headings may hold
_SYMBOL: Final = 2  # letters; a shorter name is a symbol that may stand for anything
_DATE: Final = re.compile(r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}(?:[ T].*)?")


@dataclass(frozen=True)
class Head:
    """Rows that are read as the head of a table.

    Attributes
    ----------
    first, body : positions of its first row and of the first row below it.
    cells : one heading for each column; of several rows the words that belong to it.
    units : of a row of units, by column; empty if there is none.
    score : how much of it is understood.
    """

    first: int
    body: int
    cells: tuple[str, ...]
    units: tuple[UnitText | None, ...] = ()
    score: int = 0


@dataclass(frozen=True)
class _Row:
    """One row: its cells, its units if it is a row of units, and whether it may be one of headings."""

    cells: tuple[str, ...]
    units: tuple[UnitText | None, ...]
    heads: bool


def heads_of(grid: Grid, layouts: Sequence[Layout] = (), within: int = _WITHIN) -> list[Head]:
    """Find what may be the head of a table in its first rows, the best understood first.

    Of two that are understood equally well the one of fewer rows comes first, then the upper one.
    """
    own = every_spelling(tuple(layouts))
    rows = [_row(tuple(grid.row(number)), own) for number in range(min(len(grid), within + _DEEPEST))]
    found = [
        head
        for first in range(min(len(rows), within))
        if rows[first].heads
        for depth in range(1, _DEEPEST + 1)
        if (head := _head(rows, first, depth, own)) is not None
    ]
    return sorted(found, key=lambda head: (-head.score, head.body - head.first, head.first))


def head_at(grid: Grid, first: int, layouts: Sequence[Layout] = ()) -> list[Head]:
    """Read the head that begins at one row, because a layout says so; the best understood first."""
    own = every_spelling(tuple(layouts))
    cells = [tuple(grid.row(number)) for number in range(first, min(len(grid), first + _DEEPEST))]
    rows = [_Row(row, _units(row), heads=True) for row in cells[:1]] + [_row(row, own) for row in cells[1:]]
    read = [_joined(rows, depth, own, first) for depth in range(1, len(rows) + 1) if _one_head(rows[:depth], own)]
    return sorted(read, key=lambda head: (-head.score, head.body))


def header_scores(grid: Grid, layouts: Sequence[Layout] = ()) -> list[int]:
    """Say, for each of the first 60 rows, how well it is understood as the one row of headings."""
    own = every_spelling(tuple(layouts))
    rows = [_row(tuple(grid.row(number)), own) for number in range(min(len(grid), _WITHIN))]
    return [_score(row.cells, (), own) if row.heads else 0 for row in rows]


def every_spelling(layouts: tuple[Layout, ...]) -> OwnSpellings:
    """Put the own spellings of all layouts together, to find the head under any of them."""
    return _every_spelling(tuple(layout.own for layout in layouts))


@lru_cache(maxsize=8)
def _every_spelling(owns: tuple[OwnSpellings, ...]) -> OwnSpellings:
    return OwnSpellings({spelling: meaning for own in reversed(owns) for spelling, meaning in own.folded.items()})


@lru_cache(maxsize=32768)
def numeric(cell: str) -> bool:
    """Say whether a cell is a number, maybe with a sign before it."""
    return bool(cell) and _NUMBER.fullmatch(cell) is not None


@lru_cache(maxsize=4096)
def _row(cells: tuple[str, ...], own: OwnSpellings) -> _Row:
    filled = [cell for cell in cells if cell]
    numbers = sum(map(numeric, filled))
    if not numbers:
        return _Row(cells, _units(cells), heads=bool(filled))
    known = [names for cell in dict.fromkeys(filled) if (names := _names(cell, own)) is not None]
    return _Row(cells, (), heads=any(known) or len(known) >= _FEW * numbers)


@lru_cache(maxsize=32768)
def _names(cell: str, own: OwnSpellings) -> bool | None:
    """Tell whether a cell among numbers is the heading of a column of parameters; None for what is no heading."""
    meanings = read_heading(cell, own).meanings
    return any(meaning.code in ("analyte", "analyte_code") for meaning in meanings) if meanings else None


def _units(cells: tuple[str, ...]) -> tuple[UnitText | None, ...]:
    """Read a row as units, if most of its cells are units; else nothing."""
    filled = [cell for cell in cells if cell not in ("", "-")]
    units = [split_unit(cell) if cell else None for cell in cells]
    found = sum(unit is not None and unit.unit != "" for unit in units)
    # "pH" and "Calcium mg/l" end like units too: names outweigh them.
    if found * 2 <= len(filled) or sum(bool(read_heading(cell).meanings) for cell in filled) >= found:
        return ()
    # A cell that is no unit goes on as written, so that what stands below it is not read without one.
    return tuple(unit or (UnitText(cell) if cell else None) for unit, cell in zip(units, cells, strict=True))


def _head(rows: Sequence[_Row], first: int, depth: int, own: OwnSpellings) -> Head | None:
    taken = rows[first : first + depth]
    if len(taken) < depth or not _one_head(taken, own):
        return None
    head = _joined(taken, depth, own, first)
    filled = sum(bool(cell) for cell in head.cells)
    return head if head.score and filled > 1 else None


def _one_head(rows: Sequence[_Row], own: OwnSpellings) -> bool:
    """Tell whether rows may be one head: all of headings, one of units at the most, none of data under another."""
    units = sum(bool(row.units) for row in rows)
    data = any(_answers(upper.cells, lower.cells, own) for upper, lower in pairwise(rows))
    return all(row.heads for row in rows) and units <= 1 and units < len(rows) and not data


def _answers(upper: tuple[str, ...], lower: tuple[str, ...], own: OwnSpellings) -> bool:
    """Tell whether a row says what the headings above it ask for: a date, or the quantity of one result.

    A word for quantities that stands above several of them is their group.
    """
    for cell, below, beside in zip(upper, lower, (*upper[1:], ""), strict=False):
        codes = {meaning.code for meaning in read_heading(cell, own).meanings} if cell and below else set()
        if "collected_on" in codes and _DATE.fullmatch(below):
            return True
        if "analyte" in codes and beside and any(one.kind == "analyte" for one in read_heading(below).meanings):
            return True
    return False


def _joined(rows: Sequence[_Row], depth: int, own: OwnSpellings, first: int) -> Head:
    taken = rows[:depth]
    units = next((row.units for row in taken if row.units), ())
    width = max(len(row.cells) for row in taken)
    named = [row.cells + ("",) * (width - len(row.cells)) for row in taken if not row.units]
    cells = named[0] if len(named) > 1 or not units else _over_units(named[0], units)
    for below in named[1:]:
        cells = _over(cells, below, units, own)
    return Head(first, first + depth, cells, units, _score(cells, units, own))


def _spread(above: Sequence[str]) -> list[tuple[str, bool]]:
    """Let each cell hold for the empty ones right of it; True where it is its own."""
    result, last = [], ""
    for cell in above:
        last = cell or last
        result.append((last, bool(cell)))
    return result


def _over_units(cells: tuple[str, ...], units: Sequence[UnitText | None]) -> tuple[str, ...]:
    """Let a heading hold for the columns right of it that have a unit and no heading: it was merged over them."""
    has_unit = [bool(unit and unit.unit) for unit in units] + [False] * len(cells)
    return tuple(text if own or has_unit[number] else "" for number, (text, own) in enumerate(_spread(cells)))


def _over(
    above: tuple[str, ...], below: tuple[str, ...], units: Sequence[UnitText | None], own: OwnSpellings
) -> tuple[str, ...]:
    """Read two rows together, the upper one spread over the columns that it stands above."""
    has_unit = [bool(unit and unit.unit) for unit in units] + [False] * len(below)
    cells = []
    for number, ((upper, itself), lower) in enumerate(zip(_spread(above), below, strict=True)):
        if lower and upper:
            cells.append(_together(upper, lower, own))
        else:
            cells.append(lower or (upper if itself or has_unit[number] else ""))
    return tuple(cells)


@lru_cache(maxsize=4096)
def _together(upper: str, lower: str, own: OwnSpellings) -> str:
    """Choose the words that make a heading of two: both, or the one that is understood by itself."""
    both = (f"{upper} {lower}", f"{lower} {upper}")
    for text in (*both, lower, upper):
        if read_heading(text, own).meanings:
            return text
    return both[0]


@lru_cache(maxsize=4096)
def _score(cells: tuple[str, ...], units: tuple[UnitText | None, ...], own: OwnSpellings) -> int:
    """Weigh the headings that are understood, each meaning once; 0 for a single cell."""
    if sum(bool(cell) for cell in cells) < 2:  # noqa: PLR2004 (a table has at least two columns)
        return 0
    weights: dict[object, int] = {}
    for cell in cells:
        heading = read_heading(cell, own) if cell else None
        if heading is not None and heading.meanings:
            said = (heading.meanings[0].code, heading.affix, heading.stage, heading.basis, heading.at)
            weights[said] = max(weights.get(said, 0), _weight(heading))
        elif cell and (stage := word_table("stages").get(key(cell).rpartition(" ")[2])):
            weights[("sample", stage)] = 1
    stated = sum(unit is not None and unit.unit != "" for unit in units)
    return sum(weights.values()) + stated


def _weight(heading: Heading) -> int:
    bare = len(key(heading.text)) <= _SYMBOL and not heading.own
    # A country "US" below its heading is no unit: what a row says of itself is measured in none.
    measured = heading.meanings[0].kind != "field"
    return (1 if bare else 2) + bool(heading.unit and measured)

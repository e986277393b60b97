"""Tables on a page: those drawn with lines, and those whose columns are only aligned."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING, Final

from pipeline.ingest.headings import read_heading
from pipeline.ingest.pdf.lines import Phrase, TextLine, phrase_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pdfplumber.page import Page

_LEAST: Final = 2  # columns and rows of a table
_PITCH: Final = 2.6  # of the size of the letters; a table ends where its lines stand further apart
_WRAPPED: Final = 0.8  # of the usual distance of rows; a nearer line goes on with the row above
_EDGE: Final = 2.0  # points by which a word may stand over the line of its cell


@dataclass(frozen=True)
class PrintedRow:
    """The cells of one row and the line of the page where it begins."""

    line: int
    cells: tuple[str, ...]


@dataclass(frozen=True)
class PageTable:
    """A table of a page, and the lines of text that it takes up."""

    rows: tuple[PrintedRow, ...]
    lines: frozenset[int]


def page_tables(page: Page, lines: Sequence[TextLine]) -> list[PageTable]:
    """Find the tables of a page, from top to bottom.

    Parameters
    ----------
    page : of a document opened with pdfplumber.
    lines : its text, as ``text_lines`` gives it.
    """
    drawn = [found for found in (_drawn(box, lines) for box in page.find_tables()) if found is not None]
    taken = frozenset().union(*(table.lines for table in drawn))
    aligned = _aligned([line for line in lines if line.number not in taken])
    return sorted([*drawn, *aligned], key=lambda table: min(table.lines))


def _drawn(box: object, lines: Sequence[TextLine]) -> PageTable | None:
    """Read a table between drawn lines; None where the lines frame something else."""
    rows, taken = [], set()
    for drawn in box.rows:  # type: ignore[attr-defined] # a table of pdfplumber, which carries no types
        cells = [cell for cell in drawn.cells if cell is not None]
        held = [_inside(cell, lines) for cell in cells]
        numbers = [number for _, found in held for number in found]
        if numbers:
            rows.append(PrintedRow(min(numbers), tuple(text for text, _ in held)))
            taken |= set(numbers)
    wide = [row for row in rows if sum(map(bool, row.cells)) >= _LEAST]
    if len(rows) < _LEAST or len(wide) * 2 < len(rows):
        return None
    return PageTable(tuple(rows), frozenset(taken))


def _inside(cell: tuple[float, float, float, float], lines: Sequence[TextLine]) -> tuple[str, list[int]]:
    """Give the text within a box and the lines that it is from."""
    x0, top, x1, bottom = cell
    found = [
        (line.number, words)
        for line in lines
        if (words := [word for word in line.words if _within(word, x0, top, x1, bottom)])
    ]
    return " ".join(phrase_of(words).text for _, words in found), [number for number, _ in found]


def _within(word: Phrase, x0: float, top: float, x1: float, bottom: float) -> bool:
    x, y = word.middle
    return x0 - _EDGE <= x <= x1 + _EDGE and top <= y <= bottom


def _aligned(lines: Sequence[TextLine]) -> list[PageTable]:
    """Find tables by their heading row: a line of which two phrases or more are known headings."""
    tables: list[PageTable] = []
    at = 0
    while at < len(lines):
        if not is_header(line_cells := lines[at].cells()):
            at += 1
            continue
        end = _end(lines, at)
        if end - at >= _LEAST:
            tables.append(_laid_out(line_cells, lines[at:end]))
        at = max(end, at + 1)
    return tables


def is_header(cells: Sequence[Phrase]) -> bool:
    """Say whether phrases are the heading row of a table of results: names of columns, not statements."""
    known = [meaning.kind for cell in cells if (meaning := read_heading(cell.text).chosen()) is not None]
    named = any(kind in ("analyte", "role") for kind in known)
    return len(known) >= _LEAST and named and not any(":" in cell.text or _figures(cell.text) for cell in cells)


def _figures(text: str) -> bool:
    """Say whether a phrase is a number rather than a name."""
    return sum(sign.isdigit() for sign in text) * 2 > len(text)


def _end(lines: Sequence[TextLine], start: int) -> int:
    """Find where a table ends: a wide gap, another heading row, or a line of running text."""
    for at in range(start + 1, len(lines)):
        line, before = lines[at], lines[at - 1]
        apart = line.top - before.bottom > _PITCH * before.size
        cells = line.cells()
        if apart or is_header(cells) or (len(cells) == 1 and ":" in line.text):
            return at
    return len(lines)


def _laid_out(header: Sequence[Phrase], lines: Sequence[TextLine]) -> PageTable:
    """Divide the lines of a table between its columns, and join rows that run over two lines."""
    edges = [_gutter(left, right, lines) for left, right in pairwise(header)]
    rows = [PrintedRow(line.number, _divided(line, edges)) for line in lines]
    return PageTable(tuple(_unwrapped(rows, lines)), frozenset(line.number for line in lines))


def _gutter(left: Phrase, right: Phrase, lines: Sequence[TextLine]) -> float:
    """Find the line between two columns: where the fewest words stand, in the widest such gap."""
    words = [word for line in lines for word in line.words if word.x1 > left.x0 and word.x0 < right.x1]
    ends = sorted({left.x0, *(x for word in words for x in (word.x0, word.x1) if left.x0 < x < right.x1), right.x1})
    gaps = [
        (sum(word.x0 < (low + high) / 2.0 < word.x1 for word in words), low - high, (low + high) / 2.0)
        for low, high in pairwise(ends)
    ]
    return min(gaps)[2]


def _divided(line: TextLine, edges: Sequence[float]) -> tuple[str, ...]:
    columns: list[list[str]] = [[] for _ in range(len(edges) + 1)]
    for word in line.words:
        columns[sum(word.middle[0] > edge for edge in edges)].append(word.text)
    return tuple(" ".join(words) for words in columns)


def _unwrapped(rows: Sequence[PrintedRow], lines: Sequence[TextLine]) -> list[PrintedRow]:
    """Join a line that holds a part of a name to the row that it stands near, above or below."""
    steps = [below.middle - above.middle for above, below in pairwise(lines)]
    usual = median(steps) if steps else 0.0
    near = [False, *(step < _WRAPPED * usual for step in steps), False]
    result: list[PrintedRow] = []
    begun: list[PrintedRow] = []
    for place, row in enumerate(rows):
        alone = sum(map(bool, row.cells)) == 1 and bool(row.cells[0])
        if alone and near[place] and result and not begun:
            result[-1] = PrintedRow(result[-1].line, _named([result[-1], row], result[-1]))
        elif alone and near[place + 1]:
            begun.append(row)
        else:
            result.append(PrintedRow((begun or [row])[0].line, _named([*begun, row], row)))
            begun = []
    return [*result, *begun]


def _named(parts: Sequence[PrintedRow], row: PrintedRow) -> tuple[str, ...]:
    """Give the cells of a row under the name that several lines make up."""
    return (" ".join(part.cells[0] for part in parts if part.cells[0]), *row.cells[1:])

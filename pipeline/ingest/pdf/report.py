"""What a PDF report says, put together from top to bottom."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from pipeline.ingest.headings import read_heading
from pipeline.ingest.pdf.statements import facts, results
from pipeline.ingest.pdf.tables import PrintedRow

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.ingest.pdf.lines import TextLine
    from pipeline.ingest.pdf.tables import PageTable

_HEADER_WITHIN: Final = 3  # rows of a table; its headings stand there, below a title maybe
_HEADINGS: Final = ("Parameter", "Result", "Unit")
_OF_ONE_SAMPLE: Final = ("label", "sampling_point", "stage")


@dataclass(frozen=True)
class ReportPart:
    """A table of results of one page, or lines that state results; with what was said above it."""

    page: int
    head: tuple[PrintedRow, ...]
    rows: tuple[PrintedRow, ...]


@dataclass
class Report:
    """A report as it is read from top to bottom.

    Attributes
    ----------
    stated : what it has said so far, by field: the name as written and its text.
    parts : its tables of results.
    pictures : the pages that are pictures without text.
    pages : how many it has.
    waiting : lines of results that the next part is made of.
    """

    stated: dict[str, tuple[str, str]] = field(default_factory=dict)
    parts: list[ReportPart] = field(default_factory=list)
    pictures: list[int] = field(default_factory=list)
    pages: int = 0
    waiting: list[PrintedRow] = field(default_factory=list)

    def read(self, page: int, lines: Sequence[TextLine], tables: Sequence[PageTable]) -> None:
        """Go down one page: statements, tables and lines of results in their order."""
        first = {min(table.lines): table for table in tables}
        within = frozenset().union(*(table.lines for table in tables))
        for line in lines:
            if line.number in first:
                self._close(page)
                self._table(page, first[line.number])
            elif line.number not in within:
                self._line(page, line)
        self._close(page)

    def _line(self, page: int, line: TextLine) -> None:
        found = results(line)
        if not found and (stated := list(facts([cell.text for cell in line.cells()]))):
            self._close(page)
            self._take(stated)
        self.waiting += [PrintedRow(one.line, (one.name, one.value, one.unit)) for one in found]

    def _table(self, page: int, table: PageTable) -> None:
        if rows := self._results_of(table):
            self._add(page, rows)
        else:
            for row in table.rows:
                self._take(list(facts([cell for cell in row.cells if cell])))

    def _results_of(self, table: PageTable) -> tuple[PrintedRow, ...]:
        """Give the rows of a table of results, with headings; none of a table of statements."""
        if any(_names_results(row) for row in table.rows[:_HEADER_WITHIN]):
            return table.rows
        if self.parts and len(table.rows[0].cells) == len(self.parts[-1].rows[0].cells):
            named = next(row for row in self.parts[-1].rows if _names_results(row))
            return (replace(named, line=0), *table.rows)
        return ()

    def _take(self, found: Sequence[tuple[str, str, str]]) -> None:
        """Keep statements; what was said of one sample goes when another is named."""
        if any(code == "label" for code, _, _ in found) and "label" in self.stated:
            for code in _OF_ONE_SAMPLE:
                self.stated.pop(code, None)
        self.stated |= {code: (name, text) for code, name, text in found}

    def _close(self, page: int) -> None:
        """Make a part of the lines of results that wait."""
        if self.waiting:
            self._add(page, (PrintedRow(0, _HEADINGS), *self.waiting))
            self.waiting = []

    def _add(self, page: int, rows: tuple[PrintedRow, ...]) -> None:
        self.parts.append(ReportPart(page, tuple(PrintedRow(0, said) for said in self.stated.values()), rows))


def _names_results(row: PrintedRow) -> bool:
    """Say whether a row is a heading row of results: two known headings, one of a quantity or a role."""
    known = [meaning.kind for cell in row.cells if (meaning := read_heading(cell).chosen()) is not None]
    figures = [cell for cell in row.cells if cell.strip()[:1].isdigit()]
    return len(known) > 1 and any(kind in ("analyte", "role") for kind in known) and not figures

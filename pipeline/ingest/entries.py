"""The entries of a table: every non-empty measurement cell with its quantity, unit, basis and remarks."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.ingest.columns import CENSORING_SIGNS, SourceColumn
from pipeline.ingest.drop_worths import DROP_WORDS
from pipeline.ingest.sampling_columns import names_week
from pipeline.ingest.spellings import key, word_table
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import numpy.typing as npt

    from pipeline.ingest.grid import Grid
    from pipeline.ingest.layout_file import Layout
    from pipeline.ingest.matching import Match

_COUNTED: Final = (
    "total_hardness",
    "calcium_hardness",
    "magnesium_hardness",
    "alkalinity",
    "phenolphthalein_alkalinity",
)
_METHOD_OF_FORM: Final = {"drops": "drops", "titrant_ml": "burette", "typed": "typed"}


@dataclass(frozen=True)
class ColumnEntries:
    """The entries of one measurement column.

    ``at`` are positions among the body rows, ``texts`` the cells as written, ``about`` the category
    columns of ``schemas.tables.CELL_COLUMNS`` plus `ec_reference`, `tds_scale` and `temperature_compensation` as the
    names of long tables state them; all of one length.
    """

    column: SourceColumn
    at: npt.NDArray[np.int64]
    texts: pa.Array
    about: dict[str, TextColumn] = field(default_factory=dict)


@dataclass(frozen=True)
class Source:
    """A grid, how it is read, and the body rows that may hold entries.

    Tables of several files under the same headings may stand one below the other in a grid: ``last_lines`` are the
    lines that they end with, the last one's left out, and ``preambles`` what is stated above each of them.
    """

    grid: Grid
    match: Match
    rows: npt.NDArray[np.int64]
    encoded: dict[int, TextColumn] = field(default_factory=dict)
    taken: dict[int, pa.Array] = field(default_factory=dict)
    last_lines: npt.NDArray[np.int32] = field(default_factory=lambda: np.zeros(0, dtype=np.int32))
    preambles: tuple[Mapping[str, str], ...] = ()

    def table_of_line(self, lines: npt.NDArray[np.int32]) -> npt.NDArray[np.int64]:
        """Give the number of the table that each line of the grid is of."""
        return np.searchsorted(self.last_lines, lines, side="left")

    def table_of(self, at: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Give the number of the table that each of some body rows is of."""
        return self.table_of_line(self.grid.line[self.rows[at]])

    def stated_above(self, field: str, at: npt.NDArray[np.int64]) -> TextColumn:
        """Give what is stated of a field above the table of each of some body rows."""
        if not self.preambles:
            return TextColumn.constant(self.match.preamble.get(field, ""), len(at))
        said = tuple(preamble.get(field, "") for preamble in self.preambles)
        return TextColumn(self.table_of(at), said) if any(said) else TextColumn.constant("", len(at))

    def texts(self, position: int) -> pa.Array:
        """Give the cells of one column over all body rows; each column is taken once."""
        if position not in self.taken:
            self.taken[position] = self.grid.cells(position, self.rows)
        return self.taken[position]

    def category(self, position: int) -> TextColumn:
        """Give the cells of one column over all body rows as codes; each column is encoded once."""
        if position not in self.encoded:
            held = self.taken.get(position)
            cells = self.grid.cells(position, self.rows) if held is None else held
            self.encoded[position] = TextColumn.from_arrow(cells)
        return self.encoded[position]

    def having(self, role: str) -> list[SourceColumn]:
        """Columns of a role, in the order of the file."""
        return [column for column in self.match.columns if column.role == role]

    def first_stated(self, columns: Iterable[SourceColumn], at: npt.NDArray[np.int64]) -> TextColumn:
        """Give, row by row, the first of several columns that says something; layout gaps count as empty."""
        missing = frozenset(self.match.layout.missing) - {""}
        stated = TextColumn.constant("", len(at))
        for number, column in enumerate(columns):
            cells = self.category(column.position).kept(at)
            if not missing.isdisjoint(cells.texts):
                cells = cells.map(lambda text: "" if text in missing else text)
            if column.code == "degree_per_drop" and column.unit:
                cells = cells.map(lambda text, unit=column.unit: _with_unit(text, unit))  # type: ignore[misc]
            if column.code == "collected_on" and names_week(column.heading):
                cells = cells.map(lambda text: f"KW {text}" if text[:1].isdigit() else text)
            stated = cells if number == 0 else stated.otherwise(cells)
        return stated


def _with_unit(text: str, unit: str) -> str:
    """Add the unit of the heading to a number that states none."""
    return f"{text} {unit}" if text and not any(sign.isalpha() or sign == "°" for sign in text) else text


def has_content(texts: pa.Array, layout: Layout) -> npt.NDArray[np.bool_]:
    """Tell the cells that hold something: neither empty nor one of the layout's words for a gap."""
    gaps = pc.is_in(texts, value_set=pa.array(layout.missing, type=texts.type))
    return pc.invert(gaps).to_numpy(zero_copy_only=False)  # type: ignore[no-any-return]


def wide_blocks(source: Source) -> list[ColumnEntries]:
    """Collect the entries of a table with one sample a row."""
    layout = source.match.layout
    blocks = []
    for column in source.match.measured:
        texts = source.texts(column.position)
        at = np.flatnonzero(has_content(texts, layout))
        kept = texts if len(at) == len(texts) else texts.take(pa.array(at))
        blocks.append(ColumnEntries(column, at, kept, _wide_about(source, column, at)))
    return with_forms(source, blocks)


def _wide_about(source: Source, column: SourceColumn, at: npt.NDArray[np.int64]) -> dict[str, TextColumn]:
    def companion(code: str) -> TextColumn:
        paired = [
            other
            for other in source.having("companion")
            if (other.code, other.analyte, other.stage) == (code, column.analyte, column.stage)
        ]
        return source.first_stated(paired, at)

    layout = source.match.layout
    size = len(at)
    remark = companion("qualifier")
    method = layout.methods.get(column.analyte, layout.method)
    unit = companion("unit")
    return {
        "analyte": TextColumn.constant(column.analyte, size),
        "raw_unit": unit.otherwise(TextColumn.constant(column.unit, size)),
        "basis": TextColumn.constant(column.basis, size),
        "qualifier_text": signs(remark),
        "limit_text": companion("limit"),
        "limit_unit": TextColumn.constant("", size),
        "method": TextColumn.constant(method, size),
        "status": remark.map(lambda text: "" if text in CENSORING_SIGNS else text),
    }


def signs(remark: TextColumn) -> TextColumn:
    """Keep the signs of a remark column; its letters are the laboratory's status."""
    return remark.map(lambda text: CENSORING_SIGNS.get(text, ""))


def with_forms(source: Source, blocks: list[ColumnEntries]) -> list[ColumnEntries]:
    """Settle the form of every entry: counts written as words, values typed beside a count."""
    counts = {
        (block.column.analyte, block.column.stage, block.column.sample): block
        for block in blocks
        if block.column.form in ("drops", "titrant_ml")
    }
    for block in blocks:
        form = TextColumn.constant(block.column.form, len(block.at))
        if block.column.form == "typed":
            count = counts.get((block.column.analyte, block.column.stage, block.column.sample))
            counted = np.zeros(len(source.rows), dtype=bool)
            if count is not None:
                counted[count.at] = True
            form = form.where(~counted[block.at], "value")
        if block.column.form in ("value", "typed"):
            form = _counted_in_words(block, form)
        block.about["form"] = form
        for name, method in _METHOD_OF_FORM.items():
            mask = form.mask(lambda text, name=name: text == name)  # type: ignore[misc]
            if mask.any():
                block.about["method"] = block.about["method"].where(mask, method)
    return blocks


def _counted_in_words(block: ColumnEntries, form: TextColumn) -> TextColumn:
    """Take "14 Tr." for the count it is; the unit column may say drops too."""
    possible = block.about["analyte"].mask(lambda analyte: analyte in _COUNTED)
    if not possible.any():
        return form
    counted = np.zeros(len(form), dtype=bool)
    places = np.flatnonzero(possible)
    texts = block.texts.take(pa.array(places)).dictionary_encode()
    said = pc.match_substring_regex(texts.dictionary, DROP_WORDS, ignore_case=True)
    counted[places] = said.to_numpy(zero_copy_only=False)[texts.indices.to_numpy()]
    in_unit = block.about["raw_unit"].mask(lambda text: word_table("affixes").get(key(text)) == "drops")
    block.about["raw_unit"] = block.about["raw_unit"].where(in_unit & possible, "")
    counted |= in_unit & possible
    return form.where(counted, "drops") if counted.any() else form

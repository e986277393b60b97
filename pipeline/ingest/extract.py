"""From a grid and its match to rows and cells as text; nothing is read as a number yet.

Entries read = cells + set aside, always; the count is taken from the grid on its own path.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import PurePath
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.ingest.cell_frame import cell_frame, column_name, entry_headings, entry_texts
from pipeline.ingest.column_notices import column_notices, origin_notices
from pipeline.ingest.entries import ColumnEntries, Source, has_content, wide_blocks
from pipeline.ingest.long_entries import LongEntries, beside_water, long_entries
from pipeline.ingest.missing_codes import with_missing_codes
from pipeline.ingest.register_notices import register_notices
from pipeline.ingest.row_fields import RowFrame, field_headings, row_frame, word_notices
from pipeline.ingest.row_kinds import RowKinds, row_kinds, row_notices, vanished_notices, vanished_rows
from pipeline.ingest.row_parts import RowPart, facts_of_samples, parts_of
from pipeline.ingest.second_columns import second_notices
from pipeline.ingest.unread_columns import Unread, entries_of, unread_columns, unread_entries
from pipeline.problems import PROBLEMS, no_problems, problem_frame
from pipeline.texts import TextColumn
from schemas.tables import SITE_COLUMNS, TREATMENT_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from pipeline.ingest.grid import Grid
    from pipeline.ingest.matching import Match

_SAME_SAMPLE: Final = ("label", "client", "site", "sampling_point", "stage", "collected_on")
_REGISTERS: Final = {"sites": SITE_COLUMNS, "treatments": TREATMENT_COLUMNS}
_BESIDE_WATER: Final = "no-quantity-of-water"


@dataclass(frozen=True)
class Extract:
    """What one table holds, as text.

    Attributes
    ----------
    rows : one row for each source row (and part of it) with an accepted entry: `line`, ROW_FIELDS.
    cells : one row for each entry (CELL_COLUMNS), in the order of the table; `row` is a position in rows.
    set_aside, notices : PROBLEM_COLUMNS.
    entries : non-empty cells of columns that hold measurements, understood or not, counted from the grid.
    cells_not_read : of each row, how many of its cells are set aside that a person could have meant; None: none.
    left_out : names of the other columns that hold something and that nothing was read from.
    register : of a register of sites or treatments, its rows; else None.
    headings : the heading under which each field is stated.
    """

    rows: pd.DataFrame
    cells: pd.DataFrame
    set_aside: pd.DataFrame
    notices: pd.DataFrame
    entries: int
    kind: str
    layout: str
    decimal_char: str = ""
    group_char: str = ""
    date_formats: tuple[str, ...] = ()
    unit_aliases: Mapping[str, str] = field(default_factory=dict)
    missing: tuple[str, ...] = ()
    non_detect: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    register: pd.DataFrame | None = None
    cells_not_read: npt.NDArray[np.int64] | None = None
    headings: Mapping[str, str] = field(default_factory=dict)


def extract(grid: Grid, match: Match, file_sha256: str, name: str = "") -> Extract:
    """Take the entries of a table and what its rows say of them.

    Parameters
    ----------
    grid : the table as text.
    match : its layout, header row and columns.
    file_sha256 : of the file, for problems.
    name : of the file; it labels a report that has no other label.

    Returns
    -------
    Extract; a row that is a limit, an average, a footer, too long or cut off is set aside entry by entry.
    """
    if match.layout.kind in _REGISTERS:
        return _register(Source(grid, match, match.rows(grid)), file_sha256)
    match, gaps = with_missing_codes(grid, match, file_sha256)
    source = Source(grid, match, match.rows(grid))
    unread = unread_columns(source)
    taken = take_entries(source, unread, file_sha256, PurePath(name).stem)
    notices = [
        *gaps,
        *word_notices(taken.rows, field_headings(match), file_sha256, name),
        *column_notices(source, file_sha256),
        *second_notices(source, file_sha256),
        *origin_notices(source, file_sha256),
        *row_notices(source, taken.kinds, file_sha256),
        *vanished_notices(source, taken.vanished, file_sha256),
    ]
    return as_extract(
        match,
        rows=taken.rows.frame,
        cells=taken.cells,
        set_aside=taken.set_aside,
        notices=pd.concat(notices, ignore_index=True) if notices else no_problems(),
        entries=int(taken.entries.sum()),
        left_out=tuple(column_name(source, column) for column in unread.others),
        cells_not_read=taken.cells_not_read,
    )


@dataclass(frozen=True)
class TakenEntries:
    """The entries of a source, and what became of its (n,) body rows.

    Attributes
    ----------
    rows, cells, set_aside, cells_not_read : as ``Extract`` has them.
    entries : (n,) how many each row has.
    kinds : of the rows.
    vanished : those that hold something but no entry.
    long : the entries before they were judged.
    """

    rows: RowFrame
    cells: pd.DataFrame
    set_aside: pd.DataFrame
    cells_not_read: npt.NDArray[np.int64]
    entries: npt.NDArray[np.int64]
    kinds: RowKinds
    vanished: npt.NDArray[np.int64]
    long: LongEntries


def take_entries(source: Source, unread: Unread, file_sha256: str, name: str) -> TakenEntries:
    """Take the entries of a source.

    Parameters
    ----------
    source : the table.
    unread : the columns of it that nothing is read from.
    file_sha256 : of the file, for problems.
    name : labels a report that has no other label.
    """
    rows = source.rows
    if source.match.orientation == "samples-in-rows":
        long = LongEntries(wide_blocks(source), TextColumn.constant("", len(rows)), np.zeros(len(rows), bool), {})
    else:
        long = long_entries(source)
    kinds = row_kinds(source)
    order, block_of = _order(long.blocks)
    at = np.concatenate([np.zeros(0, dtype=np.int64), *(block.at for block in long.blocks)])[order]
    accepted, set_aside = _judged(source, long, kinds, order, block_of, at, file_sha256)
    aside = list(unread_entries(source, unread, kinds, long.is_fact, file_sha256))
    vanished = vanished_rows(source, kinds, long.is_fact, [at, *(rows for rows, _ in aside)])
    lost = _lost(kinds, at[~accepted], block_of[~accepted], aside)
    if not accepted.all():
        order, block_of, at = order[accepted], block_of[accepted], at[accepted]
    with ThreadPoolExecutor(1) as pool:
        texts = pool.submit(entry_texts, long.blocks, order)
        frame, row_of = _rows(source, long, at, block_of, name)
        line = source.grid.line[source.rows[at]].astype(np.int32)
        cells = cell_frame(source, long.blocks, order, block_of, row_of, line, texts.result())
    return TakenEntries(
        rows=frame,
        cells=cells,
        set_aside=_in_order([set_aside, *(frame for _, frame in aside)]),
        cells_not_read=_cells_not_read(source, long, (frame, row_of, at), lost, name),
        entries=_count(source, long.is_fact)
        + sum(entries_of(source, column, long.is_fact).astype(np.int64) for column in unread.measured),
        kinds=kinds,
        vanished=vanished,
        long=long,
    )


def _lost(
    kinds: RowKinds,
    at: npt.NDArray[np.int64],
    block_of: npt.NDArray[np.int32],
    aside: Sequence[tuple[npt.NDArray[np.int64], pd.DataFrame]],
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int32]]:
    """Give row and block of the entries set aside that a person may have meant as results, limits and averages not."""
    settled = np.array([PROBLEMS[code].settled for code, _ in kinds.problems] + [False], dtype="bool")[kinds.code[at]]
    columns = [rows for rows, frame in aside if not PROBLEMS[str(frame["problem"].iloc[0])].settled]
    rows = np.concatenate([at[~settled], *columns])
    return rows, np.concatenate([block_of[~settled], np.zeros(len(rows) - int((~settled).sum()), dtype=np.int32)])


def _cells_not_read(
    source: Source,
    long: LongEntries,
    accepted: tuple[RowFrame, npt.NDArray[np.int32], npt.NDArray[np.int64]],
    lost: tuple[npt.NDArray[np.int64], npt.NDArray[np.int32]],
    name: str,
) -> npt.NDArray[np.int64]:
    """Count, for each row with readings, the entries of the same row, in a long table of the same sample, not read.

    Parameters
    ----------
    source, long, name : as for ``_rows``.
    accepted : the rows with readings, the row of each accepted entry, and its position among the body rows.
    lost : position and block of the entries that were not read.
    """
    (frame, row_of, at), (lost_at, lost_block) = accepted, lost
    size = len(frame.frame)
    if not len(lost_at) or not size:
        return np.zeros(size, dtype=np.int64)
    if source.match.orientation == "samples-in-rows":
        held = np.unique(np.stack([at, row_of]), axis=1)
        count = np.bincount(lost_at, minlength=len(source.rows))
        return np.bincount(held[1], count[held[0]], minlength=size).astype(np.int64)
    others, row_of_lost = _rows(source, long, lost_at, lost_block, name)
    keys = ["table", *_SAME_SAMPLE]
    own = _samples_of(source, frame).assign(row=np.arange(size)).drop_duplicates(keys)
    found = _samples_of(source, others).merge(own, on=keys, how="left")["row"].fillna(-1).to_numpy("int64")
    row = found[row_of_lost]
    return np.bincount(row[row >= 0], minlength=size)


def _samples_of(source: Source, rows: RowFrame) -> pd.DataFrame:
    """Give what tells the samples of rows apart."""
    table = source.table_of_line(rows.frame["line"].to_numpy())
    return rows.frame[list(_SAME_SAMPLE)].astype("str").assign(table=table)


def as_extract(
    match: Match,
    *,
    rows: pd.DataFrame,
    cells: pd.DataFrame,
    set_aside: pd.DataFrame,
    notices: pd.DataFrame,
    entries: int,
    left_out: tuple[str, ...] = (),
    cells_not_read: npt.NDArray[np.int64] | None = None,
    register: pd.DataFrame | None = None,
) -> Extract:
    """Put what was taken from a table together with what its layout says of its texts; as ``Extract`` has it."""
    layout = match.layout
    below = tuple(text for text, side in layout.conditions.items() if side == "<")
    return Extract(
        rows=rows,
        cells=cells,
        set_aside=set_aside,
        notices=notices,
        entries=entries,
        kind=layout.kind,
        layout=layout.name,
        decimal_char=layout.decimal_char,
        group_char=layout.group_char,
        date_formats=layout.date_formats,
        unit_aliases=layout.unit_aliases,
        missing=layout.missing,
        non_detect=(*layout.non_detect, *below),
        left_out=left_out,
        cells_not_read=cells_not_read,
        register=register,
        headings=field_headings(match),
    )


def _count(source: Source, is_fact: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """Count the entries of each row from the cells themselves, apart from how they were collected."""
    layout = source.match.layout
    held = [has_content(source.texts(column.position), layout) for column in source.match.measured]
    said = [has_content(source.texts(c.position), layout) for c in source.match.columns if c.role == "condition"]
    beside = np.logical_or.reduce(said) if said else np.zeros(len(is_fact), dtype="bool")
    counted = np.zeros(len(is_fact), dtype=np.int64)
    for column in held:
        counted += (column | beside) & ~is_fact
    return counted


def _order(blocks: Sequence[ColumnEntries]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int32]]:
    """Put the entries of all blocks in the order of the table.

    Returns
    -------
    order : positions in the blocks' entries, put one after the other.
    block_of : the block of each, in that order.
    """
    at = np.concatenate([block.at for block in blocks]) if blocks else np.zeros(0, dtype=np.int64)
    block = np.repeat(np.arange(len(blocks), dtype=np.int32), [len(block.at) for block in blocks])
    if len(blocks) < 2:  # noqa: PLR2004 (one block is in order)
        return np.arange(len(at)), block
    order = np.argsort(at, kind="stable")
    return order, block[order]


def _judged(
    source: Source,
    long: LongEntries,
    kinds: RowKinds,
    order: npt.NDArray[np.int64],
    block_of: npt.NDArray[np.int32],
    at: npt.NDArray[np.int64],
    file_sha256: str,
) -> tuple[npt.NDArray[np.bool_], pd.DataFrame]:
    """Tell accepted entries from those whose row or quantity sets them aside."""
    kind = kinds.code[at]
    unknown = np.concatenate([np.zeros(0, dtype=bool), *(~b.about["analyte"].stated() for b in long.blocks)])[order]
    aside = (kind >= 0) | unknown
    if not aside.any():
        return ~aside, no_problems()
    chosen = np.flatnonzero(aside)
    texts = entry_texts(long.blocks, order[chosen])
    lines = pd.Series(source.grid.line[source.rows[at[chosen]]])
    headings = entry_headings(source, long.blocks, block_of[chosen]).series()
    named = long.names.take(at[chosen])
    known, names = named.mask(beside_water), named.series()
    frames = []
    for number in np.unique(kind[chosen]):
        code, detail = kinds.problems[number] if number >= 0 else ("", "")
        mask = kind[chosen] == number
        parts = [(code, mask)] if number >= 0 else [("analyte-unknown", mask & ~known), (_BESIDE_WATER, mask & known)]
        frames += [
            problem_frame(
                code,
                file_sha256=file_sha256,
                line=lines[part],
                column=headings[part],
                raw_text=texts[part],
                detail=names[part] if number < 0 else detail,
            )
            for code, part in parts
            if part.any()
        ]
    return ~aside, _in_order(frames)


def _in_order(problems: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Put problems into the order of their lines."""
    found = [frame for frame in problems if len(frame)]
    if not found:
        return no_problems()
    return pd.concat(found, ignore_index=True).sort_values("line", kind="stable", ignore_index=True)


def _rows(
    source: Source,
    long: LongEntries,
    at: npt.NDArray[np.int64],
    block_of: npt.NDArray[np.int32],
    name: str,
) -> tuple[RowFrame, npt.NDArray[np.int32]]:
    """Build the rows that hold accepted entries, and say which row each entry belongs to."""
    of_column = parts_of(source.match)
    parts = list(dict.fromkeys(of_column.values())) or [RowPart()]
    part_of = np.array([parts.index(of_column[b.column.position]) for b in long.blocks], dtype=np.int64)
    place = at * len(parts) + part_of[block_of] if len(parts) > 1 else at
    held = np.zeros(len(source.rows) * len(parts), dtype=bool)
    held[place] = True
    kept = np.flatnonzero(held)
    row_of = (np.cumsum(held) - 1)[place].astype(np.int32)
    facts = facts_of_samples(source.match, long.facts)
    frame = row_frame(source, long.blocks, parts, kept // len(parts), kept % len(parts), facts, name)
    return frame, frame.row_of[row_of]


def _register(source: Source, file_sha256: str) -> Extract:
    """Take a register: text columns, no entries."""
    everywhere = np.arange(len(source.rows), dtype=np.int64)
    columns: dict[str, pd.Series] = {"line": pd.Series(source.grid.line[source.rows].astype(np.int32))}
    for name in _REGISTERS[source.match.layout.kind]:
        stating = [c for c in source.match.columns if c.role == "about" and c.code == name]
        preamble = source.match.preamble.get(name, "")
        stated = source.first_stated(stating, everywhere).otherwise(TextColumn.constant(preamble, len(everywhere)))
        columns[name] = stated.series()
    frame = pd.DataFrame(columns)
    said = frame.drop(columns="line").astype(bool).any(axis=1)
    unread = unread_columns(source)
    told = [no_problems(), register_notices(frame[said], file_sha256)]
    return as_extract(
        source.match,
        rows=pd.DataFrame(),
        cells=pd.DataFrame(),
        set_aside=no_problems(),
        notices=pd.concat(told, ignore_index=True),
        entries=0,
        left_out=tuple(
            column_name(source, column) for column in (*(c.column for c in unread.measured), *unread.others)
        ),
        register=frame[said].reset_index(drop=True).assign(file_sha256=file_sha256),
    )

"""Split delimited text into cells: whole columns of bytes at a time, nothing lost, lines counted as shown.

The text is cut into blocks at row ends, because a block of some megabytes stays in the processor's reach
and bounds the memory needed. Every step below works on all bytes or all cells of a block at once.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.ingest.grid import Grid, first_cells
from pipeline.ingest.oddities import LONG_CELL_BYTES, long_cell_notices, quote_notices
from pipeline.ingest.quoting import QUOTE, Quoting, read_quotes
from pipeline.problems import no_problems

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Places

    Bytes = npt.NDArray[np.uint8]
    Mask = npt.NDArray[np.bool_]

BLANKS: Final = "  "  # stands for two or more blanks
BLANK: Final = " "  # stands for one or more
DELIMITERS: Final = ("\t", ";", "|", ",", BLANKS)  # a tie goes to the one that is rarer in text and numbers
BLOCK_BYTES: Final = 4 << 20
_ALIKE: Final = 0.9  # share of the rows of a text separated by single blanks that have the same number of cells
_COLUMNS: Final = 3  # that it has at least; two words a line are prose
_AT_ONCE: Final = 2  # blocks; more would need more memory at once
_SAMPLE_BYTES: Final = 1 << 16
_EDGE: Final = " \t\r\n\u00a0"
_NO_BREAK: Final = "\u00a0".encode()
_LINE_FEED, _RETURN, _BLANK = 10, 13, 32
_BLANK_BYTE: Final = np.isin(np.arange(256), list(b" \t\r\n"))
_EDGE_BYTE: Final = _BLANK_BYTE | np.isin(np.arange(256), list(_NO_BREAK))
_MAX_OFFSET: Final = 2**31 - 1


@dataclass(frozen=True)
class _Marks:
    """Where cells and lines end in a block, quotes not yet considered."""

    line: Mask
    ender: Mask
    opener: Mask
    line_feed_returns: Places


@dataclass(frozen=True)
class _Piece:
    """The rows of one block; ``used`` bytes of it are complete rows, ``line`` counts from its first line."""

    used: int
    flat: pa.Array
    count: npt.NDArray[np.int32]
    line: npt.NDArray[np.int32]
    lines: int
    longest: int
    notices: list[pd.DataFrame]
    open_quote: bool


def split(utf8: bytes, delimiter: str | None = None) -> Grid:
    r"""Split text into rows and cells.

    Equal to the csv module on well-formed text; leading and trailing blanks of cells are taken off. A quote
    that is never closed, or only after 50 lines, is taken as text and noted, so that it swallows no rows.

    Parameters
    ----------
    utf8 : valid UTF-8 without byte order mark; lines end in LF, CRLF or CR.
    delimiter : one ASCII character; one blank stands for "one or more", two for "two or more"; None proposes one.

    Returns
    -------
    Grid : a blank line is a row of one empty cell; a row may be shorter or longer than others.

    Example
    -------
    >>> split(b'site;note\nBar;"1; 2"\n').row(1)
    ['Bar', '1; 2']
    """
    if delimiter is None:
        chosen, grid = _proposed(utf8)
        return split(utf8, chosen) if grid is None else grid
    data = np.frombuffer(utf8, dtype=np.uint8)
    pieces: list[_Piece] = []
    start, line = 0, 1
    quoted = utf8.find(b"\n", utf8.rfind(b'"')) + 1 or len(data) if b'"' in utf8 else 0
    while start < quoted:
        piece = _next_piece(data, start, line, delimiter, min(BLOCK_BYTES, quoted - start))
        pieces.append(piece)
        start += piece.used
        line += piece.lines
    pieces += _side_by_side(data, delimiter, _cuts(utf8, start))
    return _join(pieces, delimiter, line_end=utf8[-1:] in (b"\n", b"\r"))


def _cuts(utf8: bytes, start: int) -> list[int]:
    """Cut a text without quotes at line ends, into blocks of which each holds a whole line at least."""
    line_end = b"\r" if utf8.find(b"\n", start) < 0 else b"\n"
    cuts = [start]
    while len(utf8) - cuts[-1] > BLOCK_BYTES:
        full = cuts[-1] + BLOCK_BYTES
        cut = utf8.rfind(line_end, cuts[-1], full) + 1 or utf8.find(line_end, full) + 1
        if cut in (0, len(utf8)):
            break
        cuts.append(cut)
    return [*cuts, len(utf8)] if start < len(utf8) else cuts


def _side_by_side(data: Bytes, delimiter: str, cuts: list[int]) -> list[_Piece]:
    """Split blocks of whole lines without quotes, several at once: most of the work is done outside Python."""

    def split_one(bounds: tuple[int, int]) -> _Piece:
        start, stop = bounds
        return _split_block(data[start:stop], delimiter, 1, last=stop == len(data))

    blocks = list(pairwise(cuts))
    if len(blocks) <= 1:
        return [split_one(block) for block in blocks]
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        return list(pool.map(split_one, blocks))


def _proposed(utf8: bytes) -> tuple[str, Grid | None]:
    """Propose a delimiter, and give the whole text split by it if that was tried.

    It is the one that gives the most rows the same number of cells, two or more. A tie goes to the tab, then ";", "|",
    ",", two blanks. Single blanks separate only a text in which nearly all rows then have the same number of cells, the
    headings too, and in which none of the others stands among the headings. One column only: ",".
    """
    sample = utf8[:_SAMPLE_BYTES]
    if len(utf8) > _SAMPLE_BYTES:
        sample = sample[: max(sample.rfind(b"\n"), sample.rfind(b"\r")) + 1] or sample
    tried = {delimiter: split(sample, delimiter) for delimiter in DELIMITERS if delimiter.encode() in sample}
    rows = {delimiter: _equal_rows(grid) for delimiter, grid in tried.items()}
    found = max(rows, key=lambda delimiter: rows[delimiter], default=",")
    best = found if rows.get(found) else ""
    if _single_blanks(sample, best):
        return BLANK, None
    return best or ",", tried.get(best or ",") if len(sample) == len(utf8) else None


def _single_blanks(sample: bytes, best: str) -> bool:
    """Tell a text whose cells are separated by single blanks, such as "A 2025-01-02 80,5 12"."""
    if best in ("", "\t", BLANKS):
        return _by_blanks(sample, best)
    spaced = [best.encode() in line for line in sample.splitlines() if b" " in line.strip(b" ")]
    # A blank between quotes parts no cells: then a lower line may be the one of the headings.
    apart = not all(spaced) if QUOTE in sample else spaced[:1] == [False]
    return apart and _by_blanks(sample, best)


def _by_blanks(sample: bytes, best: str) -> bool:
    """Tell such a text from its rows, split at single blanks."""
    grid = split(sample, BLANK)
    filled = np.flatnonzero(grid.count > 1)
    if not len(filled):
        return False
    usual = int(np.bincount(grid.count[filled]).argmax())
    headings = grid.row(int(filled[0]))
    return (
        usual >= _COLUMNS
        and len(headings) == usual
        and (best in ("", BLANKS) or not any(best in cell for cell in headings))
        and not (best == BLANKS and split(sample, BLANKS).count[filled[0]] > 1)
        and bool(np.mean(grid.count[filled] == usual) >= _ALIKE)
    )


def _equal_rows(grid: Grid) -> int:
    several = grid.count[grid.count > 1]
    return int(np.bincount(several).max()) if len(several) else 0


def _next_piece(data: Bytes, start: int, line: int, delimiter: str, size: int) -> _Piece:
    """Take a block of some size that holds a whole row at least; a row that is longer gets a longer block."""
    while True:
        stop = min(start + size, len(data))
        while stop < len(data) and data[stop - 1] == _RETURN:
            stop += 1
        piece = _split_block(data[start:stop], delimiter, line, last=stop == len(data))
        if piece.used:
            return piece
        size *= 2


def _split_block(block: Bytes, delimiter: str, line: int, *, last: bool) -> _Piece:
    marks = _find_marks(block, delimiter)
    quoting = None
    structure = marks.ender
    if (block == QUOTE).any():
        quoting = read_quotes(block, marks.opener, marks.ender, np.flatnonzero(marks.line), last=last)
        structure = structure & ~quoting.inside
    ends = np.flatnonzero(structure)
    row_end = np.flatnonzero(marks.line[ends])
    used = len(block) if last else int(ends[row_end[-1]]) + 1 if len(row_end) else 0
    open_row = last and (not len(row_end) or int(ends[row_end[-1]]) + 1 < used)
    ends = np.append(ends, used) if open_row else ends[: row_end[-1] + 1] if len(row_end) else ends[:0]
    row_end = np.append(row_end, len(ends) - 1) if open_row else row_end
    row_start = np.concatenate([[0], ends[row_end[:-1]] + 1]) if len(row_end) else row_end
    flat = _cells(block[:used], ends, marks, structure, None if delimiter in (BLANK, BLANKS) else delimiter, quoting)
    lines = np.flatnonzero(marks.line[:used])
    return _Piece(
        used=used,
        flat=flat,
        count=np.diff(row_end, prepend=-1).astype(np.int32),
        line=np.searchsorted(lines, row_start).astype(np.int32),
        lines=len(lines),
        longest=int(np.diff(ends, prepend=-1).max(initial=0)),
        notices=[] if quoting is None else quote_notices(quoting, block[:used], line, lines),
        open_quote=quoting is not None and quoting.open_at_end,
    )


def _find_marks(block: Bytes, delimiter: str) -> _Marks:
    line = block == _LINE_FEED
    returns = block == _RETURN
    pairs = np.empty(0, dtype=np.int64)
    if returns.any():
        pairs = np.flatnonzero(returns[:-1] & line[1:])
        line |= returns
        line[pairs] = False
    if delimiter not in (BLANK, BLANKS):
        ender = line | (block == ord(delimiter))
        return _Marks(line, ender, ender, pairs)
    ender, opener = line.copy(), line.copy()
    blank = np.concatenate([[False], block == _BLANK, [False]])
    first = np.flatnonzero(blank[1:] & ~blank[:-1])
    behind = np.flatnonzero(blank[:-1] & ~blank[1:])
    starts_line = (first == 0) | line[first - 1]
    ends_line = (behind == len(block)) | line[np.minimum(behind, len(block) - 1)]
    wide = behind - first >= len(delimiter)
    ender[first[wide & ~starts_line & ~ends_line]] = True
    opener[behind[wide | starts_line] - 1] = True
    return _Marks(line, ender, opener, pairs)


def _cells(
    block: Bytes, ends: Places, marks: _Marks, structure: Mask, delimiter: str | None, quoting: Quoting | None
) -> pa.Array:
    """Push the bytes of all cells together; cell i reaches to the byte before ``ends[i]``."""
    offsets = np.zeros(len(ends) + 1, dtype=np.int32)
    if quoting is None and delimiter is not None:
        text = block.tobytes().translate(None, f"{delimiter}\n\r".encode())
        length = np.diff(ends, prepend=-1) - 1
        if len(marks.line_feed_returns):
            length -= _in_pair(block, ends)
        np.cumsum(length, out=offsets[1:])
    else:
        keep = ~structure[: len(block)]
        returns = marks.line_feed_returns[marks.line_feed_returns < len(block)]
        if quoting is not None:
            keep[quoting.dropped[quoting.dropped < len(block)]] = False
            returns = returns[~quoting.inside[returns]]
        keep[returns] = False
        text = block[keep].tobytes()
        kept = np.concatenate([[0], np.cumsum(keep, dtype=np.int32)])
        offsets[1:] = kept[ends]
    cells = pa.StringArray.from_buffers(len(ends), pa.py_buffer(offsets), pa.py_buffer(text))
    return _stripped(cells, offsets, np.frombuffer(text, dtype=np.uint8))


def _in_pair(block: Bytes, ends: Places) -> Mask:
    """Tell which cells end in CR LF, where ``ends`` is the place of the LF."""
    within = np.minimum(ends, len(block) - 1)
    pair: Mask = (ends > 0) & (ends < len(block)) & (block[within] == _LINE_FEED) & (block[ends - 1] == _RETURN)
    return pair


def _stripped(cells: pa.Array, offsets: npt.NDArray[np.int32], text: Bytes) -> pa.Array:
    """Take blanks off the ends of those cells that have some."""
    if not len(text):
        return cells
    first, last = offsets[:-1], offsets[1:] - 1
    likely = _EDGE_BYTE[text.take(first, mode="clip")] | _EDGE_BYTE[text.take(last, mode="clip")]
    edge = np.flatnonzero(likely & (first <= last))
    begin, end = first[edge], last[edge]
    # The bytes of a no-break space begin and end other signs too: "°" begins like it.
    starts = _BLANK_BYTE[text[begin]] | (
        (text[begin] == _NO_BREAK[0]) & (text[np.minimum(begin + 1, end)] == _NO_BREAK[1])
    )
    ends = _BLANK_BYTE[text[end]] | ((text[end] == _NO_BREAK[1]) & (text[end - 1] == _NO_BREAK[0]))
    edge = edge[starts | ends]
    if not len(edge):
        return cells
    mask = np.zeros(len(cells), dtype=bool)
    mask[edge] = True
    return pc.replace_with_mask(cells, pa.array(mask), pc.utf8_trim(cells.take(pa.array(edge)), characters=_EDGE))


def _join(pieces: list[_Piece], delimiter: str, *, line_end: bool) -> Grid:
    if not pieces:
        return replace(Grid.from_rows([]), delimiter=delimiter)
    size = sum(piece.flat.nbytes for piece in pieces)
    kind = pa.string() if size <= _MAX_OFFSET else pa.large_string()
    flat = pa.concat_arrays([piece.flat.cast(kind) for piece in pieces])
    count = np.concatenate([piece.count for piece in pieces])
    lines_before = np.cumsum([1, *(piece.lines for piece in pieces)], dtype=np.int32)
    line = np.concatenate([piece.line + before for piece, before in zip(pieces, lines_before[:-1], strict=True)])
    shorter = len(count) > 1 and bool(count[-1] < count[-2])
    notices = [notice for piece in pieces for notice in piece.notices]
    if any(piece.longest > LONG_CELL_BYTES for piece in pieces):
        notices.append(long_cell_notices(flat, count, line))
    first = first_cells(count)
    return Grid(
        flat=flat,
        first=first,
        count=count,
        line=line,
        delimiter=delimiter,
        cut_off=pieces[-1].open_quote or (shorter and not line_end),
        notices=pd.concat(notices, ignore_index=True) if notices else no_problems(),
    )

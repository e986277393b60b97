"""Which rows below a header are samples, and which are limits, averages, repeated headings or footers."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.ingest.column_notices import NAMING
from pipeline.ingest.entries import has_content
from pipeline.ingest.spellings import heading_words, key, word_keys, word_table
from pipeline.problems import problem_frame

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from pipeline.arrays import Flags
    from pipeline.ingest.entries import Source
    from pipeline.ingest.grid import Grid

# Names of people and places: a client may be called "N" or "Max", so beside a label they tell nothing of the row.
_NAMES: Final = ("client", "site", "sampling_point")
_LINES_SHOWN: Final = 3
_FEW: Final = 64  # texts that are looked at one by one
_SHORTEST: Final = 3  # letters of a name that may stand among the words of a law
_LABEL_PARTS: Final = 3  # columns looked at, from the left, besides the naming ones


@dataclass(frozen=True)
class RowKinds:
    """For each body row the problem that sets its entries aside, by position in ``problems``; -1 = a sample.

    ``problems`` holds (code, detail) pairs; ``several`` flags the rows to which more than one of them applies.
    """

    code: npt.NDArray[np.int16]
    problems: tuple[tuple[str, str], ...]
    several: Flags

    def detail(self, wanted: str) -> npt.NDArray[np.bool_]:
        """Mask of the rows whose problem is ``wanted``."""
        chosen = [number for number, (problem, _) in enumerate(self.problems) if problem == wanted]
        return np.isin(self.code, chosen)


def row_kinds(source: Source) -> RowKinds:
    """Tell the kind of every body row; where several apply, the first of the list below wins.

    Returns
    -------
    RowKinds: cut-off last row, row longer than the header, repeated header, rows named as limit,
    average, detection limit, method or units, and footers.
    """
    grid, rows = source.grid, source.rows
    code = np.full(len(rows), -1, dtype=np.int16)
    problems: list[tuple[str, str]] = []
    several = np.zeros(len(rows), dtype=bool)

    def mark(mask: npt.NDArray[np.bool_], problem: str, detail: str) -> None:
        np.logical_or(several, mask & (code >= 0), out=several)
        fresh = mask & (code < 0)
        if fresh.any():
            code[fresh] = len(problems)
            problems.append((problem, detail))

    if grid.cut_off and len(rows):
        mark(rows == len(grid) - 1, "row-cut-off", "")
    width = len(source.match.columns)
    mark(_too_long(grid, rows, width), "row-too-long", f"more cells than the {width} headings")
    mark(_repeats_header(source), "not-a-sample", "the headings again")
    for detail, mask in _named_rows(source):
        mark(mask, "not-a-sample", detail)
    return RowKinds(code, tuple(problems), several)


def _too_long(grid: Grid, rows: npt.NDArray[np.int64], width: int) -> npt.NDArray[np.bool_]:
    """Find rows with text beyond the last heading; empty cells beyond it are harmless."""
    long = np.flatnonzero(grid.count[rows] > width)
    result = np.zeros(len(rows), dtype=bool)
    if not len(long):
        return result
    extra = (grid.count[rows[long]] - width).astype(np.int64)
    owner = np.repeat(long, extra)
    within = np.arange(extra.sum()) - np.repeat(np.cumsum(extra) - extra, extra)
    place = grid.first[rows[owner]] + width + within
    filled = pc.not_equal(grid.flat.take(pa.array(place)), "").to_numpy(zero_copy_only=False)
    result[owner[filled]] = True
    return result


def _repeats_header(source: Source) -> npt.NDArray[np.bool_]:
    """Find rows that repeat one of the rows of headings in the first two measurement columns."""
    grid, match = source.grid, source.match
    result = np.zeros(len(source.rows), dtype=bool)
    for head in range(match.header_row, match.body):
        cells = grid.row(head)
        columns = [
            column.position for column in match.measured[:2] if any(cells[column.position : column.position + 1])
        ]
        same = np.full(len(result), bool(columns))
        for position in columns:
            same &= pc.equal(source.texts(position), cells[position]).to_numpy(zero_copy_only=False)
            if not same.any():
                break
        result |= same
    return result


def _named_rows(source: Source) -> list[tuple[str, npt.NDArray[np.bool_]]]:
    """Find rows that a cell names as limit, average, … or that begin like a footer."""
    match = source.match
    about = {column.position: column.code for column in match.columns if column.role == "about"}
    measured = {column.position for column in match.measured}
    # Right of a result stands what is said of it: "mittel" is a class of hardness there, and no average.
    leading = [
        position
        for position in range(min(_LABEL_PARTS, len(match.columns)))
        if position < min(measured, default=_LABEL_PARTS)
    ]
    labels = [position for position, code in about.items() if code == "label"]
    labelled = np.zeros(len(source.rows), dtype=bool)
    for position in labels:
        labelled |= source.category(position).stated()
    naming = [position for position, code in about.items() if code in NAMING]
    columns = {position: source.category(position) for position in dict.fromkeys((*naming, *leading))}
    found: dict[str, npt.NDArray[np.bool_]] = {}
    for position, kinds in zip(columns, _kinds_of([column.texts for column in columns.values()]), strict=True):
        for detail, unique in kinds.items():
            named = unique[columns[position].codes]
            if about.get(position) in _NAMES:
                named &= ~labelled
            found[detail] = found.get(detail, np.zeros(len(labelled), dtype=bool)) | named
    return list(found.items())


def lettered_rows(source: Source) -> Flags:
    """Tell rows that are named by one letter that may name a kind of row, if the other rows are not named so."""
    about = {column.position: column.code for column in source.match.columns if column.role == "about"}
    naming = {position for position, code in about.items() if code in NAMING}
    rows = np.zeros(len(source.rows), dtype=bool)
    for position in naming | set(range(min(_LABEL_PARTS, len(source.match.columns)))):
        rows |= source.category(position).mask(lambda text: len(text) == 1 and bool(_kind(text)))
    return rows


def _kinds_of(columns: Sequence[tuple[str, ...]]) -> list[dict[str, npt.NDArray[np.bool_]]]:
    """Tell which of the distinct texts of each column name a kind of row."""
    suspects = _suspects([text for column in columns for text in column])
    ends = np.cumsum([len(column) for column in columns])
    result = []
    for column, end in zip(columns, ends, strict=True):
        kinds: dict[str, npt.NDArray[np.bool_]] = {}
        lettered = sum(len(text) == 1 for text in column) > 1  # bottles L, M and N: none of them is a number of samples
        for number in np.flatnonzero(suspects[end - len(column) : end]):
            if (detail := _kind(column[number])) and not (lettered and len(column[number]) == 1):
                kinds.setdefault(detail, np.zeros(len(column), dtype=bool))[number] = True
        result.append(kinds)
    return result


def _suspects(texts: list[str]) -> npt.NDArray[np.bool_]:
    """Tell texts that begin with one of the words; Arrow makes the pattern anew at every call, so few go without."""
    if len(texts) <= _FEW:
        suspicious = re.compile(_suspicion(), re.IGNORECASE).match
        return np.array([suspicious(text) is not None for text in texts], dtype=bool)
    found = pc.match_substring_regex(pa.array(texts, type=pa.string()), _suspicion(), ignore_case=True)
    return np.asarray(found.to_numpy(zero_copy_only=False), dtype=bool)


@lru_cache(maxsize=4096)
def _kind(text: str) -> str:
    """Say what a text names instead of a sample; names in two languages and the law that is meant may stand with it."""
    folded = text.casefold().strip()
    if folded.startswith(tuple(heading_words()["footers"])):
        return "a footer"
    bare = re.sub(r"\(.*?\)|\[.*?\]", "", text)
    known = word_table("row_words")
    for part in (bare, *re.split(r"[/|\n]", bare)):
        if found := known.get(key(part), "") or _kind_of_words(tuple(key(part).split())):
            return found
    return ""


def _kind_of_words(words: tuple[str, ...]) -> str:
    """Find the name of a kind beside nothing but words of a law or a year ("Grenzwert TrinkwV 2023")."""
    beside = [word in _fillers() or word.isdigit() for word in words]
    for first in range(len(words)):
        for end in range(len(words), first, -1):
            name = " ".join(words[first:end])
            others = [*beside[:first], *beside[end:]]
            if others and all(others) and len(name) >= _SHORTEST and name in word_table("row_words"):
                return word_table("row_words")[name]
        if not beside[first]:
            break
    return ""


@lru_cache(maxsize=1)
def _fillers() -> frozenset[str]:
    return frozenset(word_keys(heading_words()["row_fillers"]))


@lru_cache(maxsize=1)
def _suspicion() -> str:
    """Build one pattern all such texts match, so that distinct labels need no look one by one."""
    words = {word for words in heading_words()["row_words"].values() for word in words}
    starts = {word.strip() for word in (*words, *heading_words()["footers"], *heading_words()["row_fillers"])}
    return r"^\s*(?:" + "|".join(re.escape(word) for word in sorted(starts, key=len, reverse=True)) + ")"


def rows_above(source: Source, file_sha256: str) -> list[pd.DataFrame]:
    """Tell of the rows above the header."""
    grid, match = source.grid, source.match
    if not match.header_row:
        return []
    count = f"{match.header_row} {'row' if match.header_row == 1 else 'rows'}"
    return [
        problem_frame(
            "row-outside-table",
            file_sha256=file_sha256,
            line=int(grid.line[0]),
            column="",
            raw_text=" | ".join(cell for cell in grid.row(0) if cell)[:200],
            detail=f"{count} above the headings of line {grid.line[match.header_row]}",
        )
    ]


def row_notices(source: Source, kinds: RowKinds, file_sha256: str) -> list[pd.DataFrame]:
    """Tell of rows above the header, and of rows without entries that are not samples."""
    grid, match = source.grid, source.match
    notices = rows_above(source, file_sha256)
    empty = np.ones(len(source.rows), dtype=bool)
    for column in match.measured:
        empty &= pc.equal(source.texts(column.position), "").to_numpy(zero_copy_only=False)
    for number, (_, detail) in enumerate(kinds.problems):
        mask = (kinds.code == number) & empty
        if mask.any():
            notices.append(
                problem_frame(
                    "row-outside-table",
                    file_sha256=file_sha256,
                    line=pd.Series(grid.line[source.rows[mask]]),
                    column="",
                    raw_text=grid.column(0, source.rows[mask]),
                    detail=f"the row holds {detail} and no readings",
                )
            )
    return notices


def vanished_rows(
    source: Source, kinds: RowKinds, is_fact: npt.NDArray[np.bool_], entries: Sequence[npt.NDArray[np.int64]]
) -> npt.NDArray[np.int64]:
    """Find the body rows that hold something but no entry: only notes, only a label, an empty result.

    Parameters
    ----------
    source, kinds, is_fact : the table, the kinds of its rows, and those that state facts of a sample.
    entries : positions of the rows that have entries.
    """
    held = is_fact | (kinds.code >= 0)
    for at in entries:
        held[at] = True
    left = np.flatnonzero(~held)
    if not len(left):
        return left
    grid, rows = source.grid, source.rows[left]
    count = grid.count[rows].astype(np.int64)
    owner = np.repeat(np.arange(len(left)), count)
    within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    filled = has_content(grid.flat.take(pa.array(grid.first[rows][owner] + within)), source.match.layout)
    return left[np.bincount(owner[filled], minlength=len(left)) > 0]


def vanished_notices(source: Source, vanished: npt.NDArray[np.int64], file_sha256: str) -> list[pd.DataFrame]:
    """Tell of such rows, all of a table at once."""
    if not len(vanished):
        return []
    lines = source.grid.line[source.rows[vanished]]
    several = len(lines) > 1
    shown = ", ".join(str(line) for line in lines[:_LINES_SHOWN]) + (", …" if len(lines) > _LINES_SHOWN else "")
    told = f"{len(lines)} rows hold no reading (lines {shown})" if several else f"1 row holds no reading (line {shown})"
    return [
        problem_frame(
            "rows-without-readings",
            file_sha256=file_sha256,
            line=int(lines[0]),
            column="",
            raw_text=" | ".join(cell for cell in source.grid.row(int(source.rows[vanished[0]])) if cell)[:200],
            detail=told,
        )
    ]
